"""The score table's figures on made-up scores whose answers can be worked out by hand."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from taptest.errors import VisitError
from taptest.simulate.trial import (
    MEASURES,
    Score,
    _matched,
    calibration_error,
    confusion,
    figures,
    groups,
    score_visit,
    score_visits,
    trial_json,
    trial_text,
)
from taptest.simulate.truth import VisitTruth, write_truth

BASE = Score(
    name="a",
    difficulty="field",
    fault="healthy",
    kind="diaphragm hanging",
    form="ring",
    switches=(),
    state="found",
    said_state="found",
    findings=("as expected",),
    said="as expected",
    hits=30,
    misses=0,
    false_taps=0,
    backing_right=9,
    backing_points=10,
    error_mm=6.0,
    middle_error_mm=60.0,
    spacing_mm=30.0,
    covered=True,
    interval_mm=20.0,
    made_error_mm=9.0,
    made_covered=True,
    later=(),
    charge_covered=None,
    charge_width_bar=None,
    speaks_against=None,
    settles=True,
    p_water=(0.1, 0.9),
    water=(False, True),
    seconds=1.0,
    model_seconds=0.0,
)
LOSS = replace(
    BASE, name="b", fault="slow loss", findings=("low on air",), said="as expected", error_mm=30.0, covered=False
)
SHY = replace(LOSS, name="c", said="cannot tell", said_state="not found", error_mm=None, covered=None)


def value(name: str, scores: list[Score]) -> float | None:
    return MEASURES[name][1](scores)


def test_errors_in_spacings_and_the_middle_beside_them() -> None:
    assert value("error_median_spacings", [BASE, LOSS, SHY]) == pytest.approx((0.2 + 1.0) / 2)
    assert value("error_median_mm", [BASE, LOSS, SHY]) == pytest.approx(18.0)
    assert value("middle_median_spacings", [BASE, LOSS, SHY]) == pytest.approx(2.0)


def test_shares_count_what_they_say() -> None:
    scores = [BASE, LOSS, SHY]
    assert value("cannot_tell", scores) == pytest.approx(1 / 3)
    assert value("coverage90", scores) == pytest.approx(1 / 2)
    assert value("failed_called_expected", scores) == pytest.approx(1 / 2)
    assert value("finding_right", scores) == pytest.approx(1 / 2)
    assert value("state_right", scores) == 1.0
    assert value("backing_right", scores) == pytest.approx(0.9)
    assert value("healthy_called_failed", scores) == 0.0


def test_what_no_visit_counts_for_is_none() -> None:
    assert value("coverage90", [SHY]) is None
    assert figures([SHY])["coverage90"].value is None
    assert value("failed_called_expected", [BASE]) is None


def test_f1_is_the_harmonic_mean_of_precision_and_recall() -> None:
    score = replace(BASE, hits=8, misses=2, false_taps=4)
    precision, recall = 8 / 12, 8 / 10
    assert value("tap_f1", [score]) == pytest.approx(2 * precision * recall / (precision + recall))


def test_onsets_match_once_and_within_five_milliseconds() -> None:
    true = np.array([0.5, 1.0, 1.5])
    assert _matched(np.array([0.504, 0.5045, 1.006, 1.4951]), true) == 2
    assert _matched(np.array([]), true) == 0
    assert _matched(true, true) == 3


def test_calibration_error_of_an_honest_and_a_boastful_forecast() -> None:
    rng = np.random.default_rng(3)
    p = rng.uniform(0.0, 1.0, 40000)
    water = (rng.uniform(0.0, 1.0, 40000) < p).astype(float)
    honest, boastful = calibration_error(p, water), calibration_error((p > 0.5).astype(float), water)
    assert honest is not None
    assert honest < 0.015
    assert boastful == pytest.approx(0.25, abs=0.01)


def test_bootstrap_intervals_hold_the_value_and_shrink_with_more_visits() -> None:
    rng = np.random.default_rng(1)
    many = [replace(BASE, error_mm=float(e)) for e in rng.exponential(10.0, 100)]
    few = figures(many[:10])["error_median_mm"]
    wide, narrow = few, figures(many)["error_median_mm"]
    assert wide.low is not None
    assert wide.high is not None
    assert narrow.low is not None
    assert narrow.high is not None
    assert narrow.value is not None
    assert narrow.low <= narrow.value <= narrow.high
    assert narrow.high - narrow.low < wide.high - wide.low
    assert figures(many) == figures(many)


def test_groups_confusion_text_and_json() -> None:
    scores = [BASE, LOSS, SHY, replace(BASE, name="d", difficulty="easy")]
    assert list(groups(scores)) == [
        "easy",
        "easy: healthy",
        "easy: diaphragm hanging",
        "easy: state found",
        "field",
        "field: healthy",
        "field: slow loss",
        "field: diaphragm hanging",
        "field: state found",
    ]
    assert confusion(scores, lambda s: s.state, lambda s: s.said_state) == {"found": {"found": 3, "not found": 1}}
    text = trial_text(scores)
    assert "field: slow loss (2 visits)" in text
    assert "(1 visit)" in text
    assert "(1 visits)" not in text
    assert "boundary error, median, spacings" in text
    content = trial_json(scores)
    assert json.loads(json.dumps(content, allow_nan=False))["groups"]["field"]["visits"] == 3


def test_failed_tanks_within_reach_of_the_tolerance_do_not_count_as_called_fine() -> None:
    slight = replace(LOSS, findings=("low on air", "as expected"))
    assert value("failed_called_expected", [LOSS, slight]) == 1.0
    assert value("failed_called_expected", [slight]) is None
    assert value("failed_called_expected", [SHY, LOSS, slight]) == pytest.approx(1 / 2)


def test_healthy_tanks_are_named_left_with_nothing_against_them_or_condemned() -> None:
    left = replace(BASE, said="cannot tell", speaks_against=False)
    unheard = replace(left, speaks_against=None, settles=False)
    condemned = replace(BASE, said="low on air", speaks_against=True)
    scores = [BASE, left, unheard, condemned, LOSS]
    assert value("healthy_named", scores) == pytest.approx(1 / 4)
    assert value("healthy_nothing_against", scores) == pytest.approx(1 / 4)
    assert value("healthy_condemned", scores) == pytest.approx(1 / 4)
    assert value("cannot_tell_no_step", scores) == pytest.approx(1 / 2)
    assert value("failed_nothing_against", [LOSS, replace(LOSS, said="cannot tell", speaks_against=False)]) == 0.5
    edge = replace(condemned, findings=("as expected", "low on air"))
    assert value("healthy_named", [edge]) == 1.0


def test_made_to_answer_counts_wherever_the_truth_has_a_boundary() -> None:
    shy = replace(SHY, made_error_mm=45.0, made_covered=False)
    none = replace(SHY, made_error_mm=None, made_covered=None)
    assert value("made_error_median_spacings", [BASE, shy, none]) == pytest.approx((0.3 + 1.5) / 2)
    assert value("made_coverage90", [BASE, shy, none]) == pytest.approx(1 / 2)
    assert value("made_coverage90", [none]) is None


def test_a_folder_without_truths_is_refused(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="taptest simulate"):
        score_visits(tmp_path)


def test_a_visit_that_cannot_be_judged_is_scored_as_such(tmp_path: Path) -> None:
    document = {
        "schema": 1,
        "tank": {"kind": "plain", "volume": "30 l", "diameter": "300 mm"},
        "points": [{"position_mm": 50.0 + 30.0 * n, "file": f"sound/p{n}.wav"} for n in range(4)],
    }
    (tmp_path / "sound").mkdir()
    for n in range(4):
        (tmp_path / "sound" / f"p{n}.wav").write_bytes(b"this is no sound")
    (tmp_path / "visit.json").write_text(json.dumps(document), encoding="utf-8")
    onsets: dict[str, tuple[float, ...]] = {f"sound/p{n}.wav": (0.3, 0.8) for n in range(4)}
    write_truth(tmp_path, VisitTruth("found", 92.0, ("air",) * 4, "healthy", ("as expected",), onsets))
    score = score_visit(tmp_path)
    assert score.said == "error"
    assert score.cannot_tell
    assert score.trouble
    assert score.misses == 8
    assert score.middle_error_mm == pytest.approx(3.0)

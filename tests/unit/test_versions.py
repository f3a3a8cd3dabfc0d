"""Kept models and findings hold by version alone, and no figure moves under an old version."""

import json

import pytest

from taptest import versions
from tests.golden_figures import GOLDEN, differences, model_figures, quick_figures, visit_figures

RAISE = "raise its version in taptest/versions.py, then: python -m tests.golden_figures"


def test_no_figure_of_the_model_moves_under_an_old_version() -> None:
    golden = json.loads(GOLDEN.read_text(encoding="utf-8"))["model"]
    assert golden["version"] == versions.MODEL
    assert differences(golden["figures"], json.loads(json.dumps(model_figures())), "/model") == [], RAISE


def test_no_figure_of_a_made_visit_or_a_kept_line_moves_under_an_old_version() -> None:
    golden = json.loads(GOLDEN.read_text(encoding="utf-8"))["judgement"]
    now = json.loads(json.dumps(quick_figures()))
    assert differences({key: golden["figures"].get(key) for key in now}, now) == [], RAISE


def test_no_figure_of_an_example_visit_moves_under_an_old_version() -> None:
    golden = json.loads(GOLDEN.read_text(encoding="utf-8"))["judgement"]
    assert golden["version"] == [versions.MODEL, versions.JUDGEMENT]
    now = json.loads(json.dumps(visit_figures()))
    assert differences({key: golden["figures"].get(key) for key in now}, now) == [], RAISE


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ({"a": 1.0}, {"a": 1.0}, 0),
        ({"a": 1.0}, {"a": 1.01}, 1),
        ({"a": None}, {"a": 1.0}, 1),
        ({"a": [1.0, 2.0]}, {"a": [1.0]}, 1),
        ({"a": "x"}, {"b": "x"}, 2),
    ],
)
def test_a_moved_figure_is_told(was: object, now: object, told: int) -> None:
    assert len(differences(was, now)) == told

"""The main path, from a visit's folder to its judgement, on made-up taps; the model of the tank is left out here."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from taptest.errors import LineError, RecordingError, VisitError
from taptest.finding.judge import MOST_CHECKS
from taptest.line.boundary import read_line
from taptest.line.points import profile_of
from taptest.line.remarks import Remedy, Unread
from taptest.quantities import METRIC, US
from taptest.sound.recording import write_recording
from taptest.statements import Statement, said_as_json
from taptest.visit import analyse
from taptest.visit.analyse import judge_visit, where_next
from taptest.visit.files import read_visit
from taptest.visit.intake import Sources, import_visit
from taptest.visit.remarks import PointRemark, Rejected, VisitRemark
from taptest.visit.result import VisitResult, as_json
from tests.made_lines import made_points, made_sweep, made_tank
from tests.made_visits import RATE, tap_sound, write_tables
from tests.said import keys_of, texts, values_of


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("analyse")
    tank, points = write_tables(folder / "from", 8)
    import_visit(folder / "cellar", Sources(tank, points))
    return folder / "cellar"


@pytest.fixture(autouse=True)
def _no_model(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ("The model is left out.",)))


@pytest.fixture
def folder(imported: Path, tmp_path: Path) -> Path:
    shutil.copytree(imported, tmp_path / "cellar")
    return tmp_path / "cellar"


def judged(folder: Path) -> VisitResult:
    return judge_visit(read_visit(folder))


def rewrite(folder: Path, **changes: Any) -> None:
    path = folder / "visit.json"
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")) | changes), encoding="utf-8")


def test_each_file_belongs_to_its_point(folder: Path) -> None:
    result = judged(folder)
    assert [point.depth_m for point in result.points] == pytest.approx([0.035 * k for k in range(1, 9)])
    assert [point.taps_used + point.taps_rejected for point in result.points] == [3] * 8
    assert {(tap.file, round(tap.depth_m or 0.0, 6)) for tap in result.taps} == {
        (f"sound/p{k:02d}.wav", round(0.035 * k, 6)) for k in range(1, 9)
    }
    assert result.profile is not None
    assert result.profile.depth_m.size == 8
    assert "The model is left out." in result.remarks
    assert json.dumps(as_json(result), allow_nan=False)


def test_the_change_of_sound_is_heard(folder: Path) -> None:
    p_water = [point.p_water for point in judged(folder).points]
    assert all(p is not None for p in p_water)
    # Hanging tank: the dull points lie at the top, and the made-up change lies between the fourth and the fifth point.
    assert min(p for p in p_water[:4] if p is not None) > max(p for p in p_water[4:] if p is not None)


def test_a_judgement_is_the_same_each_time_and_in_any_order_of_points(folder: Path) -> None:
    first = as_json(judged(folder))
    assert as_json(judged(folder)) == first
    rewrite(folder, points=json.loads((folder / "visit.json").read_text())["points"][::-1])
    turned = as_json(judged(folder))
    assert turned["boundary"] == first["boundary"]
    assert turned["points"] == first["points"]


def test_one_walk_gives_each_tap_its_point(folder: Path) -> None:
    onsets = [0.8 + 2.5 * point + 0.6 * tap for point in range(6) for tap in range(3)]
    write_recording(folder / "sound" / "walk.wav", tap_sound(onsets, onsets[-1] + 1.0), RATE)
    rewrite(folder, points=[{"position_mm": 280 - 45 * k, "file": "sound/walk.wav", "taps": 3} for k in range(6)])
    result = judged(folder)
    assert [point.taps_used + point.taps_rejected for point in result.points] == [3] * 6
    owners = [tap.depth_m for tap in result.taps]
    assert owners == pytest.approx([0.280 - 0.045 * k for k in range(6) for _ in range(3)])


def test_a_useless_file_costs_only_its_own_point(folder: Path) -> None:
    write_recording(folder / "sound" / "p03.wav", np.zeros(RATE, np.float32), RATE)
    result = judged(folder)
    assert result.points[2].p_water is None
    remark = result.points[2].remark
    assert remark is not None
    assert remark.key is PointRemark.USELESS_RECORDING
    assert all(point.p_water is not None for k, point in enumerate(result.points) if k != 2)


@pytest.mark.parametrize("sound", [np.zeros(RATE), np.sign(np.sin(np.arange(RATE) * 0.3))])
def test_where_every_file_is_useless_the_sentence_is_an_error(folder: Path, sound: np.ndarray) -> None:
    for path in (folder / "sound").iterdir():
        path.unlink()
        write_recording(path, sound.astype(np.float32), RATE)
    with pytest.raises(RecordingError, match="None of the visit's 8 recordings"):
        judged(folder)


def test_where_every_tap_is_rejected_the_finding_is_cannot_tell(folder: Path) -> None:
    for path in (folder / "sound").iterdir():
        path.unlink()
        loud = np.clip(6 * tap_sound([0.6, 1.3, 2.0], 3.0), -1, 1)
        write_recording(path, loud, RATE)
    result = judged(folder)
    assert result.judgement.code == "cannot tell"
    assert result.profile is None
    assert {tap.tap.why_not for tap in result.taps} == {"clipped"}
    assert all(point.p_water is None for point in result.points)
    clipped = Statement(Rejected.CLIPPED, {"count": 3})
    assert {str(point.remark) for point in result.points} == {
        str(Statement(PointRemark.NO_USABLE_TAP, {"rejected": (clipped,)}))
    }
    finding = as_json(result)["finding"]
    said = (*result.judgement.reasons, *result.remarks)
    assert Unread.CLIPPED in keys_of(said)
    assert Remedy.LESS_LEVEL in keys_of(result.judgement.next_checks[:1])
    assert finding["reasons"] == texts(said)
    assert finding["reasons_as_statements"] == [said_as_json(each) for each in said]


@pytest.mark.parametrize(
    "content", [b"this is a text\n" * 40, b"", b"RIFF\x24\x00\x00\x00WAVEfmt "], ids=["text", "empty", "truncated"]
)
def test_a_broken_file_is_an_error_that_names_it(folder: Path, content: bytes) -> None:
    (folder / "sound" / "p05.wav").write_bytes(content)
    with pytest.raises(RecordingError, match=r"p05\.wav"):
        judged(folder)


def test_a_visit_without_points_says_so(folder: Path) -> None:
    rewrite(folder, points=[])
    with pytest.raises(VisitError, match="no points yet"):
        judged(folder)


def test_the_wrong_walk_is_refused(folder: Path) -> None:
    write_recording(folder / "sound" / "walk.wav", tap_sound([1.0, 2.0], 4.0), RATE)
    rewrite(folder, points=[{"position_mm": 40 * k, "file": "sound/walk.wav", "taps": 3} for k in range(1, 8)])
    with pytest.raises(LineError, match="Is this the right recording"):
        judged(folder)


def test_a_judged_visit_says_where_one_more_mark_would_tell_most(tmp_path: Path) -> None:
    tank, points = write_tables(tmp_path / "from", 6, spacing_mm=50.0, boundary=3)
    import_visit(tmp_path / "cellar", Sources(tank, points))
    checks = judged(tmp_path / "cellar").judgement.next_checks
    assert keys_of(checks).count(VisitRemark.ADD_A_MARK) == 1
    assert len(checks) <= MOST_CHECKS
    advice = values_of(VisitRemark.ADD_A_MARK, checks)
    mark_mm = 1000 * advice["depth_m"]
    assert 35 < mark_mm < 280
    assert mark_mm % 5 == pytest.approx(0, abs=1e-6) or mark_mm % 5 == pytest.approx(5, abs=1e-6)
    assert advice["count"] in (1, 2, 3)


def test_the_advice_where_to_tap_comes_only_where_a_tap_would_tell_something() -> None:
    tank, sweeps = made_tank(), [made_sweep()]
    few = made_points(0.25, np.random.default_rng(3), count=8, noise_db=6.0)
    open_line = read_line(few, tank, sweeps)
    said = where_next(open_line, profile_of(few), tank, sweeps, METRIC)
    assert values_of(VisitRemark.ADD_A_MARK, [said])["count"] == 3
    in_inches = values_of(VisitRemark.ADD_A_MARK, [where_next(open_line, profile_of(few), tank, sweeps, US)])
    # a mark that stands on an inch tape: every 1/4 inch (NIST SP 811: 25.4 mm an inch)
    assert in_inches["depth_m"] / 0.0254 * 4 == pytest.approx(round(in_inches["depth_m"] / 0.0254 * 4))
    many = made_points(0.25, np.random.default_rng(3), count=40, noise_db=0.5)
    assert where_next(read_line(many, tank, sweeps), profile_of(many), tank, sweeps, METRIC) is None
    # four points cannot be read at all; the reading itself says that more are needed
    short = made_points(0.25, np.random.default_rng(3), count=4)
    assert where_next(read_line(short, tank, sweeps), profile_of(short), tank, sweeps, METRIC) is None

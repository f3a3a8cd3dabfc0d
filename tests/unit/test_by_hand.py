"""Taps refused or used by hand: kept in the document, held to, and told with their reasons."""

import shutil
from pathlib import Path

import pytest

from taptest.errors import VisitError
from taptest.sound.records import Tap
from taptest.sound.remarks import WhyNot
from taptest.statements import Statement
from taptest.visit import analyse
from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit, save_document
from taptest.visit.intake import Sources, import_visit
from taptest.visit.listen import SAME_TAP_S, decide_by_hand
from taptest.visit.record import HandDecision, read_document, write_document
from taptest.visit.remarks import ByHand, Rejected
from taptest.visit.result import VisitResult
from tests.made_visits import write_tables
from tests.said import keys_of, values_of

FILE = "sound/p03.wav"


def decision(onset_s: float, verdict: str, why: str = "A door slammed.", file: str = FILE) -> HandDecision:
    return HandDecision.model_validate({"file": file, "onset_s": onset_s, "verdict": verdict, "why": why})


TAPS = (Tap(0.6, -10, 40, 0.7), Tap(1.3, -10, 40, 0.7, WhyNot.DOUBLE_HIT), Tap(2.0, -10, 40, 0.9))


def test_without_decisions_everything_stays() -> None:
    assert decide_by_hand(TAPS, ()) == (TAPS, (), ())


def test_a_good_tap_is_refused_and_a_bad_one_used() -> None:
    first, second = decision(0.601, "refuse"), decision(1.299, "use", "One hit only, the other is an echo")
    taps, by_hand, notes = decide_by_hand(TAPS, (first, second))
    assert [tap.why_not for tap in taps] == ["refused by hand", None, None]
    assert by_hand == (first, second, None)
    assert values_of(ByHand.REFUSED, notes)["why"] == "A door slammed"
    why = "One hit only, the other is an echo"
    assert notes[1] == Statement(ByHand.USED, {"onset_s": 1.299, "name": "sound/p03.wav", "why": why})


@pytest.mark.parametrize("off_s", [-2 * SAME_TAP_S, 2 * SAME_TAP_S, 60.0])
def test_a_decision_that_fits_no_tap_changes_nothing_and_says_so(off_s: float) -> None:
    taps, by_hand, notes = decide_by_hand(TAPS, (decision(0.6 + abs(off_s), "refuse"),))
    assert taps == TAPS
    assert by_hand == (None, None, None)
    assert keys_of(notes) == [ByHand.NO_SUCH_TAP]


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("by-hand")
    tank, points = write_tables(folder / "from", 6, spacing_mm=45.0, boundary=3)
    import_visit(folder / "cellar", Sources(tank, points))
    return folder / "cellar"


@pytest.fixture
def folder(imported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ("The model is left out.",)))
    shutil.copytree(imported, tmp_path / "cellar")
    return tmp_path / "cellar"


def decided(folder: Path, *decisions: HandDecision) -> VisitResult:
    visit = read_visit(folder)
    save_document(folder, visit.document.model_copy(update={"by_hand": decisions}))
    return judge_visit(read_visit(folder))


def test_a_refused_tap_no_longer_counts_and_can_be_taken_back(folder: Path) -> None:
    before = judge_visit(read_visit(folder))
    third = next(tap for tap in before.taps if tap.file == FILE)
    refusal = decision(third.tap.onset_s, "refuse")
    after = decided(folder, refusal)
    assert (before.points[2].taps_used, after.points[2].taps_used) == (3, 2)
    assert after.points[2].taps_rejected == 1
    assert [tap.by_hand for tap in after.taps if tap.by_hand is not None] == [refusal]
    assert values_of(ByHand.REFUSED, after.remarks)["why"] == "A door slammed"
    again = decided(folder)
    assert [tap.tap for tap in again.taps] == [tap.tap for tap in before.taps]
    assert again.points == before.points


def test_all_taps_of_a_point_refused_leaves_the_point_out(folder: Path) -> None:
    before = judge_visit(read_visit(folder))
    mine = [decision(tap.tap.onset_s, "refuse") for tap in before.taps if tap.file == FILE]
    after = decided(folder, *mine)
    assert after.points[2].p_water is None
    remark = after.points[2].remark
    assert remark is not None
    assert remark.values["rejected"] == (Statement(Rejected.BY_HAND, {"count": len(mine)}),)


def test_all_taps_of_the_visit_refused_is_told_and_not_judged(folder: Path) -> None:
    before = judge_visit(read_visit(folder))
    after = decided(folder, *(decision(tap.tap.onset_s, "refuse", file=tap.file) for tap in before.taps))
    assert after.judgement.code == "cannot tell"
    assert after.judgement.boundary_state == "not found"


def test_the_document_keeps_the_decision_with_its_reason(folder: Path) -> None:
    document = read_visit(folder).document.model_copy(update={"by_hand": (decision(0.6, "refuse", "Ünruhe"),)})
    text = write_document(document)
    assert read_document(text, "visit.json") == document
    assert "by_hand" not in write_document(document.model_copy(update={"by_hand": ()}))


@pytest.mark.parametrize(
    ("key", "value", "sentence"),
    [("verdict", "maybe", "by_hand, entry 1"), ("why", "", "by_hand, entry 1"), ("onset_s", -1.0, "at least 0")],
)
def test_a_decision_that_is_none_is_refused(folder: Path, key: str, value: object, sentence: str) -> None:
    text = write_document(read_visit(folder).document.model_copy(update={"by_hand": (decision(0.6, "refuse"),)}))
    old = {"verdict": '"refuse"', "why": '"A door slammed."', "onset_s": "0.6"}[key]
    new = f'"{value}"' if isinstance(value, str) else str(value)
    with pytest.raises(VisitError, match=sentence):
        read_document(text.replace(f'"{key}": {old}', f'"{key}": {new}'), "visit.json")

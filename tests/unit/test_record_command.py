"""`taptest record` and `taptest known-level` up to the sound card: plans, folders, refusals, and what is kept."""

import argparse
import re
from datetime import date
from pathlib import Path

import pytest

from taptest import cli
from taptest.capture import device
from taptest.capture import session as session_module
from taptest.capture.excerpt import save_points
from taptest.capture.journal import LOG, open_journal, read_log
from taptest.capture.known_levels import known_levels
from taptest.capture.notes import is_done
from taptest.capture.plans import plan_of
from taptest.capture.round import Next, Plan
from taptest.capture.session import open_session
from taptest.capture.unfinished import left_of
from taptest.commands import known_level
from taptest.commands.record import Made, _added, _kept, _unread, _wanted, add_arguments, open_visit
from taptest.errors import LineError, QuantityError, VisitError
from taptest.visit import analyse, sweeps
from taptest.visit.files import read_visit
from taptest.visit.meaning import Meaning
from tests.live_round import TANK
from tests.sources import ArraySource, one_after_the_other
from tests.tapping import Hand


@pytest.fixture
def tank(tmp_path: Path) -> Path:
    path = tmp_path / "tank.toml"
    path.write_text(TANK)
    return path


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(sweeps, "sharpening", lambda case: iter(()))


def arguments(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return parser.parse_args(list(words))


def plan(meaning: Meaning, *words: str) -> Plan:
    return plan_of(_wanted(arguments(*words)), meaning.case.tank, meaning.units)


def test_the_plan_follows_the_arguments(tank: Path, tmp_path: Path) -> None:
    meaning, _ = open_visit(tank, tmp_path / "visit")
    assert plan(meaning, "--marks", "30, 60;90").depths_m == (0.03, 0.06, 0.09)
    asked = plan(meaning, "--from", "2 in", "--to", "20 cm", "--every", "50 mm", "--reference", "300 mm", "--taps", "5")
    assert asked.depths_m == pytest.approx((0.051, 0.101, 0.151), abs=0.0005)
    assert (asked.reference_depth_m, asked.taps_per_point, asked.practice_taps) == (0.3, 5, 3)
    usual = plan(meaning, "--no-practice", "--finer", "0")
    assert len(usual.depths_m) >= 12
    # The water is at the top: the reference lies at the bottom, on the air end.
    assert usual.reference_depth_m == max(usual.depths_m)
    assert (usual.practice_taps, usual.finer_limit) == (0, 0)
    assert plan(meaning, "--reference", "none").reference_depth_m is None


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["--marks", "a,b"], LineError),
        (["--marks", "30,30"], LineError),
        (["--from", "300 mm", "--to", "100 mm"], LineError),
        (["--every", "25"], QuantityError),
        (["--taps", "0"], LineError),
        (["--taps", "-1"], QuantityError),
        (["--marks", "30,900"], LineError),
        (["--marks", "2 in,3 furlongs"], LineError),
        (["--reference", "2 m"], LineError),
    ],
)
def test_what_cannot_be_tapped_is_refused(words: list[str], error: type[Exception], tank: Path, tmp_path: Path) -> None:
    meaning, _ = open_visit(tank, tmp_path / "visit")
    with pytest.raises(error):
        plan(meaning, *words)


def test_a_visit_is_made_once_and_found_again(tank: Path, tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    open_visit(tank, folder)
    made = read_visit(folder).document
    assert made.points == ()
    assert made.visited_on is not None
    assert open_visit(None, folder)[0].case.tank.kind == "diaphragm"


def test_the_tank_file_of_the_documents_is_taken_with_its_date(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "visit-format.md").read_text(encoding="utf-8")
    found = re.search(r"<!-- example: tank.toml -->\n```toml\n(.*?)```", page, re.DOTALL)
    assert found
    (tmp_path / "tank.toml").write_text(found[1], encoding="utf-8")
    assert "\ndate = " in found[1]
    meaning, _ = open_visit(tmp_path / "tank.toml", tmp_path / "visit")
    assert read_visit(tmp_path / "visit").document.visited_on == date(2025, 3, 14)
    again = arguments(str(tmp_path / "visit"), "--tank", str(tmp_path / "tank.toml"))
    assert _kept(again, meaning, tmp_path / "visit") == ""
    assert _unread(meaning, tmp_path / "visit") == ""


def test_a_round_without_readings_begins_with_a_word(tank: Path, tmp_path: Path) -> None:
    meaning, _ = open_visit(tank, tmp_path / "visit")
    said = _unread(meaning, tmp_path / "visit")
    assert said.startswith("No pressure was read")
    assert str(tmp_path / "visit") in said


def test_a_folder_without_a_tank_is_refused(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match=r"--tank tank\.toml"):
        open_visit(None, tmp_path / "visit")
    assert not (tmp_path / "visit").exists()


def test_an_imported_visit_is_never_recorded_over(tank: Path, tmp_path: Path) -> None:
    open_visit(tank, tmp_path / "visit")
    (tmp_path / "visit" / LOG).unlink()
    with pytest.raises(VisitError, match="not recorded by a round"):
        open_visit(tank, tmp_path / "visit")


def test_without_a_microphone_the_visit_waits_for_one(
    tank: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Nothing:
        PortAudioError = OSError

        def query_devices(self) -> list[dict[str, object]]:
            return []

        query_hostapis = query_devices

    monkeypatch.setattr(device, "_backend", Nothing)
    words = ["record", str(tmp_path / "visit"), "--tank", str(tank)]
    for _ in range(2):
        assert cli.main(words) == 2
        assert "shows no microphone" in capsys.readouterr().err
    assert read_visit(tmp_path / "visit").document.tank.name == "Simulated tank"


def test_without_a_folder_the_command_says_what_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["record"]) == 2
    assert "taptest record VISIT --tank tank.toml" in capsys.readouterr().err


class Loudspeaker:
    """Tones that nobody hears: what matters is that each is noted in the journal."""

    def play(self, name: str) -> float:
        return 0.1


def test_a_known_level_is_judged_and_its_error_kept(
    tank: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def recorded(given: argparse.Namespace, folder: Path) -> Made:
        """A round from an array in place of the sound card: duller and lower above 130 mm."""
        meaning, _ = open_visit(given.tank, folder)
        if is_done(read_log(folder)):
            return Made(len(read_visit(folder).document.points))
        chosen = plan_of(_wanted(given), meaning.case.tank, meaning.units)
        hand = Hand().quiet(3.5)
        for mark in chosen.depths_m:
            hand.taps(1, pitch=0.6 if mark < 0.13 else 1.0)
        source = ArraySource(hand.quiet(0.5).sound(), name="USB")
        session = open_session(folder, chosen, one_after_the_other(source), tones=Loudspeaker())
        list(session.run())
        assert read_log(folder)[-1]["what"] == "tone"  # the last tone is noted after the end
        journal = open_journal(folder)
        points = save_points(folder, journal, session.round.results)
        journal.close()
        return Made(points)

    monkeypatch.setattr(known_level, "record", recorded)
    # Without the shell model the unlabelled change decides; computing the model would take a minute.
    monkeypatch.setattr(analyse, "sweeps_for", lambda *_: ((), ()))
    words = ["known-level", str(tmp_path / "check"), "--tank", str(tank), "--level", "130 mm", "--striker", "ball"]
    options = ["--taps", "1", "--finer", "0", "--no-practice", "--reference", "none"]
    assert cli.main([*words, *options]) == 0
    [check] = known_levels()
    assert (check.true_mm, check.microphone, check.striker) == (130.0, "USB", "ball")
    assert check.found_mm is not None
    assert check.found_mm == pytest.approx(130, abs=25)
    assert check.sentence in capsys.readouterr().out
    assert cli.main(["known-level", "--list"]) == 0
    assert check.sentence in capsys.readouterr().out
    # The rule was read wrongly: the same command with the right level mends what is kept, and adds nothing.
    assert cli.main([*words[:-3], "5 in", "--striker", "ball", *options]) == 0
    said = capsys.readouterr().out
    assert "what it gave then is replaced" in said
    [mended] = known_levels()
    assert mended.true_mm == pytest.approx(127.0)
    assert mended.found_mm == check.found_mm


def test_a_round_of_which_every_mark_was_skipped_compares_nothing(
    tank: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "check"
    meaning, _ = open_visit(tank, folder)
    chosen = plan(meaning, "--marks", "60,120", "--finer", "0", "--no-practice", "--reference", "none")
    session = open_session(folder, chosen, one_after_the_other(ArraySource(Hand().quiet(6.0).sound())))
    monkeypatch.setattr(session_module, "HELD_S", 0.0)
    for event in session.run():
        if isinstance(event, Next):
            session.press("skip")
    assert cli.main(["known-level", str(folder), "--level", "130 mm"]) == 0
    assert "Every mark was skipped" in capsys.readouterr().out
    assert known_levels() == ()


@pytest.mark.parametrize("level", ["16 m", "0 mm", "-20 mm"])
def test_a_known_level_lies_in_the_vessel(
    level: str, tank: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["known-level", str(tmp_path / "check"), "--tank", str(tank), f"--level={level}"]) == 2
    assert "does not lie in the vessel, which is 380 mm high" in capsys.readouterr().err


def test_a_round_that_is_done_is_not_begun_again(
    tank: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "visit"
    meaning, _ = open_visit(tank, folder)
    chosen = plan(meaning, "--marks", "60,120", "--taps", "1", "--finer", "0", "--no-practice", "--reference", "none")
    source = ArraySource(Hand().quiet(3.5).taps(2).quiet(0.5).sound())
    list(open_session(folder, chosen, one_after_the_other(source)).run())
    # It died before the points were written: the next start writes them, and needs no microphone for it.
    assert read_visit(folder).document.points == ()
    assert cli.main(["record", str(folder)]) == 0
    assert "is done; to tap more" in capsys.readouterr().out
    assert [point.position_mm for point in read_visit(folder).document.points] == [60, 120]


def test_a_round_that_is_done_goes_on_with_added_marks_and_takes_a_changed_tank(tank: Path, tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    meaning, _ = open_visit(tank, folder)
    chosen = plan(meaning, "--marks", "60,120", "--taps", "1", "--finer", "0", "--no-practice", "--reference", "none")
    sound = Hand().quiet(3.5).taps(2).quiet(0.5).sound()
    session = open_session(folder, chosen, one_after_the_other(ArraySource(sound)))
    list(session.run())
    assert is_done(read_log(folder))
    assert _added(arguments("v", "--marks", "60,120"), meaning, folder) == ""
    assert is_done(read_log(folder))
    assert _added(arguments("v", "--marks", "60,90,100"), meaning, folder) == "Added to the line: 90 mm, 100 mm."
    assert not is_done(read_log(folder))
    assert left_of(folder) == pytest.approx((0.09, 0.1))
    (tmp_path / "tank.toml").write_text(TANK.replace("18 l", "24 l"))
    again, changed = open_visit(tmp_path / "tank.toml", folder)
    assert changed == "Taken from the tank's file: volume 24 l."
    assert again.case.tank.volume_m3 == pytest.approx(0.024)
    session = open_session(folder, None, one_after_the_other(ArraySource(sound)))
    events = list(session.run())
    assert [event.stop.depth_m for event in events if isinstance(event, Next)] == pytest.approx([0.09, 0.1])
    assert session.round.stage == "done"
    journal = open_journal(folder)
    save_points(folder, journal, session.round.results)
    journal.close()
    document = read_visit(folder).document
    assert [point.position_mm for point in document.points] == [60, 120, 90, 100]
    assert document.marks_left == ()
    assert document.tank.volume == "24 l"


def test_a_known_level_needs_the_level(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert cli.main(["known-level", str(tmp_path / "check")]) == 2
    assert "measured with a rule" in capsys.readouterr().err


def test_arguments_that_come_too_late_are_told(tank: Path, tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    meaning, _ = open_visit(tank, folder)
    chosen = plan(meaning, "--marks", "60,120", "--reference", "none")
    open_session(folder, chosen, one_after_the_other()).journal.close()
    same = ["v", "--tank", str(tank), "--marks", "60,120", "--reference", "none"]
    assert _kept(arguments(*same), meaning, folder) == ""
    assert "keeps the marks" in _kept(arguments("v", "--from", "50 mm"), meaning, folder)

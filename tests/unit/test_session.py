"""A whole round on disk, from sources that are arrays: what is kept, what is taken up again, what becomes the visit."""

import re
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from taptest.capture import session as session_module
from taptest.capture.excerpt import joined, noise_of, save_points
from taptest.capture.journal import open_journal, read_log, recordings
from taptest.capture.notes import results_from
from taptest.capture.remarks import RoundWarning
from taptest.capture.round import Plan, Round, StageBegan, Warned
from taptest.capture.session import Listening, Session, SessionEvent, SoundLost, SourceLost, open_session
from taptest.disk import make_folder
from taptest.errors import DeviceError, VisitError
from taptest.line.remarks import LineRemark
from taptest.sound.taps import detect_taps
from taptest.visit import analyse
from taptest.visit.files import read_visit, save_document
from taptest.visit.record import document_from
from tests.said import keys_of
from tests.sources import ArraySource, Room, one_after_the_other
from tests.tapping import RATE_HZ, Hand

FloatArray = NDArray[np.float64]
MARKS = (0.05, 0.10, 0.15)
PLAN = Plan(MARKS, reference_depth_m=0.2, finer_limit=0, practice_taps=0, noise_s=1.0)
"""Reference, three points, reference: fifteen taps."""


@pytest.fixture(autouse=True)
def _no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_module, "RETRY_S", 0.0)


def tapping(taps: int, seed: int = 1) -> FloatArray:
    return Hand(seed=seed).quiet(1.5).taps(taps, then_s=0.6).quiet(0.4).sound()


def run(session: Session, most: int = 10**6) -> list[SessionEvent]:
    """Run until the end or until `most` events have come."""
    events = []
    for event in session.run():
        events.append(event)
        if len(events) >= most:
            break
    return events


def kinds(folder: Path) -> list[str]:
    return [result.stop.kind for result in results_from(read_log(folder))]


def test_a_round_from_beginning_to_end(tmp_path: Path) -> None:
    sound = tapping(15)
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(sound)))
    run(session)
    assert session.round.stage == "done"
    assert kinds(tmp_path) == ["reference", "point", "point", "point", "reference"]
    kept, rate_hz = soundfile.read(tmp_path / "sound" / "round-01.wav")
    assert rate_hz == RATE_HZ
    # All sound until the last tap was decided is there, to half a step of 24 bits.
    assert len(kept) > (1.5 + 14 * 0.6 + 0.13) * RATE_HZ
    assert np.abs(kept - sound[: len(kept)]).max() < 2**-24 + 1e-12
    assert read_log(tmp_path)[-1]["stage"] == "done"


def test_a_lost_device_costs_the_unfinished_point_and_no_more(tmp_path: Path) -> None:
    first = ArraySource(tapping(8))  # reference, point 1, and two taps of point 2
    second = ArraySource(tapping(12, seed=2))  # reference again, points 2 and 3, reference
    session = open_session(tmp_path, PLAN, one_after_the_other(first, second))
    events = run(session)
    assert [type(event) for event in events if isinstance(event, SourceLost)] == [SourceLost]
    assert kinds(tmp_path) == ["reference", "point", "recheck", "point", "point", "reference"]
    # The two taps before the loss, at a mark that was left since, are in no point.
    results = results_from(read_log(tmp_path))
    assert [[tap.recording for tap in result.taps] for result in results] == [[0] * 3] * 2 + [[1] * 3] * 4
    assert first.closed
    assert second.closed
    assert [recording.file for recording in recordings(tmp_path)] == ["sound/round-01.wav", "sound/round-02.wav"]
    assert sum(recording.samples for recording in recordings(tmp_path)) > 20 * 0.6 * RATE_HZ


def test_a_device_that_comes_back_with_another_rate_is_no_trouble(tmp_path: Path) -> None:
    low = Hand(rate_hz=44100, seed=2).quiet(1.5).taps(12, then_s=0.6).quiet(0.4).sound()
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(8)), ArraySource(low, 44100)))
    run(session)
    assert kinds(tmp_path)[-1] == "reference"
    assert [recording.rate_hz for recording in recordings(tmp_path)] == [48000, 44100]


def test_a_stopped_round_is_taken_up_with_the_plan_it_began_with(tmp_path: Path) -> None:
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(8))))
    for event in session.run():
        if isinstance(event, SourceLost):
            session.press("stop")
    assert session.round.stage == "stopped"
    other = Plan((0.3, 0.4), taps_per_point=1)
    again = open_session(tmp_path, other, one_after_the_other(ArraySource(tapping(12, seed=2))))
    assert again.round.plan == PLAN
    run(again)
    assert kinds(tmp_path) == ["reference", "point", "recheck", "point", "point", "reference"]


def test_each_tap_is_found_where_the_journal_says_also_after_a_break(tmp_path: Path) -> None:
    """Two runs and a lost microphone make three recordings; every tap names the one that holds it."""
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(8))))
    for event in session.run():
        if isinstance(event, SourceLost):
            session.press("stop")
    run(open_session(tmp_path, None, one_after_the_other(*(ArraySource(tapping(9, seed=seed)) for seed in (2, 3)))))
    journal = open_journal(tmp_path)
    taps = [tap for result in results_from(journal.entries) for tap in result.taps]
    assert {tap.recording for tap in taps} == {0, 1, 2}
    for tap in taps:
        sound, _ = journal.sound(tap.recording, tap.onset_s - 0.02, tap.onset_s + 0.02)
        half = len(sound) // 2
        # The taps peak near 0.2, the noise before them is 0.0005.
        assert np.abs(sound[: half - 200]).max() < 0.01
        assert np.abs(sound[half:]).max() > 0.1
        assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(tap.peak_db, abs=1.0)
    journal.close()


@pytest.mark.long
def test_a_copy_taken_at_any_moment_goes_on_at_the_right_point(tmp_path: Path) -> None:
    """What a power cut leaves: the folder as it was, its last sound half written."""
    origin = tmp_path / "origin"
    make_folder(origin)
    session = open_session(origin, PLAN, one_after_the_other(ArraySource(tapping(15))))
    rng = np.random.default_rng(7)
    copies = 0
    for number, _ in enumerate(session.run()):
        if rng.random() > 0.04:
            continue
        copies += 1
        done = len(session.round.results)
        copy = tmp_path / f"copy{number}"
        shutil.copytree(origin, copy)
        for path in [copy / "round.jsonl", copy / "sound" / "round-01.wav"]:
            content = path.read_bytes()
            path.write_bytes(content[: len(content) - int(rng.integers(0, 3))])
        again = open_session(copy, None, one_after_the_other(ArraySource(tapping(15, seed=3))))
        assert len(again.round.results) in (done, done - 1)
        list(again.run()) if done < 4 else again.journal.close()
        if done < 4:
            assert again.round.stage == "done"
    assert copies >= 3


def test_lost_sound_starts_the_unfinished_point_over(tmp_path: Path) -> None:
    # Block 125 lies 2.7 s into the sound, after two taps of the reference.
    hand = Hand(move_s=0.0).quiet(1.5).taps(2, then_s=0.6)
    for _ in range(5):
        hand.taps(3, then_s=0.6).quiet(0.7)
    source = ArraySource(hand.sound(), lost_at=[125])
    session = open_session(tmp_path, PLAN, one_after_the_other(source))
    events = run(session)
    assert [event.times for event in events if isinstance(event, SoundLost)] == [1]
    assert session.round.stage == "done"
    assert "restart" in [entry["what"] for entry in read_log(tmp_path)]


def test_a_clock_that_jumps_moves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    monkeypatch.setattr(time, "time", lambda: float(rng.uniform(0, 4e9)))
    sound = tapping(15)
    stamps = (f"{year}-01-01T00:00:00+00:00" for year in rng.integers(1970, 2099, 10_000))
    journal = open_journal(tmp_path, lambda: next(stamps))
    session = Session(journal, Round(PLAN), one_after_the_other(ArraySource(sound)))
    # Keys and waiting for a microphone are timed by the one clock of which Python says that it is never set.
    assert session._clock is time.monotonic
    assert not time.get_clock_info("monotonic").adjustable
    run(session)
    steady = open_session(tmp_path / "steady", PLAN, one_after_the_other(ArraySource(sound)))
    run(steady)
    assert session.round.results == steady.round.results
    assert results_from(read_log(tmp_path)) == results_from(read_log(tmp_path / "steady"))


def test_a_result_whose_sound_is_missing_is_tapped_again(tmp_path: Path) -> None:
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(9))))
    for event in session.run():
        if isinstance(event, SourceLost):
            session.press("stop")
    tape = tmp_path / "sound" / "round-01.wav"
    onset_s = session.round.results[-1].taps[-1].onset_s
    tape.write_bytes(tape.read_bytes()[: 44 + 3 * round((onset_s + 0.01) * RATE_HZ)])
    again = open_session(tmp_path, None, one_after_the_other())
    assert len(again.round.results) == 2
    again.journal.close()


def test_without_a_microphone_it_ends_at_once_with_a_sentence(tmp_path: Path) -> None:
    session = open_session(tmp_path, PLAN, one_after_the_other())
    with pytest.raises(DeviceError, match="no microphone"):
        run(session)


def test_a_patient_round_waits_for_its_first_source(tmp_path: Path) -> None:
    tries = 0

    def late() -> ArraySource:
        nonlocal tries
        tries += 1
        if tries < 4:
            raise DeviceError("It is not here yet.")
        return ArraySource(tapping(15))

    events = run(open_session(tmp_path, PLAN, late, patient=True))
    assert [event.sentence for event in events if isinstance(event, SourceLost)] == ["It is not here yet."]
    assert StageBegan("done") in events
    assert tries == 4


def test_a_folder_without_a_round_needs_a_plan(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="no round to take up"):
        open_session(tmp_path, None, one_after_the_other())


class Loud:
    """Tones whose sound comes back into the microphone: the source is told to add them."""

    def __init__(self) -> None:
        self.played: list[str] = []

    def play(self, name: str) -> float:
        self.played.append(name)
        return 0.3


def test_tones_are_played_for_what_happened_and_noted(tmp_path: Path) -> None:
    loud = Loud()
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(15))), tones=loud)
    run(session)
    assert loud.played == [*(["tap", "tap", "point"] * 4), "tap", "tap", "done"]
    assert [entry["what"] for entry in read_log(tmp_path)].count("tone") == 15


@pytest.mark.parametrize("later_s", [0.13, 0.45])
def test_the_round_never_hears_its_own_tones_as_taps(later_s: float, tmp_path: Path) -> None:
    """0.13 s was measured through a sound server; wireless loudspeakers add some tenths that no system tells of."""
    hand = Hand().quiet(1.5).taps(15, then_s=1.3).quiet(0.4)
    room = Room(hand.sound(), later_s)
    session = open_session(tmp_path, PLAN, one_after_the_other(room), tones=room)
    run(session)
    assert session.round.stage == "done"
    found = [tap.onset_s for result in session.round.results for tap in result.taps]
    assert found == pytest.approx(hand.onsets_s, abs=0.002)
    assert room.played == [*(["tap", "tap", "point"] * 4), "tap", "tap", "done"]


def test_a_key_that_is_held_down_counts_once(tmp_path: Path) -> None:
    now = iter([0.0, 0.5, 0.53, 0.56, 0.6, 1.5, 1.52, 9.0])
    session = Session(open_journal(tmp_path), Round(PLAN), one_after_the_other(), clock=lambda: next(now))
    for key in ("redo", "redo", "redo", "redo", "skip", "redo", "stop", "redo"):
        session.press(key)
    pressed = []
    while not session._keys.empty():
        pressed.append(session._keys.get())
    assert pressed == ["redo", "skip", "redo", "stop", "redo"]
    session.journal.close()


def test_a_round_that_rested_long_is_taken_up_with_a_warning(tmp_path: Path) -> None:
    for event in (session := open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(8))))).run():
        if isinstance(event, SourceLost):
            session.press("stop")
    log = (tmp_path / "round.jsonl").read_text(encoding="utf-8")
    (tmp_path / "round.jsonl").write_text(re.sub('"at": "....', '"at": "2020', log), encoding="utf-8")
    first = run(open_session(tmp_path, None, one_after_the_other(ArraySource(tapping(1)))), most=1)
    assert keys_of(event.sentence for event in first if isinstance(event, Warned)) == [RoundWarning.RESTED]


def test_a_microphone_that_is_moved_is_told_midway(tmp_path: Path) -> None:
    plan = Plan(tuple(0.05 * n for n in range(1, 7)), 0.3, 1, finer_limit=0, practice_taps=0, noise_s=1.0)
    hand = Hand(mark=1).quiet(1.5).tap().taps(3).tap(pitch=1.6).taps(1).quiet(0.4)
    session = open_session(tmp_path, plan, one_after_the_other(ArraySource(hand.sound())))
    warned = []
    for event in session.run():
        if isinstance(event, Warned):
            warned.append((event.sentence, len(session.round.results)))
        if isinstance(event, SourceLost):
            session.press("stop")
    assert keys_of(sentence for sentence, _ in warned) == [LineRemark.REFERENCE_CHANGED]
    assert [results for _, results in warned] == [5]


def a_visit(folder: Path) -> None:
    tank = {"kind": "diaphragm", "volume": "18 l", "water_end": "top"}
    save_document(folder, document_from({"schema": 1, "tank": tank}, "test"))


def test_the_excerpts_hold_the_accepted_taps_and_nothing_else(tmp_path: Path) -> None:
    hand = Hand().quiet(1.5).taps(4, then_s=0.7).bounce().clipped().taps(11, then_s=0.7).quiet(0.4)
    a_visit(tmp_path)
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(hand.sound())))
    run(session)
    journal = open_journal(tmp_path)
    assert save_points(tmp_path, journal, session.round.results) == 3
    journal.close()
    points = read_visit(tmp_path).document.points
    assert [point.position_mm for point in points] == [50.0, 100.0, 150.0]
    for point, result in zip(points, session.round.results[1:4], strict=True):
        sound, rate_hz = soundfile.read(tmp_path / point.file)
        train = detect_taps([sound], rate_hz)
        assert [tap.used for tap in train.taps] == [True] * 3
        assert [tap.peak_db for tap in train.taps] == pytest.approx([tap.peak_db for tap in result.taps], abs=0.05)
        assert train.noise_db == pytest.approx(detect_taps([hand.sound()], RATE_HZ).noise_db, abs=1.0)


def test_taps_with_nothing_between_them_are_taken_as_they_are(tmp_path: Path) -> None:
    hand = Hand().quiet(1.5).taps(15, then_s=0.7).quiet(0.6)
    a_visit(tmp_path)
    session = open_session(tmp_path, PLAN, one_after_the_other(ArraySource(hand.sound())))
    run(session)
    journal = open_journal(tmp_path)
    save_points(tmp_path, journal, session.round.results)
    journal.close()
    raw, _ = soundfile.read(tmp_path / "sound" / "round-01.wav", dtype="int32")
    for point in read_visit(tmp_path).document.points:
        excerpt, _ = soundfile.read(tmp_path / point.file, dtype="int32")
        place = np.flatnonzero(raw == excerpt[0])
        assert any(np.array_equal(raw[start : start + len(excerpt)], excerpt) for start in place)


def test_with_tones_the_excerpts_are_cut_around_them(tmp_path: Path) -> None:
    a_visit(tmp_path)
    source = ArraySource(Hand().quiet(1.5).taps(15, then_s=0.8).quiet(0.6).sound())
    session = open_session(tmp_path, PLAN, one_after_the_other(source), tones=Loud())
    run(session)
    journal = open_journal(tmp_path)
    assert save_points(tmp_path, journal, session.round.results) == 3
    journal.close()
    for point in read_visit(tmp_path).document.points:
        sound, rate_hz = soundfile.read(tmp_path / point.file)
        # A second of noise, and three times a tap with 0.145 s and 0.6 s of noise less the fades.
        assert len(sound) / rate_hz == pytest.approx(1.0 + 3 * (0.145 + 0.6 - 0.03), abs=0.01)


def test_a_bang_during_the_noise_measurement_gets_into_no_excerpt(tmp_path: Path) -> None:
    hand = Hand().quiet(1.4).tap(then_s=0.5).quiet(1.6).taps(3, then_s=0.7).quiet(0.4)
    a_visit(tmp_path)
    plan = Plan((0.1,), finer_limit=0, practice_taps=0, noise_s=3.0)
    session = open_session(tmp_path, plan, one_after_the_other(ArraySource(hand.sound())))
    run(session)
    journal = open_journal(tmp_path)
    save_points(tmp_path, journal, session.round.results)
    journal.close()
    sound, rate_hz = soundfile.read(tmp_path / read_visit(tmp_path).document.points[0].file)
    assert len(detect_taps([sound], rate_hz).taps) == 3


def test_joints_keep_the_level_of_noise() -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 0.1, RATE_HZ)
    whole = noise_of(noise, 0.3, RATE_HZ, 0)
    for turn in range(1, 6):
        whole = joined(whole, noise_of(noise, 0.3, RATE_HZ, turn), 960)
    frames = whole[: len(whole) // 960 * 960].reshape(-1, 960)
    levels = 20 * np.log10(np.sqrt((frames**2).mean(axis=1)))
    # 960 samples of white noise scatter by 0.2 dB; a joint without equal power would show as -3 dB.
    assert np.abs(levels + 20).max() < 1.0
    assert len(noise_of(np.zeros(0), 0.3, RATE_HZ, 2)) == 0.3 * RATE_HZ


def test_what_is_listened_to_is_told(tmp_path: Path) -> None:
    events = run(open_session(tmp_path, PLAN, one_after_the_other(ArraySource(tapping(1)))), most=1)
    assert events == [Listening("array", 48000.0, "sound/round-01.wav")]


def recorded(folder: Path, later: float) -> Path:
    """A visit of six points whose reference mark sounds `later` times as high the second and third time."""
    plan = Plan(tuple(0.05 * n for n in range(1, 7)), 0.3, 1, finer_limit=0, practice_taps=0, noise_s=1.0)
    hand = Hand(mark=1).quiet(1.5).tap().taps(3, pitch=0.6).tap(pitch=later).taps(3).tap(pitch=later).quiet(0.4)
    a_visit(folder)
    session = open_session(folder, plan, one_after_the_other(ArraySource(hand.sound())))
    run(session)
    journal = open_journal(folder)
    save_points(folder, journal, session.round.results)
    journal.close()
    return folder


def test_the_judgement_hears_whether_the_reference_mark_has_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda *_: ((), ()))  # without the model, which takes a minute
    for name, later, warned in (("steady", 1.0, False), ("moved", 1.6, True)):
        make_folder(tmp_path / name)
        visit = read_visit(recorded(tmp_path / name, later))
        assert len(visit.document.points) == 6
        assert [entry.position_mm for entry in visit.document.reference] == [300.0] * 3
        notes = analyse.judge_visit(visit).judgement.line.notes
        assert (LineRemark.REFERENCE_CHANGED in keys_of(notes)) is warned

"""The guided round, fed with simulated tapping: no device, no screen, no clock."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.capture.device import BLOCK_FRAMES
from taptest.capture.remarks import LevelAdvice, NoTap, RoundWarning
from taptest.capture.round import (
    Advice,
    Event,
    FinerAdded,
    LevelSet,
    Next,
    NoiseMeasured,
    Plan,
    PointDone,
    PointReopened,
    PointRestarted,
    PointSkipped,
    PracticeTap,
    Round,
    StageBegan,
    TapAccepted,
    TapIgnored,
    TapRefused,
    Warned,
)
from taptest.capture.tones import NOTES, tone
from taptest.errors import LineError
from taptest.sound.remarks import WhyNot
from taptest.sound.taps import TapDetector, detect_taps
from tests.made_taps import ring
from tests.said import keys_of, values_of
from tests.samples import every
from tests.tapping import RATE_HZ, Hand

E = TypeVar("E")
FloatArray = NDArray[np.float64]
MARKS = (0.05, 0.10, 0.15)
SIMPLE = Plan(MARKS, finer_limit=0, practice_taps=0)


def blocks(sound: FloatArray, size: int) -> Iterator[FloatArray]:
    for start in range(0, len(sound), size):
        yield sound[start : start + size]


def play(round_: Round, sound: FloatArray, size: int = 1024) -> list[Event]:
    return [event for block in blocks(sound, size) for event in round_.feed(block)]


def stage(round_: Round) -> str:
    return round_.stage


def only(events: Sequence[Event], kind: type[E]) -> list[E]:
    return [event for event in events if isinstance(event, kind)]


def begun(plan: Plan, rate_hz: float = RATE_HZ) -> Round:
    round_ = Round(plan)
    round_.listen(rate_hz, TapDetector(rate_hz))
    return round_


def test_three_taps_a_mark_lead_through_the_round() -> None:
    hand = Hand().quiet(3.5).taps(9).quiet(0.5)
    round_ = begun(SIMPLE)
    events = play(round_, hand.sound())
    assert stage(round_) == "done"
    assert [event.stop.depth_m for event in only(events, Next)] == list(MARKS)
    taps = only(events, TapAccepted)
    # Onsets within 2 ms: a third of the 5 ms by which detection is scored.
    assert [event.tap.onset_s for event in taps] == pytest.approx(hand.onsets_s, abs=0.002)
    assert [len(result.taps) for result in round_.results] == [3, 3, 3]
    assert only(events, NoiseMeasured)[0].noise_db == pytest.approx(20 * np.log10(0.0005), abs=0.5)


@pytest.mark.parametrize("size", every(3, [100, 64, 480, 4096, 1024, 8192]))
def test_the_size_of_blocks_changes_nothing_but_the_delay(size: int) -> None:
    sound = Hand().quiet(3.5).taps(4).bounce().clipped().taps(5).quiet(0.5).sound()
    expected, found = begun(SIMPLE), begun(SIMPLE)
    play(expected, sound, 512)
    play(found, sound, size)
    assert found.results == expected.results
    assert stage(found) == "done"


def test_each_tap_is_decided_within_150_ms_of_its_ring() -> None:
    sound = Hand().quiet(3.5).taps(3).bounce().taps(3).clipped().taps(3).quiet(0.5).sound()
    events = play(begun(SIMPLE), sound, BLOCK_FRAMES)
    late = [event.late_s for event in events if isinstance(event, TapAccepted | TapRefused)]
    assert len(late) == 11
    assert max(late) <= 0.150


def test_mishaps_are_refused_with_their_reason_and_cost_nothing() -> None:
    sound = Hand().quiet(3.5).tap().bounce().tap().clipped().tap().quiet(0.5).sound()
    round_ = begun(SIMPLE)
    events = play(round_, sound)
    refused = only(events, TapRefused)
    assert keys_of(each.why for each in refused[:2]) == [NoTap.BOUNCED, NoTap.TOO_LOUD]
    assert len(refused) == 2
    assert [(len(result.taps), result.refused) for result in round_.results] == [(3, 2)]


@pytest.mark.parametrize("after_s", [0.25, 0.8])
def test_a_tap_too_many_does_not_count_for_the_next_mark(after_s: float) -> None:
    """Neither at once nor, where the next mark is a hand's breadth away, in the rhythm of the mark's own taps."""
    hand = Hand(move_s=0.0).quiet(3.5).taps(2).tap(then_s=after_s).tap(then_s=2.0).taps(3).quiet(0.5)
    round_ = begun(Plan((0.05, 0.30), finer_limit=0, practice_taps=0))
    events = play(round_, hand.sound(), 256)
    [refused] = only(events, TapRefused)
    assert keys_of([refused.why]) == [NoTap.TOO_EARLY if after_s < 0.3 else NoTap.ONE_TOO_MANY]
    first, second = round_.results
    assert [tap.onset_s for tap in first.taps] == pytest.approx(hand.onsets_s[:3], abs=0.002)
    assert [tap.onset_s for tap in second.taps] == pytest.approx(hand.onsets_s[4:], abs=0.002)


@pytest.mark.parametrize(("far_m", "pause_s", "pitch"), [(0.30, 0.7, 1.0), (0.30, 0.0, 1.6), (0.10, 0.0, 1.0)])
def test_who_pauses_or_sounds_elsewhere_or_walks_on_by_an_inch_loses_no_tap(
    far_m: float, pause_s: float, pitch: float
) -> None:
    hand = Hand(move_s=pause_s).quiet(3.5).taps(3).taps(3, pitch=pitch).quiet(0.5)
    round_ = begun(Plan((0.05, far_m), finer_limit=0, practice_taps=0))
    assert only(play(round_, hand.sound()), TapRefused) == []
    assert stage(round_) == "done"


def test_practice_sets_the_level() -> None:
    # 0.2 of full scale is 14 dB below it: right at once.
    round_ = begun(Plan(MARKS, finer_limit=0))
    events = play(round_, Hand().quiet(3.5).taps(3, peak=0.2).quiet(0.5).sound())
    assert 12 <= only(events, LevelSet)[0].headroom_db <= 15
    assert only(events, LevelSet)[0].sentence == ""


def test_practice_goes_on_while_the_input_is_too_hot() -> None:
    round_ = begun(Plan(MARKS, finer_limit=0))
    events = play(round_, Hand().quiet(3.5).taps(3, peak=0.8).clipped().sound())
    assert stage(round_) == "practice"
    heard = only(events, PracticeTap)
    assert values_of(LevelAdvice.DOWN, [heard[0].sentence])["by_db"] == pytest.approx(11.5, abs=1)
    assert not heard[-1].good
    events = play(round_, Hand(seed=2).taps(3, peak=0.2).quiet(0.5).sound())
    assert stage(round_) == "tapping"


def test_practice_does_not_hold_up_for_ever_where_nothing_can_be_turned() -> None:
    round_ = begun(Plan(MARKS, finer_limit=0))
    events = play(round_, Hand(noise=1e-6).quiet(3.5).taps(9, peak=0.01).quiet(0.5).sound())
    assert stage(round_) == "tapping"
    assert keys_of([only(events, LevelSet)[0].sentence]) == [LevelAdvice.UP]


def test_the_reference_is_tapped_first_midway_and_last() -> None:
    marks = tuple(0.05 + 0.02 * i for i in range(6))
    round_ = begun(Plan(marks, reference_depth_m=0.3, taps_per_point=1, finer_limit=0, practice_taps=0))
    events = play(round_, Hand(mark=1).quiet(3.5).taps(9).quiet(0.5).sound())
    kinds = [event.stop.kind for event in only(events, Next)]
    assert kinds == ["reference", *["point"] * 3, "reference", *["point"] * 3, "reference"]
    assert [event.of for event in only(events, Next)] == [9] * 9
    assert stage(round_) == "done"


def test_advice_adds_finer_points_until_it_is_enough() -> None:
    plan = Plan(MARKS, reference_depth_m=0.3, taps_per_point=1, finer_limit=3, practice_taps=0)
    round_ = begun(plan)
    play(round_, Hand(mark=1).quiet(3.5).taps(4).quiet(0.3).sound())
    assert stage(round_) == "deciding"
    assert round_.advise(Advice(2, "stale", 0.12)) == []
    added = round_.advise(Advice(4, "The change lies near.", 0.12))
    assert only(added, FinerAdded)[0].depth_m == 0.12
    play(round_, Hand(seed=3).quiet(0.5).tap().quiet(0.3).sound())
    round_.advise(Advice(5, "Enough.", 0.125, enough=True))
    assert round_.stop is not None
    assert round_.stop.kind == "reference"
    play(round_, Hand(seed=4).quiet(0.5).tap().quiet(0.3).sound())
    assert stage(round_) == "done"
    assert [result.stop.kind for result in round_.results] == ["reference", *["point"] * 3, "finer", "reference"]


def test_advice_for_a_mark_that_was_tapped_ends_the_finer_points() -> None:
    round_ = begun(Plan(MARKS, taps_per_point=1, practice_taps=0))
    play(round_, Hand().quiet(3.5).taps(3).quiet(0.3).sound())
    round_.advise(Advice(3, "", 0.1005))
    assert stage(round_) == "done"


def test_without_advice_the_round_goes_on() -> None:
    round_ = begun(Plan(MARKS, taps_per_point=1, practice_taps=0, decide_s=2.0))
    play(round_, Hand().quiet(3.5).taps(3).quiet(2.5).sound())
    assert stage(round_) == "done"


LONG = tuple(0.03 + 0.02 * number for number in range(13))


def test_a_round_with_few_taps_begins_with_every_third_mark_and_both_ends() -> None:
    assert Plan(LONG, sparing=True).first_m == tuple(LONG[i] for i in (0, 2, 5, 7, 10, 12))
    assert Plan(LONG, sparing=True).most_added == 6 + 7
    assert Plan(LONG).first_m == LONG
    assert Plan(LONG[:4], sparing=True).first_m == LONG[:4]
    with pytest.raises(LineError, match="running estimate"):
        Plan(LONG, sparing=True, finer_limit=0)


def test_a_round_with_few_taps_taps_once_and_then_where_it_is_advised() -> None:
    round_ = begun(Plan(LONG, reference_depth_m=0.03, sparing=True, practice_taps=0))
    events = play(round_, Hand().quiet(3.5).taps(3 + 3 + 3 + 3).quiet(0.3).sound())
    assert stage(round_) == "deciding"
    assert [event.of for event in only(events, TapAccepted)] == [3, 3, 3, 1, 1, 1, 3, 3, 3, 1, 1, 1]
    round_.advise(Advice(8, "", 0.1, taps=2))
    more = play(round_, Hand(seed=3).quiet(0.5).taps(2).quiet(0.3).sound())
    assert [event.of for event in only(more, TapAccepted)] == [2, 2]
    round_.advise(Advice(9, "", 0.15, enough=True))
    play(round_, Hand(seed=4).quiet(0.5).taps(3).quiet(0.3).sound())
    assert stage(round_) == "done"
    assert [(result.stop.kind, len(result.taps)) for result in round_.results[-2:]] == [("finer", 2), ("reference", 3)]


def test_a_point_done_again_takes_as_many_taps_as_it_was_advised() -> None:
    round_ = begun(Plan(LONG, sparing=True, practice_taps=0))
    play(round_, Hand().quiet(3.5).taps(6).quiet(0.3).sound())
    for place, taps in ((0.1, 2), (0.15, 1)):
        assert stage(round_) == "deciding"
        round_.advise(Advice(len(round_.results), "", place, taps=taps))
        play(round_, Hand(seed=taps).quiet(0.5).taps(taps).quiet(0.3).sound())
    wanted = []
    for _ in range(2):
        assert only(round_.redo(), PointReopened)
        assert round_.stop is not None
        wanted.append((round_.stop.kind, round_.stop.depth_m, round_.wanted))
    assert wanted == [("finer", 0.15, 1), ("finer", 0.1, 2)]


def test_a_round_with_few_taps_comes_to_the_marks_left_out_where_no_advice_comes() -> None:
    round_ = begun(Plan(LONG, sparing=True, practice_taps=0, decide_s=1.0))
    events = play(round_, Hand().quiet(3.5).taps(6).quiet(1.2).tap(then_s=2.0).tap(then_s=2.0).sound())
    first, second, third = (event.depth_m for event in only(events, FinerAdded))
    assert {first, second, third} < set(LONG) - set(Plan(LONG, sparing=True).first_m)
    assert stage(round_) == "tapping"


def test_a_pause_starts_an_unfinished_point_over_and_only_that() -> None:
    round_ = begun(SIMPLE)
    events = play(round_, Hand().quiet(3.5).taps(2).quiet(6.5).taps(3).quiet(8.0).sound())
    assert len(only(events, PointRestarted)) == 1
    assert [len(result.taps) for result in round_.results] == [3]
    assert round_.taps == []


def test_the_key_reopens_the_last_point() -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).taps(3).quiet(0.5).sound())
    [reopened] = only(round_.redo(), PointReopened)
    assert reopened.result.stop.depth_m == MARKS[0]
    assert round_.stop is not None
    assert round_.stop.depth_m == MARKS[0]
    play(round_, Hand(seed=2).quiet(0.5).tap().quiet(0.5).sound())
    assert only(round_.redo(), PointRestarted)
    assert round_.results == []


def test_a_point_can_be_skipped_and_the_round_stopped() -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).sound())
    assert only(round_.skip(), PointSkipped)
    assert round_.results[0].skipped
    assert round_.stop is not None
    assert round_.stop.depth_m == MARKS[1]
    assert round_.halt() == [StageBegan("stopped")]
    assert round_.over
    assert round_.feed(np.zeros(100)) == []


def test_what_sounds_with_the_own_tone_is_no_tap() -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).sound())
    round_.tone(0.5, [1320.0])
    sound = Hand(seed=2).quiet(1.5).tap().quiet(0.5).sound()
    beep = tone("tap", RATE_HZ)
    sound[9600 : 9600 + len(beep)] += beep
    events = play(round_, sound)
    assert len(only(events, TapIgnored)) == 1
    assert only(events, TapRefused) == []
    assert len(only(events, TapAccepted)) == 1


@pytest.mark.parametrize("with_tone", [True, False])
def test_a_tap_into_the_own_tone_is_refused_in_words(with_tone: bool) -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).sound())
    round_.tone(0.5, [990.0, 1480.0])
    sound = Hand(seed=2).quiet(0.2).tap(then_s=1.0).tap().quiet(0.5).sound()
    beep = tone("point", RATE_HZ)
    if with_tone:
        sound[7200 : 7200 + len(beep)] += beep
    events = play(round_, sound)
    [refused] = only(events, TapRefused)
    assert keys_of([refused.why]) == [NoTap.INTO_THE_TONE]
    # Else a loudspeaker that rattles like a tap would make the round beep at itself for ever.
    assert not refused.sounding
    assert len(only(events, TapAccepted)) == 1


def test_a_crackle_at_the_end_of_a_tone_calls_forth_no_answer() -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).sound())
    round_.tone(0.25, [1320.0])
    sound = Hand(seed=3).quiet(1.2).sound()
    swell = np.random.default_rng(1).normal(0, 0.05, 9600) * np.sin(np.linspace(0, np.pi, 9600))
    sound[16800 : 16800 + 9600] += swell
    events = play(round_, sound)
    assert only(events, TapRefused) == []
    assert only(events, TapIgnored)


def test_the_tone_of_a_wireless_loudspeaker_is_no_tap_and_its_lateness_is_learned() -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).sound())
    beep = tone("tap", RATE_HZ)  # this one would count as a tap: its attack is quick and it fades
    for late_s in (0.45, 0.45):
        round_.tone(0.25, [1320.0])
        sound = Hand(seed=3).quiet(1.2).sound()
        sound[round(late_s * RATE_HZ) :][: len(beep)] += beep
        events = play(round_, sound)
        assert only(events, TapAccepted) == []
        assert len(only(events, TapIgnored)) == 1
    round_.tone(0.25, [1320.0])
    assert only(play(round_, Hand(seed=4).quiet(0.4).tap().quiet(0.3).sound()), TapAccepted) == []
    assert len(only(play(round_, Hand(seed=5).quiet(0.3).tap().quiet(0.3).sound()), TapAccepted)) == 1


def test_a_tap_soon_after_a_tone_counts() -> None:
    round_ = begun(SIMPLE)
    play(round_, Hand().quiet(3.5).sound())
    for pitch in (0.55, 1.0):
        for name in NOTES:
            round_.taps = []
            round_.tone(0.25, [hz for hz, _ in NOTES[name]])
            events = play(round_, Hand(seed=6).quiet(0.4).tap(pitch=pitch).sound())
            assert len(only(events, TapAccepted)) == 1, (pitch, name)


def test_a_slip_of_the_striker_is_no_tap_but_a_new_level_is_believed() -> None:
    round_ = begun(Plan(MARKS, finer_limit=0, practice_taps=3))
    sound = Hand().quiet(3.5).taps(4).tap(peak=0.005).taps(2).taps(5, peak=0.005).quiet(0.5).sound()
    events = play(round_, sound)
    refused = only(events, TapRefused)
    # One slip among the taps of the first mark; then the level itself is lower, which two taps are refused for.
    assert keys_of(each.why for each in refused) == [NoTap.FAR_SOFTER] * 3
    assert [len(result.taps) for result in round_.results] == [3, 3]


def test_a_key_that_is_pressed_in_the_ring_of_a_tap_makes_no_double_hit_of_it() -> None:
    hand = Hand().quiet(3.5).taps(9).quiet(0.5)
    sound, rng = hand.sound(), np.random.default_rng(2)
    key = ring(RATE_HZ, rng, loss=0.06, low_hz=2500, high_hz=9000, seconds=0.08)
    start = round((hand.onsets_s[4] + 0.045) * RATE_HZ)
    sound[start : start + key.size] += 0.08 * key
    (raw,) = (tap for tap in detect_taps([sound], RATE_HZ).taps if abs(tap.onset_s - hand.onsets_s[4]) < 0.003)
    assert raw.why_not == WhyNot.DOUBLE_HIT
    round_ = begun(SIMPLE)
    events = play(round_, sound)
    assert not only(events, TapRefused)
    assert [len(result.taps) for result in round_.results] == [3, 3, 3]


def test_taps_out_of_turn_are_answered_in_words() -> None:
    round_ = begun(Plan(MARKS, taps_per_point=1, practice_taps=0))
    early = only(play(round_, Hand().quiet(2.2).tap(then_s=1.5).sound()), TapRefused)
    assert keys_of(each.why for each in early) == [NoTap.WHILE_QUIET]
    assert not early[0].sounding
    play(round_, Hand(seed=2).taps(3).sound())
    assert stage(round_) == "deciding"
    [waiting] = only(play(round_, Hand(seed=3).tap().sound()), TapRefused)
    assert keys_of([waiting.why]) == [NoTap.WHILE_DECIDING]


def test_a_round_is_taken_up_with_the_reference_first() -> None:
    plan = Plan(MARKS, reference_depth_m=0.3, taps_per_point=1, finer_limit=0, practice_taps=3)
    first = begun(Plan(MARKS, reference_depth_m=0.3, taps_per_point=1, finer_limit=0, practice_taps=0))
    play(first, Hand(mark=1).quiet(3.5).taps(3).quiet(0.5).sound())
    assert len(first.results) == 3
    second = Round(plan, first.results, recordings=1)
    second.listen(RATE_HZ, TapDetector(RATE_HZ))
    events = play(second, Hand(seed=2, mark=1).quiet(3.5).taps(3).quiet(0.5).sound())
    assert stage(second) == "done"
    assert [event.stop.kind for event in only(events, Next)] == ["recheck", "point", "reference"]
    assert {tap.recording for result in second.results[3:] for tap in result.taps} == {1}


def test_a_muted_input_does_not_pass_for_quiet() -> None:
    round_ = begun(SIMPLE)
    events = play(round_, np.zeros(6 * RATE_HZ))
    assert stage(round_) == "noise"
    assert keys_of(event.sentence for event in only(events, Warned)) == [RoundWarning.MUTED]
    play(round_, Hand().quiet(1.0).sound())
    assert stage(round_) == "tapping"


def test_an_input_at_full_clipping_does_not_pass() -> None:
    round_ = begun(SIMPLE)
    events = play(round_, np.sign(np.random.default_rng(1).normal(size=6 * RATE_HZ)))
    assert stage(round_) == "noise"
    assert RoundWarning.OVERLOADED in keys_of(event.sentence for event in only(events, Warned))
    assert only(events, PointDone) == []


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_other_rates_work(rate_hz: float) -> None:
    hand = Hand(rate_hz=rate_hz).quiet(3.5).taps(9).quiet(0.5)
    round_ = begun(SIMPLE, rate_hz)
    play(round_, hand.sound())
    assert stage(round_) == "done"


@pytest.mark.parametrize(
    ("plan", "word"),
    [
        ({"depths_m": ()}, "no points"),
        ({"depths_m": (0.1, float("nan"))}, "not all numbers"),
        ({"depths_m": (0.1, 0.1)}, "twice"),
        ({"depths_m": (0.1,), "taps_per_point": 0}, "1 to 20"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(plan: dict[str, tuple[float, ...]], word: str) -> None:
    with pytest.raises(LineError, match=word):
        Plan(**plan)  # type: ignore[arg-type]

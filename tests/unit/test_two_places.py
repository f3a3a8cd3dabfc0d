"""The first answer of a round: what three marks near each end say, when it comes, and that none of its taps is lost."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.capture.excerpt import of_marks
from taptest.capture.round import KeptTap, Plan, Result, Round, Stop, TapAccepted
from taptest.line.boundary import read_line
from taptest.line.records import Point
from taptest.line.remarks import FirstAnswer
from taptest.line.two_places import WRONG, Ends, end_marks, ends_of, two_places
from taptest.statements import Statement
from taptest.tank.kinds import WaterEnd
from tests.made_lines import made_points, made_sweep, made_tank
from tests.tapping import Hand
from tests.unit.test_round import begun, only, play

LINE = tuple(round(0.03 + 0.025 * number, 4) for number in range(10))
TAP = KeptTap(0, 1.0, -14.0, 60.0)


def ends_heard(level_m: float | None, water_end: WaterEnd, *, all_water: bool = False) -> list[Point]:
    """The three outermost points of a made-up line on both sides, one tap each."""
    points = made_points(
        level_m, np.random.default_rng(3), water_end=water_end, all_water=all_water, strength_db=0.5, noise_db=0.3
    )
    return [replace(point, traits=point.traits[:1]) for point in (*points[:3], *points[-3:])]


@pytest.mark.parametrize("water_end", ["top", "bottom"])
@pytest.mark.parametrize(("level_m", "all_water", "ends"), [(0.25, False, "differ"), (None, True, "both dull")])
def test_the_ends_are_told_apart(level_m: float | None, all_water: bool, ends: Ends, water_end: WaterEnd) -> None:
    points = ends_heard(level_m, water_end, all_water=all_water)
    found = two_places(points, made_tank(water_end), [made_sweep(water_end)])
    assert found.ends == ends
    assert isinstance(found.said, Statement)
    assert (found.said.values["wrong"], found.said.values["of"]) == WRONG[ends]


def test_without_a_model_nothing_is_told() -> None:
    assert two_places(ends_heard(0.25, "bottom"), made_tank("bottom"), ()).said == Statement(FirstAnswer.NO_MODEL)


def test_taps_unlike_the_model_name_nothing() -> None:
    reading = read_line(ends_heard(0.25, "bottom"), made_tank("bottom"), [made_sweep("bottom")])
    assert ends_of(reading, made_tank("bottom")) == "differ"
    assert ends_of(replace(reading, misfit=1.0), made_tank("bottom")) == "open"


def test_the_water_end_is_tapped_first_and_a_short_line_at_once() -> None:
    assert end_marks(LINE, made_tank("top")) == (*LINE[:3], *LINE[-3:])
    assert end_marks(LINE, made_tank("bottom")) == (*LINE[:-4:-1], *LINE[2::-1])
    assert end_marks(LINE[:7], made_tank("top")) == ()


def test_six_taps_come_before_the_line_and_count_for_it() -> None:
    plan = Plan(LINE, reference_depth_m=LINE[-1], ends_m=(*LINE[:3], *LINE[-3:]), practice_taps=0)
    round_ = begun(plan)
    hand = Hand(mark=1).quiet(3.5).taps(6, then_s=1.0)
    hand.mark = 3
    events = play(round_, hand.taps(3).quiet(1.0).sound())
    taken = [event.stop for event in only(events, TapAccepted)]
    assert taken == [*(Stop("end", mark) for mark in plan.ends_m), *[Stop("reference", LINE[-1])] * 3]
    assert hand.onsets_s[5] < 15
    assert round_.stop == Stop("point", LINE[0])
    assert round_.wanted == 2


def test_taps_of_the_ends_join_those_of_their_mark() -> None:
    ends = [Result(Stop("end", mark), (TAP,), 1) for mark in LINE[:2]]
    line = Result(Stop("point", LINE[0]), (TAP, TAP), 2)
    joined = of_marks([*ends, line])
    assert joined == [ends[1], Result(Stop("point", LINE[0]), (TAP, TAP, TAP), 3)]
    skipped = Result(Stop("point", LINE[0]), (), skipped=True)
    assert of_marks([*ends, skipped]) == [ends[1], skipped]


def test_a_round_taken_up_goes_on_within_the_ends() -> None:
    plan = Plan(LINE, ends_m=(*LINE[:3], *LINE[-3:]))
    assert Round(plan, [Result(Stop("end", LINE[0]), (TAP,))]).stop == Stop("end", LINE[1])

"""What somebody typed becomes the plan of a round."""

import re

import pytest

from taptest.capture.plans import Wanted, plan_of
from taptest.errors import LineError, QuantityError
from taptest.quantities import METRIC, US
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape

TANK = Tank("diaphragm", "top", Shape("vertical", 0.28, 0.25, "ellipsoidal", 0.0015), 0.018, seam_depth_m=0.19)


def test_nothing_typed_leaves_the_choice_to_the_tank() -> None:
    plan = plan_of(Wanted(), TANK, METRIC)
    assert plan.depths_m[0] == 0.03
    assert plan.reference_depth_m == max(plan.depths_m)
    assert (plan.taps_per_point, plan.finer_limit, plan.practice_taps) == (3, 6, 3)


def test_a_round_with_few_taps_keeps_every_third_of_the_usual_marks_first() -> None:
    plan, usual = plan_of(Wanted(sparing=True), TANK, METRIC), plan_of(Wanted(), TANK, METRIC)
    assert plan.depths_m == usual.depths_m
    assert len(plan.first_m) < len(usual.first_m)
    assert {plan.first_m[0], plan.first_m[-1]} == {usual.depths_m[0], usual.depths_m[-1]}


def test_a_tape_in_inches_gets_marks_that_are_on_it() -> None:
    plan = plan_of(Wanted(), TANK, US)
    assert [US.show("length", depth) for depth in plan.depths_m[:3]] == ["1 1/4 in", "2 1/4 in", "3 1/4 in"]


def test_marks_may_be_millimetres_or_lengths_with_units() -> None:
    assert plan_of(Wanted("30, 60;90.5"), TANK, METRIC).depths_m == pytest.approx((0.03, 0.06, 0.0905))
    assert plan_of(Wanted('2 in, 3 1/2"; 12 cm'), TANK, US).depths_m == pytest.approx((0.0508, 0.0889, 0.12))


@pytest.mark.parametrize(
    ("wanted", "error", "words"),
    [
        (Wanted("30,sixty"), LineError, 'Marks: "sixty" in "30,sixty" is not a mark'),
        (Wanted("30,900"), LineError, "900 mm below the top is not on the tank"),
        (Wanted(reference="3 m"), LineError, "3000 mm below the top is not on the tank"),
        (Wanted(first="12 bar"), QuantityError, "First"),
        (Wanted(taps="three"), QuantityError, 'taps: "three" is not a whole number; three are usual'),
        (Wanted(taps="0"), LineError, "1 to 20"),
        (Wanted(finer="0", sparing=True), LineError, "running estimate"),
        (Wanted(finer="-2"), QuantityError, "six are usual"),
    ],
)
def test_what_cannot_be_is_told_where_it_was_typed(wanted: Wanted, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        plan_of(wanted, TANK, METRIC, {"marks": "Marks", "first": "First"})


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (
            Wanted("2 in, 30 in"),
            f"30 in below the top is not on the tank, which is {US.show('length', TANK.shape.height_m)} high",
        ),
        (
            Wanted(first="40 in"),
            f"from 40 in to [0-9 /]+ in below the top of a tank that is {US.show('length', TANK.shape.height_m)} high",
        ),
        (Wanted(every="1/8 in"), "0.12 in apart cannot be hit one by one. Choose 1/2 in or more"),
    ],
)
def test_who_has_a_tape_in_inches_is_refused_in_inches(wanted: Wanted, words: str) -> None:
    with pytest.raises(LineError, match=words) as told:
        plan_of(wanted, TANK, US)
    assert not re.search("[0-9] mm", str(told.value))

"""The next step by what it is worth: safe, never asked for twice, and better than a step by chance."""

from typing import Any

import numpy as np
import pytest

from taptest.finding.compare import compare
from taptest.finding.judge import COST, judge
from taptest.finding.planner import MINUTES, Planned, plan
from taptest.finding.records import Case
from taptest.finding.settle import Settle, cooled
from taptest.quantities import US
from taptest.statements import Statement
from taptest.tank.kinds import TankKind, WaterEnd
from taptest.water.fluids import Fluid
from taptest.water.log import DrainTest
from taptest.words.tell import tell
from tests.made_cases import heard, made_case, made_tank


def planned(case: Case, state: str = "not found", depth_m: float | None = None) -> tuple[Planned, ...]:
    comparison = compare(case, heard(case.tank, state, depth_m), np.random.default_rng(0))
    return plan(case, comparison, COST)


def key_of(each: Planned) -> Settle:
    assert isinstance(each.said, Statement)
    assert isinstance(each.said.key, Settle)
    return each.said.key


@pytest.mark.parametrize(("kind", "end"), [("diaphragm", "top"), ("bladder", "bottom"), ("plain", "bottom")])
def test_the_first_step_saves_most_a_minute_and_more_than_one_by_chance(kind: TankKind, end: WaterEnd) -> None:
    steps = planned(made_case(made_tank(kind, end), pressure_pa=1.3e5))
    assert [each.worth for each in steps] == sorted((each.worth for each in steps), reverse=True)
    by_chance = float(np.mean([each.worth for each in steps]))
    assert steps[0].worth > 1.1 * by_chance
    assert all(0.0 < each.saved <= 1.0 for each in steps)


@pytest.mark.parametrize(
    ("more", "never"),
    [
        ({"system": {"relief_pa": 2.0e5}, "pressure_pa": 1.3e5}, {Settle.ROUND_RAISED, Settle.RAISE_TO_ONSET}),
        ({"system": {"relief_pa": None}, "pressure_pa": 1.3e5}, {Settle.ROUND_RAISED, Settle.RAISE_TO_ONSET}),
        (
            {"system": {"fluid": Fluid("propylene glycol", 0.3)}, "pressure_pa": 1.3e5},
            {Settle.ROUND_RAISED, Settle.RAISE_TO_ONSET},
        ),
        ({"system": {"static_head_pa": 1.25e5}, "pressure_pa": 1.3e5}, {Settle.ROUND_LOWERED}),
        ({"state": "hot", "pressure_pa": 1.6e5}, {Settle.ROUND_RAISED, Settle.ROUND_LOWERED}),
    ],
)
@pytest.mark.parametrize("state", ["not found", "all air"])
def test_nothing_is_planned_that_is_not_safe(more: dict[str, Any], never: set[Settle], state: str) -> None:
    case = made_case(made_tank("diaphragm", "bottom"), **more)
    assert not {key_of(each) for each in planned(case, state)} & never


def test_a_round_is_raised_only_as_far_as_half_a_bar_below_the_relief_setting() -> None:
    case = made_case(made_tank("plain", "bottom"), system={"relief_pa": 2.2e5}, pressure_pa=1.3e5)
    raised = [
        each.said.values["step_pa"]
        for each in planned(case)
        if isinstance(each.said, Statement) and each.said.key is Settle.ROUND_RAISED
    ]
    assert raised == [30_000.0]


def test_what_was_done_is_not_asked_for_again() -> None:
    case = made_case(made_tank("plain", "bottom"), pressure_pa=1.3e5)
    assert any(each.kind == "drain" for each in planned(case))
    drained = Case(case.tank, case.system, case.readings, drain=DrainTest(1e-3, 1.3e5, 1.1e5, 18.0))
    assert not any(each.kind == "drain" for each in planned(drained))


def test_a_second_line_is_asked_for_once_and_of_a_hot_tank_as_it_is() -> None:
    case = made_case(made_tank("diaphragm", "bottom"), state="hot", pressure_pa=1.6e5)
    line = heard(case.tank, "not found")
    alone = compare(case, line, np.random.default_rng(0))
    both = compare(case, line, np.random.default_rng(0), beside=[line])
    (far,) = [each for each in plan(case, alone, COST) if key_of(each) is Settle.FAR_SIDE]
    assert isinstance(far.said, Statement)
    assert cooled(case, far.said) == far.said
    assert Settle.FAR_SIDE not in {key_of(each) for each in plan(case, both, COST)}


def test_where_the_finding_is_sure_no_step_is_worth_its_time() -> None:
    assert planned(made_case(made_tank("diaphragm", "bottom"), pressure_pa=1.3e5), "found", 0.12) == ()


def test_an_open_finding_names_the_step_that_is_worth_most() -> None:
    case = made_case(made_tank("plain", "bottom"), pressure_pa=1.3e5)
    found = judge(case, heard(case.tank, "found", 0.2, sd_m=0.06, sure=0.8))
    if found.code == "cannot tell":
        assert isinstance(found.next_checks[0], Statement)
    assert tell(planned(case)[0].said, US)
    assert set(MINUTES) == {"line", "round", "onset", "drain", "isolated", "weight"}

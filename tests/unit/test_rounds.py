"""Rounds judged together: what two pressures say that one does not.

Lines are made up: a bell at the depth where a tank with a known charge shows its water. The gas law is the reference:
air = dV x P2 / (P2 - P1) from two levels, without the charge being stated.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from taptest.finding.judge import LOOK_AT_VALVE, SURE_ENOUGH, judge
from taptest.finding.keys import Step
from taptest.finding.records import Case, Judgement, Round
from taptest.finding.settle import Settle
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from tests.made_cases import heard, level_for, made_case, made_tank
from tests.said import keys_of

COLD: dict[str, Any] = {"state": "cold", "water_temperature_c": 18.0, "tank_temperature_c": 18.0}
P1, P2 = 1.2e5, 1.8e5


def read(pressure_pa: float, **more: Any) -> dict[str, Any]:
    return {**COLD, "pressure_pa": pressure_pa, **more}


def plain(pressure_pa: float) -> Case:
    return made_case(made_tank("plain", "bottom"), **read(pressure_pa))


def round_at(case: Case, charge_pa: float, pressure_pa: float, **more: Any) -> Round:
    line = heard(case.tank, "found", level_for(case.tank, charge_pa, read(pressure_pa), 0.0))
    return Round(replace(case.readings, pressure_pa=pressure_pa), (line,), **more)


def both(case: Case, charge_pa: float, second_pa: float, **more: Any) -> tuple[Judgement, Judgement]:
    """Judge the first round alone, and together with a second one."""
    first = heard(case.tank, "found", level_for(case.tank, charge_pa, read(case.readings.pressure_pa or 0.0), 0.0))
    return judge(case, first), judge(case, first, rounds=[round_at(case, charge_pa, second_pa, **more)])


def test_without_a_further_round_nothing_changes() -> None:
    case = plain(P1)
    line = heard(case.tank, "found", 0.3)
    assert judge(case, line).probabilities == judge(case, line, beside=(), rounds=()).probabilities


@pytest.mark.parametrize("charge_pa", [-0.3e5, 0.0, 0.2e5])
def test_a_second_pressure_narrows_the_charge(charge_pa: float) -> None:
    alone, together = both(plain(P1), charge_pa, P2)
    assert alone.precharge is not None
    assert together.precharge is not None
    one, two = alone.precharge.pressure_pa, together.precharge.pressure_pa
    assert two.high - two.low < 0.85 * (one.high - one.low)
    assert two.low - 0.02e5 < charge_pa < two.high + 0.02e5


def test_the_water_of_the_later_round_follows_the_gas_law() -> None:
    """Boyle: the air of both rounds is the same, so (V - w1) P1 = (V - w2) P2 in absolute pressures."""
    case = plain(P1)
    _, together = both(case, 0.0, P2)
    (later,) = together.rounds
    assert together.water_m3 is not None
    assert later.water_m3 is not None
    volume = case.tank.volume_m3
    air = [
        (volume - water.median) * (pressure + STANDARD_ATMOSPHERE_PA)
        for water, pressure in ((together.water_m3, P1), (later.water_m3, P2))
    ]
    assert air[0] == pytest.approx(air[1], rel=0.03)


def test_a_measured_amount_of_water_tells_the_charge_where_the_lines_do_not() -> None:
    """dV = V pc (1 / P1 - 1 / P2), absolute: what goes in between two pressures tells the air."""
    tank = made_tank("plain", "bottom")
    case, unread = made_case(tank, **read(P1)), heard(tank, "not found")
    charge_abs, ends = STANDARD_ATMOSPHERE_PA - 0.3e5, [p + STANDARD_ATMOSPHERE_PA for p in (P1, P2)]
    moved = tank.volume_m3 * charge_abs * (1 / ends[0] - 1 / ends[1])
    later = Round(replace(case.readings, pressure_pa=P2), (), water_moved_m3=moved)
    blind, measured = judge(case, unread), judge(case, unread, rounds=[later])
    assert measured.probabilities["low on air"] > blind.probabilities["low on air"] + 0.2


def test_a_level_that_stays_between_two_pressures_is_a_shut_tank() -> None:
    case = plain(P1)
    level = level_for(case.tank, 0.0, read(P1), 0.0)
    still = heard(case.tank, "found", level)
    stays = Round(replace(case.readings, pressure_pa=P2 + 0.5e5), (still,))
    moves = round_at(case, 0.0, P2 + 0.5e5)
    shut = judge(case, still, rounds=[stays])
    assert shut.p_shut > 0.5
    assert shut.code == "cannot tell"
    assert keys_of(shut.next_checks[0]) == [Step.SEE_VALVE_TAP_BOTH]
    assert judge(case, still, rounds=[moves]).p_shut < 0.05


def test_a_second_round_is_offered_once() -> None:
    tank = made_tank("diaphragm", "bottom")
    case = made_case(tank, **read(1.5e5), precharge_pa=1e5)
    unread = heard(tank, "not found")
    alone = judge(case, unread)
    both_rounds = judge(case, unread, rounds=[Round(replace(case.readings, pressure_pa=2e5), (unread,))])
    assert alone.code == both_rounds.code == "cannot tell"
    second_round = {Settle.ROUND_RAISED, Settle.ROUND_LOWERED}
    assert second_round & set(keys_of(alone.next_checks))
    assert not second_round & set(keys_of(both_rounds.next_checks))


def test_another_line_of_the_same_round_narrows_the_level() -> None:
    case = made_case(made_tank("diaphragm", "bottom"), **read(1.5e5), precharge_pa=1e5)
    level = level_for(case.tank, 1e5, read(1.5e5))
    line = heard(case.tank, "found", level, sd_m=0.04)
    alone, two = judge(case, line), judge(case, line, beside=[heard(case.tank, "found", level, sd_m=0.04)])
    assert alone.water_m3 is not None
    assert two.water_m3 is not None
    assert two.water_m3.high - two.water_m3.low < alone.water_m3.high - alone.water_m3.low


def test_other_air_is_judged_for_itself() -> None:
    case = made_case(made_tank("diaphragm", "bottom"), **read(1.5e5), precharge_pa=1e5)
    flat = heard(case.tank, "found", level_for(case.tank, -0.5e5, read(1.5e5), 0.0))
    charged = heard(case.tank, "found", level_for(case.tank, 1e5, read(1.5e5), 0.0), sd_m=0.006)
    after = Round(case.readings, (charged,), same_air=False)
    found = judge(case, flat, rounds=[after])
    assert found.probabilities == judge(case, flat).probabilities
    assert found.code == "low on air"
    (left,) = found.rounds
    assert left.code in ("as expected", "cannot tell")
    assert left.says is not None


def test_gauge_zero_is_shared_between_rounds() -> None:
    """With a gauge that may be far off, the level's move between two readings still tells of the charge."""
    case = plain(P1)
    rough = replace(case, readings=replace(case.readings, pressure_sd_pa=0.15e5))
    alone, together = both(rough, 0.0, P2)
    assert alone.precharge is not None
    assert together.precharge is not None
    widths = [np.subtract(*(p.pressure_pa.high, p.pressure_pa.low)) for p in (alone.precharge, together.precharge)]
    assert widths[1] < widths[0]


def test_a_tank_that_may_be_shut_is_looked_at_before_it_is_recharged() -> None:
    """A level that stays between near pressures may be that of a shut tank; one that moves over a wide step is not."""
    case = plain(P1)
    line = heard(case.tank, "found", level_for(case.tank, -0.3e5, read(P1), 0.0))
    stays = Round(replace(case.readings, pressure_pa=P1 + 0.4e5), (line,))
    moves = round_at(case, -0.3e5, P2 + 0.5e5)
    doubtful, clear = judge(case, line, rounds=[stays]), judge(case, line, rounds=[moves])
    assert LOOK_AT_VALVE <= doubtful.p_shut < SURE_ENOUGH
    assert keys_of(doubtful.next_checks[0]) == [Step.SEE_VALVE]
    assert clear.p_shut < LOOK_AT_VALVE
    assert clear.code != "as expected"
    assert Step.SEE_VALVE not in keys_of(clear.next_checks)

"""Drain and log beside the sound: laid together where they agree, shown where they do not, and read for the causes."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.finding.air import (
    DrainSays,
    air_likelihood,
    drain_likelihood,
    emptied_at_pa,
    log_evidence,
    other_air,
)
from taptest.finding.judge import judge
from taptest.finding.keys import Reason, Why
from taptest.finding.records import Case
from taptest.statements import Statement
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, pressure_after
from taptest.water.log import AirSays, AirWay, DrainTest, LogEntry, NoAir, precharge_from_air_pa
from tests.made_cases import AIR_PA, COLD, heard, heard_at, level_for, made_case, made_tank
from tests.said import keys_of, values_of

TANK = made_tank()
STATE = {**COLD, "pressure_pa": 1.5e5}


def drained(precharge_pa: float, litres: float = 1.0) -> DrainTest:
    """What a measured drain shows on a tank of that pre-charge, by the forecast's own balance of water."""
    system = SystemState(0.12, 1.5e5, 20.0)
    after = pressure_after(system, [Cushion(TANK.volume_m3, precharge_pa)], -litres / 1000)
    return DrainTest(litres / 1000, 1.5e5, float(after))


def with_more(drain: DrainTest | None = None, log: tuple[LogEntry, ...] = (), **read: object) -> Case:
    case = made_case(TANK, **{**STATE, **read})
    return Case(case.tank, case.system, case.readings, case.observations, drain, log)


def test_drain_finds_the_air_of_the_tank() -> None:
    estimates, notes = other_air(with_more(drained(0.8e5)))
    assert keys_of(notes) == [AirSays.ELSEWHERE]
    found = precharge_from_air_pa(estimates[0].free_air_m3, TANK.volume_m3)
    assert found == pytest.approx(0.8e5, abs=3_000.0)


def test_drain_narrows_what_the_level_of_a_hanging_tank_leaves_open() -> None:
    line = heard_at(TANK, 0.1e5, STATE)
    alone = judge(with_more(), line)
    both = judge(with_more(drained(0.1e5, 3.0)), line)
    assert alone.code == "cannot tell"
    assert both.code == "low on air"
    assert both.air is not None
    assert not both.air.contradiction
    assert values_of(Reason.AIR_TOGETHER, both.reasons)["ways"] == (Statement(AirWay.SOUND), Statement(AirWay.DRAIN))


def test_contradiction_is_shown_and_not_averaged() -> None:
    line = heard(TANK, "found", level_for(TANK, 0.95e5, STATE))
    found = judge(with_more(drained(-0.6e5, 0.3)), line)
    assert found.air is not None
    assert found.air.contradiction
    assert found.air.free_air_m3 is None
    assert found.code == "cannot tell"
    assert Why.AIR_CONTRADICTS in keys_of(found.says)
    assert found.air.says in found.reasons


def test_useless_drain_says_so_and_changes_nothing() -> None:
    line = heard(TANK, "found", level_for(TANK, 1e5, STATE))
    plain, with_drain = judge(with_more(), line), judge(with_more(DrainTest(1e-5, 1.5e5, 1.4999e5)), line)
    assert with_drain.air is None
    assert with_drain.probabilities == plain.probabilities
    assert NoAir.SMALL_FALL in keys_of(with_drain.reasons)


def test_likelihood_of_the_drain_peaks_at_its_own_charge() -> None:
    estimates, _ = other_air(with_more(drained(0.8e5)))
    charge = np.linspace(0.3e5, 1.5e5, 121)
    likelihood = air_likelihood(charge + AIR_PA, np.full(121, 20.0), np.full(121, TANK.volume_m3), estimates)
    assert charge[int(np.argmax(likelihood))] == pytest.approx(0.8e5, abs=4_000.0)
    np.testing.assert_array_equal(air_likelihood(charge, np.full(121, 20.0), np.full(121, 0.02), ()), 1.0)


def warm_up(precharge_pa: float, cold_pa: float, tank_m3: float = TANK.volume_m3) -> tuple[LogEntry, ...]:
    system = SystemState(0.12, cold_pa, 20.0)
    warm = [20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0]
    return tuple(
        LogEntry(600.0 * i, float(hot_pressure_pa(system, [Cushion(tank_m3, precharge_pa)], t)), t, 20.0, True, False)
        for i, t in enumerate(warm)
    )


def test_log_tells_an_even_rise_from_a_steep_one_and_from_none_but_the_valve() -> None:
    assert log_evidence(with_more(log=warm_up(1e5, 1.5e5)))["warm-up"] == "even rise"
    assert log_evidence(with_more(log=warm_up(1.6e5, 1.0e5)))["warm-up"] == "steep, then slow"
    assert log_evidence(with_more(log=warm_up(2.6e5, 1.0e5)))["warm-up"] == "sharp at once"
    assert log_evidence(with_more()) == {}


def resting(slope_open: float, slope_shut: float, cooling_c: float = 0.0) -> tuple[LogEntry, ...]:
    """Three hours with the fill valve open, then three hours with it shut, heat off; slopes in Pa an hour."""
    entries = [LogEntry(3600.0 * h, 1e5 + slope_open * h, 40.0 - cooling_c * h, None, False, True) for h in range(4)]
    start = entries[-1].pressure_pa
    entries += [
        LogEntry(3600.0 * (4 + h), start + slope_shut * h, 40.0 - cooling_c * (4 + h), None, False, False)
        for h in range(4)
    ]
    return tuple(entries)


@pytest.mark.parametrize(
    ("log", "answer"),
    [
        (resting(20_000.0, 0.0), "heat off, fill open"),
        (resting(20_000.0, 20_000.0), "heat off, fill closed"),
        (resting(0.0, 0.0), "not at all"),
    ],
)
def test_log_tells_when_the_pressure_rises(log: tuple[LogEntry, ...], answer: str) -> None:
    case = with_more(log=log)
    assert log_evidence(case)["pressure rises"] == answer
    found = judge(case, heard(TANK, "found", level_for(TANK, 1e5, STATE)))
    first = {"heat off, fill open": "fill valve creeping", "heat off, fill closed": "leaking coil or plate"}
    if answer in first:
        assert found.causes[0].cause == first[answer]


def test_cooling_water_hides_a_rise_and_then_nothing_is_said() -> None:
    assert "pressure rises" not in log_evidence(with_more(log=resting(0.0, 0.0, cooling_c=4.0)))


@pytest.mark.parametrize(("cooled_c", "said"), [(2.9, True), (3.1, False)])
def test_water_may_cool_by_three_degrees_before_it_hides_a_rise(cooled_c: float, said: bool) -> None:
    log = resting(0.0, 0.0, cooling_c=cooled_c / 3)  # four readings at intervals of an hour: three hours of cooling
    assert ("pressure rises" in log_evidence(with_more(log=log))) is said


@pytest.mark.parametrize(("slope", "answer"), [(2_900.0, "not at all"), (3_100.0, "heat off, fill open")])
def test_a_rise_counts_from_three_hundredths_of_a_bar_an_hour_on(slope: float, answer: str) -> None:
    opened = [LogEntry(3600.0 * h, 1e5 + slope * h, 40.0, None, False, True) for h in range(9)]
    shut = [LogEntry(3600.0 * (9 + h), opened[-1].pressure_pa, 40.0, None, False, False) for h in range(9)]
    assert log_evidence(with_more(log=(*opened, *shut)))["pressure rises"] == answer


def test_a_drain_that_empties_a_membrane_tank_is_read_both_ways() -> None:
    """Worked by hand: 21.6 l at 1.3 bar with a charge of 1.19 bar hold 1.0 l, so 1 l more drawn lets the gauge fall to
    zero; the same fall shows a tank with hardly any air. With 1.0 bar 2.8 l are held, and 2 l drawn end at 1.08 bar.
    """
    tank = made_tank("diaphragm", "bottom", seam_depth_m=0.18)
    held = tank.volume_m3 * (1 - (1.19e5 + AIR_PA) / (1.3e5 + AIR_PA))
    case = replace(made_case(tank, pressure_pa=1.3e5), drain=DrainTest(held, 1.3e5, 0.05e5))
    assert emptied_at_pa(case) == pytest.approx(1.19e5, abs=10.0)
    estimates, notes = other_air(case)
    assert estimates == ()
    assert [note.key for note in notes if isinstance(note, Statement)] == [DrainSays.EMPTIED]
    charges = np.array([1.19e5, 1.0e5, 0.5e5, -0.93e5]) + AIR_PA
    kept, right, low, none = drain_likelihood(case, charges, np.full(4, 20.0), np.full(4, tank.volume_m3))
    assert kept > 0.9
    assert none > 0.5
    assert max(right, low) < 0.1
    gentle = replace(case, drain=DrainTest(2e-3, 1.3e5, 1.08e5))
    assert emptied_at_pa(gentle) is None
    assert len(other_air(gentle)[0]) == 1
    plain = made_tank("plain", "bottom")
    assert emptied_at_pa(replace(case, tank=plain)) is None

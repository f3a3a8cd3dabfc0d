"""Gas law, heads, drain and hot pressure against worked values of the trade and of the standard atmosphere."""

import numpy as np
import pytest

from taptest.quantities import parse
from taptest.water.forecast import (
    Cushion,
    SystemState,
    hot_pressure_pa,
    pressure_after,
    pressure_curve,
    relief_outlook,
    relief_tolerance_pa,
)
from taptest.water.log import DrainTest, air_from_drain, free_air_m3
from taptest.water.pressure import (
    atmospheric_pressure_pa,
    drained_air_volume_m3,
    precharge_abs_pa,
    pressure_at_tank_pa,
    static_head_pa,
    water_share,
)

PSI = parse("pressure", "1 psi").si
GALLON = parse("volume", "1 gal").si
FOOT = parse("length", "1 ft").si
SEA_LEVEL = 14.696 * PSI


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


# pre-charge, pressure (psig) -> water share; isothermal at 14.696 psia, computed by hand from Boyle's law
WATER_SHARES = [
    (12, 12, 0), (12, 15, 0.1010), (12, 18, 0.1835), (12, 20, 0.2306), (12, 25, 0.3275), (12, 27, 0.3597), (12, 30,
    0.4027),
    (6, 12, 0.2248), (6, 20, 0.4035), (0, 12, 0.4495), (0, 20, 0.5764), (18, 20, 0.0576), (15, 12, 0),
]  # fmt: skip


@pytest.mark.parametrize(("precharge", "pressure", "expected"), WATER_SHARES)
def test_water_share_table(precharge: float, pressure: float, expected: float) -> None:
    share = water_share(precharge * PSI + SEA_LEVEL, pressure * PSI + SEA_LEVEL)
    assert float(share) == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(("pressure", "share", "expected"), [(20, 0.2306, 12.0), (25, 0.3275, 12.0), (12, 0.4495, 0.0)])
def test_precharge_from_share(pressure: float, share: float, expected: float) -> None:
    found = precharge_abs_pa(share, pressure * PSI + SEA_LEVEL) - SEA_LEVEL
    assert float(found) / PSI == pytest.approx(expected, abs=0.005)


def test_warm_gas_changes_charge_and_share() -> None:
    """12 psig at 60 F is 15.08 psig at 120 F; at 20 psig the share falls from .2306 to .1417 (computed by hand)."""
    charge = 12 * PSI + SEA_LEVEL
    assert float(precharge_abs_pa(0.0, charge, celsius(60), celsius(120)) - SEA_LEVEL) / PSI == pytest.approx(
        15.08, abs=0.01
    )
    assert float(water_share(charge, 20 * PSI + SEA_LEVEL, celsius(120), celsius(60))) == pytest.approx(
        0.1417, abs=1e-4
    )


def test_uncertainty_of_the_precharge_by_sampling() -> None:
    """P = 20 +- 1 psi and w = .23 +- .03 give 12.0 +- 1.3 psi; w = .5 +- .03 gives 2.65 +- 1.15 psi (first order, by
    hand).
    """
    rng = np.random.default_rng(5)
    pressure = (20 + rng.normal(0, 1, 200_000)) * PSI + SEA_LEVEL
    for share, mean, sd in [(0.23, 12.0, 1.3), (0.5, 2.65, 1.15)]:
        found = (precharge_abs_pa(share + rng.normal(0, 0.03, pressure.size), pressure) - SEA_LEVEL) / PSI
        assert float(np.mean(found)) == pytest.approx(mean, abs=0.05)
        assert float(np.std(found)) == pytest.approx(sd, abs=0.05)


# Pressure by altitude: International Standard Atmosphere, ISO 2533 / U.S. Standard Atmosphere 1976 (table values from
# memory)
@pytest.mark.parametrize(
    ("altitude_m", "expected_pa"), [(0, 101325), (500, 95461), (1000, 89875), (2000, 79495), (3000, 70109)]
)
def test_standard_atmosphere(altitude_m: float, expected_pa: float) -> None:
    assert float(atmospheric_pressure_pa(altitude_m)) == pytest.approx(expected_pa, abs=2.0)


def test_standard_atmosphere_against_the_library_fluids() -> None:
    atmosphere = pytest.importorskip("fluids.atmosphere")
    for altitude in (-300.0, 0.0, 850.0, 1609.0, 2600.0, 4500.0):
        # the library works in geopotential height, a few metres less at these altitudes
        reference = atmosphere.ATMOSPHERE_1976(altitude * 6356766.0 / (6356766.0 - altitude)).P
        assert float(atmospheric_pressure_pa(altitude)) == pytest.approx(reference, rel=1e-6)


@pytest.mark.parametrize(("t_f", "feet_per_psi"), [(39.2, 2.3067), (60, 2.3090), (180, 2.377)])
def test_head_of_water(t_f: float, feet_per_psi: float) -> None:
    """Computed with IAPWS densities; the trade says 2.31 ft per psi."""
    assert PSI / float(static_head_pa(FOOT, t_c=celsius(t_f))) == pytest.approx(feet_per_psi, abs=6e-4)


def test_heads_of_the_trade() -> None:
    """12 psi lift water 27.6 ft at 2.3 ft per psi (a technicians' manual); 10.2 m per bar (common practice)."""
    assert float(static_head_pa(27.6 * FOOT)) / PSI == pytest.approx(12.0, rel=0.006)
    assert 1e5 / float(static_head_pa(1.0)) == pytest.approx(10.2, abs=0.02)
    assert float(pressure_at_tank_pa(20 * PSI, 4.62 * FOOT, t_c=celsius(60))) / PSI == pytest.approx(18.0, abs=0.005)


@pytest.mark.parametrize(("air_l", "after_bar"), [(10, 1.09), (1, 0.14)])
def test_drain_example(air_l: float, after_bar: float) -> None:
    """From 1.3 bar, 1 l drawn from 10 l of air ends at 1.09 bar, from 1 l of air at 0.14 bar (worked by hand, read to
    0.01 bar).
    """
    before, after = 1.3e5 + 101325, after_bar * 1e5 + 101325
    exact_after = before * air_l / (air_l + 1)
    assert (exact_after - 101325) / 1e5 == pytest.approx(after_bar, abs=0.005)
    assert 1e3 * float(drained_air_volume_m3(1e-3, before, exact_after)) == pytest.approx(air_l, rel=1e-9)
    # and within what 0.005 bar of reading does to it
    low, high = drained_air_volume_m3(1e-3, before, np.array([after - 500.0, after + 500.0]))
    assert 1e3 * low <= air_l <= 1e3 * high
    estimate = air_from_drain(DrainTest(1e-3, 1.3e5, after_bar * 1e5, reading_sd_pa=300.0, gauge_bias_sd_pa=0.0))
    assert abs(estimate.free_air_m3 - free_air_m3(air_l / 1e3, 1.3e5, 20.0)) < 2 * estimate.sd_m3


# System gal, tank gal, pre-charge psig, cold psig -> psig at 180 F from 60 F; gross expansion .02947, no pipe credit,
# water that does
# not compress (computed by hand from Boyle's law). The expansion is rounded to five decimals there, which is worth up
# to 0.007 psi here.
FORECASTS = [
    (20, 4.4, 12, 12, 16.13), (20, 2.0, 12, 12, 23.16), (40, 4.4, 12, 12, 21.77), (20, 4.4, 6, 12, 17.58), (20, 4.4,
    0, 12, 20.59),
    (20, 4.4, 18, 12, 23.06),
]  # fmt: skip


@pytest.mark.parametrize(("system", "tank", "precharge", "cold", "expected"), FORECASTS)
def test_forecast_table(system: float, tank: float, precharge: float, cold: float, expected: float) -> None:
    cushion = Cushion(tank * GALLON, precharge * PSI)
    rigid = SystemState(system * GALLON, cold * PSI, celsius(60), metal=None, compressibility_per_pa=1e-14)
    assert float(hot_pressure_pa(rigid, [cushion], celsius(180))) / PSI == pytest.approx(expected, abs=0.01)
    real = SystemState(system * GALLON, cold * PSI, celsius(60), metal=None)
    assert float(hot_pressure_pa(real, [cushion], celsius(180))) / PSI == pytest.approx(expected, abs=0.02)


def test_parallel_tanks() -> None:
    """Two tanks of 4.4 gal, 1.2 gal taken up: both at 12 psig 16.215 psig, as one of 8.8 gal; 12 and 5 psig 16.970 (by
    hand).
    """
    state = SystemState(20 * GALLON, 12 * PSI, celsius(60), compressibility_per_pa=1e-14)

    def after(*tanks: Cushion) -> float:
        return float(pressure_after(state, tanks, 1.2 * GALLON)) / PSI

    one, low = Cushion(4.4 * GALLON, 12 * PSI), Cushion(4.4 * GALLON, 5 * PSI)
    assert after(one, one) == pytest.approx(16.215, abs=0.001)
    assert after(Cushion(8.8 * GALLON, 12 * PSI)) == pytest.approx(16.215, abs=0.001)
    assert after(one, low) == pytest.approx(16.970, abs=0.001)
    assert float(water_share(5 * PSI + SEA_LEVEL, 12 * PSI + SEA_LEVEL)) == pytest.approx(0.262, abs=5e-4)


def test_relief_tolerance() -> None:
    """3 psi at a 30 psi valve (value from memory); 0.3 bar at a 3 bar valve (read in a boiler manual)."""
    assert relief_tolerance_pa(30 * PSI) == pytest.approx(3 * PSI)
    assert relief_tolerance_pa(3e5) == pytest.approx(0.3e5)


@pytest.mark.parametrize(("system", "verdict"), [(20, "stays shut"), (60, "may weep"), (80, "opens")])
def test_relief_words(system: float, verdict: str) -> None:
    """Below setting minus 3 psi it stays shut, within 3 psi it may weep, above the setting it opens (trade rule, common
    practice).
    """
    expands = system * (0.02947 - 3 * 6.5e-6 * 120)
    by_hand = 26.696 * 4.4 / (4.4 - expands) - 14.696
    assert verdict == ("stays shut" if by_hand < 27 else "may weep" if by_hand < 30 else "opens")
    state = SystemState(system * GALLON, 12 * PSI, celsius(60))
    curve = pressure_curve(state, [Cushion(4.4 * GALLON, 12 * PSI)], celsius(180))
    assert float(curve.hot_pressure_pa) / PSI == pytest.approx(by_hand, rel=0.01)  # the water gives way a little
    assert relief_outlook(curve, 30 * PSI).verdict == verdict

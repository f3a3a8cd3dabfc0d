"""What must hold for any system: monotone, air conserved, one tank like two halves, continuous, and equal to brute
force.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from taptest.quantities import convert
from taptest.water.fluids import WATER, Fluid, density, expansion, net_expansion
from taptest.water.forecast import Cushion, PressureCurve, SystemState, crossing_c, hot_pressure_pa, pressure_curve
from taptest.water.pressure import kelvin, precharge_abs_pa, pressure_abs_pa, static_head_pa, water_share
from tests.samples import part

pytestmark = pytest.mark.sampled

FloatArray = NDArray[np.float64]
fixed = settings(deadline=None, derandomize=True, max_examples=part(150))

pressures = st.floats(0.2e5, 4e5)
charges = st.floats(0.0, 3e5)
tanks = st.floats(0.004, 0.5)
systems = st.floats(0.03, 5.0)
shares = st.floats(0.0, 0.6)
temperatures = st.floats(5.0, 95.0)


def hot(system: float, cold: float, *cushions: Cushion, hot_c: float = 80.0, **more: float) -> float:
    return float(hot_pressure_pa(SystemState(system, cold, 15.0, **more), cushions, hot_c))  # type: ignore[arg-type]


@fixed
@given(temperatures, st.floats(0.1, 20), st.sampled_from(["water", "propylene glycol", "ethylene glycol"]), shares)
def test_fluids_expand_on_warming(t_c: float, more: float, kind: str, share: float) -> None:
    fluid = WATER if kind == "water" else Fluid(kind, share)  # type: ignore[arg-type]
    warmer = min(t_c + more, 100.0)
    assert float(expansion(fluid, t_c, warmer)) > 0
    assert float(net_expansion(fluid, t_c, warmer)) < float(expansion(fluid, t_c, warmer))


@fixed
@given(temperatures, shares, st.sampled_from(["propylene glycol", "ethylene glycol"]))
def test_density_is_continuous_in_the_share(t_c: float, share: float, kind: str) -> None:
    """No step anywhere, in particular none at 10 %, where the interpolation to water ends."""
    near = min(share + 1e-6, 0.6)
    a, b = density(Fluid(kind, share), t_c), density(Fluid(kind, near), t_c)  # type: ignore[arg-type]
    assert abs(float(a) - float(b)) < 1e-3


@fixed
@given(pressures, charges, temperatures, temperatures)
def test_gas_law_both_ways(pressure: float, charge: float, gas_c: float, charge_c: float) -> None:
    p, p0 = pressure + 101325, charge + 101325
    share = float(water_share(p0, p, gas_c, charge_c))
    if share > 0:
        assert float(precharge_abs_pa(share, p, gas_c, charge_c)) == pytest.approx(p0, rel=1e-12)
        assert float(pressure_abs_pa(share, p0, gas_c, charge_c)) == pytest.approx(p, rel=1e-12)
    else:
        assert float(precharge_abs_pa(0.0, p, gas_c, charge_c)) <= p0 * (1 + 1e-12)


@fixed
@given(pressures, charges, charges)
def test_more_precharge_means_less_water(pressure: float, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert float(water_share(low + 101325, pressure + 101325)) >= float(water_share(high + 101325, pressure + 101325))


@fixed
@given(systems, tanks, charges, pressures, st.floats(20, 110), st.floats(0.1, 10))
def test_hotter_means_more_pressure(
    system: float, tank: float, charge: float, cold: float, hot_c: float, more: float
) -> None:
    cushion = Cushion(tank, charge)
    assert hot(system, cold, cushion, hot_c=hot_c + more) >= hot(system, cold, cushion, hot_c=hot_c) >= cold - 1e-6


@fixed
@given(systems, tanks, charges, pressures, st.floats(1.01, 3))
def test_more_tank_means_less_pressure(system: float, tank: float, charge: float, cold: float, larger: float) -> None:
    assert hot(system, cold, Cushion(tank * larger, charge)) <= hot(system, cold, Cushion(tank, charge)) + 1e-6


@fixed
@given(systems, tanks, charges, pressures, st.floats(0.2, 1.0), temperatures)
def test_one_tank_is_two_halves(
    system: float, tank: float, charge: float, cold: float, acceptance: float, gas_c: float
) -> None:
    whole = Cushion(tank, charge, hot_gas_t_c=gas_c, acceptance_share=acceptance)
    half = Cushion(tank / 2, charge, hot_gas_t_c=gas_c, acceptance_share=acceptance)
    assert hot(system, cold, half, half) == pytest.approx(hot(system, cold, whole), rel=1e-10)


@fixed
@given(systems, tanks, charges, charges, pressures, temperatures)
def test_air_is_conserved(system: float, tank: float, a: float, b: float, cold: float, gas_c: float) -> None:
    """At every temperature of a curve each tank that holds water holds the mass of air it was charged with."""
    cushions = [Cushion(tank, a, hot_gas_t_c=gas_c), Cushion(tank / 3, b, hot_gas_t_c=gas_c, above_gauge_m=2.0)]
    curve = pressure_curve(SystemState(system, cold, 15.0), cushions, 85.0, steps=9)
    gas = np.linspace(20.0, gas_c, 9)
    for number, cushion in enumerate(cushions):
        column = float(static_head_pa(cushion.above_gauge_m, t_c=15.0))
        at_tank = curve.pressure_pa + 101325 - column
        water = curve.water_m3[number]
        wet = water > 0
        charged = float(np.asarray(cushion.volume_m3) * (np.asarray(cushion.precharge_pa) + 101325) / kelvin(20.0))
        held = (np.asarray(cushion.volume_m3) - water) * at_tank / kelvin(gas)
        assert held[wet] == pytest.approx(charged, rel=1e-9)


@fixed
@given(systems, tanks, charges, pressures)
def test_water_is_conserved(system: float, tank: float, charge: float, cold: float) -> None:
    """What the tank took and what was squeezed are together the expansion."""
    curve = pressure_curve(SystemState(system, cold, 15.0), [Cushion(tank, charge, acceptance_share=0.6)], 85.0)
    taken = curve.water_m3[0] - curve.water_m3[0, 0] + curve.not_taken_m3
    swelling = system * np.asarray(net_expansion(WATER, 15.0, curve.temperature_c))
    assert taken == pytest.approx(swelling, rel=1e-7, abs=1e-12)


@fixed
@given(systems, tanks, pressures, st.floats(40, 95))
def test_continuous_across_the_precharge(system: float, tank: float, cold: float, hot_c: float) -> None:
    """A cold pressure just below the pre-charge and one just above it lead to the same hot pressure."""
    below = hot(system, cold - 1e-3, Cushion(tank, cold), hot_c=hot_c)
    above = hot(system, cold + 1e-3, Cushion(tank, cold), hot_c=hot_c)
    # V K / P^2 is what a tank gives way: the cold change of 2e-3 Pa grows at most by the square of the pressure ratio
    growth = ((above + 101325) / (cold + 101325)) ** 2
    assert abs(above - below) < 2.1e-3 * growth + 1e-9 * (above + 101325)


@fixed
@given(systems, tanks, charges, pressures, st.floats(40, 95))
def test_curve_is_continuous_in_temperature(
    system: float, tank: float, charge: float, cold: float, hot_c: float
) -> None:
    """Stiff as the water is, halving the steps of the curve never moves a common point."""
    state, cushion = SystemState(system, cold, 15.0), Cushion(tank, charge)
    coarse, fine = pressure_curve(state, [cushion], hot_c, 11), pressure_curve(state, [cushion], hot_c, 21)
    assert fine.pressure_pa[::2] == pytest.approx(coarse.pressure_pa, rel=1e-10)
    assert bool(np.all(np.diff(fine.pressure_pa) >= -1e-6))


@fixed
@given(systems, tanks, charges, pressures, st.floats(0.1, 50.0))
def test_scale_invariance(system: float, tank: float, charge: float, cold: float, scale: float) -> None:
    """Litres or gallons: scaling all volumes alike changes no pressure."""
    scaled = hot(system * scale, cold, Cushion(tank * scale, charge))
    assert scaled == pytest.approx(hot(system, cold, Cushion(tank, charge)), rel=1e-9)


@fixed
@given(charges, pressures)
def test_unit_invariance_of_the_share(charge: float, pressure: float) -> None:
    in_psi = [convert("pressure", value + 101325, "psia") for value in (charge, pressure)]
    share = float(water_share(charge + 101325, pressure + 101325))
    assert share == pytest.approx(max(0.0, 1 - in_psi[0] / in_psi[1]), abs=1e-12)


@fixed
@given(systems, tanks, charges, pressures, st.floats(0.0, 1.0))
def test_crossing_lies_on_the_curve(system: float, tank: float, charge: float, cold: float, part: float) -> None:
    curve = pressure_curve(SystemState(system, cold, 15.0), [Cushion(tank, charge)], 90.0)
    threshold = curve.pressure_pa[0] + part * (curve.pressure_pa[-1] - curve.pressure_pa[0])
    found = float(crossing_c(curve, threshold))
    assert np.interp(found, curve.temperature_c, curve.pressure_pa) == pytest.approx(threshold, rel=1e-9)
    assert math.isnan(float(crossing_c(curve, curve.pressure_pa[-1] + 1.0)))


def brute_force(seed: int, number: int) -> tuple[FloatArray, FloatArray]:
    """Hot pressures (gauge) of `number` random systems: ours, and by bisection on the water balance written anew."""
    rng = np.random.default_rng(seed)

    def uniform(low: float, high: float) -> FloatArray:
        return rng.uniform(low, high, number)

    system, cold, start_c, hot_c, air = (
        uniform(0.03, 3),
        uniform(0.2e5, 3e5),
        uniform(5, 60),
        uniform(61, 110),
        uniform(7e4, 1.02e5),
    )
    count = int(rng.integers(1, 4))
    rows = [
        (
            uniform(0.005, 0.3),
            uniform(0, 3e5),
            uniform(5, 35),
            uniform(5, 35),
            uniform(5, 60),
            uniform(0.3, 1),
            uniform(-6, 6),
        )
        for _ in range(count)
    ]
    ours = hot_pressure_pa(
        SystemState(system, cold, start_c, metal="copper", atmospheric_pa=air), [Cushion(*row) for row in rows], hot_c
    )

    def kell(t: FloatArray) -> FloatArray:
        top = (
            999.83952
            + 16.945176 * t
            - 7.9870401e-3 * t**2
            - 46.170461e-6 * t**3
            + 105.56302e-9 * t**4
            - 280.54253e-12 * t**5
        )
        return top / (1 + 16.879850e-3 * t)

    def held(absolute: FloatArray, is_hot: bool) -> FloatArray:
        total = 4.5e-10 * system * (absolute - cold - air)
        for volume, charge, charged_c, cold_gas_c, hot_gas_c, acceptance, height in rows:
            gas_c = hot_gas_c if is_hot else cold_gas_c
            free = (charge + air) / (charged_c + 273.15) * (gas_c + 273.15)
            here = np.maximum(absolute - kell(start_c) * 9.80665 * height, 1e-30)
            total = total + volume * np.clip(1 - free / here, 0, acceptance)
        return total

    target = held(cold + air, False) + system * (kell(start_c) / kell(hot_c) - 1 - 3 * 9.5e-6 * 1.8 * (hot_c - start_c))
    low, high = np.zeros(number), np.full(number, 1e10)
    for _ in range(120):
        middle = (low + high) / 2
        short = held(middle, True) < target
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(ours), (low + high) / 2 - air


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_brute_force_bisection(seed: int) -> None:
    """10,000 random systems in all, with 1 to 3 tanks, different charges, heights, gas temperatures and acceptances."""
    ours, reference = brute_force(seed, 2000)
    assert np.max(np.abs(ours - reference) / np.abs(reference + 1e5)) < 1e-6
    assert np.ptp(ours) > 1e5


def test_draws_equal_single_systems() -> None:
    rng = np.random.default_rng(11)
    system, cold, tank = rng.uniform(0.05, 1, 50), rng.uniform(0.5e5, 2e5, 50), rng.uniform(0.01, 0.1, 50)
    together: PressureCurve = pressure_curve(SystemState(system, cold, 15.0), [Cushion(tank, 1e5)], 80.0, 7)
    for i in range(50):
        alone = pressure_curve(SystemState(system[i], cold[i], 15.0), [Cushion(tank[i], 1e5)], 80.0, 7)
        assert together.pressure_pa[i] == pytest.approx(alone.pressure_pa, rel=1e-12)

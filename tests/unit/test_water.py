"""Fluids, gas law and forecast: names, ranges, shapes and the sentences of the errors."""

from collections.abc import Callable

import numpy as np
import pytest

from taptest.errors import PhysicsError, QuantityError
from taptest.water.fluids import WATER, Fluid, density, expansion, net_expansion, parse_fluid
from taptest.water.forecast import (
    Cushion,
    PressureCurve,
    SystemState,
    crossing_c,
    hot_pressure_pa,
    pressure_after,
    pressure_band,
    pressure_curve,
    relief_outlook,
)
from taptest.water.pressure import (
    atmospheric_pressure_pa,
    drained_air_volume_m3,
    kelvin,
    lost_air_share,
    precharge_abs_pa,
    pressure_abs_pa,
    water_share,
)


@pytest.mark.parametrize(
    ("text", "fluid"),
    [
        ("water", WATER),
        (" Water ", WATER),
        ("propylene glycol 30 %", Fluid("propylene glycol", 0.3)),
        ("Propylene Glycol 30%", Fluid("propylene glycol", 0.3)),
        ("30 % propylene glycol", Fluid("propylene glycol", 0.3)),
        ("ethylene glycol 32,5 %", Fluid("ethylene glycol", 0.325)),
        ("PG 40 %", Fluid("propylene glycol", 0.4)),
        ("eg 0 %", Fluid("ethylene glycol", 0.0)),
    ],
)
def test_fluids_are_read(text: str, fluid: Fluid) -> None:
    assert parse_fluid(text) == fluid
    assert parse_fluid(str(fluid)) == fluid


@pytest.mark.parametrize(
    "text",
    ["", "brine", "glycol 30 %", "propylene glycol", "propylene glycol 30", "water 30 %", "30 % propylene glycol 30 %"],
)
def test_other_fluids_are_refused(text: str) -> None:
    with pytest.raises(QuantityError, match=r'write "water"'):
        parse_fluid(text)


def test_shares_outside_the_tables_are_refused() -> None:
    with pytest.raises(PhysicsError, match="0 to 60 %"):
        parse_fluid("ethylene glycol 70 %")
    with pytest.raises(PhysicsError, match="no glycol share"):
        Fluid("water", 0.3)


def test_density_keeps_shapes_and_refuses_what_lies_outside() -> None:
    assert np.ndim(density(WATER, 20.0)) == 0
    assert isinstance(float(density(Fluid("propylene glycol", 0.3), 20.0)), float)
    assert density(WATER, np.full((3, 4), 20.0)).shape == (3, 4)
    assert density(Fluid("ethylene glycol", 0.05), np.full((2, 3), 20.0)).shape == (2, 3)
    for t_c in (-11.0, 121.0, float("nan"), np.array([20.0, 130.0])):
        with pytest.raises(PhysicsError, match="known from -10 to 120"):
            density(WATER, t_c)
    with pytest.raises(PhysicsError, match="known from -35 to 100"):
        density(Fluid("propylene glycol", 0.3), 101.0)
    with pytest.raises(PhysicsError, match="steel or copper"):
        net_expansion(WATER, 20.0, 80.0, "brass")  # type: ignore[arg-type]


def test_expansion_is_antisymmetric_in_volume() -> None:
    there, back = float(expansion(WATER, 20, 80)), float(expansion(WATER, 80, 20))
    assert (1 + there) * (1 + back) == pytest.approx(1.0)


BAD_CALLS: list[tuple[Callable[[], object], str]] = [
    (lambda: water_share(-1.0, 2e5), "pre-charge"),
    (lambda: water_share(2e5, 0.0), "pressure"),
    (lambda: water_share(2e5, np.array([2e5, np.nan])), "nan"),
    (lambda: water_share(2e5, 3e5, gas_t_c=-300.0), "absolute zero"),
    (lambda: precharge_abs_pa(1.2, 2e5), "water share is 1.2"),
    (lambda: pressure_abs_pa(1.0, 2e5), "room"),
    (lambda: atmospheric_pressure_pa(9000.0), "altitude"),
    (lambda: kelvin(-274.0), "absolute zero"),
    (lambda: drained_air_volume_m3(1e-3, 2e5, 2e5), "did not fall"),
    (lambda: drained_air_volume_m3(0.0, 2e5, 1e5), "drained"),
    (
        lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0), [Cushion(0.0, 1e5)], 80.0),
        "tank's volume",
    ),
    (lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0), [], 80.0), "No tank"),
    (lambda: hot_pressure_pa(SystemState(0.1, -2e5, 15.0), [Cushion(0.02, 1e5)], 80.0), "absolute pressure"),
    (lambda: hot_pressure_pa(SystemState(-0.1, 1e5, 15.0), [Cushion(0.02, 1e5)], 80.0), "system's volume"),
    (lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0), [Cushion(0.02, -2e5)], 80.0), "pre-charge"),
    (lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0), [Cushion(0.02, 1e5, acceptance_share=1.5)], 80.0), "share"),
    (
        lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0, atmospheric_pa=0.0), [Cushion(0.02, 1e5)], 80.0),
        "air pressure",
    ),
    (
        lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0, compressibility_per_pa=0), [Cushion(0.02, 1e5)], 80.0),
        "compress",
    ),
    (
        lambda: hot_pressure_pa(SystemState(np.full(3, 0.1), 1e5, 15.0), [Cushion(np.full(4, 0.02), 1e5)], 80.0),
        "differ in number",
    ),
    (lambda: pressure_curve(SystemState(0.1, 1e5, 15.0), [Cushion(0.02, 1e5)], 80.0, steps=1), "at least 2"),
    (lambda: hot_pressure_pa(SystemState(0.1, 1e5, 15.0), [Cushion(0.02, 1e5)], 180.0), "120"),
]


@pytest.mark.parametrize(("call", "word"), BAD_CALLS)
def test_errors_are_sentences_that_name_the_value(call: Callable[[], object], word: str) -> None:
    with pytest.raises(PhysicsError) as caught:
        call()
    assert word in str(caught.value)
    assert str(caught.value).endswith(".")


def test_lost_air() -> None:
    assert float(lost_air_share(2e5, 1.5e5)) == pytest.approx(0.25)
    assert float(lost_air_share(2e5, 2.2e5)) == pytest.approx(-0.1)


def test_a_full_membrane_makes_the_pressure_climb_stiffly() -> None:
    """15 l of expansion into a membrane that takes 6 l: the rest squeezes the water, far beyond any relief setting."""
    state = SystemState(0.5, 1e5, 15.0)
    free, limited = Cushion(0.02, 1e5), Cushion(0.02, 1e5, acceptance_share=0.3)
    curve = pressure_curve(state, [limited], 85.0)
    assert not curve.full[0]
    assert curve.full[-1]
    assert float(curve.hot_pressure_pa) > 10 * float(hot_pressure_pa(state, [free], 85.0))
    assert curve.water_m3[0, -1] == pytest.approx(0.006)
    assert curve.not_taken_m3[-1] > 0.005
    outlook = relief_outlook(curve, 3e5)
    assert outlook.verdict == "opens"
    assert outlook.opens_at_c is not None
    assert outlook.weeps_from_c is not None
    assert outlook.weeps_from_c < outlook.opens_at_c < 85


def test_stiff_rise_below_the_precharge() -> None:
    curve = pressure_curve(SystemState(0.1, 0.8e5, 15.0), [Cushion(0.02, 1.2e5)], 80.0)
    assert curve.empty[0]
    assert not curve.empty[-1]
    assert curve.pressure_pa[1] >= 1.2e5 - 100  # within the first step it is at the pre-charge
    assert curve.pressure_pa[-1] < 1.9e5


def test_a_tank_above_the_gauge_takes_more_water_later() -> None:
    """A tank 5 m above the gauge feels 0.49 bar less: as one at the gauge with so much more charge."""
    state = SystemState(0.1, 1.5e5, 15.0)
    high = float(hot_pressure_pa(state, [Cushion(0.02, 1e5, above_gauge_m=5.0)], 80.0))
    column = 999.0996 * 9.80665 * 5.0
    low = hot_pressure_pa(SystemState(0.1, 1.5e5 - column, 15.0), [Cushion(0.02, 1e5)], 80.0)
    assert high == pytest.approx(float(low) + column, rel=1e-9)


def test_hot_gas_adds_to_the_pressure() -> None:
    state = SystemState(0.1, 1.5e5, 15.0)
    cool = float(hot_pressure_pa(state, [Cushion(0.02, 1e5)], 80.0))
    warm = float(hot_pressure_pa(state, [Cushion(0.02, 1e5, hot_gas_t_c=50.0)], 80.0))
    assert (warm + 101325) / (cool + 101325) > 1.02
    assert float(pressure_after(state, [Cushion(0.02, 1e5)], 0.0)) == pytest.approx(1.5e5)
    assert float(pressure_after(state, [Cushion(0.02, 1e5, hot_gas_t_c=50.0)], 0.0, gas_is_hot=True)) > 1.6e5


def test_drawing_all_water_ends_at_vacuum_not_below() -> None:
    after = float(pressure_after(SystemState(0.1, 1.5e5, 15.0), [Cushion(0.02, 1e5)], -0.05))
    assert after == pytest.approx(-101325)


def test_cooling_down_from_a_hot_visit() -> None:
    """From hot back to cold the curve returns to the pressure at which it began."""
    cold = SystemState(0.1, 1.2e5, 15.0)
    cushion = Cushion(0.02, 1e5)
    hot = float(hot_pressure_pa(cold, [cushion], 80.0))
    back = hot_pressure_pa(SystemState(0.1 * (1 + float(net_expansion(WATER, 15, 80))), hot, 80.0), [cushion], 15.0)
    assert float(back) == pytest.approx(1.2e5, rel=0.01)


def test_shapes_of_draws() -> None:
    state = SystemState(np.linspace(0.08, 0.12, 7), 1e5, 15.0)
    curve = pressure_curve(state, [Cushion(0.02, 1e5), Cushion(0.01, 0.5e5)], 80.0, steps=5)
    assert curve.temperature_c.shape == curve.pressure_pa.shape == curve.full.shape == (7, 5)
    assert curve.water_m3.shape == (2, 7, 5)
    assert np.shape(curve.hot_pressure_pa) == (7,)
    assert np.shape(crossing_c(curve, 1.2e5)) == (7,)
    pair = [Cushion(0.02, 1e5)] * 2
    assert np.shape(hot_pressure_pa(SystemState(0.1, 1e5, 15.0), pair, np.linspace(60, 80, 7))) == (7,)
    assert np.shape(pressure_after(SystemState(0.1, 1e5, 15.0), pair, np.zeros(7))) == (7,)


def test_outlook_over_draws() -> None:
    rng = np.random.default_rng(3)
    curve = pressure_curve(SystemState(0.2 + rng.normal(0, 0.02, 500), 1e5, 15.0), [Cushion(0.014, 1e5)], 80.0)
    outlook = relief_outlook(curve, 2.2e5)
    assert 0 < outlook.share_opens <= outlook.share_may_weep <= 1
    opens = relief_outlook(curve, 1.5e5)
    assert opens.verdict == "opens"
    assert opens.opens_at_c is not None
    assert opens.weeps_from_c is not None
    assert 15.0 < opens.weeps_from_c < opens.opens_at_c < 80.0
    shut = relief_outlook(curve, 9e5)
    assert (shut.verdict, shut.weeps_from_c, shut.share_may_weep) == ("stays shut", None, 0.0)
    with pytest.raises(PhysicsError, match="rating"):
        relief_outlook(curve, 0.0)


def test_a_valve_above_the_gauge_opens_later() -> None:
    curve = pressure_curve(SystemState(0.2, 1e5, 15.0), [Cushion(0.02, 1e5)], 80.0)
    at_gauge, above = relief_outlook(curve, 1.3e5), relief_outlook(curve, 1.3e5, relief_above_gauge_pa=2e4)
    assert at_gauge.opens_at_c is not None
    assert above.opens_at_c is not None
    assert above.opens_at_c > at_gauge.opens_at_c


def test_band_over_draws_lies_on_a_common_axis() -> None:
    """For draws that differ in pressure alone the band is the quantile of the curves; for one state it is the curve."""
    rng = np.random.default_rng(2)
    state = SystemState(0.1, 1e5 + 5e3 * rng.standard_normal(301), 15.0)
    curve = pressure_curve(state, [Cushion(0.02, 0.9e5)], 80.0)
    t, band = pressure_band(curve)
    assert t == pytest.approx(curve.temperature_c[0])
    assert band[1] == pytest.approx(np.median(curve.pressure_pa, axis=0))
    assert bool(np.all((band[0] < band[1]) & (band[1] < band[2])))
    single = pressure_curve(SystemState(0.1, 1e5, 15.0), [Cushion(0.02, 0.9e5)], 80.0)
    assert pressure_band(single)[1][0] == pytest.approx(single.pressure_pa)
    scattered = pressure_curve(SystemState(0.1, 1e5, rng.uniform(10, 20, 301)), [Cushion(0.02, 0.9e5)], 80.0, 81)
    t, band = pressure_band(scattered)
    reference = np.median(
        [np.interp(t, a, b) for a, b in zip(scattered.temperature_c, scattered.pressure_pa, strict=True)], axis=0
    )
    assert band[1] == pytest.approx(reference)


def test_the_curve_ends_at_the_hot_pressure_at_any_altitude() -> None:
    for air in (101325.0, 78e3):
        state = SystemState(0.1, 1e5, 15.0, atmospheric_pa=air)
        curve = pressure_curve(state, [Cushion(0.02, 0.8e5, hot_gas_t_c=40.0)], 80.0, 7)
        assert float(curve.hot_pressure_pa) == pytest.approx(
            float(hot_pressure_pa(state, [Cushion(0.02, 0.8e5, hot_gas_t_c=40.0)], 80.0))
        )
        assert curve.pressure_pa[0] == pytest.approx(1e5)


@pytest.mark.parametrize(
    ("ends_pa", "verdict"),
    [
        ((1.0e5, 1.0e5, 1.9e5), "stays shut"),
        ((1.0e5, 1.9e5, 2.5e5), "may weep"),
        ((1.9e5, 1.9e5, 1.0e5), "may weep"),
        ((2.5e5, 2.5e5, 1.0e5), "opens"),
    ],
)
def test_over_draws_the_verdict_is_that_of_most(ends_pa: tuple[float, ...], verdict: str) -> None:
    """Draws that end where said, straight from zero at 20 C; setting 2 bar, tolerance 0.2 bar."""
    t = np.tile(np.linspace(20.0, 80.0, 4), (3, 1))
    p = np.outer(ends_pa, np.linspace(0, 1, 4))
    no = np.zeros_like(p, dtype=np.bool_)
    outlook = relief_outlook(PressureCurve(t, p, p[None], no, no, p), 2e5, 2e4)
    assert outlook.verdict == verdict
    assert outlook.share_may_weep == pytest.approx(np.mean(np.array(ends_pa) >= 1.8e5))
    assert outlook.share_opens == pytest.approx(np.mean(np.array(ends_pa) >= 2e5))

"""Sound against readings: where the water should end, what the level says of the charge, which finding fits both.

One set of seeded draws goes through everything: gauge error, unknown gas temperature, pre-charge tolerance, form of
the membrane, volume of tank and system. The line's posterior is used as a likelihood (its own prior taken off) of five
hypotheses on the charge, each with the level that it predicts; their probabilities are those of the findings.

Units are SI, pressures gauge unless `_abs`; D draws. Spreads that no reading gives are common practice or own
judgement, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.finding.air import air_likelihood, other_air, sound_air
from taptest.finding.parallel import draw_cushions, first_draws, refuse_impossible_tanks
from taptest.finding.records import (
    Bound,
    Case,
    Expected,
    FindingCode,
    Forecast,
    ForecastCurve,
    Interval,
    PrechargeEstimate,
    ReferenceSource,
)
from taptest.line.boundary import Prior, beyond_points, prior_for
from taptest.line.records import LineReading
from taptest.tank.kinds import Tank, line_shows_share
from taptest.tank.membrane import boundary_depth_m, draw_mixing, water_share_at_depth
from taptest.water.forecast import (
    Cushion,
    PressureCurve,
    SystemState,
    hot_pressure_pa,
    pressure_band,
    pressure_curve,
    relief_outlook,
    relief_tolerance_pa,
)
from taptest.water.log import AirEstimate, CombinedAir, combine
from taptest.water.pressure import atmospheric_pressure_pa, precharge_abs_pa, static_head_pa, water_share

FloatArray = NDArray[np.float64]

DRAWS = 10_000
CURVE_DRAWS = 400
"""Draws of the whole curve of pressure against temperature; the hot pressure itself takes all."""

CHARGE_TOLERANCE_PA = 15_000.0
"""A charge this far from the reference still counts as right: 0.15 bar, about 2 psi."""
STATED_SD_PA = 7_000.0
"""Spread of a stated pre-charge: how exactly it is set and read."""
NEEDED_SD_PA = 20_000.0
"""Spread of a charge that is only inferred from the height or the fill pressure."""
NEED_MARGIN_PA = 30_000.0
"""Pre-charge above the static head: 0.3 bar is recommended (EN 12828, value from memory)."""
HIGHEST_PRESSURE_PA = 2.5e6
NO_PRESSURE_PA = 10_000.0
"""Below 0.1 bar nothing presses water or membrane against the shell, and no level says anything of the charge."""
LIKELY_ENOUGH_TO_WEEP = 0.2
"""From this probability of reaching the relief setting less its tolerance on, the valve is not said to stay shut."""
OVERCHARGE_SPAN_PA = 150_000.0
LEAST_AIR_SHARE = 0.3
"""Charges down to this share of the air pressure count as low on air, not yet as waterlogged."""
WATERLOGGED_SHARE = 0.85
"""Water share from which nearly no air is left, where the membrane's acceptance is not known."""
ACCEPTANCE_SLACK = 0.05
DEPTH_SD = 0.01
"""Spread of a predicted level from the shell's own measures, as a share of its height."""
NO_CONTACT = 0.15
"""Probability that a bag hardly touches its shell, so that it rings all over whatever it holds."""
MODEL_FLOOR = 0.02
"""Likelihood that remains for every level, because no model of the sound is sure of itself."""

BEFORE: dict[FindingCode, float] = {
    "as expected": 0.55,
    "low on air": 0.22,
    "waterlogged": 0.12,
    "more air than expected": 0.08,
    "membrane failed": 0.03,
}
"""Probability of each finding before anything is known: own judgement, no source."""


@dataclass(frozen=True, slots=True)
class Reference:
    """The pre-charge that the expectation rests on, gauge, and its spread."""

    pressure_pa: float
    sd_pa: float
    source: ReferenceSource


@dataclass(frozen=True, slots=True)
class Draws:
    """What the readings leave open, D draws of each."""

    pressure_abs_pa: FloatArray
    """At the tank."""
    gauge_pa: FloatArray
    """At the gauge."""
    atmospheric_pa: FloatArray
    gas_t_c: FloatArray
    charge_t_c: FloatArray
    mixing: FloatArray
    volume_m3: FloatArray
    depth_error_m: FloatArray


@dataclass(frozen=True, slots=True)
class Comparison:
    """What sound and readings say together; None where it cannot be formed."""

    reference: Reference | None
    needed_precharge_pa: float | None
    expected: Expected | None
    water_m3: Interval | None
    precharge: PrechargeEstimate | None
    forecast: Forecast | None
    probabilities: dict[FindingCode, float]
    air: CombinedAir | None = None
    air_notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Charges:
    """Charges that all hypotheses propose, with the posterior weight of each draw: (H * D,)."""

    precharge_abs_pa: FloatArray
    share: FloatArray
    draw: NDArray[np.int64]
    weight: FloatArray


def is_hot(case: Case) -> bool | None:
    """Whether the visit was made hot: as said, else by the water's temperature; None where neither is known."""
    readings = case.readings
    if readings.state is not None:
        return readings.state == "hot"
    return None if readings.water_temperature_c is None else readings.water_temperature_c > 40.0


def needed_precharge_pa(case: Case) -> float | None:
    """Add the margin to the static head; None where the height is not known."""
    head = case.system.static_head_pa
    return None if head is None else head + NEED_MARGIN_PA


def reference_charge(case: Case) -> Reference | None:
    """Choose the charge to compare with: the stated one, else what the system needs, else its fill pressure."""
    if case.tank.kind == "open":
        return None
    if case.readings.precharge_pa is not None:
        return Reference(case.readings.precharge_pa, STATED_SD_PA, "stated")
    if case.tank.kind == "plain":
        return Reference(0.0, STATED_SD_PA, "open air")
    needed = needed_precharge_pa(case)
    if needed is not None:
        return Reference(needed, NEEDED_SD_PA, "what the system needs")
    if case.system.fill_pa is not None:
        return Reference(case.system.fill_pa, NEEDED_SD_PA, "fill pressure")
    return None


def compare(
    case: Case, line: LineReading, rng: np.random.Generator, temperature_unit: str = "°C", prior: Prior | None = None
) -> Comparison:
    """Compare sound and readings.

    `prior` is the one that the line's posterior was formed with; None where that is the tank's own. What cannot be
    formed (no pressure, a tank whose line shows no share) is None and the probabilities are empty. Where the line does
    not show the level, nothing is put into figures that would rest on it.
    """
    _refuse_the_impossible(case)
    reference, needed = reference_charge(case), needed_precharge_pa(case)
    if not line_shows_share(case.tank):
        return Comparison(reference, needed, None, None, None, None, {})
    heard = line.state != "not found" and not line.inverted
    if case.readings.pressure_pa is None:
        mixing = draw_mixing(DRAWS, rng)
        shares = _heard_shares(case.tank, line, mixing, rng)
        volume = _tank_volume(case.tank, rng)
        return Comparison(reference, needed, None, _interval(shares[0] * volume) if heard else None, None, None, {})
    draws = _draw(case, rng)
    whole, found = _heard_shares(case.tank, line, draws.mixing, rng)
    water = _interval(whole * draws.volume_m3) if heard else None
    heard = heard and case.readings.pressure_pa >= NO_PRESSURE_PA
    precharge = _precharge(case, line, draws, whole, found) if heard else None
    others, notes = other_air(case)
    air = _laid_together(case, water, precharge, others)
    if reference is None:
        return Comparison(None, needed, None, water, precharge, None, {}, air, notes)
    likelihood = _LineLikelihood(line, case.tank, prior or prior_for(case.tank))
    # Estimates that contradict each other are shown and not averaged: then the sound stands alone.
    trusted = () if air is None or air.contradiction else others
    probabilities, charges = _weigh(case, likelihood, reference, draws, rng, trusted)
    expected = _expected(case.tank, reference, draws, rng)
    forecast = _forecast(case, draws, charges, rng, temperature_unit) if heard or trusted else None
    return Comparison(reference, needed, expected, water, precharge, forecast, probabilities, air, notes)


def _refuse_the_impossible(case: Case) -> None:
    """Refuse readings below vacuum, without size or without spread (`PhysicsError`)."""
    readings, system, tank = case.readings, case.system, case.tank
    air = float(atmospheric_pressure_pa(system.altitude_m))
    for name, pressure in (("pressure", readings.pressure_pa), ("pre-charge", readings.precharge_pa)):
        if pressure is not None and not -air < pressure < HIGHEST_PRESSURE_PA:
            raise PhysicsError(
                f"The {name} of {pressure / 1e5:.4g} bar gauge is below vacuum or far beyond any heating system:"
                " check the value and its unit."
            )
    if not readings.pressure_sd_pa >= 0:
        raise PhysicsError(f"The gauge error of {readings.pressure_sd_pa:g} Pa is no spread: give it as zero or more.")
    for name, volume in (("tank", tank.volume_m3), ("system", system.volume_m3)):
        if volume is not None and not volume > 0:
            raise PhysicsError(f"The {name}'s volume of {volume * 1000:g} l is no volume: give one above zero.")
    refuse_impossible_tanks(case.parallel, air, HIGHEST_PRESSURE_PA)


def _laid_together(
    case: Case, water: Interval | None, precharge: PrechargeEstimate | None, others: Sequence[AirEstimate]
) -> CombinedAir | None:
    """Lay the air by sound beside that by drain and log; the sound counts only where the level is not at an end."""
    if not others:
        return None
    if water is None or precharge is None or precharge.bound is not None:
        return combine(tuple(others))
    return combine((sound_air(case, water), *others))


def waterlogged_from(tank: Tank) -> float:
    """Water share from which a tank counts as waterlogged."""
    if tank.acceptance_share is None:
        return WATERLOGGED_SHARE
    return min(tank.acceptance_share + ACCEPTANCE_SLACK, WATERLOGGED_SHARE)


def _tank_volume(tank: Tank, rng: np.random.Generator) -> FloatArray:
    return np.asarray(tank.volume_m3 * np.maximum(0.2, 1 + tank.volume_rel_sd * rng.standard_normal(DRAWS)))


def _draw(case: Case, rng: np.random.Generator) -> Draws:
    readings, system = case.readings, case.system
    assert readings.pressure_pa is not None
    weather = 1_000.0 * rng.standard_normal(DRAWS)
    atmospheric = atmospheric_pressure_pa(system.altitude_m) + weather
    gauge = readings.pressure_pa + readings.pressure_sd_pa * rng.standard_normal(DRAWS)
    column = float(static_head_pa(readings.tank_above_gauge_m, system.fluid))
    charged = readings.charged_at_c
    charge_t = rng.normal(18.0 if charged is None else charged, 5.0 if charged is None else 2.0, DRAWS)
    return Draws(
        pressure_abs_pa=np.maximum(gauge - column + atmospheric, 2_000.0),
        gauge_pa=np.maximum(gauge, 1_000.0 - atmospheric),
        atmospheric_pa=np.asarray(atmospheric),
        gas_t_c=_gas_temperature(case, rng),
        charge_t_c=charge_t,
        mixing=draw_mixing(DRAWS, rng),
        volume_m3=_tank_volume(case.tank, rng),
        depth_error_m=rng.normal(0.0, DEPTH_SD * case.tank.shape.height_m, DRAWS),
    )


def _gas_temperature(case: Case, rng: np.random.Generator) -> FloatArray:
    """Temperature of the air: that of the shell where it was read, else between the room's and the water's."""
    readings = case.readings
    if readings.tank_temperature_c is not None:
        return np.asarray(rng.normal(readings.tank_temperature_c, 2.0, DRAWS))
    room = rng.normal(20.0, 3.0, DRAWS)
    if readings.water_temperature_c is not None:
        return np.asarray(room + rng.uniform(0.05, 0.6, DRAWS) * (readings.water_temperature_c - room))
    return np.asarray(room + (rng.uniform(0.0, 25.0, DRAWS) if is_hot(case) else 0.0))


def _from_end(tank: Tank, depth: FloatArray | float) -> FloatArray:
    """Distance of a depth from the water end, and back."""
    return np.asarray(depth if tank.hanging else tank.shape.height_m - np.asarray(depth))


def _blind(tank: Tank, line: LineReading) -> tuple[float, float]:
    """Distances from the water end of the first and of the last point: beyond them a boundary sounds like none."""
    height = tank.shape.height_m
    if line.point_depth_m.size == 0:
        return 0.0, height
    away = np.sort(_from_end(tank, line.point_depth_m))
    return float(np.clip(away[0], 0, height)), float(np.clip(away[-1], 0, height))


def _heard_shares(
    tank: Tank, line: LineReading, mixing: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray | None]:
    """Water shares that the line alone speaks for: over all states in order, and given that there is one boundary."""
    posterior = line.posterior
    first, last = _blind(tank, line)
    chance = rng.uniform(size=DRAWS)
    air = water_share_at_depth(tank, _from_end(tank, rng.uniform(0.0, first, DRAWS)), mixing)
    water = water_share_at_depth(tank, _from_end(tank, rng.uniform(last, tank.shape.height_m, DRAWS)), mixing)
    one = posterior.p_found
    found: FloatArray | None = None
    if one > 0.01:
        edges = np.concatenate(
            [posterior.depth_m[:1], (posterior.depth_m[1:] + posterior.depth_m[:-1]) / 2, posterior.depth_m[-1:]]
        )
        reached = np.concatenate([[0.0], np.cumsum(posterior.mass)]) / one
        found = water_share_at_depth(tank, np.interp(rng.uniform(size=DRAWS), reached, edges), mixing)
    total = max(one + posterior.p_all_air + posterior.p_all_water, 1e-12)
    is_air = chance < posterior.p_all_air / total
    is_water = chance > 1 - posterior.p_all_water / total
    whole = np.where(is_air, air, np.where(is_water, water, air if found is None else found))
    return np.asarray(whole), found


def _precharge(
    case: Case, line: LineReading, draws: Draws, whole: FloatArray, found: FloatArray | None
) -> PrechargeEstimate | None:
    """Estimate the charge that the level speaks for; one-sided where the level sits at an end."""
    posterior, bound = line.posterior, None
    acceptance = case.tank.acceptance_share
    shares: FloatArray
    if posterior.p_all_air >= 0.5:
        shares, bound = whole, "lower"
    elif posterior.p_all_water >= 0.5:
        shares, bound = whole, "upper"
    elif found is not None and posterior.p_found >= 0.5:
        shares = found
        if acceptance is not None and float(np.median(found)) > acceptance - 0.03:
            bound = "upper"
    else:
        return None
    charge = precharge_abs_pa(np.clip(shares, 0, 1), draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c)
    interval = _interval(charge - draws.atmospheric_pa)
    side: Bound | None = bound  # type: ignore[assignment]
    stated = case.readings.precharge_pa
    if stated is None or side == "lower":
        return PrechargeEstimate(interval, side)
    lost = 1 - charge / np.maximum(stated + draws.atmospheric_pa, 1_000.0)
    return PrechargeEstimate(interval, side, _interval(lost), _interval(lost * draws.volume_m3))


def _expected(tank: Tank, reference: Reference, draws: Draws, rng: np.random.Generator) -> Expected:
    charge = _reference_draws(reference, draws, rng)
    share = _taken(tank, water_share(charge, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c))
    depth: Interval | None = None
    if float(np.mean(share > 0.005)) > 0.5:
        at = boundary_depth_m(tank, share, draws.mixing) + draws.depth_error_m
        depth = _interval(np.clip(at, 0.0, tank.shape.height_m))
    return Expected(depth, _interval(share * draws.volume_m3), _interval(share))


def _taken(tank: Tank, share: FloatArray) -> FloatArray:
    """Water shares held back by the membrane's acceptance."""
    return share if tank.acceptance_share is None else np.minimum(share, tank.acceptance_share)


def _reference_draws(reference: Reference, draws: Draws, rng: np.random.Generator) -> FloatArray:
    charge = reference.pressure_pa + draws.atmospheric_pa + rng.normal(0.0, reference.sd_pa, DRAWS)
    return np.asarray(np.maximum(charge, 2_000.0))


class _LineLikelihood:
    """The line's posterior with its prior taken off: 1 means that the taps say nothing."""

    def __init__(self, line: LineReading, tank: Tank, prior: Prior) -> None:
        posterior = line.posterior
        cell = np.gradient(posterior.depth_m) if posterior.depth_m.size > 1 else np.ones(1)
        even = prior.found * cell / cell.sum()
        self._tank = tank
        self._depth = posterior.depth_m
        self._found = posterior.mass / even
        # A boundary beyond the outermost points counts as all air or all water there, in the prior as in the posterior.
        air, water = beyond_points(posterior.depth_m, line.point_depth_m, tank)
        self.all_air = posterior.p_all_air / (prior.all_air + float(air @ even))
        self.all_water = posterior.p_all_water / (prior.all_water + float(water @ even))
        self.inverted = posterior.p_inverted / prior.inverted
        self._first, self._last = _blind(tank, line)

    def of(self, share: FloatArray, draws: Draws) -> FloatArray:
        """(D,) likelihood of the line for a water share a draw."""
        tank = self._tank
        depth = boundary_depth_m(tank, share, draws.mixing) + draws.depth_error_m
        away = _from_end(tank, depth)
        value = np.interp(depth, self._depth, self._found)
        value = np.where(away < self._first, np.maximum(value, self.all_air), value)
        value = np.where(away > self._last, np.maximum(value, self.all_water), value)
        value = np.where(share <= 0.0, self.all_air, np.where(share >= 1.0, self.all_water, value))
        if tank.kind == "bladder":
            value = (1 - NO_CONTACT) * value + NO_CONTACT * self.all_air
        return np.asarray(value + MODEL_FLOOR)


def _weigh(
    case: Case,
    likelihood: _LineLikelihood,
    reference: Reference,
    draws: Draws,
    rng: np.random.Generator,
    air: Sequence[AirEstimate],
) -> tuple[dict[FindingCode, float], _Charges]:
    """Probabilities of the findings, and the charges that taps and readings leave possible."""
    tank, limit = case.tank, waterlogged_from(case.tank)
    right = _reference_draws(reference, draws, rng)
    lowest = np.minimum(LEAST_AIR_SHARE * draws.atmospheric_pa, 0.9 * right)
    upper = np.maximum(right - CHARGE_TOLERANCE_PA, lowest)
    part = rng.uniform(size=DRAWS)
    # Half of the waterlogged tanks are full to the last drop, the others keep a little air.
    full = np.where(part < 0.5, 1.0, limit + (1 - limit) * 2 * (part - 0.5))
    gas_over_charge = (draws.gas_t_c + 273.15) / (draws.charge_t_c + 273.15)
    proposals: dict[FindingCode, FloatArray] = {
        "as expected": right,
        "low on air": lowest + part * (upper - lowest),
        "waterlogged": draws.pressure_abs_pa * np.maximum(1 - full, 0.002) / gas_over_charge,
        "more air than expected": right + CHARGE_TOLERANCE_PA + part * OVERCHARGE_SPAN_PA,
    }
    weights: dict[FindingCode, float] = {}
    shares, charges, logs, best_fit = [], [], [], 0.0
    for code, charge in proposals.items():
        share = water_share(charge, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c)
        held = full if code == "waterlogged" else _taken(tank, share)
        # Charges so low that the tank counts as waterlogged belong there, not to "low on air".
        own = np.ones(DRAWS) if code != "low on air" else (share < limit).astype(np.float64)
        value = likelihood.of(held, draws) * own / max(float(own.mean()), 1e-3)
        fits = air_likelihood(charge, draws.charge_t_c, draws.volume_m3, air)
        value = value * fits
        best_fit = max(best_fit, float(fits.mean()))
        weights[code] = BEFORE[code] * float(value.mean())
        shares.append(held)
        charges.append(charge)
        logs.append(BEFORE[code] * value / DRAWS)
    if tank.has_membrane:
        weights["membrane failed"] = BEFORE["membrane failed"] * (likelihood.inverted + MODEL_FLOOR) * best_fit
    total = sum(weights.values())
    index = np.tile(np.arange(DRAWS, dtype=np.int64), len(proposals))
    weight = np.concatenate(logs)
    kept = _Charges(np.concatenate(charges), np.concatenate(shares), index, weight / weight.sum())
    return {code: weight / total for code, weight in weights.items()}, kept


def _forecast(
    case: Case, draws: Draws, charges: _Charges, rng: np.random.Generator, temperature_unit: str
) -> Forecast | None:
    """Forecast the pressure at the highest temperature, with the charges that taps and readings leave possible.

    Other tanks on the system take their part by their stated charges.
    """
    system, start = case.system, _start_temperature(case)
    if system.volume_m3 is None or system.max_temperature_c is None or start is None:
        return None
    hot = max(system.max_temperature_c, start)
    low, high = system.fluid.range_c
    if not low <= start <= hot <= high:
        return None
    picked = rng.choice(charges.weight.size, DRAWS, p=charges.weight)
    draw = charges.draw[picked]
    gas = draws.gas_t_c[draw]
    warmer = rng.uniform(0.05, 0.5, DRAWS) * max(hot - start, 0.0)
    volume = system.volume_m3 * np.maximum(0.2, 1 + system.volume_rel_sd * rng.standard_normal(DRAWS))
    values = (
        draws.volume_m3[draw],
        charges.precharge_abs_pa[picked] - draws.atmospheric_pa[draw],
        draws.charge_t_c[draw],
        gas,
        gas + warmer,
        volume,
        draws.gauge_pa[draw],
        draws.atmospheric_pa[draw],
    )
    acceptance = 1.0 if case.tank.acceptance_share is None else case.tank.acceptance_share
    others = draw_cushions(case, gas, gas + warmer, draws.atmospheric_pa[draw], rng)

    def setup(count: int) -> tuple[SystemState, list[Cushion]]:
        tank_volume, charge, charge_t, gas_t, hot_gas, system_volume, pressure, air = (v[:count] for v in values)
        tank = Cushion(
            tank_volume, charge, charge_t, gas_t, hot_gas, acceptance, above_gauge_m=case.readings.tank_above_gauge_m
        )
        return SystemState(system_volume, pressure, start, system.fluid, atmospheric_pa=air), [
            tank,
            *first_draws(others, count),
        ]

    state, tanks = setup(DRAWS)
    pressure = hot_pressure_pa(state, tanks, hot)
    state, tanks = setup(CURVE_DRAWS)
    curve = pressure_curve(state, tanks, hot)
    band = _curve_of(curve) if hot > start + 1.0 else None
    if system.relief_pa is None or system.relief_pa <= 0:
        return Forecast(_interval(pressure), "setting not known", hot, curve=band)
    weeps = float(np.mean(pressure >= system.relief_pa - relief_tolerance_pa(system.relief_pa)))
    opens = float(np.mean(pressure >= system.relief_pa))
    outlook = relief_outlook(curve, system.relief_pa)
    relief = (
        outlook.text(temperature_unit)
        if opens > 0.5 and outlook.opens_at_c is not None
        else _relief_words(weeps, opens)
    )
    return Forecast(_interval(pressure), relief, hot, weeps, opens, band)


def _curve_of(curve: PressureCurve) -> ForecastCurve:
    """Median and central 90 % of the draws of a curve."""
    temperature, pressure = pressure_band(curve)
    low, median, high = (tuple(float(value) for value in row) for row in pressure)
    return ForecastCurve(tuple(float(value) for value in temperature), low, median, high)


def _relief_words(weeps: float, opens: float) -> str:
    return "opens" if opens > 0.5 else "may weep" if weeps >= LIKELY_ENOUGH_TO_WEEP else "stays shut"


def _start_temperature(case: Case) -> float | None:
    """Temperature of the water at the visit; 15 C for a cold visit without a reading."""
    if case.readings.water_temperature_c is not None:
        return case.readings.water_temperature_c
    return 15.0 if is_hot(case) is False else None


def _interval(values: FloatArray) -> Interval:
    low, median, high = (float(v) for v in np.quantile(values, (0.05, 0.5, 0.95)))
    return Interval(median, low, high)

"""Sound against readings: where the water should end, what the level says of the charge, what the hot pressure will be.

One set of seeded draws (`finding.draws`) goes through everything; how likely each finding is follows from it in
`finding.weigh`, and the charges that leaves possible make the forecast.

Units are SI, pressures gauge unless `_abs`; D draws.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.finding.air import other_air, sound_air
from taptest.finding.draws import (
    DRAWS,
    Draws,
    Reference,
    draw,
    draw_reference,
    draw_tank_volume,
    interval_of,
    is_hot,
    needed_precharge_pa,
    reference_charge,
    spread_volume_m3,
    stands_above_fill,
    taken,
)
from taptest.finding.line_likelihood import LineLikelihood
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
    Round,
    RoundFound,
)
from taptest.finding.rise import FILL_SD_PA
from taptest.finding.rounds import Together, put_together
from taptest.finding.weigh import OVERCHARGE_SPAN, Charges, line_speaks, rings_all_over, waterlogged_from, weigh
from taptest.line.boundary import Prior, prior_for
from taptest.line.records import LineReading
from taptest.statements import Key, Said, Statement
from taptest.tank.contact import DRY_SHARE, Forms, contacts, draw_forms, water_depth_m
from taptest.tank.kinds import Tank, line_shows_share
from taptest.water.forecast import (
    Cushion,
    PressureCurve,
    SystemState,
    hot_pressure_pa,
    pressure_band,
    pressure_curve,
    relief_tolerance_pa,
)
from taptest.water.log import AirEstimate, CombinedAir, combine
from taptest.water.pressure import atmospheric_pressure_pa, precharge_abs_pa, water_share

FloatArray = NDArray[np.float64]

FORECAST_DRAWS = 2_000
"""Draws of the forecast: its probabilities are good to a hundredth."""
FORECAST_STEPS = 31
"""Temperatures of its curve."""
FEW_DRAWS = 100
"""Fewer draws than this give no share."""
HIGHEST_PRESSURE_PA = 2.5e6
"""Gauge pressures beyond this are slips of the pen: no heating system holds 25 bar."""
WHOLE_STATES = 0.12
"""Probability beforehand of no water and of nothing but water, where only the taps are asked."""
END_BOUND = 0.5
"""Probability of no water at all from which on a charge is told as a lower bound."""
NO_PRESSURE_PA = 10_000.0
"""Below 0.1 bar nothing presses water or membrane against the shell, and no level says anything of the charge."""
LIKELY_ENOUGH_TO_WEEP = 0.2
"""From this probability of reaching the relief setting less its tolerance on, the valve is not said to stay shut."""


class Relief(Key):
    """What the relief valve does, as a clause without its subject."""

    STAYS_SHUT = "relief.stays shut"
    MAY_WEEP = "relief.may weep"
    OPENS = "relief.opens"
    OPENS_AT = "relief.opens at", "at_c"
    NOT_KNOWN = "relief.setting not known"


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
    air_notes: tuple[Said, ...] = ()
    harmless_loss: float = 0.0
    """Part of the probability of "low on air" whose loss is too small to harm."""
    fine_before: float = 1.0
    """Probability of a right tank, or of such a loss, before anything is heard or read."""
    fault_odds: float = 0.0
    """How many times the odds of a fault against a right tank have risen, of that fault which gained most."""
    rings_if_right: float = 0.0
    """Probability, before the taps, that a tank with the right charge rings behind every point."""
    unseen_pa: tuple[float, float] | None = None
    """Charges (gauge) between which a tank called as expected may lie without its showing."""
    risen_pa: Interval | None = None
    """On a hot visit the pressure to which a system with the right charge must have risen since its cold filling."""
    p_shut: float = 0.0
    """Probability that the tank holds water and takes none in or out, by its rounds together."""
    rounds: tuple[RoundFound, ...] = ()
    """What is told of each further round."""
    onset_heard: bool = False
    """Whether the pressure was heard at which one mark's sound begins to change."""
    charges: Charges | None = None
    """Charges that taps and readings leave possible, for `finding.planner`."""
    draws: Draws | None = None
    """What the readings leave open, for the same."""
    rings_all_over: bool = False
    """Whether the shell rings behind every mark."""
    lines: int = 1
    """Lines tapped in the first round."""


def compare(
    case: Case,
    line: LineReading,
    rng: np.random.Generator,
    prior: Prior | None = None,
    beside: Sequence[LineReading] = (),
    rounds: Sequence[Round] = (),
) -> Comparison:
    """Compare sound and readings of all rounds.

    `beside` are further lines of the first round, `rounds` the later rounds.
    `prior` is the one that the line's posterior was formed with; None where that is the tank's own. What cannot be
    formed (no pressure, a tank whose line shows no share) is None and the probabilities are empty. Where the line does
    not show the level, nothing is put into figures that would rest on it.
    """
    _refuse_the_impossible(case)
    reference, needed = reference_charge(case), needed_precharge_pa(case)
    if not line_shows_share(case.tank):
        return Comparison(reference, needed, None, None, None, None, {})
    heard = (line.state != "not found" or line.narrows) and not line.inverted
    likelihood = LineLikelihood(line, case.tank, prior or prior_for(case.tank))
    if case.readings.pressure_pa is None:
        shares = _heard_shares(likelihood, draw_forms(DRAWS, rng), np.zeros(DRAWS), rng)
        volume = draw_tank_volume(case.tank, rng)
        return Comparison(reference, needed, None, interval_of(shares * volume) if heard else None, None, None, {})
    draws = draw(case, rng)
    together = put_together(case, draws, likelihood, beside, rounds, rng)
    heard = heard or ((len(together.lines) > 1 or together.onset_heard) and not line.inverted)
    possible = _heard_charges(likelihood, draws, together, rng)
    water = interval_of(possible.share * draws.volume_m3[possible.draw]) if heard else None
    heard = heard and case.readings.pressure_pa >= NO_PRESSURE_PA
    precharge = _precharge(case, draws, possible, together.onset_heard) if heard else None
    others, notes = other_air(case)
    air = _laid_together(case, water, precharge, others)
    if reference is None:
        return Comparison(None, needed, None, water, precharge, None, {}, air, notes)
    speaks = (
        (line_speaks(line) or len(together.lines) > 1 or together.onset_heard)
        and not line.inverted
        and case.readings.pressure_pa >= NO_PRESSURE_PA
    )
    # Estimates that contradict each other are shown and not averaged: then the sound stands alone.
    trusted = () if air is None or air.contradiction else others
    weighed = weigh(case, likelihood, reference, draws, rng, trusted, together)
    return Comparison(
        reference,
        needed,
        _expected(case.tank, reference, draws, rng),
        water,
        precharge,
        _forecast(case, draws, weighed.charges, rng) if speaks or trusted else None,
        weighed.probabilities,
        air,
        notes,
        weighed.harmless_loss,
        weighed.fine_before,
        weighed.fault_odds,
        weighed.rings_if_right,
        weighed.unseen_pa,
        weighed.risen_pa,
        weighed.p_shut,
        _rounds_found(case, reference, together, possible, rounds, rng),
        together.onset_heard,
        weighed.charges,
        draws,
        line.state == "all air" or rings_all_over(line),
        1 + len(beside),
    )


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


@dataclass(frozen=True, slots=True)
class _Possible:
    """Draws of what the taps of all rounds leave possible by themselves, (D,) each."""

    share: FloatArray
    """Water held in the first round."""
    charge_abs_pa: FloatArray
    draw: NDArray[np.int64]
    """Which draw of the readings it goes with."""


def _heard_charges(likelihood: LineLikelihood, draws: Draws, together: Together, rng: np.random.Generator) -> _Possible:
    """Draw charges that the lines alone speak for: beforehand all shares of water in the first round are alike."""
    every = np.arange(DRAWS)
    if together.alone:
        share = _heard_shares(likelihood, draws.forms, draws.depth_error_m, rng)
        return _Possible(share, precharge_abs_pa(share, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c), every)
    share = _proposed_shares(rng)
    charge = precharge_abs_pa(share, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c)
    # No water may be any charge above the pressure; which one, only a later round at a higher pressure can tell.
    if together.rounds:
        charge = np.where(share <= 0.0, charge * (1 + OVERCHARGE_SPAN * rng.uniform(size=DRAWS)), charge)
    weight = together.of(charge, share)
    drawn = rng.choice(DRAWS, DRAWS, p=weight / weight.sum())
    return _Possible(share[drawn], charge[drawn], drawn)


def _proposed_shares(rng: np.random.Generator) -> FloatArray:
    """(D,) water shares, even, with no water and full as states of their own."""
    proposed = rng.uniform(size=DRAWS)
    whole = rng.uniform(size=DRAWS)
    return np.where(whole < WHOLE_STATES, 0.0, np.where(whole > 1 - WHOLE_STATES, 1.0, proposed))


def _heard_shares(
    likelihood: LineLikelihood, forms: Forms, error_m: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """(D,) water shares that one line alone speaks for.

    Shares are proposed with forms of the membrane, and drawn again by how well the line hears what they would show.
    """
    proposed = _proposed_shares(rng)
    weight = likelihood.of(proposed, forms, error_m)
    return np.asarray(proposed[rng.choice(DRAWS, DRAWS, p=weight / weight.sum())])


def _precharge(case: Case, draws: Draws, possible: _Possible, onset_heard: bool) -> PrechargeEstimate:
    """Estimate the charge that the level speaks for; one-sided where it may hold no water, or no more.

    Where the pressure was heard at which water enters, nothing is one-sided.
    """
    most = min(case.tank.most_water_share - 0.03, waterlogged_from(case.tank))
    bound: Bound | None = None
    if onset_heard:
        bound = None
    elif float(np.mean(possible.share <= DRY_SHARE)) >= END_BOUND:
        bound = "lower"
    elif float(np.mean(possible.share >= most)) >= 0.5:
        bound = "upper"
    atmospheric = draws.atmospheric_pa[possible.draw]
    charge = possible.charge_abs_pa
    interval = interval_of(charge - atmospheric)
    stated = case.readings.precharge_pa
    if stated is None or bound == "lower":
        return PrechargeEstimate(interval, bound)
    lost = 1 - charge / np.maximum(stated + atmospheric, 1_000.0)
    return PrechargeEstimate(interval, bound, interval_of(lost), interval_of(lost * draws.volume_m3[possible.draw]))


def _rounds_found(
    case: Case,
    reference: Reference,
    together: Together,
    possible: _Possible,
    rounds: Sequence[Round],
    rng: np.random.Generator,
) -> tuple[RoundFound, ...]:
    """Tell of each later round with the same air where the water should end in it, and how much there is."""
    found = []
    for each, draws in zip(rounds, together.rounds, strict=False):
        if each.readings.pressure_pa is None:
            found.append(RoundFound(None, None, None, onset=each.onset))
            continue
        held = together.held(possible.charge_abs_pa, draws.picked(possible.draw))
        water = interval_of(held * draws.volume_m3[possible.draw]) if each.lines else None
        line = each.lines[0] if each.lines else None
        found.append(RoundFound(_expected(case.tank, reference, draws, rng), water, line, onset=each.onset))
    return tuple(found)


def _expected(tank: Tank, reference: Reference, draws: Draws, rng: np.random.Generator) -> Expected:
    charge = draw_reference(reference, draws, rng)
    share = taken(tank, water_share(charge, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c))
    depth: Interval | None = None
    if float(np.mean(share > 0.005)) > 0.5:
        at = water_depth_m(tank, contacts(tank, share, draws.forms)) + draws.depth_error_m
        depth = interval_of(np.clip(at, 0.0, tank.shape.height_m))
    return Expected(depth, interval_of(share * draws.volume_m3), interval_of(share))


def _forecast(case: Case, draws: Draws, charges: Charges, rng: np.random.Generator) -> Forecast | None:
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
    which = charges.draw[picked]
    gas = draws.gas_t_c[which]
    warmer = rng.uniform(0.05, 0.5, DRAWS) * max(hot - start, 0.0)
    volume = spread_volume_m3(system.volume_m3, system.volume_rel_sd, rng.standard_normal(DRAWS))
    values = (
        draws.volume_m3[which],
        charges.precharge_abs_pa[picked] - draws.atmospheric_pa[which],
        draws.charge_t_c[which],
        gas,
        gas + warmer,
        volume,
        draws.gauge_pa[which],
        draws.atmospheric_pa[which],
    )
    others = draw_cushions(case, gas, gas + warmer, draws.atmospheric_pa[which], rng)

    count = FORECAST_DRAWS
    tank_volume, charge, charge_t, gas_t, hot_gas, system_volume, gauge, air = (value[:count] for value in values)
    tank = Cushion(
        tank_volume, charge, charge_t, gas_t, hot_gas, case.tank.most_water_share, case.readings.tank_above_gauge_m
    )
    state = SystemState(system_volume, gauge, start, system.fluid, atmospheric_pa=air)
    tanks = [tank, *first_draws(others, count)]
    # Figures, words and curve come from the same draws of one computation, so that they cannot disagree.
    curve = pressure_curve(state, tanks, hot, FORECAST_STEPS)
    pressure, found = curve.hot_pressure_pa, _curve_of(curve)
    band = found if hot > start + 1.0 else None
    if system.relief_pa is None or system.relief_pa <= 0:
        return Forecast(interval_of(pressure), Statement(Relief.NOT_KNOWN), hot, curve=band)
    weeping_pa = system.relief_pa - relief_tolerance_pa(system.relief_pa)
    at_weeping, right = pressure >= weeping_pa, picked[:count] < DRAWS
    weeps, opens = float(np.mean(at_weeping)), float(np.mean(pressure >= system.relief_pa))
    if stands_above_fill(case) and system.fill_pa is not None:
        # Whether the tank is too small is asked of the system as it is filled: other water is not the tank's fault.
        filled = replace(state, pressure_pa=system.fill_pa + FILL_SD_PA * rng.standard_normal(count))
        at_weeping = hot_pressure_pa(filled, tanks, hot) >= weeping_pa
    relief = _relief(weeps, opens, found, system.relief_pa)
    return Forecast(interval_of(pressure), relief, hot, weeps, opens, band, _share_of(right, at_weeping))


def _share_of(right: NDArray[np.bool_], reached: NDArray[np.bool_]) -> float:
    """Share of the right draws that are reached; of all where hardly any draw is right."""
    return float(np.mean(reached[right] if right.sum() >= FEW_DRAWS else reached))


def _curve_of(curve: PressureCurve) -> ForecastCurve:
    """Median and central 90 % of the draws of a curve."""
    temperature, pressure = pressure_band(curve)
    low, median, high = (tuple(float(value) for value in row) for row in pressure)
    return ForecastCurve(tuple(float(value) for value in temperature), low, median, high)


def _relief(weeps: float, opens: float, curve: ForecastCurve, relief_pa: float) -> Statement:
    """Say what the relief valve does; it opens where the median of the curve crosses its setting."""
    if opens <= 0.5:
        return Statement(Relief.MAY_WEEP if weeps >= LIKELY_ENOUGH_TO_WEEP else Relief.STAYS_SHUT)
    median = np.maximum.accumulate(curve.median_pa)
    if median[0] >= relief_pa:
        return Statement(Relief.OPENS)
    return Statement(Relief.OPENS_AT, {"at_c": float(np.interp(relief_pa, median, curve.temperature_c))})


def _start_temperature(case: Case) -> float | None:
    """Temperature of the water at the visit; 15 C for a cold visit without a reading."""
    if case.readings.water_temperature_c is not None:
        return case.readings.water_temperature_c
    return 15.0 if is_hot(case) is False else None

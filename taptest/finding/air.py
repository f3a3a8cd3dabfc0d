"""Evidence for the air besides the sound: a measured drain and a pressure log, and what a log says of the causes.

Amounts of air are free air (m3 at one atmosphere and 20 C), see `taptest.water.log`; pressures there are those at the
tank.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.finding.parallel import air_of_tapped_tank
from taptest.finding.records import Case, Interval
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.statements import Key, Said, Statement
from taptest.water.forecast import relief_tolerance_pa
from taptest.water.log import (
    FREE_AIR_T_C,
    AirEstimate,
    Drift,
    Level,
    RisingSystem,
    air_from_drain,
    air_from_rise,
    air_from_sound,
    drifts,
    early_rise_share,
)
from taptest.water.pressure import atmospheric_pressure_pa, kelvin

FloatArray = NDArray[np.float64]

CREEP_PA_PER_H = 3_000.0
"""A slower rise than this, 0.03 bar an hour, counts as none."""
COOLED_TOO_MUCH_C = 3.0
"""Water that has cooled by more than this hides a rise."""
EVEN_SHARE, JUMP_SHARE = 0.35, 0.6
"""Share of a warm-up's rise in its first quarter up to which it is even, and from which it jumped: own judgement."""
NOTHING_LEFT_PA = 10_000.0
"""A drain that ends below 0.1 bar has drawn all that the tank gives: own judgement."""
UNEXPLAINED = 0.01
"""Likelihood that remains for every amount of air: a drain or a log can be wrong altogether."""


class DrainSays(Key):
    """What is to be said of a measured drain, in whole sentences."""

    EMPTIED = "drain.emptied", "charge_pa"


class LogSays(Key):
    """What is to be said of a pressure log, in whole sentences."""

    NO_SYSTEM_VOLUME = "log.no system volume"


def other_air(case: Case) -> tuple[tuple[AirEstimate, ...], tuple[Said, ...]]:
    """Estimate the air from drain and warm-up log; what does not carry an estimate says so in the notes.

    With several tanks on the system both find the air of all; that of the others is taken off by their stated charges.
    """
    found: list[AirEstimate | Statement] = []
    notes: list[Said] = []
    air = float(atmospheric_pressure_pa(case.system.altitude_m))
    kept_pa = emptied_at_pa(case)
    if kept_pa is not None:
        notes.append(Statement(DrainSays.EMPTIED, {"charge_pa": kept_pa}))
    elif case.drain is not None:
        drain, tanks_m3 = case.drain, case.tank.volume_m3 + sum(tank.volume_m3 for tank in case.parallel)
        try:
            all_air = air_from_drain(drain, tanks_m3, air)
            ends = (drain.before_pa, drain.after_pa)
            found.append(air_of_tapped_tank(all_air, case.parallel, ends, drain.gas_t_c, air))
        except PhysicsError as error:
            notes.append(str(error) if error.said is None else error.said)
    if case.log and case.system.volume_m3 is not None:
        gas = case.readings.tank_temperature_c
        system = RisingSystem(
            case.system.volume_m3, case.system.volume_rel_sd, case.system.fluid, gas_t_c=20.0 if gas is None else gas
        )
        try:
            reached = [entry.pressure_pa for entry in case.log]
            all_air = air_from_rise(case.log, system, air)
            found.append(air_of_tapped_tank(all_air, case.parallel, reached, system.gas_t_c, air))
        except PhysicsError as error:
            notes.append(str(error) if error.said is None else error.said)
    elif case.log:
        notes.append(Statement(LogSays.NO_SYSTEM_VOLUME))
    estimates = tuple(each for each in found if isinstance(each, AirEstimate))
    notes += [each for each in found if isinstance(each, Statement)]
    notes += [note for estimate in estimates for note in estimate.notes]
    return estimates, tuple(notes)


def emptied_at_pa(case: Case) -> float | None:
    """Charge (gauge, at the air's temperature) with which a measured drain emptied the tank of its water.

    A membrane tank gives no more water below its charge: a few drops more, and nothing is left on the gauge, as where
    hardly any air is left. Such a drain has two readings, and no amount of air follows from it. None for other drains,
    for plain tanks and where several tanks gave water.
    """
    drain, tank = case.drain, case.tank
    if drain is None or not tank.has_membrane or case.parallel or drain.after_pa > NOTHING_LEFT_PA:
        return None
    outside = float(atmospheric_pressure_pa(case.system.altitude_m))
    charge_abs = (drain.before_pa + outside) * (1 - drain.drained_m3 / tank.volume_m3)
    return charge_abs - outside if charge_abs > NOTHING_LEFT_PA + outside else None


def drain_likelihood(
    case: Case, precharge_abs_pa: FloatArray, charge_t_c: FloatArray, tank_m3: FloatArray
) -> FloatArray:
    """(D,) likelihood of a drain that emptied the tank, for charges (absolute, at the charge temperature); else 1.

    Each charge says how much water the tank holds before and after: V (1 - K/p) above its charge, nothing below it.
    """
    drain = case.drain
    if drain is None or emptied_at_pa(case) is None:
        return np.ones_like(precharge_abs_pa)
    outside = float(atmospheric_pressure_pa(case.system.altitude_m))
    before, after = drain.before_pa + outside, drain.after_pa + outside
    gas = precharge_abs_pa * float(kelvin(drain.gas_t_c)) / kelvin(charge_t_c)
    given = tank_m3 * (np.maximum(1 - gas / before, 0.0) - np.maximum(1 - gas / after, 0.0))
    spread = np.hypot(drain.drained_rel_sd * drain.drained_m3, tank_m3 * drain.gauge_bias_sd_pa / before)
    return np.asarray(np.exp(-0.5 * ((given - drain.drained_m3) / spread) ** 2) + UNEXPLAINED)


def sound_air(case: Case, water_m3: Interval) -> AirEstimate:
    """Estimate the air from the water that the level speaks for (median and central 90 %)."""
    readings, tank = case.readings, case.tank
    assert readings.pressure_pa is not None
    share = float(np.clip(water_m3.median / tank.volume_m3, 0.0, 1.0))
    level = Level(
        share,
        max((water_m3.high - water_m3.low) / (2 * 1.645 * tank.volume_m3), 1e-3),
        tank.volume_m3,
        readings.pressure_pa,
        tank.volume_rel_sd,
        readings.pressure_sd_pa,
        20.0 if readings.tank_temperature_c is None else readings.tank_temperature_c,
    )
    return air_from_sound(level, float(atmospheric_pressure_pa(case.system.altitude_m)))


def air_likelihood(
    precharge_abs_pa: FloatArray, charge_t_c: FloatArray, tank_m3: FloatArray, estimates: Sequence[AirEstimate]
) -> FloatArray:
    """(D,) likelihood of the estimates for charges (absolute, at the charge temperature) of a tank; 1 without any."""
    free = tank_m3 * precharge_abs_pa / STANDARD_ATMOSPHERE_PA * float(kelvin(FREE_AIR_T_C)) / kelvin(charge_t_c)
    likelihood = np.ones_like(free)
    for estimate in estimates:
        off = (free - estimate.free_air_m3) / estimate.sd_m3
        likelihood = likelihood * (np.exp(-0.5 * off**2) + UNEXPLAINED)
    return likelihood


def log_evidence(case: Case) -> dict[str, str]:
    """Read off the log what it says of the causes: when the pressure rises, and how the warm-up went."""
    if not case.log:
        return {}
    found: dict[str, str] = {}
    moves = drifts(case.log)
    opened = _rises(moves, fill_open=True)
    closed = _rises(moves, fill_open=False)
    warmed = any(move.heat_on is True and _rise(move) for move in moves)
    if closed:
        found["pressure rises"] = "heat off, fill closed"
    elif opened and closed is False:
        found["pressure rises"] = "heat off, fill open"
    elif opened is False and closed is False:
        found["pressure rises"] = "only with heat" if warmed else "not at all"
    warm_up = _warm_up(case)
    return found | ({"warm-up": warm_up} if warm_up else {})


def _rise(move: Drift) -> bool:
    return move.slope_pa_per_h > max(CREEP_PA_PER_H, 3 * move.slope_sd_pa_per_h)


def _rises(moves: Sequence[Drift], fill_open: bool) -> bool | None:
    """Whether the pressure rises with the heat off and the fill valve so; None where the log does not say."""
    off = [move for move in moves if move.heat_on is False and move.fill_open is fill_open]
    if any(_rise(move) for move in off):
        return True
    telling = [
        move
        for move in off
        if 3 * move.slope_sd_pa_per_h < 4 * CREEP_PA_PER_H and (move.warming_c or 0.0) > -COOLED_TOO_MUCH_C
    ]
    return False if telling else None


def _warm_up(case: Case) -> str | None:
    """How the pressure rose in the log's warm-up; None where it has none or where it is between the kinds."""
    try:
        share = early_rise_share(case.log)
    except PhysicsError:
        # No warm-up in this log: missing evidence is simply missing.
        return None
    relief = case.system.relief_pa
    highest = max(entry.pressure_pa for entry in case.log)
    at_relief = relief is not None and highest > relief - relief_tolerance_pa(relief)
    if share >= JUMP_SHARE:
        return "sharp at once" if at_relief else "steep, then slow"
    return "even rise" if share <= EVEN_SHARE and not at_relief else None

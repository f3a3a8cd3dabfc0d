"""The other tanks on the same system: what they take up in the forecast, and which part of the air found is theirs.

Nobody tapped them, so their charges are only stated and carry a wide spread. They stand at the height of the tapped
tank and their air is as warm as its air. Pressures are gauge unless `_abs`; amounts of air are free air (m3 at one
atmosphere and 20 C); D draws.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.finding.draws import spread_volume_m3
from taptest.finding.records import Case, ParallelTank
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.statements import Key, Statement
from taptest.water.forecast import Cushion
from taptest.water.log import FREE_AIR_T_C, WAY, AirEstimate
from taptest.water.pressure import kelvin

FloatArray = NDArray[np.float64]

UNTAPPED_SD_PA = 20_000.0
"""Spread of the charge of a tank that was not tapped, 0.2 bar: own judgement, no source."""
USUAL_CHARGE_T_C, USUAL_CHARGE_T_SD_C = 18.0, 5.0
"""Temperature at charging where it is not known."""
KNOWN_CHARGE_T_SD_C = 2.0
"""Spread of a temperature at charging that was noted."""
LEAST_CHARGE_ABS_PA = 2_000.0
"""Draws of a charge, absolute, end here: a tank is never quite without air."""


class OtherTanks(Key):
    """What the other tanks make of an estimate of the air, in whole sentences; `number` counts them from 1."""

    TAKEN_OFF = "other tanks.taken off", "way", "others_m3"
    TOO_LITTLE = "other tanks.too little", "way", "air_m3", "others_m3"
    MAYBE_EMPTY = "other tanks.maybe empty", "way", "number"
    MAYBE_FULL = "other tanks.maybe full", "way", "number"


def refuse_impossible_tanks(tanks: Sequence[ParallelTank], air_pa: float, highest_pa: float) -> None:
    """Refuse tanks without size, below vacuum or with an acceptance that is none (`PhysicsError`)."""
    for number, tank in enumerate(tanks, start=1):
        if not tank.volume_m3 > 0:
            raise PhysicsError(
                f"The volume of parallel tank {number}, {tank.volume_m3 * 1000:g} l, is no volume: give one above zero."
            )
        if not -air_pa < tank.precharge_pa < highest_pa:
            raise PhysicsError(
                f"The pre-charge of parallel tank {number}, {tank.precharge_pa / 1e5:.4g} bar gauge, is below vacuum or"
                " far beyond any heating system: check the value and its unit."
            )
        if tank.acceptance_share is not None and not 0 < tank.acceptance_share <= 1:
            raise PhysicsError(
                f"The acceptance of parallel tank {number}, {tank.acceptance_share:g} of its volume, cannot be: "
                "give a share above 0 and up to 1."
            )


def draw_cushions(
    case: Case, gas_t_c: FloatArray, hot_gas_t_c: FloatArray, atmospheric_pa: FloatArray, rng: np.random.Generator
) -> list[Cushion]:
    """Draw the other tanks as the forecast sees them, (D,) each; none are drawn where there are none."""
    return [_cushion(case, tank, gas_t_c, hot_gas_t_c, atmospheric_pa, rng) for tank in case.parallel]


def first_draws(cushions: Sequence[Cushion], count: int) -> list[Cushion]:
    """Keep the first `count` draws of each tank."""
    return [
        replace(
            cushion,
            volume_m3=np.asarray(cushion.volume_m3)[:count],
            precharge_pa=np.asarray(cushion.precharge_pa)[:count],
            charge_t_c=np.asarray(cushion.charge_t_c)[:count],
            gas_t_c=np.asarray(cushion.gas_t_c)[:count],
            hot_gas_t_c=np.asarray(cushion.hot_gas_t_c)[:count],
        )
        for cushion in cushions
    ]


def _cushion(
    case: Case,
    tank: ParallelTank,
    gas_t_c: FloatArray,
    hot_gas_t_c: FloatArray,
    atmospheric_pa: FloatArray,
    rng: np.random.Generator,
) -> Cushion:
    draws = gas_t_c.size
    charge = tank.precharge_pa + UNTAPPED_SD_PA * rng.standard_normal(draws)
    return Cushion(
        spread_volume_m3(tank.volume_m3, tank.volume_rel_sd, rng.standard_normal(draws)),
        np.maximum(charge, LEAST_CHARGE_ABS_PA - atmospheric_pa),
        rng.normal(*_charged_at(tank), draws),
        gas_t_c,
        hot_gas_t_c,
        1.0 if tank.acceptance_share is None else tank.acceptance_share,
        case.readings.tank_above_gauge_m,
    )


def air_of_tapped_tank(
    found: AirEstimate, tanks: Sequence[ParallelTank], reached_pa: Sequence[float], gas_t_c: float, air_pa: float
) -> AirEstimate | Statement:
    """Take the air of the other tanks off an estimate by pressures, which finds the air of all tanks together.

    `reached_pa` are the pressures (gauge, at the tanks) between which the estimate was made. Another tank counts where
    it took water throughout, and does not where it was empty of water throughout; between the two no estimate of the
    tapped tank alone follows, and a statement says why.
    """
    low, high = min(reached_pa) + air_pa, max(reached_pa) + air_pa
    way = Statement(WAY[found.source])
    others, variance, taking = 0.0, 0.0, 0
    for number, tank in enumerate(tanks, start=1):
        takes = _takes_water(tank, low, high, gas_t_c, air_pa)
        if isinstance(takes, OtherTanks):
            return Statement(takes, {"way": way, "number": number})
        if not takes:
            continue
        taking += 1
        charge = tank.precharge_pa + air_pa
        charged_at, charged_at_sd = _charged_at(tank)
        free = tank.volume_m3 * charge / STANDARD_ATMOSPHERE_PA * float(kelvin(FREE_AIR_T_C) / kelvin(charged_at))
        spread = (UNTAPPED_SD_PA / charge, tank.volume_rel_sd, charged_at_sd / float(kelvin(charged_at)))
        others += free
        variance += (free * math.hypot(*spread)) ** 2
    if not taking:
        return found
    rest, sd = found.free_air_m3 - others, math.sqrt(found.sd_m3**2 + variance)
    if rest < -2 * sd:
        return Statement(OtherTanks.TOO_LITTLE, {"way": way, "air_m3": found.free_air_m3, "others_m3": others})
    note = Statement(OtherTanks.TAKEN_OFF, {"way": way, "others_m3": others})
    return replace(found, free_air_m3=max(rest, 0.0), sd_m3=sd, notes=(*found.notes, note))


def _takes_water(
    tank: ParallelTank, low_abs_pa: float, high_abs_pa: float, gas_t_c: float, air_pa: float
) -> bool | OtherTanks:
    """Whether a tank takes water at all pressures from low to high; where it does at some or may, why."""
    warmer = float(kelvin(gas_t_c) / kelvin(_charged_at(tank)[0]))
    start, doubt = (tank.precharge_pa + air_pa) * warmer, UNTAPPED_SD_PA * warmer
    if high_abs_pa <= start - doubt:
        return False
    room = 1.0 if tank.acceptance_share is None else 1 - tank.acceptance_share
    full = math.inf if tank.acceptance_share is None or room <= 0 else (start - doubt) / room
    if low_abs_pa < start + doubt:
        return OtherTanks.MAYBE_EMPTY
    return OtherTanks.MAYBE_FULL if high_abs_pa > full else True


def _charged_at(tank: ParallelTank) -> tuple[float, float]:
    """Temperature at charging and its spread."""
    if tank.charged_at_c is None:
        return USUAL_CHARGE_T_C, USUAL_CHARGE_T_SD_C
    return tank.charged_at_c, KNOWN_CHARGE_T_SD_C

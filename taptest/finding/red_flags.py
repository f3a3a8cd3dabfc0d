"""What comes before any finding: danger to people, and entries that cannot be right.

A danger is said first, everywhere, with what to do now; no tank is called as expected beside one. A doubt is an entry
that is likely a slip (a unit, a state, a swapped figure): it is to be confirmed before anything is concluded from it,
and before a tank is replaced because of it. Nothing here listens: it rests on what was read and answered.

Pressures are gauge pascals at the gauge. Limits are common practice or own judgement, no source.
"""

from collections.abc import Mapping

from taptest.finding.draws import column_pa, is_hot
from taptest.finding.records import Case, FlagName, RedFlag
from taptest.statements import Key, Statement
from taptest.water.forecast import relief_tolerance_pa

CLEAR_OF_RELIEF_PA = 50_000.0
"""Pressure is neither raised nor let rise by heat nearer to the relief setting than this."""
LOWEST_PA = 20_000.0
"""Water is not let out below this: 0.2 bar, own judgement."""
OVER_LIMIT_K = 6.0
"""By so much the water may pass the highest temperature that was stated."""
BOILING_C = 100.0
COLD_AT_MOST_C, HOT_AT_LEAST_C = 45.0, 30.0
"""A system that is cold is not warmer, one that is hot not colder: common practice, no source."""
USUAL_CHARGE_PA = 400_000.0
"""No heating tank is charged higher: common practice, no source."""
UNIT_SLIP = 2.0
"""A pressure so many times the relief setting is rather another unit than a pressure."""
COIL_FROM = 0.3
"""A leaking coil or plate is warned of from this probability on, or where the answers point to it."""
COIL = "leaking coil or plate"


class FlagSays(Key):
    """What is wrong, in whole sentences."""

    RELIEF_STAYS_SHUT = "flag.relief valve does not open", "pressure_pa", "relief_pa"
    NEAR_RELIEF = "flag.near the relief setting", "pressure_pa", "relief_pa"
    TOO_HOT = "flag.water too hot", "water_c"
    ABOVE_LIMIT = "flag.water above the limit", "water_c", "limit_c"
    DRINKING_WATER = "flag.drinking water"
    PRESSURE_UNIT = "flag.pressure or its unit", "pressure_pa", "relief_pa"
    CHARGE_UNIT = "flag.pre-charge or its unit", "precharge_pa"
    COLD_BUT_WARM = "flag.cold but warm", "water_c"
    HOT_BUT_COOL = "flag.hot but cool", "water_c"


class FlagStep(Key):
    """What to do now, in whole sentences."""

    RELIEF_STAYS_SHUT = "flag step.relief valve does not open"
    NEAR_RELIEF = "flag step.near the relief setting", "below_pa"
    TOO_HOT = "flag step.water too hot"
    DRINKING_WATER = "flag step.drinking water"
    PRESSURE_UNIT = "flag step.pressure or its unit"
    CHARGE_UNIT = "flag step.pre-charge or its unit"
    COLD_OR_HOT = "flag step.cold or hot"


def red_flags(case: Case, causes: Mapping[str, float]) -> tuple[RedFlag, ...]:
    """Return what has to be said before the finding: dangers first, then doubts. `causes` are their probabilities."""
    dangers = [*_pressure_dangers(case), *_temperature_dangers(case), *_water_dangers(case, causes)]
    return (*dangers, *_doubts(case))


def endangers(flags: tuple[RedFlag, ...]) -> bool:
    """Whether something among the flags forbids calling the tank fine."""
    return any(flag.stops for flag in flags)


def _pressure_dangers(case: Case) -> list[RedFlag]:
    """Tell of a pressure above the relief setting, or so near to it that the valve may open."""
    pressure, relief = case.readings.pressure_pa, case.system.relief_pa
    if pressure is None or relief is None or pressure >= UNIT_SLIP * relief:
        return []
    tolerance = relief_tolerance_pa(relief)
    read = {"pressure_pa": pressure, "relief_pa": relief}
    if pressure > relief + tolerance:
        says, step = Statement(FlagSays.RELIEF_STAYS_SHUT, read), Statement(FlagStep.RELIEF_STAYS_SHUT)
        return [RedFlag("relief valve does not open", says, step)]
    if pressure >= relief - tolerance:
        step = Statement(FlagStep.NEAR_RELIEF, {"below_pa": relief - CLEAR_OF_RELIEF_PA})
        return [RedFlag("near the relief setting", Statement(FlagSays.NEAR_RELIEF, read), step)]
    return []


def _temperature_dangers(case: Case) -> list[RedFlag]:
    """Tell of water hotter than it may be."""
    water, limit = case.readings.water_temperature_c, case.system.max_temperature_c
    if water is None:
        return []
    if limit is not None and water > limit + OVER_LIMIT_K:
        says = Statement(FlagSays.ABOVE_LIMIT, {"water_c": water, "limit_c": limit})
    elif water > BOILING_C:
        says = Statement(FlagSays.TOO_HOT, {"water_c": water})
    else:
        return []
    return [RedFlag("water too hot", says, Statement(FlagStep.TOO_HOT))]


def _water_dangers(case: Case, causes: Mapping[str, float]) -> list[RedFlag]:
    """Tell of drinking water that may be fouled."""
    told = case.observations
    points_to_it = (
        told.get("pressure rises") == "heat off, fill closed" or told.get("potable supply shut") == "rise stops"
    )
    if not points_to_it and causes.get(COIL, 0.0) < COIL_FROM:
        return []
    says, step = Statement(FlagSays.DRINKING_WATER), Statement(FlagStep.DRINKING_WATER)
    return [RedFlag("drinking water", says, step, stops=False)]


def _doubts(case: Case) -> list[RedFlag]:
    """Return the entries that are likely slips."""
    readings, relief = case.readings, case.system.relief_pa
    pressure, charge, water = readings.pressure_pa, readings.precharge_pa, readings.water_temperature_c
    found: list[RedFlag] = []
    if pressure is not None and relief is not None and pressure >= UNIT_SLIP * relief:
        says = Statement(FlagSays.PRESSURE_UNIT, {"pressure_pa": pressure, "relief_pa": relief})
        found.append(_doubt("pressure or its unit", says, FlagStep.PRESSURE_UNIT))
    if charge is not None and charge > USUAL_CHARGE_PA:
        says = Statement(FlagSays.CHARGE_UNIT, {"precharge_pa": charge})
        found.append(_doubt("pre-charge or its unit", says, FlagStep.CHARGE_UNIT))
    if water is not None and readings.state == "cold" and water > COLD_AT_MOST_C:
        says = Statement(FlagSays.COLD_BUT_WARM, {"water_c": water})
        found.append(_doubt("cold or hot", says, FlagStep.COLD_OR_HOT))
    if water is not None and readings.state == "hot" and water < HOT_AT_LEAST_C:
        says = Statement(FlagSays.HOT_BUT_COOL, {"water_c": water})
        found.append(_doubt("cold or hot", says, FlagStep.COLD_OR_HOT))
    return found


def _doubt(name: FlagName, says: Statement, step: FlagStep) -> RedFlag:
    return RedFlag(name, says, Statement(step), level="doubt")


def safe_up_to_pa(case: Case) -> float | None:
    """Pressure (gauge) that no check may pass, by heat or by the fill; None where the relief setting is not known."""
    relief = case.system.relief_pa
    return None if relief is None else relief - CLEAR_OF_RELIEF_PA


def safe_down_to_pa(case: Case) -> float:
    """Pressure (gauge) below which no check lets water out: the system's head at the gauge, as far as it is known."""
    return max(LOWEST_PA, (case.system.static_head_pa or 0.0) + column_pa(case))


def may_be_heated(case: Case, flags: tuple[RedFlag, ...]) -> bool:
    """Whether a check that fires the system up may be asked for."""
    pressure, stop = case.readings.pressure_pa, safe_up_to_pa(case)
    room = pressure is None or stop is None or pressure < stop
    return room and not endangers(flags) and is_hot(case) is not True

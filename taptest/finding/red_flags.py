"""What comes before any finding: danger to people, and entries that cannot be right.

A danger is said first, everywhere, with what to do now; no tank is called as expected beside one. A doubt is an entry
that is likely a slip (a unit, a state, a swapped figure): it is to be confirmed before anything is concluded from it,
and before a tank is replaced because of it. Nothing here listens: it rests on what was read and answered.

Pressures are gauge pascals at the gauge. Limits are common practice or own judgement, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from taptest.finding.draws import is_hot
from taptest.finding.records import Case, RedFlag
from taptest.quantities import Units
from taptest.water.forecast import relief_tolerance_pa

CLEAR_OF_RELIEF_PA = 50_000.0
"""Pressure is neither raised nor let rise by heat nearer to the relief setting than this."""
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


@dataclass(frozen=True, slots=True)
class _Read:
    """The readings that the flags rest on."""

    case: Case
    units: Units

    def pressure(self, value: float) -> str:
        """Show a pressure in the user's units."""
        return self.units.show("pressure", value)

    def temperature(self, value: float) -> str:
        """Show a temperature in the user's units."""
        return self.units.show("temperature", value)


def red_flags(case: Case, units: Units, causes: Mapping[str, float]) -> tuple[RedFlag, ...]:
    """Return what has to be said before the finding: dangers first, then doubts. `causes` are their probabilities."""
    read = _Read(case, units)
    dangers = [*_pressure_dangers(read), *_temperature_dangers(read), *_water_dangers(case, causes)]
    return (*dangers, *_doubts(read))


def endangers(flags: tuple[RedFlag, ...]) -> bool:
    """Whether something among the flags forbids calling the tank fine."""
    return any(flag.stops for flag in flags)


def _pressure_dangers(read: _Read) -> list[RedFlag]:
    """Tell of a pressure above the relief setting, or so near to it that the valve may open."""
    pressure, relief = read.case.readings.pressure_pa, read.case.system.relief_pa
    if pressure is None or relief is None or pressure >= UNIT_SLIP * relief:
        return []
    tolerance = relief_tolerance_pa(relief)
    if pressure > relief + tolerance:
        return [
            RedFlag(
                "relief valve does not open",
                f"The gauge shows {read.pressure(pressure)}, but the relief valve should open at"
                f" {read.pressure(relief)}: either the valve does not open, or the gauge is wrong.",
                "Turn the burner off and lock it out. Keep clear of the relief valve's discharge. Do not tap, and do "
                "not touch the valve. Have a licensed person see to it now.",
            )
        ]
    if pressure >= relief - tolerance:
        return [
            RedFlag(
                "near the relief setting",
                f"The pressure of {read.pressure(pressure)} is so near to the relief setting of"
                f" {read.pressure(relief)} that the valve may open at any moment.",
                "Stop heating first and keep clear of the relief valve's discharge. Go on when the pressure has fallen "
                f"below {read.pressure(relief - CLEAR_OF_RELIEF_PA)}.",
            )
        ]
    return []


def _temperature_dangers(read: _Read) -> list[RedFlag]:
    """Tell of water hotter than it may be."""
    water, limit = read.case.readings.water_temperature_c, read.case.system.max_temperature_c
    if water is None:
        return []
    over = limit is not None and water > limit + OVER_LIMIT_K
    if not over and water <= BOILING_C:
        return []
    allowed = f", and {read.temperature(limit)} is the most that was stated" if over and limit is not None else ""
    return [
        RedFlag(
            "water too hot",
            f"The water is at {read.temperature(water)}{allowed}: the temperature limit has failed, or a reading is"
            " wrong.",
            "Turn the burner off and let the system cool with its pump running. Open nothing. Have a licensed person "
            "check the limit control before it is fired again.",
        )
    ]


def _water_dangers(case: Case, causes: Mapping[str, float]) -> list[RedFlag]:
    """Tell of drinking water that may be fouled."""
    told = case.observations
    points_to_it = (
        told.get("pressure rises") == "heat off, fill closed" or told.get("potable supply shut") == "rise stops"
    )
    if not points_to_it and causes.get(COIL, 0.0) < COIL_FROM:
        return []
    return [
        RedFlag(
            "drinking water",
            "A leaking coil or plate is likely: drinking water and heating water may mix.",
            "Do not drink the hot water until the coil or plate is tested. Tell the people in the house.",
            stops=False,
        )
    ]


def _doubts(read: _Read) -> list[RedFlag]:
    """Return the entries that are likely slips."""
    case = read.case
    readings, relief = case.readings, case.system.relief_pa
    pressure, charge, water = readings.pressure_pa, readings.precharge_pa, readings.water_temperature_c
    found: list[RedFlag] = []
    if pressure is not None and relief is not None and pressure >= UNIT_SLIP * relief:
        found.append(
            _doubt(
                "pressure or its unit",
                f"The pressure of {read.pressure(pressure)} is far above the relief setting of {read.pressure(relief)}",
                "Read the gauge again and check the unit of both (1 bar is 14.5 psi). If the gauge really shows that, "
                "turn the burner off, keep clear and call a licensed person.",
            )
        )
    if charge is not None and charge > USUAL_CHARGE_PA:
        found.append(
            _doubt(
                "pre-charge or its unit",
                f"A pre-charge of {read.pressure(charge)} is higher than heating tanks are charged",
                "Read the plate again and check the unit (12 psi is 0.83 bar).",
            )
        )
    if water is not None and readings.state == "cold" and water > COLD_AT_MOST_C:
        found.append(
            _doubt(
                "cold or hot",
                f"The system is said to be cold, but its water is at {read.temperature(water)}",
                "Say whether the system is hot or cold, or read the water's temperature again.",
            )
        )
    if water is not None and readings.state == "hot" and water < HOT_AT_LEAST_C:
        found.append(
            _doubt(
                "cold or hot",
                f"The system is said to be hot, but its water is at {read.temperature(water)}",
                "Say whether the system is hot or cold, or read the water's temperature again.",
            )
        )
    return found


def _doubt(key: str, clause: str, step: str) -> RedFlag:
    return RedFlag(key, f"{clause}: one of the entries is likely wrong.", step, level="doubt")


def stop_heating_at_pa(case: Case) -> float | None:
    """Pressure (gauge) at which a heating-up for a check has to stop; None where the relief setting is not known."""
    relief = case.system.relief_pa
    return None if relief is None else relief - CLEAR_OF_RELIEF_PA


def may_be_heated(case: Case, flags: tuple[RedFlag, ...]) -> bool:
    """Whether a check that fires the system up may be asked for."""
    pressure, stop = case.readings.pressure_pa, stop_heating_at_pa(case)
    room = pressure is None or stop is None or pressure < stop
    return room and not endangers(flags) and is_hot(case) is not True

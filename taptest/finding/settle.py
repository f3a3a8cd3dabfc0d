"""The step that settles what one line of taps in one state leaves open: a change of pressure, by the kind of tank.

Water enters a membrane tank only above its charge, whatever the form of the membrane. So the pressure at which one
well-chosen mark changes its sound is the charge itself, without wall, volume or model. A plain tank and a bag are asked
by how the pressure answers a measured amount of water.
"""

from taptest.finding.draws import is_hot
from taptest.finding.records import Case
from taptest.finding.weigh import rings_all_over
from taptest.line.records import LineReading

KEEP_CLEAR_PA = 50_000.0
"""Pressure is never raised nearer to the relief setting than this: 0.5 bar, own judgement."""

ONSET_DOWN = (
    "with the burner off, let a little water out at a time and tap {mark} each time: the pressure at which it turns"
    " from dull to ringing is the tank's real pre-charge"
)
ONSET_UP = (
    "with the burner off, raise the pressure a little at a time by the fill valve, staying 0.5 bar below the relief"
    " setting, and tap {mark} each time: the pressure at which it turns dull is the tank's real pre-charge; let the"
    " water out again"
)
DRAIN = (
    "with the fill valve shut, draw off a measured litre, note the pressure before and after, enter both and judge"
    " again: the drop tells how much air there is"
)


def settling_step(case: Case, line: LineReading | None) -> str:
    """Say what settles it, as a sentence: cold, without opening the air valve."""
    first = "Let the system cool down; then, " if is_hot(case) else "Cold, "
    tank = case.tank
    if tank.kind == "diaphragm" and not tank.sideways:
        mark = "a mark just above the seam" if tank.hanging else "the lowest mark"
        rings = line is not None and (line.state == "all air" or rings_all_over(line))
        may_rise = case.system.fluid.share == 0.0 and _room_to_rise(case)
        step = ONSET_UP if rings and may_rise else ONSET_DOWN
        return f"{first}{step.format(mark=mark)}."
    return f"{first}{DRAIN}."


def _room_to_rise(case: Case) -> bool:
    """Whether half a bar more stays clear of the relief setting."""
    pressure, relief = case.readings.pressure_pa, case.system.relief_pa
    return pressure is not None and relief is not None and pressure + KEEP_CLEAR_PA <= relief - KEEP_CLEAR_PA

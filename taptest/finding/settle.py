"""The step that settles what one line of taps in one state leaves open: a change of pressure, by the kind of tank.

Water enters a membrane tank only above its charge, whatever the form of the membrane. So the pressure at which one
well-chosen mark changes its sound is the charge itself, without wall, volume or model. A plain tank and a bag are asked
by how the pressure answers a measured amount of water.
"""

from taptest.finding.draws import is_hot
from taptest.finding.records import Case
from taptest.finding.red_flags import CLEAR_OF_RELIEF_PA
from taptest.finding.weigh import rings_all_over
from taptest.line.records import LineReading
from taptest.tank.kinds import line_shows_share

STEP_PA = 50_000.0
"""A second round is tapped half a bar higher, or lower: own judgement."""

ONSET_DOWN = (
    "with the burner off and the fill valve shut, let a little water out at a time{caught} and tap {mark} each time:"
    " the pressure at which it turns from dull to ringing is the tank's real pre-charge; then fill up to the cold"
    " pressure again"
)
ONSET_UP = (
    "with the burner off, open the fill valve only a crack, raise the pressure a little at a time, staying 0.5 bar"
    " below the relief setting, and tap {mark} each time: the pressure at which it turns dull is the tank's real"
    " pre-charge; stop if the pressure jumps, since then the tank takes no water; let the water out again"
)
ISOLATED = (
    "isolate the tank, drain its water side to zero and leave it open, and read its charge with a gauge at the air"
    " valve"
)
DRAIN = (
    "with the fill valve shut, draw off a measured litre{caught}, note the pressure before and after, enter both, judge"
    " again and fill up to the cold pressure: the drop tells how much air there is"
)


def settling_step(case: Case, line: LineReading | None) -> str:
    """Say what settles it, as a sentence: cold, and without a press on the air valve's pin."""
    first = "Let the system cool down; then, " if is_hot(case) else "Cold, "
    glycol = case.system.fluid.share > 0.0
    caught = ", catching it to put it back," if glycol else ""
    tank = case.tank
    if not tank.clamped or tank.sideways:
        return f"{first}{DRAIN.format(caught=caught)}."
    mark = "a mark just above the seam" if tank.hanging else "the lowest mark"
    rings = line is not None and (line.state == "all air" or rings_all_over(line))
    if not rings:
        return f"{first}{ONSET_DOWN.format(mark=mark, caught=caught)}."
    step = ONSET_UP.format(mark=mark) if _room_to_rise(case) and not glycol else ISOLATED
    return f"{first}{step}."


def second_round_step(case: Case) -> str:
    """Say how a second round is tapped, as a sentence: the fill raised, else water let out; "" where neither can be.

    Rubber, gauge zero and shell are the same in both rounds, so what one of them leaves open two often settle.
    """
    if case.tank.sideways or not line_shows_share(case.tank):
        return ""
    if _room_to_rise(case) and case.system.fluid.share == 0.0 and is_hot(case) is False:
        return (
            "Or tap a second round: cold, burner off, raise the pressure by half a bar at the fill valve, watch it, tap"
            " the same marks, add the round to the visit, and let the water out again."
        )
    return (
        "Or tap a second round: cold, burner off and fill valve shut, let water out until the pressure is half a bar"
        " lower, tap the same marks, add the round to the visit, and fill up again."
    )


def _room_to_rise(case: Case) -> bool:
    """Whether half a bar more than the cold pressure stays clear of the relief setting."""
    cold = case.system.fill_pa if is_hot(case) else case.readings.pressure_pa
    relief = case.system.relief_pa
    return cold is not None and relief is not None and cold + STEP_PA <= relief - CLEAR_OF_RELIEF_PA

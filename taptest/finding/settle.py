"""The step that settles what one line of taps in one state leaves open: a change of pressure, by the kind of tank.

Water enters a membrane tank only above its charge, whatever the form of the membrane. So the pressure at which one
well-chosen mark changes its sound is the charge itself, without wall, volume or model. A plain tank and a bag are asked
by how the pressure answers a measured amount of water.
"""

from taptest.finding.draws import is_hot
from taptest.finding.records import Case
from taptest.finding.red_flags import safe_up_to_pa
from taptest.finding.weigh import rings_all_over
from taptest.line.records import LineReading
from taptest.statements import Key, Statement
from taptest.tank.kinds import line_shows_share

STEP_PA = 50_000.0
"""A second round is tapped half a bar higher, or lower: own judgement."""


class Settle(Key):
    """A step that settles the finding, in whole sentences; each says itself that the system has to be cold."""

    COOL_FIRST = "settle.cool first", "step"
    LOWER_TO_ONSET = "settle.lower to the onset", "mark"
    LOWER_TO_ONSET_GLYCOL = "settle.lower to the onset, glycol", "mark"
    RAISE_TO_ONSET = "settle.raise to the onset", "mark", "most_pa"
    READ_ISOLATED = "settle.read isolated"
    DRAIN = "settle.drain"
    DRAIN_GLYCOL = "settle.drain, glycol"
    FAR_SIDE = "settle.far side"
    ROUND_RAISED = "settle.second round, raised", "step_pa"
    ROUND_LOWERED = "settle.second round, lowered", "step_pa"


class Mark(Key):
    """The one mark that tells most, as a part of a sentence."""

    ABOVE_SEAM = "mark.above the seam"
    LOWEST = "mark.lowest"


def settling_step(case: Case, line: LineReading | None, onset_heard: bool = False) -> Statement:
    """Say what settles it: cold, and without a press on the air valve's pin.

    `onset_heard` says that one mark was tapped at many pressures and told its charge already.
    """
    if onset_heard:
        return cooled(case, Statement(Settle.READ_ISOLATED))
    rings = line is not None and (line.state == "all air" or rings_all_over(line))
    return cooled(case, cold_step(case, rings))


def cooled(case: Case, step: Statement) -> Statement:
    """Say a step of a hot system: it cools down first, unless the step is to tap it as it is."""
    return Statement(Settle.COOL_FIRST, {"step": step}) if is_hot(case) and step.key is not Settle.FAR_SIDE else step


def drain_step(case: Case) -> Statement:
    """Say how a measured drain is made."""
    return Statement(Settle.DRAIN_GLYCOL if case.system.fluid.share > 0.0 else Settle.DRAIN)


def cold_step(case: Case, rings: bool) -> Statement:
    """Say what settles it once it is cold; `rings` says that the shell rings all over."""
    glycol = case.system.fluid.share > 0.0
    tank = case.tank
    if not tank.clamped or tank.sideways:
        return drain_step(case)
    mark = Statement(Mark.ABOVE_SEAM if tank.hanging else Mark.LOWEST)
    if not rings:
        return Statement(Settle.LOWER_TO_ONSET_GLYCOL if glycol else Settle.LOWER_TO_ONSET, {"mark": mark})
    stop = safe_up_to_pa(case)
    if stop is not None and _room_to_rise(case) and not glycol:
        return Statement(Settle.RAISE_TO_ONSET, {"mark": mark, "most_pa": stop})
    return Statement(Settle.READ_ISOLATED)


def second_round_step(case: Case) -> Statement | None:
    """Say how a second round is tapped: the fill raised, else water let out; None where neither can be.

    Rubber, gauge zero and shell are the same in both rounds, so what one of them leaves open two often settle.
    """
    if case.tank.sideways or not line_shows_share(case.tank):
        return None
    raised = _room_to_rise(case) and case.system.fluid.share == 0.0 and is_hot(case) is False
    return Statement(Settle.ROUND_RAISED if raised else Settle.ROUND_LOWERED, {"step_pa": STEP_PA})


def _room_to_rise(case: Case) -> bool:
    """Whether half a bar more than the cold pressure stays clear of the relief setting."""
    cold, most = case.system.fill_pa if is_hot(case) else case.readings.pressure_pa, safe_up_to_pa(case)
    return cold is not None and most is not None and cold + STEP_PA <= most

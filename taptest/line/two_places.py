"""What the two ends of a line can say alone, within half a minute: three marks near each end, one tap each.

The tank's model decides: whether one tap rings or is dull says little without it, since striker, microphone and heads
colour the sound more than water does (level, tilt and ring time of the two ends named the right answer no oftener than
guessing the commonest one). What the model's posterior holds is gathered into three answers: the ends differ as water
and air do, both ring, both are dull. `python -m tests.bench.two_places` measures how often that is right.

Depths are metres below the top of the shell.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from taptest.errors import TaptestError
from taptest.line.backing import p_water_at
from taptest.line.boundary import read_line
from taptest.line.naming import SURE_ENOUGH, SURE_OF_WHOLE
from taptest.line.records import LineReading, Point
from taptest.line.remarks import FirstAnswer
from taptest.shell.records import LevelSweep
from taptest.statements import Said, Statement
from taptest.tank.kinds import Tank

Ends = Literal["differ", "both ring", "both dull", "open"]

MARKS = 3
"""Marks near each end, tapped once each: more marks tell more than more taps at one mark."""
FEWEST = 2 * MARKS + 2
"""A line with fewer marks is tapped as soon as its ends are."""
WRONG: dict[Ends, tuple[int, int]] = {"differ": (2, 166), "both ring": (4, 29), "both dull": (2, 14)}
"""How many of how many answers were wrong: both simulators and tanks of a third one (docs/method.md)."""
SAID: dict[Ends, FirstAnswer] = {
    "differ": FirstAnswer.DIFFER,
    "both ring": FirstAnswer.BOTH_RING,
    "both dull": FirstAnswer.BOTH_DULL,
}


@dataclass(frozen=True, slots=True)
class TwoPlaces:
    """What two places say."""

    ends: Ends
    said: Said
    """Whole sentences: the answer with its chance of being wrong, or why there is none, and what the line adds."""


def end_marks(depths_m: Sequence[float], tank: Tank) -> tuple[float, ...]:
    """Return the marks near both ends in the order to tap them, the water end first; none on a short line."""
    down = sorted(depths_m)
    if len(down) < FEWEST or tank.sideways:
        return ()
    top, bottom = down[:MARKS], down[-MARKS:]
    return (*top, *bottom) if tank.hanging else (*reversed(bottom), *reversed(top))


def two_places(points: Sequence[Point], tank: Tank, sweeps: Sequence[LevelSweep]) -> TwoPlaces:
    """Say what the marks near both ends tell. Without `sweeps`, and where taps cannot be read, nothing is told."""
    if not sweeps:
        return TwoPlaces("open", Statement(FirstAnswer.NO_MODEL))
    try:
        reading = read_line(points, tank, sweeps)
    except TaptestError as error:
        return TwoPlaces("open", str(error))
    if reading.unreadable is not None:
        return TwoPlaces("open", reading.unreadable.sentence)
    ends = ends_of(reading, tank)
    if ends == "open":
        return TwoPlaces(ends, Statement(FirstAnswer.OPEN))
    key = FirstAnswer.BAG_RINGS if ends == "both ring" and tank.has_bag else SAID[ends]
    wrong, of = WRONG[ends]
    return TwoPlaces(ends, Statement(key, {"wrong": wrong, "of": of}))


def ends_of(reading: LineReading, tank: Tank) -> Ends:
    """Name what the outermost points sound like where that is likely enough."""
    if reading.misfit >= 1.0:
        return "open"
    # a bag that does not touch its shell rings: it counts as air here, whatever it holds
    heard = replace(reading.posterior, p_no_contact=0.0)
    outer = reading.point_depth_m[[0, -1] if tank.hanging else [-1, 0]]
    order = np.argsort(outer)
    p_wet = np.empty(2)
    p_wet[order] = p_water_at(outer[order], heard, tank.water_end)
    chances: dict[Ends, float] = {
        "differ": float(p_wet[0] - p_wet[1]),
        "both ring": float(1.0 - p_wet[0]),
        "both dull": float(p_wet[1]),
    }
    likeliest = max(chances, key=lambda each: chances[each])
    return likeliest if chances[likeliest] >= (SURE_ENOUGH if likeliest == "differ" else SURE_OF_WHOLE) else "open"

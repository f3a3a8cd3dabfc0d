"""Which state a line is named after, or why none: from the posterior to one word and a sentence.

A state is named where it is likely enough, the line fits the model, and a boundary has a place; else a sentence says
what is open and what would help. Depths are metres below the top of the shell.
"""

import numpy as np

from taptest.line.records import BoundaryPosterior, BoundaryState
from taptest.quantities import percent
from taptest.tank.kinds import Tank

SURE_ENOUGH = 0.85
"""One boundary is named only if it has at least this probability."""
SURE_OF_WHOLE = 0.9
"""All air or all water is named only from here on: a little water at an end sounds much like none, and a failed tank
taken for a sound one costs most."""
MOSTLY_UPRIGHT = 0.7
"""The level is spoken of only where inverted pictures and two boundaries leave it at least this probability."""
SURE_OF_INVERTED = 0.5
"""A boundary with the water on the wrong side is named from here on; its prior is small enough."""
TOO_WIDE = 0.7
"""An interval over more than this share of the shell's height is no boundary found."""


def state_of(posterior: BoundaryPosterior, misfit: float, wide: bool) -> BoundaryState:
    """Name the state if it is likely enough, the line fits the model, and the boundary has a place."""
    if posterior.p_inverted >= SURE_OF_INVERTED:
        return "not found" if misfit >= 1.0 or wide else "found"
    chances: dict[BoundaryState, float] = {
        "found": posterior.p_found,
        "all air": posterior.p_all_air,
        "all water": posterior.p_all_water,
    }
    likeliest = max(chances, key=lambda name: chances[name])
    needed = SURE_ENOUGH if likeliest == "found" else SURE_OF_WHOLE
    if misfit >= 1.0 or chances[likeliest] < needed or (likeliest == "found" and wide):
        return "not found"
    return likeliest


def narrows(posterior: BoundaryPosterior, tank: Tank) -> bool:
    """Whether the span of the level is not most of the shell."""
    span = level_span_m(posterior, tank)
    return span is not None and span[1] - span[0] <= TOO_WIDE * tank.shape.height_m


def level_span_m(posterior: BoundaryPosterior, tank: Tank) -> tuple[float, float] | None:
    """Depths (m) between which the water ends with 90 % probability, all air and all water counted as the shell's ends.

    The upper one first. None where inverted pictures and two boundaries leave too little probability to the levels.
    """
    G = posterior.depth_m.size
    levels = posterior.mass + posterior.p_no_contact / G
    levels = levels if tank.hanging else levels[::-1]
    away = posterior.depth_m if tank.hanging else tank.shape.height_m - posterior.depth_m[::-1]
    reached = posterior.p_all_air + np.cumsum(levels)
    total = reached[-1] + posterior.p_all_water
    if total < MOSTLY_UPRIGHT:
        return None
    ends = np.interp(np.array([0.05, 0.95]) * total, reached, away, left=0.0, right=tank.shape.height_m)
    first, last = float(ends[0]), float(ends[1])
    return (first, last) if tank.hanging else (tank.shape.height_m - last, tank.shape.height_m - first)


def why_open(posterior: BoundaryPosterior, misfit: float, wide: bool, *, with_model: bool) -> str:
    """Say in one sentence why no state is named, and what would help."""
    if misfit >= 1.0:
        return (
            "The line sounds unlike anything the model of this tank can make: check diameter, height, wall and "
            "pressure, and that all taps sit on the marked line."
        )
    if posterior.p_inverted + posterior.p_two > 1.0 - MOSTLY_UPRIGHT:
        return "The picture along the line does not fit one boundary with the water at its own end."
    if posterior.p_no_contact > 0.05 and posterior.p_all_air + posterior.p_no_contact >= SURE_OF_WHOLE:
        return (
            "The shell rings behind every mark: the tank holds no water, or its bag holds some and does not touch the "
            "shell. Taps cannot tell which; weigh the tank or measure a drain."
        )
    contrast = _no_contrast(posterior, with_model)
    if contrast:
        return contrast
    if wide and posterior.p_found >= SURE_ENOUGH:
        return (
            "There is a boundary, but the taps do not place it: its interval covers most of the shell. Tap more "
            "points, with the microphone nearer."
        )
    return (
        f"The taps leave it open: one boundary {percent(posterior.p_found)}, all air "
        f"{percent(posterior.p_all_air)}, all water {percent(posterior.p_all_water)}. Tap more points, "
        "and points near both ends."
    )


def _no_contrast(posterior: BoundaryPosterior, with_model: bool) -> str:
    """Say that nothing changes along the line, and that this leaves open what backs the shell; "" where it does not."""
    if not with_model and posterior.p_all_air + posterior.p_all_water > 0.5:
        return (
            "The sound hardly changes along the line, so one thing may back the shell all through; without a model "
            "of the tank it cannot be said whether air or water."
        )
    if posterior.p_all_air + posterior.p_all_water >= SURE_OF_WHOLE:
        return (
            "The sound shows no boundary along the line, and it leaves open whether air or water backs the shell all "
            f"through (air {percent(posterior.p_all_air)}, water {percent(posterior.p_all_water)}). Feel whether the "
            "tank is heavy, or tap it again cold and hot: a tank with air takes in water as the system heats, and its "
            "sound changes."
        )
    return ""


def pictures(posterior: BoundaryPosterior) -> list[str]:
    """Sentences on pictures that one boundary cannot explain."""
    said: list[str] = []
    if posterior.p_inverted > 0.3:
        said.append(
            f"The picture looks inverted ({percent(posterior.p_inverted)}): the shell rings at the water end and is "
            "dull at the air end, as with a failed membrane."
        )
    if posterior.p_two > 0.3:
        said.append(
            f"Two boundaries fit better than one ({percent(posterior.p_two)}): a strap, a seam or a pocket may lie on "
            "the line."
        )
    return said

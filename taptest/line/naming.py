"""Which state a line is named after, or why none: from the posterior to one word and a statement.

A state is named where it is likely enough, the line fits the model, and a boundary has a place; else a statement says
what is open and what would help. Depths are metres below the top of the shell.
"""

import numpy as np

from taptest.line.records import BoundaryPosterior, BoundaryState
from taptest.line.remarks import LineRemark
from taptest.statements import Statement
from taptest.tank.kinds import Tank

SURE_ENOUGH = 0.85
"""One boundary is named only if it has at least this probability."""
SURE_OF_WHOLE = 0.9
"""All air or all water is named only from here on: a little water at an end sounds much like none, and calling a failed
tank healthy costs most."""
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


def why_open(posterior: BoundaryPosterior, misfit: float, wide: bool, *, with_model: bool) -> Statement:
    """Say why no state is named, and what would help."""
    if misfit >= 1.0:
        return Statement(LineRemark.UNLIKE_MODEL)
    if posterior.p_inverted + posterior.p_two > 1.0 - MOSTLY_UPRIGHT:
        return Statement(LineRemark.NOT_ONE_BOUNDARY)
    if posterior.p_no_contact > 0.05 and posterior.p_all_air + posterior.p_no_contact >= SURE_OF_WHOLE:
        return Statement(LineRemark.RINGS_ALL_OVER)
    contrast = _no_contrast(posterior, with_model)
    if contrast is not None:
        return contrast
    if wide and posterior.p_found >= SURE_ENOUGH:
        return Statement(LineRemark.NOT_PLACED)
    shares = {"boundary_share": posterior.p_found, **_whole_shares(posterior)}
    return Statement(LineRemark.LEFT_OPEN, shares)


def _whole_shares(posterior: BoundaryPosterior) -> dict[str, float]:
    return {"air_share": posterior.p_all_air, "water_share": posterior.p_all_water}


def _no_contrast(posterior: BoundaryPosterior, with_model: bool) -> Statement | None:
    """Say that nothing changes along the line, which leaves open what backs the shell; None where something does."""
    if not with_model and posterior.p_all_air + posterior.p_all_water > 0.5:
        return Statement(LineRemark.NO_CONTRAST)
    if posterior.p_all_air + posterior.p_all_water >= SURE_OF_WHOLE:
        return Statement(LineRemark.NO_CONTRAST_WITH_MODEL, _whole_shares(posterior))
    return None


def pictures(posterior: BoundaryPosterior) -> list[Statement]:
    """Tell of pictures that one boundary cannot explain."""
    said: list[Statement] = []
    if posterior.p_inverted > 0.3:
        said.append(Statement(LineRemark.INVERTED, {"inverted_share": posterior.p_inverted}))
    if posterior.p_two > 0.3:
        said.append(Statement(LineRemark.TWO_BOUNDARIES, {"two_share": posterior.p_two}))
    return said

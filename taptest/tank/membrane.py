"""The older bounds on where the wetted wall ends for a share of water, and back: between a plane and its mirror image.

What is used for judging is `tank.contact`, which keeps these at a small probability and builds on their geometry.

A plain tank has a level. A bag leans on the lower shell about up to its level, with some water hidden in its collapsed
upper part. A diaphragm is clamped at the seam and, with no water, lies on the shell of the water end. Water lifts it
off from the pole; its form in between is not known, only bounds: a plane through the boundary (least water) and its
own mirror image behind that plane (twice as much). A `mixing` of 0 stands for the plane, 1 for the mirror image; where
a single number is wanted the bounds are taken, where an uncertainty is wanted it is drawn. Past the seam the rest of
the air shrinks along the other half of the shell. No published description of the boundary was found: these are bounds
by reasoning.

Shares are 0..1 of the inner volume, depths metres below the top of the shell; all arguments broadcast against each
other.
"""

from typing import assert_never

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import PhysicsError
from taptest.tank.kinds import Tank, line_shows_share
from taptest.tank.shape import Shape, depth_of_volume_above_m3, volume_above_m3

FloatArray = NDArray[np.float64]

BAG_HIDDEN_SHARE = 0.05
"""Largest share of water hidden in the collapsed part of a half-full bag: our own judgement, no source."""


def boundary_depth_m(tank: Tank, water_share: ArrayLike, mixing: ArrayLike = 0.5) -> FloatArray:
    """Depth at which the wetted wall ends, for a water share (clipped to 0..1) and a mixing (0 plane, 1 mirror image).

    No water gives the pole of the water end, a full tank the other pole. Raises `PhysicsError` for a lying diaphragm
    tank, whose boundary does not run across a line from top to bottom, and for an open tank.
    """
    refuse_without_share(tank)
    share = np.clip(np.asarray(water_share, dtype=np.float64), 0.0, 1.0)
    mix = np.asarray(mixing, dtype=np.float64)
    match tank.kind:
        case "diaphragm":
            shell_share = _diaphragm_shell_share(share, mix, _seam_share(tank))
        case "bladder":
            shell_share = _bag_shell_share(share, mix)
        case "plain" | "open":
            shell_share = share + 0.0 * mix
        case _:
            assert_never(tank.kind)
    return _depth_of_shell_share(tank, shell_share)


def water_share_at_depth(tank: Tank, depth_m: ArrayLike, mixing: ArrayLike = 0.5) -> FloatArray:
    """Share of water whose wetted wall ends at a depth: the inverse of `boundary_depth_m`."""
    refuse_without_share(tank)
    shell_share = _shell_share_of_depth(tank, np.asarray(depth_m, dtype=np.float64))
    mix = np.asarray(mixing, dtype=np.float64)
    match tank.kind:
        case "diaphragm":
            return _diaphragm_water_share(shell_share, mix, _seam_share(tank))
        case "bladder":
            hidden = 4 * BAG_HIDDEN_SHARE * mix
            return np.asarray(shell_share * (1 + hidden) - hidden * shell_share**2)
        case "plain" | "open":
            return np.asarray(shell_share + 0.0 * mix)
        case _:
            assert_never(tank.kind)


def water_share_bounds(tank: Tank, depth_m: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Least and greatest share of water whose wetted wall can end at a depth."""
    return water_share_at_depth(tank, depth_m, 0.0), water_share_at_depth(tank, depth_m, 1.0)


def boundary_depth_bounds_m(tank: Tank, water_share: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Least and greatest depth (in metres, not by mixing) at which the wetted wall can end for a share of water."""
    plane, mirror = boundary_depth_m(tank, water_share, 0.0), boundary_depth_m(tank, water_share, 1.0)
    return np.minimum(plane, mirror), np.maximum(plane, mirror)


def torn_level_depth_m(shape: Shape, water_share: ArrayLike) -> FloatArray:
    """Depth of the level in a tank whose membrane is torn: air on top, water below, whichever end is connected."""
    share = np.clip(np.asarray(water_share, dtype=np.float64), 0.0, 1.0)
    return depth_of_volume_above_m3(shape, (1 - share) * shape.volume_m3)


def from_water_end(tank: Tank, depth_m: ArrayLike) -> FloatArray:
    """Return distances from the pole of the water end for depths below the top of the shell, and back."""
    depth = np.asarray(depth_m, dtype=np.float64)
    return depth if tank.hanging else np.asarray(tank.shape.height_m - depth)


def refuse_without_share(tank: Tank) -> None:
    """Raise `PhysicsError` for a tank whose line does not show how much water it holds."""
    if not line_shows_share(tank):
        what = "an open tank has no air charge" if not tank.charged else "a diaphragm that lies moves along the axis"
        raise PhysicsError(
            f"The boundary on a line from top to bottom says nothing about the water held in this tank, since {what}:"
            " judge it without the level."
        )


def _shell_share_of_depth(tank: Tank, depth: FloatArray) -> FloatArray:
    """Share of the volume between the water end and a depth; both heads are alike, so one function serves both ends."""
    reach = from_water_end(tank, depth)
    return np.asarray(np.clip(volume_above_m3(tank.shape, reach) / tank.shape.volume_m3, 0.0, 1.0))


def _depth_of_shell_share(tank: Tank, share: FloatArray) -> FloatArray:
    return from_water_end(tank, depth_of_volume_above_m3(tank.shape, share * tank.shape.volume_m3))


def _seam_share(tank: Tank) -> float:
    """Share of the shell's volume on the water end's side of the seam; half where the seam is not known."""
    if tank.seam_depth_m is None:
        return 0.5
    return float(np.clip(_shell_share_of_depth(tank, np.asarray(tank.seam_depth_m)), 0.05, 0.95))


def _diaphragm_water_share(shell_share: FloatArray, mixing: FloatArray, seam: float) -> FloatArray:
    lifted = np.minimum(1.0, (1 + mixing) * shell_share)
    air_at_seam = np.maximum(0.0, 1 - (1 + mixing) * seam)
    past = 1 - (1 - shell_share) * air_at_seam / (1 - seam)
    return np.asarray(np.where(shell_share <= seam, lifted, past))


def _diaphragm_shell_share(share: FloatArray, mixing: FloatArray, seam: float) -> FloatArray:
    at_seam = np.minimum(1.0, (1 + mixing) * seam)
    before = share / (1 + mixing)
    air_at_seam = 1 - at_seam
    with np.errstate(divide="ignore", invalid="ignore"):
        past = 1 - (1 - share) * (1 - seam) / np.where(air_at_seam > 0, air_at_seam, 1.0)
    # A full tank wets the whole shell, also where the mirror image reaches that volume at the seam already.
    return np.asarray(np.where(share >= 1.0, 1.0, np.where(share <= at_seam, before, past)))


def _bag_shell_share(share: FloatArray, mixing: FloatArray) -> FloatArray:
    """Inverse of share = shell (1 + hidden) - hidden shell^2."""
    hidden = np.maximum(4 * BAG_HIDDEN_SHARE * mixing, 1e-9)
    root = np.sqrt(np.maximum((1 + hidden) ** 2 - 4 * hidden * share, 0.0))
    # The stable form of the smaller root: no difference of nearly equal numbers where little is hidden.
    return np.asarray(2 * share / (1 + hidden + root))

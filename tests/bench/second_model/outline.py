"""The meridian of a standing shell of revolution: where its middle surface runs, and how it is cut into elements.

Heads are torispherical (crown radius 1 x, knuckle radius 0.06 x the inner diameter) or 2:1 ellipsoidal, as
docs/visit-format.md and `taptest.tank.shape` describe them. The arc length s runs from the upper pole to the lower one.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taptest.tank.shape import CROWN_FACTOR, KNUCKLE_FACTOR, Shape

FloatArray = NDArray[np.float64]
_SAMPLES = 2001


@dataclass(frozen=True, slots=True)
class Piece:
    """A smooth piece of the meridian as a table; all arrays (N,) and ascending in s."""

    s: FloatArray
    """Arc length, m."""
    r: FloatArray
    """Distance from the axis, m."""
    z: FloatArray
    """Depth, m."""
    slope: FloatArray
    """Angle of the tangent below the horizontal, rad: 0 at the upper pole, pi/2 on the cylinder."""
    curvature: FloatArray
    """Derivative of the slope by arc length, 1/m."""


@dataclass(frozen=True)
class Outline:
    """The whole meridian, piece by piece from the upper pole to the lower one."""

    pieces: tuple[Piece, ...]

    @cached_property
    def length(self) -> float:
        """Arc length from pole to pole, m."""
        return float(self.pieces[-1].s[-1])

    @property
    def joints(self) -> FloatArray:
        """(P + 1,) arc lengths at which pieces begin and end, m."""
        return np.array([self.pieces[0].s[0], *(piece.s[-1] for piece in self.pieces)])

    def s_of_depth(self, depth: float) -> float:
        """Arc length at a depth, m."""
        s = np.concatenate([piece.s for piece in self.pieces])
        z = np.concatenate([piece.z for piece in self.pieces])
        return float(np.interp(depth, z, s))

    def at(self, s: FloatArray) -> Piece:
        """Give the meridian at arc lengths (N,); on a joint the piece above counts."""
        which = np.clip(np.searchsorted(self.joints, s, side="left") - 1, 0, len(self.pieces) - 1)
        out = np.zeros((4, s.size))
        for number, piece in enumerate(self.pieces):
            here = which == number
            for row, table in enumerate((piece.r, piece.z, piece.slope, piece.curvature)):
                out[row, here] = np.interp(s[here], piece.s, table)
        return Piece(s, *out)


def outline_of(shape: Shape) -> Outline:
    """Return the middle surface of a standing shell."""
    top = _torispherical(shape) if shape.head == "torispherical" else _ellipsoidal(shape)
    upper, height = top[-1], shape.height_m
    low = [_mirrored(piece, height) for piece in reversed(top)]
    pieces = [*top]
    if shape.straight_m > 0:
        pieces.append(straight_piece(float(upper.r[-1]), float(upper.z[-1]), height - float(upper.z[-1])))
    joined: list[Piece] = []
    start = 0.0
    for piece in (*pieces, *low):
        joined.append(Piece(piece.s - piece.s[0] + start, piece.r, piece.z, piece.slope, piece.curvature))
        start = float(joined[-1].s[-1])
    return Outline(tuple(joined))


def straight_piece(radius: float, top: float, bottom: float) -> Piece:
    """Return a cylinder of `radius` between two depths."""
    z = np.linspace(top, bottom, 2)
    one = np.ones(2)
    return Piece(z - top, radius * one, z, np.pi / 2 * one, 0.0 * one)


def element_edges(outline: Outline, longest: float, marks: list[float]) -> FloatArray:
    """(E + 1,) arc lengths of element ends: on every joint and mark, and nowhere farther apart than `longest`.

    The knuckle of a torispherical head gets at least three elements: its curvature changes how it bends.
    """
    fixed = np.unique(np.round([*outline.joints, *marks], 7))
    edges = [fixed[:1]]
    for start, end in pairwise(fixed):
        if end - start < 2e-4:
            continue
        bend = float(outline.at(np.array([(start + end) / 2])).curvature[0])
        count = max(int(np.ceil((end - start) / longest)), int(np.ceil(bend * (end - start) / 0.4)))
        edges.append(np.linspace(edges[-1][-1], end, count + 1)[1:])
    return np.concatenate(edges)


def _torispherical(shape: Shape) -> list[Piece]:
    """Crown and knuckle of the upper head, each with its own arc."""
    inner, wall = shape.inner_diameter_m, shape.wall_m
    crown, knuckle = CROWN_FACTOR * inner + wall / 2, KNUCKLE_FACTOR * inner + wall / 2
    ring = inner / 2 - KNUCKLE_FACTOR * inner
    meeting = float(np.arcsin(ring / ((CROWN_FACTOR - KNUCKLE_FACTOR) * inner)))
    first = np.linspace(0.0, meeting, _SAMPLES)
    second = np.linspace(meeting, np.pi / 2, _SAMPLES)
    one = np.ones(_SAMPLES)
    edge = wall + shape.head_depth_m
    return [
        Piece(crown * first, crown * np.sin(first), wall / 2 + crown * (1 - np.cos(first)), first, one / crown),
        Piece(
            knuckle * second, ring + knuckle * np.sin(second), edge - knuckle * np.cos(second), second, one / knuckle
        ),
    ]


def _ellipsoidal(shape: Shape) -> list[Piece]:
    """Upper head as an ellipse through pole and edge; its arc length by the trapezium rule."""
    wide = (shape.inner_diameter_m + shape.wall_m) / 2
    high = shape.head_depth_m + shape.wall_m / 2
    turn = np.linspace(0.0, np.pi / 2, 2 * _SAMPLES)
    speed = np.hypot(wide * np.cos(turn), high * np.sin(turn))
    s = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(turn))])
    slope = np.arctan2(high * np.sin(turn), wide * np.cos(turn))
    z = shape.wall_m / 2 + high * (1 - np.cos(turn))
    return [Piece(s, wide * np.sin(turn), z, slope, wide * high / speed**3)]


def _mirrored(piece: Piece, height: float) -> Piece:
    """Give the like piece at the other end of a shell of some height, m."""
    s = piece.s[-1] - piece.s[::-1]
    return Piece(s, piece.r[::-1], height - piece.z[::-1], np.pi - piece.slope[::-1], piece.curvature[::-1])

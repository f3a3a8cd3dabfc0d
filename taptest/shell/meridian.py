"""The meridian of a shell of revolution and its mesh.

Goal: radius, height, slope and curvature of the wall's middle surface at any arc length, for a cylinder with two like
heads and for parts of it, with all derivatives exact, so that strains, membrane forces and the fluid's wall see the
real shape.

Conventions: arc length s runs from the first pole (or edge) to the last; y is the height along the axis counted from
there, growing with s; r is the radius. The tangent is (dr, dy)/ds = (cos a, sin a) with the slope a growing from 0 at
the first pole through pi/2 on the cylinder to pi at the last pole; the outward normal is (sin a, -cos a); the
curvature k1 = da/ds is 1/R1 (positive where the wall bulges outward). All lengths in metres.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.tank.shape import CROWN_FACTOR, KNUCKLE_FACTOR

FloatArray = NDArray[np.float64]

SAME_NODE = 0.02
"""Places nearer to each other than this share of an element are one node."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """The middle surface at some arc lengths; all arrays of one shape."""

    radius_m: FloatArray
    height_m: FloatArray
    slope_rad: FloatArray
    curvature_1_m: FloatArray
    """Meridional curvature 1/R1."""
    curvature_rate_1_m2: FloatArray
    """Its derivative along the arc."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A smooth piece of the meridian: its arc length and its geometry as a function of the arc length inside it."""

    length_m: float
    at: Callable[[FloatArray], Geometry]


@dataclass(frozen=True, slots=True)
class Meridian:
    """Segments joined end to end."""

    segments: tuple[Segment, ...]

    @property
    def joints_m(self) -> FloatArray:
        """(S+1,) arc lengths at which segments begin and end."""
        return np.concatenate([[0.0], np.cumsum([part.length_m for part in self.segments])])

    @property
    def length_m(self) -> float:
        """Arc length of the whole."""
        return float(self.joints_m[-1])

    def within(self, segment: NDArray[np.int64], s_m: FloatArray) -> Geometry:
        """Geometry at arc lengths (N, ...) of elements known to lie in the segments (N,)."""
        out = np.empty((5, *s_m.shape))
        for index, part in enumerate(self.segments):
            rows = segment == index
            if np.any(rows):
                got = part.at(s_m[rows] - self.joints_m[index])
                out[:, rows] = (
                    got.radius_m,
                    got.height_m,
                    got.slope_rad,
                    got.curvature_1_m,
                    got.curvature_rate_1_m2,
                )
        return Geometry(out[0], out[1], out[2], out[3], out[4])

    def geometry(self, s_m: FloatArray) -> Geometry:
        """Geometry at any arc lengths (N,); at a joint that of the piece before it."""
        s_m = np.asarray(s_m, dtype=np.float64)
        segment = np.clip(np.searchsorted(self.joints_m, s_m, side="left") - 1, 0, len(self.segments) - 1)
        return self.within(segment, s_m)

    @property
    def height_m(self) -> float:
        """Height of the last end above the first."""
        return float(self.geometry(np.array([self.length_m])).height_m[0])

    def arc_at_height(self, y_m: FloatArray) -> FloatArray:
        """Arc length at heights (N,), clipped to the ends; on a flat head the outer edge."""
        table_s = np.unique(np.concatenate([np.linspace(0.0, self.length_m, 8001), self.joints_m]))
        table_y = np.maximum.accumulate(self.geometry(table_s).height_m)
        y_m = np.asarray(y_m, dtype=np.float64)
        flat = np.diff(table_y, prepend=table_y[0] - 1.0) > 0
        first_flat = np.flatnonzero(table_y <= table_y[0])[-1]
        flat[:first_flat], flat[first_flat] = False, True
        s = np.interp(np.clip(y_m, table_y[0], table_y[-1]), table_y[flat], table_s[flat])
        for _ in range(3):
            here = self.geometry(s)
            slope = np.sin(here.slope_rad)
            step = np.where(slope > 0.02, (y_m - here.height_m) / np.maximum(slope, 0.02), 0.0)
            s = np.clip(s + np.clip(step, -1e-3, 1e-3), 0.0, self.length_m)
        return np.asarray(s)


def _line(radius_m: float, height_m: float, slope_rad: float, length_m: float) -> Segment:
    """Return a straight generator starting at (radius, height)."""

    def at(s: FloatArray) -> Geometry:
        zero = np.zeros_like(s)
        return Geometry(
            radius_m + s * np.cos(slope_rad), height_m + s * np.sin(slope_rad), zero + slope_rad, zero, zero.copy()
        )

    return Segment(length_m, at)


def _arc(centre_r_m: float, centre_y_m: float, radius_m: float, first_slope: float, last_slope: float) -> Segment:
    """Return a circular arc of the given radius between two slopes."""

    def at(s: FloatArray) -> Geometry:
        a = first_slope + s / radius_m
        zero = np.zeros_like(s)
        return Geometry(
            centre_r_m + radius_m * np.sin(a),
            centre_y_m - radius_m * np.cos(a),
            a,
            zero + 1.0 / radius_m,
            zero,
        )

    return Segment((last_slope - first_slope) * radius_m, at)


def _quarter_ellipse(a: float, b: float) -> Segment:
    """Return a quarter ellipse from the pole (0, 0) to the equator (a, b)."""
    from scipy.interpolate import CubicHermiteSpline

    t = np.linspace(0.0, np.pi / 2, 1601)
    node, weight = np.polynomial.legendre.leggauss(4)
    fine = t[:-1, None] + (node + 1.0) * 0.5 * np.diff(t)[:, None]
    piece = np.hypot(a * np.cos(fine), b * np.sin(fine)) @ weight * 0.5 * np.diff(t)
    arc = np.concatenate([[0.0], np.cumsum(piece)])
    angle = CubicHermiteSpline(arc, t, 1.0 / np.hypot(a * np.cos(t), b * np.sin(t)))

    def at(s: FloatArray) -> Geometry:
        t = angle(s)
        sine, cosine = np.sin(t), np.cos(t)
        q = (a * cosine) ** 2 + (b * sine) ** 2
        rate = 3.0 * a * b * (a * a - b * b) * sine * cosine / q**2.5
        return Geometry(
            a * sine, b * (1.0 - cosine), np.arctan2(b * sine, a * cosine), a * b / q**1.5, rate / np.sqrt(q)
        )

    return Segment(float(arc[-1]), at)


def _mirrored(part: Segment, height_m: float) -> Segment:
    """Return the segment seen from the other end of a shell of that height."""

    def at(s: FloatArray) -> Geometry:
        got = part.at(part.length_m - s)
        return Geometry(
            got.radius_m,
            height_m - got.height_m,
            np.pi - got.slope_rad,
            got.curvature_1_m,
            -got.curvature_rate_1_m2,
        )

    return Segment(part.length_m, at)


def head_segments(kind: str, radius_m: float, wall_m: float = 0.0) -> tuple[tuple[Segment, ...], float]:
    """Return the pieces of a head from its pole to the cylinder, and the head's height.

    `radius_m` is that of the cylinder's middle surface. Proportions (2:1, crown and knuckle) are those of the inner
    surface, half a wall inside, as in `tank.shape`; without `wall_m` those of the middle surface itself.
    Raises PhysicsError for an unknown kind.
    """
    half = 0.5 * wall_m
    if kind == "flat":
        return (_line(0.0, 0.0, 0.0, radius_m),), 0.0
    if kind == "hemispherical":
        return (_arc(0.0, radius_m, radius_m, 0.0, np.pi / 2),), radius_m
    if kind == "ellipsoidal":
        rise = 0.5 * (radius_m - half) + half
        return (_quarter_ellipse(radius_m, rise),), rise
    if kind == "torispherical":
        inner = 2.0 * (radius_m - half)
        crown, knuckle = CROWN_FACTOR * inner + half, KNUCKLE_FACTOR * inner + half
        meet = float(np.arcsin((radius_m - knuckle) / (crown - knuckle)))
        centre_y = crown - (crown - knuckle) * float(np.cos(meet))
        parts = (
            _arc(0.0, crown, crown, 0.0, meet),
            _arc(radius_m - knuckle, centre_y, knuckle, meet, np.pi / 2),
        )
        return parts, centre_y
    raise PhysicsError(f"The head '{kind}' is not known; use ellipsoidal, torispherical, hemispherical or flat.")


def closed_shell(kind: str, radius_m: float, straight_m: float, wall_m: float = 0.0) -> Meridian:
    """Return the meridian of a cylinder of that middle-surface radius with two like heads (see `head_segments`)."""
    head, rise = head_segments(kind, radius_m, wall_m)
    if kind == "flat":
        straight_m += wall_m
    total = 2.0 * rise + straight_m
    wall = (_line(radius_m, rise, np.pi / 2, straight_m),) if straight_m > 0 else ()
    return Meridian((*head, *wall, *(_mirrored(part, total) for part in reversed(head))))


def open_cylinder(radius_m: float, length_m: float) -> Meridian:
    """Return the meridian of a cylinder without heads."""
    return Meridian((_line(radius_m, 0.0, np.pi / 2, length_m),))


@dataclass(frozen=True, slots=True)
class Mesh:
    """Elements along the meridian: E elements, E+1 nodes."""

    meridian: Meridian
    node_m: FloatArray
    """(E+1,) arc lengths."""
    segment: NDArray[np.int64]
    """(E,) segment of each element."""

    @property
    def length_m(self) -> FloatArray:
        """(E,) element lengths."""
        return np.diff(self.node_m)


def mesh_of(meridian: Meridian, size_m: float, breaks_m: FloatArray | None = None) -> Mesh:
    """Cut a meridian into elements no longer than `size_m`, shorter where it bends sharply.

    `breaks_m` are arc lengths that must be nodes; those nearer to another than `SAME_NODE` are taken as that one.
    """
    wanted = [] if breaks_m is None else list(np.asarray(breaks_m, dtype=np.float64))
    stops = list(meridian.joints_m)
    apart = SAME_NODE * size_m
    for stop in sorted(wanted):
        if 0.0 < stop < meridian.length_m and np.min(np.abs(np.array(stops) - stop)) > apart:
            stops.append(stop)
    stops = sorted(stops)
    nodes, segment = [0.0], []
    for start, end in pairwise(stops):
        index = int(np.clip(np.searchsorted(meridian.joints_m, 0.5 * (start + end)) - 1, 0, len(meridian.segments) - 1))
        sample = np.linspace(start, end, 33)
        bend = meridian.within(np.full(33, index), sample).curvature_1_m
        density = np.maximum(1.0 / size_m, np.abs(bend) / 0.2)
        growth = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(sample))])
        count = max(1, int(np.ceil(growth[-1])))
        cuts = np.interp(np.linspace(0.0, growth[-1], count + 1), growth, sample)
        nodes += [*cuts[1:-1], end]
        segment += [index] * count
    return Mesh(meridian, np.array(nodes), np.array(segment, dtype=np.int64))

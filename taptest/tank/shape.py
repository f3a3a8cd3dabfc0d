"""Shape of a shell of revolution with two like heads: height, volume and tape position.

Depths are metres below the top of the shell, measured vertically on the outside; volumes are inner volumes in cubic
metres; the inner diameter is the outer one less two walls. Heads are described by their inner surface: 2:1 ellipsoidal
(depth a quarter of the inner diameter), hemispherical, flat, and torispherical with the proportions of the ASME
flanged and dished head (crown radius 1 x, knuckle radius 0.06 x the inner diameter). Arrays of depths or volumes may
have any shape; scalars give zero-dimensional arrays.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import PhysicsError
from taptest.statements import Statement
from taptest.tank.remarks import HeadName, ShapeRemark

FloatArray = NDArray[np.float64]
Axis = Literal["vertical", "horizontal"]
HeadKind = Literal["ellipsoidal", "torispherical", "hemispherical", "flat"]
HEAD_NAMES: dict[HeadKind, HeadName] = {
    "ellipsoidal": HeadName.ELLIPSOIDAL,
    "torispherical": HeadName.TORISPHERICAL,
    "hemispherical": HeadName.HEMISPHERICAL,
    "flat": HeadName.FLAT,
}

CROWN_FACTOR = 1.0
"""Crown radius of a torispherical head over the inner diameter (ASME flanged and dished)."""
KNUCKLE_FACTOR = 0.06
"""Knuckle radius of a torispherical head over the inner diameter (ASME flanged and dished)."""
HEAD_VOLUME_SLACK = 0.05
"""Share by which a volume worked out from tape readings may differ from the plate's with the right heads."""
CONNECTION_M = (0.015, 0.08)
"""Length of a connection that may have been measured with the height; common practice, no source."""

VOLUME_LIMITS_M3 = (0.0005, 20.0)
DIAMETER_LIMITS_M = (0.05, 4.0)
HEIGHT_LIMITS_M = (0.05, 12.0)
WALL_LIMITS_M = (0.0003, 0.04)
SLENDERNESS_LIMITS = (0.15, 12.0)
"""Overall length over diameter: from pancake tanks to the longest plain tanks; common practice, no source."""
VOLUME_MISMATCH_REFUSED = 0.25
"""Relative difference between the stated volume and that of the dimensions beyond which one of them must be wrong."""
TYPICAL_HEIGHT_OVER_DIAMETER = 1.3
TYPICAL_LENGTH_OVER_DIAMETER = 3.0
"""Overall height of a standing tank, length of a lying one, over its diameter: common practice, no source."""
_TABLE_SIZE = 4097


@dataclass(frozen=True, slots=True)
class Shape:
    """A cylinder with two like heads; the axis stands or lies."""

    axis: Axis
    diameter_m: float
    """Outer diameter."""
    straight_m: float
    """Length of the cylindrical part."""
    head: HeadKind
    wall_m: float
    """Wall thickness of shell and heads."""

    def __post_init__(self) -> None:
        """Refuse what cannot be a vessel (`PhysicsError`)."""
        if self.head not in get_args(HeadKind):
            raise PhysicsError(f"The head is given as {self.head!r}: use one of {', '.join(get_args(HeadKind))}.")
        if self.axis not in get_args(Axis):
            raise PhysicsError(
                f"The axis is given as {self.axis!r}: use vertical (standing or hanging) or horizontal (lying)."
            )
        if not (self.wall_m > 0 and self.diameter_m > 2 * self.wall_m and self.straight_m >= 0):
            raise PhysicsError(
                f"A tank of {_mm(self.diameter_m)} diameter, {_mm(self.wall_m)} wall and {_mm(self.straight_m)}"
                " straight length"
                " cannot be: the diameter must exceed two walls and no length may be negative. Check these three"
                " values."
            )

    @property
    def inner_diameter_m(self) -> float:
        """Outer diameter less two walls."""
        return self.diameter_m - 2 * self.wall_m

    @property
    def head_depth_m(self) -> float:
        """Inner depth of one head."""
        return head_depth_m(self.head, self.inner_diameter_m)

    @property
    def length_m(self) -> float:
        """Overall outer length along the axis."""
        return self.straight_m + 2 * (self.head_depth_m + self.wall_m)

    @property
    def height_m(self) -> float:
        """Vertical extent of the shell: its length where it stands, its outer diameter where it lies."""
        return self.length_m if self.axis == "vertical" else self.diameter_m

    @property
    def volume_m3(self) -> float:
        """Total inner volume."""
        return _cylinder_volume(self) + 2 * head_volume_m3(self.head, self.inner_diameter_m)


@dataclass(frozen=True, slots=True)
class Meridian:
    """The outline of a shell from pole to pole, evenly spaced in arc length."""

    axial_m: FloatArray
    """(N,) distance along the axis from the outer pole of the first head (the top one of a standing tank)."""
    radius_m: FloatArray
    """(N,) distance from the axis."""
    arc_m: FloatArray
    """(N,) arc length from the first pole."""


def head_depth_m(head: HeadKind, inner_diameter_m: float) -> float:
    """Inner depth of a head; torispherical by Jones (2011), depth = f D - sqrt((f D - k D)^2 - (D/2 - k D)^2)."""
    if head == "ellipsoidal":
        return inner_diameter_m / 4
    if head == "hemispherical":
        return inner_diameter_m / 2
    if head == "flat":
        return 0.0
    crown, knuckle = CROWN_FACTOR, KNUCKLE_FACTOR
    return inner_diameter_m * float(crown - np.sqrt((crown - knuckle) ** 2 - (0.5 - knuckle) ** 2))


def head_volume_m3(head: HeadKind, inner_diameter_m: float) -> float:
    """Inner volume of one head."""
    return float(_head_volume_within(head, inner_diameter_m, np.asarray(head_depth_m(head, inner_diameter_m))))


def volume_above_m3(shape: Shape, depth_m: ArrayLike) -> FloatArray:
    """Inner volume of the part of the shell that lies above a depth.

    `depth_m`: any shape, metres below the top of the shell; depths outside the shell are taken as its ends. Exact for
    standing tanks and for lying tanks with ellipsoidal, hemispherical or flat heads; lying torispherical heads come
    from a table (1e-7). Source of the formulas: D. Jones, "Computing Fluid Tank Volumes"; torispherical by integrating
    the two arcs.
    """
    depth = np.asarray(depth_m, dtype=np.float64)
    if shape.axis == "horizontal" and shape.head == "torispherical":
        depths, volumes = _table(shape)
        return np.asarray(np.interp(_angle(shape, depth), _angle(shape, depths), volumes))
    return _volume_above_exact(shape, depth)


def depth_of_volume_above_m3(shape: Shape, volume_m3: ArrayLike) -> FloatArray:
    """Depth above which the given inner volume lies: the inverse of `volume_above_m3`.

    `volume_m3`: any shape. A volume of zero or less gives 0 (the top), one of the whole tank or more gives the height.
    By interpolation in a table of 4,097 depths, dense towards both ends; the error stays below 1e-5 of the height.
    """
    depths, volumes = _table(shape)
    volume = np.asarray(volume_m3, dtype=np.float64)
    inside = np.interp(volume, volumes, depths)
    return np.asarray(np.where(volume <= 0, 0.0, np.where(volume >= volumes[-1], shape.height_m, inside)))


def meridian(shape: Shape, count: int, below_outside_m: float = 0.0) -> Meridian:
    """Outline of the shell from pole to pole in `count` points evenly spaced in arc length.

    `below_outside_m` moves the outline inwards, at right angles to the surface: 0 is the outer surface, half a wall
    the middle surface of the shell model, a whole wall the inner surface. `axial_m` keeps counting from the outer
    pole.
    """
    if count < 3:
        raise PhysicsError(f"An outline of {count} points cannot show a shell: ask for at least 3.")
    axial, radius = _outline(shape, shape.wall_m - below_outside_m)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(axial), np.diff(radius)))])
    even = np.linspace(0.0, arc[-1], count)
    return Meridian(np.interp(even, arc, axial), np.interp(even, arc, radius), even)


def resolve_shape(
    *,
    volume_m3: float | None = None,
    diameter_m: float | None = None,
    height_m: float | None = None,
    wall_m: float | None = None,
    head: HeadKind | None = None,
    straight_length_m: float | None = None,
    axis: Axis | None = None,
    reaches_m: float = 0.0,
) -> tuple[Shape, tuple[Statement, ...]]:
    """Shape of a tank from what is known of it, and a statement for each assumption made.

    `height_m` is the vertical extent: of a lying tank its diameter. `reaches_m` is how far below its top the shell was
    marked, so that it cannot end above. Raises `PhysicsError` where too little is known,
    where a size is absurd, or where the volume differs from that of the dimensions by more than a quarter.
    """
    _check_sizes(volume_m3, diameter_m, height_m, wall_m, straight_length_m)
    notes: list[Statement] = []
    if axis is None:
        axis = "vertical"
        notes.append(Statement(ShapeRemark.UPRIGHT))
    length = height_m
    if axis == "horizontal":
        diameter_m, length = _lying_diameter(diameter_m, height_m), None
    if wall_m is None:
        wall_m = 0.0015 if (volume_m3 or 0.0) < 0.06 and (diameter_m or 0.0) < 0.45 else 0.003
        notes.append(Statement(ShapeRemark.USUAL_WALL, {"wall_m": wall_m}))
    if head is None:
        head = _likely_head(diameter_m, length, straight_length_m, wall_m, volume_m3)
        notes.append(Statement(ShapeRemark.USUAL_HEADS, {"head": Statement(HEAD_NAMES[head])}))
    shape = _fill_in(axis, head, wall_m, (volume_m3, diameter_m, length, straight_length_m), notes)
    if axis == "vertical" and volume_m3 is not None and straight_length_m is None:
        shape = _without_connection(shape, volume_m3, reaches_m, notes)
    slender = shape.length_m / shape.diameter_m
    if not SLENDERNESS_LIMITS[0] <= slender <= SLENDERNESS_LIMITS[1]:
        raise PhysicsError(
            f"A tank of {_mm(shape.length_m)} length on {_mm(shape.diameter_m)} diameter is {slender:.2g} times as long"
            f" as wide, outside {SLENDERNESS_LIMITS[0]:g} to {SLENDERNESS_LIMITS[1]:g}: check the lengths, the volume"
            " and their units."
        )
    notes += _volume_notes(shape, volume_m3)
    return shape, tuple(notes)


def _cylinder_volume(shape: Shape) -> float:
    return float(np.pi / 4 * shape.inner_diameter_m**2 * shape.straight_m)


def _torispherical_parts(inner_diameter_m: float) -> tuple[float, float, float, float]:
    """Crown radius, knuckle radius, depth of the head, and the depth at which crown meets knuckle."""
    crown, knuckle = CROWN_FACTOR * inner_diameter_m, KNUCKLE_FACTOR * inner_diameter_m
    depth = head_depth_m("torispherical", inner_diameter_m)
    meeting = crown - (crown - depth) * crown / (crown - knuckle)
    return crown, knuckle, depth, meeting


def _head_volume_within(head: HeadKind, diameter: float, x: FloatArray) -> FloatArray:
    """Volume of a head within `x` of its pole, along the axis; `x` is clipped to the head."""
    depth = head_depth_m(head, diameter)
    x = np.clip(x, 0.0, depth)
    if head == "flat":
        return np.zeros_like(x)
    if head in ("ellipsoidal", "hemispherical"):
        return np.asarray(np.pi * diameter**2 / 4 * (x**2 / depth - x**3 / (3 * depth**2)))
    crown, knuckle, depth, meeting = _torispherical_parts(diameter)
    in_crown = np.minimum(x, meeting)
    ring = diameter / 2 - knuckle

    def below(u: FloatArray) -> FloatArray:
        # Integral of the squared radius ring + sqrt(knuckle^2 - u^2) from the head's edge (u = 0) to u above it.
        root = np.sqrt(np.maximum(knuckle**2 - u**2, 0.0))
        arcs = ring * (u * root + knuckle**2 * np.arcsin(np.clip(u / knuckle, -1, 1)))
        return np.asarray(ring**2 * u + arcs + knuckle**2 * u - u**3 / 3)

    in_knuckle = below(np.asarray(depth - meeting)) - below(depth - np.maximum(x, meeting))
    return np.asarray(np.pi * (in_crown**2 * (3 * crown - in_crown) / 3 + in_knuckle))


def _volume_above_exact(shape: Shape, depth: FloatArray) -> FloatArray:
    inner = shape.inner_diameter_m
    x = depth - shape.wall_m
    if shape.axis == "vertical":
        head, straight = shape.head_depth_m, shape.straight_m
        bottom = head_volume_m3(shape.head, inner) - _head_volume_within(shape.head, inner, 2 * head + straight - x)
        barrel = np.pi / 4 * inner**2 * np.clip(x - head, 0.0, straight)
        return np.asarray(_head_volume_within(shape.head, inner, x) + barrel + bottom)
    radius = inner / 2
    x = np.clip(x, 0.0, inner)
    barrel = shape.straight_m * _segment_area(np.asarray(radius), radius - x)
    if shape.head == "torispherical":
        return np.asarray(barrel + 2 * _lying_torispherical(inner, radius - x))
    both_heads = shape.head_depth_m / radius * np.pi * x**2 * (3 * radius - x) / 3
    return np.asarray(barrel + both_heads)


def _segment_area(radius: FloatArray, y: FloatArray) -> FloatArray:
    """Area of the part of a disc that lies above the height `y` over its centre."""
    y = np.clip(y, -radius, radius)
    with np.errstate(invalid="ignore", divide="ignore"):
        angle = np.arccos(np.where(radius > 0, y / np.where(radius > 0, radius, 1.0), 0.0))
    return np.asarray(radius**2 * angle - y * np.sqrt(np.maximum(radius**2 - y**2, 0.0)))


def _lying_torispherical(diameter: float, y: FloatArray) -> FloatArray:
    """Volume of one lying torispherical head above the height `y` over the axis, by quadrature over both arcs.

    Gauss-Legendre in the root of the angle from where the liquid's surface leaves the arc, which smooths the end there.
    """
    crown, knuckle, depth, meeting = _torispherical_parts(diameter)
    nodes, weights = np.polynomial.legendre.leggauss(24)
    root, weights = (nodes + 1) / 2, weights / 2
    height = np.abs(y)[..., None]
    ring = diameter / 2 - knuckle
    crown_end = np.arccos(1 - meeting / crown)
    start = np.minimum(np.arcsin(height / crown), crown_end)
    angle = start + (crown_end - start) * root**2
    area = _segment_area(crown * np.sin(angle), height)
    on_crown = area * crown * np.sin(angle) * (crown_end - start) * 2 * root
    end = np.minimum(np.arccos(np.clip((height - ring) / knuckle, -1, 1)), np.arcsin((depth - meeting) / knuckle))
    angle = end * (1 - root**2)
    area = _segment_area(ring + knuckle * np.cos(angle), height)
    above = (on_crown + area * knuckle * np.cos(angle) * end * 2 * root) @ weights
    return np.asarray(np.where(y >= 0, above, head_volume_m3("torispherical", diameter) - above))


def _angle(shape: Shape, depth: FloatArray) -> FloatArray:
    """Angle from the crown of a lying tank at which its outside reaches a depth."""
    return np.asarray(np.arccos(np.clip(1 - 2 * depth / shape.diameter_m, -1.0, 1.0)))


@lru_cache(maxsize=64)
def _table(shape: Shape) -> tuple[FloatArray, FloatArray]:
    """Depths from inner top to inner bottom, dense towards both, and the volumes above them."""
    inner_height = shape.height_m - 2 * shape.wall_m
    turn = np.linspace(0.0, np.pi, _TABLE_SIZE)
    depth = shape.wall_m + inner_height * (1 - np.cos(turn)) / 2
    volume = np.maximum.accumulate(_volume_above_exact(shape, depth))
    depth.flags.writeable = volume.flags.writeable = False
    return depth, volume


def _outline(shape: Shape, outside_m: float) -> tuple[FloatArray, FloatArray]:
    """Dense outline at a distance outside of the inner surface: axial distance from the outer pole, and radius."""
    inner, depth = shape.inner_diameter_m, shape.head_depth_m
    turn = np.linspace(0.0, np.pi / 2, 2000)
    if shape.head == "flat":
        axial = np.full(2000, -outside_m)
        radius = (inner / 2 + outside_m) * np.linspace(0.0, 1.0, 2000)
    elif shape.head == "torispherical":
        crown, knuckle, depth, meeting = _torispherical_parts(inner)
        end = float(np.arccos(1 - meeting / crown))
        on_crown, on_knuckle = np.linspace(0.0, end, 1000), np.linspace(end, np.pi / 2, 1000)
        axial = np.concatenate(
            [crown - (crown + outside_m) * np.cos(on_crown), depth - (knuckle + outside_m) * np.cos(on_knuckle)]
        )
        radius = np.concatenate(
            [(crown + outside_m) * np.sin(on_crown), inner / 2 - knuckle + (knuckle + outside_m) * np.sin(on_knuckle)]
        )
    else:
        # An ellipse of half-axes inner/2 and depth, moved outwards along its normal.
        normal = np.hypot(depth * np.sin(turn), inner / 2 * np.cos(turn))
        axial = depth - (depth + outside_m * inner / 2 / normal) * np.cos(turn)
        radius = (inner / 2 + outside_m * depth / normal) * np.sin(turn)
    first = axial + shape.wall_m
    last = shape.length_m - first[::-1]
    return np.concatenate([first, last]), np.concatenate([radius, radius[::-1]])


def _mm(metres: float) -> str:
    # Whole millimetres from a metre up; what nobody can mean is shown in metres, not with a power of ten.
    if metres >= 100.0:
        return f"{metres:,.0f} m".replace(",", " ")
    return f"{metres * 1000:.0f} mm" if metres >= 1.0 else f"{metres * 1000:.4g} mm"


def _litres(cubic_metres: float) -> str:
    litres = cubic_metres * 1000
    return f"{litres:.0f} l" if litres >= 100 else f"{litres:.3g} l"


def _check_sizes(
    volume: float | None, diameter: float | None, height: float | None, wall: float | None, straight: float | None
) -> None:
    checks = (
        ("volume", volume, VOLUME_LIMITS_M3, _litres),
        ("diameter", diameter, DIAMETER_LIMITS_M, _mm),
        ("height", height, HEIGHT_LIMITS_M, _mm),
        ("wall", wall, WALL_LIMITS_M, _mm),
        ("straight length", straight, (0.0, HEIGHT_LIMITS_M[1]), _mm),
    )
    for name, value, (low, high), text in checks:
        if value is not None and not low <= value <= high:
            raise PhysicsError(
                f"The tank's {name} of {text(value)} lies outside {text(low)} to {text(high)}: check the value and"
                " its unit."
            )


def _lying_diameter(diameter: float | None, height: float | None) -> float | None:
    if diameter is not None and height is not None and abs(height / diameter - 1) > 0.1:
        raise PhysicsError(
            f"For a lying tank the height is its vertical extent, that is its diameter, but {_mm(height)} and"
            f" {_mm(diameter)} were"
            " given: leave the height out and give the length of the cylinder as straight_length."
        )
    return diameter if diameter is not None else height


def _likely_head(
    diameter: float | None, length: float | None, straight: float | None, wall: float, volume: float | None
) -> HeadKind:
    """Choose the head that fits best where both lengths are known, or the volume; else ellipsoidal where it fits in."""
    if diameter is None or length is None:
        return "ellipsoidal"
    inner = diameter - 2 * wall
    kinds: tuple[HeadKind, ...] = get_args(HeadKind)
    if straight is not None:
        depth = (length - straight) / 2 - wall
        return min(kinds, key=lambda kind: abs(head_depth_m(kind, inner) - depth))
    usual: HeadKind = "ellipsoidal" if length >= 2 * (head_depth_m("ellipsoidal", inner) + wall) else "torispherical"
    fitting = (
        {shape.head: abs(shape.volume_m3 / volume - 1) for shape in _with_any_head(diameter, length, wall)}
        if (volume is not None)
        else {}
    )
    if not fitting or fitting.get(usual, 1.0) < HEAD_VOLUME_SLACK:
        return usual
    return min(fitting, key=lambda kind: fitting[kind])


def _with_any_head(diameter: float, length: float, wall: float) -> list[Shape]:
    """Return standing shapes of one diameter and height with each kind of head that fits in."""
    kinds: tuple[HeadKind, ...] = get_args(HeadKind)
    straight = {kind: length - 2 * (head_depth_m(kind, diameter - 2 * wall) + wall) for kind in kinds}
    return [Shape("vertical", diameter, straight[kind], kind, wall) for kind in kinds if straight[kind] >= 0.0]


def other_heads(shape: Shape, volume_m3: float) -> list[Shape]:
    """Return a standing tank's shape with other heads that its volume allows, diameter and height being the same.

    The best fitting one comes first. Tape and volume seldom tell ellipsoidal heads from torispherical ones.
    """
    if shape.axis == "horizontal":
        return []
    others = [s for s in _with_any_head(shape.diameter_m, shape.height_m, shape.wall_m) if s.head != shape.head]
    away = {s.head: abs(s.volume_m3 / volume_m3 - 1) for s in others}
    return sorted((s for s in others if away[s.head] < HEAD_VOLUME_SLACK), key=lambda s: away[s.head])


Known = tuple[float | None, float | None, float | None, float | None]
"""Volume, diameter, overall length and straight length, as far as known."""


def _fill_in(axis: Axis, head: HeadKind, wall: float, known: Known, notes: list[Statement]) -> Shape:
    """Make the shape with the lengths that are missing worked out or, with a note, assumed."""
    volume, diameter, length, straight = known
    if diameter is not None and not wall < diameter / 4:
        raise PhysicsError(
            f"A wall of {_mm(wall)} is too thick for a diameter of {_mm(diameter)}: check both and their units."
        )
    usual = TYPICAL_HEIGHT_OVER_DIAMETER if axis == "vertical" else TYPICAL_LENGTH_OVER_DIAMETER
    assumed = {"times": usual}
    if diameter is None:
        if volume is None and length is None:
            raise PhysicsError("The tank's size is not known: give its volume, or its diameter and height.")
        if volume is None:
            assert length is not None
            diameter = length / usual
            notes.append(Statement(ShapeRemark.PROPORTION_BY_LENGTH, assumed))
        else:
            if length is None and straight is None:
                notes.append(Statement(ShapeRemark.PROPORTION_BY_VOLUME, assumed))
            diameter = _diameter_for_volume(axis, head, wall, (volume, None, length, straight), usual)
            if axis == "vertical" and length is not None:
                notes.append(Statement(ShapeRemark.DIAMETER_BY_VOLUME, {"diameter_m": diameter}))
    if straight is not None:
        shape = Shape(axis, diameter, straight, head, wall)
        if length is not None and abs(shape.length_m / length - 1) > 0.15:
            raise PhysicsError(
                f"A straight length of {_mm(straight)} with {head} heads on {_mm(diameter)} diameter makes"
                f" {_mm(shape.length_m)} in all,"
                f" but {_mm(length)} was given as height: measure both again, or leave the straight length out."
            )
        return shape
    heads = 2 * (head_depth_m(head, diameter - 2 * wall) + wall)
    if length is None and volume is not None:
        inner = diameter - 2 * wall
        straight = (volume - 2 * head_volume_m3(head, inner)) / (np.pi / 4 * inner**2)
        return Shape(axis, diameter, max(float(straight), 0.0), head, wall)
    if length is None:
        length = usual * diameter
        notes.append(Statement(ShapeRemark.PROPORTION_BY_DIAMETER, assumed))
    if length < 0.9 * heads:
        raise PhysicsError(
            f"A height of {_mm(length)} is too little for two {head} heads on {_mm(diameter)} diameter, which take"
            f" {_mm(heads)}:"
            " check diameter, height and the form of the heads."
        )
    return Shape(axis, diameter, max(length - heads, 0.0), head, wall)


def _without_connection(shape: Shape, volume: float, reaches_m: float, notes: list[Statement]) -> Shape:
    """Take the connection off a height that was measured with it: then the dimensions hold more than the plate says.

    A wrong height moves the level that a charge asks for, and the model's notes with it. The plate's volume is known
    better than a height over curved heads. What heads of another usual form explain, or no connection does, stays as
    it was entered; so does a height that leaves marks beyond the shell.
    """
    usual_heads = {other.head for other in other_heads(shape, volume)} & {"ellipsoidal", "torispherical"}
    if shape.volume_m3 <= (1 + HEAD_VOLUME_SLACK) * volume or usual_heads:
        return shape
    connection = (shape.volume_m3 - volume) / (np.pi / 4 * shape.inner_diameter_m**2)
    if not CONNECTION_M[0] <= connection <= min(CONNECTION_M[1], shape.straight_m):
        return shape
    shell = replace(shape, straight_m=shape.straight_m - connection)
    if shell.length_m < reaches_m:
        return shape
    notes.append(Statement(ShapeRemark.WITH_CONNECTION, {"noted_m": shape.length_m, "shell_m": shell.length_m}))
    return shell


def _diameter_for_volume(axis: Axis, head: HeadKind, wall: float, known: Known, usual: float) -> float:
    """Outer diameter at which a tank of the known (or usual) length holds the volume, by bisection."""
    volume, _, length, straight = known
    assert volume is not None

    def surplus(diameter: float) -> float:
        if straight is not None:
            cylinder = straight
        else:
            overall = length if length is not None else usual * diameter
            cylinder = overall - 2 * (head_depth_m(head, diameter - 2 * wall) + wall)
        return Shape(axis, diameter, max(cylinder, 0.0), head, wall).volume_m3 - volume

    low, high = max(4.01 * wall, DIAMETER_LIMITS_M[0] / 2), DIAMETER_LIMITS_M[1]
    if length is not None and straight is None:
        widest = length / (2 * head_depth_m(head, 1.0)) if head != "flat" else high
        high = min(high, max(widest, 1.01 * low))
    if surplus(high) < -VOLUME_MISMATCH_REFUSED * volume or surplus(low) > VOLUME_MISMATCH_REFUSED * volume:
        raise PhysicsError(
            f"A tank of {_litres(volume)} does not fit a length of {_mm(length or straight or 0.0)} with {head} heads:"
            " check the volume and the length, and give the diameter."
        )
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if surplus(middle) < 0 else (low, middle)
    return (low + high) / 2


def _volume_notes(shape: Shape, volume: float | None) -> list[Statement]:
    if volume is None:
        _check_sizes(shape.volume_m3, None, None, None, None)
        return []
    off = shape.volume_m3 / volume - 1
    if abs(off) > VOLUME_MISMATCH_REFUSED:
        raise PhysicsError(
            f"The dimensions ({_mm(shape.diameter_m)} diameter, {_mm(shape.length_m)} length, {shape.head} heads) hold"
            f" {_litres(shape.volume_m3)}, but the tank is said to hold {_litres(volume)}: check the volume, the"
            " dimensions and their units."
        )
    if abs(off) > 0.08:
        return [Statement(ShapeRemark.OTHER_VOLUME, {"dimensions_m3": shape.volume_m3, "stated_m3": volume})]
    return []

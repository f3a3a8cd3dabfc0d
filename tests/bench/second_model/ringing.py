"""How a whole tank rings: meshed wall, water, rubber, fittings, then all modes up to 7 kHz with their losses.

Losses are modal: the steel's loss factor, those of wet wall, rubber and strap times their shares of the kinetic
energy, that of the feet times theirs of the elastic one (after the modal strain energy method, Johnson and Kienholz,
AIAA J. 20, 1982), and radiation as from a pulsating pattern on a long cylinder (Junger and Feit, ch. 6).

Feet are three or four springs and masses at one height. Their mean around the axis is taken, so that each pattern feels
the same springs on both its twins, and patterns that differ by the number of the feet stay apart.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh, solve_triangular
from scipy.special import h1vp

from taptest.tank.shape import Shape
from tests.bench.second_model import wall as shell
from tests.bench.second_model.outline import Outline, element_edges, outline_of
from tests.bench.second_model.pictures import Pool, Span
from tests.bench.second_model.pools import body_of
from tests.bench.second_model.wall import Wall
from tests.bench.second_model.water import MOUTH, Load, Water, load_of, mesh_water

FloatArray = NDArray[np.float64]

HIGHEST_HZ = 7000.0
LOWEST_HZ = 25.0
"""Below lie the rigid motions, which the feet or the pipe hold."""
MOST_AROUND = 60
"""A stop for the search, which ends by itself where no mode is left below `HIGHEST_HZ`."""
COMPRESSIBLE_TO = 4
"""Waves around up to which the water's own modes count: those of more lie too high."""
OWN_HZ = 12000.0
"""Frequency up to which the water's own modes are kept."""
RUBBER_DENSITY = 1150.0
AIR_DENSITY, AIR_SPEED = 1.20, 343.0


@dataclass(frozen=True, slots=True)
class Strap:
    """A lossy band around the shell."""

    top: float
    bottom: float
    per_area: float
    """kg/m2."""
    loss: float


@dataclass(frozen=True, slots=True)
class Feet:
    """Feet under the shell."""

    count: int
    depth: float
    stiffness: float
    """Of one foot in each direction, N/m."""
    mass: float
    """Of one foot that moves along, kg."""
    loss: float


@dataclass(frozen=True, slots=True)
class Vessel:
    """What makes a tank ring as it does; depths in metres."""

    shape: Shape
    """The true shell, standing or hanging."""
    connection_on_top: bool
    pools: tuple[Pool, ...]
    rubber: tuple[Span, ...]
    """Where rubber lies on the wall."""
    pressure_pa: float
    """Gauge."""
    seam: float | None
    """None where there is none."""
    ring: tuple[float, float, float] | None
    """Clench ring at the seam: half width, m, factor on mass and membrane stiffness, factor on bending stiffness."""
    boss: float
    """Factor on the sheet at the connection, for mass and stiffness; half of it at the valve."""
    rubber_m: float
    """Thickness of the rubber times the share of it that touches the wall."""
    steel_loss: float
    wet_loss: float
    rubber_loss: float
    strap: Strap | None = None
    feet: Feet | None = None
    compressible: bool = True


@dataclass(frozen=True, slots=True)
class Pattern:
    """All modes with one number of waves around; M modes."""

    n: int
    hz: FloatArray
    """(M,) frequencies."""
    loss: FloatArray
    """(M,) loss factors."""
    shapes: FloatArray
    """(D, M) shapes, of unit modal mass, kg^-1/2."""


@dataclass(frozen=True, slots=True)
class Ringing:
    """A tank with its modes."""

    outline: Outline
    wall: Wall
    patterns: tuple[Pattern, ...]


def ring(vessel: Vessel, refine: float = 1.0) -> Ringing:
    """Work out all modes up to `HIGHEST_HZ`; `refine` divides the length of the elements."""
    outline, wall = build(vessel, refine)
    waters = [
        mesh_water(wall, outline, body_of(pool, vessel.shape, outline, wall, vessel.connection_on_top))
        for pool in vessel.pools
    ]
    patterns = []
    for n in range(MOST_AROUND + 1):
        pattern = _pattern(vessel, outline, wall, waters, n)
        if pattern.hz.size == 0 and n > 2:
            break
        patterns.append(pattern)
    return Ringing(outline, wall, tuple(patterns))


def build(vessel: Vessel, refine: float = 1.0) -> tuple[Outline, Wall]:
    """Mesh the wall of a vessel, with ring and bosses; elements end where anything on it does."""
    outline = outline_of(vessel.shape)
    sheet = vessel.shape.wall_m
    plate = shell.YOUNG * sheet**2 / (12 * shell.DENSITY * (1 - shell.POISSON**2))
    bending_wave = 2 * np.pi * (plate / (2 * np.pi * HIGHEST_HZ) ** 2) ** 0.25
    connection, valve = (0.018, outline.length - 0.012) if vessel.connection_on_top else (outline.length - 0.018, 0.012)
    mouth = MOUTH if vessel.connection_on_top else outline.length - MOUTH
    depths = [end for pool in vessel.pools for end in (pool.top, pool.bottom, *(pool.gas or ())[:2])]
    depths += [end for span in vessel.rubber for end in span]
    if vessel.strap:
        depths += [vessel.strap.top, vessel.strap.bottom]
    if vessel.feet:
        depths.append(vessel.feet.depth)
    marks = [connection, valve, mouth, *(outline.s_of_depth(depth) for depth in depths)]
    seam = outline.s_of_depth(vessel.seam) if vessel.seam is not None else 0.0
    half = vessel.ring[0] if vessel.ring else 0.0
    if vessel.seam is not None:
        marks += [seam - half, seam + half]
    wall = shell.mesh(outline, element_edges(outline, bending_wave / 4 / refine, marks), sheet)
    s, stretch, bend = wall.at.s, wall.stretch.copy(), wall.bend.copy()
    if vessel.ring:
        inside = np.abs(s - seam) < half
        stretch[inside], bend[inside] = vessel.ring[1], vessel.ring[2]
    for end, factor in ((connection, vessel.boss), (valve, 1 + (vessel.boss - 1) / 2)):
        inside = s < end if end < outline.length / 2 else s > end
        stretch[inside], bend[inside] = factor, factor**3
    return outline, replace(wall, stretch=stretch, bend=bend)


def per_area(wall: Wall, spans: tuple[Span, ...], mass: float) -> FloatArray:
    """(G,) a mass per area, kg/m2, between depths, and none elsewhere."""
    inside = np.zeros(wall.at.z.size, dtype=bool)
    for top, bottom in spans:
        inside |= (wall.at.z > top) & (wall.at.z < bottom)
    return np.where(inside, mass, 0.0)


def outward(wall: Wall, n: int, shapes: FloatArray) -> FloatArray:
    """(G, M) outward displacement of shapes (D, M) at the Gauss points."""
    rows = shell.fields(wall.shapes, wall.at, n).outward.reshape(-1, shell.GAUSS, 2 * shell.PER_NODE)
    columns = shell.PER_NODE * np.arange(len(rows))[:, None] + np.arange(2 * shell.PER_NODE)
    return np.asarray((rows @ shapes[columns]).reshape(wall.at.s.size, shapes.shape[1]))


def _pattern(vessel: Vessel, outline: Outline, wall: Wall, waters: list[Water], n: int) -> Pattern:
    """All modes of pattern `n` from `LOWEST_HZ` to `HIGHEST_HZ`, with their losses."""
    basis = shell.free_at_poles(wall, n)
    rubber = shell.mass(wall, n, per_area(wall, vessel.rubber, RUBBER_DENSITY * vessel.rubber_m))
    band = np.zeros_like(rubber)
    if vessel.strap:
        spans = ((vessel.strap.top, vessel.strap.bottom),)
        band = shell.mass(wall, n, per_area(wall, spans, vessel.strap.per_area))
    held, carried = _feet(vessel.feet, outline, wall, n)
    own = OWN_HZ if vessel.compressible and n <= COMPRESSIBLE_TO else 0.0
    loads = [load_of(wall, water, n, own) for water in waters]
    liquid = sum((load.mass for load in loads), np.zeros_like(rubber))
    stiff = basis.T @ (shell.stiffness(wall, n, vessel.pressure_pa) + held) @ basis
    heavy = basis.T @ (shell.mass(wall, n, shell.steel_per_area(wall)) + rubber + band + carried + liquid) @ basis
    omega, shapes, swing_inside = _modes(stiff, heavy, basis, loads)
    loss = np.full(omega.size, vessel.steel_loss)
    loss += vessel.wet_loss * (_share(shapes, liquid) + swing_inside)
    loss += vessel.rubber_loss * _share(shapes, rubber)
    if vessel.strap:
        loss += vessel.strap.loss * _share(shapes, band)
    if vessel.feet:
        loss += vessel.feet.loss * _share(shapes, held) / omega**2
    swing = (outward(wall, n, shapes) ** 2 * (wall.weight * wall.at.r)[:, None]).sum(0) * shell.around(n)
    loss += AIR_DENSITY * AIR_SPEED * _radiated(n, omega / AIR_SPEED * vessel.shape.diameter_m / 2) * swing / omega
    return Pattern(n, omega / (2 * np.pi), loss, shapes)


def _modes(
    stiff: FloatArray, heavy: FloatArray, basis: FloatArray, loads: list[Load]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Angular frequencies (M,), shapes (D, M) of unit modal mass, and the shares (M,) of the water's own swing in it.

    `stiff` and `heavy` are those of the free unknowns; the water's own modes join them as further unknowns.
    """
    own = np.concatenate([np.zeros(0), *((2 * np.pi * load.hz) ** 2 for load in loads)])
    if own.size:
        arms = basis.T @ np.concatenate([load.couple for load in loads], axis=1)
        none = np.zeros_like(arms)
        stiff = np.block([[stiff, none], [none.T, np.diag(own)]])
        heavy = np.block([[heavy, arms], [arms.T, np.eye(own.size)]])
    limits = [(2 * np.pi * LOWEST_HZ) ** 2, (2 * np.pi * HIGHEST_HZ) ** 2]
    # Reduced by hand: the standard problem's solver finds a band of modes much faster than the general one's.
    lower = np.linalg.cholesky(heavy)
    half = solve_triangular(lower, stiff, lower=True)
    reduced = solve_triangular(lower, half.T, lower=True)
    squares, vectors = eigh((reduced + reduced.T) / 2, subset_by_value=limits, driver="evr")
    found = solve_triangular(lower, vectors, lower=True, trans="T")
    walls, inside = found[: basis.shape[1]], found[basis.shape[1] :]
    return np.sqrt(squares), basis @ walls, np.asarray((inside**2).sum(0))


def _share(shapes: FloatArray, matrix: FloatArray) -> FloatArray:
    """(M,) quadratic form of each shape."""
    return np.asarray(np.einsum("dm,dm->m", shapes, matrix @ shapes))


def _feet(feet: Feet | None, outline: Outline, wall: Wall, n: int) -> tuple[FloatArray, FloatArray]:
    """(D, D) stiffness and mass of the feet, their mean around the axis, in all three directions."""
    held, carried = np.zeros((wall.unknowns, wall.unknowns)), np.zeros((wall.unknowns, wall.unknowns))
    if feet is None:
        return held, carried
    node = int(np.argmin(np.abs(wall.edges - outline.s_of_depth(feet.depth))))
    each = shell.PER_NODE * node + np.array([0, 2, 4])
    # The mean of cos^2 around: a half, but all of it where nothing changes around.
    mean = feet.count * shell.around(n) / (2 * np.pi)
    held[each, each], carried[each, each] = mean * feet.stiffness, mean * feet.mass
    return held, carried


def _radiated(n: int, size: FloatArray) -> FloatArray:
    """Radiation efficiency of a long cylinder with n waves around at k R = `size`, at most 1 (Junger and Feit)."""
    slope = np.abs(h1vp(n, np.maximum(size, 1e-3)))
    return np.asarray(np.minimum(2 / (np.pi * size * slope**2), 1.0))

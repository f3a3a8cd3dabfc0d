"""How a whole tank rings: meshed wall, water, rubber, ring and bosses, then all modes up to 7 kHz with their losses.

Losses are modal: the steel's loss factor, those of wet wall and rubber times their shares of the kinetic energy (after
the modal strain energy method, Johnson and Kienholz, AIAA J. 20, 1982), and radiation as from a pulsating pattern on a
long cylinder (Junger and Feit, ch. 6).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh, solve_triangular
from scipy.special import h1vp

from taptest.tank.shape import Shape
from tests.bench.second_model import wall as shell
from tests.bench.second_model.outline import Outline, element_edges, outline_of
from tests.bench.second_model.wall import Wall
from tests.bench.second_model.water import MOUTH, Water, Wet, added_mass, mesh_water

FloatArray = NDArray[np.float64]

HIGHEST_HZ = 7000.0
LOWEST_HZ = 25.0
"""Below lie the rigid motions, which the feet or the pipe hold."""
MOST_AROUND = 60
"""A stop for the search, which ends by itself where no mode is left below `HIGHEST_HZ`."""
RUBBER_DENSITY = 1150.0
AIR_DENSITY, AIR_SPEED = 1.20, 343.0


@dataclass(frozen=True, slots=True)
class Vessel:
    """What makes a tank ring as it does."""

    shape: Shape
    """The true shell, standing or hanging."""
    kind: str
    """"diaphragm", "bladder" or "plain"."""
    water_end: str
    """"top" or "bottom"."""
    boundary_m: float
    """Depth at which the wet wall ends; 0 and the height are the poles."""
    seam_m: float
    """Depth of the seam; of use in diaphragm tanks only."""
    pressure_pa: float
    """Gauge."""
    ring: tuple[float, float, float] | None
    """Clench ring: half width, m, factor on mass and membrane stiffness, factor on bending stiffness."""
    boss: float
    """Factor on the sheet at the connection, for mass and stiffness; half of it at the valve."""
    rubber_m: float
    """Thickness of the rubber times the share of it that touches the wall."""
    steel_loss: float
    wet_loss: float
    rubber_loss: float

    @property
    def all_air(self) -> bool:
        """Whether no wall is wet."""
        return self.boundary_m <= 0 if self.water_end == "top" else self.boundary_m >= self.shape.height_m

    @property
    def all_water(self) -> bool:
        """Whether the whole wall is wet."""
        return self.boundary_m >= self.shape.height_m if self.water_end == "top" else self.boundary_m <= 0


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
    outline, wall, wet = build(vessel, refine)
    water = mesh_water(wall, outline, wet) if wet is not None else None
    rubber = rubber_per_area(vessel, outline, wall)
    patterns = []
    for n in range(MOST_AROUND + 1):
        pattern = _pattern(vessel, wall, water, rubber, n)
        if pattern.hz.size == 0 and n > 2:
            break
        patterns.append(pattern)
    return Ringing(outline, wall, tuple(patterns))


def build(vessel: Vessel, refine: float = 1.0) -> tuple[Outline, Wall, Wet | None]:
    """Mesh the wall of a vessel, with ring and bosses, and say which part of it is wet."""
    outline = outline_of(vessel.shape)
    sheet = vessel.shape.wall_m
    plate = shell.YOUNG * sheet**2 / (12 * shell.DENSITY * (1 - shell.POISSON**2))
    bending_wave = 2 * np.pi * (plate / (2 * np.pi * HIGHEST_HZ) ** 2) ** 0.25
    boundary = outline.s_of_depth(vessel.boundary_m)
    seam = outline.s_of_depth(vessel.seam_m)
    connection, valve = (
        (0.018, outline.length - 0.012) if vessel.water_end == "top" else (outline.length - 0.018, 0.012)
    )
    mouth = MOUTH if vessel.water_end == "top" else outline.length - MOUTH
    marks = [boundary, connection, valve, mouth]
    half = vessel.ring[0] if vessel.ring else 0.0
    if vessel.kind == "diaphragm":
        marks += [seam - half, seam + half]
    wall = shell.mesh(outline, element_edges(outline, bending_wave / 4 / refine, marks), sheet)
    s, stretch, bend = wall.at.s, wall.stretch.copy(), wall.bend.copy()
    if vessel.ring:
        inside = np.abs(s - seam) < half
        stretch[inside], bend[inside] = vessel.ring[1], vessel.ring[2]
    for end, factor in ((connection, vessel.boss), (valve, 1 + (vessel.boss - 1) / 2)):
        inside = s < end if end < outline.length / 2 else s > end
        stretch[inside], bend[inside] = factor, factor**3
    wall = replace(wall, stretch=stretch, bend=bend)
    return outline, wall, _wet(vessel, outline, wall, boundary)


def rubber_per_area(vessel: Vessel, outline: Outline, wall: Wall) -> FloatArray:
    """(G,) mass of rubber on the wall, kg/m2: the bag on the wet wall; the diaphragm between its seam and where it
    leaves the wall, water behind it past the seam and air before.
    """
    if vessel.kind == "plain":
        return np.zeros_like(wall.thickness)
    ends = [vessel.boundary_m, vessel.seam_m]
    if vessel.kind == "bladder":
        ends[1] = 0.0 if vessel.water_end == "top" else vessel.shape.height_m
    low, high = sorted(outline.s_of_depth(depth) for depth in ends)
    touched = (wall.at.s > low) & (wall.at.s < high)
    return np.where(touched, RUBBER_DENSITY * vessel.rubber_m, 0.0)


def outward(wall: Wall, n: int, shapes: FloatArray) -> FloatArray:
    """(G, M) outward displacement of shapes (D, M) at the Gauss points."""
    rows = shell.fields(wall.shapes, wall.at, n).outward.reshape(-1, shell.GAUSS, 2 * shell.PER_NODE)
    columns = shell.PER_NODE * np.arange(len(rows))[:, None] + np.arange(2 * shell.PER_NODE)
    return np.asarray((rows @ shapes[columns]).reshape(wall.at.s.size, shapes.shape[1]))


def _wet(vessel: Vessel, outline: Outline, wall: Wall, boundary: float) -> Wet | None:
    """Say which wall elements are wet and how the rays of the water mesh run; None where all is air."""
    if vessel.all_air:
        return None
    count = wall.edges.size - 1
    edge = vessel.shape.wall_m + vessel.shape.head_depth_m
    low_edge = vessel.shape.height_m - edge
    top = vessel.water_end == "top"
    if vessel.all_water:
        poles = outline.at(np.array([0.0, outline.length])).z
        return Wet(range(count), edge, low_edge, (), float(poles[0 if top else 1]))
    cut = int(np.argmin(np.abs(wall.edges - boundary)))
    depth = float(outline.at(wall.edges[cut : cut + 1]).z[0])
    if top:
        return Wet(range(cut), min(depth, edge), None, (depth,))
    return Wet(range(cut, count), None, max(depth, low_edge), (depth,))


def _pattern(vessel: Vessel, wall: Wall, water: Water | None, rubber_area: FloatArray, n: int) -> Pattern:
    """All modes of pattern `n` from `LOWEST_HZ` to `HIGHEST_HZ`, with their losses; `rubber_area` (G,) is kg/m2."""
    basis = shell.free_at_poles(wall, n)
    steel = shell.mass(wall, n, shell.steel_per_area(wall))
    rubber = shell.mass(wall, n, rubber_area)
    liquid = added_mass(wall, water, n) if water is not None else np.zeros_like(steel)
    stiff = basis.T @ shell.stiffness(wall, n, vessel.pressure_pa) @ basis
    heavy = basis.T @ (steel + rubber + liquid) @ basis
    limits = [(2 * np.pi * LOWEST_HZ) ** 2, (2 * np.pi * HIGHEST_HZ) ** 2]
    # Reduced by hand: the standard problem's solver finds a band of modes much faster than the general one's.
    lower = np.linalg.cholesky(heavy)
    half = solve_triangular(lower, stiff, lower=True)
    reduced = solve_triangular(lower, half.T, lower=True)
    squares, vectors = eigh((reduced + reduced.T) / 2, subset_by_value=limits, driver="evr")
    shapes = basis @ solve_triangular(lower, vectors, lower=True, trans="T")
    omega = np.sqrt(squares)
    loss = np.full(omega.size, vessel.steel_loss)
    loss += vessel.wet_loss * np.einsum("dm,dm->m", shapes, liquid @ shapes)
    loss += vessel.rubber_loss * np.einsum("dm,dm->m", shapes, rubber @ shapes)
    swing = (outward(wall, n, shapes) ** 2 * (wall.weight * wall.at.r)[:, None]).sum(0) * (
        2 * np.pi if n == 0 else np.pi
    )
    loss += AIR_DENSITY * AIR_SPEED * _radiated(n, omega / AIR_SPEED * vessel.shape.diameter_m / 2) * swing / omega
    return Pattern(n, omega / (2 * np.pi), loss, shapes)


def _radiated(n: int, size: FloatArray) -> FloatArray:
    """Radiation efficiency of a long cylinder with n waves around at k R = `size`, at most 1 (Junger and Feit)."""
    slope = np.abs(h1vp(n, np.maximum(size, 1e-3)))
    return np.asarray(np.minimum(2 / (np.pi * size * slope**2), 1.0))

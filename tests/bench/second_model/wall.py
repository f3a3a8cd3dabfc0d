"""Curved ring elements of a thin shell of revolution, one harmonic around the axis at a time.

Kirchhoff-Love shell with the strains of Sanders (NASA TR R-24, 1959), written in displacements along r, z and around
the axis, so that they stay smooth over the joints of the meridian. Each is a cubic Hermite polynomial of the arc
length (Grafton and Strome, AIAA J. 1, 1963; Zienkiewicz and Taylor, The Finite Element Method, vol. 2). The prestress
is that of membrane theory under inner pressure and acts through the rotations (Budiansky, J. Appl. Mech. 35, 1968,
without the follower part of the load).

Pattern n: u_r, u_z ~ cos(n theta), v ~ sin(n theta). Unknowns of a node: u_r, u_r', u_z, u_z', v, v' (' = d/ds).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.second_model.outline import Outline, Piece

FloatArray = NDArray[np.float64]

YOUNG, POISSON, DENSITY = 2.06e11, 0.29, 7850.0
"""Mild steel: Pa, -, kg/m3 (Roark's Formulas for Stress and Strain, tables of materials)."""
GAUSS = 4
PER_NODE = 6


@dataclass(frozen=True, slots=True)
class Wall:
    """A meshed wall: E elements, G = 4 E Gauss points, D = 6 (E + 1) unknowns."""

    edges: FloatArray
    """(E + 1,) arc lengths of the nodes, m."""
    at: Piece
    """The meridian at the Gauss points, (G,)."""
    weight: FloatArray
    """(G,) weights of the integral over the meridian, m."""
    shapes: FloatArray
    """(3, G, 4) Hermite shape functions, and their first and second derivatives by s."""
    thickness: FloatArray
    """(G,) of the plain sheet, m."""
    stretch: FloatArray
    """(G,) factor on the membrane stiffness and on the mass, for rings and bosses."""
    bend: FloatArray
    """(G,) factor on the bending stiffness."""

    @property
    def unknowns(self) -> int:
        """Number of unknowns D."""
        return PER_NODE * self.edges.size


@dataclass(frozen=True, slots=True)
class Fields:
    """Displacements and strains at the Gauss points, each (G, 12) to be multiplied with an element's unknowns."""

    radial: FloatArray
    axial: FloatArray
    around: FloatArray
    outward: FloatArray
    """Displacement along the outer normal."""
    membrane: tuple[FloatArray, FloatArray, FloatArray]
    """Strain along the meridian, around, and shear."""
    rotation: tuple[FloatArray, FloatArray]
    bending: tuple[FloatArray, FloatArray, FloatArray]
    """Change of curvature along the meridian, around, and twice the twist."""


def hermite(x: FloatArray, length: FloatArray) -> FloatArray:
    """(3, N, 4) cubic Hermite functions at x = 0..1 of elements of some length, with two derivatives by s."""
    one = np.ones_like(x)
    zero = [1 - 3 * x**2 + 2 * x**3, length * (x - 2 * x**2 + x**3), 3 * x**2 - 2 * x**3, length * (x**3 - x**2)]
    first = [6 * (x**2 - x) / length, 1 - 4 * x + 3 * x**2, 6 * (x - x**2) / length, 3 * x**2 - 2 * x]
    second = [(12 * x - 6) / length**2, (6 * x - 4) / length, (6 - 12 * x) / length**2, (6 * x - 2) / length]
    return np.stack([np.stack([part * one for part in row], axis=1) for row in (zero, first, second)])


def mesh(outline: Outline, edges: FloatArray, thickness: float) -> Wall:
    """Mesh a wall of even thickness."""
    nodes, weights = np.polynomial.legendre.leggauss(GAUSS)
    lengths = np.diff(edges)
    x = np.tile((nodes + 1) / 2, lengths.size)
    long = np.repeat(lengths, GAUSS)
    at = outline.at(np.repeat(edges[:-1], GAUSS) + x * long)
    one = np.ones_like(x)
    return Wall(edges, at, np.tile(weights / 2, lengths.size) * long, hermite(x, long), thickness * one, one, one)


def fields(shapes: FloatArray, at: Piece, n: int) -> Fields:
    """Displacements and Sanders strains of pattern `n` at points with Hermite functions (3, G, 4)."""
    value = [_placed(shapes[0], part) for part in range(3)]
    first = [_placed(shapes[1], part) for part in range(3)]
    second = [_placed(shapes[2], part) for part in range(3)]
    r = at.r[:, None]
    cos, sin, curved = np.cos(at.slope)[:, None], np.sin(at.slope)[:, None], at.curvature[:, None]
    along, outward, around = cos * value[0] + sin * value[1], sin * value[0] - cos * value[1], value[2]
    stretch = cos * first[0] + sin * first[1]
    hoop = (n * around + value[0]) / r
    shear = first[2] - around * cos / r - n * along / r
    tilt = -(sin * first[0] - cos * first[1])
    tilt_around = (n * outward + around * sin) / r
    change = (n * (curved * along - tilt) + first[2] * sin + around * curved * cos) / r - tilt_around * cos / r
    spin = (first[2] + around * cos / r + n * along / r) / 2
    bending = (
        -(sin * second[0] - cos * second[1]) - curved * stretch,
        n * tilt_around / r + tilt * cos / r,
        change - n * tilt / r - tilt_around * cos / r + spin * (sin / r - curved),
    )
    return Fields(value[0], value[1], around, outward, (stretch, hoop, shear), (tilt, tilt_around), bending)


def stiffness(wall: Wall, n: int, pressure: float = 0.0) -> FloatArray:
    """(D, D) stiffness of pattern `n` under an inner gauge pressure, Pa, integrated around the axis."""
    seen = fields(wall.shapes, wall.at, n)
    plane = YOUNG * wall.thickness * wall.stretch / (1 - POISSON**2)
    plate = YOUNG * wall.thickness**3 * wall.bend / (12 * (1 - POISSON**2))
    area = wall.weight * wall.at.r * around(n)
    blocks = _plane_form(seen.membrane, plane * area) + _plane_form(seen.bending, plate * area)
    if pressure:
        across = wall.at.r / np.sin(wall.at.slope)
        along = pressure * across / 2
        hoop = across * (pressure - along * wall.at.curvature)
        blocks = blocks + _form(seen.rotation[0], seen.rotation[0], along * area)
        blocks = blocks + _form(seen.rotation[1], seen.rotation[1], hoop * area)
    return _assembled(wall, blocks)


def mass(wall: Wall, n: int, per_area: FloatArray) -> FloatArray:
    """(D, D) mass of pattern `n` for a mass per area (G,), kg/m2."""
    seen = fields(wall.shapes, wall.at, n)
    scale = per_area * wall.weight * wall.at.r * around(n)
    parts = (seen.radial, seen.axial, seen.around)
    return _assembled(wall, sum((_form(part, part, scale) for part in parts), np.zeros(())))


def steel_per_area(wall: Wall) -> FloatArray:
    """(G,) mass of the steel per area, kg/m2."""
    return np.asarray(DENSITY * wall.thickness * wall.stretch)


def outward_at(wall: Wall, outline: Outline, s: FloatArray) -> FloatArray:
    """(N, D) rows that give the displacement along the outer normal at arc lengths (N,)."""
    element = np.clip(np.searchsorted(wall.edges, s) - 1, 0, wall.edges.size - 2)
    length = np.diff(wall.edges)[element]
    shapes = hermite((s - wall.edges[element]) / length, length)
    at = outline.at(s)
    part = np.sin(at.slope)[:, None] * _placed(shapes[0], 0) - np.cos(at.slope)[:, None] * _placed(shapes[0], 1)
    rows = np.zeros((s.size, wall.unknowns))
    columns = PER_NODE * element[:, None] + np.arange(2 * PER_NODE)
    np.put_along_axis(rows, columns, part, axis=1)
    return rows


def free_at_poles(wall: Wall, n: int) -> FloatArray:
    """(D, F) basis of the displacements of pattern `n` that are smooth at both poles.

    Source: the limits of the strains for r -> 0, e.g. Cook, Malkus, Plesha, Witt, Concepts and Applications of FEA.
    """
    basis = np.eye(wall.unknowns)
    drop: list[int] = [] if n else [6 * k + part for k in range(wall.edges.size) for part in (4, 5)]
    for node in (0, wall.unknowns - PER_NODE):
        if n == 0:
            drop += [node, node + 3]
        elif n == 1:
            basis[node + 4, node] = -1.0
            drop += [node + 2, node + 4]
        else:
            drop += [node, node + 2, node + 3, node + 4]
    return np.delete(basis, sorted(set(drop)), axis=1)


def around(n: int) -> float:
    """Integral of cos^2 (n theta) once around."""
    return 2 * np.pi if n == 0 else np.pi


def _placed(shape: FloatArray, part: int) -> FloatArray:
    """(G, 12) row of one displacement from its four shape functions (G, 4)."""
    row = np.zeros((shape.shape[0], 2 * PER_NODE))
    row[:, [2 * part, 2 * part + 1, PER_NODE + 2 * part, PER_NODE + 2 * part + 1]] = shape
    return row


def _form(left: FloatArray, right: FloatArray, scale: FloatArray) -> FloatArray:
    """(E, 12, 12) integrals of left * right over each element."""
    a = (left * scale[:, None]).reshape(-1, GAUSS, 2 * PER_NODE)
    b = right.reshape(-1, GAUSS, 2 * PER_NODE)
    return np.asarray(np.swapaxes(a, 1, 2) @ b)


def _plane_form(parts: tuple[FloatArray, FloatArray, FloatArray], scale: FloatArray) -> FloatArray:
    """(E, 12, 12) energy of plane stress: strains or changes of curvature."""
    one, two, mixed = parts
    both = _form(one, two, POISSON * scale)
    total = _form(one, one, scale) + _form(two, two, scale) + both + np.swapaxes(both, 1, 2)
    return np.asarray(total + _form(mixed, mixed, (1 - POISSON) / 2 * scale))


def _assembled(wall: Wall, blocks: FloatArray) -> FloatArray:
    """(D, D) sum of the blocks (E, 12, 12) of all elements."""
    whole = np.zeros((wall.unknowns, wall.unknowns))
    for number, block in enumerate(blocks):
        start = PER_NODE * number
        whole[start : start + 2 * PER_NODE, start : start + 2 * PER_NODE] += block
    return whole

"""Added mass of the water inside: Laplace's equation for the pressure on a mesh of the water in the (r, z) plane.

Incompressible, inviscid water; the pressure of pattern n is p(r, z) cos(n theta), zero on the surface that bounds the
water (the air or the slack rubber behind it), its gradient at the wall is the wall's acceleration times the density
(Zienkiewicz and Bettess, Int. J. Num. Meth. Eng. 13, 1978; Junger and Feit, Sound, Structures, and Their Interaction).
Nine-node quadrilaterals on rays from the wall to the axis: level rows along the cylinder, a fan in the head.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix
from scipy.sparse.linalg import splu

from tests.bench.second_model.outline import Outline
from tests.bench.second_model.wall import GAUSS, PER_NODE, Wall, fields

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

DENSITY = 998.0
"""kg/m3, water at 20 C."""
MOUTH = 0.008
"""Radius of the pipe's mouth at the pole, m: a full tank breathes through it."""
ETA = 1 - np.array([1.0, 0.72, 0.48, 0.30, 0.18, 0.10, 0.05, 0.02, 0.0])
"""Element edges along a ray, 0 on the axis, 1 at the wall: the pressure of fine patterns hugs the wall."""


@dataclass(frozen=True, slots=True)
class Water:
    """Meshed water: N nodes, T of them on the wall, two elements' edges and a middle for each wet wall element."""

    gradient: Any
    """(N, N) sparse integral of grad p . grad q r."""
    swirl: Any
    """(N, N) sparse integral of p q / r, to be multiplied with n^2."""
    on_wall: IntArray
    """(T,) nodes on the wall, in order of arc length."""
    first: int
    """Number of the first wet wall element."""
    released: NDArray[np.bool_]
    """(N,) where the pressure is zero."""
    on_axis: NDArray[np.bool_]
    """(N,) where r = 0."""


@dataclass(frozen=True, slots=True)
class Wet:
    """Which part of the wall is wet, and where the rays of the mesh end on the axis."""

    elements: range
    """Wet wall elements, in a row."""
    fan_top: float | None
    """Depth of the axis point to which rays from above it run; None where rows stay level."""
    fan_bottom: float | None
    """Likewise for rays from below it."""
    surface: tuple[float, ...]
    """Depths of the flat surfaces without pressure."""
    mouth: float | None = None
    """Depth of the pole with the pipe in a full tank: no pressure on the wall within `MOUTH` of it."""


def mesh_water(wall: Wall, outline: Outline, wet: Wet) -> Water:
    """Mesh the water along the wet wall elements."""
    edges = wall.edges[wet.elements.start : wet.elements.stop + 1]
    s = np.sort(np.concatenate([edges, (edges[1:] + edges[:-1]) / 2]))
    at = outline.at(s)
    target = at.z.copy()
    if wet.fan_top is not None:
        target = np.maximum(target, wet.fan_top)
    if wet.fan_bottom is not None:
        target = np.minimum(target, wet.fan_bottom)
    eta = np.sort(np.concatenate([ETA, (ETA[1:] + ETA[:-1]) / 2]))
    r = at.r[:, None] * eta
    z = target[:, None] + eta * (at.z - target)[:, None]
    places, index = np.unique(np.round(np.stack([r.ravel(), z.ravel()], 1), 8), axis=0, return_inverse=True)
    index = index.reshape(r.shape)
    rows = np.arange(0, s.size - 2, 2)[:, None, None, None] + np.arange(3)[:, None]
    columns = np.arange(0, eta.size - 2, 2)[None, :, None, None] + np.arange(3)
    connect = index[rows, columns].reshape(-1, 9)
    gradient, swirl = _laplace(places, connect)
    released = np.zeros(len(places), dtype=bool)
    for depth in wet.surface:
        released |= np.abs(places[:, 1] - depth) < 1e-6
    if wet.mouth is not None:
        near = (at.r < MOUTH + 1e-5) & (np.abs(at.z - wet.mouth) < MOUTH)
        released[index[near, -1]] = True
    return Water(gradient, swirl, index[:, -1], wet.elements.start, released, places[:, 0] < 1e-7)


def added_mass(wall: Wall, water: Water, n: int) -> FloatArray:
    """(D, D) added mass of pattern `n`, integrated around the axis, for the unknowns of the wall."""
    fixed = water.released | water.on_axis if n else water.released
    free = np.flatnonzero(~fixed)
    whole = csc_matrix(water.gradient + n**2 * water.swirl)[free][:, free]
    place = np.full(fixed.size, -1)
    place[free] = np.arange(free.size)
    wet = place[water.on_wall]
    loaded = np.flatnonzero(wet >= 0)
    unit = np.zeros((free.size, loaded.size))
    unit[wet[loaded], np.arange(loaded.size)] = 1.0
    answer = splu(csc_matrix(whole), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(unit)
    couple = _coupling(wall, water, n)[loaded]
    full = DENSITY * (2 * np.pi if n == 0 else np.pi) * couple.T @ answer[wet[loaded]] @ couple
    return np.asarray((full + full.T) / 2)


def _coupling(wall: Wall, water: Water, n: int) -> FloatArray:
    """(T, D) integral of the pressure's trace times the wall's outward displacement times r."""
    count = (water.on_wall.size - 1) // 2
    points = slice(GAUSS * water.first, GAUSS * (water.first + count))
    out = fields(wall.shapes, wall.at, n).outward[points] * (wall.weight * wall.at.r)[points, None]
    nodes, _ = np.polynomial.legendre.leggauss(GAUSS)
    trace = _quadratic(nodes)[0]
    couple = np.zeros((water.on_wall.size, wall.unknowns))
    blocks = np.einsum("gi,egd->eid", trace, out.reshape(count, GAUSS, 2 * PER_NODE))
    for number, block in enumerate(blocks):
        start = PER_NODE * (water.first + number)
        couple[2 * number : 2 * number + 3, start : start + 2 * PER_NODE] += block
    return couple


def _quadratic(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Quadratic Lagrange functions on -1, 0, 1 and their derivatives, each (N, 3)."""
    value = np.stack([x * (x - 1) / 2, 1 - x**2, x * (x + 1) / 2], 1)
    return value, np.stack([x - 0.5, -2 * x, x + 0.5], 1)


def _laplace(places: FloatArray, connect: IntArray) -> tuple[Any, Any]:
    """Assemble the two integrals over all elements (Q, 9)."""
    nodes, weights = np.polynomial.legendre.leggauss(3)
    value, slope = _quadratic(nodes)
    corner = places[connect]
    gradient = np.zeros((len(connect), 9, 9))
    swirl = np.zeros_like(gradient)
    for i in range(3):
        for j in range(3):
            shape = np.outer(value[i], value[j]).ravel()
            by = np.stack([np.outer(slope[i], value[j]).ravel(), np.outer(value[i], slope[j]).ravel()])
            jacobian = by @ corner
            area = np.abs(np.linalg.det(jacobian))
            by_place = np.linalg.solve(jacobian, np.broadcast_to(by, (len(connect), 2, 9)))
            r = corner[:, :, 0] @ shape
            scale = (weights[i] * weights[j] * area)[:, None, None]
            gradient += scale * r[:, None, None] * (np.swapaxes(by_place, 1, 2) @ by_place)
            swirl += scale / r[:, None, None] * np.outer(shape, shape)
    rows, columns = np.repeat(connect, 9, axis=1).ravel(), np.tile(connect, (1, 9)).ravel()
    size = (len(places), len(places))
    return tuple(coo_matrix((part.ravel(), (rows, columns)), size).tocsc() for part in (gradient, swirl))

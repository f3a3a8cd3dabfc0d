"""The water inside, pool by pool: its added mass, and its own modes where it is compressible.

Inviscid water; the pressure of pattern n is p(r, z) cos(n theta), zero on the surfaces that bound the water (the air or
the slack rubber behind them), its gradient at the wall is the wall's acceleration times the density (Zienkiewicz and
Bettess, Int. J. Num. Meth. Eng. 13, 1978; Junger and Feit, Sound, Structures, and Their Interaction). Nine-node
quadrilaterals on rays from the wall to the axis: level rows along the cylinder, a fan in each head, layers far out.

Without compression the water is a mass. With it, its modes between a rigid wall and free surfaces are oscillators that
hang on the wall by a mass of coupling each; what the modes left out would add at rest stays in the added mass:
(K - x M)^-1 = K^-1 + sum x f f' / (x_j (x_j - x)), x = (omega / c)^2 (Everstine, J. Sound Vib. 79, 1981; MacNeal's
residual flexibility). So the whole stays a symmetric problem with real, positive matrices.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix
from scipy.sparse.linalg import LinearOperator, eigsh, splu

from tests.bench.second_model.outline import Outline
from tests.bench.second_model.wall import GAUSS, PER_NODE, Wall, fields

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

DENSITY = 998.0
"""kg/m3, water at 20 C."""
SPEED = 1482.0
"""Speed of sound, m/s, water at 20 C (value from memory)."""
MOUTH = 0.008
"""Radius of the pipe's mouth at a pole, m: a full tank breathes through it."""
ETA = 1 - np.array([1.0, 0.72, 0.48, 0.30, 0.18, 0.10, 0.05, 0.02, 0.0])
"""Element edges along a ray, 0 on the axis, 1 at the wall: the pressure of fine patterns hugs the wall."""
LAYER = np.array([0.0, 0.4, 0.7, 0.88, 1.0])
"""Element edges across a layer, 1 at the wall."""
MOST_MODES = 10
"""Modes of a pool's own in one pattern that are kept."""


@dataclass(frozen=True, slots=True)
class Body:
    """One pool as rays from wall elements in a row, two rows an element and one more; R rows."""

    elements: range
    target: FloatArray
    """(R,) depth at which each ray meets the axis."""
    inner: FloatArray
    """(R,) part of the ray, 0 on the axis and 1 at the wall, at which the water begins."""
    outer: FloatArray
    """(R,) part at which it ends: 1 on wet wall, less where gas lies on the wall."""
    open_ends: tuple[bool, bool]
    """Whether the first and the last row are surfaces without pressure."""
    mouths: tuple[float, ...] = ()
    """Depths of poles with a pipe's mouth that takes the pressure off."""
    weight: float = 1.0
    """Share of its mass that counts."""


@dataclass(frozen=True, slots=True)
class Water:
    """A meshed pool: N nodes, of which three a wet element lie on the wall."""

    gradient: Any
    """(N, N) sparse integral of grad p . grad q r."""
    swirl: Any
    """(N, N) sparse integral of p q / r, to be multiplied with n^2."""
    volume: Any
    """(N, N) sparse integral of p q r."""
    wet: IntArray
    """(W,) numbers of the wet wall elements."""
    on_wall: IntArray
    """(W, 3) their nodes on the wall."""
    released: NDArray[np.bool_]
    """(N,) where the pressure is zero."""
    on_axis: NDArray[np.bool_]
    """(N,) where r = 0."""
    weight: float


@dataclass(frozen=True, slots=True)
class Load:
    """What a pool does to the wall in one pattern; C modes of its own."""

    mass: FloatArray
    """(D, D) added mass at rest."""
    hz: FloatArray
    """(C,) frequencies of its own modes between a rigid wall and free surfaces; none where it is not compressible."""
    couple: FloatArray
    """(D, C) masses of coupling of these modes, each of unit mass."""


def mesh_water(wall: Wall, outline: Outline, body: Body) -> Water:
    """Mesh a pool."""
    edges = wall.edges[body.elements.start : body.elements.stop + 1]
    at = outline.at(np.sort(np.concatenate([edges, (edges[1:] + edges[:-1]) / 2])))
    part = LAYER if body.inner.any() else ETA
    part = np.sort(np.concatenate([part, (part[1:] + part[:-1]) / 2]))
    eta = body.inner[:, None] + part * (body.outer - body.inner)[:, None]
    r = at.r[:, None] * eta
    z = body.target[:, None] + eta * (at.z - body.target)[:, None]
    spots, index = np.unique(np.round(np.stack([r.ravel(), z.ravel()], 1), 8), axis=0, return_inverse=True)
    places: FloatArray = np.asarray(spots, dtype=np.float64)
    index = index.reshape(r.shape)
    rows = np.arange(0, at.s.size - 2, 2)[:, None, None, None] + np.arange(3)[:, None]
    columns = np.arange(0, part.size - 2, 2)[None, :, None, None] + np.arange(3)
    gradient, swirl, volume = _integrals(places, index[rows, columns].reshape(-1, 9))
    released = np.zeros(len(places), dtype=bool)
    released[index[body.inner > 0, 0]] = True
    of_element = np.arange(0, at.s.size - 2, 2)[:, None] + np.arange(3)
    dry = (body.outer[of_element] < 1).any(1)
    released[index[of_element[dry], -1]] = True
    for row, is_open in zip((0, -1), body.open_ends, strict=True):
        released[index[row]] |= is_open
    for mouth in body.mouths:
        near = (at.r < MOUTH + 1e-5) & (np.abs(at.z - mouth) < MOUTH)
        released[index[near, -1]] = True
    wet = np.arange(body.elements.start, body.elements.stop)[~dry]
    return Water(gradient, swirl, volume, wet, index[of_element[~dry], -1], released, places[:, 0] < 1e-7, body.weight)


def load_of(wall: Wall, water: Water, n: int, highest_hz: float = 0.0) -> Load:
    """Work out the load of pattern `n`, integrated around the axis; its own modes up to `highest_hz`, 0 for none."""
    fixed = water.released | water.on_axis if n else water.released
    free = np.flatnonzero(~fixed)
    whole = csc_matrix(water.gradient + n**2 * water.swirl)[free][:, free]
    solver = splu(csc_matrix(whole), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    couple, nodes = _coupling(wall, water, n)
    loaded = np.flatnonzero(~fixed[nodes])
    place = np.searchsorted(free, nodes[loaded])
    unit = np.zeros((free.size, loaded.size))
    unit[place, np.arange(loaded.size)] = 1.0
    couple = couple[loaded]
    scale = water.weight * DENSITY * (2 * np.pi if n == 0 else np.pi)
    full = scale * couple.T @ solver.solve(unit)[place] @ couple
    hz, shapes = np.zeros(0), np.zeros((free.size, 0))
    if highest_hz > 0:
        hz, shapes = _own_modes(whole, csc_matrix(water.volume)[free][:, free], solver, highest_hz)
    arms = np.sqrt(scale) * couple.T @ shapes[place] * (SPEED / (2 * np.pi * hz))
    return Load(np.asarray((full + full.T) / 2), hz, np.asarray(arms))


def _own_modes(stiff: Any, heavy: Any, solver: Any, highest_hz: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies (C,) and shapes (F, C) of unit mass, the pressure's gradient zero at the wall."""
    inverse = LinearOperator(stiff.shape, matvec=solver.solve)
    start = np.ones(stiff.shape[0])
    squares, shapes = eigsh(stiff, min(MOST_MODES, len(start) - 2), heavy, sigma=0.0, OPinv=inverse, v0=start)
    hz = SPEED * np.sqrt(np.maximum(squares, 1e-9)) / (2 * np.pi)
    kept = hz < highest_hz
    return hz[kept], shapes[:, kept]


def _coupling(wall: Wall, water: Water, n: int) -> tuple[FloatArray, IntArray]:
    """(T, D) integral of the pressure's trace times the wall's outward displacement times r, and the T nodes."""
    points = (GAUSS * water.wet[:, None] + np.arange(GAUSS)).ravel()
    out = fields(wall.shapes, wall.at, n).outward[points] * (wall.weight * wall.at.r)[points, None]
    trace = _quadratic(np.polynomial.legendre.leggauss(GAUSS)[0])[0]
    blocks = np.einsum("gi,egd->eid", trace, out.reshape(water.wet.size, GAUSS, 2 * PER_NODE))
    nodes, row = np.unique(water.on_wall, return_inverse=True)
    row = row.reshape(water.on_wall.shape)
    couple = np.zeros((nodes.size, wall.unknowns))
    for number, block in enumerate(blocks):
        start = PER_NODE * int(water.wet[number])
        couple[row[number], start : start + 2 * PER_NODE] += block
    return couple, nodes


def _quadratic(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Quadratic Lagrange functions on -1, 0, 1 and their derivatives, each (N, 3)."""
    value = np.stack([x * (x - 1) / 2, 1 - x**2, x * (x + 1) / 2], 1)
    return value, np.stack([x - 0.5, -2 * x, x + 0.5], 1)


def _integrals(places: FloatArray, connect: IntArray) -> tuple[Any, Any, Any]:
    """Assemble the three integrals over all elements (Q, 9): gradient, swirl, volume."""
    nodes, weights = np.polynomial.legendre.leggauss(3)
    value, slope = _quadratic(nodes)
    corner = places[connect]
    gradient = np.zeros((len(connect), 9, 9))
    swirl, volume = np.zeros_like(gradient), np.zeros_like(gradient)
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
            volume += scale * r[:, None, None] * np.outer(shape, shape)
    rows, columns = np.repeat(connect, 9, axis=1).ravel(), np.tile(connect, (1, 9)).ravel()
    size = (len(places), len(places))
    whole = (coo_matrix((part.ravel(), (rows, columns)), size).tocsc() for part in (gradient, swirl, volume))
    return next(whole), next(whole), next(whole)

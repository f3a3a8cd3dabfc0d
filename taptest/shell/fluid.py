"""Water in a cavity of revolution: added mass of every level from one pass per circumferential harmonic.

Goal: the kinetic energy of water that moves with the wall, for a horizontal surface at any of the mesh's lines.

Theory: incompressible potential flow, Laplace's equation for harmonic n in (r, z), the wall's normal velocity
prescribed, the potential zero at the free surface (pressure release; sloshing lies far below the sound). Quadratic
finite elements in horizontal layers that grow from the water end, each layer with the same number of nodes across,
graded toward the wall. A level's matrix is a leading block of the full cavity's, so one block elimination from the
water end gives the added mass of every level as a running sum of squares: it can only grow with the level. The wholly
filled cavity is closed; only for n = 0 this matters, and there the opening of the connection at the water end's pole
lets water through (`OPENING_M2` wide, `OPENING_LENGTH_M` long): without it the wall could not move where it changes
the volume.

Water between two inner lines is eliminated from its last line back towards its first, so that one pass serves all zones
that end alike: rings of gas below a seam, and rings of water above it, each with its own thickness, side by side.

Conventions: added-mass matrices leave out the circumferential factor, as in `vibration`; heights are counted from the
water end.
"""

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.vibration import DryShell

FloatArray = NDArray[np.float64]

OPENING_M2 = 2.5e-4
"""Clear area of the connection (about 3/4 inch)."""
OPENING_LENGTH_M = 0.3
"""Length of the water column in the connection that moves with the flow through it."""


def _quadratic(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return quadratic shape functions of nodes -1, 0, 1 and their derivatives, (..., 3)."""
    value = np.stack([0.5 * x * (x - 1), 1 - x * x, 0.5 * x * (x + 1)], axis=-1)
    return value, np.stack([x - 0.5, -2 * x, x + 0.5], axis=-1)


def layer_fractions(radius_m: float, thickness_m: float, wall_size_m: float, growth: float) -> FloatArray:
    """Return element edges across a layer of water on the wall, from its inner side to the wall (1).

    At least two elements. Raises nothing: a layer thicker than nine tenths of the radius is taken as that thick.
    """
    thick = min(thickness_m, 0.9 * radius_m)
    deep = (1.0 - radial_fractions(radius_m, min(wall_size_m, 0.5 * thick), growth)) * radius_m
    edges = deep[deep < 0.85 * thick]
    return np.asarray(1.0 - np.concatenate([[thick], edges]) / radius_m)


def radial_fractions(radius_m: float, wall_size_m: float, growth: float) -> FloatArray:
    """Return element edges from the axis (0) to the wall (1), fine at the wall; `growth` 1 makes them even."""
    edges, size, depth = [0.0], wall_size_m, 0.0
    while depth < radius_m:
        depth += size
        edges.append(depth)
        size *= growth
    return np.asarray(1.0 - np.array(edges[::-1]) / depth)


@dataclass(frozen=True, slots=True)
class WaterColumn:
    """The cavity of a closed shell, cut into layers by the shell's own elements; J layers, m nodes across.

    Level j means that the surface lies at the top of layer j - 1: 0 is dry, J brings the surface to the far end,
    where the last one, J + 1, is the closed, wholly filled cavity.
    """

    shell: DryShell
    fraction: FloatArray
    """(q+1,) element edges across, from the axis (0) or the inner side of a layer to the wall (1)."""
    closed_pole: bool = False
    """Whether the opening of the connection is left out."""
    layers: NDArray[np.int64] = field(init=False)
    """(J,) the shell element beside each layer."""
    _gradient: FloatArray = field(init=False, repr=False)
    _angular: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        ends = self.shell.mesh.meridian.geometry(self.shell.mesh.node_m).height_m
        rising = np.diff(ends) > 1e-12
        object.__setattr__(self, "layers", np.flatnonzero(rising))
        gradient, angular = self._layer_matrices()
        object.__setattr__(self, "_gradient", gradient)
        object.__setattr__(self, "_angular", angular)

    @property
    def across(self) -> int:
        """Nodes of one line from the axis to the wall."""
        return 2 * len(self.fraction) - 1

    def line_heights_m(self) -> FloatArray:
        """Return (J+1,) heights of the lines at which a surface can lie."""
        nodes = self.shell.mesh.node_m
        heights = self.shell.mesh.meridian.geometry(nodes).height_m
        return np.concatenate([heights[self.layers[:1]], heights[self.layers + 1]])

    def _layer_matrices(self) -> tuple[FloatArray, FloatArray]:
        """Return (J, 3m, 3m) the two parts of each layer's matrix: gradient in (r, z), and that times n squared."""
        mesh = self.shell.mesh
        node, weight = np.polynomial.legendre.leggauss(4)
        half = 0.5 * mesh.length_m[self.layers]
        s = mesh.node_m[self.layers][:, None] + half[:, None] * (node + 1.0)
        wall = mesh.meridian.within(mesh.segment[self.layers], s)
        radius, slope = wall.radius_m, wall.slope_rad
        dr, dz = np.cos(slope) * half[:, None], np.sin(slope) * half[:, None]
        value, first = _quadratic(node)
        count, q = len(self.layers), len(self.fraction) - 1
        m = self.across
        gradient, angular = np.zeros((count, 3, m, 3, m)), np.zeros((count, 3, m, 3, m))
        for cell in range(q):
            x0, x1 = self.fraction[cell], self.fraction[cell + 1]
            step = 0.5 * (x1 - x0)
            x = x0 + step * (node + 1.0)
            # points: (layer, height, across); functions: height node, across node
            along = np.einsum("hi,xj->hxij", value, first)
            upward = np.einsum("hi,xj->hxij", first, value)
            plain = np.einsum("hi,xj->hxij", value, value)
            phi_r = along[None] / (step * radius)[:, :, None, None, None]
            tilt = (x[None, None, :] * dr[:, :, None] / (step * radius)[:, :, None])[..., None, None]
            phi_z = (upward[None] - tilt * along[None]) / dz[:, :, None, None, None]
            r = x[None, None, :] * radius[:, :, None]
            area = step * (radius * dz)[:, :, None] * weight[None, :, None] * weight[None, None, :]
            at = slice(2 * cell, 2 * cell + 3)
            flat = (len(half), 16, 9)
            both = (area * r).reshape(len(half), 16, 1)
            pr, pz = phi_r.reshape(flat), phi_z.reshape(flat)
            grad = np.swapaxes(pr * both, 1, 2) @ pr + np.swapaxes(pz * both, 1, 2) @ pz
            pp = np.broadcast_to(plain.reshape(1, 16, 9), flat)
            turn = np.swapaxes(pp * (area / r).reshape(len(half), 16, 1), 1, 2) @ pp
            gradient[:, :, at, :, at] += grad.reshape(len(half), 3, 3, 3, 3)
            angular[:, :, at, :, at] += turn.reshape(len(half), 3, 3, 3, 3)
        return gradient.reshape(count, 3 * m, 3 * m), angular.reshape(count, 3 * m, 3 * m)

    def _wall_loads(self, normal: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return loads of displacements (E, G, K): (J, 3, K) on the layers' wall nodes, (m, K) on both end lines."""
        shell = self.shell
        node, _ = np.polynomial.legendre.leggauss(normal.shape[1])
        value, _ = _quadratic(node)
        weighted = normal * shell.weight[..., None]
        wall = np.einsum("gi,jgk->jik", value, weighted[self.layers])
        caps = []
        flat = np.setdiff1d(np.arange(len(shell.mesh.segment)), self.layers)
        for rows in (flat[flat < self.layers[0]], flat[flat > self.layers[-1]]):
            load = np.zeros((self.across, normal.shape[2]))
            if len(rows):
                share = (shell.points.radius_m[rows] / np.max(shell.points.radius_m)).ravel()
                cell = np.clip(np.searchsorted(self.fraction, share) - 1, 0, len(self.fraction) - 2)
                x = 2.0 * (share - self.fraction[cell]) / np.diff(self.fraction)[cell] - 1.0
                shape, _ = _quadratic(x)
                flow = weighted[rows].reshape(len(share), -1)
                for part in range(3):
                    np.add.at(load, 2 * cell + part, shape[:, part, None] * flow)
            caps.append(load)
        return wall, caps[0], caps[1]

    @property
    def is_layer(self) -> bool:
        """Whether the water is a layer on the wall, with no pressure on its inner side."""
        return bool(self.fraction[0] > 0.0)

    def added_mass(self, n: int, normal: FloatArray, levels: NDArray[np.int64], density_kg_m3: float) -> FloatArray:
        """Return (L, K, K) added mass of wall motions for each of the levels (L,).

        `normal` is (E, G, K), the outward normal displacement of K motions at the shell's integration points.
        Raises PhysicsError for levels outside 0 .. J + 1.
        """
        count = len(self.layers)
        if np.any(levels < 0) or np.any(levels > count + 1):
            raise PhysicsError(
                f"A water level outside the {count} layers of the mesh was asked for; give 0 to {count + 1}."
            )
        wet = [int(level) for level in levels if level > 0]
        masses = dict(zip(wet, zone_masses([WaterLayers(self, 0, level) for level in wet], n, normal), strict=True))
        dry = np.zeros((normal.shape[2],) * 2)
        return density_kg_m3 * np.stack([masses.get(int(level), dry) for level in levels])


@dataclass(frozen=True, slots=True)
class WaterLayers:
    """A zone of water on the mesh: from one line of a column to another, farther from the water end's pole.

    Lines count from 0 at that pole; a `last` of J + 1 closes the water at the far pole. There is no pressure on a
    first line but 0 nor on a last one but that.
    """

    column: WaterColumn
    first: int
    last: int

    @property
    def key(self) -> tuple[int, int, int]:
        """The same for the same water."""
        return id(self.column), self.first, self.last

    @property
    def pass_key(self) -> tuple[int, ...]:
        """The same for zones that one pass serves."""
        closed = self.first == 0 or self.last > len(self.column.layers)
        alone = id(self.column) if closed else 0
        return (0 if self.first == 0 else self.last, self.column.across, self.column.is_layer, alone)


def zone_masses(zones: Sequence[WaterLayers], n: int, normal: FloatArray) -> list[FloatArray]:
    """Return the added mass (K, K) of each zone for a density of one; `normal` as in `WaterColumn.added_mass`."""
    groups: dict[tuple[int, ...], list[int]] = {}
    for number, zone in enumerate(zones):
        groups.setdefault(zone.pass_key, []).append(number)
    masses = [np.zeros(0)] * len(zones)
    for members in groups.values():
        some = [zones[number] for number in members]
        columns = list({id(zone.column): zone.column for zone in some}.values())
        row = {id(column): index for index, column in enumerate(columns)}
        from_pole = some[0].first == 0
        if from_pole:
            walk = _from_pole(columns[0], n, normal, max(zone.last for zone in some))
        else:
            walk = _backwards(columns, n, normal, some[0].last, min(zone.first for zone in some))
        total = np.zeros((len(columns), normal.shape[2], normal.shape[2]))
        for line, part in walk:
            total += part
            for number, zone in zip(members, some, strict=True):
                if line == (zone.last if from_pole else zone.first):
                    masses[number] = total[row[id(zone.column)]].copy()
    return masses


Walk = Generator[tuple[int, FloatArray], None, None]
"""Lines in the order of a pass, each with what the layer before it adds to the masses (Z, K, K) of Z columns."""


def _from_pole(column: WaterColumn, n: int, normal: FloatArray, last: int) -> Walk:
    """Eliminate layer by layer from the water end's pole, where the connection's opening lets water through."""
    m, count = column.across, len(column.layers)
    matrix = column._gradient + n * n * column._angular
    wall, bottom, top = column._wall_loads(normal)
    ends = column.shell.mesh.meridian.geometry(column.shell.mesh.node_m[[0, -1]]).radius_m
    pointed = bool(column.layers[0] == 0 and ends[0] == 0.0)
    corner = np.zeros((1, m, m))
    if n == 0 and not column.closed_pole:
        corner[:, 0, 0] = OPENING_M2 / (2.0 * np.pi * OPENING_LENGTH_M)
    held = _inner(column, n)
    start = _Start(corner, bottom, held, n if pointed else None)
    lines = range(1, min(count, last) + 1)
    corner, load = yield from _walked(matrix[None], wall, lines, start, held)
    if last == count + 1:
        load[:, :m] += top
        far_pole = bool(column.layers[-1] == len(column.shell.mesh.segment) - 1 and ends[1] < 1e-9)
        part = _last_line(bool(held), corner[0], load[0, :m], far_pole)
        yield last, (part.T @ part)[None]


def _backwards(columns: Sequence[WaterColumn], n: int, normal: FloatArray, last: int, first: int) -> Walk:
    """Eliminate layer by layer from a last line back to a first one, columns of different thickness side by side."""
    column = columns[0]
    m, count = column.across, len(column.layers)
    some = slice(first, min(last, count))
    turned = np.arange(3 * m).reshape(3, m)[::-1].ravel()
    matrix = np.stack([(each._gradient[some] + n * n * each._angular[some])[::-1] for each in columns])
    matrix = matrix[:, :, turned[:, None], turned]
    wall, _, top = column._wall_loads(normal)
    held = _inner(column, n)
    corner = np.zeros((len(columns), m, m))
    if last > count:
        end = float(column.shell.mesh.meridian.geometry(column.shell.mesh.node_m[-1:]).radius_m[0])
        pointed = bool(column.layers[-1] == len(column.shell.mesh.segment) - 1 and end < 1e-9)
        start = _Start(corner, top, held, n if pointed else None)
    else:
        start = _Start(corner, np.zeros_like(top), [*held, *range(m)], None)
    lines = range(min(last, count) - 1, first - 1, -1)
    yield from _walked(matrix, wall[some][::-1, ::-1], lines, start, held)


@dataclass(frozen=True, slots=True)
class _Start:
    """The line that a pass begins with: what it couples (Z, m, m), its load (m, K), and how it is held."""

    corner: FloatArray
    load: FloatArray
    held: list[int]
    pole_of: int | None
    """The harmonic, where the line is one point."""


def _walked(
    matrix: FloatArray, wall: FloatArray, lines: range, start: _Start, inner: list[int]
) -> Generator[tuple[int, FloatArray], None, tuple[FloatArray, FloatArray]]:
    """Eliminate the layers (Z, S, 3m, 3m) with their loads (S, 3, K) in turn; return what is left on the last line.

    That is its matrix (Z, m, m) and its load (Z, 2m, K), with room for the next layer's middle line.
    """
    m, modes = matrix.shape[2] // 3, wall.shape[2]
    corner, load = start.corner, np.zeros((len(matrix), 2 * m, modes))
    load[:, :m] = start.load
    held, pole_of = start.held, start.pole_of
    for j, line in enumerate(lines):
        block = matrix[:, j, : 2 * m, : 2 * m].copy()
        block[:, :m, :m] += corner
        coupling = matrix[:, j, : 2 * m, 2 * m :].copy()
        load[:, m - 1] += wall[j, 0]
        load[:, 2 * m - 1] += wall[j, 1]
        if pole_of is not None:
            held = held + _close_pole(pole_of, block, coupling, load)
        _hold(held, block, coupling, load)
        held, pole_of = inner, None
        both = np.concatenate([load, coupling], axis=2)
        given = np.swapaxes(both, 1, 2) @ np.linalg.solve(block, both)
        yield line, given[:, :modes, :modes]
        corner = matrix[:, j, 2 * m :, 2 * m :] - given[:, modes:, modes:]
        load = np.zeros_like(load)
        load[:, :m] = -given[:, modes:, :modes]
        load[:, m - 1] += wall[j, 2]
    return corner, load


def _inner(column: WaterColumn, n: int) -> list[int]:
    """Return the nodes on the axis, or on a layer's inner side, whose potential is zero."""
    return [0, column.across] if n > 0 or column.is_layer else []


def _hold(rows: list[int], block: FloatArray, coupling: FloatArray, load: FloatArray) -> None:
    """Set some nodes' potential to zero."""
    block[:, rows, :], block[:, :, rows], coupling[:, rows, :], load[:, rows] = 0.0, 0.0, 0.0, 0.0
    block[:, rows, rows] = 1.0


def _close_pole(n: int, block: FloatArray, coupling: FloatArray, load: FloatArray) -> list[int]:
    """Let all nodes of the first line be the one point that they are; return those to be held for it."""
    m = block.shape[1] // 2
    if n == 0:
        for part in (block, coupling, load):
            part[:, 0] = part[:, :m].sum(axis=1)
        block[:, :, 0] = block[:, :, :m].sum(axis=2)
    return list(range(1, m))


def _last_line(inner_held: bool, corner: FloatArray, load: FloatArray, pointed: bool) -> FloatArray:
    """Return the square root of what the last line, at the far end of the filled cavity, adds."""
    if pointed:
        if inner_held:
            return np.zeros((1, load.shape[1]))
        return np.asarray(load.sum(axis=0, keepdims=True) / np.sqrt(corner.sum()))
    block, rest = corner.copy(), load.copy()
    if inner_held:
        _hold([0], block[None], np.zeros((1, len(block), 1)), rest[None])
    return np.asarray(np.linalg.solve(np.linalg.cholesky(block), rest))

"""A whole tank partly filled with water: complex modes at any level.

Goal: poles and mode shapes along the tap line, from which every response follows.

Method: for each circumferential harmonic the dry, pressurised modes (`vibration`) well above the range are the basis;
a level adds the water's mass (`fluid`) and the losses where they act, and the eigenproblem is solved with complex
stiffness and mass. Losses are LOCAL: structure everywhere; more on wetted wall; rubber as mass and loss where it lies
on air-backed wall; the seam ring; the wall around the connection's stiff boss; radiation into the air as a resistance
that grows with frequency up to coincidence, which is the same as an imaginary mass rho0 c0 / w_c an area. Averaging
losses over undamped modes would be wrong where modes overlap.

A lying tank (axis "horizontal") breaks the symmetry around the axis: it goes by the approximation of `lying`.

Conventions: depths are vertical metres below the top of the shell; a boundary at depth d with the water end on top
wets everything above d, with the water end at the bottom everything below.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.fluid import WaterColumn, radial_fractions
from taptest.shell.lying import LyingTank, lying_line
from taptest.shell.meridian import SAME_NODE, Mesh, closed_shell, mesh_of
from taptest.shell.records import ComplexArray, FloatArray, Losses, ShellSpec, WetModes
from taptest.shell.vibration import Basis, DryShell, Ring, around, dry_basis, normal_at
from taptest.shell.wall import AIR_IMPEDANCE, LOWEST_HZ, bending_wave_number, coincidence_hz

IntArray = NDArray[np.int64]

BOSS_RADIUS_M = 0.02
"""Radius of the boss of the connection: stiff, and with the connection's mass."""
BOSS_WALLS = 5.0
"""Thickness of the boss in walls: a forged socket hardly bends. Own estimate."""
BOSS_REACH_M = 0.035
"""Radius up to which the connection takes energy out of the wall around its boss."""
BOSS_LOSS = 0.05
"""Extra loss factor of that wall."""
RING_REACH_M = 0.015
"""Distance on either side of the seam within which the ring's loss acts."""
WEAK = 0.1
"""Share of one undamped mode in another up to which losses count as a small change: its square is neglected."""


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Keep the linear algebra from sharing out matrices that are too small for it: several times slower otherwise."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1, "blas"):
        yield


@dataclass(frozen=True, slots=True)
class Resolution:
    """How fine the model is."""

    per_wavelength: float = 6.0
    """Elements a bending wavelength of the wetted wall at the highest frequency."""
    basis_reach: float = 1.6
    """Wave number of the highest dry mode over that of the wetted wall at the highest frequency."""
    growth: float = 1.6
    """Growth of the water's elements from the wall to the axis."""


@dataclass(frozen=True, slots=True)
class Tank3D:
    """The model of one tank: shell and cavity on a mesh that has a line at every level asked for."""

    spec: ShellSpec
    shell: DryShell
    column: WaterColumn
    height_m: float
    max_hz: float
    basis_hz: float
    element_m: float
    """Usual length of its elements."""

    def level_index(self, level_depth_m: float | None) -> int:
        """Index of the water level for `WaterColumn.added_mass`: None and no water give 0, a full cavity the last.

        Raises PhysicsError if the mesh has no line there.
        """
        if level_depth_m is None:
            return 0
        heights = self.column.line_heights_m()
        y = self.to_height(np.array([level_depth_m]))[0]
        margin = 1e-4 * self.height_m
        if y <= heights[0] + margin:
            return 0
        if y >= heights[-1] - margin:
            return len(heights)
        near = int(np.argmin(np.abs(heights - y)))
        if abs(heights[near] - y) > max(2e-3 * self.height_m, SAME_NODE * self.element_m):
            raise PhysicsError(
                f"The mesh has no line at the depth {level_depth_m} m; name every level when building it."
            )
        return near

    def to_height(self, depth_m: FloatArray) -> FloatArray:
        """Heights from the water end of the middle surface for depths below the top of the shell."""
        return _height_of(self.spec, self.height_m, np.asarray(depth_m, dtype=np.float64))

    def arcs(self, depth_m: FloatArray) -> FloatArray:
        """Arc lengths of points on the tap line."""
        return self.shell.mesh.meridian.arc_at_height(self.to_height(depth_m))

    def harmonics(self) -> range:
        """Circumferential harmonics with modes in the range."""
        k = bending_wave_number(self.spec, self.max_hz, water=True)
        return range(int(np.ceil(k * 0.5 * self.spec.diameter_m)) + 2)


def build(spec: ShellSpec, levels_m: FloatArray, max_hz: float, resolution: Resolution = Resolution()) -> Tank3D:
    """Mesh a tank for all the boundary depths that will be asked for (NaN is passed over).

    Raises PhysicsError for a shell without size.
    """
    if not (spec.diameter_m > 2 * spec.wall_m > 0 and spec.straight_m >= 0 and max_hz > 0):
        raise PhysicsError(
            f"A shell {spec.diameter_m} m wide, {spec.straight_m} m straight with a wall of {spec.wall_m} m cannot be; "
            "check diameter, wall and straight length."
        )
    radius = 0.5 * (spec.diameter_m - spec.wall_m)
    meridian = closed_shell(spec.head, radius, spec.straight_m, spec.wall_m)
    height = meridian.height_m
    depths = np.asarray(levels_m, dtype=np.float64)
    wanted = list(depths[np.isfinite(depths)])
    wanted += [d for d in (spec.rubber_from_m, spec.rubber_to_m, spec.more_ring_depth_m) if d is not None]
    if spec.seam_depth_m is not None:
        wanted += [spec.seam_depth_m + off for off in (-RING_REACH_M, 0.0, RING_REACH_M)]
    y = _height_of(spec, height, np.array(wanted))
    y = y[(y > 1e-4 * height) & (y < height * (1 - 1e-4))]
    k = bending_wave_number(spec, max_hz, water=True)
    size = 2 * np.pi / k / resolution.per_wavelength
    mesh = mesh_of(meridian, size, np.append(meridian.arc_at_height(y), _boss_arcs(spec, meridian.length_m)))
    shell = _dry_shell(spec, mesh, height)
    growth = 1.0 if spec.head == "flat" else resolution.growth
    column = WaterColumn(shell, radial_fractions(radius, size, growth))
    reach = (resolution.basis_reach * k) ** 2 / bending_wave_number(spec, 1.0, water=False) ** 2
    ring_hz = np.sqrt(spec.material.young_pa / spec.material.density_kg_m3) / (2 * np.pi * radius)
    return Tank3D(spec, shell, column, height, max_hz, float(np.hypot(reach, min(ring_hz, max_hz))), size)


def _dry_shell(spec: ShellSpec, mesh: Mesh, height: float) -> DryShell:
    """Return the shell with its wall, its boss at the connection's end and its seam ring."""
    middle = mesh.meridian.within(mesh.segment, 0.5 * (mesh.node_m[:-1] + mesh.node_m[1:]))
    on_cylinder = np.abs(middle.slope_rad - np.pi / 2) < 1e-9
    wall = np.where(on_cylinder, spec.wall_m, spec.head_wall_m or spec.wall_m)
    extra = np.zeros_like(wall)
    if spec.end_fitting_kg > 0:
        boss = _from_boss(spec, mesh) < BOSS_RADIUS_M
        wall = np.where(boss, BOSS_WALLS * wall, wall)
        own = wall * spec.material.density_kg_m3
        extra = np.where(boss, np.maximum(spec.end_fitting_kg / _area(mesh, boss) - own, 0.0), 0.0)
    ring = None
    if spec.seam_depth_m is not None and (spec.ring_mass_kg_m > 0 or spec.ring_stiffness > 0):
        y = _height_of(spec, height, np.array([spec.seam_depth_m]))
        ring = Ring(_node_at(mesh, y), spec.ring_mass_kg_m, spec.ring_stiffness)
    return DryShell(mesh, wall, spec.material, spec.pressure_pa, extra, ring)


def _height_of(spec: ShellSpec, height_m: float, depth_m: FloatArray) -> FloatArray:
    """Return heights from the water end of a middle surface `height_m` high, for depths below the top of the shell."""
    inner = depth_m - 0.5 * spec.wall_m
    return inner if spec.water_end == "top" else height_m - inner


def _node_at(mesh: Mesh, height_m: FloatArray) -> int:
    """Return the node nearest to a height (1,) from the water end."""
    return int(np.argmin(np.abs(mesh.node_m - mesh.meridian.arc_at_height(height_m))))


def _fitting_far(spec: ShellSpec) -> bool:
    """Whether the connection lies at the end away from the water, where arc lengths end."""
    return spec.fitting_end is not None and spec.fitting_end != spec.water_end


def _boss_arcs(spec: ShellSpec, length_m: float) -> FloatArray:
    """Return arc lengths of the boss's edge and of its reach."""
    arcs = np.array([BOSS_RADIUS_M, BOSS_REACH_M])
    return length_m - arcs if _fitting_far(spec) else arcs


def _from_boss(spec: ShellSpec, mesh: Mesh) -> FloatArray:
    """Return (E,) arc lengths of the elements' middles from the pole at which the connection lies."""
    middle = 0.5 * (mesh.node_m[:-1] + mesh.node_m[1:])
    return mesh.meridian.length_m - middle if _fitting_far(spec) else middle


def _boss_wall(spec: ShellSpec, mesh: Mesh) -> FloatArray:
    """Return (E,) 1 on the wall around the boss, where the connection takes out energy."""
    away = _from_boss(spec, mesh)
    there = (away > BOSS_RADIUS_M) & (away < BOSS_REACH_M) & (spec.end_fitting_kg > 0)
    return np.asarray(there, dtype=np.float64)


def _area(mesh: Mesh, which: NDArray[np.bool_]) -> float:
    """Return the area of some elements."""
    middle = mesh.meridian.within(mesh.segment, 0.5 * (mesh.node_m[:-1] + mesh.node_m[1:]))
    return float(np.sum(2 * np.pi * middle.radius_m * mesh.length_m * which))


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One circumferential harmonic of one tank, all levels, reduced to its dry modes: everything a solution needs.

    m dry modes, L levels, P positions. Levels are those of `levels` in the order given.
    """

    basis: Basis
    added: FloatArray
    """(L, m, m) mass of the water."""
    wet_stiffness: FloatArray
    """(L, m, m) elastic stiffness of the wetted wall, on which the water's loss acts."""
    rubber_stiffness: FloatArray
    rubber_area: FloatArray
    """(L, m, m) elastic stiffness, and unit mass, of the air-backed wall on which rubber lies."""
    ring_stiffness: FloatArray
    boss_stiffness: FloatArray
    outer_area: FloatArray
    """(m, m) for the seam's neighbourhood, the wall around the boss, and unit mass on the whole outside."""
    more_ring: tuple[FloatArray, FloatArray, FloatArray]
    """(m, m) stiffness and mass of one more ring, see `_more_ring`; (1, 1) zeros where there is no place for it."""
    sample: FloatArray
    """(P, m) normal displacement at the positions."""


def reduce_harmonic(tank: Tank3D, n: int, levels: IntArray, arcs_m: FloatArray) -> Harmonic:
    """Project shell, water and losses of harmonic n on the dry modes, for all levels at once."""
    spec, mesh = tank.spec, tank.shell.mesh
    basis = dry_basis(tank.shell, n, tank.basis_hz)
    element_k, element_a = basis.element_stiffness, basis.element_normal_mass
    middle = 0.5 * (mesh.node_m[:-1] + mesh.node_m[1:])
    heights = mesh.meridian.geometry(middle).height_m
    lines = tank.column.line_heights_m()
    surface = np.concatenate([lines, [np.inf]])[levels]
    surface[levels == 0] = -np.inf
    wet = (heights[None, :] < surface[:, None]).astype(np.float64)
    rubber = _rubber(tank, heights)[None, :] * (1.0 - wet)
    count = basis.frequency_hz.size
    flat_k, flat_a = element_k.reshape(len(middle), -1), element_a.reshape(len(middle), -1)
    shape = (len(levels), count, count)
    has_rubber = bool(np.any(rubber > 0))
    empty = np.zeros((len(levels), 1, 1))
    return Harmonic(
        basis=basis,
        added=tank.column.added_mass(n, basis.normal, levels, spec.water_density_kg_m3),
        wet_stiffness=(wet @ flat_k).reshape(shape),
        rubber_stiffness=(rubber @ flat_k).reshape(shape) if has_rubber else empty,
        rubber_area=(rubber @ flat_a).reshape(shape) if has_rubber else empty,
        ring_stiffness=np.tensordot(_near_seam(tank, heights), element_k, 1),
        boss_stiffness=np.tensordot(_boss_wall(spec, mesh), element_k, 1),
        outer_area=element_a.sum(axis=0),
        more_ring=_more_ring(tank, basis),
        sample=normal_at(tank.shell, basis.vector, arcs_m),
    )


def _more_ring(tank: Tank3D, basis: Basis) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (m, m) of one more ring: stiffness for one kilogram a metre, for one m4, and mass for the first."""
    depth = tank.spec.more_ring_depth_m
    if depth is None:
        return (np.zeros((1, 1)),) * 3
    node = _node_at(tank.shell.mesh, tank.to_height(np.array([depth])))
    at = basis.vector[4 * node : 4 * node + 4]
    heavy, light = (tank.shell.ring_matrices(basis.harmonic, Ring(node, *each)) for each in ((1.0, 0.0), (0.0, 1.0)))
    return at.T @ heavy[0] @ at, at.T @ light[0] @ at, at.T @ heavy[1] @ at


def _rubber(tank: Tank3D, heights: FloatArray) -> FloatArray:
    """Return (E,) 1 where the spec lays rubber on the wall."""
    spec = tank.spec
    if spec.rubber_kg_m2 <= 0 or spec.rubber_from_m is None or spec.rubber_to_m is None:
        return np.zeros_like(heights)
    depth = (heights if spec.water_end == "top" else tank.height_m - heights) + 0.5 * spec.wall_m
    return np.asarray((depth > spec.rubber_from_m) & (depth < spec.rubber_to_m), dtype=np.float64)


def _near_seam(tank: Tank3D, heights: FloatArray) -> FloatArray:
    """Return (E,) 1 within reach of the seam."""
    if tank.spec.seam_depth_m is None:
        return np.zeros_like(heights)
    seam = tank.to_height(np.array([tank.spec.seam_depth_m]))[0]
    return np.asarray(np.abs(heights - seam) < RING_REACH_M, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Change:
    """What may differ from the tank that was reduced, at the price of a new solution only."""

    wall_factor: float = 1.0
    """Wall thickness over the nominal one."""
    losses: Losses | None = None
    rubber_factor: float = 1.0
    """Mass of the rubber over the nominal one."""
    more_ring_kg_m: float = 0.0
    more_ring_moment_m4: float = 0.0
    """Mass per circumferential metre and area moment of one more ring, at the spec's depth for it. On the modes without
    it a heavy one comes out too stiff: third octaves are off by up to 1 dB where it changes them by 2 to 5."""


def matrices(
    tank: Tank3D, harmonic: Harmonic, level: int, change: Change = Change()
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return stiffness, mass, hysteretic loss and radiation, (m, m) each, of one level.

    The equation of motion is (stiffness + i loss - w^2 (mass - i radiation)) q = force.
    """
    spec, b = tank.spec, harmonic.basis
    losses = change.losses or spec.losses
    h, rubber = change.wall_factor, spec.rubber_kg_m2 * change.rubber_factor
    elastic = h * b.membrane + h**3 * b.bending
    stiff = elastic + b.pressure + b.ring
    mass = h * b.wall_mass + b.other_mass + harmonic.added[level] + rubber * harmonic.rubber_area[level]
    # element matrices hold membrane and bending together; where a loss acts both grow alike to first order
    local = h**2
    loss = (
        losses.structural * (elastic + b.ring)
        + losses.ring * (b.ring + local * harmonic.ring_stiffness)
        + local * (losses.water + losses.bag) * harmonic.wet_stiffness[level]
        + local * losses.rubber * change.rubber_factor * harmonic.rubber_stiffness[level]
        + local * BOSS_LOSS * harmonic.boss_stiffness
    )
    if change.more_ring_kg_m > 0 or change.more_ring_moment_m4 > 0:
        if spec.more_ring_depth_m is None:
            raise PhysicsError("One more ring was asked for, and the shell names no depth for it.")
        by_mass, by_moment, weight = harmonic.more_ring
        bends = change.more_ring_kg_m * by_mass + change.more_ring_moment_m4 * by_moment
        stiff, mass = stiff + bends, mass + change.more_ring_kg_m * weight
        loss = loss + (losses.structural + losses.ring) * bends
    coincidence = 2 * np.pi * coincidence_hz(spec) / h
    radiation = losses.air_radiation * AIR_IMPEDANCE / coincidence * harmonic.outer_area
    return stiff, mass, loss, radiation


def solve(
    tank: Tank3D, harmonic: Harmonic, level: int, max_hz: float, change: Change = Change()
) -> tuple[ComplexArray, ComplexArray]:
    """Return poles (K,) and shapes (K, P) of one harmonic at one level (index into the levels of the reduction).

    First the undamped wet modes, then the complex problem on those up to a third above the range.
    """
    return solve_changes(tank, harmonic, level, max_hz, (change,))[0]


def solve_changes(
    tank: Tank3D, harmonic: Harmonic, level: int, max_hz: float, changes: Sequence[Change]
) -> list[tuple[ComplexArray, ComplexArray]]:
    """Return poles and shapes as `solve` does for several changes, all on the undamped wet modes of the first one.

    A thinner wall takes more of them, because its modes lie lower.
    """
    from scipy.linalg import eigh

    every = [matrices(tank, harmonic, level, change) for change in changes]
    values, vectors = eigh(every[0][0], every[0][1], check_finite=False)
    reach = [1.33 * max_hz / min(change.wall_factor / changes[0].wall_factor, 1.0) for change in changes]
    count = np.searchsorted(values, (2 * np.pi * np.array(reach)) ** 2)
    found: list[tuple[ComplexArray, ComplexArray]] = []
    for n, (stiff, mass, loss, radiation) in zip(count, every, strict=True):
        undamped, x = values[:n], vectors[:, :n]
        if found and n:  # the first change's own modes are there already
            undamped, turn = eigh(x.T @ stiff @ x, x.T @ mass @ x, check_finite=False)
            x = x @ turn
        found.append(_complex_modes(harmonic, undamped, x, (loss, radiation), max_hz))
    return found


def _complex_modes(
    harmonic: Harmonic, undamped: FloatArray, x: FloatArray, losses: tuple[FloatArray, FloatArray], max_hz: float
) -> tuple[ComplexArray, ComplexArray]:
    """Return poles (K,) and shapes (K, P) from undamped modes `x` (m, j), their squares (j,), loss and radiation."""
    if not undamped.size:
        return np.zeros(0, complex), np.zeros((0, len(harmonic.sample)), complex)
    loss, radiation = losses
    squared, q, m = _damped(undamped, x.T @ loss @ x, x.T @ radiation @ x, max_hz)
    scale = np.sqrt(np.einsum("ik,ik->k", q, m @ q) * around(harmonic.basis.harmonic))
    omega = np.sqrt(squared)
    shape = ((harmonic.sample @ x) @ (q / scale)).T
    inside = (omega.real > 2 * np.pi * LOWEST_HZ) & (omega.real <= 2 * np.pi * max_hz)
    order = np.flatnonzero(inside)[np.argsort(omega.real[inside])]
    return np.asarray(1j * omega[order]), np.asarray(shape[order])


def _damped(
    undamped: FloatArray, loss: FloatArray, radiation: FloatArray, max_hz: float
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Return complex squared frequencies (j,), modes (j, j) and mass, all on undamped modes of unit mass.

    Losses that hardly couple the undamped modes are a small change of them, to first order (the usual perturbation of
    a symmetric eigenproblem); rubber on the wall couples many, and the problem is solved as it stands.
    """
    mass = np.eye(len(undamped)) - 1j * radiation
    apart = undamped[None, :] - undamped[:, None]
    np.fill_diagonal(apart, np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        mixed = (loss + undamped[None, :] * radiation) / apart
    heard = undamped < (2 * np.pi * 1.02 * max_hz) ** 2
    if np.all(np.abs(mixed[:, heard]) < WEAK):
        return (undamped + 1j * np.diag(loss)) / np.diag(mass), np.eye(len(undamped)) + 1j * mixed, mass
    squared, modes = np.linalg.eig(np.linalg.solve(mass, np.diag(undamped) + 1j * loss))
    return squared, modes, mass


def wet_modes(
    spec: ShellSpec,
    level_depth_m: float | None,
    depth_m: FloatArray,
    max_hz: float,
    resolution: Resolution = Resolution(),
) -> WetModes:
    """Complex modes of one tank at one water level, sampled at depths (P,).

    `level_depth_m` is the boundary's depth; None means all air; a boundary at or beyond the far end means all water.
    Raises PhysicsError for a shell that cannot be.
    """
    if spec.axis == "horizontal":
        return _lying_modes(spec, level_depth_m, np.asarray(depth_m, dtype=np.float64), max_hz)
    levels = np.array([np.nan if level_depth_m is None else level_depth_m])
    tank = build(spec, levels, max_hz, resolution)
    arcs = tank.arcs(np.asarray(depth_m, dtype=np.float64))
    index = np.array([tank.level_index(level_depth_m)])
    found = []
    with one_thread_each():
        for n in tank.harmonics():
            pole, shape = solve(tank, reduce_harmonic(tank, n, index, arcs), 0, max_hz)
            found.append((pole, np.full(len(pole), n, dtype=np.int64), shape))
    return _joined(found, np.asarray(depth_m, dtype=np.float64))


def _lying_modes(spec: ShellSpec, level_depth_m: float | None, depth_m: FloatArray, max_hz: float) -> WetModes:
    """Return the modes of a lying tank on its belly; all count as harmonic 0, because each mixes many."""
    tank = LyingTank(spec, max_hz)
    found = []
    for group in tank.modes(level_depth_m):
        at = lying_line(group, tank.angles(depth_m))
        found.append((group.pole_1_s, np.zeros(len(group.pole_1_s), dtype=np.int64), at))
    return _joined(found, depth_m)


def _joined(found: list[tuple[ComplexArray, IntArray, ComplexArray]], depth_m: FloatArray) -> WetModes:
    """Return the modes of all harmonics as one record."""
    return WetModes(
        np.concatenate([f[0] for f in found]),
        np.concatenate([f[1] for f in found]),
        np.concatenate([f[2] for f in found]),
        depth_m,
    )

"""A whole tank partly filled with water: complex modes at any level.

Goal: poles and mode shapes along the tap line, from which every response follows.

Method: for each circumferential harmonic the dry, pressurised modes (`vibration`) well above the range are the basis;
a picture of the wetted wall adds the water's mass (`fluid`), the rubber and the losses where they act, and the
eigenproblem is solved with complex stiffness and mass. Losses are LOCAL: structure everywhere; more on wetted wall;
rubber as mass and loss where it lies on the wall; the seam ring; the wall around the connection's stiff boss; radiation
into the air as a resistance that grows with frequency up to coincidence, which is the same as an imaginary mass
rho0 c0 / w_c an area. Averaging losses over undamped modes would be wrong where modes overlap.

A lying tank (axis "horizontal") breaks the symmetry around the axis: it goes by the approximation of `lying`.

Conventions: depths are vertical metres below the top of the shell; a boundary at depth d with the water end on top
wets everything above d, with the water end at the bottom everything below.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.fluid import WaterColumn, WaterLayers, layer_fractions, radial_fractions, zone_masses
from taptest.shell.lying import LyingTank, lying_line
from taptest.shell.meridian import SAME_NODE, Mesh, closed_shell, mesh_of
from taptest.shell.records import Change, ComplexArray, FloatArray, ShellSpec, WetModes, Wetting, Zone
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
STRAP_REACH_M = 0.015
"""Half the width of a strap."""
RING_REACH_M = 0.015
"""Distance on either side of the seam within which the ring's loss acts."""
WEAK = 0.25
"""Share of one undamped mode in another up to which losses count as a small change: its square is neglected. Third
octaves are off by 0.06 dB (root mean square) where rubber lies on half of the wall."""
WEAK_EXACT = 0.01
"""The same for the modes of one picture, which simulated recordings are made of."""
MOST_TURNS = 6
"""Turns of all pairs of modes; two or three are usual."""
DAMPED_REACH = 1.06
"""Undamped modes up to so far beyond the range are let be coupled by losses."""
BASIS_REACH = 1.33
THICK_REACH = 0.5
"""Wet modes of the first change up to so far beyond the range are the basis of the others: of a thinner wall further in
inverse proportion, of a thicker one less far by this power of it."""
AS_NOTED = Change()
SINGLE = np.float32
"""Precision of a sweep: it moves the lowest modes by a part in a thousand, and a sweep smears them by thirty."""


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


WetWall = tuple[WaterLayers, ...]


@dataclass(frozen=True, slots=True)
class Tank3D:
    """The model of one tank: shell and cavity on a mesh that has a line at every end of a zone asked for."""

    spec: ShellSpec
    shell: DryShell
    column: WaterColumn
    height_m: float
    max_hz: float
    basis_hz: float
    element_m: float
    """Usual length of its elements."""
    column_growth: float
    """Growth of the water's elements from the wall inwards."""

    def wall_of(self, wetting: Wetting) -> WetWall:
        """Return zones on the mesh; those of no height are left out. Raises PhysicsError as `line_at` does."""
        out = []
        for zone in wetting:
            ends = (zone.top_m, zone.bottom_m) if self.spec.water_end == "top" else (zone.bottom_m, zone.top_m)
            first, last = (self.line_at(depth) for depth in ends)
            if last > first:
                out.append(WaterLayers(self._column_of(zone), first, last))
        return tuple(out)

    def _column_of(self, zone: Zone) -> WaterColumn:
        if zone.thickness_m is None:
            return self.column
        radius = float(self.shell.mesh.meridian.within(self.shell.mesh.segment, self._middles()).radius_m.max())
        across = layer_fractions(radius, zone.thickness_m, self.element_m, self.column_growth)
        return WaterColumn(self.shell, across)

    def _middles(self) -> FloatArray:
        mesh = self.shell.mesh
        return 0.5 * (mesh.node_m[:-1] + mesh.node_m[1:])

    def line_at(self, depth_m: float) -> int:
        """Return the number of the line at a depth: 0 at the water end, J + 1 for a cavity closed at the far end.

        Raises PhysicsError if the mesh has no line there.
        """
        heights = self.column.line_heights_m()
        y = self.to_height(np.array([depth_m]))[0]
        margin = 1e-4 * self.height_m
        if y <= heights[0] + margin:
            return 0
        if y >= heights[-1] - margin:
            return len(heights)
        near = int(np.argmin(np.abs(heights - y)))
        if abs(heights[near] - y) > max(2e-3 * self.height_m, SAME_NODE * self.element_m):
            raise PhysicsError(f"The mesh has no line at the depth {depth_m} m; name every depth when building it.")
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


def build(spec: ShellSpec, depths_m: FloatArray, max_hz: float, resolution: Resolution = Resolution()) -> Tank3D:
    """Mesh a tank for all the ends of zones that will be asked for (NaN is passed over).

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
    depths = np.asarray(depths_m, dtype=np.float64)
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
    return Tank3D(spec, shell, column, height, max_hz, float(np.hypot(reach, min(ring_hz, max_hz))), size, growth)


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
    extra = extra + spec.strap_kg_m2 * _near(spec, mesh, height, spec.strap_depth_m, STRAP_REACH_M)
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
    """One circumferential harmonic of one tank, all pictures, reduced to its dry modes: everything a solution needs.

    m dry modes, L pictures of the wetted wall in the order given, P positions.
    """

    basis: Basis
    added: FloatArray
    """(L, m, m) mass of the water."""
    wet_stiffness: FloatArray
    """(L, m, m) elastic stiffness of the wetted wall, on which the water's loss acts."""
    rubber_stiffness: FloatArray
    rubber_area: FloatArray
    """(L, m, m) elastic stiffness, and unit mass, of the wall on which rubber lies."""
    ring_stiffness: FloatArray
    clamped_loss: FloatArray
    outer_area: FloatArray
    """(m, m) stiffness of the seam's neighbourhood; that around the boss and under a strap, times the loss they add;
    and unit mass on the whole outside."""
    more_ring: tuple[FloatArray, FloatArray, FloatArray]
    """(m, m) stiffness and mass of one more ring, see `_more_ring`; (1, 1) zeros where there is no place for it."""
    sample: FloatArray
    """(P, m) normal displacement at the positions."""


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures of the wetted wall, and where on the shell each thing acts: the same for every harmonic."""

    walls: Sequence[WetWall]
    wet: FloatArray
    rubber: FloatArray
    """(L, E) 1 where the wall is wet, and where rubber lies on it."""
    seam: FloatArray
    """(E,) 1 near the seam."""
    clamped_loss: FloatArray
    """(E,) loss factor that the connection and a strap add."""


def pictures_of(tank: Tank3D, walls: Sequence[WetWall]) -> Pictures:
    """Return pictures of the wetted wall ready to be reduced."""
    mesh = tank.shell.mesh
    heights = mesh.meridian.geometry(0.5 * (mesh.node_m[:-1] + mesh.node_m[1:])).height_m
    wet = _wet(tank, heights, walls)
    seam = _near(tank.spec, mesh, tank.height_m, tank.spec.seam_depth_m, RING_REACH_M)
    return Pictures(walls, wet, _rubber(tank, heights, wet), seam, _clamped_loss(tank))


def reduce_harmonic(
    tank: Tank3D, n: int, pictures: Pictures, arcs_m: FloatArray, precision: type[np.floating] = np.float64
) -> Harmonic:
    """Project shell, water and losses of harmonic n on the dry modes, for all pictures of the wetted wall at once.

    Matrices of the pictures are kept with `precision`: of a large tank they take most of the memory.
    """
    basis = dry_basis(tank.shell, n, tank.basis_hz)
    rubber = pictures.rubber if np.any(pictures.rubber > 0) else np.zeros((0, pictures.wet.shape[1]))
    added = _added(tank, n, basis.normal, pictures.walls).astype(precision)
    acting = np.concatenate([[pictures.seam, pictures.clamped_loss], pictures.wet, rubber])
    local = basis.stiffness_where(acting).astype(precision)
    area = basis.area_where(np.concatenate([np.ones((1, pictures.wet.shape[1])), rubber])).astype(precision)
    count = 2 + len(pictures.wet)
    nothing = np.zeros((len(pictures.wet), 1, 1))
    return Harmonic(
        basis=basis,
        added=added,
        wet_stiffness=local[2:count],
        rubber_stiffness=local[count:] if len(rubber) else nothing,
        rubber_area=area[1:] if len(rubber) else nothing,
        ring_stiffness=local[0],
        clamped_loss=local[1],
        outer_area=area[0],
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


def _added(tank: Tank3D, n: int, normal: FloatArray, walls: Sequence[WetWall]) -> FloatArray:
    """Return (L, m, m) mass of the water of each picture: that of its zones, which do not feel each other.

    Between them lies gas or slack rubber, which bears no pressure.
    """
    zones = {zone.key: zone for wall in walls for zone in wall}
    masses = dict(zip(zones, zone_masses(list(zones.values()), n, normal), strict=True))
    out = np.zeros((len(walls), normal.shape[2], normal.shape[2]))
    for number, wall in enumerate(walls):
        for zone in wall:
            out[number] += tank.spec.water_density_kg_m3 * masses[zone.key]
    return out


def _wet(tank: Tank3D, heights: FloatArray, walls: Sequence[WetWall]) -> FloatArray:
    """Return (L, E) 1 where the wall is wet."""
    lines = np.concatenate([tank.column.line_heights_m(), [np.inf]])
    lines[0] = -np.inf
    wet = np.zeros((len(walls), heights.size))
    for row, wall in zip(wet, walls, strict=True):
        for zone in wall:
            row[(heights > lines[zone.first]) & (heights < lines[zone.last])] = 1.0
    return wet


def _rubber(tank: Tank3D, heights: FloatArray, wet: FloatArray) -> FloatArray:
    """Return (L, E) 1 where rubber lies on the wall: dry wall of the water's half, wet wall beyond it."""
    spec = tank.spec
    if spec.rubber_kg_m2 <= 0 or spec.rubber_from_m is None or spec.rubber_to_m is None:
        return np.zeros_like(wet)
    depth = (heights if spec.water_end == "top" else tank.height_m - heights) + 0.5 * spec.wall_m
    own_half = (depth > spec.rubber_from_m) & (depth < spec.rubber_to_m)
    return np.where(own_half, 1.0 - wet, wet)


def _near(spec: ShellSpec, mesh: Mesh, height_m: float, depth_m: float | None, reach_m: float) -> FloatArray:
    """Return (E,) 1 within reach of a depth; nowhere where it is None."""
    middle = 0.5 * (mesh.node_m[:-1] + mesh.node_m[1:])
    if depth_m is None:
        return np.zeros_like(middle)
    heights = mesh.meridian.geometry(middle).height_m
    there = _height_of(spec, height_m, np.array([depth_m]))[0]
    return np.asarray(np.abs(heights - there) < reach_m, dtype=np.float64)


def _clamped_loss(tank: Tank3D) -> FloatArray:
    """Return (E,) loss factor that the connection and a strap add to the wall."""
    spec, mesh = tank.spec, tank.shell.mesh
    strap = _near(spec, mesh, tank.height_m, spec.strap_depth_m, STRAP_REACH_M)
    return BOSS_LOSS * _boss_wall(spec, mesh) + spec.strap_loss * strap


def matrices(
    tank: Tank3D, harmonic: Harmonic, change: Change = AS_NOTED
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return stiffness (m, m), mass (L, m, m), hysteretic loss (L, m, m) and radiation (m, m) of all pictures.

    The equation of motion is (stiffness + i loss - w^2 (mass - i radiation)) q = force.
    """
    spec, b = tank.spec, harmonic.basis
    losses = change.losses or spec.losses
    h, rubber, water = change.wall_factor, spec.rubber_kg_m2 * change.rubber_factor, change.water_factor
    elastic = h * b.membrane + h**3 * b.bending
    stiff = elastic + b.pressure + b.ring
    mass = h * b.wall_mass + b.other_mass + water * harmonic.added + rubber * harmonic.rubber_area
    # element matrices hold membrane and bending together; where a loss acts both grow alike to first order
    local = h**2
    fixed = (
        losses.structural * (elastic + b.ring)
        + losses.ring * (b.ring + local * harmonic.ring_stiffness)
        + local * harmonic.clamped_loss
    )
    if change.more_ring_kg_m > 0 or change.more_ring_moment_m4 > 0:
        if spec.more_ring_depth_m is None:
            raise PhysicsError("One more ring was asked for, and the shell names no depth for it.")
        by_mass, by_moment, weight = harmonic.more_ring
        bends = change.more_ring_kg_m * by_mass + change.more_ring_moment_m4 * by_moment
        stiff, mass = stiff + bends, mass + change.more_ring_kg_m * weight
        fixed = fixed + (losses.structural + losses.ring) * bends
    loss = (
        fixed
        + local * water * (losses.water + losses.bag) * harmonic.wet_stiffness
        + local * losses.rubber * change.rubber_factor * harmonic.rubber_stiffness
    )
    coincidence = 2 * np.pi * coincidence_hz(spec) / h
    radiation = losses.air_radiation * AIR_IMPEDANCE / coincidence * harmonic.outer_area
    return stiff, mass, loss, radiation


def solve(
    tank: Tank3D, harmonic: Harmonic, max_hz: float, change: Change = AS_NOTED, picture: int = 0
) -> tuple[ComplexArray, ComplexArray]:
    """Return poles (K,) and shapes (K, P) of one harmonic with one picture, by rising frequency."""
    pole, undamped, mix = next(solve_changes(tank, harmonic, max_hz, (change,), WEAK_EXACT))
    shape = undamped @ mix
    heard = np.flatnonzero(in_range(pole[picture], max_hz))
    heard = heard[np.argsort(pole[picture, heard].imag)]
    return pole[picture, heard], shape[picture][:, heard].T


def in_range(pole_1_s: ComplexArray, max_hz: float) -> NDArray[np.bool_]:
    """Whether each mode can be heard: below the range lie motions of the tank as a whole."""
    omega = pole_1_s.imag
    return (omega > 2 * np.pi * LOWEST_HZ) & (omega <= 2 * np.pi * max_hz)


def solve_changes(
    tank: Tank3D, harmonic: Harmonic, max_hz: float, changes: Sequence[Change], weak: float = WEAK
) -> Iterator[tuple[ComplexArray, FloatArray, ComplexArray]]:
    """Yield poles (L, j), undamped shapes (L, P, j) and damped modes (L, j, j) of those, for changes, all pictures.

    Shapes of the damped modes are the product of the two. First the undamped wet modes of the first change; everything
    is projected on those of them up to a third above the range once, and each change is solved there (a thinner wall
    takes more of them, because its modes lie lower). Modes beyond the range come along: see `in_range`. Losses that
    put less than the share `weak` of one mode into another count as a small change, to first order.
    """
    stiff, mass, _, _ = matrices(tank, harmonic, changes[0])
    squares, vectors = _undamped(np.broadcast_to(stiff, mass.shape), mass)
    counts = []
    for change in changes:
        ratio = change.wall_factor / changes[0].wall_factor
        reach = BASIS_REACH * max_hz / (ratio if ratio < 1.0 else ratio**THICK_REACH)
        counts.append(_most(squares, reach))
    narrow = _narrowed(harmonic, vectors[:, :, : max(counts)])
    for number, (change, count) in enumerate(zip(changes, counts, strict=True)):
        few = _first(narrow, count)
        stiff, mass, loss, radiation = matrices(tank, few, change)
        if number:
            values, turn = _undamped(stiff, mass)
        else:  # the first change's own modes are there already
            values, turn = squares[:, :count], np.broadcast_to(np.eye(count, dtype=mass.dtype), mass.shape)
        kept = _most(values, DAMPED_REACH * max_hz)
        values, turn = values[:, :kept], turn[:, :, :kept]
        squared, mix = _damped(values, _on(turn, loss), _on(turn, radiation), weak)
        scale = np.asarray(1.0 / np.sqrt(around(harmonic.basis.harmonic)), dtype=turn.dtype)
        yield np.asarray(1j * np.sqrt(squared)), few.sample @ (scale * turn), mix


def some_pictures(harmonic: Harmonic, which: slice) -> Harmonic:
    """Return a harmonic with some of its pictures only, in single precision."""

    def some(matrix: FloatArray) -> FloatArray:
        return (matrix[which] if matrix.ndim == 3 else matrix).astype(SINGLE)

    return _each_matrix(replace(harmonic, sample=harmonic.sample.astype(SINGLE)), some)


def _most(squares: FloatArray, hertz: float) -> int:
    """Return the largest number of modes below a frequency that any picture has, at least one."""
    return max(int((squares < (2 * np.pi * hertz) ** 2).sum(axis=1).max()), 1)


def _narrowed(harmonic: Harmonic, x: FloatArray) -> Harmonic:
    """Return all of a harmonic's matrices on vectors (L, m, j) of each picture."""

    def on(matrix: FloatArray) -> FloatArray:
        return matrix if matrix.shape[-1] == 1 else _on(x, matrix)

    return _each_matrix(replace(harmonic, sample=harmonic.sample @ x), on)


def _first(narrow: Harmonic, count: int) -> Harmonic:
    """Return a narrowed harmonic on the first of its vectors only."""

    def few(matrix: FloatArray) -> FloatArray:
        return matrix if matrix.shape[-1] == 1 else matrix[..., :count, :count]

    return _each_matrix(replace(narrow, sample=narrow.sample[..., :count]), few)


def _each_matrix(harmonic: Harmonic, on: Callable[[FloatArray], FloatArray]) -> Harmonic:
    """Return a harmonic with something done to each of its matrices."""
    basis = harmonic.basis
    first, second, third = harmonic.more_ring
    return replace(
        harmonic,
        basis=replace(
            basis,
            membrane=on(basis.membrane),
            bending=on(basis.bending),
            pressure=on(basis.pressure),
            ring=on(basis.ring),
            wall_mass=on(basis.wall_mass),
            other_mass=on(basis.other_mass),
        ),
        added=on(harmonic.added),
        wet_stiffness=on(harmonic.wet_stiffness),
        rubber_stiffness=on(harmonic.rubber_stiffness),
        rubber_area=on(harmonic.rubber_area),
        ring_stiffness=on(harmonic.ring_stiffness),
        clamped_loss=on(harmonic.clamped_loss),
        outer_area=on(harmonic.outer_area),
        more_ring=(on(first), on(second), on(third)),
    )


def _on(x: FloatArray, matrix: FloatArray) -> FloatArray:
    """Return a matrix (m, m) or (L, m, m) projected on vectors (L, m, j)."""
    return np.asarray(np.swapaxes(x, 1, 2) @ (matrix @ x))


def _undamped(stiff: FloatArray, mass: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return squared frequencies (L, m), rising, and modes (L, m, m) of unit mass."""
    root = np.linalg.inv(np.linalg.cholesky(mass))
    back = np.swapaxes(root, 1, 2)
    squares, vectors = np.linalg.eigh(root @ stiff @ back)
    return squares, back @ vectors


def _damped(
    undamped: FloatArray, loss: FloatArray, radiation: FloatArray, weak: float
) -> tuple[ComplexArray, ComplexArray]:
    """Return complex squared frequencies (L, j) and modes (L, j, j) on undamped modes of unit mass.

    Radiation, a thousandth of the mass, is taken to first order, so that one complex symmetric matrix is left. Losses
    that hardly couple the undamped modes are a small change of them, to first order (the usual perturbation of a
    symmetric eigenproblem). Where they couple modes more, all pairs are turned at once as Jacobi's method turns one,
    until they do not.
    """
    whole: ComplexArray = np.asarray(1j * (loss + 0.5 * (undamped[:, None, :] + undamped[:, :, None]) * radiation))
    np.einsum("ljj->lj", whole)[:] += undamped
    mixed = _mixed(whole)
    modes = np.broadcast_to(np.eye(undamped.shape[1], dtype=whole.dtype), whole.shape).copy()
    rows = np.flatnonzero(_strongest(mixed) > weak)
    for number in range(MOST_TURNS):
        if not rows.size:
            break
        turn = _turn(mixed[rows])
        here: ComplexArray = np.asarray(np.swapaxes(turn, 1, 2) @ (whole[rows] @ turn))
        whole[rows], modes[rows] = here, modes[rows] @ turn if number else turn
        mixed[rows] = left = _mixed(here)
        rows = rows[_strongest(left) > weak]
    for row in rows:  # hardly ever: modes that losses join for good
        _, exact = np.linalg.eig(whole[row])
        exact = exact / np.sqrt(np.sum(exact * exact, axis=0))
        modes[row] = modes[row] @ exact
        whole[row], mixed[row] = exact.T @ whole[row] @ exact, 0.0
    modes = modes + modes @ mixed
    return np.einsum("ljj->lj", whole).copy(), modes + 0.5j * (radiation @ modes)


def _mixed(whole: ComplexArray) -> ComplexArray:
    """Return (L, j, j) the first-order share of each mode in each other."""
    at = np.einsum("ljj->lj", whole)
    apart = at[:, None, :] - at[:, :, None]
    apart[apart == 0] = np.finfo(apart.dtype).tiny ** 0.25  # modes of one frequency are turned by half a right angle
    mixed: ComplexArray = np.asarray(whole / apart)
    np.einsum("ljj->lj", mixed)[:] = 0.0
    return mixed


def _strongest(mixed: ComplexArray) -> FloatArray:
    """Return (L,) the largest share of one mode in another."""
    return np.asarray(np.sqrt(np.max(mixed.real**2 + mixed.imag**2, axis=(1, 2))))


def _turn(mixed: ComplexArray) -> ComplexArray:
    """Return (L, j, j) complex orthogonal matrices that turn every coupled pair of modes at once.

    A pair that stood alone would be parted in one turn by the angle atan(2 share) / 2 (Jacobi's method).
    """
    tangent = 2.0 * mixed / (1.0 + np.sqrt(1.0 + 4.0 * mixed * mixed))
    half = tangent / (1.0 + np.sqrt(1.0 + tangent * tangent))
    unit = np.eye(mixed.shape[1], dtype=mixed.dtype)
    return np.asarray(np.linalg.solve(unit - half, unit + half))


def up_to(spec: ShellSpec, level_depth_m: float | None) -> Wetting:
    """Return deep water from the water end to a boundary's depth; none of it where the depth is None or NaN."""
    if level_depth_m is None or not np.isfinite(level_depth_m):
        return ()
    if spec.water_end == "top":
        return (Zone(0.0, level_depth_m),)
    return (Zone(level_depth_m, np.inf),)


def ends_of(wettings: Sequence[Wetting]) -> FloatArray:
    """Return the depths at which zones begin or end."""
    return np.array([end for wetting in wettings for zone in wetting for end in (zone.top_m, zone.bottom_m)])


def wet_modes(
    spec: ShellSpec,
    water: Wetting | float | None,
    depth_m: FloatArray,
    max_hz: float,
    resolution: Resolution = Resolution(),
) -> WetModes:
    """Complex modes of one tank with one picture of the wetted wall, sampled at depths (P,).

    `water` are the wet zones, or the depth of a boundary (deep water from the water end down or up to it); None means
    all air; a boundary at or beyond the far end means all water. Raises PhysicsError for a shell that cannot be.
    """
    if spec.axis == "horizontal":
        if isinstance(water, tuple):
            raise PhysicsError("The model of a lying tank knows a level only: give the depth of the boundary.")
        return _lying_modes(spec, water, np.asarray(depth_m, dtype=np.float64), max_hz)
    wetting = water if isinstance(water, tuple) else up_to(spec, water)
    tank = build(spec, ends_of([wetting]), max_hz, resolution)
    arcs = tank.arcs(np.asarray(depth_m, dtype=np.float64))
    pictures = pictures_of(tank, [tank.wall_of(wetting)])
    found = []
    with one_thread_each():
        for n in tank.harmonics():
            pole, shape = solve(tank, reduce_harmonic(tank, n, pictures, arcs), max_hz)
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

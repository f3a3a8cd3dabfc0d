"""The dry, pressurised shell of revolution by finite elements, one circumferential harmonic at a time.

Goal: stiffness and mass of a whole shell, heads included, and the dry modes that serve as the basis for every water
level.

Theory: Sanders' strains with in-plane inertia, on the exact meridian (`meridian`), with the geometric stiffness of
the membrane forces of a closed shell under internal pressure, N1 = p R2 / 2 and N2 = p R2 (1 - R2 / (2 R1)), for the
rotations about all three axes, and the follower stiffness of the pressure. "donnell" drops the in-plane displacements
from the rotations: only for comparison with formulas that do so.
Sources: J. L. Sanders, Quarterly of Applied Mathematics 21 (1963) 21; B. Budiansky, J. Appl. Mech. 35 (1968) 393
(pressure).

Conventions: u along the meridian, v along the circumference, w outward; with harmonic n they vary as cos, sin, cos of
n theta. A node has (radial, axial, circumferential displacement, rotation b = k1 u - dw/ds); an element has a cubic
w, and linear u and v with two inner functions each that are condensed out. Matrices leave out the factor from the
integral around the circumference, pi or, for n = 0, two pi (`around`).
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.meridian import Geometry, Mesh
from taptest.shell.records import STEEL, Material

FloatArray = NDArray[np.float64]
Theory = Literal["sanders", "donnell"]
Edge = Literal["pole", "free", "clamped", "simply supported", "guided"]

GAUSS = 5
"""Integration points an element."""
ELEMENTS_AT_ONCE = 24
"""Elements whose matrices are formed together: all of a large tank's would take hundreds of megabytes."""


def around(harmonic: int) -> float:
    """Integral of cos^2(n theta) around the circumference."""
    return 2.0 * np.pi if harmonic == 0 else np.pi


@dataclass(frozen=True, slots=True)
class Ring:
    """A ring at one node, by its mass and area moment."""

    node: int
    mass_kg_m: float
    moment_m4: float


@dataclass(frozen=True, slots=True)
class Fields:
    """Displacements and derivatives at the integration points as functionals of the element's 12 unknowns, (E, G, 12).

    Unknowns: u, w, dw/ds, v at the first and the last node, two inner functions of u, two of v.
    """

    u: FloatArray
    du: FloatArray
    v: FloatArray
    dv: FloatArray
    w: FloatArray
    dw: FloatArray
    ddw: FloatArray


def cubic(x: FloatArray, length: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return Hermite cubics and two derivatives at x in [-1, 1], (..., 4): w1, dw1, w2, dw2 of an element."""
    half = length / 2.0
    value = np.stack(
        [
            0.25 * (1 - x) ** 2 * (2 + x),
            0.25 * (1 - x) ** 2 * (1 + x) * half,
            0.25 * (1 + x) ** 2 * (2 - x),
            0.25 * (1 + x) ** 2 * (x - 1) * half,
        ],
        axis=-1,
    )
    first = np.stack(
        [
            0.75 * (x * x - 1) / half,
            0.25 * (3 * x * x - 2 * x - 1),
            0.75 * (1 - x * x) / half,
            0.25 * (3 * x * x + 2 * x - 1),
        ],
        axis=-1,
    )
    second = np.stack(
        [1.5 * x / half**2, 0.5 * (3 * x - 1) / half, -1.5 * x / half**2, 0.5 * (3 * x + 1) / half], axis=-1
    )
    return value, first, second


def _fields(length: FloatArray, x: FloatArray) -> Fields:
    """Return the functionals for elements of the given lengths (E,) at the integration points x (G,)."""
    xx, ll = np.broadcast_arrays(x[None, :], length[:, None])
    shape = (*xx.shape, 12)
    u, du, v, dv = (np.zeros(shape) for _ in range(4))
    w, dw, ddw = (np.zeros(shape) for _ in range(3))
    line = np.stack([0.5 * (1 - xx), 0.5 * (1 + xx), 1 - xx**2, xx * (1 - xx**2)], axis=-1)
    slope = np.stack([0.0 * xx - 0.5, 0.0 * xx + 0.5, -2 * xx, 1 - 3 * xx**2], axis=-1) * (2.0 / ll[..., None])
    u[..., [0, 4, 8, 9]], du[..., [0, 4, 8, 9]] = line, slope
    v[..., [3, 7, 10, 11]], dv[..., [3, 7, 10, 11]] = line, slope
    for target, part in zip((w, dw, ddw), cubic(xx, ll), strict=True):
        target[..., [1, 2, 5, 6]] = part
    return Fields(u, du, v, dv, w, dw, ddw)


def _to_nodes(mesh: Mesh, theory: Theory) -> FloatArray:
    """Return (E, 12, 12): the element's unknowns from those of its nodes and the inner ones."""
    ends = np.stack([mesh.node_m[:-1], mesh.node_m[1:]], axis=1)
    there = mesh.meridian.within(mesh.segment, ends)
    out = np.zeros((len(mesh.segment), 12, 12))
    for end in range(2):
        a, k1 = there.slope_rad[:, end], there.curvature_1_m[:, end]
        row = 4 * end
        out[:, row, row], out[:, row, row + 1] = np.cos(a), np.sin(a)
        out[:, row + 1, row], out[:, row + 1, row + 1] = np.sin(a), -np.cos(a)
        out[:, row + 3, row + 2] = 1.0
        out[:, row + 2, row + 3] = -1.0
        if theory == "sanders":
            out[:, row + 2, row] = k1 * np.cos(a)
            out[:, row + 2, row + 1] = k1 * np.sin(a)
    for inner in range(8, 12):
        out[:, inner, inner] = 1.0
    return out


@dataclass(frozen=True, slots=True)
class ElementMatrices:
    """Matrices of every element on its two nodes, (E, 8, 8), and the normal displacement at its integration points."""

    membrane: FloatArray
    bending: FloatArray
    pressure: FloatArray
    """For one pascal."""
    mass: FloatArray
    """For unit mass an area, all three directions."""
    normal_mass: FloatArray
    """For unit mass an area, normal direction only."""
    normal: FloatArray
    """(E, G, 8)"""


@dataclass(frozen=True, slots=True)
class DryShell:
    """A shell of revolution: mesh, wall and pressure, ready to give its matrices for any harmonic.

    `wall_m` is (E,) thickness; `extra_kg_m2` (E,) is mass an area beyond the wall's own (a boss, a coat).
    """

    mesh: Mesh
    wall_m: FloatArray
    material: Material = STEEL
    pressure_pa: float = 0.0
    extra_kg_m2: FloatArray | None = None
    ring: Ring | None = None
    theory: Theory = "sanders"
    inplane_inertia: bool = True
    """False only for comparison with formulas that leave it out."""
    axial_force_share: float = 1.0
    """Share of the axial membrane force p R2 / 2 that is there (0 for a ring that is free to move axially)."""
    _fields: Fields = field(init=False, repr=False)
    _to_nodes: FloatArray = field(init=False, repr=False)
    points: Geometry = field(init=False, repr=False)
    """Geometry at the integration points, (E, G)."""
    weight: FloatArray = field(init=False, repr=False)
    """(E, G) integration weights r ds."""

    def __post_init__(self) -> None:
        x, w = np.polynomial.legendre.leggauss(GAUSS)
        length = self.mesh.length_m
        s = self.mesh.node_m[:-1, None] + 0.5 * (x + 1.0) * length[:, None]
        points = self.mesh.meridian.within(self.mesh.segment, s)
        object.__setattr__(self, "points", points)
        object.__setattr__(self, "weight", 0.5 * length[:, None] * w * points.radius_m)
        object.__setattr__(self, "_fields", _fields(length, x))
        object.__setattr__(self, "_to_nodes", _to_nodes(self.mesh, self.theory))

    @property
    def nodes(self) -> int:
        """Number of nodes."""
        return len(self.mesh.node_m)

    def _strains(self, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return membrane strains, bending strains and rotations, (3, E, G, 12) each (Sanders 1963)."""
        f, g = self._fields, self.points
        r, sine, cosine = (a[..., None] for a in (g.radius_m, np.sin(g.slope_rad), np.cos(g.slope_rad)))
        k1, dk1 = g.curvature_1_m[..., None], g.curvature_rate_1_m2[..., None]
        full = 1.0 if self.theory == "sanders" else 0.0
        along = f.du + k1 * f.w
        hoop = (n * f.v + cosine * f.u + sine * f.w) / r
        shear = f.dv - (n * f.u + cosine * f.v) / r
        turn1 = full * k1 * f.u - f.dw
        turn2 = (n * f.w + full * sine * f.v) / r
        spin = full * 0.5 * (f.dv + (cosine * f.v + n * f.u) / r)
        bend1 = full * (k1 * f.du + dk1 * f.u) - f.ddw
        bend2 = (n * turn2 + cosine * turn1) / r
        dturn2 = (n * f.dw + full * (sine * f.dv + cosine * k1 * f.v)) / r - cosine * turn2 / r
        twist = -(n * turn1 + cosine * turn2) / r + dturn2 + spin * (sine / r - k1)
        return np.stack([along, hoop, shear]), np.stack([bend1, bend2, twist]), np.stack([turn1, turn2, spin])

    def _membrane_forces(self) -> tuple[FloatArray, FloatArray]:
        """Return N1 and N2 for one pascal, (E, G); none on a flat piece, which carries pressure by bending."""
        g = self.points
        k2 = np.sin(g.slope_rad) / g.radius_m
        curved = k2 > 1e-6 / g.radius_m
        r2 = np.where(curved, 1.0 / np.where(curved, k2, 1.0), 0.0)
        return self.axial_force_share * r2 / 2.0, r2 * (1.0 - r2 * g.curvature_1_m / 2.0)

    def elements(self, n: int) -> ElementMatrices:
        """Return the matrices of all elements for harmonic n."""
        f = self._fields
        stretch, bend, turn = self._strains(n)
        nu = self.material.poisson
        rigid = self.material.young_pa / (1.0 - nu**2) * np.array([[1, nu, 0], [nu, 1, 0], [0, 0, (1 - nu) / 2]])
        weight, wall = self.weight, self.wall_m[:, None]
        membrane = _form(stretch, rigid, weight * wall)
        bending = _form(bend, rigid, weight * wall**3 / 12.0)
        n1, n2 = self._membrane_forces()
        pressure = _square(turn[0], n1 * weight) + _square(turn[1], n2 * weight)
        if self.theory == "sanders":
            pressure += _square(turn[2], (n1 + n2) * weight)
            follow = (
                _product(stretch[0] + stretch[1], f.w, weight)
                + _product(turn[0], f.u, weight)
                + _product(turn[1], f.v, weight)
            )
            pressure -= 0.5 * (follow + np.swapaxes(follow, 1, 2))
        normal_mass = _square(f.w, weight)
        tangent = _square(f.u, weight) + _square(f.v, weight)
        mass = normal_mass + (tangent if self.inplane_inertia else 1e-5 * tangent)
        return self._condensed(membrane, bending, pressure, mass, normal_mass)

    def _condensed(
        self,
        membrane: FloatArray,
        bending: FloatArray,
        pressure: FloatArray,
        mass: FloatArray,
        normal_mass: FloatArray,
    ) -> ElementMatrices:
        """Go over to nodal unknowns; the inner ones follow statically (their inertia matters far above the range)."""
        to = self._to_nodes
        whole = np.swapaxes(to, 1, 2) @ (membrane + bending + self.pressure_pa * pressure) @ to
        inner = -np.linalg.solve(whole[:, 8:, 8:], whole[:, 8:, :8])
        to = to[:, :, :8] + to[:, :, 8:] @ inner
        back = np.swapaxes(to, 1, 2)
        membrane, bending, pressure, mass, normal_mass = (
            back @ part @ to for part in (membrane, bending, pressure, mass, normal_mass)
        )
        return ElementMatrices(membrane, bending, pressure, mass, normal_mass, self._fields.w @ to)

    def ring_matrices(self, n: int, ring: Ring | None = None) -> tuple[FloatArray, FloatArray]:
        """Return stiffness and mass (4, 4) of a ring on its node, the shell's own where none is given.

        It bends about both axes, without torsion.
        """
        ring = ring or self.ring
        if ring is None:
            return np.zeros((4, 4)), np.zeros((4, 4))
        r = float(self.mesh.meridian.geometry(self.mesh.node_m[[ring.node]]).radius_m[0])
        hoop = np.array([1.0, 0.0, n, 0.0]) / r
        flat = np.array([n * n, 0.0, n, 0.0]) / r**2
        lift = np.array([0.0, n * n / r, 0.0, -1.0]) / r
        young, area = self.material.young_pa, ring.mass_kg_m / self.material.density_kg_m3
        stiff = (
            young * r * (area * np.outer(hoop, hoop) + ring.moment_m4 * (np.outer(flat, flat) + np.outer(lift, lift)))
        )
        return stiff, np.diag([1.0, 1.0, 1.0, 0.0]) * ring.mass_kg_m * r

    def assembled(self, part: FloatArray, ring: FloatArray | None = None) -> FloatArray:
        """Return the dense matrix (4 N, 4 N) of element matrices (E, 8, 8), with a ring's (4, 4) added."""
        size = 4 * self.nodes
        out = np.zeros((size, size))
        for element, block in enumerate(part):
            at = slice(4 * element, 4 * element + 8)
            out[at, at] += block
        if ring is not None and self.ring is not None:
            at = slice(4 * self.ring.node, 4 * self.ring.node + 4)
            out[at, at] += ring
        return out

    def free_directions(self, n: int, first: Edge, last: Edge) -> FloatArray:
        """Return (4 N, F): the motions that supports and regularity at the poles leave free."""
        size = 4 * self.nodes
        keep = np.ones(size, dtype=bool)
        if n == 0:
            keep[2::4] = False
        merged = []
        for base, edge in ((0, first), (size - 4, last)):
            held = {
                "pole": (0, 1, 2, 3) if n > 1 else ((0, 2, 3) if n == 0 else (1,)),
                "free": (),
                "clamped": (0, 1, 2, 3),
                "simply supported": (0, 2),
                "guided": (1, 3),
            }[edge]
            keep[[base + h for h in held]] = False
            if edge == "pole" and n == 1:
                keep[base + 2] = False
                merged.append(base)
        out = np.eye(size)[:, keep]
        for base in merged:
            out[base + 2] = -out[base]
        return out


def _square(a: FloatArray, weight: FloatArray) -> FloatArray:
    """Return sum over points of weight a a^T, (E, 12, 12)."""
    return _product(a, a, weight)


def _product(a: FloatArray, b: FloatArray, weight: FloatArray) -> FloatArray:
    """Return sum over points of weight a b^T, (E, 12, 12)."""
    return np.asarray(np.swapaxes(a * weight[..., None], 1, 2) @ b)


def _form(strain: FloatArray, law: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the stiffness (E, 12, 12) of strains (3, E, G, 12) with a law (3, 3)."""
    return sum(
        (law[i, j] * _product(strain[i], strain[j], weight) for i in range(3) for j in range(3) if law[i, j] != 0.0),
        start=np.zeros((strain.shape[1], 12, 12)),
    )


@dataclass(frozen=True, slots=True)
class Basis:
    """Dry modes of one harmonic, m of them, and everything projected on them.

    Scaled so that `mass` (shell, boss and ring) is the unit matrix, without the circumferential factor.
    """

    harmonic: int
    frequency_hz: FloatArray
    """(m,)"""
    vector: FloatArray
    """(4 N, m) nodal unknowns."""
    membrane: FloatArray
    bending: FloatArray
    pressure: FloatArray
    """(m, m) stiffness by kind; the pressure's is the actual one, not that of one pascal."""
    ring: FloatArray
    """(m, m) stiffness of the ring."""
    wall_mass: FloatArray
    other_mass: FloatArray
    """(m, m) mass of the wall and of everything else that is fixed."""
    local: FloatArray
    """(E, 8, m) motions of each element's nodes."""
    elastic: FloatArray
    normal_mass: FloatArray
    """(E, 8, 8) elastic stiffness, and unit mass an area in the normal direction, of each element on its nodes."""
    normal: FloatArray
    """(E, G, m) normal displacement at the integration points."""

    def stiffness_where(self, weight: FloatArray) -> FloatArray:
        """Return (L, m, m) elastic stiffness of the elements weighted by (L, E): where losses act."""
        return self._where(self.elastic, weight)

    def area_where(self, weight: FloatArray) -> FloatArray:
        """Return (L, m, m) unit mass an area in the normal direction of the elements weighted by (L, E)."""
        return self._where(self.normal_mass, weight)

    def _where(self, part: FloatArray, weight: FloatArray) -> FloatArray:
        count = self.local.shape[2]
        out = np.zeros((len(weight), count * count))
        for first in range(0, len(part), ELEMENTS_AT_ONCE):
            some = slice(first, first + ELEMENTS_AT_ONCE)
            here = self.local[some]
            out += weight[:, some] @ (np.swapaxes(here, 1, 2) @ (part[some] @ here)).reshape(len(here), -1)
        return out.reshape(len(weight), count, count)


def dry_basis(
    shell: DryShell, n: int, limit_hz: float, first: Edge = "pole", last: Edge = "pole", least: int = 6
) -> Basis:
    """Return the dry modes of harmonic n up to a frequency, at least `least` of them.

    Raises PhysicsError if the pressure makes the shell unstable or n is negative.
    """
    from scipy.linalg import eigh
    from scipy.sparse import csr_array

    if n < 0:
        raise PhysicsError(f"The harmonic {n} is negative; give 0 or more.")
    parts = shell.elements(n)
    ring_k, ring_m = shell.ring_matrices(n)
    area = shell.material.density_kg_m3 * shell.wall_m
    extra = np.zeros_like(area) if shell.extra_kg_m2 is None else shell.extra_kg_m2
    elastic = parts.membrane + parts.bending
    stiff = shell.assembled(elastic + shell.pressure_pa * parts.pressure, ring_k)
    mass = shell.assembled((area + extra)[:, None, None] * parts.mass, ring_m)
    free = csr_array(shell.free_directions(n, first, last))
    k, m = (free.T @ (free.T @ part).T for part in (stiff, mass))
    values, vectors = eigh(k, m, check_finite=False, subset_by_value=(-np.inf, (2 * np.pi * limit_hz) ** 2))
    if len(values) < least:
        values, vectors = eigh(k, m, check_finite=False, subset_by_index=(0, min(least, len(k)) - 1))
    omega2 = np.maximum(values, 0.0)
    count = len(values)
    vector = free @ vectors
    here = np.stack([vector[4 * e : 4 * e + 8] for e in range(len(area))])

    def projected(part: FloatArray) -> FloatArray:
        return np.asarray(np.tensordot(part @ here, here, axes=([0, 1], [0, 1])).T)

    at = vector[4 * shell.ring.node : 4 * shell.ring.node + 4] if shell.ring is not None else np.zeros((4, count))
    return Basis(
        harmonic=n,
        frequency_hz=np.sqrt(omega2) / (2 * np.pi),
        vector=vector,
        membrane=projected(parts.membrane),
        bending=projected(parts.bending),
        pressure=shell.pressure_pa * projected(parts.pressure),
        ring=at.T @ ring_k @ at,
        wall_mass=projected(area[:, None, None] * parts.mass),
        other_mass=projected(extra[:, None, None] * parts.mass) + at.T @ ring_m @ at,
        local=here,
        elastic=elastic,
        normal_mass=parts.normal_mass,
        normal=parts.normal @ here,
    )


def normal_at(shell: DryShell, vector: FloatArray, s_m: FloatArray) -> FloatArray:
    """Return (P, m) the normal displacement of nodal vectors (4 N, m) at arc lengths (P,)."""
    mesh = shell.mesh
    element = np.clip(np.searchsorted(mesh.node_m, s_m, side="right") - 1, 0, len(mesh.segment) - 1)
    length = mesh.length_m[element]
    x = 2.0 * (s_m - mesh.node_m[element]) / length - 1.0
    value = np.zeros((len(s_m), 12))
    value[:, [1, 2, 5, 6]] = cubic(x, length)[0]
    rows = np.einsum("pi,pij->pj", value, shell._to_nodes[element])[:, :8]
    index = 4 * element[:, None] + np.arange(8)
    return np.asarray(np.einsum("pj,pjm->pm", rows, vector[index]))

"""A lying tank partly filled with water, to a fair approximation.

A level along the axis breaks the symmetry around it, so the circumferential harmonics couple. What is done here:

- The shell is its cylinder, ends held round but free to tilt (shear diaphragms), half of each head added to the length.
  Then every harmonic has the same sines along the axis, and harmonics couple only within one of them. The heads' own
  modes are left out: taps up the end cap are not described, taps around the belly are.
- Per sine, each harmonic's bending branch is exact (Sanders, pressure included).
- The water's mass is that of the filled cylinder, rho R I_n(kR) / (kR I_n'(kR)), an operator A between harmonics; on a
  wetted sector it is taken as A^(1/2) chi A^(1/2), where chi is 1 on the wetted part of the circumference and 0
  elsewhere. Exact when empty and when full, never negative, growing with the level, and right wherever the distance to
  the water line exceeds a wave length over two pi; near the line the surface's pressure release is only roughly met.
- The loss on wetted wall is spread by the same rule. The surface is level: water lies below, wherever it comes in.

Conventions: depths below the crown of the shell; theta from the crown; P positions, K modes, N + 1 harmonics.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.meridian import head_segments
from taptest.shell.records import ComplexArray, FloatArray, Losses, ShellSpec
from taptest.shell.wall import AIR_IMPEDANCE, LOWEST_HZ, bending_wave_number, coincidence_hz

Family = Literal["even", "odd"]
TAP_SHARE = 0.42
"""Where along the axis the belly is tapped, as a share of the length: near the middle but on no mode's own plane."""
REACH = 1.3
"""Highest wave number kept over that of the wetted wall at the top of the range."""


@dataclass(frozen=True, slots=True)
class LyingModes:
    """Modes that share one sine along the axis and one symmetry about the vertical plane."""

    half_waves: int
    family: Family
    pole_1_s: ComplexArray
    """(K,)"""
    amplitude: ComplexArray
    """(K, N+1) normal displacement by harmonic, scaled as `WetModes.shape` is, without the sine along the axis."""


@dataclass(frozen=True, slots=True)
class LyingTank:
    """The cylinder that stands for a lying tank."""

    spec: ShellSpec
    max_hz: float

    @property
    def radius_m(self) -> float:
        """Radius of the middle surface."""
        return 0.5 * (self.spec.diameter_m - self.spec.wall_m)

    @property
    def length_m(self) -> float:
        """Length with half of each head."""
        rise = head_segments(self.spec.head, self.radius_m, self.spec.wall_m)[1]
        return self.spec.straight_m + rise

    @property
    def top_wave_number_1_m(self) -> float:
        """Highest wave number kept."""
        return REACH * bending_wave_number(self.spec, self.max_hz, water=True)

    def angles(self, depth_m: FloatArray) -> FloatArray:
        """Angles from the crown of points on the belly at depths (P,)."""
        inner = 1.0 - (np.asarray(depth_m, dtype=np.float64) - 0.5 * self.spec.wall_m) / self.radius_m
        return np.asarray(np.arccos(np.clip(inner, -1.0, 1.0)))

    def half_waves(self) -> range:
        """Sines along the axis that matter."""
        return range(1, max(1, int(self.top_wave_number_1_m * self.length_m / np.pi)) + 1)

    def modes(
        self, level_depth_m: float | None, losses: Losses | None = None, wall_factor: float = 1.0
    ) -> list[LyingModes]:
        """Return all modes at one level: None is all air, a depth at or above the crown all water.

        Raises PhysicsError for a cylinder without length.
        """
        if self.length_m <= 0:
            raise PhysicsError("A lying tank needs a length; give its straight length.")
        dry_angle = np.pi if level_depth_m is None else float(self.angles(np.array([level_depth_m]))[0])
        found = []
        for half_waves in self.half_waves():
            sine = _sine(self, half_waves, wall_factor)
            for family in ("even", "odd"):
                got = sine.solve(self, family, dry_angle, losses or self.spec.losses)
                found.append(got)
        return found


@dataclass(frozen=True, slots=True)
class _Sine:
    """Dry harmonics of one sine along the axis, each with unit mass but for the circumferential factor."""

    half_waves: int
    stiffness: FloatArray
    """(N+1,) squared dry frequencies, pressure included."""
    elastic: FloatArray
    """(N+1,) the part of it that has losses."""
    normal: FloatArray
    """(N+1,) normal displacement."""
    water: FloatArray
    """(N+1,) mass an area of the water that fills the cylinder."""
    wall_factor: float

    @classmethod
    def of(cls, tank: LyingTank, half_waves: int, wall_factor: float) -> "_Sine":
        from scipy.special import ive

        spec, radius = tank.spec, tank.radius_m
        k = half_waves * np.pi / tank.length_m
        top = int(np.sqrt(max(tank.top_wave_number_1_m**2 - k**2, 0.0)) * radius) + 2
        n = np.arange(top + 1)
        x = k * radius
        slope = np.where(n > 0, 0.5 * (ive(np.abs(n - 1), x) + ive(n + 1, x)), ive(1, x))
        water = spec.water_density_kg_m3 * radius * ive(n, x) / (x * slope)
        stiff, elastic, normal = np.zeros((3, top + 1))
        for i in n:
            stiff[i], elastic[i], normal[i] = bending_branch(spec, radius, k, int(i), wall_factor)
        scale = 0.5 * tank.length_m * radius * spec.material.density_kg_m3 * spec.wall_m * wall_factor
        return cls(half_waves, stiff, elastic, normal / np.sqrt(scale), water, wall_factor)

    def solve(self, tank: LyingTank, family: Family, dry_angle: float, losses: Losses) -> LyingModes:
        """Couple the harmonics through the water and return their complex modes."""
        area = 0.5 * tank.length_m * tank.radius_m
        wet = wetted(len(self.stiffness), family, dry_angle)
        kept = slice(0 if family == "even" else 1, None)
        g = self.normal[kept]
        root = np.sqrt(self.water[kept]) * g * np.sqrt(area)
        spring = np.sqrt(self.elastic[kept])
        share = wet[kept, kept]
        coincidence = 2 * np.pi * coincidence_hz(tank.spec) / self.wall_factor
        radiation = losses.air_radiation * AIR_IMPEDANCE / coincidence * area * g**2
        mass = np.eye(len(g)) + root[:, None] * share * root - 1j * np.diag(radiation)
        loss = losses.structural * np.diag(self.elastic[kept]) + losses.water * spring[:, None] * share * spring
        squared, q = np.linalg.eig(np.linalg.solve(mass, np.diag(self.stiffness[kept]) + 1j * loss))
        q = q / np.sqrt(np.einsum("ik,ij,jk->k", q, mass, q))
        omega = np.sqrt(squared)
        inside = (omega.real > 2 * np.pi * LOWEST_HZ) & (omega.real <= 2 * np.pi * tank.max_hz)
        norm = np.sqrt(np.where(np.arange(len(self.stiffness)) == 0, 2 * np.pi, np.pi))[kept]
        amplitude = np.zeros((int(inside.sum()), len(self.stiffness)), dtype=np.complex128)
        amplitude[:, kept] = (q[:, inside] * (g / norm)[:, None]).T
        return LyingModes(self.half_waves, family, np.asarray(1j * omega[inside]), amplitude)


@lru_cache(maxsize=512)
def _sine(tank: LyingTank, half_waves: int, wall_factor: float) -> _Sine:
    """Return one sine's dry harmonics; all levels of a tank share them."""
    return _Sine.of(tank, half_waves, wall_factor)


def lying_line(modes: LyingModes, angle_rad: FloatArray) -> ComplexArray:
    """Return (K, P) normal displacement at angles from the crown, where the belly is tapped."""
    n = np.arange(modes.amplitude.shape[1])[:, None]
    around = np.cos(n * angle_rad) if modes.family == "even" else np.sin(n * angle_rad)
    return np.asarray(modes.amplitude @ around * np.sin(modes.half_waves * np.pi * TAP_SHARE))


def wetted(count: int, family: Family, dry_angle: float) -> NDArray[np.float64]:
    """Return (N, N) overlap on the wetted sector (angles beyond `dry_angle`) of the normalised cosines or sines."""
    n = np.arange(count)
    apart, joined = n[:, None] - n[None, :], n[:, None] + n[None, :]

    def dry(order: NDArray[np.int64]) -> FloatArray:
        """Integral of cos(order theta) from 0 to the dry angle."""
        safe = np.where(order == 0, 1, order)
        return np.asarray(np.where(order == 0, dry_angle, np.sin(safe * dry_angle) / safe))

    both = dry(apart) + dry(joined) if family == "even" else dry(apart) - dry(joined)
    norm = np.sqrt(np.where(n == 0, 2 * np.pi, np.pi))
    return np.asarray(np.eye(count) - both / (norm[:, None] * norm))


def bending_branch(
    spec: ShellSpec, radius_m: float, k_1_m: float, n: int, wall_factor: float = 1.0
) -> tuple[float, float, float]:
    """Return squared frequency, its elastic part and the normal share of the mode that moves most along the normal.

    Sanders' cylinder between shear diaphragms with its membrane forces and follower pressure; the mode is scaled to
    u^2 + v^2 + w^2 = 1.
    """
    m, h, r, k = spec.material, spec.wall_m * wall_factor, radius_m, k_1_m
    nu = m.poisson
    law = m.young_pa / (1 - nu**2) * np.array([[1, nu, 0], [nu, 1, 0], [0, 0, (1 - nu) / 2]])
    spin = 0.5 * np.array([n / r, k, 0.0])
    turn1, turn2 = np.array([0.0, 0.0, -k]), np.array([0.0, 1.0, n]) / r
    stretch = np.array([[-k, 0.0, 0.0], [0.0, n / r, 1 / r], [-n / r, k, 0.0]])
    bend = np.stack([-k * turn1, n * turn2 / r, -n * turn1 / r + k * turn2 + spin / r])
    elastic = h * stretch.T @ law @ stretch + h**3 / 12 * bend.T @ law @ bend
    hoop, along = spec.pressure_pa * r, spec.pressure_pa * r / 2
    tension = along * np.outer(turn1, turn1) + hoop * np.outer(turn2, turn2) + (along + hoop) * np.outer(spin, spin)
    unit = np.eye(3)
    follow = np.outer(stretch[0] + stretch[1], unit[2]) + np.outer(turn1, unit[0]) + np.outer(turn2, unit[1])
    tension -= 0.5 * spec.pressure_pa * (follow + follow.T)
    values, vectors = np.linalg.eigh((elastic + tension) / (m.density_kg_m3 * h))
    best = int(np.argmax(np.abs(vectors[2])))
    v = vectors[:, best]
    return max(float(values[best]), 0.0), float(v @ elastic @ v) / (m.density_kg_m3 * h), float(abs(v[2]))

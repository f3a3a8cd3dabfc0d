"""From the moving wall to the air: how a shell's modes are heard at a microphone.

Every narrow ring of the shell that moves as w cos(n phi) radiates like the same ring on a long rigid
cylinder of its own radius a; seen from a microphone at distance r under the angle theta to the axis (far field,
stationary phase; Junger and Feit, Sound, Structures, and Their Interaction, 1986, ch. 6; value from memory, derived
again here):

    p = rho c e^(-ikr) / (pi r) * i^n cos(n phi) * w dl / (sin(theta) H_n'(k a sin(theta)))

with r and theta taken for each ring, so that a microphone near the shell hears the near end louder. It holds the two
things that matter to the ear: a pattern of many lobes (n above k a) hardly reaches the microphone, and a mode is
weighed by its whole shape and not by the spot that is struck. Scattering by the shell's own ends and by walls nearby
is left out.

Units are SI; sound pressure in pascals; K modes, R rings. The time factor is exp(+i omega t), as for the poles in
`shell.records`.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.lying import LyingModes
from taptest.shell.records import ComplexArray, FloatArray, WetModes
from taptest.tank.shape import Shape, meridian

AIR_DENSITY = 1.2
SOUND_SPEED = 343.0
_GRAZING = 0.35
"""Smallest sin(theta) used: the formula of the module's head does not hold along the axis."""


_TABLE_X: FloatArray = np.arange(0.5, 60.0, 0.02)
"""Arguments at which the radiation of a ring is tabulated, once a harmonic."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the microphone stands, seen from the tank."""

    distance_m: float
    """From the shell's side wall."""
    angle_rad: float
    """Around the tank's axis, from the tap line."""
    depth_m: float
    """Height, as depth below the top of the shell; for a lying one the distance along the axis from its first end."""


@dataclass(frozen=True, slots=True)
class Rings:
    """Narrow rings that make up the shell, pole to pole."""

    depth_m: FloatArray
    """(R,) depth of each ring's middle; for a lying shell its distance along the axis from the first end."""
    radius_m: FloatArray
    length_m: FloatArray
    """(R,) width of each ring along the meridian."""


def rings_of(shape: Shape, count: int = 72) -> Rings:
    """Cut a standing shell into `count` rings of even width along its meridian."""
    if shape.axis != "vertical":
        raise PhysicsError("Only standing and hanging shells can be cut into level rings; this one lies.")
    line = meridian(shape, 2 * count + 1, shape.wall_m / 2)
    width = np.diff(line.arc_m[::2])
    return Rings(line.axial_m[1::2], np.maximum(line.radius_m[1::2], 1e-4), width)


def radiation(harmonic: NDArray[np.int64], frequency_hz: FloatArray, rings: Rings, place: Place) -> ComplexArray:
    """(K, R) sound pressure in Pa for a unit normal velocity of each ring, in the direction of a lobe."""
    axis_distance = place.distance_m + float(rings.radius_m.max())
    down = rings.depth_m - place.depth_m
    reach = np.hypot(axis_distance, down)
    sine = np.maximum(axis_distance / reach, _GRAZING)
    k = 2.0 * np.pi * frequency_hz[:, None] / SOUND_SPEED
    n = harmonic[:, None]
    ring = _ring_factor(harmonic, np.maximum(k * (rings.radius_m * sine)[None, :], 1e-9))
    weight = AIR_DENSITY * SOUND_SPEED / (np.pi * reach * sine) * rings.length_m
    pressure: ComplexArray = 1j ** (n % 4) * ring * weight * np.exp(-1j * k * (reach - reach.min()))
    return pressure


def _ring_factor(harmonic: NDArray[np.int64], x: FloatArray) -> ComplexArray:
    """(K, R) 1 / H_n^(2)'(x), the outgoing wave's for exp(+i omega t); zero where it falls below all numbers.

    Between the ends of the table it is interpolated (to 1e-4), elsewhere computed.
    """
    factor = np.empty(x.shape, dtype=np.complex128)
    for n in np.unique(harmonic):
        rows = np.flatnonzero(harmonic == n)
        here = x[rows]
        inside = (here >= _TABLE_X[0]) & (here <= _TABLE_X[-1])
        table = _ring_table(int(n))
        value = np.interp(here, _TABLE_X, table.real) + 1j * np.interp(here, _TABLE_X, table.imag)
        value[~inside] = _ring_exact(int(n), here[~inside])
        factor[rows] = value
    return factor


def _ring_exact(n: int, x: FloatArray) -> ComplexArray:
    from scipy.special import h2vp  # only where a model is computed: judging with a kept one starts sooner without

    slope = h2vp(n, x)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return np.where(np.isfinite(slope), 1.0 / slope, 0.0)


@lru_cache(maxsize=256)
def _ring_table(n: int) -> ComplexArray:
    return _ring_exact(n, _TABLE_X)


def heard_weights(modes: WetModes, ring_columns: slice, rings: Rings, place: Place) -> ComplexArray:
    """(K,) sound pressure at the microphone for a unit velocity of each mode, in the direction of a lobe.

    `ring_columns` says which columns of the modes' shapes belong to the rings.
    """
    each = radiation(modes.harmonic, modes.pole_1_s.imag / (2.0 * np.pi), rings, place)
    weights: ComplexArray = np.einsum("kr,kr->k", modes.shape[:, ring_columns], each)
    return weights


def heard_lying(modes: LyingModes, radius_m: float, length_m: float, place: Place) -> ComplexArray:
    """(K,) the same for modes of a lying cylinder: each mixes many harmonics on one sine along the axis.

    `place.angle_rad` counts from the crown. Radiation is computed at 80 frequencies and interpolated, its phase being
    that of the way from the nearest ring only.
    """
    count = 24
    along = (np.arange(count) + 0.5) * length_m / count
    rings = Rings(along, np.full(count, radius_m), np.full(count, length_m / count))
    n = np.arange(modes.amplitude.shape[1])
    frequency = modes.pole_1_s.imag / (2.0 * np.pi)
    if frequency.size == 0:
        return np.zeros(0, dtype=np.complex128)
    grid = np.linspace(max(float(frequency.min()) * 0.98, 20.0), float(frequency.max()) * 1.02, 80)
    sine = np.sin(modes.half_waves * np.pi * along / length_m)
    table = np.array([radiation(np.full(grid.size, i), grid, rings, place) @ sine for i in n])
    lobes = np.cos(n * place.angle_rad) if modes.family == "even" else np.sin(n * place.angle_rad)
    each = np.array([np.interp(frequency, grid, row.real) + 1j * np.interp(frequency, grid, row.imag) for row in table])
    weights: ComplexArray = np.einsum("kn,n,nk->k", modes.amplitude, lobes, each)
    return weights

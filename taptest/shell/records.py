"""Records of the shell room: what the model needs to know of a shell, and what it gives back.

Depths are metres below the top of the shell; frequencies hertz; K modes, P positions along the tap line, L levels,
B bands.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Material:
    """An isotropic elastic material."""

    young_pa: float = 205e9
    poisson: float = 0.29
    density_kg_m3: float = 7850.0


STEEL = Material()


@dataclass(frozen=True, slots=True)
class Losses:
    """Loss factors; each acts only where its cause is (see `vibration`)."""

    structural: float = 0.004
    water: float = 0.004
    """Additional loss factor of wetted wall (friction, radiation into water and fittings)."""
    rubber: float = 0.10
    """Loss factor of rubber that lies on the wall, relative to the wall's own stiffness."""
    ring: float = 0.02
    """Additional loss factor at the seam or clench ring."""
    air_radiation: float = 1.0
    """Multiplier of the radiation loss into the surrounding air."""
    bag: float = 0.0
    """Additional loss factor of wetted wall on which the bag of a bladder tank lies."""


@dataclass(frozen=True, slots=True)
class ShellSpec:
    """A pressurised shell of revolution as the model sees it, all numbers nominal or drawn."""

    axis: Literal["vertical", "horizontal"]
    diameter_m: float
    straight_m: float
    head: Literal["ellipsoidal", "torispherical", "hemispherical", "flat"]
    wall_m: float
    pressure_pa: float
    head_wall_m: float | None = None
    seam_depth_m: float | None = None
    """Depth (along the axis) of a seam or clench ring; None without one."""
    ring_mass_kg_m: float = 0.0
    """Extra mass per circumferential metre of the seam ring."""
    ring_stiffness: float = 0.0
    """Extra bending stiffness of the seam ring, as area moment in m4."""
    more_ring_depth_m: float | None = None
    """Depth at which a change may lay one more ring on the shell; None for nowhere."""
    strap_depth_m: float | None = None
    """Depth of the middle of a strap around the shell; None without one."""
    strap_kg_m2: float = 0.0
    strap_loss: float = 0.0
    """Mass an area that it adds, and loss factor that it adds to the wall below it."""
    rubber_kg_m2: float = 0.0
    """Mass per area of the membrane where it lies on the wall."""
    rubber_from_m: float | None = None
    rubber_to_m: float | None = None
    """Ends of the water's half of a diaphragm tank: there the rubber lies on dry wall, beyond it between wall and
    water."""
    water_end: Literal["top", "bottom"] = "bottom"
    water_density_kg_m3: float = 998.0
    end_fitting_kg: float = 0.5
    """Mass of the connection with its boss and fitting, at one pole."""
    fitting_end: Literal["top", "bottom"] | None = None
    """The end at which the connection lies; None where the water lies. A torn membrane lets the two differ."""
    material: Material = STEEL
    losses: Losses = Losses()


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of wall with water behind it."""

    top_m: float
    bottom_m: float
    """Depths of its ends."""
    thickness_m: float | None = None
    """Thickness of a layer of water, where the cylinder is widest; None where the water is deep."""


Wetting = tuple[Zone, ...]
"""All wall with water behind it: none of it is dry all over."""


@dataclass(frozen=True, slots=True)
class RingPictures:
    """Pictures of a hanging diaphragm tank besides a level: rings of water down to the seam, and rings of gas below.

    R rings of water, C of gas; all depths below the top of the shell.
    """

    seam_m: float
    cap_m: FloatArray
    """(R,) depth at which the dry cap over a ring of water ends."""
    thickness_m: FloatArray
    """(R,) thickness of that ring."""
    foot_m: FloatArray
    """(C,) depth at which the wall is wet again below a ring of gas."""


@dataclass(frozen=True, slots=True)
class Change:
    """What may differ from the tank that was reduced, at the price of a new solution only."""

    wall_factor: float = 1.0
    """Wall thickness over the nominal one."""
    losses: Losses | None = None
    rubber_factor: float = 1.0
    """Mass of the rubber over the nominal one."""
    water_factor: float = 1.0
    """Mass of the water that moves with the wall over what deep water has: less where a bag touches here and there."""
    more_ring_kg_m: float = 0.0
    more_ring_moment_m4: float = 0.0
    """Mass per circumferential metre and area moment of one more ring, at the spec's depth for it. On the modes without
    it a heavy one comes out too stiff: third octaves are off by up to 1 dB where it changes them by 2 to 5."""


@dataclass(frozen=True, slots=True)
class SweepTask:
    """One shell, its tap line, and the variants and pictures of it that are to be computed."""

    spec: ShellSpec
    depth_m: FloatArray
    """(P,) positions along the tap line."""
    changes: Sequence[Change]
    """What variants of the shell (wall, losses, rubber, ring) differ in; dry modes and water come once for all."""
    rings: RingPictures | None = None
    """Pictures of the wetted wall besides the levels; a lying tank has none."""
    levels: FloatArray | None = None
    """Boundary depths in any order; None takes the usual ones."""


@dataclass(frozen=True, slots=True)
class WetModes:
    """Complex modes of one shell at one water level, sampled on the tap line.

    The velocity impulse response normal to the wall between two points i, j on the meridian at angles theta apart is
    Re sum_k shape[k, i] shape[k, j] cos(n_k theta) exp(pole_k t).
    """

    pole_1_s: ComplexArray
    """(K,) poles s = -decay + 2 pi i frequency, only those with positive frequency."""
    harmonic: NDArray[np.int64]
    """(K,) circumferential wave number n; 0 for all modes of a lying tank, whose shapes hold along its belly only."""
    shape: ComplexArray
    """(K, P) normal mode shapes, scaled so that the sum above holds."""
    depth_m: FloatArray
    """(P,) positions of the tap line."""


@dataclass(frozen=True, slots=True)
class LevelSweep:
    """What the model predicts along the tap line for every candidate level.

    Entry 0 is all air, entry L-1 is all water; between them the boundary's distance from the water end grows.
    """

    level_depth_m: FloatArray
    """(L,) boundary depth; NaN for the two whole states."""
    depth_m: FloatArray
    """(P,) positions along the tap line."""
    band_hz: FloatArray
    """(B,) nominal third-octave centres."""
    level_db: FloatArray
    """(L, P, B) band level for a unit blow."""
    cap_depth_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    """(R,) edges of the dry cap over a ring of water that ends at the seam; none but for hanging diaphragm tanks."""
    cap_db: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0)))
    """(R, P, B)"""
    foot_depth_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    """(C,) depths at which the wall is wet again below a ring of gas under the seam."""
    foot_db: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0)))
    """(C, P, B)"""

"""The shell as the model sees it, from the tank as it is known on site.

Goal: one place that turns kind, shape and pressure into a `ShellSpec`, with usual values for what no plate tells.

Where the rubber lies. With no water the pre-charge presses a diaphragm against the water end's half of the shell, up to
the seam at which it is clamped: that wall has air behind it and rubber on it. Where water has come between, the wall is
wet and bare of rubber; past the seam the water presses the rubber against the wall (`response` lays it so). A bag
stands free of the dry wall and lies only where water is; a plain tank has none. All of this is by reasoning, no
published description was found.
"""

import numpy as np

from taptest.shell.records import Losses, RingPictures, ShellSpec
from taptest.tank.contact import FOOT_FROM_SHARE, foot_reach_m, ring_caps_m, ring_thickness_m, seam_reach_m
from taptest.tank.kinds import Tank
from taptest.tank.membrane import from_water_end

RUBBER_KG_M2 = 2.5
"""Two millimetres of rubber: common practice, no source."""
RING_KG_M = 0.2
RING_MOMENT_M4 = 1.5e-10
"""Extra mass and area moment of a rolled or clenched seam about a millimetre and a half thick: our own estimate."""
HEAVY_RING_KG_M = 1.2
HEAVY_RING_MOMENT_M4 = 3.35e-9
"""What a clamped flange, a strap or a skirt's edge adds to it. Our own estimate."""
FITTING_KG = 0.5
RINGS, FEET = 8, 6
"""Pictures of a ring of water and of a ring of gas that are computed."""


def ring_pictures(tank: Tank) -> RingPictures | None:
    """Return the pictures of a hanging diaphragm tank besides a level; None for any other tank."""
    if not tank.clamped or tank.sideways or not tank.hanging:
        return None
    caps = ring_caps_m(tank, RINGS)
    feet = foot_reach_m(tank, np.linspace(FOOT_FROM_SHARE, 0.97, FEET))
    return RingPictures(
        seam_m=float(from_water_end(tank, seam_reach_m(tank))),
        cap_m=from_water_end(tank, caps),
        thickness_m=ring_thickness_m(tank, caps),
        foot_m=from_water_end(tank, feet),
    )


def spec_from_tank(
    tank: Tank,
    pressure_pa: float,
    *,
    water_density_kg_m3: float = 998.0,
    losses: Losses | None = None,
    wall_m: float | None = None,
    seam_ring: bool = True,
) -> ShellSpec:
    """Return the model's shell for a tank at a gauge pressure.

    `wall_m` replaces the nominal wall with the same outside. Without a known seam a diaphragm is taken to be clamped at
    half height, and the seam's own ring is left out. One more ring may be laid on the seam, or at half
    height where none is known. A pressure below zero counts as none.
    """
    shape = tank.shape
    middle = 0.5 * shape.height_m
    end = 0.0 if tank.hanging else shape.height_m
    seam = tank.seam_depth_m
    clamp = middle if seam is None else seam
    on_wall = tank.clamped and not tank.sideways
    ring = seam_ring and seam is not None
    ring_kg_m, ring_moment_m4 = (RING_KG_M, RING_MOMENT_M4) if ring else (0.0, 0.0)
    return ShellSpec(
        axis=shape.axis,
        diameter_m=shape.diameter_m,
        straight_m=shape.straight_m,
        head=shape.head,
        wall_m=shape.wall_m if wall_m is None else wall_m,
        pressure_pa=max(pressure_pa, 0.0),
        seam_depth_m=seam,
        ring_mass_kg_m=ring_kg_m,
        ring_stiffness=ring_moment_m4,
        more_ring_depth_m=clamp,
        rubber_kg_m2=RUBBER_KG_M2 if on_wall else 0.0,
        rubber_from_m=min(end, clamp) if on_wall else None,
        rubber_to_m=max(end, clamp) if on_wall else None,
        water_end=tank.water_end,
        water_density_kg_m3=water_density_kg_m3,
        end_fitting_kg=FITTING_KG,
        fitting_end=tank.water_end,
        losses=losses or Losses(),
    )

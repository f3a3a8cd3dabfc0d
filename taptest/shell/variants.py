"""The shells that a tank may have: what no plate tells of wall, rubber, ring, contact of a bag and heads.

Goal: a small set of shells, each as likely as any other beforehand; the taps say which one it is.
"""

from dataclasses import replace

from taptest.shell.from_tank import HEAVY_RING_KG_M, HEAVY_RING_MOMENT_M4, spec_from_tank
from taptest.shell.records import Change, ShellSpec
from taptest.tank.kinds import Tank
from taptest.tank.shape import other_heads

WALLS = (1.0, 0.93, 1.07)
"""Walls over the nominal one that are each taken to be as likely: sheet tolerance and drawing, common practice."""
UNKNOWN_WALLS = (1.0, 0.6, 0.71, 0.84, 1.19, 1.41, 1.68)
"""The same where no wall was noted: tanks of one size are built with walls that differ by a factor of two and more (own
judgement, no source), and a wall a fifth off still finds the level."""
UNKNOWN_WALLS_COARSE = (1.0, 0.71, 1.41)
"""The same for other heads and whatever else is built otherwise."""

USUAL_RUBBER = 0.5
"""Mass of a diaphragm tank's rubber that moves with its dry wall, over all of it: a few hundred pascals press it on."""
RUBBER_AND_RING = ((0.0, 0.0), (0.0, 0.5), (1.0, 1.0), (1.25, 0.5))
"""The same, with the share of a heavy ring at the seam, beside the usual rubber without such a ring: none of it (slack
or torn), all of it, and thick rubber, which sounds like a film of water; how the seam is made is another matter. Own
judgement."""
RING_BENDS = {0.0: 0.0, 0.5: 0.3, 1.0: 1.0}
"""Area moment of a part of the heavy ring over that of the whole, by its mass over the whole: it grows faster."""
TOUCH = (0.3, 0.55)
"""Mass of the water behind a bag over that of deep water, where it touches only here and there."""


def variants(tank: Tank, pressure_pa: float) -> list[tuple[Tank, ShellSpec, tuple[Change, ...]]]:
    """Return the tank as noted and with the heads it may have instead, each with its shell and the changes of it."""
    others = tuple(replace(_usual(tank), wall_factor=factor) for factor in _coarse_walls(tank))
    shells = [(tank, spec_from_tank(tank, pressure_pa), _changes(tank))]
    for shape in other_heads(tank.shape, tank.volume_m3)[:1]:
        other = replace(tank, shape=shape)
        shells.append((other, spec_from_tank(other, pressure_pa), others))
    return shells


def _changes(tank: Tank) -> tuple[Change, ...]:
    """Return the shells that the tank may have, each as likely as any other; the first one is as noted."""
    walls = WALLS if tank.wall_known else UNKNOWN_WALLS
    return (
        *(replace(_usual(tank), wall_factor=factor) for factor in walls),
        *(replace(each, wall_factor=factor) for factor in _coarse_walls(tank) for each in _built_otherwise(tank)),
    )


def _usual(tank: Tank) -> Change:
    """Return the tank as most are built."""
    return Change(rubber_factor=USUAL_RUBBER) if tank.clamped else Change()


def _built_otherwise(tank: Tank) -> list[Change]:
    """Return what may differ besides the wall: a ring, how much rubber moves with the wall, how a bag touches it."""
    has_ring = _has_ring(tank)
    if tank.clamped:
        return [replace(_ring(ring if has_ring else 0.0), rubber_factor=rubber) for rubber, ring in RUBBER_AND_RING]
    found = [_ring(1.0)] if has_ring else []
    if tank.has_bag:  # a bag that touches here and there moves less water with the wall
        found += [Change(water_factor=touch) for touch in TOUCH]
    return found


def _has_ring(tank: Tank) -> bool:
    """Whether the tank's model can have one more ring: that of a lying tank cannot."""
    return tank.shape.axis == "vertical"


def _ring(share: float) -> Change:
    """Return a tank with a part of the heavy ring, none or all of it."""
    return Change(more_ring_kg_m=share * HEAVY_RING_KG_M, more_ring_moment_m4=RING_BENDS[share] * HEAVY_RING_MOMENT_M4)


def _coarse_walls(tank: Tank) -> tuple[float, ...]:
    """Return the walls that less likely variants of a tank are computed for."""
    return (1.0,) if tank.wall_known else UNKNOWN_WALLS_COARSE

"""The shells that a tank may have: what no plate tells of wall, rubber, ring, contact of a bag and heads.

Goal: a small set of shells, each as likely as any other beforehand; the taps say which one it is.
"""

from dataclasses import replace

from taptest.shell.from_tank import HEAVY_RING_KG_M, HEAVY_RING_MOMENT_M4, spec_from_tank
from taptest.shell.records import ShellSpec
from taptest.shell.response import Change
from taptest.tank.kinds import Tank
from taptest.tank.shape import other_heads

WALLS = (1.0, 0.93, 1.07)
"""Walls over the nominal one that are each taken to be as likely: sheet tolerance and drawing, common practice."""
UNKNOWN_WALLS = (1.0, 0.6, 0.71, 0.84, 1.19, 1.41, 1.68)
"""The same where no wall was noted: tanks of one size are built with walls that differ by a factor of two and more (own
judgement, no source), and a wall a fifth off still finds the level."""
UNKNOWN_WALLS_COARSE = (1.0, 0.71, 1.41)
"""The same for other heads, the heavy ring and a diaphragm tank without rubber on its wall."""

RUBBER = (0.0, 1.5)
"""Mass of the rubber on the wall over a usual one, beside the usual one itself."""
TOUCH = (0.3, 0.55)
"""Mass of the water behind a bag over that of deep water, where it touches only here and there."""


def variants(tank: Tank, pressure_pa: float) -> list[tuple[Tank, ShellSpec, tuple[Change, ...]]]:
    """Return the tank as noted and with the heads it may have instead, each with its shell and the changes of it."""
    others = tuple(Change(wall_factor=factor) for factor in _coarse_walls(tank))
    shells = [(tank, spec_from_tank(tank, pressure_pa), _changes(tank))]
    for shape in other_heads(tank.shape, tank.volume_m3)[:1]:
        other = replace(tank, shape=shape)
        shells.append((other, spec_from_tank(other, pressure_pa), others))
    return shells


def _changes(tank: Tank) -> tuple[Change, ...]:
    """Return the shells that the tank may have, each as likely as any other; the first one is as noted."""
    changes = [Change(wall_factor=factor) for factor in (WALLS if tank.wall_known else UNKNOWN_WALLS)]
    if tank.shape.axis == "vertical":  # the model of a lying tank has no ring
        ring = Change(more_ring_kg_m=HEAVY_RING_KG_M, more_ring_moment_m4=HEAVY_RING_MOMENT_M4)
        changes += [replace(ring, wall_factor=factor) for factor in _coarse_walls(tank)]
    if tank.has_bag:  # a bag that touches here and there moves less water with the wall
        changes += [Change(wall_factor=factor, water_factor=touch) for factor in _coarse_walls(tank) for touch in TOUCH]
    if tank.clamped:  # torn, or never lying on the wall; and thick, so that it sounds like a film of water
        changes += [
            Change(wall_factor=factor, rubber_factor=rubber) for rubber in RUBBER for factor in _coarse_walls(tank)
        ]
    return tuple(changes)


def _coarse_walls(tank: Tank) -> tuple[float, ...]:
    """Return the walls that less likely variants of a tank are computed for."""
    return (1.0,) if tank.wall_known else UNKNOWN_WALLS_COARSE

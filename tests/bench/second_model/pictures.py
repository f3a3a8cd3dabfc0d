"""Where the water lies in a tank that holds a share of it: the forms that mechanics give, and older ones beside them.

A heavy, nearly inextensible sheet with little bending stiffness, clamped at the seam, under one gas pressure: only
gravity counts. A hanging diaphragm's water runs down behind the rubber and makes a ring bag at the seam under a dry
cap, from a few per cent on; past half full it hangs below the seam on one side, and past three quarters it reaches the
bottom and leaves a ring of gas under the seam. A standing one's surface is nearly flat, lower while it is first filled
(the moulded dome turns over), higher when it was drained, and often caught at the seam. A bag touches up to its level
or to some way below it. Own calculation, never observed; its figures are priors: `_ring`, `_standing_line` and others.

Everything is the same all round here. Where the real picture differs by meridian, that of the tapped line is taken,
and its water counts for the share of the meridians that have it (`Pool.weight`). Depths are metres below the top.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.bench.second_model.hollow import Hollow

FloatArray = NDArray[np.float64]
Span = tuple[float, float]

DRY, FULL = 0.002, 0.985
"""Shares below and above which a tank is dry or full."""


@dataclass(frozen=True, slots=True)
class Pool:
    """Water in one piece, from one depth of the wall to another."""

    top: float
    bottom: float
    layer_m3: float | None = None
    """Volume of a layer on the wall; None where the water reaches to the axis."""
    tip: float | None = None
    """Depth at which the free surface meets the axis; None where it is flat."""
    gas: tuple[float, float, float] | None = None
    """Ring of gas on the wall within the pool: top, bottom, volume in m3."""
    weight: float = 1.0
    """Share of its mass that counts."""
    bulge: tuple[float, float] = (0.7, 0.25)
    """Exponents of a layer's thickness at its upper and lower end."""


@dataclass(frozen=True, slots=True)
class Picture:
    """Where water is and what the tapped line shows of it."""

    form: str
    pools: tuple[Pool, ...]
    wet: tuple[Span, ...]
    """Wet stretches of the tapped line."""
    level: float
    """Lower end of the (upper) wet wall of a hanging tank, upper end on a standing one; a pole where there is none."""
    touch: float = 1.0
    stand_off: float = 0.0


@dataclass(frozen=True, slots=True)
class Inside:
    """What the forms need of a tank."""

    hollow: Hollow
    height: float
    seam: float
    hanging: bool


def flat(inside: Inside, depth: float, form: str, weight: float = 1.0, tip: float | None = None) -> Picture:
    """Water from its end to a flat surface; dry or full where that lies at a pole."""
    height, hanging = inside.height, inside.hanging
    empty = 0.0 if hanging else height
    if abs(depth - empty) < 0.004:
        return Picture("dry", (), (), empty)
    if abs(depth - (height - empty)) < 0.004:
        return Picture("full", (Pool(0.0, height, weight=weight),), ((0.0, height),), height - empty)
    span = (0.0, depth) if hanging else (depth, height)
    return Picture(form, (Pool(*span, tip=tip, weight=weight),), (span,), depth)


def level_of(inside: Inside, share: float) -> float:
    """Depth of a plane with a share of the volume on the side of the water's end."""
    whole = inside.hollow.volume
    if share <= DRY:
        return 0.0 if inside.hanging else inside.height
    if share >= FULL:
        return inside.height if inside.hanging else 0.0
    return inside.hollow.depth_of(share * whole if inside.hanging else (1 - share) * whole)


def plane_to_mirror(inside: Inside, share: float, mixing: float) -> Picture:
    """Older form: a flat surface between the plane (0) and its mirror image (1), which takes half the wall."""
    wet = float(np.interp(share, [0.0, (1 + mixing) / 2, 1.0], [0.0, 0.5, 1.0]))
    return flat(inside, level_of(inside, wet if DRY < share < FULL else share), "flat")


def diaphragm(inside: Inside, share: float, rng: np.random.Generator) -> Picture:
    """Draw the form of a diaphragm that holds a share of water, by mechanics."""
    if share <= DRY or share >= FULL:
        return flat(inside, level_of(inside, share), "flat")
    return _hanging(inside, share, rng) if inside.hanging else _standing(inside, share, rng)


def bag(inside: Inside, share: float, touch: float, stand_off: float) -> Picture:
    """A bag with water up to a level, which touches the wall by `touch` up to `stand_off` below it."""
    level = level_of(inside, share)
    contact = min(level + stand_off, inside.height)
    tip = level if stand_off > 0.004 else None
    shown = flat(inside, contact, "bag" if tip is None else "bag that stands off", touch, tip)
    form = "bag out of reach" if share > DRY and not shown.wet else shown.form
    return Picture(form, shown.pools, shown.wet, shown.level, touch, stand_off)


def torn_upside_down(inside: Inside, share: float) -> Picture:
    """Water at the bottom of a hanging tank whose diaphragm is torn."""
    below = Inside(inside.hollow, inside.height, inside.seam, hanging=False)
    return flat(below, level_of(below, share), "torn, water below")


def deepened(picture: Picture) -> Picture:
    """Give the same picture with water to the axis wherever the wall is wet."""
    pools = tuple(Pool(pool.top, pool.bottom, gas=pool.gas, weight=pool.weight) for pool in picture.pools)
    return Picture(picture.form, pools, picture.wet, picture.level, picture.touch, picture.stand_off)


def rubber_spans(picture: Picture, inside: Inside) -> tuple[Span, ...]:
    """Where a whole diaphragm lies on the wall: on dry wall of the water's half, on wet wall of the air's half."""
    ends = sorted({0.0, inside.seam, inside.height, *(end for span in picture.wet for end in span)})
    spans = []
    for top, bottom in pairwise(ends):
        middle = (top + bottom) / 2
        water_half = (middle < inside.seam) == inside.hanging
        if water_half != any(low < middle < high for low, high in picture.wet):
            spans.append((top, bottom))
    return tuple(spans)


def _hanging(inside: Inside, share: float, rng: np.random.Generator) -> Picture:
    """Draw by prior: to 30 % three in four a ring, else an uneven one or a lens; past some 70 % two in three a ring of
    gas, else flat.
    """
    lot = rng.random()
    if share >= 0.30:
        if share < rng.uniform(0.68, 0.75):
            return _half_full(inside, share, rng)
        return _gas_ring(inside, share, rng) if lot < 0.65 else plane_to_mirror(inside, share, rng.uniform(0.0, 0.6))
    if lot < 0.10:
        lens = plane_to_mirror(inside, share, rng.uniform())
        return Picture("lens", lens.pools, lens.wet, lens.level)
    cap = inside.seam * max(0.49 - 0.87 * np.sqrt(share) + 0.03 * rng.standard_normal(), 0.0)
    return _ring(inside, share, cap, rng, uneven=lot < 0.25)


def _half_full(inside: Inside, share: float, rng: np.random.Generator) -> Picture:
    """Wet from the top: to the seam (half), past it on the tapped side (three in ten), or short of it."""
    seam, lot = inside.seam, rng.random()
    if lot < 0.5:
        return _layer(inside, share, 0.0, seam, "wet to the seam", rng)
    if lot < 0.8:
        past = seam + rng.uniform(0.0, 0.8) * seam * min((share - 0.25) / 0.35, 1.0)
        return _layer(inside, share, 0.0, min(past, inside.height - 0.03), "past the seam", rng)
    return _layer(inside, share, 0.0, seam - rng.uniform(0.0, 0.4) * seam, "short of the seam", rng)


def _ring(inside: Inside, share: float, cap: float, rng: np.random.Generator, uneven: bool) -> Picture:
    """Ring bag from under a dry cap down to the seam; uneven: dry on a third of the meridians or short of the seam."""
    cap = cap if cap > 0.012 else 0.0
    if not uneven:
        return _layer(inside, share, cap, inside.seam, "ring" if cap else "wet to the seam", rng)
    if rng.random() < 0.5:
        end = max(inside.seam - rng.uniform(0.02, 0.06), cap + 0.02)
        return _layer(inside, share, cap, end, "ring short of the seam", rng)
    if rng.random() < 1 / 3:
        # The line runs down a dry meridian: the wet ones are heard from the sides only.
        aside = _layer(inside, share, cap, inside.seam, "ring, line dry", rng, rng.uniform(0.1, 0.3))
        return Picture(aside.form, aside.pools, (), 0.0)
    return _layer(inside, share, cap, inside.seam, "ring, dry elsewhere", rng, rng.uniform(0.7, 1.0))


def _layer(
    inside: Inside, share: float, top: float, bottom: float, form: str, rng: np.random.Generator, weight: float = 1.0
) -> Picture:
    """All the water in a layer between two depths, thickest towards its lower end."""
    bulge = (rng.uniform(0.5, 1.0), rng.uniform(0.15, 0.4))
    pool = Pool(top, bottom, share * inside.hollow.volume, weight=weight, bulge=bulge)
    return Picture(form, (pool,), ((top, bottom),), bottom)


def _gas_ring(inside: Inside, share: float, rng: np.random.Generator) -> Picture:
    """Wet upper half, a ring of gas under the seam, a wet cap at the bottom that grows with the share."""
    lower = inside.height - inside.seam
    growing = float(np.clip((share - 0.68) / 0.30, 0.0, 1.0))
    cap = inside.height - lower * float(np.clip(0.12 + 0.75 * growing + 0.1 * rng.standard_normal(), 0.08, 0.92))
    gas = (inside.seam, cap, (1 - share) * inside.hollow.volume)
    spans = ((0.0, inside.seam), (cap, inside.height))
    return Picture("gas ring", (Pool(0.0, inside.height, gas=gas),), spans, inside.seam)


def _standing(inside: Inside, share: float, rng: np.random.Generator) -> Picture:
    """Draw the line and close the surface so that the water's volume is right, by a cone over or under the line."""
    form, line = _standing_line(inside, share, rng)
    line = float(np.clip(line, 0.012, inside.height - 0.012))
    hollow = inside.hollow
    missing = share * hollow.volume - (hollow.volume - hollow.above_m3(line))
    tip = line - 3 * missing / (np.pi * max(hollow.radius_at(line), 0.03) ** 2)
    return flat(inside, line, form, tip=float(np.clip(tip, 0.02, inside.height - 0.012)))


def _standing_line(inside: Inside, share: float, rng: np.random.Generator) -> tuple[str, float]:
    """Draw by prior: plane +-2 l to 40 %, four in ten at the seam; to 65 % seven in ten there; then near the plane."""
    if share < 0.25:
        return _branch(inside, share, rng)
    plane, bending = level_of(inside, share), rng.uniform(0.015, 0.030)
    if share < 0.65:
        if rng.random() < (0.4 if share < 0.40 else 0.7):
            return "seam trap", inside.seam
        return "near the plane", plane + rng.uniform(-2.0, 2.0 if share < 0.40 else 1.0) * bending
    mirror = level_of(inside, share / 2)
    return "near the plane", plane + rng.uniform(-0.1, 0.3) * (mirror - plane) + 0.015 * rng.standard_normal()


def _branch(inside: Inside, share: float, rng: np.random.Generator) -> tuple[str, float]:
    """Draw half and half the branches of filling and draining, now and then a cup too shallow for its shell."""
    plane, mirror = level_of(inside, share), level_of(inside, max(share / 2, 0.003))
    bending, lot = rng.uniform(0.015, 0.030), rng.random()
    if lot < 0.08:
        return "shallow cup", level_of(inside, rng.uniform(0.06, 0.12)) + 0.005 * rng.standard_normal()
    if lot < 0.54:
        return "filled dome", min(mirror, plane + rng.uniform(0.8, 1.8) * bending) + 0.005 * rng.standard_normal()
    return "drained", plane - rng.uniform(-0.5, 3.0) * bending + 0.010 * rng.standard_normal()

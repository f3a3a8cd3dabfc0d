"""Which wall has water behind it, for a share of water: pictures of the wetted wall, each with its probability.

A plain tank has a level. Rubber has none: where the water of a membrane tank touches the steel follows from the
rubber's weight and stiffness, from gravity, and from where it is clamped. Nobody has published a look into one, so all
of this is mechanics and own judgement, and enters as probabilities (docs/membrane.md):

- Standing diaphragm tank: near a flat level; lower while a new charge is first filled (the moulded cup resists), higher
  once it has been drained; caught at the seam from a third to two thirds of water.
- Hanging diaphragm tank: water lies over gas, so a flat layer cannot last. It runs down behind the rubber and makes a
  ring bag that ends at the seam, under a dry cap at the top, from a few per cent of water on; then wet from the top to
  the seam, whatever it holds up to sixty per cent; then further down on one side; at last a second wet cap at the
  bottom, with a ring of gas between.
- Bag: leans on the shell up to its level at most, or ends below it where it is narrower than the shell.
- All of this may be wrong: then a standing tank's limp rubber gives the plane, and any form between a plane and its
  mirror image is possible.

Conventions: `reach` is a distance (m) along the axis from the pole of the water end; arrays (D,), one entry a draw;
shares 0..1 of the inner volume.
"""

from dataclasses import dataclass, replace
from typing import assert_never

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.tank.kinds import Tank
from taptest.tank.membrane import (
    boundary_depth_m,
    from_water_end,
    refuse_without_share,
)

FloatArray = NDArray[np.float64]

DRY_SHARE = 1e-4
"""Less water than this share of the tank wets no wall."""
FULL_SHARE = 0.995
"""From this share on the whole wall is wet."""
CAP_AT_NOTHING, CAP_SLOPE = 0.49, 0.87
"""Edge of the dry cap over the height of the water's half: first less second times the root of the water share; a fit
to computed limp and stiff sheets in tanks of 18 and 92 l, within 0.03."""
CAP_SD = 0.05
LEAST_CAP_M = 1e-4
"""Stands for a ring bag that has no dry cap left."""
FOOT_FROM_SHARE = 0.70
"""From this share of water on a second wet cap may stand at the far end, below a ring of gas."""
RING_THICKER = 1.3
"""Thickness of the ring bag in the model over its volume divided by the wall it wets. More than its mean, for it is
thickest at the seam, where most of its wall is. Own judgement."""
BENDING_M = (0.015, 0.030)
"""Bending length of the rubber, (D / rho g)^(1/4), for 1.5 to 3 mm of it."""
SURE_STANDING = ((0.25, 0.70), (0.65, 0.55), (1.0, 0.65))
SURE_HANGING = ((0.30, 0.85), (0.70, 0.65), (1.0, 0.60))
"""Up to which share of water how probable it is that the calculated forms hold at all: own judgement of what the
calculation left out or did not settle (docs/membrane.md)."""
LIMP = 0.75
"""Where they do not hold, probability that a standing tank's rubber is too limp to leave the plane that gravity asks
for; the rest, and hanging tanks always, lie anywhere between plane and mirror image."""
AT_SEAM_SD_M, UNKNOWN_SEAM_SD = 0.004, 0.03
"""How near the seam its water ends, in metres where the seam was noted, as a share of the height where it was not."""
MERIDIAN_SD_M = (0.005, 0.017)
"""Scatter of the edge from meridian to meridian, of a smooth and of a folded sheet."""
STAND_OFF = ((0.0, 0.03), (0.03, 0.2), (0.2, 0.45))
"""How far below its level a bag may end on the shell, as shares of the shell's height: one that fits, a narrow one, one
a tenth narrower than the shell."""
STAND_OFF_CHANCE = (0.45, 0.35, 0.2)


@dataclass(frozen=True, slots=True)
class Forms:
    """What is not known of a membrane's form: even draws (D,) that stay the same for one tank in all its states."""

    kind: FloatArray
    branch: FloatArray
    along: FloatArray
    side: FloatArray
    mixing: FloatArray
    """Between plane (0) and mirror image (1), where the older bounds are taken, and a bag's hidden water."""
    bending_m: FloatArray
    scatter_m: FloatArray
    cap: FloatArray
    """Standard normal."""


@dataclass(frozen=True, slots=True)
class Contacts:
    """Pictures of the wetted wall, (D,) each: wet from `cap_m` to `reach_m`, and from `foot_m` to the far pole."""

    reach_m: FloatArray
    """Where the wetted wall ends; 0 for a dry tank, the shell's height for a full one."""
    cap_m: FloatArray
    """Where it begins: 0 but under the dry cap of a ring bag."""
    foot_m: FloatArray
    """Where it begins again at the far pole, below a ring of gas; the shell's height where it does not."""


def draw_forms(count: int, rng: np.random.Generator) -> Forms:
    """Draw what is not known of a membrane's form, for `count` tanks."""
    kind, branch, along, side, mixing, bending, folded = rng.uniform(size=(7, count))
    normal, cap = rng.standard_normal((2, count))
    return Forms(
        kind=kind,
        branch=branch,
        along=along,
        side=side,
        mixing=mixing,
        bending_m=BENDING_M[0] + (BENDING_M[1] - BENDING_M[0]) * bending,
        scatter_m=normal * np.where(folded < 0.5, *MERIDIAN_SD_M),
        cap=cap,
    )


def on_another_side(tank: Tank, forms: Forms, rng: np.random.Generator) -> Forms:
    """Return what the forms are on another line down the same tanks: folds, and how far water reaches on one side."""
    along = rng.permutation(forms.along) if tank.hanging else forms.along
    return replace(forms, scatter_m=rng.permutation(forms.scatter_m), along=along)


def contacts(tank: Tank, water_share: ArrayLike, forms: Forms) -> Contacts:
    """Return the wetted wall for water shares (D,), one for each draw of the form.

    Raises `PhysicsError` for a tank whose line shows no share (lying diaphragm, open).
    """
    refuse_without_share(tank)
    height = tank.shape.height_m
    share = np.clip(np.broadcast_to(np.asarray(water_share, dtype=np.float64), forms.kind.shape), 0.0, 1.0)
    none, whole = np.zeros_like(share), np.full_like(share, height)
    cap, foot = none, whole
    match tank.kind:
        case "plain" | "open":
            reach = _flat(tank, share)
        case "bladder":
            reach = np.maximum(_between(tank, share, forms.mixing) - height * stand_off(forms), 0.0)
        case "diaphragm":
            if tank.hanging:
                reach, cap, foot = _hanging(tank, share, forms)
            else:
                reach = _standing(tank, share, forms)
        case _:
            assert_never(tank.kind)
    dry, full = share < DRY_SHARE, share >= FULL_SHARE
    reach = np.where(dry, 0.0, np.where(full, height, np.clip(reach, 0.0, height)))
    cap = np.where(dry | full, 0.0, np.clip(cap, 0.0, reach))
    foot = np.where(dry | full, height, np.clip(foot, reach, height))
    return Contacts(reach, cap, foot)


def water_depth_m(tank: Tank, contact: Contacts) -> FloatArray:
    """Return the depths (m) below the top of the shell at which the wetted wall ends."""
    return from_water_end(tank, contact.reach_m)


def ring_thickness_m(tank: Tank, cap_m: ArrayLike) -> FloatArray:
    """Return the mean thickness of a ring bag under a dry cap whose edge lies at `cap_m`, from the water it then holds.

    The inverse of the cap's formula gives the share, the wall down to the seam its area. Never below 1 mm.
    """
    seam = seam_reach_m(tank)
    edge = np.asarray(cap_m, dtype=np.float64)
    share = (np.maximum(CAP_AT_NOTHING - edge / seam, 0.0) / CAP_SLOPE) ** 2
    radius = 0.5 * tank.shape.inner_diameter_m
    # The wall from the edge to the seam as a cylinder of the tank's radius: heads are flatter, but longer.
    area = 2.0 * np.pi * radius * np.maximum(seam - edge, 0.2 * seam)
    return np.asarray(np.maximum(RING_THICKER * share * tank.shape.volume_m3 / area, 1e-3))


def ring_caps_m(tank: Tank, count: int) -> FloatArray:
    """Return (count,) edges of the dry cap, as distances from the water end, from 1 % to 30 % of water."""
    share = np.linspace(np.sqrt(0.01), np.sqrt(0.30), count)
    return np.asarray((CAP_AT_NOTHING - CAP_SLOPE * share) * seam_reach_m(tank))


def foot_reach_m(tank: Tank, water_share: ArrayLike, noise: ArrayLike = 0.0) -> FloatArray:
    """Return how far from the water end the wall is wet again below a ring of gas.

    The gas collects under the seam as water does over it: the dry cap's formula upside down, with the share of gas.
    `noise` is added to the edge, as a share of the far half's height.
    """
    height, seam = tank.shape.height_m, seam_reach_m(tank)
    gas = np.sqrt(np.maximum(1.0 - np.asarray(water_share, dtype=np.float64), 0.0))
    edge = np.clip(CAP_AT_NOTHING - CAP_SLOPE * gas + np.asarray(noise), 0.0, 0.8)
    return np.asarray(height - edge * (height - seam))


def seam_reach_m(tank: Tank) -> float:
    """Return the distance of the seam from the pole of the water end; half the height where no seam is known."""
    height = tank.shape.height_m
    if tank.seam_depth_m is None:
        return 0.5 * height
    return float(from_water_end(tank, np.asarray(tank.seam_depth_m)))


def _at_seam(tank: Tank, forms: Forms) -> FloatArray:
    """Reach of water that ends at the seam: near it, or wherever it may lie where it was not noted."""
    spread = AT_SEAM_SD_M if tank.seam_depth_m is not None else UNKNOWN_SEAM_SD * tank.shape.height_m
    return np.asarray(seam_reach_m(tank) + spread * forms.cap)


def stand_off(forms: Forms) -> FloatArray:
    """Return how far below its level each drawn bag ends on the shell, as a share of the shell's height."""
    edges = np.cumsum((0.0, *STAND_OFF_CHANCE))
    which = np.clip(np.searchsorted(edges, forms.branch, side="right") - 1, 0, len(STAND_OFF) - 1)
    low, high = np.array(STAND_OFF).T
    return np.asarray(low[which] + forms.along * (high - low)[which])


def _flat(tank: Tank, share: FloatArray) -> FloatArray:
    """Reach of a plane."""
    return _between(tank, share, np.zeros_like(share))


def _between(tank: Tank, share: FloatArray, mixing: FloatArray) -> FloatArray:
    """Reach of a form between plane and mirror image."""
    return from_water_end(tank, boundary_depth_m(tank, share, mixing))


def _sure(table: tuple[tuple[float, float], ...], share: FloatArray) -> FloatArray:
    """(D,) probabilities that the calculated forms hold at these shares of water."""
    ends, chances = np.array(table).T
    return np.asarray(chances[np.minimum(np.searchsorted(ends, share), len(ends) - 1)])


def _standing(tank: Tank, share: FloatArray, forms: Forms) -> FloatArray:
    """Reach of the water below a diaphragm."""
    plane, mirror = _flat(tank, share), _between(tank, share, np.ones_like(share))
    length, along = forms.bending_m, forms.along
    first = np.maximum(mirror, plane - (0.8 + along) * length)
    drained = plane + (3.5 * along - 0.5) * length
    seam = _at_seam(tank, forms)
    settled = np.where(forms.side < 0.4, seam, plane + (4.0 * along - 2.0) * length)
    caught = np.where(forms.side < 0.7, seam, plane + (3.0 * along - 1.0) * length)
    high = _between(tank, share, 0.4 * along - 0.1)
    reach = np.select(
        [share < 0.25, share < 0.40, share < 0.65],
        [np.where(forms.branch < 0.5, first, drained), settled, caught],
        high,
    )
    unsure = 1.0 - _sure(SURE_STANDING, share)
    limp, older = forms.kind < unsure * LIMP, forms.kind < unsure
    between = _between(tank, share, forms.mixing)
    reach = np.select([limp, older], [plane, between], np.maximum(reach, 0.0))
    return np.asarray(reach + forms.scatter_m * np.minimum(4 * share, 1.0))


def _hanging(tank: Tank, share: FloatArray, forms: Forms) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Reach, cap and foot of the water above a diaphragm."""
    height, seam = tank.shape.height_m, seam_reach_m(tank)
    none, whole = np.zeros_like(share), np.full_like(share, height)
    at_seam = _at_seam(tank, forms)
    cap = np.clip((CAP_AT_NOTHING - CAP_SLOPE * np.sqrt(share) + CAP_SD * forms.cap) * seam, 0.0, 0.8 * seam)
    # Up to 30 %: a ring to the seam; or one that ends a little above it on the tapped meridian; or a lens at the pole.
    older = forms.kind > _sure(SURE_HANGING, share)
    lens_mixing, much_mixing = 0.5 + 0.5 * forms.mixing, np.clip(forms.mixing - 0.3, 0.0, 1.0)
    mixing = np.where(older, forms.mixing, np.where(share < 0.30, lens_mixing, much_mixing))
    between = _between(tank, share, mixing)
    ring = np.where(forms.side < 0.15, seam - (0.02 + 0.04 * forms.along), at_seam)
    is_lens = forms.branch > 0.9
    little = np.where(is_lens, between, ring)
    # 30 to 75 %: wet from the top down to the seam, below it on one side, or ending above it there.
    below = seam + 0.8 * forms.along * (height - seam) * np.clip((share - 0.25) / 0.35, 0.0, 1.1)
    above = seam - 0.4 * forms.along * seam
    chance = np.where(share < 0.5, 0.5, np.clip(0.5 - 2.0 * (share - 0.5), 0.2, 0.5))
    caught = forms.branch < chance
    middle = np.where(caught, at_seam, np.where(forms.branch < 0.8, below, above))
    # Water that reaches the seam still lies as a layer without a dry cap, or is deep already.
    layer = caught & (share >= 0.30) & (share < 0.60) & (forms.side < 0.5)
    # Above 75 %: a ring of gas under the seam, a wet cap at the bottom whose edge is the dry cap's, upside down.
    has_foot = (share > FOOT_FROM_SHARE) & (forms.branch < np.where(share > 0.75, 0.6, 0.3))
    much = np.where(has_foot, at_seam, between)
    reach = np.select([share < 0.30, share < 0.70], [little, middle], much)
    return (
        np.where(older, between, reach),
        np.where(older, none, np.where(layer, LEAST_CAP_M, np.where((share >= 0.30) | is_lens, none, cap))),
        np.where(older | ~has_foot, whole, foot_reach_m(tank, share, CAP_SD * forms.cap)),
    )

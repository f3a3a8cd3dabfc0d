"""Where the water of one simulated tank touches the wall: a named form, drawn in the simulator's own terms.

Goal: the wet stretches of wall for the water a tank holds. Forms and their chances are not the estimator's
(`tank.contact`): a larger part stays with a flat level and with forms between plane and mirror image, the edges scatter
more widely, thresholds in the share of water are blurred. Where a form comes from mechanics, docs/simulation.md says
which; nobody has looked into such a tank.

Conventions: depths in metres below the top of the shell, `reach` in metres from the pole of the water end, shares 0..1
of the inner volume.
"""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from taptest.shell.records import Wetting, Zone
from taptest.tank.contact import foot_reach_m, seam_reach_m
from taptest.tank.kinds import Tank
from taptest.tank.membrane import boundary_depth_m, from_water_end, torn_level_depth_m

Form = Literal[
    "level",
    "dry",
    "full",
    "bag",
    "flat",
    "between",
    "ring",
    "short-ring",
    "to-seam",
    "past-seam",
    "above-seam",
    "gas-ring",
    "first-filled",
    "drained",
    "at-seam",
    "shallow-cup",
    "folded",
]
FORMS: tuple[Form, ...] = get_args(Form)
MECHANICS: tuple[Form, ...] = FORMS[FORMS.index("ring") :]
"""Forms of a diaphragm that follow from its weight and stiffness."""

DRY_SHARE, FULL_SHARE = 5e-4, 0.995
"""Less water than the first wets no wall, more than the second wets all of it."""
FLAT, BETWEEN = {"top": 0.20, "bottom": 0.35}, 0.15
"""Chance of a flat level by water end, and of a form between plane and mirror image; the rest goes by mechanics."""
CAP_SD = 0.05
"""Scatter of the edge of a cap, as a share of the height of its half."""
BENDING_M = (0.015, 0.033)
"""Bending length of the rubber, (D / rho g)^(1/4), for 1.5 to 3 mm of it."""
MERIDIAN_SD_M = (0.003, 0.020)
"""Scatter of the edge on the tapped meridian, from a smooth sheet to a folded one."""
AT_SEAM_SD_M = 0.005
RING_THICKER = (1.0, 1.6)
"""Mean thickness of a ring bag over its volume divided by the wall it wets."""
NARROW_CAP = 0.02
"""A dry cap less high than this share of its half is none."""
DEEP_LAYER = 0.5
"""A ring thicker than this share of the radius moves as deep water does."""


@dataclass(frozen=True, slots=True)
class Bag:
    """How the bag of a bladder tank lies on the shell."""

    touch: float = 1.0
    """Share of the water's mass that moves with the wall: less than 1 where the bag touches here and there."""
    standoff_m: float = 0.0
    """How far below its level it leaves the wall, because it is narrower than the shell."""


@dataclass(frozen=True, slots=True)
class Wetted:
    """The wet wall of one tank."""

    form: Form
    zones: Wetting
    """Wet stretches of wall; an end within the shell is an edge of the water."""
    level_depth_m: float
    """Where the wet wall ends, seen from the water end; an end of the shell where all or none of it is wet."""
    free_edges_m: tuple[float, ...] = ()
    """Edges that rubber alone shapes, and so may lie askew: not a free level, and none that the seam holds."""
    bag: Bag = Bag()

    def water_behind(self, depth_m: float, rise_m: float = 0.0) -> bool:
        """Whether water backs a depth on a line on which free edges lie `rise_m` deeper than around the tank."""
        here = [tuple(end + self._rise(end, rise_m) for end in (zone.top_m, zone.bottom_m)) for zone in self.zones]
        return any(top <= depth_m < bottom for top, bottom in here)

    def end_on_line_m(self, rise_m: float = 0.0) -> float:
        """Return the level on such a line."""
        return self.level_depth_m + self._rise(self.level_depth_m, rise_m)

    def _rise(self, edge_m: float, rise_m: float) -> float:
        return rise_m if edge_m in self.free_edges_m else 0.0


def form_chances(tank: Tank, share: float, torn: bool = False) -> dict[Form, float]:
    """Return the forms that a tank with this share of water can have, with their chances (not yet summing to one)."""
    if share < DRY_SHARE:
        return {"dry": 1.0}
    if share >= FULL_SHARE:
        return {"full": 1.0}
    if tank.kind == "plain" or torn:
        return {"level": 1.0}
    if tank.kind == "bladder":
        return {"bag": 1.0}
    by_mechanics = _hanging_chances(share) if tank.hanging else _standing_chances(share)
    flat = FLAT[tank.water_end]
    part = (1.0 - flat - BETWEEN) / sum(by_mechanics.values())
    chances: dict[Form, float] = {"flat": flat, "between": BETWEEN}
    chances |= {form: part * chance for form, chance in by_mechanics.items() if chance > 0.0}
    return chances


def draw_wetted(
    rng: np.random.Generator,
    tank: Tank,
    share: float,
    *,
    torn: bool = False,
    asked: tuple[Form, ...] = FORMS,
    bag: Bag = Bag(),
) -> Wetted:
    """Draw the wet wall of a tank, one of the forms in `asked` that it can have.

    `torn` says that its membrane lets air and water change places.
    """
    lot = rng.random()
    sheet = Sheet.drawn(rng)
    chances = {form: chance for form, chance in form_chances(tank, share, torn).items() if form in asked}
    edges = np.cumsum(list(chances.values()))
    form = list(chances)[int(np.searchsorted(edges, lot * edges[-1], side="right").clip(max=len(chances) - 1))]
    if form in ("dry", "full"):
        return _whole(tank, form, bag)
    if torn:
        return level_at(tank, float(torn_level_depth_m(tank.shape, share)), "bottom")
    if form == "level":
        return level_at(tank, float(boundary_depth_m(tank, share, 0.0)), tank.water_end)
    if form == "bag":
        return bag_on_wall(tank, share, sheet.mixing, bag)
    if form in ("ring", "short-ring"):
        return _ring(tank, share, form, sheet)
    seam, height = seam_reach_m(tank), tank.shape.height_m
    at_seam = form in ("to-seam", "gas-ring", "at-seam")
    reach = seam + AT_SEAM_SD_M * sheet.edge if at_seam else _reach(tank, share, form, sheet)
    reach = float(np.clip(reach, 0.0, height))
    foot = height
    if form == "gas-ring":
        foot = max(float(foot_reach_m(tank, share, CAP_SD * sheet.cap)), reach)
    return _laid(tank, form, [(0.0, reach), (foot, height)], () if at_seam else (reach,), foot_free=foot)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What makes one membrane unlike the next."""

    mixing: float
    along: float
    """Where in its range a form lies, 0..1."""
    bending_m: float
    edge: float
    cap: float
    """Both standard normal, within 2.5."""
    meridian_m: float
    """How much further the water reaches on the tapped meridian."""
    thicker: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> "Sheet":
        """Draw one."""
        mixing, along, bending, folded, thicker = rng.random(5)
        edge, cap, meridian = np.clip(rng.standard_normal(3), -2.5, 2.5)
        low, high = np.log(MERIDIAN_SD_M)
        return cls(
            mixing=float(mixing),
            along=float(along),
            bending_m=float(BENDING_M[0] + bending * (BENDING_M[1] - BENDING_M[0])),
            edge=float(edge),
            cap=float(cap),
            meridian_m=float(meridian * np.exp(low + folded * (high - low))),
            thicker=float(RING_THICKER[0] + thicker * (RING_THICKER[1] - RING_THICKER[0])),
        )


# ---------------------------------------------------------------- chances


def _hanging_chances(share: float) -> dict[Form, float]:
    """Water above: a ring to the seam, wet to the seam or past it on one side, at last a ring of gas under the seam."""
    little, much = np.clip([(0.36 - share) / 0.12, (share - 0.66) / 0.12], 0.0, 1.0)
    middle = 1.0 - little - much
    seam = float(np.interp(share, [0.30, 0.50, 0.65], [0.60, 0.45, 0.20]))
    return {
        "ring": 0.85 * little,
        "short-ring": 0.15 * little,
        "to-seam": seam * middle,
        "past-seam": 0.65 * (1.0 - seam) * middle + 0.4 * much,
        "above-seam": 0.35 * (1.0 - seam) * middle,
        "gas-ring": 0.6 * much,
    }


def _standing_chances(share: float) -> dict[Form, float]:
    """Water below: lower when first filled, higher when drained, caught at the seam, near the plane above it."""
    low, high = np.clip([(0.30 - share) / 0.10, (share - 0.60) / 0.10], 0.0, 1.0)
    middle = 1.0 - low - high
    seam = float(np.interp(share, [0.25, 0.40, 0.60], [0.40, 0.70, 0.70]))
    return {
        "first-filled": 0.42 * low,
        "drained": 0.42 * low,
        "shallow-cup": 0.16 * low if share < 0.22 else 0.0,
        "at-seam": seam * middle,
        "folded": (1.0 - seam) * middle + high,
    }


# ---------------------------------------------------------------- shapes


def level_at(tank: Tank, depth_m: float, water_end: Literal["top", "bottom"]) -> Wetted:
    """Return the wet wall of a free level: air on top unless the water end is there."""
    height = tank.shape.height_m
    zone = Zone(0.0, depth_m) if water_end == "top" else Zone(depth_m, height)
    return Wetted("level", (zone,), depth_m)


def bag_on_wall(tank: Tank, share: float, mixing: float, bag: Bag = Bag()) -> Wetted:
    """Return the wet wall of a bag that leaves it somewhere below its level; all or none of it in a full or dry one."""
    if not DRY_SHARE <= share < FULL_SHARE:
        return _whole(tank, "dry" if share < DRY_SHARE else "full", bag)
    reach = max(_between(tank, share, mixing) - bag.standoff_m, 0.0)
    return _laid(tank, "bag", [(0.0, reach)], (reach,), bag=bag)


def _whole(tank: Tank, form: Form, bag: Bag) -> Wetted:
    height = tank.shape.height_m
    end = height if form == "full" else 0.0
    zones = (Zone(0.0, height),) if form == "full" else ()
    return Wetted(form, zones, float(from_water_end(tank, end)), bag=bag)


def _ring(tank: Tank, share: float, form: Form, sheet: Sheet) -> Wetted:
    """Water that has run down behind the rubber of a hanging tank: from under a dry cap to the seam, or nearly."""
    seam = seam_reach_m(tank)
    short = form == "short-ring"
    end = seam - (0.02 + 0.04 * sheet.along) if short else seam + AT_SEAM_SD_M * sheet.edge
    cap = float(np.clip(0.49 - 0.87 * np.sqrt(share) + CAP_SD * sheet.cap, 0.0, 0.7)) * seam
    cap = 0.0 if cap < NARROW_CAP * seam else min(cap, 0.9 * end)
    radius = 0.5 * tank.shape.inner_diameter_m
    # wet wall as a cylinder of the tank's radius: a head is flatter, but longer
    area = 2.0 * np.pi * radius * max(end - cap, 0.2 * seam)
    thick = max(sheet.thicker * share * tank.shape.volume_m3 / area, 1e-3)
    thickness = float(thick) if thick < DEEP_LAYER * radius else None
    return _laid(tank, form, [(cap, end)], (cap, end) if short else (cap,), thickness_m=thickness)


def _reach(tank: Tank, share: float, form: Form, sheet: Sheet) -> float:
    """Return how far from the water end the wall is wet, where no seam holds the edge."""
    if form in ("flat", "between"):
        return _between(tank, share, 0.0 if form == "flat" else sheet.mixing)
    seam, height = seam_reach_m(tank), tank.shape.height_m
    along, length = sheet.along, sheet.bending_m
    plane = _between(tank, share, 0.0)
    if form == "past-seam":
        low = (0.0, 0.45)[share > 0.7]
        deepest = float(np.clip((share - 0.22) / 0.45, 0.05, 1.0))
        reach = seam + (low + along * (0.9 * deepest - low)) * (height - seam)
    elif form == "above-seam":
        reach = seam - 0.4 * along * seam
    elif form == "first-filled":
        reach = max(_between(tank, share, 1.0), plane - (0.6 + 1.4 * along) * length)
    elif form == "drained":
        reach = plane + (-0.5 + 3.7 * along) * length
    elif form == "shallow-cup":
        # a fixed pool in the moulded cup's pole: the contact of one share, whatever the share
        reach = _between(tank, 0.06 + 0.14 * along, 0.3 * sheet.mixing)
    elif share > 0.62:
        reach = _between(tank, share, -0.12 + 0.45 * along)
    else:
        reach = plane + (-2.0 + 3.5 * along) * length
    return max(reach, 0.01) + sheet.meridian_m * min(4.0 * share, 1.0)


def _between(tank: Tank, share: float, mixing: float) -> float:
    """Reach of a form between plane (0) and mirror image (1)."""
    return float(from_water_end(tank, boundary_depth_m(tank, share, mixing)))


def _laid(
    tank: Tank,
    form: Form,
    stretches: list[tuple[float, float]],
    free: tuple[float, ...],
    *,
    thickness_m: float | None = None,
    foot_free: float | None = None,
    bag: Bag = Bag(),
) -> Wetted:
    """Turn stretches from the water end into depths; the first one ends at the level."""
    height = tank.shape.height_m
    inner = [*free, *(() if foot_free is None else (foot_free,))]
    ends = [sorted(float(from_water_end(tank, end)) for end in stretch) for stretch in stretches]
    return Wetted(
        form=form,
        zones=tuple(Zone(top, bottom, thickness_m) for top, bottom in ends if bottom > top),
        level_depth_m=float(from_water_end(tank, stretches[0][1])),
        free_edges_m=tuple(float(from_water_end(tank, edge)) for edge in inner if 0.0 < edge < height),
        bag=bag,
    )

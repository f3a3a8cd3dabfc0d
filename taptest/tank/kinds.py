"""The tank as it is known on site, and what a line of taps can and cannot show on each kind.

Units are SI; depths are metres below the top of the shell.
"""

from dataclasses import dataclass
from typing import Literal

from taptest.statements import Key, Statement
from taptest.tank.shape import Shape

TankKind = Literal["diaphragm", "bladder", "plain", "open"]
WaterEnd = Literal["top", "bottom"]
Membrane = Literal["clamped", "bag"]
"""How rubber keeps air and water apart: clamped at the seam, or as a bag inside the shell."""


HEAVIEST_PUSHED_M3 = 0.06
"""A larger tank cannot be felt by pushing: own judgement, no source."""


@dataclass(frozen=True, slots=True)
class KindFacts:
    """What sets a kind of tank apart, for every room that asks."""

    membrane: Membrane | None
    charged: bool = True
    """Whether it holds an air charge, so that pressure says where the water ends."""


TANK_KINDS: dict[TankKind, KindFacts] = {
    "diaphragm": KindFacts("clamped"),
    "bladder": KindFacts("bag"),
    "plain": KindFacts(None),
    "open": KindFacts(None, charged=False),
}

SMALL_TANK_M3 = 0.008
"""Below this volume taps at different heights hardly differ: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank: its kind, its shape and how surely both are known."""

    kind: TankKind
    water_end: WaterEnd
    shape: Shape
    volume_m3: float
    """Total inner volume: the plate's figure where there is one, else that of the shape."""
    volume_rel_sd: float = 0.03
    """Relative standard deviation of `volume_m3`."""
    seam_depth_m: float | None = None
    """Depth of the seam at which the membrane is clamped; None where unknown."""
    acceptance_share: float | None = None
    """Largest share of the volume that the membrane lets the water take; None where unknown."""
    name: str = ""
    wall_known: bool = True
    """Whether the shape's wall was noted; else it is a usual one and may be far off."""

    @property
    def has_membrane(self) -> bool:
        """Whether rubber keeps air and water apart."""
        return TANK_KINDS[self.kind].membrane is not None

    @property
    def has_bag(self) -> bool:
        """Whether the water is in a bag, or the air, so that water may stand where nothing touches the shell."""
        return TANK_KINDS[self.kind].membrane == "bag"

    @property
    def clamped(self) -> bool:
        """Whether the membrane is clamped at a seam."""
        return TANK_KINDS[self.kind].membrane == "clamped"

    @property
    def charged(self) -> bool:
        """Whether the tank holds an air charge; an open one does not."""
        return TANK_KINDS[self.kind].charged

    @property
    def most_water_share(self) -> float:
        """Largest share of the volume that water can take: all of it where no membrane's limit is known."""
        return 1.0 if self.acceptance_share is None else self.acceptance_share

    @property
    def hanging(self) -> bool:
        """Whether the water comes in at the top."""
        return self.water_end == "top"

    @property
    def sideways(self) -> bool:
        """Whether a membrane tank lies, so that its diaphragm moves along the axis and not up and down."""
        return self.clamped and self.shape.axis == "horizontal"


def pressure_check_applies(tank: Tank) -> bool:
    """Whether pressure and pre-charge say where the water should end: not in an open tank, which has no air charge."""
    return tank.charged


def line_shows_share(tank: Tank) -> bool:
    """Whether the boundary on a line from top to bottom says how much water the tank holds."""
    return tank.charged and not tank.sideways


class TapsShow(Key):
    """What a line of taps can show on a kind of tank, in whole sentences."""

    OPEN = "taps show.open tank"
    LYING = "taps show.lying tank"
    LYING_TORN = "taps show.lying tank, torn"
    PLAIN = "taps show.plain tank"
    BAG = "taps show.bag"
    BAG_TORN = "taps show.bag, torn"
    HANGING = "taps show.hanging tank"
    HANGING_TORN = "taps show.hanging tank, torn"
    STANDING = "taps show.standing tank"


class LeftOpen(Key):
    """What a line of taps leaves open on a kind of tank, in whole sentences that also stand in a report."""

    OPEN = "left open.open tank"
    LYING = "left open.lying tank"
    NO_GRAVITY_LEVEL = "left open.no gravity level"
    HANGING_SHARE = "left open.hanging tank"
    STANDING_MEMBRANE = "left open.standing membrane"
    BAG = "left open.bag"
    LOOSE_BAG = "left open.loose bag"
    SMALL_LEAK = "left open.small leak"
    AIR_DISSOLVED = "left open.air dissolved"
    SMALL_TANK = "left open.small tank"


def what_taps_show(tank: Tank) -> tuple[Statement, ...]:
    """Say what a line of taps can show on this tank."""
    if tank.kind == "open":
        keys: tuple[TapsShow, ...] = (TapsShow.OPEN,)
    elif tank.sideways:
        keys = (TapsShow.LYING, TapsShow.LYING_TORN)
    elif tank.kind == "plain":
        keys = (TapsShow.PLAIN,)
    elif tank.kind == "bladder":
        keys = (TapsShow.BAG, TapsShow.BAG_TORN)
    else:
        keys = (TapsShow.HANGING, TapsShow.HANGING_TORN) if tank.hanging else (TapsShow.STANDING,)
    return tuple(Statement(key) for key in keys)


def what_taps_cannot_show(tank: Tank) -> tuple[Statement, ...]:
    """Say what a line of taps leaves open on this tank."""
    if tank.kind == "open":
        keys: list[LeftOpen] = [LeftOpen.OPEN]
    elif tank.sideways:
        keys = [LeftOpen.LYING, LeftOpen.SMALL_LEAK] if tank.kind == "diaphragm" else [LeftOpen.LYING]
    elif tank.kind == "diaphragm" and tank.hanging:
        keys = [LeftOpen.NO_GRAVITY_LEVEL, LeftOpen.HANGING_SHARE, LeftOpen.SMALL_LEAK]
    elif tank.kind == "diaphragm":
        keys = [LeftOpen.NO_GRAVITY_LEVEL, LeftOpen.STANDING_MEMBRANE]
    elif tank.kind == "bladder":
        keys = [LeftOpen.BAG, LeftOpen.LOOSE_BAG]
    else:
        keys = [LeftOpen.AIR_DISSOLVED] if tank.kind == "plain" else []
    if tank.charged and tank.volume_m3 < SMALL_TANK_M3:
        keys.append(LeftOpen.SMALL_TANK)
    return tuple(Statement(key) for key in keys)

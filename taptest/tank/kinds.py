"""The tank as it is known on site, and what a line of taps can and cannot show on each kind.

Units are SI; depths are metres below the top of the shell.
"""

from dataclasses import dataclass
from typing import Literal

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


def what_taps_show(tank: Tank) -> tuple[str, ...]:
    """Say what a line of taps can show on this tank, in whole sentences."""
    if tank.kind == "open":
        return ("Taps show the water level, which the float or the overflow sets: pressure has no part in it.",)
    if tank.sideways:
        return (
            "The tank lies: a whole diaphragm leaves a level in the water's half alone, and the air's half rings all"
            " the way down.",
            "A level along the whole shell is what a torn diaphragm leaves.",
        )
    if tank.kind == "plain":
        return ("Taps show the true water level: the air lies straight on the water.",)
    if tank.kind == "bladder":
        return (
            "Taps show how far up the bag leans on the shell: at most up to its water level, and lower where it is"
            " narrower than the shell.",
            "Dull all the way up where the shell should ring points to a torn bag.",
        )
    if tank.hanging:
        return (
            "Taps show how far down the wall is wet: the water runs down behind the membrane to the seam, so a wall wet"
            " to the seam is what a few per cent of water leave as well as sixty.",
            "An inverted picture, ringing at the top and dull below, points to a torn membrane.",
        )
    return ("Taps show how far up the wall is wet: near the water's level, but caught at the seam over a wide range.",)


def what_taps_cannot_show(tank: Tank) -> tuple[str, ...]:
    """Say what a line of taps leaves open on this tank, in whole sentences that also stand in a report."""
    texts: list[str] = []
    if tank.kind == "open":
        return ("An open tank has no air charge: no pressure check applies. Look at the float valve and the overflow.",)
    if tank.sideways:
        texts.append("How much water the lying tank holds was not checked: taps from top to bottom do not show it.")
    elif tank.kind == "diaphragm":
        texts.append("The level of a diaphragm tank is no gravity level: the water held is known only within bounds.")
        if tank.hanging:
            texts.append(
                "Between about 5 and 60 % of water a hanging tank's wall is wet down to the seam, whatever it holds:"
                " there the sound says little about the charge."
            )
    if tank.kind == "diaphragm" and not tank.hanging and not tank.sideways:
        texts.append(
            "Whether the membrane is whole was not checked: in a standing tank a torn membrane leaves the air on top,"
            " and taps cannot"
            " tell. Only the pin of the air valve, pressed cold, shows it."
        )
    elif tank.kind == "bladder":
        texts.append(
            "Whether the bag is whole was not checked: air above the water sounds the same inside and outside of it."
            " Only the pin of the air valve, pressed cold, shows it."
        )
        texts.append("Some bags barely touch the shell: then there is no contrast, and the sound cannot tell.")
    elif tank.kind == "diaphragm":
        texts.append("A small leak through the membrane was not checked: only the pin of the air valve shows it.")
    elif tank.kind == "plain":
        texts.append("Whether the air is being dissolved was not checked: only a second visit shows it.")
    if tank.volume_m3 < SMALL_TANK_M3:
        texts.append("The tank is small: taps at different heights hardly differ, so the sound counts for less.")
    return tuple(texts)

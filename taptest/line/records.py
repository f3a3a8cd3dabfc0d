"""Records of the line room: points with their taps, the profile along the line, and the reading of the boundary.

Depths are metres below the top of the shell; P points, B bands, F frequencies of the fine spectrum, G grid depths.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.line.distribution import quantile
from taptest.line.remarks import Reading
from taptest.sound.records import TapTraits
from taptest.statements import Said, Statement

FloatArray = NDArray[np.float64]
BoundaryState = Literal["found", "all air", "all water", "not found"]


@dataclass(frozen=True, slots=True)
class Point:
    """One point of the line and the traits of its used taps."""

    depth_m: float
    traits: tuple[TapTraits, ...]
    taps_used: int
    taps_rejected: int
    doubtful: bool = False
    """Whether it is doubtful that these taps belong to this point."""


@dataclass(frozen=True, slots=True)
class Profile:
    """The measured line: one row a point, sorted from the top down."""

    depth_m: FloatArray
    """(P,)"""
    level_db: FloatArray
    """(P, B) robust mean over the taps of a point; NaN where hidden by noise."""
    level_sd_db: FloatArray
    """(P, B) its standard deviation from noise and from scatter between taps."""
    spectrum_db: FloatArray
    """(P, F) mean fine spectrum for the map."""
    strength_db: FloatArray
    """(P,) mean strength of the point's blows against the line's mean; taken off `level_db` and `spectrum_db`."""
    strength_sd_db: FloatArray
    """(P,) standard deviation of that mean from the scatter between the point's blows."""
    taps: NDArray[np.int64]
    """(P,) taps used."""
    doubtful: NDArray[np.bool_]
    """(P,) whether it is doubtful that the taps belong to the point."""


@dataclass(frozen=True, slots=True)
class BoundaryPosterior:
    """Probability over where the water ends, whole states included; all probabilities together sum to one."""

    depth_m: FloatArray
    """(G,) depths of the grid."""
    mass: FloatArray
    """(G,) probability of a boundary at that depth, with the water on the water end's side."""
    p_all_air: float
    p_all_water: float
    p_inverted: float = 0.0
    """Probability of one boundary with the water on the wrong side."""
    p_two: float = 0.0
    """Probability of two boundaries."""
    p_no_contact: float = 0.0
    """Probability that the bag of a bladder tank does not touch its shell: it rings all over whatever it holds."""
    cap_depth_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    """(R,) depths at which the dry cap over a ring of water may end, on a hanging diaphragm tank."""
    ring_mass: FloatArray = field(default_factory=lambda: np.zeros(0))
    """(R,) probability of such a ring; its lower end is part of `mass` already."""
    foot_depth_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    """(C,) depths at which the wall may be wet again below a ring of gas under the seam."""
    gas_ring_mass: FloatArray = field(default_factory=lambda: np.zeros(0))
    """(C,) probability of such a ring; its upper end is part of `mass` already."""
    seam_mass: FloatArray | None = None
    """(G,) how the end of a ring spreads over the grid, one in all; None where rings are not thought of."""
    unheard_mass: FloatArray | None = None
    """(G,) where the water may end behind a bag that does not touch its shell, as it was thought before any tap; None
    where that is not thought of."""

    @property
    def p_ring(self) -> float:
        """Probability of a ring of water under a dry cap."""
        return float(self.ring_mass.sum())

    @property
    def p_gas_ring(self) -> float:
        """Probability of a ring of gas under the seam with wet wall below it."""
        return float(self.gas_ring_mass.sum())

    @property
    def level_mass(self) -> FloatArray:
        """(G,) `mass` without the rings' ends: wet all the way from the water end to that depth, dry beyond."""
        if self.seam_mass is None:
            return self.mass
        return np.maximum(self.mass - (self.p_ring + self.p_gas_ring) * self.seam_mass, 0.0)

    @property
    def p_found(self) -> float:
        """Probability of a boundary with the water on its own side, rings included."""
        return float(self.mass.sum())

    def quantile_m(self, share: float) -> float:
        """Depth below which lies `share` (0..1) of the boundary's probability, given that there is one, heard or not.

        NaN where one boundary has no probability at all. Each grid depth stands for the cell around it.
        """
        mass = self.mass if self.unheard_mass is None else self.mass + self.unheard_mass
        return quantile(self.depth_m, mass, share) if mass.sum() > 0.0 else float("nan")


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Why taps cannot be read, and what to do about it."""

    why: Said
    """A clause (`taptest.line.remarks.Unread`)."""
    remedy: Said
    """A clause in the imperative (`Remedy`); "" where nothing can be done."""

    @property
    def step(self) -> Said:
        """The remedy as a sentence; "" where nothing can be done."""
        return Statement(Reading.STEP, {"remedy": self.remedy}) if self.remedy else ""

    @property
    def sentence(self) -> Statement:
        """Both as one sentence."""
        if not self.remedy:
            return Statement(Reading.WHY, {"why": self.why})
        return Statement(Reading.WHY_AND_REMEDY, {"why": self.why, "remedy": self.remedy})


@dataclass(frozen=True, slots=True)
class LineReading:
    """What the taps along the line say."""

    state: BoundaryState
    """"found" also where the one boundary has the water on the wrong side: see `inverted`."""
    posterior: BoundaryPosterior
    depth_m: float | None
    """Median boundary depth given that there is one; None where the state is not "found"."""
    interval90_m: tuple[float, float] | None
    p_water: FloatArray
    """(P,) probability that water backs the wall at each point."""
    point_depth_m: FloatArray
    """(P,)"""
    misfit: float
    """How unlike anything the model can make the line is: 0 alike, 1 and above unlike."""
    notes: tuple[Said, ...] = ()
    """Whole sentences: inverted picture, two boundaries, drift, no contrast, weak taps, a soft striker."""
    unreadable: Unreadable | None = None
    """Why the line was not read at all; None where it was. The first of the notes says the same."""
    method: str = ""
    inverted: bool = False
    """Whether the boundary that was found has the water on the wrong side, as with a failed diaphragm."""
    narrows: bool = False
    """Whether the posterior narrows down where the water ends, even where no state is likely enough to be named: "all
    air or a little water" is not found, and yet says that there is not much water."""

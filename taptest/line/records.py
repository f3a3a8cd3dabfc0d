"""Records of the line room: points with their taps, the profile along the line, and the reading of the boundary.

Depths are metres below the top of the shell; P points, B bands, G grid depths.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.sound.records import TapTraits

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
    log_time: FloatArray
    """(P, B)"""
    log_time_sd: FloatArray
    """(P, B)"""
    spectrum_db: FloatArray
    """(P, F) mean fine spectrum for the map."""


@dataclass(frozen=True, slots=True)
class BoundaryPosterior:
    """Probability over where the water ends, whole states included; all probabilities together sum to one."""

    depth_m: FloatArray
    """(G,) depths of the grid."""
    mass: FloatArray
    """(G,) probability of one boundary at that depth, with the water on the water end's side."""
    p_all_air: float
    p_all_water: float
    p_inverted: float = 0.0
    """Probability of one boundary with the water on the wrong side."""
    p_two: float = 0.0
    """Probability of two boundaries."""


@dataclass(frozen=True, slots=True)
class LineReading:
    """What the taps along the line say."""

    state: BoundaryState
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
    notes: tuple[str, ...] = ()
    """Whole sentences: inverted picture, two boundaries, drift, no contrast, weak taps."""
    method: str = ""

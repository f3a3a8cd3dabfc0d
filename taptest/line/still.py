"""Nothing moved: a handful of marks that sound the same at two pressures.

Where no water moves, be the tank shut off, plugged or full, the notes stand still; where it moves past the marks, or
makes the whole shell heavier, they do not. A few marks and no model of the tank are enough, but not every movement is
heard: a bag out of reach or a lens at the pole leaves the marks as they were. And notes that have changed may mean that
the microphone was moved. So both are weighed with the chances of simulated pairs of rounds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.line.onset import notes_of
from taptest.line.pair import SAME_PLACE_M
from taptest.line.records import Point

FloatArray = NDArray[np.float64]

FEWEST_MARKS = 2
"""Marks that were tapped in both rounds."""
SAME, SAME_SD = 1.0, 0.05
"""How alike rounds sound that sound the same, over how alike their own taps are."""
SAME_IF_STILL, SAME_IF_MOVED = 0.8, 0.2
"""Probability that they do where no water moved: a microphone is moved in one round of five; and where some did."""
SPREAD = (0.35, 0.35)
"""Middle and standard deviation of all others."""


@dataclass(frozen=True, slots=True)
class StillEvidence:
    """What a handful of marks says of whether water moved between two rounds."""

    alike: float
    """Correlation of the marks' notes between the rounds over that of the taps within them; 1 for the same sound."""
    marks: int
    ratio: float
    """How many times as likely the sound is where no water moved as where some did."""


def still_evidence(first: Sequence[Point], second: Sequence[Point]) -> StillEvidence | None:
    """Compare the marks that both rounds have; None where there are too few."""
    pairs = [
        (one, other)
        for one in first
        for other in second
        if one.traits and other.traits and abs(one.depth_m - other.depth_m) < SAME_PLACE_M
    ]
    if len(pairs) < FEWEST_MARKS:
        return None
    between, within = [], []
    for pair in pairs:
        notes = [notes_of(point.traits) for point in pair]
        between.append(float(np.corrcoef(notes[0].mean(axis=0), notes[1].mean(axis=0))[0, 1]))
        within += [_mean_likeness(own) for own in notes if len(own) > 1]
    if not within or np.mean(within) <= 0.0:
        return None
    alike = float(np.mean(between) / np.mean(within))
    return StillEvidence(alike, len(pairs), likelihood_ratio(alike))


def _mean_likeness(notes: FloatArray) -> float:
    """Mean correlation between the taps (T, F) of one mark."""
    same = np.asarray(np.corrcoef(notes))
    return float(same[np.triu_indices(len(notes), 1)].mean())


def likelihood_ratio(alike: float) -> float:
    """How many times as likely it is to sound so alike where no water moved as where some did."""
    same = _density(min(alike, SAME), SAME, SAME_SD)
    other = _density(alike, *SPREAD)
    return float(
        (SAME_IF_STILL * same + (1 - SAME_IF_STILL) * other) / (SAME_IF_MOVED * same + (1 - SAME_IF_MOVED) * other)
    )


def _density(value: float, mean: float, sd: float) -> float:
    """Return the normal density; scipy's own would take judging a second to load."""
    return float(np.exp(-0.5 * ((value - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)))

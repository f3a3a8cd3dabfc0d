"""What a handful of marks that sound the same, or changed, at two pressures says of each charge. D draws."""

import numpy as np
from numpy.typing import NDArray

from taptest.line.still import StillEvidence
from taptest.statements import Key, Statement

FloatArray = NDArray[np.float64]

UNHEARD_SHARE = 0.015
"""A change of the water share by about this much sounds like none: of nine such pairs of the second model all did."""
TELLING = 2.0
"""It is told from this ratio on, or below its inverse."""


class StillSaid(Key):
    """What a handful of marks sound like at a second pressure."""

    SAME = "still.same", "name", "count", "sure_share"
    CHANGED = "still.changed", "name", "count"


def of_change(evidence: StillEvidence, change: FloatArray, frozen: NDArray[np.bool_]) -> FloatArray:
    """(D,) likelihood of changes of the water share between two rounds; 1 where water moved. `frozen` keep theirs."""
    still = np.where(frozen, 1.0, np.exp(-0.5 * (change / UNHEARD_SHARE) ** 2))
    return np.asarray(1.0 + (evidence.ratio - 1.0) * still)


def still_said(evidence: StillEvidence, name: str) -> Statement | None:
    """Say what the marks of the round with this name sound like; None where that tells nothing."""
    if evidence.ratio >= TELLING:
        sure = evidence.ratio / (1 + evidence.ratio)
        return Statement(StillSaid.SAME, {"name": name, "count": evidence.marks, "sure_share": sure})
    if evidence.ratio <= 1 / TELLING:
        return Statement(StillSaid.CHANGED, {"name": name, "count": evidence.marks})
    return None

"""Did anything but the tapping place change during the visit: reference taps first, midway and last, compared.

The strength of the blows is taken off before; what is left is a change of the striker, of the microphone's place, of
the hand, or of the tank itself (someone opened a tap, the heating came on). Levels are decibels.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from taptest.line.points import profile_of
from taptest.line.records import Point
from taptest.line.remarks import LineRemark
from taptest.statements import Statement

FloatArray = NDArray[np.float64]

DRIFT_DB = 3.0
"""Change of the spectrum's shape (root mean square over the bands) that counts, beyond what the scatter explains."""
LOUDNESS_DB = 8.0
"""Change of the loudness that counts: more than an even hand varies. Common practice, no source."""


def reference_drift(groups: Sequence[Point]) -> Statement | None:
    """Say that the reference point sounds different later in the visit; None where it does not.

    `groups`: the taps of the reference point in order of time, one entry for each time it was tapped.
    """
    heard = [group for group in groups if group.traits]
    if len(heard) < 2:
        return None
    parted = [
        Point(float(i), group.traits, group.taps_used, group.taps_rejected, group.doubtful)
        for i, group in enumerate(heard)
    ]
    profile = profile_of(parted)
    shape = profile.level_db - profile.level_db[0]
    variance = profile.level_sd_db**2 + profile.level_sd_db[0] ** 2
    worst = 0.0
    for row, var in zip(shape[1:], variance[1:], strict=True):
        both = np.isfinite(row)
        if both.sum() >= 3:
            change = row[both] - np.median(row[both])
            worst = max(worst, float(np.sqrt(max(np.mean(change**2 - var[both]), 0.0))))
    if worst > DRIFT_DB:
        return Statement(LineRemark.REFERENCE_CHANGED, {"changed_db": worst})
    louder = float(np.abs(profile.strength_db - profile.strength_db[0]).max())
    if louder > LOUDNESS_DB:
        return Statement(LineRemark.REFERENCE_LOUDNESS, {"changed_db": louder})
    return None

"""What the difference of two rounds says of each pair of wetted walls that a tank may show. D draws."""

import numpy as np
from numpy.typing import NDArray

from taptest.line.pair import SHARED_ERROR, PairEvidence, Track
from taptest.tank.contact import Contacts, water_depth_m
from taptest.tank.kinds import Tank
from taptest.tank.membrane import from_water_end

FloatArray = NDArray[np.float64]

DIFFERENCE_POWER = SHARED_ERROR / (1.0 - SHARED_ERROR**2)
"""Power of the difference's likelihood beside it: both errors are drawn alike with that correlation."""


class PairLikelihood:
    """The difference of two rounds, for draws of their wetted walls."""

    def __init__(self, evidence: PairEvidence, tank: Tank) -> None:
        self._evidence, self._tank = evidence, tank
        self._table = np.exp(np.clip(DIFFERENCE_POWER * evidence.log_likelihood, -30.0, 30.0))

    def of(self, before: Contacts, after: Contacts, error_m: FloatArray) -> FloatArray:
        """(D,) likelihood of the change from one wetted wall to the other; 1 where the difference says nothing."""
        low, high, part = self._place(self._evidence.first, before, error_m)
        left, right, share = self._place(self._evidence.second, after, error_m)
        table = self._table
        return np.asarray(
            (1 - part) * ((1 - share) * table[low, left] + share * table[low, right])
            + part * ((1 - share) * table[high, left] + share * table[high, right])
        )

    def _place(self, track: Track, contact: Contacts, error_m: FloatArray) -> "Between":
        """Rows of the two pictures that each draw lies between, and the share of the way."""
        tank, height, start = self._tank, self._tank.shape.height_m, track.level_depth_m.size
        depth = np.clip(water_depth_m(tank, contact) + error_m, 0.0, height)
        found = _between(track.level_depth_m, depth)
        for places, at, begin, those in (
            (track.cap_depth_m, contact.cap_m, start + 2, contact.cap_m > 0.0),
            (track.foot_depth_m, contact.foot_m, start + 2 + track.cap_depth_m.size, contact.foot_m < height),
        ):
            if places.size > 1:
                low, high, part = _between(places, from_water_end(tank, at))
                found = _where(those, (begin + low, begin + high, part), found)
        for row, those in ((start, contact.reach_m <= 0.0), (start + 1, contact.reach_m >= height)):
            whole = np.full(depth.size, row)
            found = _where(those, (whole, whole, np.zeros(depth.size)), found)
        return found


Between = tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]


def _where(those: NDArray[np.bool_], one: Between, other: Between) -> Between:
    return np.where(those, one[0], other[0]), np.where(those, one[1], other[1]), np.where(those, one[2], other[2])


def _between(places: FloatArray, at: FloatArray) -> Between:
    """Numbers of the rising places on either side, and the share of the way; the last ones hold beyond the ends."""
    low = np.clip(np.searchsorted(places, at, side="right") - 1, 0, places.size - 2)
    part = np.clip((at - places[low]) / (places[low + 1] - places[low]), 0.0, 1.0)
    return low, low + 1, np.asarray(part)

"""The inside of a standing shell by depth: volumes above a depth, and back, from the meridian alone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.second_model.outline import Outline

FloatArray = NDArray[np.float64]
_SAMPLES = 4001


@dataclass(frozen=True, slots=True)
class Hollow:
    """Inner radius and volume along the depth; all arrays (N,)."""

    z: FloatArray
    """Depth below the top of the shell, m."""
    radius: FloatArray
    above: FloatArray
    """Inner volume above the depth, m3."""

    @property
    def volume(self) -> float:
        """Whole inner volume, m3."""
        return float(self.above[-1])

    def above_m3(self, depth: float) -> float:
        """Inner volume above a depth."""
        return float(np.interp(depth, self.z, self.above))

    def depth_of(self, above: float) -> float:
        """Depth above which a volume lies."""
        return float(np.interp(above, self.above, self.z))

    def radius_at(self, depth: float) -> float:
        """Inner radius at a depth, m."""
        return float(np.interp(depth, self.z, self.radius))


def hollow_of(outline: Outline, wall: float) -> Hollow:
    """Measure the inside of a shell whose middle surface is given, half a wall off along the normal."""
    at = outline.at(np.linspace(0.0, outline.length, _SAMPLES))
    radius = np.maximum(at.r - wall / 2 * np.sin(at.slope), 0.0)
    z = at.z + wall / 2 * np.cos(at.slope)
    slices = np.pi / 3 * (radius[1:] ** 2 + radius[1:] * radius[:-1] + radius[:-1] ** 2) * np.diff(z)
    return Hollow(z, radius, np.concatenate([[0.0], np.cumsum(slices)]))

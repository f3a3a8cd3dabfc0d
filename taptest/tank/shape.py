"""Shape of a shell of revolution with two like heads: height, volume and tape position.

Depths are metres below the top of the shell, measured vertically on the outside; volumes are inner volumes in cubic metres.
"""

from dataclasses import dataclass
from typing import Literal

Axis = Literal["vertical", "horizontal"]
HeadKind = Literal["ellipsoidal", "torispherical", "hemispherical", "flat"]


@dataclass(frozen=True, slots=True)
class Shape:
    """A cylinder with two like heads; the axis stands or lies."""

    axis: Axis
    diameter_m: float
    """Outer diameter."""
    straight_m: float
    """Length of the cylindrical part."""
    head: HeadKind
    wall_m: float
    """Wall thickness of shell and heads."""

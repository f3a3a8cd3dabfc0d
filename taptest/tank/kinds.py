"""The tank as it is known on site, and what a line of taps can and cannot show on each kind.

Units are SI; depths are metres below the top of the shell.
"""

from dataclasses import dataclass
from typing import Literal

from taptest.tank.shape import Shape

TankKind = Literal["diaphragm", "bladder", "plain", "open"]
WaterEnd = Literal["top", "bottom"]


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

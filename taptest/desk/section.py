"""The tank in section for a page: outline, content, marks and levels as coordinates in a box, drawn by the page itself.

The tank stands to scale: the box is `HEIGHT` units high between top and bottom of the shell, or `WIDEST` wide for a
tank that lies. What is known is drawn, what is open is hatched. Depths are metres below the top of the shell; the
page's colours apply, so that it can be read in the dark.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from taptest.quantities import Units
    from taptest.tank.kinds import Tank
    from taptest.visit.result import PointResult, VisitResult

    FloatArray = NDArray[np.float64]

HEIGHT, WIDEST = 400.0, 300.0
ROOM, TAPE, LABEL = 26.0, 70.0, 30.0
"""Above and below the shell for its fittings; left of it for the tape's marks; right of it for the levels."""
LEAST_STEP = 19.0
"""Labels stand no nearer to each other."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark of the line as it is drawn."""

    place: int
    """Counted from the top, from 1."""
    y: float
    top: float
    bottom: float
    """Where it is touched: up to halfway to its neighbours."""
    text: str
    label: str
    """The position, "" where there is no room for it."""
    backing: str
    """"water", "air", "open" or "none"."""
    taps: int
    refused: int
    said: str
    """What is read aloud."""


@dataclass(frozen=True, slots=True)
class Section:
    """Everything that is drawn; `x`, `y` in units of the box."""

    width: float
    height: float
    left: float
    right: float
    middle: float
    outer: str
    inner: str
    water: str
    """Outline of the water, "" where none is known."""
    open: str
    """Outline of what is open."""
    wall_only: bool
    """Whether the taps show the wet wall only."""
    boundary: float | None
    band: tuple[float, float] | None
    """Where the boundary lies, 90 %."""
    expected: tuple[float, float, float] | None
    """Middle, top and bottom of where it is expected."""
    pipe_top: bool
    valve: bool
    marks: tuple[Mark, ...]


def section_of(result: "VisitResult") -> Section:
    """Lay out a judged visit's tank."""
    from taptest.report.figures import hears_wall_only

    judgement, tank = result.judgement, result.case.tank
    box = _Box(tank)
    reading = judgement.line
    found = judgement.boundary_state == "found" and reading.depth_m is not None
    depth_m = reading.depth_m if found else None
    water = ""
    if depth_m is not None:
        on_top = tank.hanging != reading.inverted
        water = box.part(0.0, depth_m) if on_top else box.part(depth_m, box.height_m)
    elif judgement.boundary_state == "all water":
        water = box.part(0.0, box.height_m)
    ends = reading.interval90_m if found else None
    open_part = ""
    if ends is not None:
        open_part = box.part(*ends)
    elif judgement.boundary_state == "not found":
        open_part = box.part(0.0, box.height_m)
    expected = judgement.expected
    level = None if expected is None or expected.depth_m is None else expected.depth_m
    return Section(
        **box.frame(),
        water=water,
        open=open_part,
        wall_only=bool(water) and hears_wall_only(result),
        boundary=None if depth_m is None else box.y(depth_m),
        band=None if ends is None else (box.y(ends[0]), box.y(ends[1])),
        expected=None if level is None else (box.y(level.median), box.y(level.low), box.y(level.high)),
        marks=_marks(result.points, result.units, box),
    )


class _Box:
    """The tank's outline in the units of the box."""

    def __init__(self, tank: "Tank") -> None:
        import numpy as np

        from taptest.tank.shape import meridian

        shape = tank.shape
        self._tank = tank
        self.height_m = shape.height_m
        self.scale = min(HEIGHT / shape.height_m, WIDEST / shape.diameter_m)
        radius = self.scale * shape.diameter_m / 2
        self.middle = round(TAPE + radius, 1)
        self.right = round(TAPE + 2 * radius, 1)
        if shape.axis == "horizontal":
            turn = np.linspace(0.0, np.pi, 91)
            self._half = {
                inside: np.column_stack([r * np.sin(turn), shape.diameter_m / 2 - r * np.cos(turn)])
                for inside, r in ((False, shape.diameter_m / 2), (True, shape.inner_diameter_m / 2))
            }
        else:
            drawn = {inside: meridian(shape, 121, shape.wall_m if inside else 0.0) for inside in (False, True)}
            self._half = {inside: np.column_stack([each.radius_m, each.axial_m]) for inside, each in drawn.items()}

    def y(self, depth_m: float) -> float:
        """Return where a depth lies."""
        return round(ROOM + self.scale * min(max(depth_m, 0.0), self.height_m), 1)

    def part(self, top_m: float, bottom_m: float) -> str:
        """Return the outline of the inside between two depths."""
        import numpy as np

        half = self._half[True]
        ends = np.clip([top_m, bottom_m], half[0, 1], half[-1, 1])
        if ends[1] <= ends[0]:
            return ""
        edge = [[np.interp(depth, half[:, 1], half[:, 0]), depth] for depth in ends]
        inside = half[(half[:, 1] > ends[0]) & (half[:, 1] < ends[1])]
        return self._path(np.concatenate([edge[:1], inside, edge[1:]]))

    def frame(self) -> "dict[str, Any]":
        """Return what of a section does not depend on the taps."""
        tank = self._tank
        return {
            "width": round(self.right + LABEL, 1),
            "height": round(2 * ROOM + self.scale * self.height_m, 1),
            "left": TAPE,
            "right": self.right,
            "middle": self.middle,
            "outer": self._path(self._half[False]),
            "inner": self._path(self._half[True]),
            "pipe_top": tank.water_end == "top",
            "valve": tank.has_membrane,
        }

    def _path(self, half: "FloatArray") -> str:
        right = [f"{self.middle + self.scale * x:.1f},{ROOM + self.scale * z:.1f}" for x, z in half]
        left = [f"{self.middle - self.scale * x:.1f},{ROOM + self.scale * z:.1f}" for x, z in half[::-1]]
        return " ".join([*right, *left])


def _marks(points: "Sequence[PointResult]", units: "Units", box: _Box) -> tuple[Mark, ...]:
    at = [box.y(point.depth_m) for point in points]
    between = [(a + b) / 2 for a, b in itertools.pairwise(at)]
    edges = [box.y(0.0), *between, box.y(box.height_m)]
    marks: list[Mark] = []
    labelled = -LEAST_STEP
    for place, (point, y) in enumerate(zip(points, at, strict=True), start=1):
        text = units.show("length", point.depth_m)
        label = text if y - labelled >= LEAST_STEP else ""
        labelled = y if label else labelled
        top, bottom = edges[place - 1], edges[place]
        backing, said = _backing(point.p_water)
        taps = f"{point.taps_used} tap{'' if point.taps_used == 1 else 's'}"
        refused = f", {point.taps_rejected} refused" if point.taps_rejected else ""
        marks.append(
            Mark(
                place, y, top, bottom, text, label, backing, point.taps_used, point.taps_rejected,
                f"Mark at {text}: {said}, {taps}{refused}",
            )
        )  # fmt: skip
    return tuple(marks)


def _backing(p_water: float | None) -> tuple[str, str]:
    if p_water is None:
        return "none", "no tap to judge by"
    said = f"{100 * p_water:.0f} % water"
    return ("water" if p_water > 0.75 else "air" if p_water < 0.25 else "open"), said

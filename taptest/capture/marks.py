"""Where to put the marks when nobody says otherwise, and which of them is the reference.

Depths are metres below the top of the shell.
"""

import math

from taptest.errors import LineError
from taptest.line.next_point import SEAM_CLEAR_M
from taptest.quantities import INCH_M, METRIC, Units
from taptest.tank.kinds import Tank

END_CLEAR_M = 0.03
"""Marks stay this far from the ends and from the seam: near them every tap sounds otherwise. Common practice."""
SPACING_M = 0.025
"""Usual distance between marks, 20 to 30 mm. Common practice, no source."""
STEP_M = 0.001
INCH_STEP_M = INCH_M / 8
"""Marks of the usual line lie on whole millimetres, or on eighths of an inch where the tape is in inches."""
FEWEST = 6
MOST = 40


def usual_marks(
    tank: Tank,
    first_m: float | None = None,
    last_m: float | None = None,
    spacing_m: float | None = None,
    *,
    units: Units = METRIC,
) -> tuple[float, ...]:
    """Return marks from the top down, evenly spaced, clear of the ends and of the seam.

    What is not given lies on whole millimetres or, with a tape in inches, on eighths of an inch. Without a spacing it
    is 25 mm or one inch, wider on a tall tank, closer on a small one. Raises `LineError`.
    """
    height_m = tank.shape.height_m
    inches = units.in_inches
    step, usual = (INCH_STEP_M, INCH_M) if inches else (STEP_M, SPACING_M)
    first = math.ceil(END_CLEAR_M / step - 1e-9) * step if first_m is None else first_m
    last = height_m - END_CLEAR_M if last_m is None else last_m
    if not 0 <= first < last <= height_m + 0.01:
        raise LineError(
            f"The line would run from {units.show('length', first)} to {units.show('length', last)} below the top of a "
            f"tank that is {units.show('length', height_m)} high. Give the first and the last mark as depths within it."
        )
    if spacing_m is None:
        spacing_m = min(max(usual, (last - first) / (MOST - 1)), (last - first) / (FEWEST - 1))
        spacing_m = max(math.floor(spacing_m / step + 1e-9) * step, 0.005)
    if spacing_m < 0.004:
        near, least = units.show("length", spacing_m, 2 if inches else 1), "1/2 in" if inches else "10 mm"
        raise LineError(f"Marks {near} apart cannot be hit one by one. Choose {least} or more.")
    count = int((last - first) / spacing_m + 1e-9) + 1
    marks = [round(first + number * spacing_m, 4) for number in range(count)]
    seam = tank.seam_depth_m
    clear = [mark for mark in marks if seam is None or abs(mark - seam) >= min(SEAM_CLEAR_M, spacing_m)]
    return tuple(clear)


def reference_mark(tank: Tank, marks: tuple[float, ...]) -> float:
    """Return the mark on the air end: the one that water reaches last."""
    return max(marks) if tank.water_end == "top" else min(marks)

"""Time of a level sweep for a small and a large tank, of one level's modes, and of a variant; median of three.

Run by hand: python -m tests.bench.shell
"""

import statistics
import time
from collections.abc import Callable
from functools import partial

import numpy as np

from taptest.shell.records import ShellSpec
from taptest.shell.response import Change, wet_modes
from taptest.shell.sweep import level_sweep, level_sweeps

SMALL = ShellSpec("vertical", 0.3, 0.21, "ellipsoidal", 0.0015, 1.4e5, water_end="top")
LARGE = ShellSpec("vertical", 0.65, 0.875, "ellipsoidal", 0.0025, 1.4e5)


def timed(run: Callable[[], object]) -> float:
    """Median wall time of three runs in seconds."""
    took = []
    for _ in range(3):
        start = time.perf_counter()
        run()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def main() -> None:
    """Print the table."""
    for name, spec in (("300 mm", SMALL), ("650 mm", LARGE)):
        height = spec.straight_m + spec.diameter_m / 2
        line = np.arange(0.03, height - 0.02, 0.025)
        one = timed(partial(wet_modes, spec, height / 2, line, 6500.0))
        sweep = timed(partial(level_sweep, spec, line))
        three = (Change(), Change(wall_factor=0.9), Change(wall_factor=1.1))
        more = timed(partial(level_sweeps, spec, line, three))
        print(f"{name}: one level {one:.2f} s; sweep {sweep:.1f} s; three walls {more:.1f} s")


if __name__ == "__main__":
    main()

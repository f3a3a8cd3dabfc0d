"""Taps that a guided round needs, against an even grid, for an interval of the same width; on simulated visits.

Each visit is simulated with a mark every 10 mm. The even grid takes about as many of them as the visit's own line has;
the guided round begins with five and takes where `next_point` sends it until its 90 % interval is no wider than that
of the grid. Only visits count whose line has a boundary that the grid finds. Three taps a point on both.

Run by hand: python -m tests.bench.next_point --seed 9000 --visits 20 --difficulty field
(one level sweep a tank is computed where it is not kept: up to a minute each)
"""

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from taptest.line.boundary import read_line
from taptest.line.next_point import next_point
from taptest.line.records import LineReading, Point
from taptest.shell.records import LevelSweep
from taptest.shell.scene import draw_scene
from taptest.shell.simulate import draw_session, play
from taptest.tank.kinds import Tank
from taptest.visit.staged import Series, write_visit
from taptest.visit.sweeps import sweeps_for
from tests.simulated_lines import line_of

STEP_M = 0.010
FIRST_POINTS = 5


@dataclass(frozen=True)
class Outcome:
    """One visit both ways; widths and errors in metres."""

    even_points: int
    guided_points: int
    even_width: float
    guided_width: float
    even_error: float
    guided_error: float
    reached: bool


def main() -> None:
    """Print one line a visit and the summary."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--visits", type=int, default=20)
    parser.add_argument("--difficulty", default="field")
    asked = parser.parse_args()
    outcomes = []
    with tempfile.TemporaryDirectory() as folder:
        for order in Series(asked.seed, asked.visits, asked.difficulty).orders(Path(folder)):
            scene = draw_scene(order.seed, order.difficulty)
            own = len(scene.positions_m)
            marks = np.arange(scene.positions_m[0], scene.positions_m[-1] + 1e-9, STEP_M)
            scene = replace(scene, positions_m=tuple(float(mark) for mark in np.round(marks, 3)))
            write_visit(order, play(scene, draw_session(scene)))
            outcome = compared(order.folder, own)
            if outcome is not None:
                outcomes.append(outcome)
                print(f"{order.folder.name}: {outcome}", flush=True)
    summary(outcomes)


def compared(folder: Path, own: int) -> Outcome | None:
    """Read the visit both ways; None where the even grid finds no boundary, or there is none."""
    line = line_of(folder)
    if not line.bounded:
        return None
    case, points = line.case, [point for point in line.points if point.traits]
    sweeps, _ = sweeps_for(case)
    even = [points[i] for i in np.unique(np.linspace(0, len(points) - 1, own).round().astype(int))]
    grid = read_line(even, case.tank, sweeps)
    if grid.state != "found":
        return None
    guided, taken = guided_round(points, case.tank, sweeps, width_m(grid), len(even))
    depth = (line.truth.boundary_mm or 0.0) / 1000
    return Outcome(
        len(even),
        taken,
        width_m(grid),
        width_m(guided),
        abs(grid.posterior.quantile_m(0.5) - depth),
        abs(guided.posterior.quantile_m(0.5) - depth),
        width_m(guided) <= width_m(grid),
    )


def guided_round(
    points: Sequence[Point], tank: Tank, sweeps: Sequence[LevelSweep], wanted_m: float, most: int
) -> tuple[LineReading, int]:
    """Tap where it tells most until the interval is `wanted_m` wide or `most` points are taken."""
    taken = {int(i) for i in np.linspace(0, len(points) - 1, FIRST_POINTS).round()}
    while True:
        reading = read_line([points[i] for i in sorted(taken)], tank, sweeps)
        sure = reading.posterior.p_found > 0.6 and width_m(reading) <= wanted_m
        if sure or len(taken) >= most:
            return reading, len(taken)
        left = [i for i in range(len(points)) if i not in taken]
        tapped = np.array([points[i].depth_m for i in sorted(taken)])
        best = next_point(reading.posterior, tapped, np.array([points[i].depth_m for i in left]), sweeps)
        taken.add(min(left, key=lambda i: abs(points[i].depth_m - best.depth_m)))


def width_m(reading: LineReading) -> float:
    """Width of the 90 % interval, given that there is one boundary."""
    return reading.posterior.quantile_m(0.95) - reading.posterior.quantile_m(0.05)


def summary(outcomes: Sequence[Outcome]) -> None:
    """Print shares of taps and both errors."""
    if not outcomes:
        print("No visit counted: its line must have a boundary that the even grid finds.")
        return
    share = np.array([o.guided_points / o.even_points for o in outcomes])
    print(f"{len(outcomes)} visits: the guided round needs {np.median(share):.0%} of the grid's taps in the median,")
    print(f"  at most 60 % in {np.mean(share <= 0.6):.0%} of the visits; {np.mean([o.reached for o in outcomes]):.0%}")
    print("  reach the grid's width with no more taps than the grid.")
    print(f"  error, median: grid {1000 * np.median([o.even_error for o in outcomes]):.0f} mm,", end=" ")
    print(f"guided {1000 * np.median([o.guided_error for o in outcomes]):.0f} mm")


if __name__ == "__main__":
    main()

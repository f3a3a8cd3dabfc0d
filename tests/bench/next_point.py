"""Taps that a round with few taps needs, against an even grid with three taps a point; on simulated visits.

Each visit is simulated with a mark every 10 mm. The even grid takes about as many of them as the visit's own line has,
with three taps at each. The guided round begins with a third of these, one tap each, and goes on with one tap wherever
it is sent, until its 90 % interval is no wider than that of the grid. Where it is sent is decided by `next_point` and,
for comparison, by the widest gap and by chance; the last column is the round's own ending (`capture.estimate`). Only
visits count whose line has a boundary that the grid finds.

Besides, one point more: after 5, 7 and 10 even points (three taps each), every one of a dozen held-back points is added
in turn, and what the proposed one brings is set against the mean of all (chance) and the one in the widest gap.

Run by hand: python -m tests.bench.next_point --seed 9300 --visits 20 --difficulty field
(one level sweep a tank is computed where it is not kept: up to a minute each)
"""

import argparse
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.capture.estimate import advise
from taptest.capture.round import Advice
from taptest.line.boundary import read_line
from taptest.line.next_point import next_point
from taptest.line.points import profile_of
from taptest.line.records import BoundaryPosterior, LineReading, Point
from taptest.shell.records import LevelSweep
from taptest.simulate.scene import draw_scene
from taptest.simulate.staged import Series, write_visit
from taptest.simulate.visits import draw_session, play
from taptest.tank.kinds import Tank
from taptest.visit.sweeps import sweeps_for
from tests.simulated_lines import line_of

FloatArray = NDArray[np.float64]
Choice = Callable[[BoundaryPosterior, Sequence[Point], FloatArray, Sequence[LevelSweep]], int]

STEP_M = 0.010
GRID_TAPS = 3


@dataclass(frozen=True)
class Ended:
    """A way of tapping at its end: taps, width of the 90 % interval and error of the median, metres."""

    taps: int
    width: float
    error: float
    covered: bool
    reached: bool = True


def main() -> None:
    """Print one line a visit and the summary."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=9300)
    parser.add_argument("--visits", type=int, default=20)
    parser.add_argument("--difficulty", default="field")
    asked = parser.parse_args()
    rows: list[dict[str, Ended]] = []
    steps: list[FloatArray] = []
    with tempfile.TemporaryDirectory() as folder:
        for order in Series(asked.seed, asked.visits, asked.difficulty).orders(Path(folder)):
            scene = draw_scene(order.seed, order.difficulty)
            own = len(scene.positions_m)
            marks = np.arange(scene.positions_m[0], scene.positions_m[-1] + 1e-9, STEP_M)
            scene = replace(scene, positions_m=tuple(float(mark) for mark in np.round(marks, 3)))
            write_visit(order, play(scene, draw_session(scene)))
            row = compared(order.folder, own, steps)
            if row:
                rows.append(row)
                print(order.folder.name, {name: (one.taps, f"{1000 * one.width:.0f} mm") for name, one in row.items()})
    summary(rows)
    if steps:
        print("one point more, proposed less chance and less widest gap (mean, standard error):")
        for name, column in (("log probability at the true level", 0), ("share of the interval's width", 2)):
            for beside, shift in (("chance", 0), ("widest gap", 1)):
                each = np.array(steps)[:, column + shift]
                print(f"  {name}, {beside}: {each.mean():+.3f} +- {each.std() / each.size**0.5:.3f} ({each.size} sets)")


def compared(folder: Path, own: int, steps: list[FloatArray]) -> dict[str, Ended]:
    """Read the visit in every way; empty where the even grid finds no boundary, or there is none.

    What one point more brings is added to `steps` for every line with a boundary.
    """
    line = line_of(folder)
    points = [point for point in line.points if point.traits]
    if not line.bounded or len(points) < 1.5 * own:
        return {}
    tank, truth = line.case.tank, (line.truth.boundary_mm or 0.0) / 1000
    sweeps, _ = sweeps_for(line.case)
    steps.extend(one_more(points, tank, sweeps, count, truth) for count in (5, 7, 10))
    even = [points[i] for i in np.unique(np.linspace(0, len(points) - 1, own).round().astype(int))]
    grid = read_line(even, tank, sweeps)
    if grid.state != "found":
        return {}
    row = {"even grid": ended(grid, GRID_TAPS * len(even), truth)}
    first = max(5, -(-own // 3) + 1)
    rng = np.random.default_rng(0)
    ways: dict[str, Choice] = {
        "next point": most_told,
        "widest gap": lonely,
        "chance": lambda _posterior, _tapped, left, _sweeps: int(rng.integers(left.size)),
    }
    for name, choice in ways.items():
        reading, taps = guided(points, tank, sweeps, first, row["even grid"], choice)
        reached = width_m(reading) <= row["even grid"].width
        row[name] = replace(ended(reading, taps, truth), reached=reached)
    reading, taps = ended_itself(points, tank, sweeps, first, 2 * len(even))
    row["own ending"] = ended(reading, taps, truth)
    return row


def one_more(
    points: Sequence[Point], tank: Tank, sweeps: Sequence[LevelSweep], count: int, truth_m: float
) -> FloatArray:
    """(4,) what the proposed point brings beyond chance and beyond the widest gap: log probability, narrowing."""
    base = np.linspace(0, len(points) - 1, count).round().astype(int)
    rest = np.setdiff1d(np.arange(len(points)), base)
    held = rest[np.linspace(0, rest.size - 1, min(12, rest.size)).round().astype(int)]
    tapped = [points[i] for i in base]
    before = read_line(tapped, tank, sweeps)
    gain, narrower = np.zeros(held.size), np.zeros(held.size)
    for k, i in enumerate(held):
        after = read_line([*tapped, points[i]], tank, sweeps)
        gain[k] = at_truth(after.posterior, truth_m) - at_truth(before.posterior, truth_m)
        narrower[k] = 1 - width_m(after) / width_m(before)
    left = np.array([points[i].depth_m for i in held])
    best, lone = most_told(before.posterior, tapped, left, sweeps), lonely(before.posterior, tapped, left, sweeps)
    return np.array([x[best] - other for x in (gain, narrower) for other in (x.mean(), x[lone])])


def at_truth(posterior: BoundaryPosterior, truth_m: float) -> float:
    """Log probability of a boundary at the true level, no surer than one in a million that it is not there."""
    return float(np.log(max(np.interp(truth_m, posterior.depth_m, posterior.mass), 1e-6)))


def guided(
    points: Sequence[Point], tank: Tank, sweeps: Sequence[LevelSweep], first: int, grid: Ended, choice: Choice
) -> tuple[LineReading, int]:
    """Tap once where `choice` says until the interval is as narrow as the grid's or as many taps are used."""
    taken = {int(i) for i in np.linspace(0, len(points) - 1, first).round()}
    while True:
        tapped = [once(points[i]) for i in sorted(taken)]
        reading = read_line(tapped, tank, sweeps)
        sure = reading.state == "found" and width_m(reading) <= grid.width
        left = [i for i in range(len(points)) if i not in taken]
        if sure or len(taken) >= grid.taps or not left:
            return reading, len(taken)
        at = np.array([points[i].depth_m for i in left])
        taken.add(left[choice(reading.posterior, tapped, at, sweeps)])


def ended_itself(
    points: Sequence[Point], tank: Tank, sweeps: Sequence[LevelSweep], first: int, most: int
) -> tuple[LineReading, int]:
    """Tap as a round with few taps does, with its advice, until it ends itself or `most` points are taken."""
    taken = {int(i): 1 for i in np.linspace(0, len(points) - 1, first).round()}
    given: list[Advice] = []
    while True:
        tapped = [once(points[i], taps) for i, taps in sorted(taken.items())]
        given.append(advise(tapped, (), tank, sweeps, len(taken), given))
        left = [i for i in range(len(points)) if i not in taken]
        wanted = given[-1].next_depth_m
        if given[-1].enough or wanted is None or len(taken) >= most or not left:
            return read_line(tapped, tank, sweeps), sum(taken.values())
        nearest = min(left, key=lambda i: abs(points[i].depth_m - wanted))
        taken[nearest] = given[-1].taps


def once(point: Point, taps: int = 1) -> Point:
    """Return the point with its first taps alone."""
    traits = point.traits[:taps]
    return replace(point, traits=traits, taps_used=len(traits))


def most_told(
    posterior: BoundaryPosterior, tapped: Sequence[Point], left: FloatArray, sweeps: Sequence[LevelSweep]
) -> int:
    """Choose the place that tells most."""
    return int(np.argmax(next_point(posterior, profile_of(tapped), left, sweeps).candidate_bits))


def lonely(
    _posterior: BoundaryPosterior, tapped: Sequence[Point], left: FloatArray, _sweeps: Sequence[LevelSweep]
) -> int:
    """Choose the place farthest from all points."""
    at = np.array([point.depth_m for point in tapped])
    return int(np.argmax(np.abs(left[:, None] - at).min(axis=1)))


def ended(reading: LineReading, taps: int, truth_m: float) -> Ended:
    """Return what a reading came to."""
    low, middle, high = (reading.posterior.quantile_m(share) for share in (0.05, 0.5, 0.95))
    return Ended(taps, high - low, abs(middle - truth_m), low <= truth_m <= high)


def width_m(reading: LineReading) -> float:
    """Width of the 90 % interval, given that there is one boundary."""
    return reading.posterior.quantile_m(0.95) - reading.posterior.quantile_m(0.05)


def summary(rows: Sequence[dict[str, Ended]]) -> None:
    """Print shares of taps, widths and errors of every way."""
    if not rows:
        print("No visit counted: its line must have a boundary that the even grid finds.")
        return
    print(f"{len(rows)} visits; share of the grid's taps (median, mean, at most 60 %), reached, width, error, held")
    for name in rows[0]:
        ways = [row[name] for row in rows]
        share = np.array([one.taps / row["even grid"].taps for one, row in zip(ways, rows, strict=True)])
        reached = np.array([one.reached for one in ways])
        share = np.where(reached, share, np.inf)
        width, error = (1000 * np.array([getattr(one, what) for one in ways]) for what in ("width", "error"))
        print(
            f"  {name:<11} {np.median(share):4.0%} {np.mean(np.minimum(share, 1)):4.0%} {np.mean(share <= 0.6):4.0%}"
            f"  {reached.mean():4.0%}  {np.median(width):3.0f} mm  {np.median(error):3.0f} mm, mean {error.mean():2.0f}"
            f"  {np.mean([one.covered for one in ways]):4.0%}"
        )


if __name__ == "__main__":
    began = time.process_time()
    main()
    print(f"{time.process_time() - began:.0f} s of processor time")

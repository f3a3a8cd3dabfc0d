"""Methods side by side on the same simulated visits: how far each is off where the water ends, in tap spacings.

Run by hand on visits made with `taptest simulate`, for example

    taptest simulate trials/field --seed 9300 --visits 40 --difficulty field
    python -m tests.bench.methods trials/field

Counted are visits whose line has a boundary with the water at its own end. Every method must answer, "cannot tell" is
not allowed here; so the figures are those of the methods, not of the product. The ear's two features get the best
threshold for each tank, chosen with the answer in hand: no ear can do better with them. The last rows leave out one
family of traits each.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.errors import TaptestError
from taptest.line.boundary import read_line
from taptest.line.matched import MatchSettings
from taptest.line.points import profile_of
from taptest.line.records import LineReading
from taptest.line.unlabelled import dullness_db
from taptest.shell.records import LevelSweep
from taptest.sound.records import TapTraits
from taptest.sound.traits import BAND_HZ
from taptest.visit.sweeps import sweeps_for
from tests.simulated_lines import Line, folders_in, line_of

FloatArray = NDArray[np.float64]
Method = Callable[[Line, Sequence[LevelSweep]], float]
PLAIN = MatchSettings()


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    asked = parser.parse_args()
    errors: dict[str, list[float]] = {name: [] for name in METHODS}
    for folder in folders_in(asked.folder):
        try:
            line = line_of(folder)
        except TaptestError as error:
            print(f"{folder.name} is refused: {error}")
            continue
        if not line.bounded or sum(bool(point.traits) for point in line.points) < 6:
            continue
        sweeps, _ = sweeps_for(line.case)
        truth = line.truth.boundary_mm
        assert truth is not None
        for name, method in METHODS.items():
            errors[name].append(abs(method(line, sweeps) - truth) / line.spacing_mm)
    count = len(errors["middle of the line"])
    print(f"{count} visits; error in tap spacings")
    print("| method | median | p95 | within 1.5 |\n|---|---:|---:|---:|")
    for name, values in errors.items():
        some = np.array(values)
        within = np.mean(some < 1.5)
        print(f"| {name} | {np.median(some):.2f} | {np.percentile(some, 95):.1f} | {100 * within:.0f} % |")


def middle(line: Line, sweeps: Sequence[LevelSweep]) -> float:
    """Guess the middle of the line."""
    return float(line.positions_mm.min() + line.positions_mm.max()) / 2


def by_feature(feature: Callable[[FloatArray], FloatArray]) -> Method:
    """Put the boundary where a threshold on one feature parts the points best; threshold by the answer."""

    def method(line: Line, sweeps: Sequence[LevelSweep]) -> float:
        profile = profile_of(line.points)
        depth = 1000 * profile.depth_m
        dull = feature(profile.level_db)
        truth = line.truth.boundary_mm
        assert truth is not None
        at_top = line.case.tank.hanging
        wet = (depth < truth) == at_top
        best = (-1.0, middle(line, sweeps))
        for threshold in np.unique(dull):
            labels = dull >= threshold
            guess = _best_cut(depth, labels, at_top)
            best = max(best, (float(np.mean(labels == wet)), guess))
        return best[1]

    return method


def _best_cut(depth: FloatArray, labels: NDArray[np.bool_], at_top: bool) -> float:
    """Cut that disagrees least with the labels, midway between two points."""
    cuts = np.concatenate(([depth[0] - 10], 0.5 * (depth[1:] + depth[:-1]), [depth[-1] + 10]))
    wrong = [int(np.sum(((depth < cut) == at_top) != labels)) for cut in cuts]
    return float(cuts[int(np.argmin(wrong))])


def centroid(level_db: FloatArray) -> FloatArray:
    """Give the spectral centroid's height, turned round so that dull is high."""
    energy = np.where(np.isfinite(level_db), 10 ** (level_db / 10), 0.0)
    return np.asarray(-(energy @ np.log(BAND_HZ)) / np.maximum(energy.sum(axis=1), 1e-30))


def low_over_high(level_db: FloatArray) -> FloatArray:
    """Give the energy below 1 kHz over that above."""
    energy = np.where(np.isfinite(level_db), 10 ** (level_db / 10), 0.0)
    low, high = energy[:, BAND_HZ < 1000].sum(axis=1), energy[:, BAND_HZ >= 1000].sum(axis=1)
    return np.asarray(10 * np.log10((low + 1e-12) / (high + 1e-12)))


def tilt_without_heads(line: Line, sweeps: Sequence[LevelSweep]) -> float:
    """Part the points by dullness with the heads' course taken off; threshold by the answer."""
    profile = profile_of(line.points)
    return by_feature(lambda _: dullness_db(profile))(line, sweeps)


def reading(change: Callable[[MatchSettings], MatchSettings] | None) -> Method:
    """Take the median of the posterior with changed settings; without any model for None."""

    def method(line: Line, sweeps: Sequence[LevelSweep]) -> float:
        if change is None:
            return median_mm(read_line(line.points, line.case.tank), line)
        return median_mm(read_line(line.points, line.case.tank, sweeps, settings=change(PLAIN)), line)

    return method


def median_mm(read: LineReading, line: Line) -> float:
    """Give the median depth of one boundary; the middle where it has no probability at all."""
    median = 1000 * read.posterior.quantile_m(0.5)
    return median if np.isfinite(median) else middle(line, ())


def nominal_only(line: Line, sweeps: Sequence[LevelSweep]) -> float:
    """Combine as usual, with the shell as noted and no variant of it."""
    return median_mm(read_line(line.points, line.case.tank, sweeps[:1]), line)


def without(low_hz: float, high_hz: float) -> Method:
    """Read the line as usual with the bands from one frequency to another hidden."""
    hidden = (low_hz <= BAND_HZ) & (high_hz >= BAND_HZ)

    def method(line: Line, sweeps: Sequence[LevelSweep]) -> float:
        points = [replace(point, traits=tuple(deaf(each, hidden) for each in point.traits)) for point in line.points]
        return median_mm(read_line(points, line.case.tank, sweeps), line)

    return method


def deaf(traits: TapTraits, hidden: NDArray[np.bool_]) -> TapTraits:
    """Hide bands (B,) of a tap as noise would."""
    return replace(traits, band_level_db=np.where(hidden, np.nan, traits.band_level_db))


METHODS: dict[str, Method] = {
    "middle of the line": middle,
    "ear: centroid, best threshold a tank": by_feature(centroid),
    "ear: low over high, best threshold a tank": by_feature(low_over_high),
    "ear: tilt less the heads' course, best threshold": tilt_without_heads,
    "change-points, no model": reading(None),
    "matched profiles alone": reading(lambda s: replace(s, absolute_weight=0.0)),
    "the same, every band with a full vote": reading(lambda s: replace(s, absolute_weight=0.0, alike=np.inf)),
    "with the mean spectrum, without variants of the shell": nominal_only,
    "with the mean spectrum (what taptest uses)": reading(lambda s: s),
    "the same, each point's loudness taken off (timbre alone)": reading(lambda s: replace(s, strength_share=1.0)),
    "the same, without the deep bands, 250 to 800 Hz": without(250, 800),
    "the same, without the middle bands, 1 to 2 kHz": without(1000, 2000),
    "the same, without the high bands, 2.5 to 6.3 kHz": without(2500, 6300),
}


if __name__ == "__main__":
    main()

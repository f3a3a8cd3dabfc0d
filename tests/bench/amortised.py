"""A learned ear beside the model: boosted trees trained on simulated tanks say of each point how likely water is there.

Run by hand on visits made with `taptest simulate`, of one seed for training and of another one for testing:

    taptest simulate trials/train --seed 5000 --visits 300 --difficulty field
    taptest simulate trials/test --seed 9400 --visits 100 --difficulty field
    python -m tests.bench.amortised trials/train trials/test

What a point tells: its bands' levels and ring times against the line's mean, on nominal bands and on bands made
dimensionless by the tank's diameter, those of its neighbours towards both ends, where it lies, and what is known of the
tank. The trees' log-odds, taken down by a power chosen on held-back training tanks, are summed to a likelihood of every
cut along the line. Printed is how that does alone, and what it adds to the posterior that taptest forms. The trees are
scikit-learn's, which comes with librosa.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier

from taptest.errors import TaptestError
from taptest.line.boundary import read_line
from taptest.line.points import profile_of
from taptest.line.records import BoundaryPosterior
from taptest.sound.traits import BAND_HZ
from taptest.visit.sweeps import sweeps_for
from tests.simulated_lines import Line, folders_in, line_of

FloatArray = NDArray[np.float64]

DIAMETER_M = 0.3
"""Diameter at which the dimensionless bands are the nominal ones."""
LEVELS = 12
"""Bands from which the neighbours' levels are taken: they hold most of what water changes."""
POWERS = (0.0, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0)
FOLDS = 4
LEAST = 1e-4
"""Probability below which a miss counts no more."""
SEED = 1


@dataclass(frozen=True)
class Heard:
    """A line, what its points tell (P, N), and whether water stands behind them (P,)."""

    line: Line
    told: FloatArray
    wet: NDArray[np.bool_]
    depth_m: FloatArray


def main() -> None:
    """Train, test, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("train", type=Path)
    parser.add_argument("test", type=Path)
    asked = parser.parse_args()
    train, test = lines_in(asked.train), lines_in(asked.test)
    trees = trained(train)
    alone = best_power(held_back(train))
    odds = [log_odds_of(trees, heard) for heard in test]
    right = np.mean(np.concatenate([(o > 0) == heard.wet for o, heard in zip(odds, test, strict=True)]))
    errors = [cut_error(o, heard) for o, heard in zip(odds, test, strict=True) if heard.line.bounded]
    print(f"{len(train)} tanks for training, {len(test)} for testing; power {alone:g}")
    print(f"points right {100 * right:.0f} %; boundary error, spacings: median {np.median(errors):.2f}, "
          f"95 % {np.percentile(errors, 95):.1f}")  # fmt: skip
    posteriors = [posterior_of(heard.line) for heard in test]
    print("| weight in the posterior | mean log score |\n|---:|---:|")
    for power in POWERS:
        scores = [
            log_score(heard.line, with_points(posterior, o, heard, power))
            for posterior, o, heard in zip(posteriors, odds, test, strict=True)
            if posterior is not None
        ]
        print(f"| {power:g} | {np.mean(scores):.3f} ± {np.std(scores) / len(scores) ** 0.5:.3f} |")


def lines_in(folder: Path) -> list[Heard]:
    """Hear all visits of a folder; those that cannot be read are left out."""
    return [heard for heard in map(heard_line, folders_in(folder)) if heard is not None]


def heard_line(folder: Path) -> Heard | None:
    """Hear one visit; None where it is refused or too little of it can be used."""
    try:
        return features_of(line_of(folder))
    except TaptestError:
        return None


def features_of(line: Line) -> Heard | None:
    """Tell the points of a line; None where fewer than five carry taps."""
    if sum(bool(point.traits) for point in line.points) < 5:
        return None
    profile, tank = profile_of(line.points), line.case.tank
    depth, height = profile.depth_m, tank.shape.height_m
    away = (depth if tank.hanging else height - depth) / height
    order = np.argsort(away)
    level = profile.level_db - np.nanmean(profile.level_db, axis=0) + 0.5 * profile.strength_db[:, None]
    rows = np.arange(depth.size)
    place = np.empty(depth.size, dtype=int)
    place[order] = rows
    beside = []
    for reach in (-2, -1, 1, 2):
        near = order[np.clip(place + reach, 0, depth.size - 1)]
        beside.append(level[near, -LEVELS:] - level[:, -LEVELS:])
    mean = np.nanmean(profile.level_db, axis=0)
    whole = [tank.shape.diameter_m, height, float(tank.hanging), float(tank.kind == "bladder"), float(depth.size)]
    told = np.column_stack(
        (
            away, place, depth.size - 1 - place, level, scaled(level, tank.shape.diameter_m), *beside,
            np.tile(mean - np.nanmean(mean), (depth.size, 1)), np.tile(whole, (depth.size, 1)),
        )
    )  # fmt: skip
    backing = dict(zip(np.round(line.positions_mm, 1), line.truth.backing, strict=True))
    wet = np.array([backing[round(1000 * each, 1)] == "water" for each in depth])
    return Heard(line, told, wet, depth)


def scaled(level: FloatArray, diameter_m: float) -> FloatArray:
    """(P, B) levels on bands made dimensionless by the diameter; NaN beyond those that were measured."""
    octave = np.log2(BAND_HZ)
    wanted = octave + np.log2(DIAMETER_M / diameter_m)
    return np.array([np.interp(wanted, octave, row, left=np.nan, right=np.nan) for row in level])


def trained(lines: Sequence[Heard]) -> HistGradientBoostingClassifier:
    """Train the trees."""
    trees = HistGradientBoostingClassifier(
        learning_rate=0.05, max_iter=250, max_leaf_nodes=15, min_samples_leaf=30, l2_regularization=1.0,
        random_state=SEED,
    )  # fmt: skip
    told = np.concatenate([heard.told for heard in lines])
    return trees.fit(told, np.concatenate([heard.wet for heard in lines]))


def log_odds_of(trees: HistGradientBoostingClassifier, heard: Heard) -> FloatArray:
    """(P,) log-odds of water behind each point."""
    p = np.clip(trees.predict_proba(heard.told)[:, 1], 1e-3, 1 - 1e-3)
    return np.asarray(np.log(p / (1 - p)))


def held_back(lines: Sequence[Heard]) -> list[tuple[FloatArray, Heard]]:
    """Log-odds of each training line with the water at its own end, by trees that did not see its tank."""
    out = []
    lines = [heard for heard in lines if not heard.line.truth.inverted]
    for fold in range(FOLDS):
        trees = trained([heard for number, heard in enumerate(lines) if number % FOLDS != fold])
        out += [(log_odds_of(trees, heard), heard) for heard in lines[fold::FOLDS]]
    return out


def best_power(held: Sequence[tuple[FloatArray, Heard]]) -> float:
    """Power with the best mean score on held-back lines."""
    return max(POWERS, key=lambda power: np.mean([cut_score(log_odds, heard, power) for log_odds, heard in held]))


def cuts(log_odds: FloatArray, heard: Heard) -> FloatArray:
    """(P + 1,) log-likelihood of 0, 1, ... P water-backed points from the water end on."""
    depth = heard.depth_m if heard.line.case.tank.hanging else -heard.depth_m
    along = log_odds[np.argsort(depth)]
    return np.concatenate(([0.0], np.cumsum(along)))


def cut_score(log_odds: FloatArray, heard: Heard, power: float) -> float:
    """Logarithm of the probability of the true number of water-backed points, all alike beforehand."""
    score = power * cuts(log_odds, heard)
    return float(score[int(heard.wet.sum())] - np.logaddexp.reduce(score))


def cut_error(log_odds: FloatArray, heard: Heard) -> float:
    """Error of the likeliest cut in spacings, the boundary midway between two points."""
    count = int(np.argmax(cuts(log_odds, heard)))
    hanging = heard.line.case.tank.hanging
    depth = np.sort(heard.depth_m) if hanging else np.sort(heard.depth_m)[::-1]
    step = heard.line.spacing_mm / 1000 * (1 if hanging else -1)
    places = np.concatenate(([depth[0] - step / 2], (depth[1:] + depth[:-1]) / 2, [depth[-1] + step / 2]))
    at = places[count]
    assert heard.line.truth.boundary_mm is not None
    return float(abs(1000 * at - heard.line.truth.boundary_mm) / heard.line.spacing_mm)


def posterior_of(line: Line) -> BoundaryPosterior | None:
    """Form the posterior as taptest does; None where there is no model."""
    sweeps, _ = sweeps_for(line.case)
    return read_line(line.points, line.case.tank, sweeps).posterior if sweeps else None


def with_points(posterior: BoundaryPosterior, log_odds: FloatArray, heard: Heard, power: float) -> BoundaryPosterior:
    """Weigh the points' evidence into a posterior; an inverted picture and two boundaries get its mean."""
    hanging = heard.line.case.tank.hanging
    depth = np.sort(heard.depth_m)
    score = power * cuts(log_odds, heard)
    score = np.exp(score - score.max())
    above = np.searchsorted(depth, posterior.depth_m)
    mass = posterior.mass * score[above if hanging else depth.size - above]
    air, water = posterior.p_all_air * score[0], posterior.p_all_water * score[-1]
    no_contact = posterior.p_no_contact * score[0]
    inverted, two = posterior.p_inverted * score.mean(), posterior.p_two * score.mean()
    total = mass.sum() + air + water + no_contact + inverted + two
    return replace(
        posterior, mass=mass / total, p_all_air=air / total, p_all_water=water / total, p_inverted=inverted / total,
        p_two=two / total, p_no_contact=no_contact / total,
    )  # fmt: skip


def log_score(line: Line, posterior: BoundaryPosterior) -> float:
    """Logarithm of the probability of the true state, within half a spacing of the true place."""
    truth = line.truth
    if truth.boundary_mm is None:
        sure = posterior.p_all_water if truth.state == "all water" else posterior.p_all_air + posterior.p_no_contact
    elif truth.inverted:
        sure = posterior.p_inverted
    else:
        near = np.abs(1000 * posterior.depth_m - truth.boundary_mm) <= line.spacing_mm / 2
        sure = float(posterior.mass[near].sum())
    return float(np.log(max(sure, LEAST)))


if __name__ == "__main__":
    main()

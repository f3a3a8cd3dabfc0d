"""Where to tap next: the expected information of one more point about where the water ends.

With the model's sweep, a point is worth as much as the levels still in question differ there, band by band, against
what the model and the noise leave unsure (the expected information of a normal observation, Lindley 1956); without
it, a point is worth what hearing "water" or "air" there would tell, at the error rate of a single point. A point beside
one already tapped tells little new, because modes reach across both. Depths are metres below the top of the shell;
information is in bits.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.line.matched import MatchSettings, along_line, level_grid
from taptest.line.records import BoundaryPosterior
from taptest.shell.records import LevelSweep

FloatArray = NDArray[np.float64]

SINGLE_POINT_ERROR = 0.14
"""Error rate of the backing of one point taken alone, on simulated visits."""
REACH_M = 0.03
"""Distance over which neighbouring points tell the same."""


@dataclass(frozen=True, slots=True)
class NextPoint:
    """What one more point would tell."""

    depth_m: float
    """The best of the candidates."""
    information_bits: float
    candidate_m: FloatArray
    """(C,)"""
    candidate_bits: FloatArray
    """(C,) expected information of each candidate."""


def next_point(
    posterior: BoundaryPosterior,
    tapped_m: FloatArray,
    candidate_m: FloatArray,
    sweeps: Sequence[LevelSweep] = (),
    settings: MatchSettings | None = None,
) -> NextPoint:
    """Choose the candidate position (C,) that tells most, given the posterior and the positions tapped so far (P,)."""
    candidates = np.asarray(candidate_m, dtype=float)
    if sweeps:
        chosen = settings or MatchSettings()
        bits = np.mean([_model_bits(posterior, candidates, sweep, chosen) for sweep in sweeps], axis=0)
    else:
        bits = backing_bits(posterior, candidates)
    bits = bits * _novelty(candidates, tapped_m)
    best = int(np.argmax(bits))
    return NextPoint(float(candidates[best]), float(bits[best]), candidates, bits)


def repeat_bits(noise_sd_db: float, model_sd_db: float, taps: int) -> float:
    """Information per band of one more tap at a point that has `taps`: noise shrinks, the model's error does not."""
    before = model_sd_db**2 + noise_sd_db**2 / max(taps, 1)
    after = model_sd_db**2 + noise_sd_db**2 / (max(taps, 1) + 1)
    return float(0.5 * np.log2(before / after))


def backing_bits(posterior: BoundaryPosterior, candidate_m: FloatArray) -> FloatArray:
    """(C,) information of hearing one point's backing: H(heard) - H(error), over the one-boundary and whole states."""
    reached = np.concatenate(([0.0], np.cumsum(posterior.mass)))
    edges = np.concatenate(
        (
            [posterior.depth_m[0]],
            0.5 * (posterior.depth_m[1:] + posterior.depth_m[:-1]),
            [posterior.depth_m[-1]],
        )
    )
    above = np.interp(candidate_m, edges, reached)
    one_side = above + 0.5 * (1.0 - posterior.p_found)
    heard = one_side * (1 - SINGLE_POINT_ERROR) + (1 - one_side) * SINGLE_POINT_ERROR
    return np.asarray(np.maximum(_entropy_bits(heard) - _entropy_bits(np.array(SINGLE_POINT_ERROR)), 0.0))


def _model_bits(
    posterior: BoundaryPosterior, candidate_m: FloatArray, sweep: LevelSweep, settings: MatchSettings
) -> FloatArray:
    """(C,) tempered information of a point's band levels about the level, from the spread of the predictions."""
    rows, left, share, depth = level_grid(sweep.level_depth_m)
    mass = np.interp(depth, posterior.depth_m, posterior.mass)
    total = mass.sum()
    mass = mass * (posterior.p_found / total) if total > 0 else mass
    whole = np.array([posterior.p_all_air, posterior.p_all_water])
    every = max(float(mass.sum() + whole.sum()), 1e-12)
    mass, whole = mass / every, whole / every
    # predictions between two levels are their mixture, so mean and mean square follow from sums over the levels alone
    first, square, cross = np.zeros(rows.size), np.zeros(rows.size), np.zeros(rows.size)
    for place, part in ((left, 1 - share), (left + 1, share)):
        np.add.at(first, place, part * mass)
        np.add.at(square, place, part**2 * mass)
    np.add.at(cross, left, 2 * share * (1 - share) * mass)
    first[-2:], square[-2:] = whole, whole
    level = along_line(sweep.level_db, sweep.depth_m, candidate_m)[rows]
    level = level - level.mean(axis=2, keepdims=True)
    mean = np.einsum("l,lcb->cb", first, level)
    mean_square = np.einsum("l,lcb->cb", square, level**2)
    mean_square += np.einsum("l,lcb,lcb->cb", cross[:-1], level[:-1], level[1:])
    spread = np.maximum(mean_square - mean**2, 0.0)
    trust = settings.temper * settings.band_temper * (1 - settings.spoilt)
    return np.asarray(0.5 * trust * np.log2(1 + spread / settings.model_sd_db**2).sum(axis=1))


def _novelty(candidate_m: FloatArray, tapped_m: FloatArray) -> FloatArray:
    """(C,) share of a candidate's information that the nearest tapped point does not already carry."""
    if tapped_m.size == 0:
        return np.ones_like(candidate_m)
    nearest = np.abs(candidate_m[:, None] - tapped_m[None, :]).min(axis=1)
    return np.asarray(1.0 - np.exp(-((nearest / REACH_M) ** 2)))


def _entropy_bits(p: FloatArray) -> FloatArray:
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(-(q * np.log2(q) + (1 - q) * np.log2(1 - q)))

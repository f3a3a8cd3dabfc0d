"""Points of the line become its profile: robust over the taps of a point, with the strength of each blow taken off.

A tap is modelled as  level[tap, band] = profile[point, band] + strength[tap] + scatter.  Only differences between
points count later, so the strength of a blow is measured against the mean spectrum of the line: a band hidden by noise
at one point must not look like a weak blow there. Levels are decibels, depths metres below the top
of the shell. Shapes: T taps, P points, B bands, F frequencies of the fine spectrum.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from taptest.errors import LineError
from taptest.line.records import Point, Profile
from taptest.sound.records import TapTraits

FloatArray = NDArray[np.float64]

SAME_POINT_M = 0.0005
"""Two marks nearer than this are one point."""
HUBER = 1.5
"""Residuals beyond this many standard deviations lose weight (Huber 1964)."""
LEAST_SCATTER_DB = 0.5
"""The scatter between taps of one point is never taken for less."""
USUAL_SCATTER_DB = 1.5
"""Assumed scatter between taps of one point where there are no repeats to measure it; common practice, no source."""
USUAL_STRENGTH_SCATTER_DB = 2.0
"""The same of the strength of blows."""
PRIOR_REPEATS = 4.0
"""How many repeats the assumed scatter is worth beside the measured one."""


def profile_of(points: Sequence[Point]) -> Profile:
    """Profile of a line from its points, sorted from the top down; points at the same mark are joined.

    Points without a used tap are left out. Raises LineError where no point has one, or where a depth is not finite.
    """
    groups = _groups(points)
    owner = np.repeat(np.arange(len(groups)), [len(traits) for _, traits, _ in groups])
    member = (owner[None, :] == np.arange(len(groups))[:, None]).astype(float)
    every = [trait for _, traits, _ in groups for trait in traits]
    level = np.array([t.band_level_db for t in every], dtype=float)
    level_noise = np.array([t.band_level_sd_db for t in every], dtype=float)
    spectrum = np.array([t.spectrum_db for t in every], dtype=float)

    blow = blow_strengths(level, member)
    mean_level, sd_level = _robust_means(level - blow[:, None], level_noise, member)
    taps = member.sum(axis=1)
    strength = member @ blow / taps
    repeats = taps.sum() - len(groups)
    spread = float(((blow - strength[owner]) ** 2).sum() + PRIOR_REPEATS * USUAL_STRENGTH_SCATTER_DB**2)
    strength_sd = np.sqrt(spread / (repeats + PRIOR_REPEATS) / taps)
    return Profile(
        depth_m=np.array([depth for depth, _, _ in groups]),
        level_db=mean_level,
        level_sd_db=sd_level,
        spectrum_db=_means(spectrum - blow[:, None], member),
        strength_db=strength,
        strength_sd_db=strength_sd,
        taps=taps.astype(np.int64),
        doubtful=np.array([doubtful for _, _, doubtful in groups]),
    )


def blow_strengths(level_db: FloatArray, member: FloatArray) -> FloatArray:
    """Strength of each blow in decibels, (T,), against the line's mean blow; zero for a tap that nothing is heard of.

    `level_db` (T, B) with NaN where hidden; `member` (P, T) is one where the tap belongs to the point. The taps of one
    point differ by their strength alone, so there the median over the bands is taken (a band spoilt by a click does not
    count); between points, whose spectra differ, the mean over bands measured from the line's mean spectrum.
    """
    owner = np.argmax(member, axis=0)
    within = np.zeros(level_db.shape[0])
    for _ in range(3):
        here = _means(level_db - within[:, None], member)
        within += _row_medians(level_db - within[:, None] - here[owner])
    here = _means(level_db - within[:, None], member)
    between = np.zeros(member.shape[0])
    for _ in range(20):
        reference = _column_means(here - between[:, None])
        between = _row_means(here - reference)
        between -= between.mean()
    return np.asarray(within + between[owner])


def _groups(points: Sequence[Point]) -> list[tuple[float, tuple[TapTraits, ...], bool]]:
    """Depth, traits and doubt of each mark, sorted by depth."""
    for point in points:
        if not np.isfinite(point.depth_m):
            raise LineError(f"A point lies at {point.depth_m} m below the top: give every point a finite position.")
    groups: list[tuple[float, tuple[TapTraits, ...], bool]] = []
    for point in sorted((p for p in points if p.traits), key=lambda p: p.depth_m):
        if groups and point.depth_m - groups[-1][0] < SAME_POINT_M:
            depth, traits, doubtful = groups[-1]
            groups[-1] = (depth, traits + point.traits, doubtful or point.doubtful)
        else:
            groups.append((point.depth_m, point.traits, point.doubtful))
    if not groups:
        raise LineError(
            f"None of the {len(points)} points has a tap that could be used: tap again nearer to the microphone, "
            "three clean blows a point."
        )
    return groups


def _robust_means(value: FloatArray, noise_sd: FloatArray, member: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Huber means over the taps of each point, (P, B), and their standard deviations.

    The scatter between taps, pooled over the points of a band, is drawn to the usual one as far as repeats are few.
    """
    owner = np.argmax(member, axis=0)
    known = np.isfinite(value)
    filled = np.where(known, value, 0.0)
    noise = np.where(known & np.isfinite(noise_sd), noise_sd, 0.0)
    between = np.full(value.shape[1], USUAL_SCATTER_DB)
    huber = np.ones_like(filled)
    for _ in range(4):
        weight = known * huber / (between**2 + noise**2)
        total = member @ weight
        mean = (member @ (weight * filled)) / np.maximum(total, 1e-12)
        residual = np.where(known, filled - mean[owner], 0.0)
        pull = np.abs(residual) / np.sqrt(between**2 + noise**2)
        huber = np.minimum(1.0, HUBER / np.maximum(pull, 1e-9))
        repeats = np.maximum(known.sum(axis=0) - (member @ known > 0).sum(axis=0), 0)
        squares = (np.minimum(pull, 2 * HUBER) ** 2 * (between**2 + noise**2) - noise**2).clip(min=0.0)
        pooled = ((known * squares).sum(axis=0) + PRIOR_REPEATS * USUAL_SCATTER_DB**2) / (repeats + PRIOR_REPEATS)
        between = np.maximum(np.sqrt(pooled), LEAST_SCATTER_DB)
    heard = 2 * (member @ known) > member.sum(axis=1, keepdims=True)
    sd = np.where(heard, 1.0 / np.sqrt(np.maximum(total, 1e-12)), np.nan)
    return np.where(heard, mean, np.nan), sd


def _means(value: FloatArray, member: FloatArray) -> FloatArray:
    """Plain means over the taps of each point, (P, ...), NaN where no tap is known."""
    known = np.isfinite(value)
    count = member @ known
    return np.asarray(np.where(count > 0, member @ np.where(known, value, 0.0) / np.maximum(count, 1), np.nan))


def _row_medians(value: FloatArray) -> FloatArray:
    """Median of the finite entries of each row; zero where there are none."""
    known = np.isfinite(value).any(axis=1)
    out = np.zeros(value.shape[0])
    out[known] = np.nanmedian(value[known], axis=1)
    return out


def _row_means(value: FloatArray) -> FloatArray:
    """Mean of the finite entries of each row; zero where there are none."""
    known = np.isfinite(value)
    return np.asarray(np.where(known, value, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1))


def _column_means(value: FloatArray) -> FloatArray:
    """Mean of the finite entries of each column; zero where there are none."""
    return _row_means(value.T)

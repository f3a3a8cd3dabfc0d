"""Change-points along the line without any model of the vessel: 0, 1 or 2 boundaries, every segmentation weighed.

Each point carries a row of features. Within one backing the rows scatter about one mean, and the two backings have
different means; where a second boundary exists, the outer parts share one backing. What a segmentation leaves of the
squares is its likelihood: (squares left)^(-n/2), flat means and one unknown scatter as in Cobb (Biometrika 65, 1978,
243), with n tempered, and a price for having two means instead of one. Nothing finer did better on tapped slabs.

A cut i means: the boundary lies between point i-1 and point i, counted from the top. Shapes: P points, D features,
S segmentations.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from taptest.errors import LineError
from taptest.line.records import Profile
from taptest.sound.traits import BAND_HZ

FloatArray = NDArray[np.float64]

TEMPER = 0.1
"""Power of the likelihood: neither features nor neighbouring points scatter as independently as it takes them to.

Set with the price below on one tapped slab; another one has the figures (docs/method.md)."""
PRICE_OF_TWO = 3.5
"""Log-likelihood that two means cost beside one: they fit any line better."""
CLIP = 6.0
"""Standardised features are cut off here, so that one spoilt point does not rule."""
LOW_HZ, HIGH_HZ = 630.0, 3150.0
"""Bands up to the first and from the second on tell dull from bright."""
SHORTEST = 2
"""Points that one backing must cover to count, save where the caller asks for fewer."""


@dataclass(frozen=True, slots=True)
class ChangePoints:
    """All segmentations of a line with their probabilities."""

    cuts: tuple[tuple[int, ...], ...]
    """(S,) the cuts of each segmentation; () is no boundary."""
    mass: FloatArray
    """(S,) posterior probability, one in all."""
    log_likelihood: FloatArray
    """(S,) marginal log-likelihood (tempered), up to one constant."""
    points: int

    def p_boundaries(self) -> FloatArray:
        """(3,) probability of 0, 1 and 2 boundaries."""
        counts = np.array([len(cut) for cut in self.cuts])
        return np.array([self.mass[counts == k].sum() for k in range(3)])

    def cut_mass(self, which: int, of: int) -> FloatArray:
        """(P + 1,) probability of each cut for boundary number `which` (0 is the upper), given `of` boundaries."""
        out = np.zeros(self.points + 1)
        for cut, mass in zip(self.cuts, self.mass, strict=True):
            if len(cut) == of:
                out[cut[which]] += mass
        total = out.sum()
        return out / total if total > 0 else out

    def p_second_state(self) -> FloatArray:
        """(P,) probability that a point is of another backing than the topmost point."""
        labels = _labels(self.points, self.cuts)
        return np.asarray(self.mass @ labels)


def change_points(
    features: FloatArray,
    gap_m: FloatArray | None = None,
    *,
    smooth: FloatArray | None = None,
    most: int = 2,
    shortest: int = SHORTEST,
    prior: tuple[float, float, float] = (1 / 3, 1 / 3, 1 / 3),
    temper: float = TEMPER,
) -> ChangePoints:
    """Posterior over all segmentations of the rows of `features` (P, D) into at most `most` + 1 parts.

    `gap_m` (P - 1) are the distances between neighbouring points: a boundary is as likely in a gap as the gap is wide.
    `smooth` (P, C) are courses along the line that have nothing to do with the backing, such as the heads' higher sound
    at both ends; they are fitted freely. `prior` are the odds of 0, 1 and 2 boundaries. Raises LineError where there
    are fewer than 2 * `shortest` points.
    """
    P = features.shape[0]
    if 2 * shortest > P:
        raise LineError(f"A line of {P} points has no room for a boundary: tap at least {2 * shortest} points.")
    cuts = _segmentations(P, most, shortest)
    labels = _labels(P, cuts)
    log_likelihood = segment_log_likelihood(standardised(features), labels, smooth, temper)
    gaps = np.ones(P - 1) if gap_m is None else np.asarray(gap_m, dtype=float)
    log_prior = np.empty(len(cuts))
    counts = np.array([len(cut) for cut in cuts])
    for k in range(most + 1):
        width = np.array([np.prod([gaps[i - 1] for i in cut]) for cut in cuts if len(cut) == k])
        if width.size:
            log_prior[counts == k] = np.log(prior[k] * width / width.sum())
    log_mass = log_likelihood + log_prior
    mass = np.exp(log_mass - log_mass.max())
    return ChangePoints(cuts, mass / mass.sum(), log_likelihood, P)


def segment_log_likelihood(
    Z: FloatArray, labels: FloatArray, smooth: FloatArray | None = None, temper: float = TEMPER
) -> FloatArray:
    """Log-likelihood (S,) of standardised rows `Z` (P, D) under each row of `labels` (S, P; 0 or 1), up to a constant.

    Z = 1 mean' + label contrast' + E by least squares; courses `smooth` (P, C) along the line are fitted freely.
    """
    P = Z.shape[0]
    course = np.ones((P, 1)) if smooth is None else np.column_stack([np.ones(P), smooth])
    left = np.eye(P) - course @ np.linalg.pinv(course)  # takes off what mean and courses explain
    rest = left @ Z
    two = labels @ left
    size = (two * labels).sum(axis=1)
    parted = size > 1e-9
    explained = ((two @ rest) ** 2).sum(axis=1) / np.where(parted, size, 1.0) * parted
    squares = np.maximum((rest**2).sum() - explained, 0.0) + 1.0  # one unit of scatter is never explained
    return np.asarray(-0.5 * temper * Z.size * np.log(squares) - PRICE_OF_TWO * parted)


def standardised(features: FloatArray) -> FloatArray:
    """Features (P, D) about their medians, in units of the scatter between neighbours, cut off at `CLIP`.

    Scatter is taken from the differences of neighbouring points, which the boundaries hardly touch, by the median
    absolute deviation; a feature quieter than the rest is not trusted fully. Gaps (NaN) take the column's median;
    features known at fewer than half the points are left out.
    """
    known = np.isfinite(features)
    use = 2 * known.sum(axis=0) > features.shape[0]
    kept = features[:, use]
    centred = kept - np.nanmedian(kept, axis=0) if kept.size else np.zeros((features.shape[0], 1))
    filled = np.where(np.isfinite(centred), centred, 0.0)
    step = np.diff(filled, axis=0)
    sd = 1.4826 * np.median(np.abs(step - np.median(step, axis=0)), axis=0) / np.sqrt(2)
    floor = 0.5 * float(np.median(sd))
    sd = np.hypot(sd, floor if floor > 0 else 1.0)
    return np.asarray(np.clip(filled / sd, -CLIP, CLIP))


def line_changes(profile: Profile) -> ChangePoints:
    """Change-points of a tank's line: band levels for the same blow, with a course that both heads share left free."""
    place = _place(profile.depth_m)
    return change_points(profile.level_db, np.diff(profile.depth_m), smooth=place[:, None] ** 2, shortest=1)


def dullness_db(profile: Profile) -> FloatArray:
    """(P,) how much more of the sound lies low than high at each point, the heads' common course taken off, about zero.

    Water adds mass: for the same blow the low bands grow and the high ones fall.
    """
    low, high = profile.level_db[:, BAND_HZ <= LOW_HZ], profile.level_db[:, BAND_HZ >= HIGH_HZ]
    tilt = _row_means(low) - _row_means(high)
    known = np.isfinite(tilt)
    if not known.any():
        return np.zeros(tilt.size)
    tilt = np.where(known, tilt, np.mean(tilt[known]))
    course = np.stack([np.ones(tilt.size), _place(profile.depth_m) ** 2], axis=1)
    return np.asarray(tilt - course @ np.linalg.lstsq(course, tilt, rcond=None)[0])


def _row_means(value: FloatArray) -> FloatArray:
    """Mean of the finite entries of each row; NaN where there are none."""
    known = np.isfinite(value)
    count = known.sum(axis=1)
    return np.asarray(np.where(count > 0, np.where(known, value, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan))


def _place(depth_m: FloatArray) -> FloatArray:
    """(P,) position along the line from -1 (topmost point) to 1 (lowest)."""
    span = float(np.ptp(depth_m))
    middle = 0.5 * (depth_m.max() + depth_m.min())
    return np.asarray(2 * (depth_m - middle) / span) if span > 0 else np.zeros(depth_m.size)


@lru_cache(maxsize=64)
def _segmentations(P: int, most: int, shortest: int) -> tuple[tuple[int, ...], ...]:
    none: list[tuple[int, ...]] = [()]
    one: list[tuple[int, ...]] = [(i,) for i in range(shortest, P - shortest + 1)] if most >= 1 else []
    two: list[tuple[int, ...]] = (
        [(i, j) for i in range(shortest, P - shortest + 1) for j in range(i + shortest, P - shortest + 1)]
        if most >= 2
        else []
    )
    return tuple(none + one + two)


@lru_cache(maxsize=64)
def _labels(P: int, cuts: tuple[tuple[int, ...], ...]) -> FloatArray:
    """(S, P) zero for the backing of the topmost point, one for the other."""
    place = np.arange(P)
    labels = np.zeros((len(cuts), P))
    for row, cut in zip(labels, cuts, strict=True):
        for c in cut:
            row[place >= c] = 1.0 - row[place >= c]
    labels.setflags(write=False)
    return labels

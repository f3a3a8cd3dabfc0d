"""Give the taps of one continuous walk to the points of the line, by count and by pause together.

Goal: a missed, doubled or foreign tap costs its own point something, and does not shift all points after it.

How: taps in order are a hidden walk over (point, how many taps it has so far). Between taps of one point the technician
keeps a rhythm, between points there is a pause; both gaps are log-normal with a broad tail, their sizes learned from
the recording itself. A point mostly has as many taps as asked for; a tap that looks like noise is easily left out. All
ways to walk are summed (forward-backward, Rabiner, Proc. IEEE 77, 1989, 257), so that each tap's point comes with its
probability, and doubt is said where it lies.

Conventions: T taps in order of time, P points in order of tapping, K taps at a point at most; times in seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import LineError
from taptest.sound.records import Alignment, Tap
from taptest.sound.remarks import PointSpan, WalkRemark, WhyNot
from taptest.statements import Statement

FloatArray = NDArray[np.float64]

IS_STRIKE = {
    None: 0.995,
    WhyNot.DOUBLE_HIT: 0.99,
    WhyNot.CLIPPED: 0.99,
    WhyNot.OVERLAPS: 0.97,
    WhyNot.CUT_OFF: 0.7,
    WhyNot.TOO_WEAK: 0.4,
    WhyNot.NOISE_BURST: 0.05,
    WhyNot.NOT_THIS_STRIKER: 0.03,
    WhyNot.TOO_REGULAR: 0.01,
    WhyNot.BY_HAND: 0.9,
}
"""Probability that a tap with this reason was a strike at a point at all (our judgement, no source)."""
MOST_DROPPED = 6
"""At most this many taps in a row are left out as foreign."""
MOST_SKIPPED = 3
"""At most this many points in a row have no tap at all."""
SURE = 0.9
"""Below this probability a tap's point is doubtful."""
ROUNDS = 4


@dataclass(frozen=True, slots=True)
class _Rhythm:
    """Medians and deviations of the natural logarithm of the gaps within a point and between points."""

    within: float
    within_sd: float
    between: float
    between_sd: float


def assign_taps(taps: Sequence[Tap], counts: Sequence[int]) -> Alignment:
    """Assign each of the T taps to one of the P points, of which point p was to be tapped `counts[p]` times.

    Raises LineError where a count is below one or there are too few taps to say anything.
    """
    if not counts or min(counts) < 1:
        raise LineError("Every point of a walk needs at least 1 tap. Correct the column `taps`.")
    strikes = [i for i, tap in enumerate(taps) if IS_STRIKE[tap.why_not] > 0.5]
    if len(strikes) < max(1, len(counts) // 2):
        raise LineError(
            f"Only {len(strikes)} taps were found in a walk of {len(counts)} points ({sum(counts)} taps). "
            "Is this the right recording? If so, tap harder or move the microphone closer."
        )
    onset_s = np.array([tap.onset_s for tap in taps])
    quality = np.array([IS_STRIKE[tap.why_not] for tap in taps])
    rhythm = _first_rhythm(onset_s[strikes], counts)
    membership = np.zeros((len(taps), len(counts)))
    for _ in range(ROUNDS):
        before = membership
        membership = _walk(onset_s, quality, counts, rhythm)
        if np.abs(membership - before).max() < 0.01:
            break
        rhythm = _learn(onset_s, membership, rhythm)
    return _conclude(taps, counts, membership)


def _conclude(taps: Sequence[Tap], counts: Sequence[int], membership: FloatArray) -> Alignment:
    """Most probable points, their certainty, and statements about what is doubtful."""
    foreign = 1.0 - membership.sum(axis=1)
    best = np.where(membership.max(axis=1) >= foreign, membership.argmax(axis=1), -1)
    sure = np.maximum(membership.max(axis=1), foreign)
    got = np.bincount(best[best >= 0], minlength=len(counts))
    doubtful: set[int] = set()
    for i in np.flatnonzero(sure < SURE).tolist():
        if IS_STRIKE[taps[i].why_not] > 0.5 or best[i] >= 0:
            doubtful |= {int(p) for p in np.flatnonzero(membership[i] > (1 - SURE) / 2)}
    notes = []
    for p, (have, wanted) in enumerate(zip(got, counts, strict=True)):
        if have != wanted:
            notes.append(Statement(WalkRemark.OTHER_COUNT, {"point": p + 1, "count": int(have), "wanted": wanted}))
    if doubtful:
        which = WalkRemark.DOUBTFUL_POINT if len(doubtful) == 1 else WalkRemark.DOUBTFUL_POINTS
        notes.append(Statement(which, {"points": _spans(sorted(doubtful))}))
    return Alignment(
        point=tuple(int(p) for p in best),
        certainty=tuple(float(c) for c in sure),
        doubtful_points=tuple(sorted(doubtful)),
        notes=tuple(notes),
    )


def _spans(points: list[int]) -> tuple[Statement, ...]:
    """Name points, counted from 1, with those that follow each other together: "3 to 5, 9"."""
    runs: list[list[int]] = []
    for p in points:
        if runs and p == runs[-1][-1] + 1:
            runs[-1].append(p)
        else:
            runs.append([p])
    return tuple(
        Statement(PointSpan.ONE, {"point": run[0] + 1})
        if len(run) == 1
        else Statement(PointSpan.SEVERAL, {"first": run[0] + 1, "last": run[-1] + 1})
        for run in runs
    )


def _first_rhythm(onset_s: FloatArray, counts: Sequence[int]) -> _Rhythm:
    """Guess the rhythm: as many of the longest gaps as there are steps between points are steps."""
    gaps = np.sort(np.log(np.maximum(np.diff(onset_s), 1e-3)))
    steps = len(counts) - 1
    if not gaps.size:
        return _Rhythm(0.0, 1.0, 0.5, 1.0)
    if steps == 0 or sum(counts) == len(counts):
        middle = float(np.median(gaps))
        return _Rhythm(middle - (1.0 if steps else 0.0), 0.3, middle, 0.3)
    share = min(max(round(gaps.size * (1 - steps / (sum(counts) - 1))), 1), gaps.size - 1) if gaps.size > 1 else 1
    within, between = gaps[:share], gaps[share:] if gaps.size > share else gaps[-1:]
    return _Rhythm(float(np.median(within)), _scatter(within), float(np.median(between)), _scatter(between))


def _scatter(logs: FloatArray) -> float:
    """Deviation by the median absolute deviation, held between 0.08 and 0.6."""
    return float(np.clip(1.4826 * np.median(np.abs(logs - np.median(logs))), 0.08, 0.6))


def _learn(onset_s: FloatArray, membership: FloatArray, before: _Rhythm) -> _Rhythm:
    """Rhythm from the gaps whose kind is known well, given who belongs where."""
    best = membership.argmax(axis=1)
    taken = np.flatnonzero(membership.max(axis=1) > 0.5)
    gaps = np.log(np.maximum(np.diff(onset_s[taken]), 1e-3))
    same = np.diff(best[taken]) == 0
    within, between = gaps[same], gaps[~same]
    return _Rhythm(
        float(np.median(within)) if within.size >= 2 else before.within,
        _scatter(within) if within.size >= 4 else before.within_sd,
        float(np.median(between)) if between.size >= 2 else before.between,
        _scatter(between) if between.size >= 4 else before.between_sd,
    )


def _gap_density(gap_s: FloatArray, middle: float, deviation: float) -> FloatArray:
    """Density of the logarithm of gaps: mostly the rhythm, now and then double (a tap was missed) or anything."""
    x = np.log(np.maximum(gap_s, 1e-3)) - middle

    def normal(mean: float, sd: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)))

    return 0.95 * normal(0.0, deviation) + 0.03 * normal(np.log(2), deviation) + 0.02 * normal(0.0, 1.0) + 1e-12


def _count_chances(counts: Sequence[int], most: int) -> FloatArray:
    """(P, most + 1) probability that a point gets k taps when `counts[p]` were asked for."""
    off = np.abs(np.arange(most + 1)[None, :] - np.asarray(counts)[:, None])
    chance = np.where(off == 0, 0.93, 0.03 * 0.25 ** np.maximum(off - 1, 0))
    chance[:, 0] = np.minimum(chance[:, 0], 0.004)
    return chance


def _steps(skipped: FloatArray) -> FloatArray:
    """(P, P) probability weight of going from point q to a later point p: the points between have no tap."""
    points = skipped.size
    steps = np.zeros((points, points))
    for q in range(points):
        for p in range(q + 1, min(q + 2 + MOST_SKIPPED, points)):
            steps[q, p] = np.prod(skipped[q + 1 : p])
    return steps


@dataclass(frozen=True, slots=True)
class _Ways:
    """Everything the sums over walks need. Gap weights are (T, D): (i, d) is the gap from i - 1 - d to i."""

    within: FloatArray
    between: FloatArray
    ended: FloatArray
    """(P, K) probability that a point ends with its (k + 1)-th tap."""
    steps: FloatArray
    before: FloatArray
    """(P,) weight of starting at a point."""
    after: FloatArray
    """(P,) weight of having no tap at all points after."""
    drop: FloatArray
    """(T,) probability that a tap is foreign."""
    accept: FloatArray


def _ways(onset_s: FloatArray, quality: FloatArray, counts: Sequence[int], rhythm: _Rhythm) -> _Ways:
    chance = _count_chances(counts, max(counts) + 3)
    skipped = chance[:, 0]
    taps = onset_s.size
    within = np.zeros((taps, MOST_DROPPED + 1))
    between = np.zeros((taps, MOST_DROPPED + 1))
    for d in range(min(MOST_DROPPED + 1, taps - 1)):
        gap_s = onset_s[d + 1 :] - onset_s[: -d - 1]
        foreign = np.array([np.prod(1 - quality[i - d : i]) for i in range(d + 1, taps)])
        within[d + 1 :, d] = _gap_density(gap_s, rhythm.within, rhythm.within_sd) * foreign
        between[d + 1 :, d] = _gap_density(gap_s, rhythm.between, rhythm.between_sd) * foreign
    passed = np.concatenate(([1.0], np.cumprod(skipped)))
    rest = np.concatenate((np.cumprod(skipped[::-1])[::-1], [1.0]))
    return _Ways(within, between, chance[:, 1:], _steps(skipped), passed[:-1], rest[1:], 1 - quality, quality)


def _walk(onset_s: FloatArray, quality: FloatArray, counts: Sequence[int], rhythm: _Rhythm) -> FloatArray:
    """(T, P) probability that each tap belongs to each point, summed over all walks."""
    ways = _ways(onset_s, quality, counts, rhythm)
    forward, forward_log = _forward(ways)
    backward, backward_log = _backward(ways)
    dropped = np.concatenate(([0.0], np.cumsum(np.log(ways.drop))))
    ends = forward_log + dropped[-1] - dropped[1:] + _log((forward * ways.ended).sum(axis=2) @ ways.after)
    total = np.logaddexp.reduce(ends)
    scale = np.exp(forward_log + backward_log - total)
    return np.asarray((forward * backward).sum(axis=2) * scale[:, None])


def _log(values: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(values, 1e-300)))


def _forward(ways: _Ways) -> tuple[FloatArray, FloatArray]:
    """(T, P, K) weights of all walks that end with tap i as the (k + 1)-th of point p, and (T,) logs of their scale."""
    taps, (points, most) = ways.drop.size, ways.ended.shape
    weight, scale = np.zeros((taps, points, most)), np.zeros(taps)
    dropped = np.concatenate(([0.0], np.cumsum(np.log(ways.drop))))
    for i in range(taps):
        back = np.arange(i - 1, max(i - 2 - MOST_DROPPED, -1), -1)
        unit = max(float(scale[back].max(initial=-np.inf)), dropped[i])
        lift = np.exp(scale[back] - unit)
        now = weight[i]
        now[:, 1:] = np.tensordot(lift * ways.within[i, : back.size], weight[back, :, :-1], 1)
        left = np.einsum("jpk,pk->jp", weight[back], ways.ended)
        now[:, 0] = ((lift * ways.between[i, : back.size]) @ left) @ ways.steps
        now[:, 0] += np.exp(dropped[i] - unit) * ways.before
        now *= ways.accept[i]
        size = max(float(now.max()), 1e-300)
        now /= size
        scale[i] = unit + np.log(size)
    return weight, scale


def _backward(ways: _Ways) -> tuple[FloatArray, FloatArray]:
    """(T, P, K) weights of all walks after tap i as the (k + 1)-th of point p, and (T,) logs of their scale."""
    taps, (points, most) = ways.drop.size, ways.ended.shape
    weight, scale = np.zeros((taps, points, most)), np.zeros(taps)
    dropped = np.concatenate(([0.0], np.cumsum(np.log(ways.drop))))
    for j in range(taps - 1, -1, -1):
        ahead = np.arange(j + 1, min(j + 2 + MOST_DROPPED, taps))
        end_log = dropped[-1] - dropped[j + 1]
        unit = max(float(scale[ahead].max(initial=-np.inf)), end_log)
        lift = np.exp(scale[ahead] - unit) * ways.accept[ahead]
        apart = np.arange(ahead.size)
        enter = ways.steps @ ((lift * ways.between[ahead, apart]) @ weight[ahead, :, 0])
        now = weight[j]
        now[:] = ways.ended * (enter + np.exp(end_log - unit) * ways.after)[:, None]
        now[:, :-1] += np.tensordot(lift * ways.within[ahead, apart], weight[ahead, :, 1:], 1)
        size = max(float(now.max()), 1e-300)
        now /= size
        scale[j] = unit + np.log(size)
    return weight, scale

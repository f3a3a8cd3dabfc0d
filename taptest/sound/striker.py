"""Tell the blows of one striker on one shell from other sounds with edges: talk, keys, a clock, doors.

Goal: of all the hits that were heard on a visit, those of the hand that taps the tank, also where half of the hits are
foreign; without refusing a tap because water lies behind it.

How: a blow is described by its first milliseconds, in which the striker leaves the steel (Hertz contact, see
`simulate.strike`), and by how it dies away: ten numbers. Blows of one striker scatter little about a course that
changes smoothly along the line. The densest cluster of hits that is loud and heard at most points is the striker; its
course, and the likelihood of every hit under it and under what is foreign, are then found in turns (expectation and
maximisation, Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1977, 1). What is foreign is described by itself: by a
broad scatter, and by a kernel on each hit that was already refused (Parzen, Ann. Math. Stat. 33, 1962, 1065). A series
of hits at the same pace to within milliseconds is no hand's.

Conventions: E hits in order of time, B octave bands, S segments; samples (..., N) at full scale 1; times in seconds.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Foreign = Literal["talk", "too regular", "not this striker"]

BAND_EDGE_HZ = (500.0, 1000.0, 2000.0, 4000.0, 8000.0)
SEGMENT_S = (0.0, 0.003, 0.010, 0.025, 0.050, 0.090)
"""Ends of the segments after the onset: the first is the blow itself, the others are the ring."""
LEAD_S = 0.030
"""So much before the onset is looked at, for what sounds already."""
EARLY_S = 0.0005
"""Segments begin so much early, since an onset is marked a little late."""
AFTER_S = SEGMENT_S[-1] + 0.010
LEAST_DB = 15.0
"""So far below what sounded before, a segment is not told any more."""
MOST_DOUBT_DB = 12.0
"""A feature of which nothing is known."""
TINY = 1e-14

FEWEST_HITS = 4
"""Fewer hits teach nothing about their striker."""
MOST_AT_ONCE = 900
"""More hits than this are looked at in parts: all pairs of them are compared."""

ALONG_LINE_DB: FloatArray = np.array([5.0, 5.0, 5.0, 3.5, 4.0, 3.0, 3.0, 3.5, 4.5])
"""Standard deviation of each feature among the taps of one visit, and"""
REPEAT_DB: FloatArray = np.array([4.0, 4.0, 3.0, 2.5, 3.0, 1.8, 1.8, 2.0, 2.5])
"""from one tap to the next few. Rounded from simulated visits of two makers and from trains of finger taps, which agree
to within a third."""
FREEDOM = 6.0
"""Degrees of freedom of all scatter: tails of blows that slipped."""
JUMPS, JUMP_TIMES = 0.15, 2.0
"""How often a tap is no repetition (another point, the water's edge), and how far it goes then."""
FOREIGN_TIMES = 3.5
"""Foreign sounds scatter so many times as far as the taps of a line."""
BESIDE = 4
"""A tap is compared with so many before it and after it."""
LOOK_BACK = 60
"""So many foreign hits in a row may lie between two taps."""
SOONEST_S = 0.3
"""A hand seldom strikes again sooner."""
BEGINNINGS = ((0.15, 0.0), (0.5, 20.0), (1.0, 20.0))
"""Weights of loudness, per decibel, with which chains are sought, and by how much a later one must score higher."""
LOUDNESS_WEIGHT = 0.05
SOFTEST_DB = -25.0
TURNS = 8
MANY_RECORDINGS = 4
"""From so many recordings on they tell each other how many taps a recording has."""

WILD, UNLIKE, LASTS_DB = 1.0, 0.3, -2.0
"""Mean square of the steps from tap to tap, in units of what repetition explains, beyond which hits are of no striker;
and beyond which they are not, if they do not die away either: 25 to 50 ms after the onset a ring has fallen, talk has
not. Strikers lie at 0.05 to 0.5, talk at 0.6 and more."""
EVENLY, LEAST_A_MARK = 0.25, 1.5
"""Variance over mean of the number of taps in a recording, up to which a hand counted them, and the least mean of it.
What comes by chance has 1 (Poisson), taps of simulated visits under keys, talk and a clock mostly 0 to 0.2, keys, talk
and music alone 0.28 and more."""
CLEARLY_LOUDER_DB = 6.0
LEAST_SHARE = 0.3
"""Taps that nobody counted and that are not clearly louder than what was refused are believed from this share of the
hits on, and"""
COMPANY_S = 0.2
"""if most have no other hit so near: a key that goes down comes up again."""
MOSTLY, ALWAYS = 0.6, 0.9
"""Shares of hits in company from which on this speaks against few hits: those that are no louder, and loud ones."""

QUICKEST_PACE_S, SLOWEST_PACE_S = 0.2, 2.2
PACE_SD_S = 0.004
SHORTEST_SERIES, LONGEST_BY_HAND = 4, 8
SAME_PACE = 0.004
COUNT_SLACK = 0.25
"""Share by which the number of hits may differ from that of the taps expected where all of them come to a beat."""
SAME_TICK = 1.0
"""A hit that differs from one of a series in no feature by more, in units of `ALONG_LINE_DB`, is one of it."""

KNOWN_BLOWS = 12
"""A round compares a hit with so many of its newest blows."""
FOR_A_BLOW = 2.0
"""Log-odds beforehand that a hit during a round is a blow,"""
FOR_A_BOUNCE = -2.5
"""and that one in the ring of a tap is: bounces that matter are plainly like the blow."""


def blow_features(stretches: NDArray[np.floating], rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Describe hits by their stretches (E, N), which begin `LEAD_S` before the onset and end `AFTER_S` after it.

    Returns features (E, 9) in decibels and their standard deviations (E, 9) by what sounds besides: the level of the
    blow, its share in four octaves, and how far the sound has fallen in four segments after it. NaN in octaves that
    reach beyond half the sampling rate.
    """
    x = np.asarray(stretches, dtype=np.float64)
    count = x.shape[-1]
    fade = max(round(0.005 * rate_hz), 1)
    window = np.ones(count)
    window[:fade], window[-fade:] = np.linspace(0, 1, fade), np.linspace(1, 0, fade)
    spectrum = np.fft.rfft(x * window, axis=-1)
    frequency = np.fft.rfftfreq(count, 1 / rate_hz)
    cuts = np.round((LEAD_S - EARLY_S + np.array(SEGMENT_S)) * rate_hz).astype(int)
    quiet = slice(round(0.008 * rate_hz), round((LEAD_S - 0.003) * rate_hz))
    power = np.full((x.shape[0], len(BAND_EDGE_HZ) - 1, len(SEGMENT_S) - 1), np.nan)
    before = np.full((x.shape[0], len(BAND_EDGE_HZ) - 1), np.nan)
    for band, (low, high) in enumerate(pairwise(BAND_EDGE_HZ)):
        if high > 0.51 * rate_hz:
            continue
        inside = (frequency >= low) & (frequency < high)
        square = np.fft.irfft(spectrum * inside, count, axis=-1) ** 2
        before[:, band] = square[:, quiet].mean(axis=-1)
        for segment, (begin, end) in enumerate(pairwise(cuts)):
            power[:, band, segment] = square[:, begin:end].mean(axis=-1)
    noise = before[:, :, None]
    clear = np.maximum(power - noise, 0.0) + 10 ** (-LEAST_DB / 10) * noise + TINY
    return _features(clear, np.broadcast_to(noise, clear.shape))


def _features(clear: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Features and deviations from powers (E, B, S) with the noise taken off."""
    blow, hush = clear[:, :, 0], np.nansum(noise, axis=1)
    whole = np.maximum(np.nansum(clear, axis=1), TINY)
    level = 10 * np.log10(whole[:, :1])
    share = 10 * np.log10(blow) - level
    fall = np.maximum(10 * np.log10(whole[:, 1:]) - level, -30.0)
    doubt = [hush[:, :1] / whole[:, :1], noise[:, :, 0] / blow, hush[:, 1:] / whole[:, 1:]]
    sd_db = np.minimum(10 / np.log(10) * np.sqrt(np.concatenate(doubt, axis=1)), MOST_DOUBT_DB)
    return np.concatenate((level, share, fall), axis=1), sd_db


def until_next(features: FloatArray, sd_db: FloatArray, gap_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Features (E, 9) and deviations of hits that another one follows after `gap_s` (E,), without that one's sound.

    In a segment that the other hit reaches, a hit is taken to be no louder than before, and nothing is known of it.
    """
    own, doubt = features.copy(), sd_db.copy()
    first = features.shape[1] - (len(SEGMENT_S) - 2)
    for segment in range(first, features.shape[1]):
        reached = gap_s < SEGMENT_S[segment - first + 2]
        before = own[reached, segment - 1] if segment > first else 0.0
        own[reached, segment] = np.minimum(own[reached, segment], before)
        doubt[reached, segment] = MOST_DOUBT_DB
    return own, doubt


@dataclass(frozen=True, slots=True)
class Hits:
    """E hits of a visit, recording after recording, each in order of time."""

    features: FloatArray
    """(E, F) as `blow_features` gives them."""
    sd_db: FloatArray
    """(E, F) their standard deviations by what sounds besides."""
    onset_s: FloatArray
    """(E,) seconds from the start of the recording."""
    recording: IntArray
    """(E,) number of the recording, from 0 without gaps."""
    length_s: tuple[float, ...] = ()
    """Lengths of the recordings; empty where they are not known."""

    def some(self, chosen: NDArray[np.bool_] | IntArray) -> "Hits":
        """Return the hits with these indices, or where this is True."""
        return replace(
            self,
            features=self.features[chosen],
            sd_db=self.sd_db[chosen],
            onset_s=self.onset_s[chosen],
            recording=self.recording[chosen],
        )


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the hits of a visit are."""

    striker: BoolArray
    """(E,) whether the hit is one of the striker's."""
    regular: BoolArray
    """(E,) whether it belongs to a series that is too regular for a hand."""


def same_striker(hits: Hits, expected: int | None = None) -> Verdict:
    """Say which hits are blows of the one striker of the visit.

    `expected` is how many taps there are to be in all, where that is known. Fewer than `FEWEST_HITS` teach nothing and
    all pass.
    """
    regular = regular_hits(hits)
    if _are_the_taps(hits, regular, expected):
        regular[:] = False
    known: BoolArray = np.asarray(np.isfinite(hits.features).all(axis=0))
    if len(hits.onset_s) - int(regular.sum()) < FEWEST_HITS:
        return Verdict(~regular, regular)
    striker = np.zeros(len(regular), bool)
    free = np.flatnonzero(~regular)
    parts = np.array_split(free, -(-free.size // MOST_AT_ONCE))
    for part in parts:
        share = None if expected is None else round(expected * part.size / free.size)
        striker[part] = _find(hits.some(part), known, share)
    return Verdict(striker, regular)


def _are_the_taps(hits: Hits, regular: BoolArray, expected: int | None) -> bool:
    """Whether a regular series is the taps themselves: some tap to a beat, or with a machine.

    With a number expected, there are as many hits, and hardly any without the series. Without one, there is nothing
    else, and in most recordings a few hits leave more room than a clock does, which ticks from start to end.
    """
    others = int(np.count_nonzero(~regular))
    if expected is not None:
        return bool(abs(regular.size - expected) <= COUNT_SLACK * expected and others < 0.5 * expected)
    if others >= FEWEST_HITS or not hits.length_s:
        return False
    roomy = [_leaves_room(hits.onset_s[hits.recording == k], length) for k, length in enumerate(hits.length_s)]
    return sum(roomy) > 0.5 * len(roomy)


def _leaves_room(onset_s: FloatArray, length_s: float) -> bool:
    """Whether a few hits begin late or end early, by more than the two paces that a clock can leave."""
    if not 2 <= onset_s.size <= LONGEST_BY_HAND:
        return False
    room_s = length_s - float(onset_s[-1] - onset_s[0])
    return room_s > 2.0 * float(np.median(np.diff(onset_s)))


# ---- too regular for a hand ------------------------------------------------------------------------------------------


def regular_hits(hits: Hits) -> BoolArray:
    """(E,) whether a hit belongs to a series of like hits at one pace, such as a clock's.

    A hand's pace scatters by a twentieth and rests from point to point; a series counts from `LONGEST_BY_HAND` hits on,
    also where it is parted among recordings, as long as the pace is the same. What sounds like its hits belongs to it.
    """
    found: list[tuple[float, list[int]]] = []
    for number in np.unique(hits.recording):
        inside = np.flatnonzero(hits.recording == number)
        found.extend(_series(hits.onset_s[inside], hits.features[inside], inside))
    out = np.zeros(len(hits.onset_s), bool)
    for pace_s, _ in found:
        same = {hit for other_s, series in found if abs(other_s / pace_s - 1) < SAME_PACE for hit in series}
        if len(same) >= LONGEST_BY_HAND:
            out[list(same)] = True
    if out.any():
        unlike = np.abs(hits.features[:, None] - hits.features[None, out]) / ALONG_LINE_DB[: hits.features.shape[1]]
        out |= np.nan_to_num(unlike).max(axis=2).min(axis=1) <= SAME_TICK
    return out


def _series(onset_s: FloatArray, features: FloatArray, names: IntArray) -> list[tuple[float, list[int]]]:
    """Series of like hits of one recording, as (pace in seconds, names of the hits).

    At least `SHORTEST_SERIES` hits at even steps, or one more at steps that are long and short in turn: a clock limps.
    """
    unlike = np.abs(features[:, None] - features[None]) / ALONG_LINE_DB[: features.shape[1]]
    like = np.nan_to_num(unlike).max(axis=2) <= 2.0
    found = []
    for start in _starts(onset_s, like):
        series, stride = list(start), len(start) - 1
        while (after := _next_in_series(onset_s, series, stride)) is not None:
            series.append(after)
        if len(series) >= SHORTEST_SERIES + stride - 1:
            found.append((_pace_s(onset_s, series, stride), [int(names[hit]) for hit in series]))
    return found


def _starts(onset_s: FloatArray, like: BoolArray) -> Iterator[tuple[int, ...]]:
    """Hits with which a series may begin: two like ones, and two like ones with another between them."""
    for first, onset in enumerate(onset_s):
        for last in range(first + 1, int(np.searchsorted(onset_s, onset + SLOWEST_PACE_S))):
            if not like[first, last] or onset_s[last] - onset < QUICKEST_PACE_S:
                continue
            yield first, last
            for between in range(first + 1, last):
                if min(onset_s[between] - onset, onset_s[last] - onset_s[between]) >= QUICKEST_PACE_S:
                    yield first, between, last


def _pace_s(onset_s: FloatArray, series: list[int], stride: int) -> float:
    """Mean time in a series from a hit to the one `stride` later."""
    at_s = onset_s[series]
    return float(np.mean(at_s[stride:] - at_s[:-stride]))


def _next_in_series(onset_s: FloatArray, series: list[int], stride: int) -> int | None:
    """Return the hit that carries a series on to within `PACE_SD_S`; None where it ends."""
    due_s = onset_s[series[-stride]] + _pace_s(onset_s, series, stride)
    near = int(np.argmin(np.abs(onset_s - due_s)))
    return near if near > series[-1] and abs(onset_s[near] - due_s) < PACE_SD_S else None


# ---- the striker's course and what is foreign ------------------------------------------------------------------------


def _find(hits: Hits, known: BoolArray, expected: int | None) -> BoolArray:
    """(E,) whether each of some hits is the striker's: the best of several beginnings, if it is to be believed."""
    x, sd = hits.features[:, known], hits.sd_db[:, known]
    scale = _Scale(ALONG_LINE_DB[known], REPEAT_DB[known])
    loud_db = loudness_db(hits.features)
    broad = _log_t(x - np.median(x, axis=0), (FOREIGN_TIMES * scale.along_line) ** 2 + sd**2)
    best: tuple[float, FloatArray] | None = None
    for weight, margin in BEGINNINGS:
        begin = _chain(hits, x, sd, scale, weight * loud_db - broad)
        p, score = _refine(hits, (x, sd, scale), (loud_db, broad), begin, expected)
        if best is None or score > best[0] + margin:
            best = score, p
    assert best is not None
    mine = best[1] > 0.5
    return mine if _believable(hits, x, sd, scale, loud_db, mine) else np.zeros(mine.size, bool)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Standard deviations (F,) of a feature along the whole line, and from one blow to the next."""

    along_line: FloatArray
    repeat: FloatArray


def loudness_db(features: FloatArray) -> FloatArray:
    """(E,) energy of blow and ring to 50 ms, over that of the loud hits, at least `SOFTEST_DB`."""
    length_s = np.diff(SEGMENT_S)[:-1]
    energy = length_s[0] + 10 ** (features[:, -len(length_s) : -1] / 10) @ length_s[1:]
    loud_db = features[:, 0] + 10 * np.log10(energy)
    return np.asarray(np.clip(loud_db - np.quantile(loud_db, 0.9), SOFTEST_DB, 3.0))


def _log_t(difference: FloatArray, variance: FloatArray) -> FloatArray:
    """Log-density (...) of differences (..., F) under a t-distribution with `FREEDOM` degrees, up to a constant."""
    square = (difference**2 / variance).sum(axis=-1)
    tail = -0.5 * (FREEDOM + difference.shape[-1]) * np.log1p(square / FREEDOM)
    return np.asarray(tail - 0.5 * np.log(variance).sum(axis=-1))


def _chain(hits: Hits, x: FloatArray, sd: FloatArray, scale: _Scale, gain: FloatArray) -> IntArray:
    """Return the most likely chain of hits, each a repetition of the one before or, now and then, a jump from it.

    `gain` (E,) is what taking a hit brings besides. Viterbi (IEEE Trans. Inf. Theory 13, 1967, 260).
    """
    count = len(x)
    best, before = np.empty(count), np.full(count, -1)
    start = _log_t(x - np.median(x, axis=0), (2.5 * scale.along_line) ** 2 + sd**2) + gain - 3.0
    for j in range(count):
        best[j] = start[j]
        i = np.arange(max(0, j - LOOK_BACK), j)
        if not i.size:
            continue
        both, step = sd[j] ** 2 + sd[i] ** 2, x[j] - x[i]
        repeat = _log_t(step, 2 * scale.repeat**2 + both) + np.log(1 - JUMPS)
        jump = _log_t(step, (JUMP_TIMES * scale.along_line) ** 2 + both) + np.log(JUMPS)
        gap_s = np.where(hits.recording[i] == hits.recording[j], hits.onset_s[j] - hits.onset_s[i], np.inf)
        hasty = np.where(gap_s < SOONEST_S, 8.0 - 6.0 * np.minimum(gap_s, SOONEST_S) / SOONEST_S, 0.0)
        ways = best[i] + np.logaddexp(repeat, jump) + gain[j] - hasty
        if ways.max() > best[j]:
            best[j], before[j] = ways.max(), i[int(np.argmax(ways))]
    chain = [int(np.argmax(best))]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    return np.array(chain[::-1])


def _refine(
    hits: Hits,
    described: tuple[FloatArray, FloatArray, _Scale],
    besides: tuple[FloatArray, FloatArray],
    begin: IntArray,
    expected: int | None,
) -> tuple[FloatArray, float]:
    """Find in turns the striker's course and each hit's probability (E,) of being on it; with the score of the result.

    `described` are features, deviations and scale, `besides` each hit's loudness and its log-density as something
    foreign.
    """
    (x, sd, scale), (loud_db, broad) = described, besides
    p = np.zeros(len(x))
    p[begin] = 1.0
    alike = _log_t(x[:, None] - x[None], 2 * scale.repeat**2 + sd[:, None] ** 2)
    np.fill_diagonal(alike, -np.inf)
    for _ in range(TURNS):
        mine, before = np.flatnonzero(p > 0.5), p
        striker = _on_course(x, sd, scale, mine) + LOUDNESS_WEIGHT * loud_db
        foreign = broad
        others = np.flatnonzero(p <= 0.5)
        if others.size:
            kernel = np.logaddexp.reduce(alike[:, others], axis=1) - np.log(others.size + 3)
            foreign = np.logaddexp(broad, kernel) - np.log(2)
        share = _prior_share(hits.recording, p, expected)
        ours, theirs = striker + np.log(share), foreign + np.log(1 - share)
        p = np.exp(ours - np.logaddexp(ours, theirs))
        if not (p > 0.5).any():
            return p, -np.inf
        if np.abs(p - before).max() < 0.02:
            break
    return p, float(np.logaddexp(ours, theirs).sum()) + _plausibility(hits.recording, loud_db, p > 0.5, expected)


def _on_course(x: FloatArray, sd: FloatArray, scale: _Scale, mine: IntArray) -> FloatArray:
    """(E,) log-density of hits as blows of the striker, whose blows so far are `mine`.

    A blow repeats those just before it or those just after it, so that a sudden change where the water begins is on
    course from both sides; or it jumps.
    """
    middle = np.median(x[mine], axis=0)
    place = np.searchsorted(mine, np.arange(len(x)))
    itself = np.isin(np.arange(len(x)), mine)
    sides = []
    for reach in (place[:, None] - 1 - np.arange(BESIDE), (place + itself)[:, None] + np.arange(BESIDE)):
        there = ((reach >= 0) & (reach < mine.size)).sum(axis=1)
        course = np.median(x[mine[np.clip(reach, 0, mine.size - 1)]], axis=1)
        course = np.where(there[:, None] > 0, course, middle)
        variance = scale.repeat**2 * (1 + 1 / np.maximum(there, 0.3))[:, None] + sd**2
        sides.append(_log_t(x - course, variance) - np.where(there > 0, 0.0, 4.0))
    on = np.logaddexp(*sides) + np.log(0.5 * (1 - JUMPS))
    off = _log_t(x - middle, (JUMP_TIMES * scale.along_line) ** 2 + sd**2) + np.log(JUMPS)
    return np.asarray(np.logaddexp(on, off))


def _prior_share(recording: IntArray, p: FloatArray, expected: int | None) -> FloatArray:
    """(E,) share of blows among hits before they are looked at: as many as expected, or as other recordings have."""
    heard = np.bincount(recording)
    share = np.full(p.size, p.mean())
    if (heard > 0).sum() >= MANY_RECORDINGS:
        usual = np.median(np.bincount(recording, p, minlength=heard.size)[heard > 0])
        share = np.minimum(share, (usual + 0.5) / (heard[recording] + 0.5))
    elif expected:
        share = np.full(p.size, expected / p.size)
    return np.asarray(np.clip(share, 0.1, 0.97))


def _plausibility(recording: IntArray, loud_db: FloatArray, mine: BoolArray, expected: int | None) -> float:
    """Say what speaks for a choice besides its likelihood: blows are the loud hits, and every point has some."""
    others = np.clip((~mine).sum() - 0.3 * mine.sum(), 0, mine.sum())
    said = 0.0
    if others > 0:
        said += 0.3 * float(others * np.clip(_louder_db(loud_db, mine), -10.0, 10.0))
    heard = np.bincount(recording)
    if (heard > 0).sum() >= MANY_RECORDINGS:
        said -= 8.0 * float(((np.bincount(recording[mine], minlength=heard.size) == 0) & (heard > 0)).sum())
    elif expected:
        said -= 2.0 * abs(int(mine.sum()) - expected)
    return said


def _louder_db(loud_db: FloatArray, mine: BoolArray) -> float:
    """How far the usual blow is louder than the loud quarter of the other hits."""
    return float(np.median(loud_db[mine]) - np.quantile(loud_db[~mine], 0.75)) if not mine.all() else np.inf


def _believable(hits: Hits, x: FloatArray, sd: FloatArray, scale: _Scale, loud_db: FloatArray, mine: BoolArray) -> bool:
    """Whether what was found is a striker at all, or the likest of talk, of keys, of anything."""
    if mine.sum() < 2:
        return False
    at = np.flatnonzero(mine)
    step = np.diff(x[at], axis=0) ** 2 / (2 * scale.repeat**2 + sd[at][1:] ** 2 + sd[at][:-1] ** 2)
    scatter = float(np.median(step.mean(axis=1)))
    dies_db = float(np.median(hits.features[at, -2]))
    if scatter <= WILD and _are_counted(hits.recording, mine):
        return True
    if scatter > WILD or (scatter > UNLIKE and dies_db > LASTS_DB):
        return False
    together = hits.recording[1:] == hits.recording[:-1]
    gap_s = np.where(together, np.diff(hits.onset_s), np.inf)
    nearest_s = np.minimum(np.append(gap_s, np.inf), np.insert(gap_s, 0, np.inf))
    company = float(np.mean(nearest_s[at] < COMPANY_S))
    if _louder_db(loud_db, mine) >= CLEARLY_LOUDER_DB:
        return bool(mine.mean() >= LEAST_SHARE or company < ALWAYS)
    return bool(mine.mean() >= LEAST_SHARE and company < MOSTLY)


def _are_counted(recording: IntArray, mine: BoolArray) -> bool:
    """Whether all recordings hold about as many chosen hits, as a hand taps each mark as often (Fisher)."""
    counts = np.bincount(recording[mine], minlength=int(recording.max()) + 1)
    return bool(
        counts.size >= MANY_RECORDINGS and counts.mean() >= LEAST_A_MARK and counts.var() <= EVENLY * counts.mean()
    )


# ---- live ------------------------------------------------------------------------------------------------------------


class KnownBlows:
    """The newest blows of a round under way, to compare the next hit with."""

    def __init__(self) -> None:
        self._blows: deque[tuple[FloatArray, FloatArray]] = deque(maxlen=KNOWN_BLOWS)
        self._foreign_s: deque[float] = deque(maxlen=SHORTEST_SERIES)

    def learn(self, features: FloatArray, sd_db: FloatArray) -> None:
        """Take a blow (F,), as `blow_features` describes it, as the striker's."""
        self._blows.append((features, sd_db))

    def unlike(self, features: FloatArray, sd_db: FloatArray, for_a_blow: float = FOR_A_BOUNCE) -> bool:
        """Whether a hit (F,) is unlike the known blows, with log-odds beforehand; never where too few are known."""
        if len(self._blows) < FEWEST_HITS - 1:
            return False
        known = np.array([blow for blow, _ in self._blows])
        use = np.isfinite(known).all(axis=0) & np.isfinite(features)
        step, both = (
            features[use] - known[:, use],
            sd_db[use] ** 2 + np.array([sd for _, sd in self._blows])[:, use] ** 2,
        )
        off = features[use] - np.median(known[:, use], axis=0)
        repeat = np.logaddexp.reduce(_log_t(step, 2 * REPEAT_DB[use] ** 2 + both)) - np.log(len(known))
        jump = _log_t(off, (JUMP_TIMES * ALONG_LINE_DB[use]) ** 2 + sd_db[use] ** 2)
        broad = _log_t(off, (FOREIGN_TIMES * ALONG_LINE_DB[use]) ** 2 + sd_db[use] ** 2)
        blow = np.logaddexp(repeat + np.log(1 - JUMPS), jump + np.log(JUMPS))
        return bool(blow + for_a_blow <= broad)

    def foreign(self, onset_s: float, features: FloatArray, sd_db: FloatArray) -> Foreign | None:
        """Say what a hit (F,) is that is unlike the known blows; None where it is like them, or too few are known."""
        if not self.unlike(features, sd_db, FOR_A_BLOW):
            return None
        self._foreign_s.append(onset_s)
        paces_s = np.diff(self._foreign_s)
        if len(paces_s) >= SHORTEST_SERIES - 1 and float(np.ptp(paces_s)) < 2 * PACE_SD_S:
            return "too regular"
        return "talk" if features[-2] > LASTS_DB else "not this striker"

"""Two rounds of one line compared by their difference.

Striker, room, microphone, rubber, heads and wall are the same in both rounds, and so is most of what the model gets
wrong about them. In the difference of the two profiles they drop out; what stays is how the line changes from one
picture of the wetted wall to another. Let the errors of both rounds have the same spread and the correlation r. Then
their joint likelihood is that of each round alone, to the power 1 / (1 + r), times that of the difference to the power
r / (1 - r^2): nothing is counted twice.

Shapes: P points of both rounds, B bands, N pictures of a sweep (levels by rising depth, all air, all water, dry caps,
feet), one axis for each round.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.line.distribution import log_mean
from taptest.line.matched import FEWEST_POINTS, GAIN_MOST, MatchSettings, computed_levels, measured_levels, votes_of
from taptest.line.records import Profile
from taptest.shell.records import LevelSweep

FloatArray = NDArray[np.float64]

SAME_PLACE_M = 0.004
"""Marks of two rounds nearer than this are the same mark."""
SHARED_ERROR = 0.6
"""Correlation of what two rounds of one line are off the model; findings and charges of simulated pairs hardly change
from 0.3 to 0.8."""


@dataclass(frozen=True, slots=True)
class Track:
    """Where the pictures of a sweep lie, in the order of the rows of a pair."""

    level_depth_m: FloatArray
    """Rising; two rows for all air and all water follow."""
    cap_depth_m: FloatArray
    foot_depth_m: FloatArray

    @property
    def size(self) -> int:
        """Number of pictures."""
        return self.level_depth_m.size + 2 + self.cap_depth_m.size + self.foot_depth_m.size


@dataclass(frozen=True, slots=True)
class PairEvidence:
    """What the difference of two rounds says of each pair of pictures."""

    first: Track
    second: Track
    log_likelihood: FloatArray
    """(N, N) of the difference, 0 where it says nothing; the first round's pictures along the first axis."""


def pair_evidence(
    first: Profile,
    first_sweeps: Sequence[LevelSweep],
    second: Profile,
    second_sweeps: Sequence[LevelSweep],
    settings: MatchSettings | None = None,
) -> PairEvidence | None:
    """Compare two rounds of one line; None where too few marks were tapped in both, or no model is there."""
    chosen = settings or MatchSettings()
    mine, theirs = _common(first, second)
    if len(mine) < FEWEST_POINTS - 1 or not first_sweeps or len(first_sweeps) != len(second_sweeps):
        return None
    one, two = _only(first, mine), _only(second, theirs)
    change = measured_levels(two, chosen) - measured_levels(one, chosen)
    noise = np.hypot(one.level_sd_db, two.level_sd_db)
    votes = np.minimum(votes_of(one, first_sweeps, chosen), votes_of(two, second_sweeps, chosen))
    own = (_track(first_sweeps[0]), _track(second_sweeps[0]))
    total: FloatArray | None = None
    for before, after in zip(first_sweeps, second_sweeps, strict=True):
        levels = (
            _in_order(computed_levels(one, before, chosen), before),
            _in_order(computed_levels(two, after, chosen), after),
        )
        value = _likelihood(change, noise, levels, votes, chosen)
        value = _between(_track(before), own[0]) @ value @ _between(_track(after), own[1]).T
        total = value if total is None else np.logaddexp(total, value)
    assert total is not None
    total = total - np.log(len(first_sweeps))
    return PairEvidence(*own, np.asarray(total - log_mean(total.ravel())))


def _common(first: Profile, second: Profile) -> tuple[list[int], list[int]]:
    """Return the numbers of the marks that were tapped in both rounds."""
    apart = np.abs(np.subtract.outer(first.depth_m, second.depth_m))
    nearest = apart.argmin(axis=1)
    mine = [number for number, other in enumerate(nearest) if apart[number, other] < SAME_PLACE_M]
    return mine, [int(nearest[number]) for number in mine]


def _only(profile: Profile, numbers: Sequence[int]) -> Profile:
    """Return the profile of some of its marks."""
    names = ("depth_m", "level_db", "level_sd_db", "spectrum_db", "strength_db", "strength_sd_db", "taps", "doubtful")
    return replace(profile, **{name: getattr(profile, name)[list(numbers)] for name in names})


def _rows(sweep: LevelSweep) -> NDArray[np.int64]:
    """Rows of all pictures of a sweep in the order of a pair."""
    levels = sweep.level_depth_m
    inner = np.flatnonzero(np.isfinite(levels))
    start, caps = levels.size, sweep.cap_depth_m
    return np.concatenate(
        (
            inner[np.argsort(levels[inner])],
            [0, levels.size - 1],
            start + np.argsort(caps),
            start + caps.size + np.argsort(sweep.foot_depth_m),
        )
    )


def _in_order(levels: FloatArray, sweep: LevelSweep) -> FloatArray:
    return np.asarray(levels[_rows(sweep)])


def _track(sweep: LevelSweep) -> Track:
    inner = sweep.level_depth_m[np.isfinite(sweep.level_depth_m)]
    return Track(np.sort(inner), np.sort(sweep.cap_depth_m), np.sort(sweep.foot_depth_m))


def _between(track: Track, other: Track) -> FloatArray:
    """(M, N) weights that take values at the pictures of one track to another's: other heads have levels elsewhere."""
    parts = [
        _weights(track.level_depth_m, other.level_depth_m),
        np.eye(2),
        _weights(track.cap_depth_m, other.cap_depth_m),
        _weights(track.foot_depth_m, other.foot_depth_m),
    ]
    whole = np.zeros((other.size, track.size))
    row = column = 0
    for part in parts:
        whole[row : row + part.shape[0], column : column + part.shape[1]] = part
        row, column = row + part.shape[0], column + part.shape[1]
    return whole


def _weights(places: FloatArray, wanted: FloatArray) -> FloatArray:
    """(M, N) weights of linear interpolation from rising places (N,) to others (M,); the ends hold beyond them."""
    if not places.size:
        return np.zeros((wanted.size, 0))
    return np.stack([np.interp(wanted, places, row) for row in np.eye(places.size)], axis=1)


def _likelihood(
    change: FloatArray,
    noise: FloatArray,
    levels: tuple[FloatArray, FloatArray],
    votes: FloatArray,
    settings: MatchSettings,
) -> FloatArray:
    """(N, N) log-likelihood of a change (P, B) for every pair of pictures (N, P, B) of one variant of the shell."""
    known = np.isfinite(change)
    weight = known * settings.model_sd_db**2 / (settings.model_sd_db**2 + np.where(known, noise, 0.0) ** 2)
    count = np.maximum(weight.sum(axis=0), 1e-9)

    def centred(x: FloatArray) -> FloatArray:
        return np.asarray(x - (weight * x).sum(axis=-2, keepdims=True) / count)

    y = centred(np.where(known, change, 0.0))
    before, after = (centred(level) for level in levels)
    usual, ridge = settings.freedom * settings.model_sd_db**2, (settings.model_sd_db / settings.gain_sd) ** 2
    total = np.zeros((before.shape[0], after.shape[0]))
    for band in np.flatnonzero((count >= FEWEST_POINTS - 2) & (votes > 0)):
        w = weight[:, band]
        y_b, one, two = y[:, band], before[:, :, band], after[:, :, band]
        # the model's change is the second picture less the first: its product with the data, and with itself
        xy = (two @ (w * y_b))[None, :] - (one @ (w * y_b))[:, None]
        xx = ((two**2) @ w)[None, :] + ((one**2) @ w)[:, None] - 2 * (one * w) @ two.T
        gain = np.clip((xy + ridge * settings.gain) / (xx + ridge), 0.0, GAIN_MOST)
        paid = np.maximum((w * y_b**2).sum() - 2 * gain * xy + gain**2 * xx, 0.0) + ridge * (gain - settings.gain) ** 2
        score = -0.5 * settings.power * votes[band] * (count[band] + settings.freedom) * np.log(1 + paid / usual)
        total += np.log((1 - settings.spoilt) * np.exp(score - log_mean(score.ravel())) + settings.spoilt)
    return total

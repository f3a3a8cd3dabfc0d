"""Matched profiles: which level's computed profile along the line looks like the measured one.

For every candidate level the shell model predicts, band by band, how level and decay vary along the tap line. Per band
only the shape is compared: an offset is free (striker, microphone, room) and so is a gain between 0 and `GAIN_MOST`
(losses, reach of the modes), and each band's residual variance is unknown and integrated out, so that a band which the
model gets wrong does not rule. Bands are far from independent; the sum over bands is tempered by a power calibrated on
simulated visits that are used for nothing else.

Shapes: L levels of the sweep, P points, B bands, G grid depths. Depths are metres below the top of the shell.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import LineError
from taptest.line.records import Profile
from taptest.shell.records import LevelSweep

FloatArray = NDArray[np.float64]

GRID_STEP_M = 0.002
GAIN_MOST = 1.3
FEWEST_POINTS = 5


@dataclass(frozen=True, slots=True)
class MatchSettings:
    """What the comparison assumes; the defaults are calibrated on simulated visits."""

    temper: float = 0.15
    """Power of the likelihood: effective share of independent bands."""
    time_weight: float = 0.5
    """Weight of a band's decay beside its level."""
    strength_share: float = 0.8
    """Share of the strength of a point's blows that is taken off: all of it would also take the loudness of the place."""
    gain: float = 0.9
    gain_sd: float = 0.35
    """Expected gain of the measured on the computed shape, and its standard deviation."""
    model_sd_db: float = 3.0
    """Usual residual of a band's level; also what a band's own noise is weighed against."""
    model_sd_log_time: float = 0.35
    change_weight: float = 0.5
    """Weight of the change-points' evidence beside the model's: both come from the same taps."""
    freedom: float = 3.0
    """Worth, in points, of that usual residual beside the measured one."""


@dataclass(frozen=True, slots=True)
class Match:
    """Log-likelihood of every candidate, up to one constant."""

    depth_m: FloatArray
    """(G,)"""
    boundary: FloatArray
    """(G,)"""
    all_air: float
    all_water: float
    unexplained: float
    """Share of the variance along the line that the best candidate leaves, 0..1 (mean over the bands heard)."""


@dataclass(frozen=True, slots=True)
class _Sums:
    """Weighted sums of one trait over the points: data with data, data with model, model with model and next model."""

    count: FloatArray
    yy: FloatArray
    xy: FloatArray
    xx: FloatArray
    xn: FloatArray


def match_profile(profile: Profile, sweep: LevelSweep, settings: MatchSettings | None = None) -> Match:
    """Log-likelihood of every level of `sweep`, interpolated to a fine grid, for the measured profile.

    Raises LineError where bands do not agree or fewer than `FEWEST_POINTS` points are there.
    """
    chosen = settings or MatchSettings()
    if profile.level_db.shape[1] != sweep.band_hz.size:
        raise LineError(
            f"The profile has {profile.level_db.shape[1]} bands and the model's sweep {sweep.band_hz.size}: "
            "compute the sweep again with this version."
        )
    if profile.depth_m.size < FEWEST_POINTS:
        raise LineError(
            f"{profile.depth_m.size} points are too few to compare with the model: tap at least {FEWEST_POINTS}."
        )
    at = np.clip(profile.depth_m, sweep.depth_m.min(), sweep.depth_m.max())
    level_x = along_line(sweep.level_db, sweep.depth_m, at)
    time_x = along_line(sweep.log_time, sweep.depth_m, at)
    rows, left, share, depth = level_grid(sweep.level_depth_m)

    heard = np.isfinite(profile.level_db)
    level_y = profile.level_db + (1 - chosen.strength_share) * profile.strength_db[:, None]
    level_x = level_x - chosen.strength_share * _strength(level_x, heard)
    traits = [
        (level_y, profile.level_sd_db, level_x, chosen.model_sd_db, 1.0),
        (profile.log_time, profile.log_time_sd, time_x, chosen.model_sd_log_time, chosen.time_weight),
    ]
    score = np.zeros(depth.size + 2)
    unexplained: list[FloatArray] = []
    for y, sd, x, model_sd, weight in traits:
        if weight <= 0:
            continue
        sums = _sums(y, sd, x, model_sd)
        total, rest = _score(sums, rows, left, share, model_sd, chosen)
        score += weight * total
        unexplained.append(rest)
    score *= chosen.temper
    best = int(np.argmax(score))
    return Match(
        depth_m=depth,
        boundary=score[:-2],
        all_air=float(score[-2]),
        all_water=float(score[-1]),
        unexplained=float(unexplained[0][best]),
    )


def merged(matches: Sequence[Match]) -> Match:
    """One match from several variants of the same shell on one grid, each as likely as any other (marginalised)."""
    if len(matches) == 1:
        return matches[0]
    depth = matches[0].depth_m
    stacked = np.array(
        [
            np.concatenate((np.interp(depth, match.depth_m, match.boundary), [match.all_air, match.all_water]))
            for match in matches
        ]
    )
    top = stacked.max(axis=0)
    score = top + np.log(np.exp(stacked - top).mean(axis=0))
    return Match(depth, score[:-2], float(score[-2]), float(score[-1]), min(m.unexplained for m in matches))


def mirrored(sweep: LevelSweep) -> LevelSweep:
    """The sweep of the shell with the water at the other end: what an inverted picture would look like.

    The heads are alike, so the shell turned over is the same shell; only seam and fittings change places.
    """
    ends = sweep.depth_m.min() + sweep.depth_m.max()
    return LevelSweep(
        level_depth_m=ends - sweep.level_depth_m,
        depth_m=(ends - sweep.depth_m)[::-1],
        band_hz=sweep.band_hz,
        level_db=sweep.level_db[:, ::-1],
        log_time=sweep.log_time[:, ::-1],
    )


def along_line(x: FloatArray, depth_m: FloatArray, at: FloatArray) -> FloatArray:
    """(L, P, B) values at the depths `at` by linear interpolation along the line."""
    order = np.argsort(depth_m)
    sorted_depth = depth_m[order]
    right = np.clip(np.searchsorted(sorted_depth, at), 1, sorted_depth.size - 1)
    span = sorted_depth[right] - sorted_depth[right - 1]
    part = ((at - sorted_depth[right - 1]) / span)[None, :, None]
    return np.asarray((1 - part) * x[:, order[right - 1]] + part * x[:, order[right]])


def level_grid(level_depth_m: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]:
    """Order of the sweep's rows (levels by rising depth, then all air, all water) and the grid between the levels.

    For each grid depth: the place in that order of the level above it, and the share (0..1) of the one below.
    """
    inner = np.flatnonzero(np.isfinite(level_depth_m))
    rows = inner[np.argsort(level_depth_m[inner])]
    levels = level_depth_m[rows]
    depth = np.linspace(levels[0], levels[-1], max(2, round((levels[-1] - levels[0]) / GRID_STEP_M) + 1))
    left = np.clip(np.searchsorted(levels, depth, side="right") - 1, 0, levels.size - 2)
    share = (depth - levels[left]) / (levels[left + 1] - levels[left])
    whole = [0, level_depth_m.size - 1]
    return np.concatenate((rows, whole)), left, share, depth


def _strength(x: FloatArray, heard: NDArray[np.bool_]) -> FloatArray:
    """(L, P, 1) what would be taken for the strength of the blows if the model's levels (L, P, B) had been measured."""
    reference = x.mean(axis=1, keepdims=True)
    count = np.maximum(heard.sum(axis=1), 1)
    strength = np.where(heard, x - reference, 0.0).sum(axis=2) / count
    return np.asarray((strength - strength.mean(axis=1, keepdims=True))[:, :, None])


def _sums(y: FloatArray, sd: FloatArray, x: FloatArray, model_sd: float) -> _Sums:
    """Sums over the points of one trait, each band about its own weighted mean."""
    known = np.isfinite(y)
    noise = np.where(known & np.isfinite(sd), sd, 0.0)
    weight = known * model_sd**2 / (model_sd**2 + noise**2)
    total = np.maximum(weight.sum(axis=0), 1e-9)
    filled = np.where(known, y, 0.0)
    yc = filled - (weight * filled).sum(axis=0) / total
    xc = x - (weight * x).sum(axis=1, keepdims=True) / total
    return _Sums(
        count=total,
        yy=(weight * yc**2).sum(axis=0),
        xy=np.einsum("pb,lpb->lb", weight * yc, xc),
        xx=np.einsum("pb,lpb->lb", weight, xc**2),
        xn=np.einsum("pb,lpb,lpb->lb", weight, xc[:-1], xc[1:]),
    )


def _score(
    sums: _Sums,
    rows: NDArray[np.int64],
    left: NDArray[np.int64],
    share: FloatArray,
    model_sd: float,
    settings: MatchSettings,
) -> tuple[FloatArray, FloatArray]:
    """(G + 2,) log-likelihood of one trait and the unexplained share, for the grid, all air and all water."""
    a = share[:, None]
    low, high = rows[left], rows[left + 1]
    neighbour = np.minimum(low, high)
    xy = np.concatenate(((1 - a) * sums.xy[low] + a * sums.xy[high], sums.xy[rows[-2:]]))
    xx = np.concatenate(
        ((1 - a) ** 2 * sums.xx[low] + 2 * a * (1 - a) * sums.xn[neighbour] + a**2 * sums.xx[high], sums.xx[rows[-2:]])
    )
    ridge = (model_sd / settings.gain_sd) ** 2
    gain = np.clip((xy + ridge * settings.gain) / (xx + ridge), 0.0, GAIN_MOST)
    rest = np.maximum(sums.yy - 2 * gain * xy + gain**2 * xx, 0.0)
    paid = rest + ridge * (gain - settings.gain) ** 2
    freedom = settings.freedom
    enough = sums.count >= FEWEST_POINTS - 1
    each = -0.5 * (sums.count + freedom) * np.log(1 + paid / (freedom * model_sd**2))
    log_likelihood = (each * enough).sum(axis=1)
    scale = np.maximum((sums.yy * enough).sum(), 1e-9)
    return log_likelihood, (rest * enough).sum(axis=1) / scale

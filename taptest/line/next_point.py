"""Where to tap next: the expected information of one more point about where the water ends.

With the model's sweep, every level still in question predicts what a blow at the new mark would give, band by band:
the model's shape on the gain and offset that the taps so far ask for (Rasmussen and Williams, Gaussian Processes for
Machine Learning, 2006, section 2.1: a linear fit's prediction and its variance). The mark is worth as much as these
predictions differ against what they leave unsure (the expected information of a normal observation, Lindley 1956),
tempered as the comparison with the model is. Without a sweep, a point is worth what hearing "water" or "air" there
would tell, at the error rate of a single point.

A point beside one already tapped tells little new, because modes reach across both. One beyond the outermost marks
opens places for a boundary that the line so far does not speak of, so it cannot narrow anything: it counts nothing.
Depths are metres below the top of the shell; information is in bits. Shapes: P points, C candidates, B bands, N levels
in question.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.line.distribution import share_above
from taptest.line.matched import (
    GAIN_MOST,
    MatchSettings,
    along_line,
    grid_of,
    pictures_db,
    softened,
    votes_of,
)
from taptest.line.records import BoundaryPosterior, LineReading, Profile
from taptest.quantities import INCH_M, METRIC, Units
from taptest.shell.records import LevelSweep
from taptest.tank.kinds import Tank

FloatArray = NDArray[np.float64]

SINGLE_POINT_ERROR = 0.14
"""Error rate of the backing of one point taken alone, on simulated visits."""
REACH_M = 0.025
"""Distance over which neighbouring points tell the same."""
STEP_M = 0.005
"""Places are proposed on whole steps of the tape: every 5 mm."""
INCH_STEP_M = INCH_M / 4
"""Places are proposed on whole steps of the tape, quarters of an inch where it is in inches: nobody finds 7.28 in."""
SAME_MARK_M = 0.004
"""A place nearer to a tapped one than this is not worth marking."""
SEAM_CLEAR_M = 0.03
"""Marks stay this far from the seam: near it every tap sounds otherwise. Common practice, no source."""
ENOUGH_M = 0.040
"""Width of the 90 % interval below which more taps do not change the finding: what is left of it is the model's own
error of place (`line.boundary`), which no tap takes away."""
SURE = 0.95
"""Probability of a state without a boundary from which on more taps do not change the finding."""
LEAST_BITS = 0.01
"""A point that tells less than this is not worth a tap."""
QUESTIONED = 12
"""Levels that stand for the boundary's probability, each for an equal share of it."""
RINGS_QUESTIONED = 4
"""The same for the edges of a ring of water, and of a ring of gas, on a hanging diaphragm tank."""
NARROW_BANDS = 4.0
"""A band with fewer points than this (each weighed by its noise) predicts nothing."""
USUAL_WORTH = 12.0
"""Worth, in points, of the usual residual beside the measured one: a few points' own residual is far too small."""
GAIN_HOLD = 5.0
"""How much firmer the gain is held to the expected one than in the comparison, for the same reason."""
MOVE_S = 4.0
TAP_S = 1.5
"""Usual time to move to the next mark, and of one good tap; own observation of rounds with a stopwatch is wanting, so
these are common practice without a source."""
MOST_TAPS = 3
"""More taps a mark are never asked for: the scatter of a mark's place remains."""


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


@dataclass(frozen=True, slots=True)
class _Levels:
    """Levels along the line, measured (P, B) and computed at the points (N, P, B) and candidates (N, C, B)."""

    measured: FloatArray
    sd: FloatArray
    computed: FloatArray
    candidates: FloatArray


def next_point(
    posterior: BoundaryPosterior,
    profile: Profile,
    candidate_m: FloatArray,
    sweeps: Sequence[LevelSweep] = (),
    settings: MatchSettings | None = None,
) -> NextPoint:
    """Choose the candidate position (C,) that tells most, given the taps so far and what follows from them."""
    candidates = np.asarray(candidate_m, dtype=float)
    if sweeps:
        chosen = settings or MatchSettings()
        votes = votes_of(profile, sweeps, chosen)
        bits = np.mean([_model_bits(posterior, profile, candidates, sweep, votes, chosen) for sweep in sweeps], axis=0)
    else:
        bits = backing_bits(posterior, candidates)
    bits = bits * _novelty(candidates, profile.depth_m)
    best = int(np.argmax(bits))
    return NextPoint(float(candidates[best]), float(bits[best]), candidates, bits)


def settled(reading: LineReading) -> bool:
    """Whether more taps could not change what follows from the reading: a narrow boundary, or a sure whole state."""
    if reading.state == "found" and reading.interval90_m is not None:
        return reading.interval90_m[1] - reading.interval90_m[0] < ENOUGH_M
    return max(reading.posterior.p_all_air, reading.posterior.p_all_water) > SURE


def free_places_m(tapped_m: FloatArray, tank: Tank, units: Units = METRIC) -> FloatArray:
    """(C,) places on steps of the tape between the outermost tapped ones (P,), clear of them and of the seam."""
    step = INCH_STEP_M if units.in_inches else STEP_M
    first, last = step * np.ceil(tapped_m.min() / step), tapped_m.max()
    places = np.arange(first, last + 1e-9, step)
    clear = np.abs(places[:, None] - tapped_m[None, :]).min(axis=1) >= SAME_MARK_M
    if tank.seam_depth_m is not None:
        clear &= np.abs(places - tank.seam_depth_m) >= SEAM_CLEAR_M
    return np.asarray(np.round(places[clear], 4))


def taps_worthwhile(profile: Profile, settings: MatchSettings | None = None) -> int:
    """Taps at a point, 1 to 3, that tell most in the time that moving and tapping take.

    More taps shrink the scatter between blows and the noise, but not what the model leaves unexplained, so the best
    number is the ratio of both deviations times the root of that of the times (Cochran, Sampling Techniques, 3rd ed.
    1977, section 10.6: the optimum size of subsamples).
    """
    chosen = settings or MatchSettings()
    single = profile.level_sd_db * np.sqrt(profile.taps)[:, None]
    known = single[np.isfinite(single)]
    if known.size == 0:
        return MOST_TAPS
    best = float(np.median(known)) / chosen.model_sd_db * np.sqrt(MOVE_S / TAP_S)
    return int(np.clip(round(best), 1, MOST_TAPS))


def backing_bits(posterior: BoundaryPosterior, candidate_m: FloatArray) -> FloatArray:
    """(C,) information of hearing one point's backing: H(heard) - H(error), over the one-boundary and whole states."""
    above = share_above(posterior.depth_m, posterior.mass, candidate_m)
    one_side = above + 0.5 * (1.0 - posterior.p_found)
    heard = one_side * (1 - SINGLE_POINT_ERROR) + (1 - one_side) * SINGLE_POINT_ERROR
    return np.asarray(np.maximum(_entropy_bits(heard) - _entropy_bits(np.array(SINGLE_POINT_ERROR)), 0.0))


def _model_bits(
    posterior: BoundaryPosterior,
    profile: Profile,
    candidate_m: FloatArray,
    sweep: LevelSweep,
    votes: FloatArray,
    settings: MatchSettings,
) -> FloatArray:
    """(C,) tempered information of a point's levels about the picture behind the wall, by one sweep."""
    weight, level = _in_question(posterior, sweep)
    ends = sweep.depth_m.min(), sweep.depth_m.max()
    at, new = np.clip(profile.depth_m, *ends), np.clip(candidate_m, *ends)
    levels = _levels(profile, sweep, level, at, new, settings)
    return settings.power * (1 - settings.spoilt) * _bits(levels, weight, votes, settings)


def _in_question(posterior: BoundaryPosterior, sweep: LevelSweep) -> tuple[FloatArray, FloatArray]:
    """(N,) probabilities and (N, P, B) levels of the pictures in question: boundaries, whole states, rings."""
    grid, pictures = grid_of(sweep), pictures_db(sweep)
    caps = grid.depth_m.size + 2
    feet = caps + grid.cap_depth_m.size
    tracks = (
        (posterior.depth_m, posterior.level_mass, QUESTIONED, grid.depth_m, 0),
        (posterior.cap_depth_m, posterior.ring_mass, RINGS_QUESTIONED, grid.cap_depth_m, caps),
        (posterior.foot_depth_m, posterior.gas_ring_mass, RINGS_QUESTIONED, grid.foot_depth_m, feet),
    )
    which, weight = [caps - 2, caps - 1], [posterior.p_all_air, posterior.p_all_water]
    for place_m, mass, count, of_sweep_m, first in tracks:
        if place_m.size and of_sweep_m.size and mass.sum() > 0:
            asked = np.searchsorted(np.cumsum(mass) / mass.sum(), (np.arange(count) + 0.5) / count)
            asked_m = place_m[np.minimum(asked, mass.size - 1)]
            which += list(first + np.clip(np.searchsorted(of_sweep_m, asked_m), 0, of_sweep_m.size - 1))
            weight += [float(mass.sum()) / count] * count
    chosen, chances = np.array(which), np.maximum(weight, 1e-12)
    part = grid.share[chosen][:, None, None]
    level = (1 - part) * pictures[grid.low[chosen]] + part * pictures[grid.high[chosen]]
    return chances / chances.sum(), level


def _levels(
    profile: Profile, sweep: LevelSweep, level: FloatArray, at: FloatArray, new: FloatArray, settings: MatchSettings
) -> _Levels:
    """Bring measured and computed levels into the form in which they are compared: strength off, nodes filled."""
    computed, fresh = (along_line(level, sweep.depth_m, where) for where in (at, new))
    course = computed.mean(axis=1, keepdims=True)
    middle = (computed - course).mean(axis=2, keepdims=True).mean(axis=1, keepdims=True)
    taken = settings.strength_share
    computed, fresh = (x - taken * ((x - course).mean(axis=2, keepdims=True) - middle) for x in (computed, fresh))
    floor = settings.floor * (10.0 ** (computed / 10.0)).mean(axis=1, keepdims=True)
    computed, fresh = (10.0 * np.log10(10.0 ** (x / 10.0) + floor) for x in (computed, fresh))
    measured = softened(profile.level_db + (1 - taken) * profile.strength_db[:, None], 0, settings.floor)
    return _Levels(measured, profile.level_sd_db, computed, fresh)


def _bits(levels: _Levels, weight: FloatArray, votes: FloatArray, settings: MatchSettings) -> FloatArray:
    """(C,) information of all bands, untempered: spread of the predictions over what each leaves unsure."""
    known = np.isfinite(levels.measured)
    noise = np.where(known & np.isfinite(levels.sd), levels.sd, 0.0)
    trusted = known * settings.model_sd_db**2 / (settings.model_sd_db**2 + noise**2)
    points = np.maximum(trusted.sum(axis=0), 1e-9)
    filled = np.where(known, levels.measured, 0.0)
    y = filled - (trusted * filled).sum(axis=0) / points
    middle = (trusted * levels.computed).sum(axis=1) / points
    x, step = levels.computed - middle[:, None], levels.candidates - middle[:, None]
    ridge = GAIN_HOLD * (settings.model_sd_db / settings.gain_sd) ** 2
    firm = np.einsum("pb,npb->nb", trusted, x**2) + ridge
    gain = np.clip((np.einsum("pb,npb->nb", trusted * y, x) + ridge * settings.gain) / firm, 0.0, GAIN_MOST)
    rest = np.einsum("pb,npb->nb", trusted, (y - gain[:, None] * x) ** 2)
    variance = (rest + USUAL_WORTH * settings.model_sd_db**2) / (points + USUAL_WORTH)
    unsure = np.einsum("n,ncb->cb", weight, variance[:, None] * (1 + 1 / points + step**2 / firm[:, None]))
    unsure = unsure + ((known * noise**2).sum(axis=0) / np.maximum(known.sum(axis=0), 1))
    told = gain[:, None] * step
    spread = np.einsum("n,ncb->cb", weight, (told - np.einsum("n,ncb->cb", weight, told)) ** 2)
    return np.asarray(0.5 * np.log2(1 + spread / unsure) @ (votes * (points >= NARROW_BANDS)))


def _novelty(candidate_m: FloatArray, tapped_m: FloatArray) -> FloatArray:
    """(C,) share of a candidate's information that is new: none beyond the outermost points or upon a tapped one."""
    if tapped_m.size == 0:
        return np.ones_like(candidate_m)
    nearest = np.abs(candidate_m[:, None] - tapped_m[None, :]).min(axis=1)
    within = (candidate_m >= tapped_m.min()) & (candidate_m <= tapped_m.max())
    return np.asarray(within * (1.0 - np.exp(-((nearest / REACH_M) ** 2))))


def _entropy_bits(p: FloatArray) -> FloatArray:
    q = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(-(q * np.log2(q) + (1 - q) * np.log2(1 - q)))


def few_of(marks_m: Sequence[float], count: int) -> tuple[float, ...]:
    """Choose so many marks evenly along the line, both ends among them."""
    down = sorted(set(marks_m))
    if len(down) <= count:
        return tuple(down)
    return tuple(down[round(number * (len(down) - 1) / (count - 1))] for number in range(count))

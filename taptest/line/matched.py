"""Matched profiles: which level's computed profile along the line looks like the measured one.

For every candidate level the shell model predicts, band by band, how the level varies along the tap line. Per band
only the shape is compared: an offset is free (striker, microphone, room) and so is a gain between 0 and `GAIN_MOST`
(losses, reach of the modes), and each band's residual variance is unknown and integrated out. Decays are not compared
by themselves: a band's level is its energy over the ring window, which holds them, and the room spoils them most.

What one band says is trusted only so far: with probability `spoilt` it says nothing at all (the model got its modes
wrong, the microphone sits in their shadow), so no band can rule a candidate out alone. Bands are not independent
either: those whose computed profiles are alike share one vote, and all are tempered by a power calibrated on simulated
visits that are used for nothing else.

What is compared are pictures of the wetted wall: a boundary at each depth, all air, all water, and on a hanging
diaphragm tank rings of water under a dry cap and rings of gas under the seam.

Shapes: V variants of the sweep, L pictures of a sweep, P points, B bands, G grid depths of a boundary, R of a dry cap's
edge, C of the wet wall below a ring of gas, N = G + 2 + R + C candidates in that order, all air and all water after the
boundaries. Depths are metres below the top of the shell.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import LineError
from taptest.line.distribution import log_mean
from taptest.line.records import Profile
from taptest.shell.records import LevelSweep

FloatArray = NDArray[np.float64]

GRID_STEP_M = 0.002
"""Step of the candidate depths: a fifth of the best error of place."""
GAIN_MOST = 1.3
"""Greatest gain of the measured on the computed shape."""
FEWEST_POINTS = 5
"""With fewer points a line is not read."""


@dataclass(frozen=True, slots=True)
class MatchSettings:
    """What the comparison assumes; the defaults are calibrated on simulated visits."""

    power: float = 0.55
    """Power of one band's likelihood: its points are not independent, because modes reach across several, nor are bands
    that are partly alike."""
    alike: float = 40.0
    """Power of the correlation of two bands' computed profiles that makes the share in which they count as one: 0.4 at
    a correlation of 0.98."""
    spoilt: float = 0.1
    """Probability that a band says nothing about the level."""
    strength_share: float = 0.55
    """Share of the strength of a point's blows that is taken off: all of it would take the place's own loudness too."""
    gain: float = 0.9
    gain_sd: float = 0.6
    """Expected gain of the measured on the computed shape, and its standard deviation."""
    floor: float = 0.05
    """Energy added to a band at every point, over its mean along the line: how deep a node is depends on the
    microphone's place and on a few hertz, so what lies far below the mean is not told apart."""
    model_sd_db: float = 3.0
    """Usual residual of a band's level; also what a band's own noise is weighed against."""
    absolute_weight: float = 0.5
    """Weight of the mean spectrum's evidence (`line.absolute`) beside that of the shape along the line."""
    freedom: float = 5.0
    """Worth, in points, of that usual residual beside the measured one."""


@dataclass(frozen=True, slots=True)
class Match:
    """Log-likelihood of every candidate, up to one constant."""

    depth_m: FloatArray
    """(G,)"""
    cap_depth_m: FloatArray
    """(R,)"""
    foot_depth_m: FloatArray
    """(C,)"""
    boundary: FloatArray
    """(G,) one boundary, the water on its own side."""
    ring: FloatArray
    """(R,) a ring of water from the edge of a dry cap down to the seam."""
    gas_ring: FloatArray
    """(C,) a ring of gas from the seam down to wet wall."""
    inverted: FloatArray
    """(G,) one boundary, the water on the wrong side."""
    all_air: float
    all_water: float
    flat: float
    """A line on which nothing varies as the model says."""
    unexplained: float
    """Share of the levels' variance along the line that the best upright candidate leaves, 0..1."""
    unexplained_inverted: float
    """The same of the best inverted one."""


@dataclass(frozen=True, slots=True)
class _Sums:
    """Weighted sums of the levels over the points: data with data, data with model, model with model and next model."""

    count: FloatArray
    yy: FloatArray
    xy: FloatArray
    xx: FloatArray
    xn: FloatArray


@dataclass(frozen=True, slots=True)
class Grid:
    """Candidates between the pictures of a sweep: each lies between two of its rows, at a share of the way."""

    depth_m: FloatArray
    """(G,)"""
    cap_depth_m: FloatArray
    """(R,)"""
    foot_depth_m: FloatArray
    """(C,)"""
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    """(N,) rows of `pictures_db`: neighbours, or the same one for a whole state."""
    share: FloatArray
    """(N,) 0 at the first row, 1 at the second."""

    def moved_to(self, other: "Grid", rows: FloatArray) -> FloatArray:
        """Return rows (..., N) of this grid on another one with the same tracks."""
        mine, theirs = ((grid.depth_m, np.arange(2.0), grid.cap_depth_m, grid.foot_depth_m) for grid in (self, other))
        if all(a.size == b.size and np.allclose(a, b) for a, b in zip(mine, theirs, strict=True)):
            return rows
        parts = np.split(rows, np.cumsum([track.size for track in mine])[:-1], axis=-1)
        return np.concatenate([_interpolated(*each) for each in zip(parts, mine, theirs, strict=True)], axis=-1)


def _interpolated(rows: FloatArray, at: FloatArray, to: FloatArray) -> FloatArray:
    """Rows (..., A) at the places (A,) taken to other places (B,), as they stand where there are none."""
    if not at.size:
        return rows
    flat = rows.reshape(-1, at.size)
    return np.array([np.interp(to, at, row) for row in flat]).reshape(*rows.shape[:-1], to.size)


@dataclass(frozen=True, slots=True)
class _Scores:
    """Evidence of one sweep, band by band."""

    grid: Grid
    bands: FloatArray
    """(B, N) log-likelihood of each band for the candidates."""
    flat: FloatArray
    """(B,) log-likelihood without any shape."""
    level_rest: FloatArray
    """(N,) share of the levels' variance left."""


def match_profile(
    profile: Profile,
    sweeps: Sequence[LevelSweep],
    settings: MatchSettings | None = None,
    beside: FloatArray | None = None,
) -> Match:
    """Log-likelihood of every level, interpolated to a fine grid, for the measured profile.

    `sweeps` are variants of the same shell (wall, rubber, ring, heads), each as likely as any other; they are
    marginalised, together with other evidence `beside` (V, N) for the same variants and candidates. An inverted picture
    and a line without shape get its mean over the depths.
    Raises LineError where there is none, where bands do not agree, or with fewer than `FEWEST_POINTS` points.
    """
    chosen = settings or MatchSettings()
    refuse_unfit(profile, sweeps)
    computed = [computed_levels(profile, sweep, chosen) for sweep in sweeps]
    votes = _votes(profile, computed, chosen)
    upright = [_scores(profile, *each, votes, chosen) for each in zip(sweeps, computed, strict=True)]
    over = [mirrored(sweep) for sweep in sweeps]
    turned = [_scores(profile, sweep, computed_levels(profile, sweep, chosen), votes, chosen) for sweep in over]
    grid = upright[0].grid
    G, N = grid.depth_m.size, grid.share.size
    tables = np.array([scores.grid.moved_to(grid, scores.bands) for scores in upright])
    turned_tables = np.array([_on_depths(scores, grid.depth_m) for scores in turned])
    both = chosen.power * np.concatenate((tables, turned_tables), axis=2)
    # upright and inverted candidates share the norm, so that no band can favour one of them by more than their number
    norm = log_mean(np.moveaxis(both, 1, 0).reshape(both.shape[1], -1))
    flat = np.minimum(chosen.power * upright[0].flat, both.max(axis=(0, 2)))

    def weighed(score: FloatArray) -> FloatArray:
        """(V, B, N) tempered scores of candidates to (V, N): each band spoilt with some probability, then summed."""
        return np.asarray(np.log((1 - chosen.spoilt) * np.exp(score - norm[None, :, None]) + chosen.spoilt).sum(axis=1))

    more = np.zeros((len(sweeps), N)) if beside is None else beside
    middling = more[:, :G].mean(axis=1, keepdims=True)
    total = log_mean((weighed(both) + np.concatenate((more, np.repeat(middling, G, axis=1)), axis=1)).T)
    upright_total, turned_total = total[:N], total[N:]
    caps = G + 2 + grid.cap_depth_m.size
    return Match(
        depth_m=grid.depth_m,
        cap_depth_m=grid.cap_depth_m,
        foot_depth_m=grid.foot_depth_m,
        boundary=upright_total[:G],
        ring=upright_total[G + 2 : caps],
        gas_ring=upright_total[caps:],
        inverted=turned_total,
        all_air=float(upright_total[G]),
        all_water=float(upright_total[G + 1]),
        flat=float(weighed(flat[None, :, None])[0, 0] + log_mean(middling[:, 0])),
        unexplained=_left_over(upright, int(np.argmax(upright_total))),
        unexplained_inverted=_left_over(turned, int(np.argmax(turned_total))),
    )


def _left_over(scores: Sequence[_Scores], best: int) -> float:
    """Share of the levels' variance that the best candidate leaves with the variant that leaves least."""
    return min(float(each.level_rest[min(best, each.level_rest.size - 1)]) for each in scores)


def refuse_unfit(profile: Profile, sweeps: Sequence[LevelSweep]) -> None:
    """Refuse (LineError) a line that cannot be compared: no sweep, other bands, too few points."""
    if not sweeps:
        raise LineError("There is no sweep of the model to compare with: compute one for this tank first.")
    for sweep in sweeps:
        if profile.level_db.shape[1] != sweep.band_hz.size:
            raise LineError(
                f"The profile has {profile.level_db.shape[1]} bands and the model's sweep {sweep.band_hz.size}: "
                "compute the sweep again with this version."
            )
    if profile.depth_m.size < FEWEST_POINTS:
        raise LineError(
            f"{profile.depth_m.size} points are too few to compare with the model: tap at least {FEWEST_POINTS}."
        )


def _scores(
    profile: Profile, sweep: LevelSweep, computed: FloatArray, votes: FloatArray, settings: MatchSettings
) -> _Scores:
    """Evidence of one sweep, whose pictures at the points are `computed` (L, P, B)."""
    grid = grid_of(sweep)
    sums = _sums(measured_levels(profile, settings), profile.level_sd_db, computed, settings)
    bands, flat, rest = _fit(sums, grid, votes, settings)
    return _Scores(grid, bands, flat, rest)


def measured_levels(profile: Profile, settings: MatchSettings) -> FloatArray:
    """(P, B) the measured levels in the form that is compared: part of the blows' strength off, nodes filled."""
    measured = profile.level_db + (1 - settings.strength_share) * profile.strength_db[:, None]
    return softened(measured, 0, settings.floor)


def computed_levels(profile: Profile, sweep: LevelSweep, settings: MatchSettings) -> FloatArray:
    """(L, P, B) the model's pictures at the points in the form that is compared: strength off, nodes filled."""
    level = at_points(sweep, profile.depth_m)
    level = level - settings.strength_share * _strength(level, np.isfinite(profile.level_db))
    return softened(level, 1, settings.floor)


def votes_of(profile: Profile, sweeps: Sequence[LevelSweep], settings: MatchSettings) -> FloatArray:
    """(B,) weight of each band's evidence: one over the number of bands that are heard and say the same.

    One set of votes serves all variants and levels: were they each variant's own, the one whose bands are most alike
    would lose least by whatever does not fit, and win.
    """
    return _votes(profile, [computed_levels(profile, sweep, settings) for sweep in sweeps], settings)


def _votes(profile: Profile, computed: Sequence[FloatArray], settings: MatchSettings) -> FloatArray:
    """(B,) votes as in `votes_of`, from the levels (L, P, B) that each variant computes at the points."""
    heard = np.isfinite(profile.level_db).sum(axis=0) >= FEWEST_POINTS - 1
    alike = band_likeness(np.concatenate(computed)) ** settings.alike * heard
    return np.asarray(heard / np.maximum(alike.sum(axis=1), 1e-9))


def band_likeness(x: FloatArray) -> FloatArray:
    """(B, B) correlation of bands: how alike their profiles are along the line, by the model (L, P, B) for all levels.

    Negative ones count as none. Below a tank's lowest mode all bands hear the skirts of the modes above and repeat one
    profile, so that their correlation is near 1.
    """
    centred = (x - x.mean(axis=1, keepdims=True)).reshape(-1, x.shape[2])
    product = centred.T @ centred
    size = np.sqrt(np.maximum(np.diag(product), 1e-12))
    likeness: FloatArray = np.clip(product / np.outer(size, size), 0.0, 1.0)
    np.fill_diagonal(likeness, 1.0)
    return likeness


def _on_depths(scores: _Scores, depth_m: FloatArray) -> FloatArray:
    """(B, G) rows of one variant for a boundary at given depths."""
    own = scores.grid.depth_m
    return np.array([np.interp(depth_m, own, row[: own.size]) for row in scores.bands])


def mirrored(sweep: LevelSweep) -> LevelSweep:
    """Turn the sweep over: the shell with the water at the other end, as an inverted picture would look.

    The heads are alike, so the shell turned over is the same shell; only seam and fittings change places.
    """
    ends = sweep.depth_m.min() + sweep.depth_m.max()
    return LevelSweep(
        level_depth_m=ends - sweep.level_depth_m,
        depth_m=(ends - sweep.depth_m)[::-1],
        band_hz=sweep.band_hz,
        level_db=sweep.level_db[:, ::-1],
    )


def along_line(x: FloatArray, depth_m: FloatArray, at: FloatArray) -> FloatArray:
    """(L, P, B) values at the depths `at` by linear interpolation along the line."""
    order = np.argsort(depth_m)
    sorted_depth = depth_m[order]
    right = np.clip(np.searchsorted(sorted_depth, at), 1, sorted_depth.size - 1)
    span = sorted_depth[right] - sorted_depth[right - 1]
    part = ((at - sorted_depth[right - 1]) / span)[None, :, None]
    return np.asarray((1 - part) * x[:, order[right - 1]] + part * x[:, order[right]])


def pictures_db(sweep: LevelSweep) -> FloatArray:
    """(L, P, B) all pictures of a sweep: levels with the two whole states at the ends, dry caps, feet."""
    parts = [part for part in (sweep.level_db, sweep.cap_db, sweep.foot_db) if part.size]
    return np.concatenate(parts) if len(parts) > 1 else sweep.level_db


def at_points(sweep: LevelSweep, depth_m: FloatArray) -> FloatArray:
    """(L, P, B) all pictures of a sweep at the depths of the points, taken to its ends where they lie beyond."""
    at = np.clip(depth_m, sweep.depth_m.min(), sweep.depth_m.max())
    return along_line(pictures_db(sweep), sweep.depth_m, at)


def grid_of(sweep: LevelSweep) -> Grid:
    """Return the candidates between the pictures of a sweep."""
    order, left, share, depth = level_grid(sweep.level_depth_m)
    low, high = [order[left], order[-2:]], [order[left + 1], order[-2:]]
    shares, tracks = [share, np.zeros(2)], []
    start = sweep.level_depth_m.size
    for track in (sweep.cap_depth_m, sweep.foot_depth_m):
        rows = start + np.argsort(track)
        start += track.size
        if track.size < 2:
            tracks.append(np.zeros(0))
            continue
        fine, below, part = _between(track[rows - rows.min()])
        tracks.append(fine)
        low.append(rows[below])
        high.append(rows[below + 1])
        shares.append(part)
    return Grid(depth, tracks[0], tracks[1], np.concatenate(low), np.concatenate(high), np.concatenate(shares))


def _between(places: FloatArray) -> tuple[FloatArray, NDArray[np.int64], FloatArray]:
    """Even steps between rising places: each with the number of the place before it and the share of the way on."""
    fine = np.linspace(places[0], places[-1], max(2, round((places[-1] - places[0]) / GRID_STEP_M) + 1))
    left = np.clip(np.searchsorted(places, fine, side="right") - 1, 0, places.size - 2)
    return fine, left, (fine - places[left]) / (places[left + 1] - places[left])


def level_grid(level_depth_m: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]:
    """Order of the sweep's rows (levels by rising depth, then all air, all water) and the grid between the levels.

    For each grid depth: the place in that order of the level above it, and the share (0..1) of the one below.
    """
    inner = np.flatnonzero(np.isfinite(level_depth_m))
    rows = inner[np.argsort(level_depth_m[inner])]
    depth, left, share = _between(level_depth_m[rows])
    whole = [0, level_depth_m.size - 1]
    return np.concatenate((rows, whole)), left, share, depth


def softened(level_db: FloatArray, axis: int, floor: float) -> FloatArray:
    """Levels with the floor's energy added, a share of the mean energy along `axis` (the points); NaN stays NaN."""
    energy = 10.0 ** (level_db / 10.0)
    known = np.isfinite(energy)
    count = np.maximum(known.sum(axis=axis, keepdims=True), 1)
    mean = np.where(known, energy, 0.0).sum(axis=axis, keepdims=True) / count
    return np.asarray(10.0 * np.log10(energy + floor * mean))


def _strength(x: FloatArray, heard: NDArray[np.bool_]) -> FloatArray:
    """(L, P, 1) what would be taken for the strength of the blows if the model's levels (L, P, B) had been measured."""
    reference = x.mean(axis=1, keepdims=True)
    count = np.maximum(heard.sum(axis=1), 1)
    strength = np.where(heard, x - reference, 0.0).sum(axis=2) / count
    return np.asarray((strength - strength.mean(axis=1, keepdims=True))[:, :, None])


def _sums(y: FloatArray, sd: FloatArray, x: FloatArray, settings: MatchSettings) -> _Sums:
    """Sum over the points, each band about its own weighted mean."""
    known = np.isfinite(y)
    noise = np.where(known & np.isfinite(sd), sd, 0.0)
    weight = known * settings.model_sd_db**2 / (settings.model_sd_db**2 + noise**2)
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


def _fit(
    sums: _Sums, grid: Grid, votes: FloatArray, settings: MatchSettings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-likelihoods (B, N) of the bands, those (B,) without a shape, and the share left (N,)."""
    a = grid.share[:, None]
    low, high = grid.low, grid.high
    # Rows that are neighbours stand beside each other in the sweep; for a whole state `a` is 0.
    between = np.minimum(np.minimum(low, high), len(sums.xn) - 1)
    xy = (1 - a) * sums.xy[low] + a * sums.xy[high]
    xx = (1 - a) ** 2 * sums.xx[low] + 2 * a * (1 - a) * sums.xn[between] + a**2 * sums.xx[high]
    ridge = (settings.model_sd_db / settings.gain_sd) ** 2
    gain = np.clip((xy + ridge * settings.gain) / (xx + ridge), 0.0, GAIN_MOST)
    rest = np.maximum(sums.yy - 2 * gain * xy + gain**2 * xx, 0.0)
    paid = rest + ridge * (gain - settings.gain) ** 2
    usual = settings.freedom * settings.model_sd_db**2
    enough = sums.count >= FEWEST_POINTS - 1
    power = -0.5 * votes * (sums.count + settings.freedom) * enough
    rows = power * np.log(1 + paid / usual)
    flat = power * np.log(1 + sums.yy / usual)
    counted = votes * enough
    left_over = (rest * counted).sum(axis=1) / max(float((sums.yy * counted).sum()), 1e-9)
    return rows.T, flat, left_over

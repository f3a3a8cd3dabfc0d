"""The trend of a tank's charge over visits: how fast it loses air, and when the margin to the relief setting is gone.

Model: between two settings of the charge it falls on a straight line, with one slope for the tank; each setting begins
a new line. A two-sided estimate is a normal error about the line (with its own spread to each side); a one-sided one
says only on which side of it the line runs, and is never taken for a point. All spreads may together be too small by a
common factor (`SCALES`), so estimates that scatter widen the interval. The slope has a broad, heavy-tailed prior
(Cauchy). Slope and heights are summed over grids, so nothing is drawn to find them; given the slope the lines are
independent of each other, which keeps every sum one-dimensional.

Conventions: charges are gauge pascals at the charge temperature, times years after the first day, losses positive
where the charge falls. Pure: records in, records out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, log_ndtr, logsumexp

from taptest.finding.records import Bound, Interval
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, relief_tolerance_pa

FloatArray = NDArray[np.float64]

USUAL_RATE_PA = 15_000.0
"""Scale of the slope's prior: half of all tanks change by less than 0.15 bar a year; own judgement, no source.
Published figures for a rubber membrane are about half of it (1 psi a year).
"""
FASTEST_PA = 1e7
"""Slopes are looked for up to 100 bar a year: a valve that leaks flat within days."""
SET_SD_PA = 7_000.0
"""How exactly a charge is set and read."""
LEAST_SD_PA = 2_000.0
SCALES = (1.0, 1.5, 2.25)
SCALE_WEIGHTS = (0.6, 0.28, 0.12)
"""By how much all spreads may be too small, and how likely that is beforehand: own judgement, no source."""
FAR, OPEN_WITHIN = 3.0, 1.92
"""An end of the interval is open where a slope this many times as far from the median still fits: its log-likelihood
within this of the best. Then the prior holds that end, and not the visits.
"""
UNLIKELY = 0.001
"""Estimates that would lie this far off their line less often than so are not said to lie on one."""
SLOPES = 241
CHARGE_STEP_PA = 1_000.0
HIGHEST_CHARGE_PA = 6e5
DRAWS = 4_000
BAND_TIMES = 25
HORIZON_YEARS = 30.0
"""A date later than this is not told."""
_FIELD_SD = 1.645
"""Half of a central 90 % interval in standard deviations."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """The charge as a visit found it."""

    year: float
    charge_pa: Interval
    bound: Bound | None = None
    """"lower": at least the median; "upper": at most."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A charge as it was set; it begins a new line."""

    year: float
    charge_pa: float


@dataclass(frozen=True, slots=True)
class Band:
    """The line between two settings: (T,) years and (3, T) charges, the 5th, 50th and 95th percentile."""

    years: FloatArray
    charge_pa: FloatArray


@dataclass(frozen=True, slots=True)
class Trend:
    """What the visits say of the loss."""

    loss_pa_per_year: Interval | None
    """None where the visits cannot tell."""
    bound: Bound | None
    """"lower": at least `loss_pa_per_year.low` a year; "upper": at most `.high`; where one side is open."""
    p_losing: float
    """Probability that the charge falls at all."""
    charge_now_pa: Interval
    """At the last day, as left."""
    charge_bound: Bound | None
    """"lower": at least `charge_now_pa.low`; "upper": at most `.high`."""
    bands: tuple[Band, ...]
    slope_draws_pa: FloatArray
    """(D,) slopes, pascals a year, negative where air is lost."""
    now_draws_pa: FloatArray
    """(D,) charges at the last day, drawn with the slopes."""
    last_year: float
    fits: bool = True
    """False where the estimates lie on no line, however fast: a charge was set or lost in between and not noted."""


@dataclass(frozen=True, slots=True)
class Margin:
    """When the pressure at the highest temperature first reaches the relief setting less its tolerance."""

    p_gone: float
    """Probability that the margin is gone already."""
    p_within: float
    """Probability that it is gone within `HORIZON_YEARS`."""
    years: tuple[float | None, float | None, float | None]
    """5th, 50th and 95th percentile of the time after the last day; None where later than the horizon, or never."""
    critical_pa: Interval
    """The charge at which that is so; -1 atmosphere where no loss brings it about."""


@dataclass(frozen=True, slots=True)
class _Line:
    """Everything known of one line; `middle` is the year at which its height is counted."""

    estimates: tuple[Estimate, ...]
    start: Setting | None
    middle: float
    begin: float
    end: float


def fit_trend(
    estimates: Sequence[Estimate], settings: Sequence[Setting], last_year: float, rng: np.random.Generator
) -> Trend:
    """Fit the loss to estimates and settings up to `last_year`, the day of the last visit; at least one of them."""
    lines = _lines(estimates, settings, last_year)
    coarse = np.arcsinh(FASTEST_PA / 1e3) * np.linspace(-1.0, 1.0, SLOPES)
    fits = [_heights(line, _slope(coarse)) for line in lines]
    likelihood = logsumexp(np.sum([fit[1] for fit in fits], axis=0) + np.log(SCALE_WEIGHTS)[:, None], axis=0)
    open_loss, open_gain = _open_ends(coarse, likelihood)
    fine = _narrowed(coarse, likelihood + _log_prior(coarse))
    slopes = _slope(fine)
    fits = [_heights(line, slopes) for line in lines]
    joint = np.sum([fit[1] for fit in fits], axis=0) + np.log(SCALE_WEIGHTS)[:, None] + _log_prior(fine)[None, :]
    scale, place = _draw_cells(joint, rng)
    slope = _slope(fine[place] + (rng.uniform(size=DRAWS) - 0.5) * (fine[1] - fine[0]))
    heights = [_draw_heights(fit[0], scale, place, rng) for fit in fits]
    now = _at(heights[-1], slope, last_year - lines[-1].middle)
    lost = np.quantile(-slope, (0.05, 0.5, 0.95))
    fits_line = _on_a_line(lines, fits)
    told = fits_line and not (open_loss and open_gain)
    bound: Bound | None = None if open_loss == open_gain else "lower" if open_loss else "upper"
    return Trend(
        Interval(float(lost[1]), float(lost[0]), float(lost[2])) if told else None,
        bound if told else None,
        float(np.mean(slope < 0)),
        _interval(now),
        _side(now),
        tuple(_band(line, height, slope) for line, height in zip(lines, heights, strict=True)) if told else (),
        slope,
        now,
        last_year,
        fits_line,
    )


def critical_charge_pa(
    state: SystemState, tank: Cushion, hot_c: float, relief_pa: float, others: Sequence[Cushion] = ()
) -> FloatArray:
    """Charge (gauge) below which the pressure at `hot_c` reaches the relief setting less its tolerance, (D,).

    `state` is cold and filled to its usual pressure; `tank` may hold (D,) draws, its charge is not used. `others` are
    the other tanks on the system, each with its charge, which stays. Where even a
    charge equal to the pressure does not keep below, it is that pressure (at the tank, no air pressure taken off);
    where no loss brings it about, it is minus the air pressure. Found by bisection: less air never lowers the pressure.
    """
    limit = relief_pa - relief_tolerance_pa(relief_pa)
    air = float(np.mean(np.asarray(state.atmospheric_pa)))
    drawn = (tank.volume_m3, state.volume_m3, state.pressure_pa, *(other.volume_m3 for other in others))
    shape = np.broadcast_shapes(*map(np.shape, drawn))
    high = np.broadcast_to(np.asarray(state.pressure_pa, dtype=np.float64), shape or (1,)).copy()
    low = np.full(high.shape, 0.02 * air - air)

    def opens(charge: FloatArray) -> NDArray[np.bool_]:
        return np.asarray(hot_pressure_pa(state, [replace(tank, precharge_pa=charge), *others], hot_c) >= limit)

    always, never = opens(high), ~opens(low)
    top = high.copy()
    for _ in range(30):
        middle = (low + high) / 2
        over = opens(middle)
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return np.asarray(np.where(always, top, np.where(never, -air, (low + high) / 2)))


def margin_of(trend: Trend, critical_pa: FloatArray, rng: np.random.Generator) -> Margin:
    """When the charge falls below the critical one; `critical_pa` are draws of that, of any number."""
    critical = critical_pa[rng.integers(critical_pa.size, size=trend.now_draws_pa.size)]
    room = trend.now_draws_pa - critical
    with np.errstate(divide="ignore", invalid="ignore"):
        wait = np.where(trend.slope_draws_pa < 0, room / -trend.slope_draws_pa, np.inf)
    never = critical <= -0.97 * STANDARD_ATMOSPHERE_PA
    wait = np.where(room <= 0, 0.0, np.where(never, np.inf, wait))
    order = np.sort(wait)
    picked = [float(order[round(share * (order.size - 1))]) for share in (0.05, 0.5, 0.95)]
    low, median, high = (None if years > HORIZON_YEARS else years for years in picked)
    return Margin(
        float(np.mean(room <= 0)), float(np.mean(wait <= HORIZON_YEARS)), (low, median, high), _interval(critical)
    )


def _lines(estimates: Sequence[Estimate], settings: Sequence[Setting], last_year: float) -> list[_Line]:
    """Cut the time at the settings. What a visit found belongs to the time before the setting that it made."""
    cuts = sorted(settings, key=lambda setting: setting.year)
    found = sorted(estimates, key=lambda estimate: estimate.year)
    lines = []
    for number in range(len(cuts) + 1):
        start = cuts[number - 1] if number else None
        begin = start.year if start else -np.inf
        end = cuts[number].year if number < len(cuts) else np.inf
        own = tuple(each for each in found if begin < each.year <= end)
        years = [each.year for each in own] + ([start.year] if start else [])
        if years:
            until = last_year if number == len(cuts) else end
            lines.append(_Line(own, start, _middle(own, start), min(years), max(until, *years)))
    return lines


def _middle(estimates: Sequence[Estimate], start: Setting | None) -> float:
    """Return the year at which a line is known best, where its height stays within what a charge can be."""
    if start is not None:
        return start.year
    best = min(estimates, key=lambda each: (each.bound is not None, each.charge_pa.high - each.charge_pa.low))
    return best.year


def _open_ends(u: FloatArray, likelihood: FloatArray) -> tuple[bool, bool]:
    """Whether the prior and not the visits holds the end of the interval at the greatest loss, and at the least."""
    low, median, high = _quantiles(u, likelihood + _log_prior(u))
    far = np.interp([median + FAR * (low - median), median + FAR * (high - median)], _slope(u), likelihood)
    open_loss, open_gain = (bool(value > likelihood.max() - OPEN_WITHIN) for value in far)
    return open_loss, open_gain


def _on_a_line(lines: Sequence[_Line], fits: Sequence[tuple[FloatArray, FloatArray]]) -> bool:
    """Whether the best line is no farther from the estimates than their spreads, widened by the usual factor, allow."""
    best = float(np.max(np.sum([fit[0][0].max(axis=1) for fit in fits], axis=0)))
    known = sum(len(line.estimates) + (line.start is not None) for line in lines)
    free = max(known - len(lines) - 1, 1)
    return -2 * best < SCALES[1] ** 2 * float(chdtri(free, UNLIKELY))


def _quantiles(u: FloatArray, log_posterior: FloatArray) -> FloatArray:
    """Return the 5th, 50th and 95th percentile of the slope."""
    mass = np.cumsum(np.exp(log_posterior - log_posterior.max()))
    return _slope(np.interp(np.array([0.05, 0.5, 0.95]) * mass[-1], mass, u))


def _side(charge: FloatArray) -> Bound | None:
    """Which side of the charge nothing holds but the ends of what a charge can be."""
    if float(np.mean(charge > HIGHEST_CHARGE_PA - 0.2e5)) > 0.01:
        return "lower"
    return "upper" if float(np.mean(charge < 0.1e5 - STANDARD_ATMOSPHERE_PA)) > 0.01 else None


def _slope(u: FloatArray) -> FloatArray:
    """Slope (Pa a year) at a place of the grid: fine about zero, coarse far away."""
    return np.asarray(1e3 * np.sinh(u))


def _log_prior(u: FloatArray) -> FloatArray:
    """Log density of the slope's prior over the grid's own coordinate."""
    return np.asarray(np.log(np.cosh(u)) - np.log1p((_slope(u) / USUAL_RATE_PA) ** 2))


def _heights(line: _Line, slopes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log-likelihood of a line over (scales, slopes, heights), and its log sum over the heights."""
    highest = max([HIGHEST_CHARGE_PA, *(each.charge_pa.median + 2e5 for each in line.estimates)])
    height = np.arange(-STANDARD_ATMOSPHERE_PA, highest, CHARGE_STEP_PA)
    total = np.zeros((len(SCALES), slopes.size, height.size))
    scales = np.array(SCALES)[:, None, None]
    for each in line.estimates:
        off = (_at(height[None, :], slopes[:, None], each.year - line.middle) - each.charge_pa.median)[None]
        below, above = (
            max(spread / _FIELD_SD, LEAST_SD_PA)
            for spread in (each.charge_pa.median - each.charge_pa.low, each.charge_pa.high - each.charge_pa.median)
        )
        if each.bound is None:
            total += -0.5 * (off / np.where(off < 0, below, above) / scales) ** 2 - np.log(scales)
        elif each.bound == "lower":
            total += log_ndtr(off / (below * scales))
        else:
            total += log_ndtr(-off / (above * scales))
    if line.start is not None:
        off = (_at(height[None, :], slopes[:, None], line.start.year - line.middle) - line.start.charge_pa)[None]
        total += -0.5 * (off / SET_SD_PA) ** 2
    return total, np.asarray(logsumexp(total, axis=2))


def _at(height: FloatArray, slope: FloatArray, years: float) -> FloatArray:
    """Charge this many years after the middle of a line; never below vacuum."""
    return np.asarray(np.maximum(height + slope * years, -STANDARD_ATMOSPHERE_PA))


def _narrowed(u: FloatArray, log_posterior: FloatArray) -> FloatArray:
    """Return a grid over the part of `u` that holds all but a hundred-thousandth of the probability."""
    mass = np.cumsum(np.exp(log_posterior - log_posterior.max()))
    mass /= mass[-1]
    first = max(int(np.searchsorted(mass, 5e-6)) - 1, 0)
    last = min(int(np.searchsorted(mass, 1 - 5e-6)) + 1, u.size - 1)
    return np.linspace(u[first], u[last], u.size)


def _draw_cells(joint: FloatArray, rng: np.random.Generator) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Draw (scale, slope) cells from their log probabilities."""
    weight = np.exp(joint - joint.max()).ravel()
    cell = rng.choice(weight.size, DRAWS, p=weight / weight.sum())
    scale, place = np.divmod(cell, joint.shape[1])
    return scale, place


def _draw_heights(
    fit: FloatArray, scale: NDArray[np.int64], place: NDArray[np.int64], rng: np.random.Generator
) -> FloatArray:
    """Draw a line's height for each drawn cell."""
    drawn = np.empty(scale.size)
    chance = rng.uniform(size=scale.size)
    cells, owner = np.unique(scale * fit.shape[1] + place, return_inverse=True)
    for number, cell in enumerate(cells):
        row = fit[cell // fit.shape[1], cell % fit.shape[1]]
        reached = np.cumsum(np.exp(row - row.max()))
        mine = owner == number
        drawn[mine] = np.searchsorted(reached, chance[mine] * reached[-1])
    jitter = rng.uniform(size=scale.size) - 0.5
    return np.asarray(-STANDARD_ATMOSPHERE_PA + CHARGE_STEP_PA * (drawn + jitter))


def _band(line: _Line, height: FloatArray, slope: FloatArray) -> Band:
    years = np.linspace(line.begin, line.end, BAND_TIMES)
    charges = [np.quantile(_at(height, slope, year - line.middle), (0.05, 0.5, 0.95)) for year in years]
    return Band(years, np.array(charges).T)


def _interval(values: FloatArray) -> Interval:
    low, median, high = (float(value) for value in np.quantile(values, (0.05, 0.5, 0.95)))
    return Interval(median, low, high)

"""The picture of a tank's history: its charge over the visits with the trend, and the level at one pressure.

Above the estimated charge of each visit with its 90 % interval, one-sided estimates as arrows, charges as they were
set as squares, the line with its 90 % band and its continuation, and the charge below which the margin to the relief
setting is gone. Below, the level at the reference pressure, drawn as on the tank: the top of the shell is up.
Markers differ by form as well as by colour.

Conventions: data coordinates are dates and the user's units; page sizes are inches.
"""

from datetime import date, timedelta
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure

from taptest.finding.records import Bound, Interval
from taptest.report.figure_text import FigureText, Labels
from taptest.report.figures import EXPECTED, UNKNOWN, WATER_MARK, Picture, picture_of, style_for
from taptest.report.typefaces import explained
from taptest.report.wording import Wording
from taptest.visit.history import DAYS_A_YEAR, History

WIDTH, HEIGHT = 7.5, 5.6
SET_MARK = "#d9730d"
LINE = "#3a3a3a"
LIMIT = "#b00020"
AHEAD_YEARS = 8.0
"""The line is continued until the margin is surely gone, but no further than this."""
ARROW = 0.12
"""Length of the arrow of a one-sided estimate, as a share of the panel's height."""


def history_picture(history: History, wording: Wording = "us") -> Picture:
    """Draw a history as PNG (300 dots to the inch), as SVG and as PDF."""
    with rc_context(style_for(history.tank, history.site)):
        return picture_of(_figure(history, Labels(history.units, wording)), f"history: {history.tank}")


def _figure(history: History, label: Labels) -> Figure:
    levels = any(past.level_m is not None for past in history.visits)
    figure = Figure(figsize=(WIDTH, HEIGHT if levels else HEIGHT * 0.65), layout="constrained")
    axes = figure.subplots(2 if levels else 1, 1, sharex=True, squeeze=False, height_ratios=[2, 1] if levels else [1])
    _charges(axes[0, 0], history, label)
    if levels:
        _levels(axes[1, 0], history, label)
    last = axes[-1, 0]
    locator = AutoDateLocator(minticks=3, maxticks=9)  # type: ignore[no-untyped-call]
    last.xaxis.set_major_locator(locator)
    last.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes[0, 0].set_title(_title(history, label), loc="left", fontsize=9)
    return figure


def _title(history: History, label: Labels) -> str:
    words = [history.tank or label(FigureText.NO_NAME), history.site]
    name = ", ".join(word if len(word) <= 60 else word[:57] + "..." for word in words if word)
    simulated = any(past.simulated for past in history.visits)
    return explained(name) + (f" {label(FigureText.SIMULATED)}" if simulated else "")


def _charges(axes: Axes, history: History, label: Labels) -> None:
    def number(pressure_pa: float) -> float:
        return history.units.convert("pressure", pressure_pa)

    days = [past.day for past in history.visits]
    told = [(past.day, past.charge_pa, past.charge_bound) for past in history.visits if past.charge_pa is not None]
    others = [(past.day, charge) for past in history.visits for _, charge in past.other_charges]
    sets = [(past.day, past.as_left.precharge_pa) for past in history.visits if past.as_left.precharge_pa is not None]
    low, high = _span(history)
    axes.set_ylim(number(low), number(high))
    _trend(axes, history, days[-1], label(FigureText.TREND))
    for day, charge, bound in told:
        _mark(axes, day, charge, bound, (low, high), number)
    for day, charge in others:
        _mark(axes, day, charge, None, (low, high), number, form="D", colour=EXPECTED)
    for day, pressure in sets:
        axes.plot(_x(day), number(pressure), "s", color=SET_MARK, markersize=5, zorder=4)
    axes.set_ylabel(label(FigureText.CHARGE, unit=history.units.pressure))
    axes.grid(visible=True, color=UNKNOWN, linewidth=0.5)
    _legend(axes, history, label, bool(others), bool(sets))


def _span(history: History) -> tuple[float, float]:
    """Pressures from which to which the panel reaches."""
    values = [0.0]
    for past in history.visits:
        if past.charge_pa is not None:
            values += (
                [past.charge_pa.low, past.charge_pa.high] if past.charge_bound is None else [past.charge_pa.median]
            )
        values += [end for _, charge in past.other_charges for end in (charge.low, charge.high)]
        if past.as_left.precharge_pa is not None:
            values.append(past.as_left.precharge_pa)
    if history.margin is not None:
        values.append(history.margin.critical_pa.median)
    low, high = max(min(values), -1.0e5), min(max(values), 1.0e6)
    room = 0.1 * (high - low) + 0.1e5
    return low - room, high + room


def _trend(axes: Axes, history: History, last: date, label: str) -> None:
    """Draw the line with its band, continued ahead, and the charge at which the margin is gone."""
    trend, margin = history.trend, history.margin
    if trend is None:
        return
    for number, band in enumerate(trend.bands):
        days = [_x(history.day_of(year)) for year in band.years]
        low, median, high = (_numbers(history, values) for values in band.charge_pa)
        axes.fill_between(days, low, high, color=LINE, alpha=0.13, linewidth=0)
        axes.plot(days, median, color=LINE, linewidth=1.2, label=label if not number else None)
    if margin is None:
        return
    critical = history.units.convert("pressure", margin.critical_pa.median)
    axes.axhline(critical, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
    latest = margin.years[2]
    ahead = min(AHEAD_YEARS if latest is None else 1.1 * latest + 0.1, AHEAD_YEARS)
    years = np.linspace(0.0, ahead, 40)
    drawn = trend.now_draws_pa[:, None] + trend.slope_draws_pa[:, None] * years
    low, median, high = (_numbers(history, values) for values in np.quantile(drawn, (0.05, 0.5, 0.95), axis=0))
    days = [_x(last + timedelta(days=float(year) * DAYS_A_YEAR)) for year in years]
    axes.fill_between(days, low, high, color=LINE, alpha=0.07, linewidth=0)
    axes.plot(days, median, color=LINE, linewidth=1.0, linestyle=(0, (2, 2)))
    first = margin.years[0]
    if first is not None and first < ahead:
        until = ahead if latest is None else min(latest, ahead)
        ends = [_x(last + timedelta(days=year * DAYS_A_YEAR)) for year in (first, until)]
        axes.plot(ends, [critical, critical], color=LIMIT, linewidth=4.0, alpha=0.5, solid_capstyle="butt")


def _numbers(history: History, pressures_pa: Any) -> list[float]:
    return [history.units.convert("pressure", float(value)) for value in pressures_pa]


def _mark(
    axes: Axes,
    day: date,
    charge: Interval,
    bound: Bound | None,
    span: tuple[float, float],
    number: Any,
    *,
    form: str = "o",
    colour: str = WATER_MARK,
) -> None:
    """Draw one estimate; a one-sided one as a bar with an arrow to the side on which the charge lies."""
    where, at = _x(day), number(charge.median)
    if bound is None:
        axes.plot([where, where], [number(charge.low), number(charge.high)], color=colour, linewidth=1.0, zorder=3)
        axes.plot(where, at, form, color=colour, markersize=5, zorder=4)
        return
    reach = ARROW * (number(span[1]) - number(span[0])) * (1 if bound == "lower" else -1)
    _arrow(axes, where, at, reach, colour)


def _arrow(axes: Axes, where: float, at: float, reach: float, colour: str) -> None:
    arrow = {"arrowstyle": "->", "color": colour}
    axes.annotate("", xy=(where, at + reach), xytext=(where, at), arrowprops=arrow, zorder=3)
    axes.plot(where, at, "_", color=colour, markersize=9, markeredgewidth=1.6, zorder=4)


def _legend(axes: Axes, history: History, label: Labels, others: bool, sets: bool) -> None:
    """Explain what is drawn, and nothing else."""
    none: list[float] = []
    bounds = {past.charge_bound for past in history.visits if past.charge_pa is not None}
    if None in bounds:
        axes.plot(none, none, "o", color=WATER_MARK, markersize=5, label=label(FigureText.BY_TAPS))
    if bounds - {None}:
        axes.plot(none, none, "_", color=WATER_MARK, markersize=9, markeredgewidth=1.6, label=label(FigureText.BOUND))
    if others:
        axes.plot(none, none, "D", color=EXPECTED, markersize=5, label=label(FigureText.BY_OTHERS))
    if sets:
        axes.plot(none, none, "s", color=SET_MARK, markersize=5, label=label(FigureText.AS_LEFT))
    if history.margin is not None:
        axes.plot(none, none, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)), label=label(FigureText.MARGIN_GONE))
    handles, _ = axes.get_legend_handles_labels()
    if not handles:
        axes.text(0.5, 0.5, label(FigureText.NO_CHARGE), ha="center", transform=axes.transAxes)
        return
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.02), ncols=3, frameon=False, handlelength=1.8)


def _levels(axes: Axes, history: History, label: Labels) -> None:
    """Draw the level at the reference pressure, depths growing downwards."""
    convert, shape = history.units.convert, history.case.tank.shape
    for past in history.visits:
        if past.level_m is None:
            continue
        where, at = _x(past.day), convert("length", past.level_m.median)
        if past.charge_bound is None:
            ends = [convert("length", depth) for depth in (past.level_m.low, past.level_m.high)]
            axes.plot([where, where], ends, color=WATER_MARK, linewidth=1.0)
            axes.plot(where, at, "o", color=WATER_MARK, markersize=5)
            continue
        # More air than told means less water: the boundary lies nearer to the end at which the water comes in.
        up = (past.charge_bound == "lower") == history.case.tank.hanging
        reach = ARROW * convert("length", shape.height_m) * (-1 if up else 1)
        _arrow(axes, where, at, reach, WATER_MARK)
    height = convert("length", shape.height_m)
    axes.set_ylim(1.03 * height, -0.03 * height)
    assert history.reference_pa is not None, "levels are told at a reference pressure only"
    axes.set_ylabel(label(FigureText.LEVEL_AT, pressure_pa=history.reference_pa, unit=history.units.length))
    axes.grid(visible=True, color=UNKNOWN, linewidth=0.5)


def _x(day: date) -> float:
    return float(date2num(day))  # type: ignore[no-untyped-call]

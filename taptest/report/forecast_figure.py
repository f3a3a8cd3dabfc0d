"""The picture of the forecast: pressure against the water's temperature, with its band, below the relief setting.

The line is the median over all that readings and taps leave open, the band holds 90 % of it. The hatched strip is where
the relief valve may weep: from its setting less its tolerance up to the setting. A square marks the reading.

Conventions: data coordinates are the user's units; page sizes are inches.
"""

import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from taptest.finding.records import ForecastCurve
from taptest.report.figure_text import FigureText, Labels
from taptest.report.figures import UNKNOWN, WATER_MARK, Picture, picture_of, style_for
from taptest.report.typefaces import explained
from taptest.report.wording import Wording
from taptest.visit.result import VisitResult
from taptest.water.forecast import relief_tolerance_pa

WIDTH, HEIGHT = 7.5, 4.2
LIMIT = "#b00020"
ROOM_ABOVE = 1.25
"""How far above relief setting and line the picture reaches."""
MOST_OF_RELIEF = 1.4
MOST_PA = 1.0e6
"""A line that climbs further is cut off: at so much of the relief setting, or where that is not known at 10 bar."""


def forecast_picture(result: VisitResult, wording: Wording = "us") -> Picture | None:
    """Draw the forecast as PNG (300 dots to the inch), as SVG and as PDF; None where there is none."""
    forecast = result.judgement.forecast
    if forecast is None or forecast.curve is None:
        return None
    with rc_context(style_for(result.name)):
        return picture_of(_figure(result, forecast.curve, Labels(result.units, wording)), f"forecast: {result.name}")


def _figure(result: VisitResult, curve: ForecastCurve, label: Labels) -> Figure:
    figure = Figure(figsize=(WIDTH, HEIGHT), layout="constrained")
    axes = figure.subplots()
    units, relief = result.units, result.case.system.relief_pa
    warm = [units.convert("temperature", value) for value in curve.temperature_c]
    low, median, high = (
        np.array([units.convert("pressure", value) for value in values])
        for values in (curve.low_pa, curve.median_pa, curve.high_pa)
    )
    axes.fill_between(warm, low, high, color=WATER_MARK, alpha=0.18, linewidth=0, label=label(FigureText.POSSIBLE))
    axes.plot(warm, median, color=WATER_MARK, linewidth=1.8, label=label(FigureText.FORECAST))
    axes.plot(
        warm[0],
        median[0],
        "s",
        color=WATER_MARK,
        markersize=6,
        clip_on=False,
        zorder=5,
        label=label(FigureText.AS_READ),
    )
    most = units.convert("pressure", MOST_PA if relief is None else MOST_OF_RELIEF * relief)
    top = max(float(median.max()), 0.0 if relief is None else _relief(axes, result, relief, label))
    axes.set_ylim(min(0.0, float(low.min())), ROOM_ABOVE * min(top, most))
    axes.set_xlim(warm[0], warm[-1])
    axes.set_xlabel(label(FigureText.TEMPERATURE, unit=units.temperature))
    axes.set_ylabel(label(FigureText.PRESSURE, unit=units.pressure))
    axes.grid(visible=True, color=UNKNOWN, linewidth=0.5)
    axes.set_title(_title(result, label), loc="left", fontsize=9)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=4, frameon=False, handlelength=1.8)
    return figure


def _relief(axes: Axes, result: VisitResult, relief_pa: float, label: Labels) -> float:
    """Draw the setting and the strip in which the valve may weep; return the setting in the user's unit."""
    convert = result.units.convert
    setting, weeps = (convert("pressure", value) for value in (relief_pa, relief_pa - relief_tolerance_pa(relief_pa)))
    axes.axhspan(weeps, setting, facecolor="none", edgecolor=LIMIT, hatch="////", linewidth=0, alpha=0.5)
    axes.axhline(setting, color=LIMIT, linewidth=1.4, label=label(FigureText.RELIEF))
    return setting


def _title(result: VisitResult, label: Labels) -> str:
    """Name, day and what the forecast says, on lines of their own."""
    forecast = result.judgement.forecast
    assert forecast is not None
    day = f", {result.visited_on.isoformat()}" if result.visited_on else ""
    name = explained(textwrap.shorten(result.name or label(FigureText.NO_NAME), 70, placeholder="..."))
    simulated = f" {label(FigureText.SIMULATED)}" if result.simulated else ""
    hottest = forecast.temperature_c
    if result.case.system.relief_pa is None:
        outlook = label(FigureText.UP_TO, hottest_c=hottest)
    else:
        outlook = label(FigureText.UP_TO_RELIEF, hottest_c=hottest, outlook=forecast.relief)
    return f"{name}{day}{simulated}\n{outlook}"

"""The boundary picture: what a technician attaches to a service report.

Left the tank in section and to scale, with the tape line and its points, the boundary with its interval and the band
in which pressure and pre-charge let one expect it; beside it, at the same heights, the map of the tap spectra and the
probability of water behind each point. Colour is never the only sign: water and air differ by marker, fill and hatch
as well, so the picture reads in grey and for colour-blind eyes.

Conventions: data coordinates of every panel are the user's unit of length, depths grow downwards; page sizes are
inches. Matplotlib is used without its state machine, so that figures can be drawn in any thread.
"""

import io
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle
from matplotlib.ticker import FixedLocator, MaxNLocator, NullLocator
from numpy.typing import NDArray

from taptest import __version__
from taptest.finding.weigh import rings_all_over
from taptest.report.figure_text import FigureText, Labels
from taptest.report.typefaces import BOX, BOX_WORDS, MAIN, advance, families, printable
from taptest.report.wording import Wording, told
from taptest.sound.spectra import SPECTRUM_EDGES_HZ
from taptest.statements import Statement
from taptest.tank.shape import meridian
from taptest.visit.result import PointResult, VisitResult

FloatArray = NDArray[np.float64]

MARGIN = 0.15
AXIS_LEFT = 0.62
BRACKET_ROOM = 0.42
TAPE_ROOM = 0.36
P_WIDTH = 0.72
LEGEND_ROW = 0.165
HEADROOM = 0.07
"""Free space above and below the tank, as a share of its height: for pipe and air valve."""
LONG_LABEL = 2.2
"""Height of a panel from which the whole label fits beside it."""
DOTS_PER_INCH = 300
MAP_PERCENTILES = (5.0, 99.0)
"""What is shown as weakest and strongest on the map."""
COURSE_CELLS = 16
"""Reach of the smooth course over frequency: two thirds of an octave to each side."""
SURE = 0.8
"""From this probability on a point is shown as water (or, from one minus it down, as air)."""

WATER = "#9cc9e8"
WATER_MARK = "#0b5394"
AIR_MARK = "#d9730d"
UNSURE = "#666666"
STEEL = "#3a3a3a"
RUBBER = "#5b4636"
EXPECTED = "#2e7d32"
UNKNOWN = "#e6e6e6"

_RUBBER_LINE: dict[str, Any] = {"color": RUBBER, "linewidth": 2.0, "solid_capstyle": "butt"}
_OPEN: dict[str, Any] = {"facecolor": "white", "edgecolor": "#b9b9b9", "hatch": "....", "linewidth": 0.0}
WET_WALL = 0.09
"""Width of the band drawn for wet wall, as a share of the tank's width."""

STYLE: dict[str, Any] = {
    "font.family": [MAIN],
    "font.size": 8,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "text.parse_math": False,
    "svg.hashsalt": "taptest",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
}


@dataclass(frozen=True, slots=True)
class Picture:
    """The finished picture in the three forms that are attached elsewhere."""

    png: bytes
    svg: bytes
    pdf: bytes


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the picture is drawn for; sizes in inches."""

    width: float
    tallest_tank: float
    widest_tank: float
    words: bool = True
    """With heading, readings and figures, so that the picture can be read by itself."""
    panels: bool = True
    """With the map and the probabilities beside the tank."""
    legend_columns: int = 2
    plain: bool = False
    """In words for someone who does not know the trade."""


ALONE = Sheet(7.5, 3.7, 2.25)
"""The picture by itself."""
ON_PAGE = Sheet(4.7, 2.45, 1.5, words=False)
"""Beside the readings, on a page that says the rest."""
UPRIGHT = Sheet(3.3, 3.4, 1.9, words=False, panels=False, legend_columns=1)
"""For a telephone's screen, where the page beside it says the rest."""
TANK_ONLY = Sheet(3.1, 2.6, 1.6, words=False, panels=False, legend_columns=1, plain=True)
"""The tank without its measurements, for the customer."""


def boundary_picture(result: VisitResult, wording: Wording = "us") -> Picture:
    """Draw a judged visit as PNG (300 dots to the inch), as SVG and as PDF."""
    with rc_context(style_for(result.name)):
        return picture_of(_figure(result, ALONE, wording), f"{result.judgement.code}: {result.name}")


def style_for(*typed: str) -> Any:
    """Return the settings for a picture that shows typed texts: with fonts that have their letters, where there are."""
    return STYLE | {"font.family": families(*typed)}


def picture_of(figure: Figure, title: str) -> Picture:
    """Save a figure in all three forms; it is drawn within `STYLE`, and so is this called."""
    maker = f"taptest {__version__}"
    words: dict[str, Any] = {"Title": printable(title)}
    return Picture(
        _saved(figure, "png", words | {"Software": maker}),
        _saved(figure, "svg", words | {"Creator": maker, "Date": None}),
        _saved(figure, "pdf", words | {"Creator": maker, "CreationDate": None}),
    )


def vector_picture(result: VisitResult, sheet: Sheet, wording: Wording = "us") -> bytes:
    """Draw a judged visit for a page, as SVG without any text that needs a font."""
    with rc_context(STYLE):  # type: ignore[arg-type]  # a plain dict of settings is what it takes
        return _saved(_figure(result, sheet, wording), "svg", {"Date": None})


def _saved(figure: Figure, form: str, metadata: dict[str, Any]) -> bytes:
    content = io.BytesIO()
    figure.savefig(content, format=form, dpi=DOTS_PER_INCH, metadata=metadata)
    return content.getvalue()


@dataclass(frozen=True, slots=True)
class _Scale:
    """Metres to the user's unit of length."""

    factor: float
    unit: str
    height: float
    diameter: float

    def __call__(self, metres: float) -> float:
        return metres * self.factor


def _scale(result: VisitResult) -> _Scale:
    shape = result.case.tank.shape
    factor = result.units.convert("length", 1.0)
    return _Scale(factor, result.units.length, shape.height_m * factor, shape.diameter_m * factor)


def _figure(result: VisitResult, sheet: Sheet = ALONE, wording: Wording = "us") -> Figure:
    """Lay out heading, three panels at the same heights, legend and foot; every size in inches."""
    scale, label = _scale(result), Labels(result.units, wording)
    inches = min(sheet.tallest_tank / (scale.height * (1 + 2 * HEADROOM)), sheet.widest_tank / scale.diameter)
    panel_height = inches * scale.height * (1 + 2 * HEADROOM)
    tank_width = inches * scale.diameter + BRACKET_ROOM + TAPE_ROOM
    heading = _wrap(told(result.judgement.says, result.units, wording), 10.5, "bold", sheet.width - 2 * MARGIN - 0.1, 4)
    legend = _legend_entries(result, sheet, label)
    legend_rows = -(-len(legend) // sheet.legend_columns)
    head = 0.55 + 0.19 * len(heading) if sheet.words else 0.05
    below = 0.26 if sheet.words else 0.02
    foot = (0.52 if sheet.words else 0.44 if sheet.panels else 0.16) + LEGEND_ROW * legend_rows + below
    page = head + panel_height + foot
    figure = Figure(figsize=(sheet.width, page), dpi=DOTS_PER_INCH, facecolor="white")

    def panel(left: float, width: float) -> Axes:
        axes = figure.add_axes((left / sheet.width, foot / page, width / sheet.width, panel_height / page))
        axes.set_ylim(scale.height * (1 + HEADROOM), -HEADROOM * scale.height)
        return axes

    tank = panel(AXIS_LEFT, tank_width)
    left = -scale.diameter / 2 - BRACKET_ROOM / inches
    tank.set_xlim(left, left + tank_width / inches)
    _draw_tank(tank, result, scale, inches, label)
    if sheet.panels:
        p_left = sheet.width - MARGIN - P_WIDTH - 0.1
        map_left = AXIS_LEFT + tank_width + 0.12
        _draw_map(panel(map_left, p_left - 0.1 - map_left), result, scale, label, narrow=sheet.width < ALONE.width)
        _draw_probability(panel(p_left, P_WIDTH), result, scale, inches, label)
    if sheet.words:
        _draw_words(figure, result, heading, label)
    _draw_legend(figure, legend, sheet, below)
    return figure


# --- the tank in section ---


def _outline(result: VisitResult, scale: _Scale, inside: bool) -> FloatArray:
    """Half the outline from the top down, (N, 2): half width and depth."""
    shape = result.case.tank.shape
    if shape.axis == "horizontal":
        radius = shape.inner_diameter_m / 2 if inside else shape.diameter_m / 2
        turn = np.linspace(0.0, np.pi, 181)
        half = np.column_stack([radius * np.sin(turn), shape.diameter_m / 2 - radius * np.cos(turn)])
    else:
        outline = meridian(shape, 361, shape.wall_m if inside else 0.0)
        half = np.column_stack([outline.radius_m, outline.axial_m])
    return np.asarray(half * scale.factor)


def _closed(half: FloatArray) -> FloatArray:
    """Both halves of an outline as one polygon."""
    return np.concatenate([half, half[::-1] * [-1.0, 1.0]])


def _between(half: FloatArray, top: float, bottom: float) -> FloatArray:
    """Cut out the part of a half outline between two depths."""
    inside = half[(half[:, 1] > top) & (half[:, 1] < bottom)]
    ends = [[np.interp(depth, half[:, 1], half[:, 0]), depth] for depth in np.clip([top, bottom], *half[[0, -1], 1])]
    return np.concatenate([ends[:1], inside, ends[1:]])


def _draw_tank(axes: Axes, result: VisitResult, scale: _Scale, inches: float, label: Labels) -> None:
    """Draw shell, content, membrane, fittings, tape line and brackets."""
    outer, inner = _outline(result, scale, inside=False), _outline(result, scale, inside=True)
    _draw_fittings(axes, result, scale)
    axes.add_patch(Polygon(_closed(outer), closed=True, facecolor=STEEL, edgecolor=STEEL, linewidth=0.8, zorder=2))
    axes.add_patch(Polygon(_closed(inner), closed=True, facecolor="white", edgecolor="none", zorder=3))
    _draw_content(axes, result, scale, inner, inches, label)
    _draw_brackets(axes, result, scale, inches)
    _draw_points(axes, result, scale, outer, inches)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.xaxis.set_major_locator(NullLocator())
    axes.spines["left"].set_bounds(0.0, scale.height)
    axes.yaxis.set_major_locator(FixedLocator(_ticks(scale)))
    panel_height = (1 + 2 * HEADROOM) * scale.height * inches
    below = FigureText.BELOW_TOP_OF_SHELL if panel_height > LONG_LABEL else FigureText.BELOW_TOP
    axes.set_ylabel(label(below, unit=scale.unit), fontsize=8)
    axes.yaxis.set_label_coords(-0.47 / (np.ptp(axes.get_xlim()) * inches), 0.5)
    if result.case.tank.shape.axis == "horizontal":
        axes.set_xlabel(label(FigureText.SECTION), fontsize=7, labelpad=4)


def _ticks(scale: _Scale) -> list[float]:
    ticks = MaxNLocator(nbins=8, steps=[1, 2, 2.5, 5, 10]).tick_values(0.0, scale.height)
    return [float(tick) for tick in ticks if 0 <= tick <= scale.height]


def _draw_fittings(axes: Axes, result: VisitResult, scale: _Scale) -> None:
    """Draw a pipe stub at the water end and an air valve at the other: they show which way up the tank is."""
    tank = result.case.tank
    if tank.shape.axis == "horizontal" and tank.clamped:
        return
    overlap, room = 0.03 * scale.height, 0.9 * HEADROOM * scale.height
    for end, width, length in (("water", 0.12, room), ("air", 0.05, 0.6 * room)):
        if end == "air" and not tank.has_membrane:
            continue
        at_top = (tank.water_end == "top") == (end == "water")
        start = -length if at_top else scale.height - overlap
        axes.add_patch(
            Rectangle(
                (-width / 2 * scale.diameter, start),
                width * scale.diameter,
                length + overlap,
                facecolor=WATER if end == "water" else "white",
                edgecolor=STEEL,
                linewidth=0.9,
                zorder=1,
            )
        )


def _draw_content(
    axes: Axes, result: VisitResult, scale: _Scale, inner: FloatArray, inches: float, label: Labels
) -> None:
    """Fill the inside by what the taps say: water, air, or neither where they do not tell."""
    reading, tank = result.judgement.line, result.case.tank
    state = result.judgement.boundary_state
    depths = (float(inner[0, 1]), float(inner[-1, 1]))
    if state == "not found" or (state == "found" and reading.depth_m is None):
        axes.add_patch(Polygon(_closed(inner), closed=True, facecolor=UNKNOWN, edgecolor="none", zorder=4))
        said = FigureText.RINGS if rings_all_over(reading) else FigureText.NOT_TOLD
        _word(axes, label(said), sum(depths) / 2, UNKNOWN)
        return
    if state == "all air":
        _word(axes, label(FigureText.AIR), sum(depths) / 2, "white")
        _draw_rubber(axes, result, scale, inner)
        return
    if state == "all water":
        axes.add_patch(Polygon(_closed(inner), closed=True, facecolor=WATER, edgecolor="none", zorder=4))
        _word(axes, label(FigureText.WATER), sum(depths) / 2, WATER)
        return
    assert reading.depth_m is not None
    boundary = float(np.clip(scale(reading.depth_m), *depths))
    water_on_top = tank.hanging != reading.inverted
    wet = (depths[0], boundary) if water_on_top else (boundary, depths[1])
    dry = (boundary, depths[1]) if water_on_top else (depths[0], boundary)
    if hears_wall_only(result):
        shown = _draw_wet_wall(axes, result, scale, inner, wet)
        _word(axes, label(FigureText.WET_WALL), 0.5 * sum(shown), WATER)
        _draw_rubber(axes, result, scale, inner)
        return
    axes.add_patch(Polygon(_closed(_between(inner, *wet)), closed=True, facecolor=WATER, edgecolor="none", zorder=4))
    _draw_rubber(axes, result, scale, inner)
    half_width = float(np.interp(boundary, inner[:, 1], inner[:, 0]))
    axes.plot([-half_width, half_width], [boundary, boundary], color=STEEL, linewidth=1.0, zorder=6)
    for (top, bottom), word, ground in ((wet, FigureText.WATER, WATER), (dry, FigureText.AIR, "white")):
        if (bottom - top) * inches > 0.45:
            _word(axes, label(word), top + (bottom - top) * (0.5 if ground == WATER else 0.62), ground)


def hears_wall_only(result: VisitResult) -> bool:
    """Whether the taps show wet wall and leave open how the water lies inside: in a hanging diaphragm tank."""
    tank, reading = result.case.tank, result.judgement.line
    return tank.clamped and tank.hanging and not tank.sideways and not reading.inverted


def _draw_wet_wall(
    axes: Axes, result: VisitResult, scale: _Scale, inner: FloatArray, wet: tuple[float, float]
) -> tuple[float, float]:
    """Draw a band of water along the wet wall, from under a dry cap that was heard; return the depths of its ends."""
    posterior = result.judgement.line.posterior
    start = wet[0]
    if posterior.p_ring > 0.5:
        start = scale(float(posterior.cap_depth_m[int(np.argmax(posterior.ring_mass))]))
    axes.add_patch(Polygon(_closed(inner), closed=True, zorder=4, **_OPEN))
    band = _between(inner, start, wet[1])
    width = WET_WALL * scale.diameter
    for side in (1.0, -1.0):
        inward = np.maximum(band[:, 0] - width, 0.0)
        outline = np.concatenate([band, np.column_stack([inward, band[:, 1]])[::-1]]) * [side, 1.0]
        axes.add_patch(Polygon(outline, closed=True, facecolor=WATER, edgecolor="none", zorder=5))
    half_width = float(np.interp(wet[1], inner[:, 1], inner[:, 0]))
    axes.plot([-half_width, half_width], [wet[1], wet[1]], color=STEEL, linewidth=1.0, zorder=6)
    return start, wet[1]


def _word(axes: Axes, text: str, depth: float, ground: str) -> None:
    axes.text(
        0.0,
        depth,
        text,
        ha="center",
        va="center",
        fontsize=8.5,
        color="#222222",
        zorder=8,
        bbox={"facecolor": ground, "edgecolor": "none", "pad": 1.5},
    )


def _resting_rubber(result: VisitResult) -> tuple[float, float, float] | None:
    """Find where a diaphragm leaves the steel, its seam and the pole of the water end, in metres below the top.

    None where it lies on no steel of the water end: no diaphragm, no boundary, or water beyond the seam.
    """
    tank, reading, state = result.case.tank, result.judgement.line, result.judgement.boundary_state
    if not tank.clamped or tank.sideways or reading.inverted or state not in ("found", "all air"):
        return None
    seam = tank.shape.height_m / 2 if tank.seam_depth_m is None else tank.seam_depth_m
    pole = 0.0 if tank.hanging else tank.shape.height_m
    edge = pole if reading.depth_m is None else reading.depth_m
    return None if abs(edge - pole) > abs(seam - pole) else (edge, seam, pole)


def _draw_rubber(axes: Axes, result: VisitResult, scale: _Scale, inner: FloatArray) -> None:
    """Draw the part of a diaphragm that lies on dry steel."""
    rubber = _resting_rubber(result)
    if rubber is None:
        return
    edge, seam, _ = (scale(depth) for depth in rubber)
    resting = _between(inner, *sorted((edge, seam)))
    for side in (0.985, -0.985):
        axes.plot(resting[:, 0] * side, resting[:, 1], zorder=5, **_RUBBER_LINE)


def _draw_brackets(axes: Axes, result: VisitResult, scale: _Scale, inches: float) -> None:
    """Left of the tank: the interval of the boundary as a solid bracket, the expected band as a hatched one."""
    left = -scale.diameter / 2
    reading, expected = result.judgement.line, result.judgement.expected
    if result.judgement.boundary_state == "found" and reading.depth_m is not None and reading.interval90_m is not None:
        low, high = (scale(depth) for depth in reading.interval90_m)
        x = left - 0.16 / inches
        cap = 0.04 / inches
        for y in (low, high):
            axes.plot([x - cap, x + cap], [y, y], color="black", linewidth=1.3, zorder=7)
        axes.plot([x, x], [low, high], color="black", linewidth=1.3, zorder=7)
        axes.plot([x], [scale(reading.depth_m)], marker="D", color="black", markersize=4.5, zorder=8)
    if expected is not None and expected.depth_m is not None:
        low, high = scale(expected.depth_m.low), scale(expected.depth_m.high)
        x, width = left - 0.32 / inches, 0.10 / inches
        axes.add_patch(
            Rectangle(
                (x - width / 2, low),
                width,
                max(high - low, 0.012 * scale.height),
                facecolor="white",
                edgecolor=EXPECTED,
                hatch="/////",
                linewidth=0.9,
                zorder=7,
            )
        )


def _backing(point: PointResult) -> str:
    if point.p_water is None:
        return "none"
    if point.p_water >= SURE:
        return "water"
    return "air" if point.p_water <= 1 - SURE else "unsure"


_MARKS: dict[str, dict[str, Any]] = {
    "water": {"marker": "o", "markersize": 5.5, "markerfacecolor": WATER_MARK, "markeredgecolor": WATER_MARK},
    "air": {
        "marker": "s",
        "markersize": 5.2,
        "markerfacecolor": "white",
        "markeredgecolor": AIR_MARK,
        "markeredgewidth": 1.3,
    },
    "unsure": {"marker": "^", "markersize": 5.5, "markerfacecolor": "#bbbbbb", "markeredgecolor": UNSURE},
    "none": {"marker": "x", "markersize": 4.8, "markeredgecolor": "black", "markeredgewidth": 1.2},
}
_MARK_WORDS = {
    "water": FigureText.POINT_WATER,
    "air": FigureText.POINT_AIR,
    "unsure": FigureText.POINT_UNSURE,
    "none": FigureText.POINT_NO_TAP,
}


def _mark(point: PointResult, result: VisitResult, inches: float) -> dict[str, Any]:
    """Style the mark of a point: smaller where points lie so close that marks would hide each other."""
    depths = [result.units.convert("length", other.depth_m) for other in result.points]
    nearest = min((below - above for above, below in pairwise(depths)), default=math.inf) * inches * 72
    style = _MARKS[_backing(point)]
    return {**style, "markersize": min(style["markersize"], max(2.5, 0.95 * nearest))}


def _draw_points(axes: Axes, result: VisitResult, scale: _Scale, outer: FloatArray, inches: float) -> None:
    """Draw the tape line right of the shell, and a mark for each point."""
    offset = 0.14 / inches
    if not result.points:
        return
    depths = np.array([scale(point.depth_m) for point in result.points])

    def beside(depth: FloatArray) -> FloatArray:
        return np.asarray(np.interp(depth, outer[:, 1], outer[:, 0]) + offset)

    line = np.linspace(depths.min(), depths.max(), 200)
    axes.plot(beside(line), line, color="#999999", linewidth=0.8, zorder=6)
    for x, depth, point in zip(beside(depths), depths, result.points, strict=True):
        axes.plot([x], [depth], linestyle="none", zorder=9, clip_on=False, **_mark(point, result, inches))


# --- the map and the probabilities ---


def _rows(depths: FloatArray, spacing: float) -> tuple[FloatArray, FloatArray]:
    """Cells around sorted depths (P,): edges (E + 1,), and for each cell its point or -1 where there is none.

    A cell reaches half way to its neighbours, but no farther than half the line's usual spacing.
    """
    edges: list[float] = []
    owners: list[int] = []
    for number, depth in enumerate(depths):
        above = spacing if number == 0 else min(depth - depths[number - 1], spacing)
        below = spacing if number == depths.size - 1 else min(depths[number + 1] - depth, spacing)
        if edges and depth - above / 2 > edges[-1] + 1e-9:
            owners.append(-1)
            edges.append(depth - above / 2)
        elif not edges:
            edges.append(depth - above / 2)
        owners.append(number)
        edges.append(depth + below / 2)
    return np.array(edges), np.array(owners)


def _spacing(result: VisitResult) -> float:
    """Return the usual spacing of the points in metres, and a tenth of the tank for a single one."""
    gaps = np.diff([point.depth_m for point in result.points])
    return float(np.median(gaps)) if gaps.size else 0.1 * result.case.tank.shape.height_m


def _flattened(spectrum_db: FloatArray) -> FloatArray:
    """Take off the smooth course over frequency that all points share: striker, room and microphone."""
    course = np.nanmedian(spectrum_db, axis=0)
    reach = np.arange(course.size)
    near = np.abs(reach[:, None] - reach[None, :]) <= COURSE_CELLS
    smooth = np.array([np.nanmedian(course[row]) for row in near])
    return np.asarray(spectrum_db - smooth)


def _draw_map(axes: Axes, result: VisitResult, scale: _Scale, label: Labels, narrow: bool) -> None:
    """Draw spectra over position, the darker the stronger; their common course over frequency is taken off."""
    axes.set_xscale("log")
    axes.set_xlim(float(SPECTRUM_EDGES_HZ[0]), float(SPECTRUM_EDGES_HZ[-1]))
    ticks = [200, 1000, 5000] if narrow else [200, 500, 1000, 2000, 5000]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([f"{tick / 1000:g}" for tick in ticks])
    frequency = FigureText.FREQUENCY_NARROW if narrow else FigureText.FREQUENCY
    axes.set_xlabel(label(frequency), fontsize=8, labelpad=2)
    axes.yaxis.set_major_locator(FixedLocator(_ticks(scale)))
    axes.tick_params(labelleft=False, labelsize=7.5)
    axes.set_facecolor("#f4f4f4")
    profile = result.profile
    if profile is None or not np.isfinite(profile.spectrum_db).any():
        said = label(FigureText.NO_TAPS)
        axes.text(0.5, 0.5, said, transform=axes.transAxes, ha="center", va="center", color=UNSURE)
        return
    flat = _flattened(profile.spectrum_db)
    edges, owners = _rows(profile.depth_m, _spacing(result))
    shown = np.where(owners[:, None] < 0, np.nan, flat[owners])
    low, high = np.nanpercentile(flat, MAP_PERCENTILES)
    axes.pcolormesh(
        SPECTRUM_EDGES_HZ,
        edges * scale.factor,
        np.ma.masked_invalid(shown),
        cmap="YlGnBu",
        vmin=low,
        vmax=max(high, low + 6.0),
        rasterized=True,
        zorder=1,
    )
    _draw_lines_across(axes, result, scale)


def _draw_lines_across(axes: Axes, result: VisitResult, scale: _Scale) -> None:
    """Draw the boundary and the expected band across a panel at the heights they have at the tank."""
    reading, expected = result.judgement.line, result.judgement.expected
    if expected is not None and expected.depth_m is not None:
        for depth in (expected.depth_m.low, expected.depth_m.high):
            axes.axhline(scale(depth), color="white", linewidth=2.2, zorder=2)
            axes.axhline(scale(depth), color=EXPECTED, linewidth=1.1, linestyle=(0, (4, 2)), zorder=3)
    if result.judgement.boundary_state == "found" and reading.depth_m is not None:
        axes.axhline(scale(reading.depth_m), color="white", linewidth=3.0, zorder=4)
        axes.axhline(scale(reading.depth_m), color="black", linewidth=1.4, zorder=5)


def _draw_probability(axes: Axes, result: VisitResult, scale: _Scale, inches: float, label: Labels) -> None:
    """Draw the probability of water behind each point, as a bar with the point's mark at its end."""
    axes.set_xlim(-0.12, 1.12)
    axes.xaxis.set_major_locator(FixedLocator([0.0, 1.0]))
    axes.set_xticklabels(["0", "100 %"], fontsize=7.5)
    axes.set_xlabel(label(FigureText.WATER_BEHIND), fontsize=8, labelpad=2)
    axes.yaxis.set_major_locator(FixedLocator(_ticks(scale)))
    axes.tick_params(labelleft=False)
    axes.axvline(0.5, color="#cccccc", linewidth=0.6, zorder=0)
    _draw_lines_across(axes, result, scale)
    for point in result.points:
        depth = scale(point.depth_m)
        if point.p_water is not None:
            axes.plot([0.0, point.p_water], [depth, depth], color="#888888", linewidth=1.0, zorder=6)
        x = 0.5 if point.p_water is None else point.p_water
        axes.plot([x], [depth], linestyle="none", zorder=9, **_mark(point, result, inches))


# --- words ---


def _wrap(text: str, size: float, weight: str, width: float, most_lines: int) -> list[str]:
    """Break a text into lines that are at most `width` inches long; what does not fit ends in an ellipsis."""

    def fits(line: str) -> bool:
        return sum(advance(letter, weight) for letter in line) * size / 72 <= width

    lines = [""]
    for word in printable(text).split(" "):
        rest = word
        joined = f"{lines[-1]} {rest}".strip()
        if fits(joined):
            lines[-1] = joined
            continue
        if lines[-1]:
            lines.append("")
        while not fits(rest):
            cut = next(n for n in range(len(rest) - 1, 0, -1) if n == 1 or fits(rest[:n]))
            lines[-1] = rest[:cut]
            lines.append("")
            rest = rest[cut:]
        lines[-1] = rest
    if len(lines) > most_lines:
        last = lines[most_lines - 1]
        while last and not fits(last + " …"):
            last = last.rpartition(" ")[0] if " " in last else last[:-1]
        lines = [*lines[: most_lines - 1], last.rstrip() + " …"]
    return lines


def _draw_words(figure: Figure, result: VisitResult, heading: list[str], label: Labels) -> None:
    """Draw heading, tank and date, readings and foot."""
    width, page = figure.get_size_inches()
    left, right = (MARGIN + 0.05) / width, (width - MARGIN) / width

    def put(text: str, inches_down: float, **kind: Any) -> None:
        side = kind.pop("side", "left")
        figure.text(left if side == "left" else right, 1 - inches_down / page, text, va="baseline", ha=side, **kind)

    day = result.visited_on.isoformat() if result.visited_on else label(FigureText.NO_DATE)
    badge = f"{label(FigureText.SIMULATED_BADGE)}   " if result.simulated else ""
    name = _wrap(result.name or label(FigureText.NO_NAME), 9, "normal", width - 3.0, 1)[0]
    put(name, 0.24, fontsize=9)
    put(f"{badge}{day}", 0.24, fontsize=9, side="right", weight="bold" if result.simulated else "normal")
    for number, line in enumerate(heading):
        put(line, 0.50 + 0.19 * number, fontsize=10.5, weight="bold")
    maker = f"taptest {__version__}"
    maker = f"{BOX_WORDS}    {maker}" if BOX in name and BOX not in result.name else maker
    room = sum(advance(letter, "normal") for letter in maker) * 7 / 72 + 0.35
    readings = _wrap(_readings(result, label), 7, "normal", width - 2 * MARGIN - room, 1)[0]
    put(readings, page - 0.12, fontsize=7, color="#444444")
    put(maker, page - 0.12, fontsize=7, color="#444444", side="right")


def _readings(result: VisitResult, label: Labels) -> str:
    """Say the readings of the visit in one line."""
    readings, tank = result.case.readings, result.case.tank
    parts = [] if readings.state is None else [Statement(_STATES[readings.state])]
    if readings.pressure_pa is not None:
        parts.append(Statement(FigureText.READ_PRESSURE, {"pressure_pa": readings.pressure_pa}))
    if readings.water_temperature_c is not None:
        parts.append(Statement(FigureText.READ_WATER, {"water_c": readings.water_temperature_c}))
    if readings.precharge_pa is not None:
        parts.append(Statement(FigureText.READ_PRECHARGE, {"precharge_pa": readings.precharge_pa}))
    parts.append(Statement(FigureText.READ_TANK, {"volume_m3": tank.volume_m3}))
    return label(FigureText.AS_FOUND, readings=tuple(parts))


_STATES = {"cold": FigureText.COLD, "hot": FigureText.HOT}


def _legend_entries(result: VisitResult, sheet: Sheet, label: Labels) -> list[tuple[Any, str]]:
    """Collect handles and words of the legend: only what the picture shows, in figures where nothing else says them."""
    judgement = result.judgement
    blank = Line2D([], [], linestyle="none")
    line = Line2D([], [], color="black", marker="D", markersize=4.5, linewidth=1.4)
    found = judgement.boundary_state == "found" and judgement.line.depth_m is not None
    band = judgement.expected is not None and judgement.expected.depth_m is not None
    boundary, expected = _boundary_words(result, label), _expected_words(result, label)
    if not sheet.words:
        boundary = label(FigureText.BOUNDARY) if found else boundary
        expected = label(FigureText.EXPECTED) if band else expected
    if sheet.plain:
        boundary = label(_PLAIN_BOUNDARY[judgement.boundary_state])
        known = FigureText.PLAIN_EXPECTED_NONE if judgement.expected else FigureText.PLAIN_EXPECTED_NOT_KNOWN
        expected = label(FigureText.PLAIN_EXPECTED if band else known)
    hatched = Patch(facecolor="white", edgecolor=EXPECTED, hatch="/////", linewidth=0.9)
    entries: list[tuple[Any, str]] = [(line if found else blank, boundary), (hatched if band else blank, expected)]
    present = {_backing(point) for point in result.points}
    for kind, words in _MARK_WORDS.items():
        if kind in present:
            entries.append((Line2D([], [], linestyle="none", **_MARKS[kind]), label(words)))
    rubber = _resting_rubber(result)
    if rubber is not None:
        entries.append((Line2D([], [], **_RUBBER_LINE), label(FigureText.RUBBER)))
    if found and hears_wall_only(result):
        entries.append((Patch(**_OPEN), label(FigureText.INSIDE_NOT_HEARD)))
    return entries


_PLAIN_BOUNDARY = {
    "found": FigureText.PLAIN_FOUND,
    "all air": FigureText.PLAIN_AIR,
    "all water": FigureText.PLAIN_WATER,
    "not found": FigureText.PLAIN_NOT_FOUND,
}


def _boundary_words(result: VisitResult, label: Labels) -> str:
    judgement, units = result.judgement, result.units
    reading = judgement.line
    if judgement.boundary_state != "found" or reading.depth_m is None:
        unclear = FigureText.NO_BOUNDARY_RINGS if rings_all_over(reading) else FigureText.NO_BOUNDARY
        whole = {"all air": FigureText.NO_BOUNDARY_AIR, "all water": FigureText.NO_BOUNDARY_WATER}
        return label(whole.get(judgement.boundary_state, unclear))
    at = units.show("length", reading.depth_m, _digits(units.length))
    if reading.interval90_m is None:
        return label(FigureText.INVERTED_AT if reading.inverted else FigureText.BOUNDARY_AT, at=at)
    within = FigureText.INVERTED_WITHIN if reading.inverted else FigureText.BOUNDARY_WITHIN
    return label(within, at=at, span=_span(result, *reading.interval90_m))


def _expected_words(result: VisitResult, label: Labels) -> str:
    expected = result.judgement.expected
    if expected is None:
        return label(FigureText.EXPECTED_NOT_KNOWN)
    if expected.depth_m is None:
        return label(FigureText.EXPECTED_NO_WATER)
    return label(FigureText.EXPECTED_WITHIN, span=_span(result, expected.depth_m.low, expected.depth_m.high))


def _span(result: VisitResult, low: float, high: float) -> str:
    return result.units.span("length", low, high, _digits(result.units.length))


def _digits(unit: str) -> int | None:
    """Decimals of a length where its unit's own are too few for a tank: None for those that serve."""
    return {"m": 3}.get(unit)


def _draw_legend(figure: Figure, entries: list[tuple[Any, str]], sheet: Sheet, below: float) -> None:
    """Draw the legend `below` inches above the lower edge."""
    width, height = figure.get_size_inches()
    figure.legend(
        [handle for handle, _ in entries],
        [printable(words) for _, words in entries],
        loc="lower left",
        bbox_to_anchor=((MARGIN + 0.05) / width, below / height),
        ncols=sheet.legend_columns,
        fontsize=7.5,
        frameon=False,
        handlelength=2.0,
        columnspacing=2.5,
        labelspacing=0.35,
        borderpad=0.0,
        borderaxespad=0.0,
    )

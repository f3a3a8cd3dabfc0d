"""The picture of several rounds: one tank in its states, side by side at the same heights.

For each round that holds the same air a diamond with a bracket shows where the wetted wall ends by its taps (90 %), a
hatched strip where it should end. The solid line is the move that was found, the dashed one the expected move. Where
one mark was tapped at many pressures, a panel shows how alike its sound stays, and the pressure at which it changes.

Conventions: data coordinates are the user's units; page sizes are inches.
"""

from dataclasses import dataclass
from itertools import takewhile

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from taptest.finding.onset_likelihood import SURE
from taptest.finding.records import Expected
from taptest.line.onset import OnsetEvidence
from taptest.line.records import LineReading
from taptest.report.figure_text import FigureText, Labels
from taptest.report.figures import EXPECTED, STEEL, UNKNOWN, WATER_MARK, Picture, picture_of, style_for
from taptest.report.wording import Wording
from taptest.visit.result import AS_FOUND, VisitResult

WIDTH, HEIGHT = 5.0, 3.4
STRIP = 0.16
"""Width of the expected strip; rounds stand 1 apart."""


@dataclass(frozen=True, slots=True)
class _State:
    """One round as it is drawn."""

    name: str
    pressure_pa: float | None
    line: LineReading | None
    expected: Expected | None


def rounds_picture(result: VisitResult, wording: Wording = "us") -> Picture | None:
    """Draw the rounds of a visit as PNG (300 dots to the inch), as SVG and as PDF; None where it has one alone."""
    states, onsets = _states(result), _onsets(result)
    if len(states) < 2 and not onsets:
        return None
    with rc_context(style_for(result.name, *(state.name for state in states))):
        return picture_of(_figure(result, states, onsets, Labels(result.units, wording)), f"rounds: {result.name}")


def _states(result: VisitResult) -> list[_State]:
    """Return the rounds with a line and the same air, the first one as it was found."""
    found = result.judgement
    same = takewhile(lambda each: each.same_air, result.rounds)
    first = _State(AS_FOUND, result.case.readings.pressure_pa, found.line, found.expected)
    return [first] + [
        _State(each.name, each.case.readings.pressure_pa, each.found.line, each.found.expected)
        for each in same
        if each.found.line is not None
    ]


def _onsets(result: VisitResult) -> list[OnsetEvidence]:
    return [each.found.onset for each in result.rounds if each.same_air and each.found.onset is not None]


def _figure(result: VisitResult, states: list[_State], onsets: list[OnsetEvidence], label: Labels) -> Figure:
    rows = (len(states) > 1) + len(onsets)
    figure = Figure(figsize=(WIDTH, HEIGHT * rows), layout="constrained")
    panels = list(figure.subplots(rows, 1, squeeze=False)[:, 0])
    if len(states) > 1:
        _draw_states(panels.pop(0), result, states, label)
    for axes, onset in zip(panels, onsets, strict=True):
        _draw_onset(axes, result, onset, label)
    return figure


def _draw_states(axes: Axes, result: VisitResult, states: list[_State], label: Labels) -> None:
    """Draw each round at its place, and the moves between them."""
    units = result.units
    scale = units.convert("length", 1.0)
    heard: list[tuple[float, float]] = []
    wanted: list[tuple[float, float]] = []
    for place, state in enumerate(states):
        if state.expected is not None and state.expected.depth_m is not None:
            band = state.expected.depth_m
            wanted.append((place - 0.2, scale * band.median))
            axes.add_patch(
                Rectangle(
                    (place - 0.2 - STRIP / 2, scale * band.low),
                    STRIP,
                    scale * (band.high - band.low),
                    facecolor="white",
                    edgecolor=EXPECTED,
                    hatch="/////",
                    linewidth=0.9,
                )
            )
        line = state.line
        if line is not None and line.state == "found" and line.depth_m is not None and line.interval90_m is not None:
            heard.append((float(place), scale * line.depth_m))
            low, high = (scale * end for end in line.interval90_m)
            middle = scale * line.depth_m
            axes.errorbar(
                place, middle, [[middle - low], [high - middle]], fmt="D", color="black", capsize=4, markersize=5
            )
        elif line is not None:
            axes.text(
                place, 0.5 * scale * result.case.tank.shape.height_m, _whole(line, label), ha="center", fontsize=7
            )
    axes.plot(
        *zip(*heard, strict=True) if heard else ([], []),
        color="black",
        linewidth=1.4,
        label=label(FigureText.FOUND_BY_TAPS),
    )
    axes.plot(
        *zip(*wanted, strict=True) if wanted else ([], []),
        "--",
        color=EXPECTED,
        linewidth=1.2,
        label=label(FigureText.EXPECTED_LINE),
    )
    axes.set_ylim(scale * result.case.tank.shape.height_m, 0.0)
    axes.set_xlim(-0.6, len(states) - 0.4)
    axes.set_xticks(range(len(states)), [_name_and_pressure(state, result) for state in states])
    axes.set_ylabel(label(FigureText.BELOW_TOP_OF_SHELL, unit=units.length))
    axes.grid(visible=True, axis="y", color=UNKNOWN, linewidth=0.5)
    axes.set_title(label(FigureText.ROUNDS_TITLE), loc="left", fontsize=9)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=2, frameon=False)


def _name_and_pressure(state: _State, result: VisitResult) -> str:
    read = "" if state.pressure_pa is None else f"\n{result.units.show('pressure', state.pressure_pa)}"
    return f"{state.name}{read}"


def _whole(line: LineReading, label: Labels) -> str:
    whole = {"all air": FigureText.RINGS, "all water": FigureText.DULL}
    return label(whole.get(line.state, FigureText.NOT_TOLD))


def _draw_onset(axes: Axes, result: VisitResult, onset: OnsetEvidence, label: Labels) -> None:
    """Draw how alike one mark's sound stays to that at its lowest pressure, and where it begins to change."""
    convert = result.units.convert
    pressure = [convert("pressure", reading) for reading, _ in onset.likeness]
    axes.plot(pressure, [alike for _, alike in onset.likeness], "o-", color=WATER_MARK, markersize=4, linewidth=1.2)
    if onset.p_within >= SURE:
        low, middle, high = (convert("pressure", end) for end in onset.interval90_pa)
        axes.axvspan(low, high, facecolor=EXPECTED, alpha=0.2, linewidth=0)
        axes.axvline(middle, color=EXPECTED, linewidth=1.2)
    axes.axhline(0.0, color=STEEL, linewidth=0.6)
    axes.set_ylim(-1.05, 1.05)
    axes.set_xlabel(label(FigureText.PRESSURE, unit=result.units.pressure))
    axes.set_ylabel(label(FigureText.LIKENESS))
    axes.grid(visible=True, color=UNKNOWN, linewidth=0.5)
    axes.set_title(label(FigureText.LIKENESS_TITLE), loc="left", fontsize=9)

"""The boundary picture: nothing overlaps, nothing is lost, the drawing is to scale and reads without colour."""

import io
import re
from dataclasses import replace
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import image
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from taptest.line.records import BoundaryState
from taptest.quantities import US
from taptest.report import figures
from taptest.tank.kinds import Tank
from taptest.visit.result import VisitResult
from taptest.words.tell import tell
from tests.made_up import HANGING, LYING, STANDING, TALL, made_up

DRAWN: dict[str, Figure] = {}
LONG = "The tank holds more water than pressure and pre-charge let one expect, which points to a lost charge. " * 8
CASES: dict[str, VisitResult] = {
    "hanging": made_up(HANGING),
    "standing": made_up(STANDING, boundary_m=0.5, units=US),
    "lying": made_up(LYING, boundary_m=0.13),
    "tall": made_up(TALL, boundary_m=0.9, points=45),
    "all air": made_up(state="all air", code="as expected"),
    "all water": made_up(state="all water", code="waterlogged", name="Котельная 膨張タンク $x$ " * 9),
    "cannot tell": made_up(
        state="not found", code="cannot tell", sentence=LONG, profile=None, visited_on=None, name=""
    ),
    "one point": made_up(points=1),
}


def drawn(result: VisitResult) -> Figure:
    """The picture, drawn; each is drawn once for all tests."""
    return _drawn(next((name for name, case in CASES.items() if case is result), ""), result)


def _drawn(name: str, result: VisitResult) -> Figure:
    if name in DRAWN:
        return DRAWN[name]
    with mpl.rc_context(figures.STYLE):  # type: ignore[arg-type]
        figure = figures._figure(result)
        FigureCanvasAgg(figure).draw()  # type: ignore[no-untyped-call]
    if name:
        DRAWN[name] = figure
    return figure


@pytest.mark.parametrize("name", CASES)
def test_no_text_lies_over_another_or_off_the_page(name: str) -> None:
    figure = drawn(CASES[name])
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    texts = [text for text in figure.findobj(Text) if isinstance(text, Text) and text.get_visible() and text.get_text()]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in texts]
    page = figure.bbox
    # Ticks outside the limits of an axis have texts, but are not drawn.
    boxes = [(words, box) for words, box in boxes if box.width > 0 and box.y1 > 0 and box.y0 < page.height]
    assert len(boxes) > 10
    for words, box in boxes:
        assert box.x0 >= 0, words
        assert box.x1 <= page.width, words
    for (words, box), (other_words, other) in combinations(boxes, 2):
        apart = box.x1 <= other.x0 or other.x1 <= box.x0 or box.y1 <= other.y0 or other.y1 <= box.y0
        assert apart, f"{words!r} lies over {other_words!r}"


@pytest.mark.parametrize("name", CASES)
def test_the_tank_is_drawn_to_scale(name: str) -> None:
    tank = drawn(CASES[name]).axes[0]
    box = tank.get_window_extent()
    across = box.width / np.ptp(tank.get_xlim())
    down = box.height / np.ptp(tank.get_ylim())
    assert across == pytest.approx(down, rel=1e-6)


def test_the_heads_are_those_of_the_shape() -> None:
    result = made_up(STANDING)
    scale = figures._scale(result)
    half = figures._outline(result, scale, inside=False)
    assert half[:, 0].max() == pytest.approx(240, rel=1e-3)
    assert half[:, 1].max() - half[:, 1].min() == pytest.approx(STANDING.shape.height_m * 1000, rel=1e-6)
    # A torispherical head of crown radius D_i is sqrt(R^2 - (R - x)^2) wide at a small depth x below its outer pole.
    radius = (STANDING.shape.diameter_m - 2 * STANDING.shape.wall_m + STANDING.shape.wall_m) * 1000
    assert np.interp(5.0, half[:, 1], half[:, 0]) == pytest.approx(np.sqrt(radius**2 - (radius - 5.0) ** 2), rel=0.02)


@pytest.mark.long
def test_png_is_300_dots_to_the_inch_and_svg_is_alike_each_time() -> None:
    first, second = (figures.boundary_picture(CASES["hanging"]) for _ in range(2))
    pixels = image.imread(io.BytesIO(first.png))
    assert pixels.shape[1] == 7.5 * 300
    assert first.svg == second.svg
    assert first.png == second.png
    assert b"<svg" in first.svg
    assert len(first.svg) < 1_500_000


def test_backing_reads_without_colour() -> None:
    styles = [(style["marker"], style.get("markerfacecolor") == "white") for style in figures._MARKS.values()]
    assert len(set(styles)) == len(styles)
    water, air = figures._MARKS["water"], figures._MARKS["air"]
    luminance = [_luminance(style["markerfacecolor"]) for style in (water, air)]
    assert abs(luminance[0] - luminance[1]) > 0.5


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    from matplotlib.colors import to_rgb

    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def words_of(result: VisitResult) -> str:
    return " ".join(text.get_text() for text in drawn(result).findobj(Text) if isinstance(text, Text))


def test_sentence_date_name_units_and_simulation_are_on_it() -> None:
    words = words_of(CASES["standing"])
    assert tell(CASES["standing"].judgement.says, CASES["standing"].units) in words
    for expected in ("SIMULATED DATA", "2025-03-14", "Boiler room, left of the door", "(in)", "17.4 psi"):
        assert expected in words
    assert "SIMULATED" not in words_of(replace(CASES["standing"], simulated=False))


@pytest.mark.parametrize(
    ("state", "tank", "expected", "absent"),
    [
        ("found", HANGING, "boundary at 110 mm (90 %: 98 to 126 mm)", "no boundary"),
        ("all air", HANGING, "no boundary: air all over", "boundary at"),
        ("all water", HANGING, "no boundary: water all over", "rubber"),
        ("not found", HANGING, "no boundary could be told", "rubber"),
        ("found", LYING, "section across the lying tank", "rubber"),
    ],
)
def test_the_legend_tells_what_is_drawn(state: BoundaryState, tank: Tank, expected: str, absent: str) -> None:
    words = words_of(made_up(tank, state))
    assert expected in words
    assert absent not in words


def test_a_text_is_broken_and_cut_to_its_width() -> None:
    lines = figures._wrap("word " * 100, 10.5, "bold", 3.0, 3)
    assert len(lines) == 3
    assert lines[-1].endswith(" …")
    (line, *_) = figures._wrap("x" * 300, 10.5, "bold", 3.0, 9)
    assert re.fullmatch("x+", line)
    assert figures._wrap("", 9, "normal", 3.0, 1) == [""]

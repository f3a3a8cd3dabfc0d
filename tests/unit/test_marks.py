"""Where the marks go when nobody says otherwise."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from taptest.capture.marks import reference_mark, usual_marks
from taptest.errors import LineError
from taptest.quantities import US
from taptest.tank.kinds import Tank, WaterEnd
from taptest.tank.shape import Shape


def a_tank(straight_m: float = 0.25, seam_m: float | None = 0.19, water_end: WaterEnd = "top") -> Tank:
    shape = Shape("vertical", 0.28, straight_m, "ellipsoidal", 0.0015)
    return Tank("diaphragm", water_end, shape, 0.018, seam_depth_m=seam_m)


def test_marks_are_25_mm_apart_and_clear_of_ends_and_seam() -> None:
    tank = a_tank()
    marks = np.array(usual_marks(tank))
    # 20 to 30 mm between points, 30 mm from seams: common practice, no source.
    assert marks.min() >= 0.03
    assert marks.max() <= tank.shape.height_m - 0.03
    assert np.abs(marks - 0.19).min() >= 0.025
    assert np.median(np.diff(marks)) == pytest.approx(0.025)


@given(st.floats(0.0, 6.0))
def test_any_tank_gets_a_line_that_can_be_tapped(straight_m: float) -> None:
    marks = usual_marks(a_tank(straight_m, None))
    assert 6 <= len(marks) <= 42
    assert np.diff(marks).min() >= 0.005


def test_what_is_asked_for_is_done() -> None:
    assert usual_marks(a_tank(seam_m=None), 0.05, 0.2, 0.05) == (0.05, 0.1, 0.15, 0.2)


def test_the_reference_lies_on_the_air_end() -> None:
    marks = (0.05, 0.1, 0.3)
    assert reference_mark(a_tank(water_end="top"), marks) == 0.3
    assert reference_mark(a_tank(water_end="bottom"), marks) == 0.05


@pytest.mark.parametrize(("first", "last", "every"), [(0.2, 0.1, None), (0.0, 3.0, None), (0.05, 0.2, 0.001)])
def test_a_line_that_cannot_be_is_refused(first: float, last: float, every: float | None) -> None:
    with pytest.raises(LineError):
        usual_marks(a_tank(), first, last, every)


def test_an_inch_tape_gets_marks_on_eighths_of_an_inch() -> None:
    marks = np.array(usual_marks(a_tank(), units=US)) / 0.0254
    # One inch is as near to the usual 20 to 30 mm as whole inches come; marks are kept to a tenth of a millimetre.
    assert marks[0] == pytest.approx(1.25, abs=0.002)
    assert np.abs(8 * marks - np.rint(8 * marks)).max() < 0.02
    assert np.median(np.diff(marks)) == pytest.approx(1.0, abs=0.005)


def test_a_distance_in_inches_is_kept() -> None:
    marks = usual_marks(a_tank(seam_m=None), 0.0254, 0.2, 0.0254)
    assert marks == pytest.approx([0.0254 * number for number in range(1, 8)], abs=1e-4)

"""How water lowers the note of struck glass: a check of direction and size only.

Glasses measured by others and bottles measured with weighed water (source: the collection's README). Neither is a tank,
and none of their dimensions are known: a plain cylinder of glass with a usual radius stands for them, with walls of
0.7 mm (fine stemware) and of 4 mm (a thick bottle), which is own judgement. What is checked: the note falls with water,
slowly while it stands low and fast near the top, and the whole fall lies between those of the two walls.
"""

import csv

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.shell.records import Material
from tests.real_data import real_data
from tests.shell_pieces import cylinder, frequencies, wet_lowest

GLASS = Material(70e9, 0.22, 2500.0)
"""Soda-lime glass: values from memory."""
RADIUS_M, HEIGHT_M = 0.038, 0.10

# Strongest mode of a milk bottle by its water: ml -> Hz, measured with weighed water.
BOTTLE = {3: 2730, 37: 2731, 65: 2760, 103: 2715, 163: 2640, 277: 2337, 364: 2020, 449: 1818, 477: 1793, 533: 1712,
          599: 1648, 718: 1560}  # fmt: skip


def modelled(wall_m: float) -> NDArray[np.float64]:
    """(11,) note of the cylinder at fill shares 0 to 1 over that without water; foot clamped, rim free."""
    shell = cylinder(RADIUS_M, HEIGHT_M, wall_m, GLASS)
    dry = frequencies(shell, 2, "clamped", "free")[0]
    wet = wet_lowest(shell, 2, ("clamped", "free"), np.arange(1, 11) / 10)
    return np.concatenate([[1.0], wet / dry])


def glasses() -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Glass -> shares of its fullest filling, and notes over that of the empty glass."""
    table = real_data("wineglass_table", "water_ml_to_hz.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    found = {}
    for glass in sorted({row["glass"] for row in rows}):
        own = [row for row in rows if row["glass"] == glass]
        water, note = (np.array([float(row[key]) for row in own]) for key in ("water_ml", "f0_hz"))
        found[glass] = water / water[-1], note / note[0]
    return found


def test_the_fall_of_the_note_is_between_that_of_a_thin_and_of_a_thick_wall() -> None:
    thin, thick = modelled(0.7e-3), modelled(4e-3)
    assert np.all(np.diff(thin) < 0)
    assert np.all(np.diff(thick) < 0)
    ends = {glass: float(note[-1]) for glass, (_, note) in glasses().items()}
    ends["bottle"] = BOTTLE[718] / BOTTLE[3]
    for name, end in ends.items():
        assert thin[-1] < end < thick[-1], name


@pytest.mark.parametrize("wall_m", [0.7e-3, 4e-3])
def test_the_first_half_of_the_water_lowers_the_note_less_than_the_second(wall_m: float) -> None:
    model = modelled(wall_m)
    assert 1 - model[5] < 0.5 * (1 - model[-1])
    for share, note in glasses().values():
        assert np.all(np.diff(note) < 0)
        half = float(np.interp(0.5, share, note))
        assert 1 - half < 0.5 * (1 - note[-1])
    water, note = np.array(list(BOTTLE)) / 718, np.array(list(BOTTLE.values())) / BOTTLE[3]
    assert np.all(np.diff(note[3:]) < 0)
    assert 1 - float(np.interp(0.3, water, note)) < 0.3 * (1 - note[-1])

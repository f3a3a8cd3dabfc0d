"""The worked examples of docs/water.md are run and their numbers compared; its tables are read and worked out again."""

import doctest
import re
from pathlib import Path

import pytest

from taptest.quantities import parse
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa
from taptest.water.pressure import water_share

TEXT = (Path(__file__).parents[2] / "docs" / "water.md").read_text(encoding="utf-8")


def table(first_heading: str) -> list[list[str]]:
    """Body rows of the table whose header starts with a heading."""
    match = re.search(rf"^\| {re.escape(first_heading)} \|.*\n\|[-:|]+\|\n((?:\|.*\n)+)", TEXT, re.MULTILINE)
    assert match, first_heading
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in match[1].splitlines()]


def test_worked_examples_give_the_printed_numbers() -> None:
    blocks = re.findall(r"^```python\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
    test = doctest.DocTestParser().get_doctest("\n".join(blocks), {}, "water.md", "docs/water.md", 0)
    report: list[str] = []
    result = doctest.DocTestRunner().run(test, out=report.append)
    assert result.failed == 0, "".join(report)
    assert sum(bool(example.want) for example in test.examples) >= 20


def test_a_wrong_number_would_be_found() -> None:
    wrong = doctest.DocTestParser().get_doctest(">>> print(998.2)\n998.3\n", {}, "wrong", None, 0)
    assert doctest.DocTestRunner().run(wrong, out=lambda _: None).failed == 1


@pytest.mark.parametrize("row", table("pre-charge"), ids=" ".join)
def test_water_shares_in_both_unit_systems(row: list[str]) -> None:
    pressures = [parse("pressure", cell).si + 101325 for cell in row[:4]]
    us, metric = (float(water_share(*pressures[i : i + 2])) for i in (0, 2))
    assert us == pytest.approx(float(row[4]), abs=6e-4)
    assert metric == pytest.approx(float(row[4]), abs=0.004)  # bar with two decimals


@pytest.mark.parametrize("row", table("system"), ids=" ".join)
def test_forecasts_in_both_unit_systems(row: list[str]) -> None:
    system, tank = (parse("volume", cell).si for cell in row[:2])
    charge, cold, printed = (parse("pressure", cell).si for cell in row[2:])
    state = SystemState(system, cold, (60 - 32) / 1.8, metal=None)
    hot = float(hot_pressure_pa(state, [Cushion(tank, charge)], (180 - 32) / 1.8))
    assert hot == pytest.approx(printed, abs=150.0 if "psi" in row[4] else 600.0)  # 0.02 psi; bar with two decimals

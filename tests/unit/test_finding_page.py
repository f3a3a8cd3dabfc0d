"""docs/finding.md tells the truth: its example runs and prints what it says, its figures are those of the code."""

import contextlib
import io
import re
from pathlib import Path

from taptest.finding import compare, judge, rise, weigh
from taptest.finding.line_likelihood import MODEL_FLOOR
from taptest.line.boundary import NO_CONTACT

PAGE = (Path(__file__).parents[2] / "docs" / "finding.md").read_text(encoding="utf-8")


def test_worked_example_prints_what_the_page_says() -> None:
    code = re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)
    text = re.search(r"```text\n(.*?)```", PAGE, re.DOTALL)
    assert code is not None
    assert text is not None
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(code[1], "docs/finding.md", "exec"), {})  # the page's own example
    assert printed.getvalue().split() == text[1].split()


def test_figures_of_the_page_are_those_of_the_code() -> None:
    for finding, before in weigh.BEFORE.items():
        assert re.search(rf"^\| {finding} \|.*\| {before:.2f} \|$", PAGE, re.MULTILINE), finding
    flat = " ".join(PAGE.split())
    for state, cost in judge.COST["as expected"].items():
        assert re.search(rf"^\| {state} \| {cost:g} \|$", PAGE, re.MULTILINE), state
    assert f"costs {judge.COST['low on air']['right']:g}" in flat
    assert f"probability of {judge.FINE_ENOUGH:g}" in flat
    assert f"A likelihood of {MODEL_FLOOR:g}".lower() in flat.lower()
    assert f"its shell ({NO_CONTACT:g})" in flat
    assert f"water share from {weigh.WATERLOGGED_SHARE:g}" in flat
    assert f"within {100 * weigh.TOLERANCE_SHARE:g} % of its air" in flat
    assert f"{100 * weigh.GRAVE_LOSS_SHARE:g} % of its air" in flat
    assert f"({100 * rise.OTHERWISE:g} %)" in flat
    assert f"({100 * rise.LATELY:g} %)" in flat
    assert f"tolerance is under {compare.LIKELY_ENOUGH_TO_WEEP:g}" in flat
    assert f"{judge.TOO_HIGH_PA / 1e5:g} bar above both fill pressure and need" in flat
    assert f"below {compare.NO_PRESSURE_PA / 1e5:g} bar" in flat

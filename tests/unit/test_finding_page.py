"""docs/finding.md tells the truth: its example runs and prints what it says, its figures are those of the code."""

import contextlib
import io
import re
from pathlib import Path

from taptest.finding import compare, judge

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
    for finding, before in compare.BEFORE.items():
        assert re.search(rf"^\| {finding} \|.*\| {before:.2f} \|$", PAGE, re.MULTILINE), finding
    assert f"from a probability of {judge.SURE_ENOUGH:g} on" in PAGE
    assert f"needs {judge.FINE_ENOUGH:g} and besides {judge.FINE_AGAINST_FAULTS:g}" in PAGE
    assert f"A likelihood of {compare.MODEL_FLOOR:g}".lower() in PAGE.lower()
    assert f"its shell ({compare.NO_CONTACT:g})" in PAGE
    assert f"water share from {compare.WATERLOGGED_SHARE:g}" in PAGE
    assert f"tolerance is under {compare.LIKELY_ENOUGH_TO_WEEP:g}" in " ".join(PAGE.split())
    assert f"{judge.TOO_HIGH_PA / 1e5:g} bar above both fill pressure and need" in PAGE
    assert f"below {compare.NO_PRESSURE_PA / 1e5:g} bar" in PAGE
    assert f"{compare.CHARGE_TOLERANCE_PA / 1e5:g} bar under the reference" in PAGE

"""docs/sources.md names files that exist, all of tests/truth that brings values from outside, and known marks."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "sources.md").read_text(encoding="utf-8")
MARKS = {"published text", "computed with library", "value from memory", "common practice, no source"}
WITHOUT_VALUES = {
    "__init__.py",
    "test_browser_microphone.py",  # a whole round with the browser listening
    "test_desk_round.py",  # a whole round on the pages over a sound path
    "test_frozen_lines.py",  # frozen scores of the project's own lines
    "test_live_round.py",  # a whole round over a sound path
    "test_water_doc.py",  # runs the examples of docs/water.md
}


def rows() -> list[list[str]]:
    """The rows of all tables: check value, held by, source, mark."""
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in PAGE.splitlines() if line[:1] == "|"]
    return [row for row in cells if len(row) == 4 and row[0] != "check value" and not row[0].startswith("---")]


def test_every_named_file_exists_and_every_row_has_a_known_mark() -> None:
    assert len(rows()) > 40
    for value, held_by, source, mark in rows():
        files = re.findall(r"`(tests/[^`]+)`", held_by)
        assert files, value
        for name in files:
            assert (ROOT / name).is_file(), name
        assert mark in MARKS, value
        assert source or mark in ("common practice, no source", "value from memory"), value


def test_the_marks_are_explained() -> None:
    assert set(re.findall(r"^\| ([^|]+) \| [^|]+ \|$", PAGE, re.MULTILINE)) >= MARKS


def test_no_file_with_outside_values_is_left_out() -> None:
    truth = {path.name for path in (ROOT / "tests" / "truth").glob("*.py")} - WITHOUT_VALUES
    named = set(re.findall(r"`tests/truth/([^`]+)`", PAGE))
    assert truth == named

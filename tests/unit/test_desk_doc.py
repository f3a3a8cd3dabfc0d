"""docs/desk.md: its pictures are there, small, and all of them are shown; its options are those of the command."""

import re
from pathlib import Path

import pytest

from taptest.desk import guard

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "desk.md").read_text(encoding="utf-8")
NAMED = re.findall(r"!\[([^\]]+)\]\((pictures/desk-[\w-]+\.png)\)", PAGE)
LARGEST_BYTES = 200_000


def test_every_picture_of_the_desk_is_shown_and_every_shown_one_is_there() -> None:
    there = {f"pictures/{path.name}" for path in (DOCS / "pictures").glob("desk-*.png")}
    assert {name for _, name in NAMED} == there
    assert len(NAMED) == len(there)


@pytest.mark.parametrize(("words", "name"), NAMED)
def test_a_picture_is_small_and_says_what_it_shows(words: str, name: str) -> None:
    content = (DOCS / name).read_bytes()
    assert content.startswith(b"\x89PNG")
    assert len(content) < LARGEST_BYTES
    assert len(words.split()) >= 4


def test_the_limits_are_those_that_hold() -> None:
    assert f"{guard.MOST_UPLOAD_BYTES // 1_000_000} MB" in PAGE
    assert f"forms {guard.MOST_FORM_BYTES // 1_000_000} MB" in PAGE
    assert f"a block of sound {guard.MOST_BLOCK_BYTES / 1_000_000:g} MB" in PAGE

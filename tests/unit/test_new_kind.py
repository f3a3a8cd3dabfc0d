"""A dry run of a new kind of tank: it takes the files that DEVELOPERS.md names, and no room asks for a kind by name."""

import ast
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import get_args

import pytest

from taptest.report.page_text import KIND
from taptest.tank.kinds import TANK_KINDS, TankKind

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "taptest"
NAMED = re.search(
    r"- \*\*a kind of tank\*\*:(.*?)To draw", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.DOTALL
)
LISTED = set(re.findall(r"`((?:tank|report|docs)/[\w.-]+)`", NAMED[1] if NAMED else ""))
BENCH = ("simulate/",)
"""Draws visits from chosen kinds."""


def kinds_asked_for(path: Path) -> list[int]:
    """Lines on which a tank's kind is compared with a name."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Compare):
            continue
        sides = [node.left, *node.comparators]
        names = {c.value for side in sides for c in ast.walk(side) if isinstance(c, ast.Constant)}
        if names & set(get_args(TankKind)) and any(isinstance(s, ast.Attribute) and s.attr == "kind" for s in sides):
            found.append(node.lineno)
    return found


def test_five_files_are_listed_and_there() -> None:
    assert len(LISTED) == 5
    for name in LISTED:
        assert (ROOT / name).is_file() or (PACKAGE / name).is_file(), name


def test_no_other_room_asks_for_a_kind_by_name() -> None:
    asking = {
        f"{path.relative_to(PACKAGE).as_posix()}:{line}"
        for path in PACKAGE.rglob("*.py")
        for line in kinds_asked_for(path)
    }
    assert {place for place in asking if not place.startswith((*LISTED, *BENCH))} == set()


def test_every_kind_has_its_facts_words_and_page() -> None:
    assert set(TANK_KINDS) == set(KIND) == set(get_args(TankKind))
    page = (ROOT / "docs" / "tank-kinds.md").read_text(encoding="utf-8").lower()
    assert [kind for kind in get_args(TankKind) if kind not in page] == []


@pytest.mark.slow
def test_the_type_checker_names_what_misses_an_invented_kind(tmp_path: Path) -> None:
    shutil.copytree(PACKAGE, tmp_path / "taptest", ignore=shutil.ignore_patterns("__pycache__"))
    kinds = tmp_path / "taptest" / "tank" / "kinds.py"
    source = kinds.read_text(encoding="utf-8")
    kinds.write_text(
        source.replace('"plain", "open"]', '"plain", "open", "accordion"]', 1).replace(
            '    "plain": KindFacts(None),', '    "plain": KindFacts(None),\n    "accordion": KindFacts("bag"),', 1
        ),
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--ignore-missing-imports", "--cache-dir", "cache", "taptest/tank"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    missing = set(re.findall(r"^taptest.(tank.\w+\.py):\d+: error: .*accordion", done.stdout, re.MULTILINE))
    assert {name.replace("\\", "/") for name in missing} == {"tank/contact.py", "tank/membrane.py"}, done.stdout

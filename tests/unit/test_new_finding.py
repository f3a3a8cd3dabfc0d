"""A dry run of a new finding: it takes the files that DEVELOPERS.md names, and each table of findings is whole."""

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import get_args

import pytest

from taptest.finding.judge import COST, State
from taptest.finding.records import NAME, FindingCode
from taptest.finding.weigh import BEFORE
from taptest.report import page_text

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "taptest"
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NAMED = re.search(r"- \*\*a finding\*\*:(.*?)- \*\*a cause", GUIDE, re.DOTALL)
LISTED = set(re.findall(r"`((?:finding|report)/[\w.-]+)`", NAMED[1] if NAMED else ""))
CODES = set(get_args(FindingCode))
ONE_BY_ONE = 5
"""A file that names more findings than this has a table or a rule for each."""


def test_five_files_are_listed_and_there() -> None:
    assert len(LISTED) == 5
    for name in LISTED:
        assert (PACKAGE / name).is_file(), name


def test_no_other_file_lists_the_findings_one_by_one() -> None:
    texts = {path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}
    naming = {name: {code for code in CODES if f'"{code}"' in text} for name, text in texts.items()}
    listing = {name for name, codes in naming.items() if len(codes) > ONE_BY_ONE and not name.startswith("simulate/")}
    assert listing <= LISTED, listing - LISTED


def test_every_table_of_findings_is_whole() -> None:
    for name in ("FINDING", "FINDING_SIGN", "CUSTOMER_FOUND", "CUSTOMER_MEANS", "CUSTOMER_NEXT"):
        assert set(getattr(page_text, name)) == CODES, name
    assert set(NAME) == CODES
    assert set(COST) == CODES - {"cannot tell"}
    assert set(BEFORE) == CODES - {"cannot tell", "too small"}  # one that is too small has the right charge
    assert {state for states in COST.values() for state in states} == set(get_args(State))
    assert sum(BEFORE.values()) == pytest.approx(1.0)


@pytest.mark.slow
def test_the_type_checker_names_what_misses_an_invented_finding(tmp_path: Path) -> None:
    shutil.copytree(PACKAGE, tmp_path / "taptest", ignore=shutil.ignore_patterns("__pycache__"))
    records = tmp_path / "taptest" / "finding" / "records.py"
    source = records.read_text(encoding="utf-8")
    records.write_text(
        source.replace('"membrane failed", "cannot tell"', '"membrane failed", "frozen", "cannot tell"', 1)
    )
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "mypy",
            "--strict",
            "--ignore-missing-imports",
            "--cache-dir",
            "cache",
            "taptest/finding",
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    missing = re.findall(r"^taptest.(finding.\w+\.py):\d+: error: .*frozen", done.stdout, re.MULTILINE)
    assert {name.replace("\\", "/") for name in missing} == {"finding/wording.py"}, done.stdout

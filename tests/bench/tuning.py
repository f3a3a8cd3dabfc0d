"""Move settings by a tenth, one at a time, and name the test that notices.

    python -m tests.bench.tuning SURE_OF_WHOLE NEVER_SURE    settings by name; all of them, which takes hours, else

Each is moved in a copy of the tree, up and then down, in which the tests of its own module, of versions and of the
frozen lines run until the first one fails. A setting that nobody notices ends the run with exit code 1.
"""

import argparse
import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.tuning_table import ROOT, Setting, numbers_in, settings

ALWAYS = ("tests/unit/test_versions.py", "tests/unit/test_naming.py", "tests/truth/test_frozen_lines.py")
QUICK = "test_no_figure_of_a_made_visit_or_a_kept_line_moves_under_an_old_version"
OF_ROOM = {
    "line": ("tests/unit/test_boundary.py", "tests/unit/test_evidence.py", "tests/unit/test_points.py"),
    "finding": ("tests/unit/test_judge.py", "tests/unit/test_causes.py", "tests/unit/test_rounds.py"),
}


def moved(source: str, setting: Setting, factor: float) -> str:
    """The source with every number of a setting multiplied; whole numbers move by one at least."""
    node = next(n for n in ast.walk(ast.parse(source)) if isinstance(n, ast.stmt) and n.lineno == setting.line)
    lines = source.splitlines(keepends=True)
    for number in sorted(numbers_in(node), key=lambda each: (each.lineno, each.col_offset), reverse=True):
        value = number.value
        assert isinstance(value, int | float)
        if isinstance(value, int):
            text = str(value + (1 if factor > 1 else -1) * max(1, round(0.1 * abs(value))))
        else:
            text = repr(value * factor)
        line = lines[number.lineno - 1]
        lines[number.lineno - 1] = line[: number.col_offset] + text + line[number.end_col_offset :]
    return "".join(lines)


def tests_for(setting: Setting) -> list[str]:
    """Test files that may notice, the quickest first."""
    room, _, module = setting.module.partition(".")
    own = f"tests/unit/test_{module}.py"
    wanted = dict.fromkeys(
        [f"{ALWAYS[0]}::{QUICK}", ALWAYS[1], *([own] if (ROOT / own).is_file() else []), *ALWAYS, *OF_ROOM[room]]
    )
    return list(wanted)


def noticed_by(setting: Setting, factor: float, tree: Path) -> str:
    """Name the first test that fails; "" where all pass."""
    path = tree / "taptest" / Path(*setting.module.split(".")).with_suffix(".py")
    source = path.read_text(encoding="utf-8")
    path.write_text(moved(source, setting, factor), encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-n", "0", "-x", "-q", "-p", "no:cacheprovider", *tests_for(setting)],
            cwd=tree,
            env={**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        path.write_text(source, encoding="utf-8")
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    return failed[1] if failed else ("" if done.returncode == 0 else done.stdout[-200:])


def main() -> int:
    """Move the settings that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*")
    asked = parser.parse_args().names
    unnoticed = []
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "*.egg-info", "__pycache__"))
        for setting in settings():
            if asked and not set(asked) & set(re.split(r", |\.", setting.name)):
                continue
            for factor in (1.1, 0.9):
                test = noticed_by(setting, factor, tree)
                print(f"{setting.module} {setting.name} x {factor}: {test or 'NOBODY NOTICES'}", flush=True)
                if not test:
                    unnoticed.append(setting)
    return 1 if unnoticed else 0


if __name__ == "__main__":
    sys.exit(main())

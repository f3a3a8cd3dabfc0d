"""Prose stands in the catalogues: no room may gain a sentence of its own, and none is cut or changed by its letters."""

import ast
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import taptest
from taptest.finding.cause_table import BY_NAME, EVIDENCE, PRIORS
from taptest.finding.judge import State
from taptest.finding.records import FindingCode, FlagName, ReferenceSource

PACKAGE = Path(taptest.__file__).parent
WORDS = 4
"""A literal of so many words is prose."""
WORD = re.compile(r"[\"'(]?[A-Za-z][A-Za-z'-]+[\"'.,;:?)]*")
CODES = {
    *(name for kind in (FindingCode, State, FlagName, ReferenceSource) for name in get_args(kind)),
    *PRIORS, *BY_NAME, *(answer for evidence in EVIDENCE for answer in evidence.says),
}  # fmt: skip
"""Names in the JSON, which are not shown to anybody as they are."""
HELP = ("help", "description", "epilog")
"""Arguments of what the command line says of itself."""
MOST = {
    "capture": 18, "commands": 65, "desk": 125, "finding": 0, "line": 0, "report": 14, "shell": 0,
    "simulate": 30, "sound": 1, "tank": 2, "visit": 26, "water": 32,
}  # fmt: skip
"""Literals of prose that each room still holds besides raised errors and keys; the numbers only fall."""


def _left_out(tree: ast.Module) -> Iterator[ast.AST]:
    """Docstrings, what is raised, a command's help, the names of keys, and the pieces of what is put together."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value
        elif isinstance(node, ast.Raise) or (isinstance(node, ast.ClassDef) and _names_keys(node)):
            yield from ast.walk(node)
        elif isinstance(node, ast.keyword) and node.arg in HELP:
            yield from ast.walk(node.value)
        elif isinstance(node, ast.JoinedStr):
            yield from node.values


def _names_keys(node: ast.ClassDef) -> bool:
    return any(isinstance(base, ast.Name) and base.id == "Key" for base in node.bases)


def prose_in(path: Path) -> list[str]:
    """Literals of four or more words of a module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    out = {id(node) for node in _left_out(tree)}
    found = []
    for node in ast.walk(tree):
        if id(node) in out:
            continue
        if isinstance(node, ast.JoinedStr):
            text = " ".join(str(part.value) if isinstance(part, ast.Constant) else "" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if sum(bool(WORD.fullmatch(part)) for part in text.split()) >= WORDS and text not in CODES:
            found.append(text)
    return found


def test_no_room_gains_a_sentence_of_its_own() -> None:
    counts: Counter[str] = Counter()
    for path in PACKAGE.rglob("*.py"):
        room = path.relative_to(PACKAGE).parts[0]
        if room in MOST:
            counts[room] += len(prose_in(path))
    assert {room: count for room, count in counts.items() if count > MOST[room]} == {}


def test_a_literal_of_prose_is_seen(tmp_path: Path) -> None:
    module = tmp_path / "module.py"
    module.write_text(
        '"""A docstring of many words here."""\n'
        "class Said(Key):\n    A = 'a key of four words'\n"
        "def f(n):\n    raise ValueError('this is raised and stays here')\n"
        "x = f'one more {2} sentence of prose'\n",
        encoding="utf-8",
    )
    assert len(prose_in(module)) == 1


def test_sentences_are_changed_by_their_letters_in_one_place_only() -> None:
    """Names of files may be cleaned; what is told in US words by rooms that have no keys yet is worded in one place."""
    known = {
        "capture/excerpt.py",
        "desk/visits.py",
        "disk.py",
        "report/page.py",
        "report/wording.py",
    }
    found = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "sub":
                found.add(path.relative_to(PACKAGE).as_posix())
    assert found == known

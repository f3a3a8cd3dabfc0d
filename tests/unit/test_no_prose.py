"""The finding's room says nothing by itself: no literal of four or more words but names, docstrings and errors."""

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, get_args, get_origin

import pytest

import taptest
from taptest.finding import records
from taptest.finding.cause_table import EVIDENCE, PRIORS

FINDING = Path(taptest.__file__).parent / "finding"
PROSE_WORDS = 4
"""A literal of so many words is a phrase for people."""


def names() -> set[str]:
    """Names of more than three words: codes, causes, and what was observed with its answers."""
    codes = {code for each in vars(records).values() if get_origin(each) is Literal for code in get_args(each)}
    return codes | set(PRIORS) | {name for each in EVIDENCE for name in (each.name, *each.answers)}


def literals(tree: ast.AST) -> Iterator[str]:
    """All texts of a module, what is filled into them left out, but for docstrings, keys and what is raised."""
    for child in ast.iter_child_nodes(tree):
        if isinstance(child, ast.Raise) or (isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)):
            continue
        if isinstance(child, ast.ClassDef) and any(isinstance(of, ast.Name) and of.id == "Key" for of in child.bases):
            continue
        if isinstance(child, ast.JoinedStr):
            yield " ".join(str(part.value) for part in child.values if isinstance(part, ast.Constant))
            for part in child.values:
                yield from literals(part)
            continue
        if isinstance(child, ast.Constant) and isinstance(child.value, str):
            yield child.value
        yield from literals(child)


def prose(source: str) -> list[str]:
    """Return the phrases of a module."""
    return [text for text in literals(ast.parse(source)) if len(text.split()) >= PROSE_WORDS and text not in names()]


@pytest.mark.parametrize("path", sorted(FINDING.glob("*.py")), ids=lambda path: path.stem)
def test_the_finding_speaks_by_statements_alone(path: Path) -> None:
    assert prose(path.read_text(encoding="utf-8")) == []


def test_a_phrase_would_be_found() -> None:
    assert prose('"""A docstring of five words."""') == []
    assert prose('said = f"The tank is {state}, so tap again."') == ["The tank is  , so tap again."]
    assert prose('raise E("no such tank is known")') == []
    assert prose('code = "more air than expected"') == []
    assert prose('class Why(Key):\n    """Why it is so, a part."""\n    FAR = "why.the line is far too short"\n') == []

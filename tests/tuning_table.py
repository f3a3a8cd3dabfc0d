"""The table of settings: every numeric constant of `line/` and `finding/` with its value, unit, source and meaning.

It is read from the code itself: the text below a constant, or below the next one of its group, says what it does and
where it comes from. `docs/tuning.md` holds the table and is written again by

    python -m tests.tuning_table
"""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "tuning.md"
ROOMS = ("line", "finding")
SETTINGS = re.compile(r"(Settings|Prior)$")
"""Records whose defaults are settings, too."""
UNITS = (
    *(("_PA_PER_H", "Pa/h"), ("_DB_PER_OCTAVE", "dB/octave"), ("_PA", "Pa"), ("_M3", "m3"), ("_M", "m"), ("_DB", "dB")),
    *(("_HZ", "Hz"), ("_C", "C"), ("_S", "s"), ("_BITS", "bit"), ("_OCTAVES", "octaves"), ("_db", "dB")),
)
SOURCES = (
    (r"value from memory", "value from memory"),
    (r"\b(EN|ISO|IEC|DIN|ASME) [\d][\w.-]*", None),
    (r"\b[A-Z][a-z]+(?: and [A-Z][a-z]+)? (?:19|20)\d\d\b", None),
    (r"[Cc]ommon practice", "common practice, no source"),
    (r"[Ss]imulated|[Ss]imulations|simulator|[Tt]rial|second model|measured on", "set on simulated visits"),
    (r"[Ss]et on|[Cc]alibrated|[Mm]easured", "own measurement"),
)
HEAD = """\
# Settings of the line and of the finding

Every number below is a setting of the estimator: a threshold, a prior, a spread. The table is read from the code and
written by `python -m tests.tuning_table`; a test fails where it is not up to date. "Own judgement" says that nothing
outside the project gives the number. `python -m tests.bench.tuning` moves a setting by a tenth and names the test that
notices.

| setting | value | unit | source | what it does |
|---|---|---|---|---|
"""
MOST_SHOWN = 60
"""Characters of a value that are shown; longer ones are tables of their own."""


@dataclass(frozen=True)
class Setting:
    """One constant or default of a record."""

    module: str
    name: str
    value: str
    text: str
    """What the code says of it."""
    line: int
    context: str = ""
    """What the record says of all its defaults."""

    @property
    def unit(self) -> str:
        """By the name's ending; "" for shares, chances and counts."""
        bare = self.name.removesuffix("_SD")
        return next((unit for ending, unit in UNITS if bare.endswith(ending)), "")

    @property
    def source(self) -> str:
        """Where the number comes from, as the text says."""
        for pattern, told in SOURCES:
            found = re.search(pattern, self.text + self.context)
            if found:
                return told or found[0]
        return "own judgement"


def settings() -> list[Setting]:
    """All settings, in reading order of the files."""
    return [
        setting
        for room in ROOMS
        for path in sorted((ROOT / "taptest" / room).glob("*.py"))
        for setting in _of_file(f"{room}.{path.stem}", path.read_text(encoding="utf-8"))
    ]


def _of_file(module: str, source: str) -> Iterator[Setting]:
    tree = ast.parse(source)
    yield from _of_block(module, "", tree.body)
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and SETTINGS.search(node.name):
            for setting in _of_block(module, f"{node.name}.", node.body):
                yield replace(setting, context=ast.get_docstring(node) or "")


def _of_block(module: str, prefix: str, body: list[ast.stmt]) -> Iterator[Setting]:
    waiting: list[Setting] = []
    for node in body:
        names = _names(node)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield from (replace(setting, text=node.value.value) for setting in waiting)
            waiting = []
        elif names and (prefix or names[0].lstrip("_").isupper()) and numbers_in(node):
            shown = " ".join(ast.unparse(node.value).split())  # type: ignore[attr-defined]
            shown = shown if len(shown) <= MOST_SHOWN else f"a table of {len(numbers_in(node))} numbers"
            waiting.append(Setting(module, prefix + ", ".join(names), shown, "", node.lineno))
        else:
            yield from waiting
            waiting = []
    yield from waiting


def _names(node: ast.stmt) -> list[str]:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    flat = [each for target in targets for each in (target.elts if isinstance(target, ast.Tuple) else [target])]
    return [each.id for each in flat if isinstance(each, ast.Name)]


def numbers_in(node: ast.stmt) -> list[ast.Constant]:
    """The numbers in the value of an assignment."""
    value = getattr(node, "value", None)
    if value is None:
        return []
    return [
        each
        for each in ast.walk(value)
        if isinstance(each, ast.Constant) and isinstance(each.value, int | float) and not isinstance(each.value, bool)
    ]


def page() -> str:
    """The page with its table."""
    rows = []
    for each in settings():
        text = " ".join(each.text.split()).replace("|", "or")
        rows.append(f"| `{each.module}` {each.name} | {each.value} | {each.unit} | {each.source} | {text} |")
    return HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

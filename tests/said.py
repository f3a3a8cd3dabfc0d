"""What was said, for tests: the keys of statements and their values, so that a better word breaks no test."""

import re
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

from taptest.finding.records import Judgement
from taptest.quantities import METRIC, Units
from taptest.statements import Key, Said, Statement
from taptest.words.tell import FIRST_LANGUAGE, LOCALE, tell


def keys_of(said: Said | Iterable[Said | None] | None) -> list[Key]:
    """Keys of one or several statements and of those inside them, in order."""
    return [part.key for part in _parts(said)]


def values_of(key: Key, said: Said | Iterable[Said | None] | None) -> dict[str, Any]:
    """Values of the first statement with this key, or with it inside; fails where there is none."""
    found = next((part for part in _parts(said) if part.key is key), None)
    assert found is not None, f"{key.value!r} was not said, but {keys_of(said)}"
    return dict(found.values)


def texts(said: Iterable[Said], units: Units = METRIC) -> list[str]:
    """What was said as sentences in US English, for tests of what is shown to people."""
    return [tell(each, units) for each in said]


def all_said(found: Judgement) -> tuple[Said, ...]:
    """All that is said of a finding, causes and flags left out."""
    return (found.says, *found.reasons, *found.not_checked, *found.next_checks)


def _parts(said: Any) -> Iterator[Statement]:
    if isinstance(said, Statement):
        yield said
        yield from _parts(tuple(said.values.values()))
    elif isinstance(said, Iterable) and not isinstance(said, str):
        for each in said:
            yield from _parts(each)


def keys_shown(page: str) -> list[str]:
    """Keys of the catalogue that stand on a page instead of their texts."""
    known = {line.removeprefix('msgid "').rstrip('"\n') for line in _catalogue() if line.startswith('msgid "')}
    return [found for found in re.findall(r"(?<![\w./#-])[a-z]+\.[a-z]+(?: [a-z]+)*", page) if found in known]


@cache
def _catalogue() -> list[str]:
    path = LOCALE / FIRST_LANGUAGE / "LC_MESSAGES" / "taptest.po"
    return path.read_text(encoding="utf-8").splitlines()

"""What was said, for tests: the keys of statements and their values, so that a better word breaks no test."""

from collections.abc import Iterable
from typing import Any

from taptest.quantities import METRIC, Units
from taptest.statements import Key, Said, Statement
from taptest.words.tell import tell


def keys_of(said: Iterable[Said | None]) -> list[Key]:
    """Keys of the statements and of those inside them, in order."""
    return [part.key for part in _parts(said)]


def values_of(key: Key, said: Iterable[Said | None]) -> dict[str, Any]:
    """Values of the first statement with this key, or with it inside. Raises StopIteration where there is none."""
    return dict(next(part.values for part in _parts(said) if part.key is key))


def texts(said: Iterable[Said], units: Units = METRIC) -> list[str]:
    """What was said as sentences in US English, for tests of what is shown to people."""
    return [tell(each, units) for each in said]


def _parts(said: Iterable[Any]) -> Iterable[Statement]:
    for each in said:
        if isinstance(each, Statement):
            yield each
            yield from _parts(each.values.values())
        elif isinstance(each, tuple):
            yield from _parts(each)

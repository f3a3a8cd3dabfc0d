"""What was said, by keys and values: so that a better word breaks no test outside `taptest.words`."""

from collections.abc import Iterable, Iterator, Mapping

from taptest.finding.records import Judgement
from taptest.statements import Key, Said, Statement, Value


def statements(what: Said | Iterable[Said] | None) -> Iterator[Statement]:
    """All statements, the parts of each after it; texts are left out."""
    if isinstance(what, Statement):
        yield what
        for value in what.values.values():
            if isinstance(value, Statement):
                yield from statements(value)
            elif isinstance(value, tuple):
                yield from statements([part for part in value if isinstance(part, Statement)])
    elif what is not None and not isinstance(what, str):
        for each in what:
            yield from statements(each)


def keys(what: Said | Iterable[Said] | None) -> list[Key]:
    """Keys of all statements and of their parts."""
    return [each.key for each in statements(what)]


def values(what: Said | Iterable[Said] | None, key: Key) -> Mapping[str, Value]:
    """Values of the first statement of a key; fails where it was not said."""
    found = next((each for each in statements(what) if each.key is key), None)
    assert found is not None, f"{key.value!r} was not said, but {keys(what)}"
    return found.values


def figure(what: Said | Iterable[Said] | None, key: Key, name: str) -> float:
    """A number among the values of the first statement of a key."""
    value = values(what, key)[name]
    assert isinstance(value, int | float)
    return float(value)


def everything(found: Judgement) -> tuple[Said, ...]:
    """All that is said of a finding, causes and flags left out."""
    return (found.says, *found.reasons, *found.not_checked, *found.next_checks)

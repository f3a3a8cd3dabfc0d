"""What a room has to say, as a key and values instead of a sentence.

A room declares its keys as an enum derived from `Key`, each with the names of the values that its text may show, and
returns `Statement` records. `taptest.words` alone turns them into sentences; no decision ever looks at a text. Values
are SI and their names carry the unit: `_pa` (gauge), `_m3`, `_m`, `_c`, `_share` (0..1); two numbers together are both
ends of a span. `count` is the number that singular and plural follow. A value without such an ending is shown as it is:
a text that somebody typed, an error's sentence, a statement or several. Further endings: `_s`, `_db` and `_hz`, which
every user reads in the same unit.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Self

COUNT = "count"
"""Name of the value that decides between singular and plural."""
DIGITS = 6
"""Digits of a number in `as_json`: more than any reading has."""


class Key(StrEnum):
    """Base of the keys of all rooms: a unique name and the names of the values that belong to it."""

    needs: tuple[str, ...]

    def __new__(cls, key: str, *needs: str) -> Self:
        """Make a member: its name in the catalogues, then the names of its values."""
        member = str.__new__(cls, key)
        member._value_ = key
        member.needs = needs
        return member


@dataclass(frozen=True, slots=True)
class Statement:
    """One thing said: which, and the values in it. Raises ValueError where the values are not those of the key."""

    key: Key
    values: Mapping[str, "Value"] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if set(self.values) != set(self.key.needs):
            raise ValueError(f"{self.key.value!r} takes the values {self.key.needs}, and got {tuple(self.values)}.")

    def __hash__(self) -> int:
        return hash(self.key)

    def as_json(self) -> dict[str, Any]:
        """Key and values as plain data; values stay SI."""
        return {"key": self.key.value, "values": {name: _plain(value) for name, value in self.values.items()}}


Value = int | float | str | Statement | tuple[float, float] | tuple[Statement, ...]
Said = Statement | str
"""One thing said: a statement, or a finished sentence, such as an error's."""


def said_as_json(said: Said) -> dict[str, Any] | None:
    """Key and values of a statement; None for a sentence that has neither."""
    return said.as_json() if isinstance(said, Statement) else None


def _plain(value: object) -> Any:
    if isinstance(value, Statement):
        return value.as_json()
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    return [_plain(each) for each in value] if isinstance(value, tuple) else value

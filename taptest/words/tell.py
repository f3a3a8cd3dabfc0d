"""Tell a statement as a sentence: from key and SI values to words, in a language and in the user's units.

The catalogues are gettext's: `locale/<language>/LC_MESSAGES/taptest.po`, one a language and dialect, compiled to `.mo`
beside it. In a text `{depth_m}` stands for a value by its name; the ending of the name says what it is and so how it is
shown (see `taptest.statements`). `{why:capital}` begins with a capital and `{why:small}` with a small letter, for a
part that begins a sentence or stands in one. Plural follows the catalogue's own rule. What a catalogue lacks is told in
US English.
"""

from collections.abc import Callable
from functools import cache
from gettext import GNUTranslations, NullTranslations, translation
from pathlib import Path

from taptest.quantities import Kind, Units
from taptest.statements import COUNT, Key, Said, Statement

LOCALE = Path(__file__).with_name("locale")
DOMAIN = "taptest"
FIRST_LANGUAGE = "en_US"
"""Its catalogue has every text; what another one lacks is taken from it."""

KIND_OF_ENDING: tuple[tuple[str, Kind], ...] = (
    ("_pa", "pressure"),
    ("_m3", "volume"),
    ("_m", "length"),
    ("_c", "temperature"),
    ("_share", "percent"),
)
SAME_FOR_ALL: dict[str, Callable[[float], str]] = {
    "_s": "{:.2f} s".format,
    "_db": "{:.0f} dB".format,
    "_hz": lambda hertz: f"{hertz / 1000:.1f} kHz",
}
"""Endings of values that every user reads in the same unit, and how they are written."""


class Habit(Key):
    """How a language writes numbers and lists."""

    DECIMAL_MARK = "habit.decimal mark"
    BETWEEN_ITEMS = "habit.between items"


def languages() -> tuple[str, ...]:
    """Name the languages that have a catalogue, such as "en_GB"."""
    return tuple(sorted(path.parent.parent.name for path in LOCALE.glob("*/LC_MESSAGES/*.mo")))


def tell(said: Said, units: Units, language: str = FIRST_LANGUAGE) -> str:
    """Turn a statement into a sentence or, where its text is a part of one, into that part; a sentence stays."""
    if isinstance(said, str):
        return said
    count = said.values.get(COUNT)
    shown = {name: _Shown(_show(name, value, units, language)) for name, value in said.values.items()}
    return text_of(said.key, language, count if isinstance(count, int) else None).format_map(shown)


def text_of(key: Key, language: str, count: int | None = None) -> str:
    """Return the text of a key as the catalogue has it, its values still in braces."""
    found = _catalogue(language)
    return found.gettext(key.value) if count is None else found.ngettext(key.value, key.value, count)


@cache
def _catalogue(language: str) -> GNUTranslations | NullTranslations:
    found = translation(DOMAIN, LOCALE, [language], fallback=language != FIRST_LANGUAGE)
    if language != FIRST_LANGUAGE:
        found.add_fallback(_catalogue(FIRST_LANGUAGE))
    return found


class _Shown(str):
    """A value as it is shown; as a format, `capital` and `small` say how it begins."""

    __slots__ = ()

    def __format__(self, begins: str) -> str:
        if begins == "capital":
            return self[:1].upper() + self[1:]
        return self[:1].lower() + self[1:] if begins == "small" else str(self)


def _show(name: str, value: object, units: Units, language: str) -> str:
    if isinstance(value, Statement):
        return tell(value, units, language)
    if isinstance(value, tuple):
        return text_of(Habit.BETWEEN_ITEMS, language).join(tell(each, units, language) for each in value)
    kind = next((kind for ending, kind in KIND_OF_ENDING if name.endswith(ending)), None)
    if not isinstance(value, int | float) or isinstance(value, bool):
        return str(value)
    if kind is None:
        ending = next((ending for ending in SAME_FOR_ALL if name.endswith(ending)), None)
        shown = str(value) if ending is None else SAME_FOR_ALL[ending](value)
    else:
        shown = units.show(kind, value)
    return shown.replace(".", text_of(Habit.DECIMAL_MARK, language), 1)

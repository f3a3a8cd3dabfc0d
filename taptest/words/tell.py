"""Tell a statement as a sentence: from key and SI values to words, in a language and in the user's units.

The catalogues are gettext's: `locale/<language>/LC_MESSAGES/taptest.po`, one a language and dialect, compiled to `.mo`
beside it. In a text `{depth_m}` stands for a value by its name; the ending of the name says what it is and so how it is
shown (see `taptest.statements`). Plural follows the catalogue's own rule. What a catalogue lacks is told in US English.
"""

from functools import cache
from gettext import GNUTranslations, NullTranslations, translation
from pathlib import Path

from taptest.quantities import Kind, Units
from taptest.statements import COUNT, Key, Statement

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


class Habit(Key):
    """How a language writes numbers and lists."""

    DECIMAL_MARK = "habit.decimal mark"
    BETWEEN_ITEMS = "habit.between items"


def languages() -> tuple[str, ...]:
    """Name the languages that have a catalogue, such as "en_GB"."""
    return tuple(sorted(path.parent.parent.name for path in LOCALE.glob("*/LC_MESSAGES/*.mo")))


def tell(statement: Statement, units: Units, language: str = FIRST_LANGUAGE) -> str:
    """Turn a statement into a sentence or, where its text is a part of one, into that part."""
    values = statement.values
    count = values.get(COUNT)
    shown = {name: _show(name, value, units, language) for name, value in values.items()}
    return text_of(statement.key, language, count if isinstance(count, int) else None).format_map(shown)


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


def _show(name: str, value: object, units: Units, language: str) -> str:
    if isinstance(value, Statement):
        return tell(value, units, language)
    if isinstance(value, tuple):
        return text_of(Habit.BETWEEN_ITEMS, language).join(tell(each, units, language) for each in value)
    kind = next((kind for ending, kind in KIND_OF_ENDING if name.endswith(ending)), None)
    if kind is None or not isinstance(value, int | float):
        return str(value)
    # A tenth of an inch is as much as a tape shows; other units keep their own decimals.
    digits = 1 if kind == "length" and units.length == "in" else None
    return units.show(kind, value, digits).replace(".", text_of(Habit.DECIMAL_MARK, language), 1)

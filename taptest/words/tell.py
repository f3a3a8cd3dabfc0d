"""Tell a statement as a sentence: from key and SI values to words, in a language and in the user's units.

The catalogues are gettext's: `locale/<language>/LC_MESSAGES/taptest.po`, one a language and dialect, compiled to `.mo`
beside it. In a text `{depth_m}` stands for a value by its name; the ending of the name says what it is and so how it is
shown (see `taptest.statements`). `{at_c:0}` shows it with that many decimals, else it has as many as serve on site.
Plural follows the catalogue's own rule. What a catalogue lacks is told in US English.
"""

from dataclasses import dataclass
from functools import cache
from gettext import GNUTranslations, NullTranslations, translation
from pathlib import Path

from taptest.quantities import Kind, Units
from taptest.statements import COUNT, Key, Said, Statement, Value

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
    SPAN = "habit.span", "low", "high"


def languages() -> tuple[str, ...]:
    """Name the languages that have a catalogue, such as "en_GB"."""
    return tuple(sorted(path.parent.parent.name for path in LOCALE.glob("*/LC_MESSAGES/*.mo")))


def tell(statement: Said, units: Units, language: str = FIRST_LANGUAGE) -> str:
    """Turn a statement into a sentence or, where its text is a part of one, into that part; a text stays as it is."""
    if isinstance(statement, str):
        return statement
    values = statement.values
    count = values.get(COUNT)
    shown = {name: _Shown(name, value, units, language) for name, value in values.items()}
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


@dataclass(frozen=True, slots=True)
class _Shown:
    """A value as it stands in a text; the text may ask for a number of decimals."""

    name: str
    value: Value
    units: Units
    language: str

    def __format__(self, decimals: str) -> str:
        value = self.value
        if isinstance(value, Statement):
            return tell(value, self.units, self.language)
        digits = int(decimals) if decimals else None
        if not isinstance(value, tuple):
            return self._number(value, digits)
        if value and not isinstance(value[0], Statement):
            return self._span(value, digits)
        told = (tell(each, self.units, self.language) for each in value if isinstance(each, Statement))
        return text_of(Habit.BETWEEN_ITEMS, self.language).join(told)

    @property
    def _kind(self) -> Kind | None:
        return next((kind for ending, kind in KIND_OF_ENDING if self.name.endswith(ending)), None)

    def _number(self, value: object, digits: int | None) -> str:
        kind = self._kind
        if kind is None or not isinstance(value, int | float):
            return str(value)
        # A tenth of an inch is as much as a tape shows; other units keep their own decimals.
        if digits is None and kind == "length" and self.units.length == "in":
            digits = 1
        return self.units.show(kind, value, digits).replace(".", text_of(Habit.DECIMAL_MARK, self.language), 1)

    def _span(self, ends: tuple[object, ...], digits: int | None) -> str:
        """Both ends with the unit once, where it stands behind the number: "0.4 to 0.7 bar"."""
        low, high = (self._number(end, digits) for end in ends)
        if low == high:
            return low
        unit = "" if self._kind is None else " " + self.units.unit(self._kind)
        return text_of(Habit.SPAN, self.language).format(low=low.removesuffix(unit), high=high)

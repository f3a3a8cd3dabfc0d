"""Tell a statement as a sentence: from key and SI values to words, in a language and in the user's units.

The catalogues are gettext's: `locale/<language>/LC_MESSAGES/taptest.po`, one a language and dialect. In a text
`{depth_m}` stands for a value by its name; the ending of the name says what it is and so how it is shown (see
`taptest.statements`). `{why:capital}` begins with a capital and `{why:small}` with a small letter, for a part that
begins a sentence or stands in one; `{at_c:0}` has that many decimals, else as many as serve on site. Plural follows the
catalogue's own rule. What a catalogue lacks is told in US English.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

from taptest.quantities import Kind, Units
from taptest.statements import COUNT, Key, Said, Statement, Value
from taptest.words.catalogue import read_catalogue

LOCALE = Path(__file__).with_name("locale")
CATALOGUE = "LC_MESSAGES/taptest.po"
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
    SPAN = "habit.span", "low", "high"


def languages() -> tuple[str, ...]:
    """Name the languages that have a catalogue, such as "en_GB"."""
    return tuple(sorted(path.parent.parent.name for path in LOCALE.glob(f"*/{CATALOGUE}")))


def tell(said: Said, units: Units, language: str = FIRST_LANGUAGE) -> str:
    """Turn a statement, or a key without values, into its sentence or part of one; a finished sentence stays."""
    if isinstance(said, Key):
        return text_of(said, language)
    if isinstance(said, str):
        return said
    count = said.values.get(COUNT)
    shown = {name: _Shown(name, value, units, language) for name, value in said.values.items()}
    return text_of(said.key, language, count if isinstance(count, int) else None).format_map(shown)


def text_of(key: Key, language: str, count: int | None = None) -> str:
    """Return the text of a key as the catalogue has it, its values still in braces."""
    found = _catalogue(language)
    return found.gettext(key.value) if count is None else found.ngettext(key.value, key.value, count)


@cache
def _catalogue(language: str) -> GNUTranslations | NullTranslations:
    path = LOCALE / language / CATALOGUE
    if language == FIRST_LANGUAGE:
        return read_catalogue(path.read_text(encoding="utf-8"))
    found = read_catalogue(path.read_text(encoding="utf-8")) if path.is_file() else NullTranslations()
    found.add_fallback(_catalogue(FIRST_LANGUAGE))
    return found


@dataclass(frozen=True, slots=True)
class _Shown:
    """A value as a text shows it; as a format, `capital` and `small` say how it begins, a number how many decimals."""

    name: str
    value: Value
    units: Units
    language: str

    def __format__(self, form: str) -> str:
        text = self._text(int(form) if form.isdecimal() else None)
        if form == "capital":
            return text[:1].upper() + text[1:]
        return text[:1].lower() + text[1:] if form == "small" else text

    def _text(self, digits: int | None) -> str:
        match self.value:
            case Statement() as part:
                return tell(part, self.units, self.language)
            case (int() | float() as low, int() | float() as high):
                return self._span(self._number(low, digits), self._number(high, digits))
            case tuple() as parts:
                told = (tell(part, self.units, self.language) for part in parts if isinstance(part, Statement))
                return text_of(Habit.BETWEEN_ITEMS, self.language).join(told)
            case int() | float() as number if not isinstance(number, bool):
                return self._number(number, digits)
            case value:
                return str(value)

    @property
    def _kind(self) -> Kind | None:
        return next((kind for ending, kind in KIND_OF_ENDING if self.name.endswith(ending)), None)

    def _number(self, value: float, digits: int | None) -> str:
        kind = self._kind
        if kind is None:
            write = next((write for ending, write in SAME_FOR_ALL.items() if self.name.endswith(ending)), str)
            shown = write(value)
        else:
            shown = self.units.show(kind, value, digits)
        return shown.replace(".", text_of(Habit.DECIMAL_MARK, self.language), 1)

    def _span(self, low: str, high: str) -> str:
        """Both ends with the unit once, where it stands behind the number: "0.4 to 0.7 bar"."""
        if low == high:
            return low
        unit = "" if self._kind is None else " " + self.units.unit(self._kind)
        return text_of(Habit.SPAN, self.language).format(low=low.removesuffix(unit), high=high)

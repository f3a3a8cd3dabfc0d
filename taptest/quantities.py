"""What a technician types, to SI and back: "12 psi", "1,5 bar", 14", 1' 3 1/2", "68 F", "4.4 gal", "30 %".

Conventions: a text is a number and a unit, in upper or lower case, with a decimal point or comma. A number without a
unit is refused, and so are thousands separators, because "1,500" means two things. Pressures are gauge unless the
unit says "abs" (or "psia"); a gallon is the US gallon unless the unit says "imp". SI inside: Pa, m3, m, degrees
Celsius, kg, W; a percentage becomes a share (30 % is 0.3).

Unit definitions: NIST SP 811 (2008), appendix B: inch 25.4 mm, US gallon 231 cubic inches, imperial gallon 4.54609 l,
pound 0.45359237 kg, pound-force by standard gravity 9.80665 m/s2, Btu (IT) 1055.05585262 J.
"""

import math
import re
from dataclasses import dataclass
from typing import Literal, get_args

from taptest.errors import PhysicsError, QuantityError

Kind = Literal["pressure", "volume", "length", "temperature", "mass", "percent", "power"]

STANDARD_ATMOSPHERE_PA = 101325.0

INCH_M = 0.0254
LEAST_ON_TAPE_M = INCH_M / 2
"""Shorter lengths, such as a wall, are not read from a tape: they are shown in decimals."""
_POUND = 0.45359237
_PSI = _POUND * 9.80665 / INCH_M**2
_GALLON_US = 231 * INCH_M**3
_GALLON_IMP = 4.54609e-3


@dataclass(frozen=True, slots=True)
class _Unit:
    """One unit: SI value = (number + offset) * factor."""

    name: str
    factor: float
    digits: int
    """Decimals shown where none are asked for."""
    spellings: tuple[str, ...]
    offset: float = 0.0
    absolute: bool = False
    answer: str = ""
    """Unit in which answers are given to someone who typed this one; itself where empty."""


def _pressure_units() -> tuple[_Unit, ...]:
    """Every pressure unit thrice: plain (gauge), gauge spelled out, absolute."""
    plain = (("bar", 1e5, 2), ("psi", _PSI, 1), ("kPa", 1e3, 0), ("mbar", 1e2, 0), ("Pa", 1.0, 0))
    units = [_Unit(name, factor, digits, (name,)) for name, factor, digits in plain]
    for name, factor, digits in plain:
        gauge, absolute = ("psig", "psia") if name == "psi" else (f"{name} g", f"{name} abs")
        said = (f"{name} g", f"{name}g", f"{name} gauge", f"{name} (g)", f"{name}(g)")
        units.append(_Unit(gauge, factor, digits, said))
        stated = (
            f"{name} a",
            f"{name}a",
            f"{name} abs",
            f"{name} absolute",
            f"{name} (a)",
            f"{name}(a)",
            f"{name} (abs)",
            f"{name}(abs)",
        )
        units.append(_Unit(absolute, factor, digits, stated, absolute=True, answer=name))
    return tuple(units)


_UNITS: dict[Kind, tuple[_Unit, ...]] = {
    "pressure": _pressure_units(),
    "volume": (
        _Unit("l", 1e-3, 1, ("l", "liter", "liters", "litre", "litres", "ltr", "dm3")),
        _Unit("ml", 1e-6, 0, ("ml", "milliliter", "millilitre", "milliliters", "millilitres", "cm3")),
        _Unit(
            "gal", _GALLON_US, 2, ("gal", "gals", "gallon", "gallons", "gal us", "us gal", "us gallon", "us gallons")
        ),
        _Unit(
            "gal imp",
            _GALLON_IMP,
            2,
            (
                "gal imp",
                "imp gal",
                "gal imperial",
                "imperial gal",
                "imperial gallon",
                "imperial gallons",
                "gal uk",
                "uk gal",
            ),
        ),
        _Unit("m3", 1.0, 4, ("m3", "m^3", "cu m", "cubic meter", "cubic metre", "cubic meters", "cubic metres")),
        _Unit("ft3", (12 * INCH_M) ** 3, 2, ("ft3", "ft^3", "cu ft", "cuft", "cubic foot", "cubic feet")),
    ),
    "length": (
        _Unit("mm", 1e-3, 0, ("mm", "millimeter", "millimetre", "millimeters", "millimetres")),
        _Unit("cm", 1e-2, 1, ("cm", "centimeter", "centimetre", "centimeters", "centimetres")),
        _Unit("m", 1.0, 2, ("m", "meter", "metre", "meters", "metres")),
        _Unit("in", INCH_M, 2, ("in", "inch", "inches", '"')),
        _Unit("ft", 12 * INCH_M, 2, ("ft", "foot", "feet", "'")),
    ),
    "temperature": (
        _Unit("°C", 1.0, 1, ("c", "°c", "deg c", "degc", "celsius", "degrees c", "degrees celsius")),
        _Unit(
            "°F", 5 / 9, 0, ("f", "°f", "deg f", "degf", "fahrenheit", "degrees f", "degrees fahrenheit"), offset=-32.0
        ),
        _Unit("K", 1.0, 1, ("k", "kelvin"), offset=-273.15),
    ),
    "mass": (
        _Unit("kg", 1.0, 1, ("kg", "kilogram", "kilograms")),
        _Unit("g", 1e-3, 0, ("g", "gram", "grams")),
        _Unit("lb", _POUND, 1, ("lb", "lbs", "pound", "pounds")),
        _Unit("oz", _POUND / 16, 1, ("oz", "ounce", "ounces")),
    ),
    "percent": (_Unit("%", 1e-2, 0, ("%", "percent", "per cent", "pct")),),
    "power": (
        _Unit("kW", 1e3, 1, ("kw", "kilowatt", "kilowatts")),
        _Unit("W", 1.0, 0, ("w", "watt", "watts")),
        _Unit("Btu/h", 1055.05585262 / 3600, 0, ("btu/h", "btu/hr", "btuh", "btu per hour")),
        _Unit("MBH", 1055.05585262 / 3.6, 0, ("mbh", "mbtuh", "mbtu/h")),
    ),
}
_BY_SPELLING: dict[Kind, dict[str, _Unit]] = {
    kind: {spelling.lower(): unit for unit in units for spelling in (*unit.spellings, unit.name)}
    for kind, units in _UNITS.items()
}
_UNITS_THAT_SERVE: dict[Kind, str] = {
    "pressure": 'bar, psi, kPa, mbar or Pa (gauge; add "abs" for absolute), for example "1.5 bar" or "12 psi"',
    "volume": 'l, ml, gal (US), gal imp, m3 or ft3, for example "18 l" or "4.4 gal"',
    "length": 'mm, cm, m, in or ft, for example "354 mm", 14" or 1\' 3 1/2"',
    "temperature": 'C, F or K, for example "20 C" or "68 F"',
    "mass": 'kg, g, lb or oz, for example "40 g" or "1.5 oz"',
    "percent": '%, for example "30 %"',
    "power": 'kW, W, Btu/h or MBH (a thousand Btu/h), for example "24 kW" or "80000 Btu/h"',
}
_NEVER_NEGATIVE: dict[Kind, str] = {"volume": "volume", "mass": "mass", "power": "power"}

_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_FRACTION = r"(?:\d+(?:\s+|\s*-\s*))?\d+\s*/\s*\d+"
_VALUE = re.compile(rf"(?P<sign>[+-]?)\s*(?P<number>{_FRACTION}|{_NUMBER})\s*(?P<unit>[^\d\s.,+-].*)?", re.ASCII)
_FEET_INCHES = re.compile(
    rf"(?P<sign>[+-]?)\s*(?P<feet>\d+)\s*(?:'|ft|feet|foot)\s*-?\s*(?P<inches>{_FRACTION}|{_NUMBER})\s*(?:\"|in|inch|inches)",
    re.ASCII,
)
_GROUPED = re.compile(r"\d[.,]\d+[.,]\d|(?<!\d)[1-9]\d{0,2},\d{3}(?!\d)|\d[ '_]\d{3}(?!\d)", re.ASCII)
_MARKS = str.maketrans(
    {
        "′": "'", "’": "'", "‘": "'", "″": '"', "”": '"', "“": '"', "³": "3", "−": "-", "º": "°", "˚": "°",
        "\u00a0": " ", "\u202f": " ", "\u2009": " ", "％": "%",
        "½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8",
    }
)  # fmt: skip
_LONGEST_TEXT = 60
_LARGEST_SI = 1e9
"""No value met at a heating system comes near this: 10,000 bar, a cubic kilometre, a gigawatt."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI that remembers the unit it was typed in.

    `si` is in Pa, m3, m, degrees Celsius, kg, W or a share of one. For a pressure, `si` is gauge unless `absolute` is
    true. `unit` is the unit's name as `show` takes it; `ft in` stands for feet and inches.
    """

    kind: Kind
    si: float
    unit: str
    absolute: bool = False

    def __str__(self) -> str:
        return show(self.kind, self.si, self.unit)

    @property
    def answer_unit(self) -> str:
        """The unit to show answers in: the typed one, or its gauge form where an absolute pressure was typed."""
        if self.unit == FEET_AND_INCHES:
            return self.unit
        return _unit(self.kind, self.unit).answer or self.unit

    def gauge_pa(self, atmospheric_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
        """Gauge pressure in Pa, for an air pressure on site of `atmospheric_pa`.

        Raises QuantityError where the quantity is no pressure.
        """
        if self.kind != "pressure":
            raise QuantityError(f"{self} is a {self.kind}, not a pressure; give a pressure, for example 1.5 bar.")
        return self.si - atmospheric_pa if self.absolute else self.si


FEET_AND_INCHES = "ft in"


def parse(kind: Kind, text: str, where: str = "") -> Quantity:
    """Read one quantity.

    `where` names the field for the error ("precharge in tank.toml"). Raises QuantityError for a text that is not a
    quantity of this kind, and PhysicsError for a value below vacuum, below absolute zero, or a negative volume, mass
    or power.
    """
    place = f"{where}: " if where else ""
    if kind not in get_args(Kind):
        raise QuantityError(
            f"{place}there is no kind of quantity named {kind!r}; use one of {', '.join(get_args(Kind))}."
        )
    if not isinstance(text, str):
        raise QuantityError(
            f"{place}{text!r} is not a text; write number and unit in quotes: {_UNITS_THAT_SERVE[kind]}."
        )
    clean = " ".join(text.translate(_MARKS).replace("''", '"').split()).lower()
    shown = repr(text if len(text) <= _LONGEST_TEXT else text[:_LONGEST_TEXT] + "...")
    if not clean or len(clean) > _LONGEST_TEXT:
        raise QuantityError(f"{place}{shown} is not a {kind}; write number and unit: {_UNITS_THAT_SERVE[kind]}.")
    if kind == "length" and (match := _FEET_INCHES.fullmatch(clean)):
        quantity = _feet_and_inches(match, shown, place)
    else:
        quantity = _single(kind, clean, shown, place)
    _refuse_the_impossible(quantity, shown, place)
    return quantity


def _single(kind: Kind, clean: str, shown: str, place: str) -> Quantity:
    match = _VALUE.fullmatch(clean)
    if _GROUPED.search(clean):
        raise QuantityError(
            f"{place}{shown} is ambiguous: thousands separators are not read; "
            "write the digits together (1500) and use a point or comma for decimals alone (1.5)."
        )
    if not match:
        raise QuantityError(f"{place}{shown} is not a {kind}; write number and unit: {_UNITS_THAT_SERVE[kind]}.")
    spelling = match["unit"]
    if not spelling:
        raise QuantityError(f"{place}{shown} has no unit; write it with one of {_UNITS_THAT_SERVE[kind]}.")
    unit = _BY_SPELLING[kind].get(spelling.replace(".", "").strip())  # "in." and "cu. ft." are abbreviations
    if unit is None:
        raise QuantityError(
            f"{place}{shown} has the unit {spelling.strip()!r}, which is not a unit of {kind}; use "
            f"{_UNITS_THAT_SERVE[kind]}."
        )
    value = _number(match["number"], shown, place)
    value = -value if match["sign"] == "-" else value
    return Quantity(kind, (value + unit.offset) * unit.factor, unit.name, unit.absolute)


def _feet_and_inches(match: re.Match[str], shown: str, place: str) -> Quantity:
    inches = _number(match["inches"], shown, place)
    if inches >= 12:
        raise QuantityError(f"{place}{shown} has {inches:g} inches beside feet; inches beside feet stay below 12.")
    length = (12 * _number(match["feet"], shown, place) + inches) * INCH_M
    return Quantity("length", -length if match["sign"] == "-" else length, FEET_AND_INCHES)


def _number(text: str, shown: str, place: str) -> float:
    """Read a plain number or a (mixed) fraction."""
    if "/" not in text:
        return float(text.replace(",", "."))
    *whole, numerator, denominator = (int(part) for part in re.split(r"[\s/-]+", text.strip()))
    if denominator == 0:
        raise QuantityError(f"{place}{shown} divides by zero; write the fraction with a denominator such as 1/2.")
    if whole and numerator >= denominator:
        raise QuantityError(
            f"{place}{shown} is ambiguous: beside a whole number the fraction stays below one, as in 3 1/2."
        )
    return sum(whole) + numerator / denominator


def _refuse_the_impossible(quantity: Quantity, shown: str, place: str) -> None:
    kind, si = quantity.kind, quantity.si
    if abs(si) > _LARGEST_SI:
        raise QuantityError(f"{place}{shown} is absurdly large for a {kind}; check the number and the unit.")
    if kind == "pressure":
        if quantity.absolute and si < 0:
            raise PhysicsError(
                f"{place}{shown} is below vacuum: an absolute pressure is never negative; "
                "check the number and the word abs."
            )
        if not quantity.absolute and si < -STANDARD_ATMOSPHERE_PA:
            raise PhysicsError(
                f"{place}{shown} is below vacuum: a gauge pressure is never under -1.013 bar; check the sign and the "
                "unit."
            )
    if kind == "temperature" and si < -273.15:
        raise PhysicsError(f"{place}{shown} is below absolute zero (-273.15 °C); check the sign and the unit.")
    if kind in _NEVER_NEGATIVE and si < 0:
        raise PhysicsError(f"{place}{shown} is negative, which a {_NEVER_NEGATIVE[kind]} never is; check the sign.")


def _unit(kind: Kind, unit: str) -> _Unit:
    found = _BY_SPELLING.get(kind, {}).get(" ".join(unit.translate(_MARKS).split()).lower())
    if found is None:
        serve = _UNITS_THAT_SERVE.get(kind)
        if serve is None:
            raise QuantityError(f"There is no kind of quantity named {kind!r}; use one of {', '.join(get_args(Kind))}.")
        raise QuantityError(f"{unit!r} is not a unit of {kind}; use {serve}.")
    return found


def convert(kind: Kind, si: float, unit: str) -> float:
    """Return the number that `si` has in `unit`.

    A pressure is rescaled only: give a gauge pressure for a gauge unit and an absolute one for an absolute unit.
    Raises QuantityError where the unit is not one of this kind.
    """
    if unit == FEET_AND_INCHES:
        unit = "ft"
    found = _unit(kind, unit)
    return si / found.factor - found.offset


def show(kind: Kind, si: float, unit: str, digits: int | None = None) -> str:
    """Write number and unit for people: "1.50 bar", "4.40 gal", 1' 3 1/2". `parse` reads it back.

    `digits` is the number of decimals; without it, as many as serve on site. `ft in` shows sixteenths of an inch
    whatever `digits` says. Raises QuantityError where the unit is not one of this kind or the value is not finite.
    """
    if not math.isfinite(si):
        raise QuantityError(f"A {kind} of {si} cannot be shown; leave out what is not known.")
    if kind == "length" and unit == FEET_AND_INCHES:
        return _show_feet_and_inches(si)
    found = _unit(kind, unit)
    places = found.digits if digits is None else digits
    number = f"{convert(kind, si, unit):.{places}f}"
    if float(number) == 0:
        number = number.removeprefix("-")
    return f"{number} {found.name}"


def percent(share: float) -> str:
    """Write a share of 0..1 in per cent: "24 %"."""
    return show("percent", share, "%")


def _show_feet_and_inches(length_m: float) -> str:
    sixteenths = round(abs(length_m) / INCH_M * 16)
    sign = "-" if length_m < 0 and sixteenths else ""
    feet, rest = divmod(sixteenths, 12 * 16)
    in_inches = _inches_on_tape(rest)
    return f"{sign}{feet}' {in_inches}\"" if feet else f'{sign}{in_inches}"'


def _inches_on_tape(sixteenths: int) -> str:
    """Write sixteenths of an inch as a tape is read: 180 is "11 1/4"."""
    inches, part = divmod(abs(sixteenths), 16)
    divisor = math.gcd(part, 16)
    fraction = f"{part // divisor}/{16 // divisor}" if part else ""
    whole = str(inches) if inches or not part else ""
    return ("-" if sixteenths < 0 else "") + " ".join(piece for piece in (whole, fraction) if piece)


@dataclass(frozen=True, slots=True)
class Units:
    """A user's preference: one unit a kind, and one more for heights of buildings."""

    name: str
    pressure: str
    volume: str
    length: str
    temperature: str
    mass: str
    power: str
    height: str
    """Unit of length for heights and altitudes, too large for `length`."""
    percent: str = "%"

    def __post_init__(self) -> None:
        for kind in get_args(Kind):
            if self.unit(kind) != FEET_AND_INCHES:
                _unit(kind, self.unit(kind))
        _unit("length", self.height)

    @property
    def in_inches(self) -> bool:
        """Whether the tape is in inches."""
        return self.length in ("in", FEET_AND_INCHES)

    def unit(self, kind: Kind) -> str:
        """Return the preferred unit of a kind."""
        name: str = getattr(self, kind)
        return name

    def with_unit(self, kind: Kind, typed: str) -> str:
        """Return what was typed, a bare number with the preferred unit."""
        return typed if any(letter.isalpha() for letter in typed) else f"{typed} {self.unit(kind)}"

    def show(self, kind: Kind, si: float, digits: int | None = None) -> str:
        """Show an SI value (pressure: gauge) in the preferred unit; lengths in inches as they stand on a tape."""
        unit = self.unit(kind)
        if kind == "length" and unit == "in" and digits is None and abs(si) >= LEAST_ON_TAPE_M:
            return f"{_inches_on_tape(round(si / INCH_M * 16))} in"
        return show(kind, si, unit, digits)

    def span(self, kind: Kind, low: float, high: float, digits: int | None = None) -> str:
        """Show both ends of an interval, with the unit once where it follows the number: "0.4 to 0.7 bar"."""
        begins, ends = self.show(kind, low, digits), self.show(kind, high, digits)
        if begins == ends:
            return begins
        name = f" {_unit(kind, self.unit(kind)).name}" if self.unit(kind) != FEET_AND_INCHES else ""
        return f"{begins.removesuffix(name)} to {ends}"

    def convert(self, kind: Kind, si: float) -> float:
        """Return the number that an SI value (pressure: gauge) has in the preferred unit."""
        return convert(kind, si, self.unit(kind))

    def show_height(self, height_m: float, digits: int | None = None) -> str:
        """Show a height of a building in metres or feet."""
        return show("length", height_m, self.height, digits)


METRIC = Units("metric", "bar", "l", "mm", "°C", "kg", "kW", "m")
US = Units("US", "psi", "gal", "in", "°F", "lb", "Btu/h", "ft")

"""What is shown is read back, in every unit; what is converted comes back; nonsense never passes for a number."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.errors import TaptestError
from taptest.quantities import Kind, convert, parse, show
from tests.samples import part

pytestmark = pytest.mark.sampled

fixed = settings(deadline=None, derandomize=True, max_examples=part(200))

UNITS: list[tuple[Kind, str, float, float]] = [
    *(("pressure", unit, -1.0e5, 5e6) for unit in ("bar", "psi", "kPa", "mbar", "Pa", "psig", "bar g", "kPa g")),
    *(("pressure", unit, 0.0, 5e6) for unit in ("psia", "bar abs", "kPa abs", "mbar abs", "Pa abs")),
    *(("volume", unit, 0.0, 50.0) for unit in ("l", "ml", "gal", "gal imp", "m3", "ft3")),
    *(("length", unit, -50.0, 500.0) for unit in ("mm", "cm", "m", "in", "ft")),
    *(("temperature", unit, -100.0, 500.0) for unit in ("°C", "°F", "K")),
    *(("mass", unit, 0.0, 1e4) for unit in ("kg", "g", "lb", "oz")),
    ("percent", "%", -1.0, 10.0),
    *(("power", unit, 0.0, 1e7) for unit in ("kW", "W", "Btu/h")),
]


@fixed
@given(st.sampled_from(UNITS), st.floats(0, 1), st.booleans(), st.booleans())
def test_shown_values_are_read_back(
    unit: tuple[Kind, str, float, float], part: float, comma: bool, upper: bool
) -> None:
    kind, name, low, high = unit
    si = low + part * (high - low)
    text = show(kind, si, name, digits=9)
    text = text.replace(".", ",") if comma else text
    quantity = parse(kind, text.upper() if upper else text)
    assert quantity.si == pytest.approx(si, rel=1e-9, abs=1e-6)
    assert quantity.unit == name
    assert quantity.absolute == name.endswith(("abs", "psia"))
    assert show(kind, quantity.si, quantity.unit, 9) == show(kind, si, name, 9)


@fixed
@given(st.floats(-30, 300))
def test_feet_and_inches_are_read_back_to_a_sixteenth(length_m: float) -> None:
    text = show("length", length_m, "ft in")
    assert abs(parse("length", text).si - length_m) <= 0.0254 / 32 * (1 + 1e-9)
    assert show("length", parse("length", text).si, "ft in") == text


@fixed
@given(st.sampled_from(UNITS), st.floats(-1e6, 1e6))
def test_conversion_is_affine(unit: tuple[Kind, str, float, float], si: float) -> None:
    kind, name, _, _ = unit
    zero, one = convert(kind, 0.0, name), convert(kind, 1.0, name)
    assert convert(kind, si, name) == pytest.approx(zero + si * (one - zero), rel=1e-9, abs=1e-6)
    assert one > zero


@fixed
@given(
    st.sampled_from(["pressure", "volume", "length", "temperature", "mass", "percent", "power"]), st.text(max_size=40)
)
def test_any_text_is_a_finite_value_or_a_sentence(kind: Kind, text: str) -> None:
    try:
        quantity = parse(kind, text, "here")
    except TaptestError as error:
        assert str(error).startswith("here: ")  # noqa: PT017
        assert str(error).endswith((".", '"', "%"))  # noqa: PT017
    else:
        assert math.isfinite(quantity.si)


@fixed
@given(
    st.sampled_from(["pressure", "volume", "length", "temperature", "mass", "percent", "power"]),
    st.text(alphabet="0123456789.,'\"/ +-eEabcdfgiklmnprstu%°()", max_size=14),
)
def test_near_misses_never_crash(kind: Kind, text: str) -> None:
    try:
        assert math.isfinite(parse(kind, text).si)
    except TaptestError as error:
        assert "\n" not in str(error)  # noqa: PT017


@fixed
@given(st.integers(0, 200), st.integers(0, 11), st.integers(1, 15))
def test_mixed_fractions_add_up(feet: int, inches: int, sixteenths: int) -> None:
    expected = (12 * feet + inches + sixteenths / 16) * 0.0254
    assert parse("length", f"{feet}' {inches} {sixteenths}/16\"").si == pytest.approx(expected)
    assert parse("length", f"{feet} ft {inches}-{sixteenths}/16 in").si == pytest.approx(expected)

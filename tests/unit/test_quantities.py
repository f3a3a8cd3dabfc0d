"""What is read, what is refused, and in which words. Unit factors: NIST SP 811 (2008), appendix B."""

import subprocess
import sys
from dataclasses import replace

import pytest

from taptest.errors import PhysicsError, QuantityError
from taptest.quantities import METRIC, US, Kind, Quantity, Units, convert, parse, show

READ: list[tuple[Kind, str, float]] = [
    ("pressure", "1.5 bar", 1.5e5),
    ("pressure", "1,5 bar", 1.5e5),
    ("pressure", "1.5bar", 1.5e5),
    ("pressure", "1.5 BAR G", 1.5e5),
    ("pressure", "1.5 barg", 1.5e5),
    ("pressure", "12 psi", 12 * 6894.757293168),
    ("pressure", "12 PSIG", 12 * 6894.757293168),
    ("pressure", "150 kPa", 1.5e5),
    ("pressure", "1500 mbar", 1.5e5),
    ("pressure", "150000 pa", 1.5e5),
    ("pressure", "-0.2 bar", -2e4),
    ("pressure", "0 psi", 0.0),
    ("volume", "18 l", 0.018),
    ("volume", "18 Litres", 0.018),
    ("volume", "250 ml", 2.5e-4),
    ("volume", "4.4 gal", 4.4 * 3.785411784e-3),
    ("volume", "4.4 US GAL", 4.4 * 3.785411784e-3),
    ("volume", "4 gal imp", 4 * 4.54609e-3),
    ("volume", "0.3 m³", 0.3),
    ("volume", "0,3 m3", 0.3),
    ("volume", "2 ft3", 2 * 0.028316846592),
    ("volume", "2 1/2 gal", 2.5 * 3.785411784e-3),
    ("length", "354 mm", 0.354),
    ("length", "35,4 cm", 0.354),
    ("length", "1.2 m", 1.2),
    ("length", "-2 m", -2.0),
    ("length", '14"', 14 * 0.0254),
    ("length", "14 in", 14 * 0.0254),
    ("length", "14 in.", 14 * 0.0254),
    ("volume", "2 cu. ft.", 2 * 0.028316846592),
    ("length", "14”", 14 * 0.0254),
    ("length", "3/4 in", 0.75 * 0.0254),
    ("length", '3 1/2"', 3.5 * 0.0254),
    ("length", "3-1/2 inches", 3.5 * 0.0254),
    ("length", "3½ in", 3.5 * 0.0254),
    ("length", "1' 3 1/2\"", 15.5 * 0.0254),
    ("length", "1'3\"", 15 * 0.0254),
    ("length", "1′ 3″", 15 * 0.0254),
    ("length", "1' 3''", 15 * 0.0254),
    ("length", "1 ft 3 in", 15 * 0.0254),
    ("length", "5'", 5 * 0.3048),
    ("length", "5.5 ft", 5.5 * 0.3048),
    ("temperature", "20 C", 20.0),
    ("temperature", "20 °c", 20.0),
    ("temperature", "68 F", 20.0),
    ("temperature", "68 degF", 20.0),
    ("temperature", "68 °F", 20.0),
    ("temperature", "293.15 K", 20.0),
    ("temperature", "-10 degC", -10.0),
    ("temperature", "-40F", -40.0),
    ("mass", "40 g", 0.04),
    ("mass", "2.5 KG", 2.5),
    ("mass", "1.5 oz", 1.5 * 0.028349523125),
    ("mass", "10 lbs", 4.5359237),
    ("percent", "30 %", 0.3),
    ("percent", "2,5%", 0.025),
    ("power", "24 kW", 24000.0),
    ("power", "500 W", 500.0),
    ("power", "80000 Btu/h", 80000 * 0.29307107017),
    ("power", "100 MBH", 100_000 * 0.29307107017),
]


@pytest.mark.parametrize(("kind", "text", "si"), READ)
def test_reads(kind: Kind, text: str, si: float) -> None:
    quantity = parse(kind, text)
    assert quantity.si == pytest.approx(si, rel=1e-10, abs=1e-9)
    assert not quantity.absolute


@pytest.mark.parametrize(
    "text",
    ["26.7 psia", "26.7 PSI ABS", "26.7 psi a", "1.84 bar abs", "1.84 bar(a)", "1.84 bar (abs)", "184 kPa absolute"],
)
def test_absolute_pressure_is_marked(text: str) -> None:
    quantity = parse("pressure", text)
    assert quantity.absolute
    assert quantity.gauge_pa() == pytest.approx(quantity.si - 101325)
    assert quantity.gauge_pa(90000.0) == pytest.approx(quantity.si - 90000)
    assert quantity.answer_unit in {"psi", "bar", "kPa"}


UNITLESS: list[tuple[Kind, str]] = [
    ("pressure", "bar, psi, kPa"),
    ("volume", "l, ml, gal (US), gal imp"),
    ("length", "mm, cm, m, in or ft"),
    ("temperature", "C, F or K"),
    ("mass", "kg, g, lb or oz"),
    ("percent", "%"),
    ("power", "kW, W, Btu/h or MBH"),
]


@pytest.mark.parametrize(("kind", "units"), UNITLESS)
def test_a_number_without_a_unit_is_refused_and_told_which_serve(kind: Kind, units: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(kind, "12", "field x")
    sentence = str(caught.value)
    assert sentence.startswith("field x: '12' has no unit")
    assert units in sentence
    assert sentence.endswith(".")


REFUSED: list[tuple[Kind, str]] = [
    ("pressure", "nan bar"),
    ("pressure", "NaN"),
    ("pressure", "inf bar"),
    ("pressure", "-inf psi"),
    ("pressure", ""),
    ("pressure", "   "),
    ("pressure", "bar"),
    ("pressure", "bar 12"),
    ("pressure", "12 bar 3"),
    ("pressure", "12 bars of soap"),
    ("pressure", "1.5 litres"),
    ("pressure", "1.5.2 bar"),
    ("pressure", "--2 bar"),
    ("pressure", "1e5 Pa"),
    ("pressure", "0x10 bar"),
    ("pressure", "12 bar; rm"),
    ("pressure", "one bar"),
    ("pressure", "12 °C"),
    ("pressure", "1.5 bar gg"),
    ("pressure", "9" * 30 + " bar"),
    ("pressure", "1" * 300),
    ("pressure", "١٢ bar"),
    ("pressure", "1. bar"),
    ("temperature", "68"),
    ("temperature", "68 farad"),
    ("volume", "4.4"),
    ("volume", "4 gal gal"),
    ("length", "1' 14\""),
    ("length", "1/0 in"),
    ("length", "3 5/4 in"),
    ("length", "1' 3"),
    ("length", "12 psi"),
    ("percent", "30"),
    ("mass", "30 kgf"),
    ("length", "1 2 in"),
]


@pytest.mark.parametrize(("kind", "text"), REFUSED)
def test_refuses(kind: Kind, text: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(kind, text)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    "text", ["1,500 l", "1.234,5 l", "1,234.5 l", "1,234,567 l", "1 500 l", "1'500 l", "1_500 l", "1\u202f500 l"]
)
def test_thousands_separators_are_refused_as_ambiguous(text: str) -> None:
    with pytest.raises(QuantityError, match="ambiguous"):
        parse("volume", text)


@pytest.mark.parametrize(
    ("text", "si"), [("0,125 m3", 0.125), ("14.696 l", 0.014696), ("1.234 m3", 1.234), ("1500 l", 1.5)]
)
def test_three_decimals_that_cannot_be_thousands_are_read(text: str, si: float) -> None:
    assert parse("volume", text).si == pytest.approx(si)


IMPOSSIBLE: list[tuple[Kind, str]] = [
    ("pressure", "-1.2 bar"),
    ("pressure", "-15 psi"),
    ("pressure", "-0.1 bar abs"),
    ("temperature", "-300 C"),
    ("temperature", "-1 K"),
    ("volume", "-3 l"),
    ("mass", "-1 kg"),
    ("power", "-1 kW"),
]


@pytest.mark.parametrize(("kind", "text"), IMPOSSIBLE)
def test_what_cannot_be_is_refused_as_physics(kind: Kind, text: str) -> None:
    with pytest.raises(PhysicsError, match="check"):
        parse(kind, text)


def test_not_even_a_text() -> None:
    with pytest.raises(QuantityError, match="quotes"):
        parse("pressure", 12)  # type: ignore[arg-type]
    with pytest.raises(QuantityError, match="no kind of quantity"):
        parse("speed", "12 m/s")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "si", "unit", "digits", "expected"),
    [
        ("pressure", 1.5e5, "bar", None, "1.50 bar"),
        ("pressure", 82737.0875, "psi", None, "12.0 psi"),
        ("pressure", -1e-9, "bar", 2, "0.00 bar"),
        ("volume", 0.018, "l", 0, "18 l"),
        ("volume", 0.018, "gal", None, "4.76 gal"),
        ("temperature", 20.0, "F", None, "68 °F"),
        ("temperature", 20.0, "°C", 0, "20 °C"),
        ("length", 0.3937, "ft in", None, "1' 3 1/2\""),
        ("length", 0.1, "ft in", None, '3 15/16"'),
        ("length", 0.3048, "ft in", None, "1' 0\""),
        ("length", 0.0127, "ft in", None, '1/2"'),
        ("length", -0.3937, "ft in", None, "-1' 3 1/2\""),
        ("percent", 0.305, "%", 1, "30.5 %"),
        ("power", 24000.0, "kW", 0, "24 kW"),
    ],
)
def test_shows(kind: Kind, si: float, unit: str, digits: int | None, expected: str) -> None:
    assert show(kind, si, unit, digits) == expected


def test_showing_refuses_what_is_not_known() -> None:
    with pytest.raises(QuantityError, match="cannot be shown"):
        show("pressure", float("nan"), "bar")
    with pytest.raises(QuantityError, match="not a unit of pressure"):
        show("pressure", 1e5, "l")
    with pytest.raises(QuantityError, match="no kind of quantity"):
        convert("speed", 1.0, "m")  # type: ignore[arg-type]


def test_a_quantity_remembers_its_unit_and_prints_itself() -> None:
    quantity = parse("pressure", "12 PSIG")
    assert quantity == Quantity("pressure", quantity.si, "psig")
    assert str(quantity) == "12.0 psig"
    assert parse("length", "1' 3\"").answer_unit == "ft in"
    with pytest.raises(QuantityError, match="not a pressure"):
        parse("volume", "3 l").gauge_pa()


def test_preferences() -> None:
    assert METRIC.show("pressure", 1.5e5) == "1.50 bar"
    assert US.show("volume", 0.0166558, 1) == "4.4 gal"
    assert US.show_height(6.096, 0) == "20 ft"
    assert METRIC.convert("length", 0.354) == pytest.approx(354)
    assert [US.unit("mass"), METRIC.unit("power"), METRIC.unit("percent")] == ["lb", "kW", "%"]
    with pytest.raises(QuantityError, match="not a unit of volume"):
        Units("odd", "bar", "bar", "mm", "°C", "kg", "kW", "m")


def test_needs_no_numpy() -> None:
    """The command line reads quantities before numpy is loaded."""
    code = "import sys, taptest.quantities; print('numpy' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"


def test_a_span_names_its_unit_once_and_a_tape_keeps_its_fractions() -> None:
    # 25.4 mm to the inch.
    assert US.span("length", 0.0254, 11.25 * 0.0254) == "1 to 11 1/4 in"
    assert METRIC.span("pressure", 0.4e5, 0.7e5) == "0.40 to 0.70 bar"
    assert METRIC.span("pressure", 0.4e5, 0.4e5) == "0.40 bar"
    feet = replace(US, length="ft in")
    assert feet.span("length", 12 * 0.0254, 15.5 * 0.0254) == "1' 0\" to 1' 3 1/2\""

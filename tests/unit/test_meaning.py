"""What the texts of a visit mean. Values are worked by hand; unit definitions are those of NIST SP 811."""

import copy
from typing import Any

import pytest

from taptest.errors import PhysicsError, QuantityError, TaptestError, VisitError
from taptest.tank.remarks import ShapeRemark
from taptest.visit.meaning import Meaning, meaning_of
from taptest.visit.record import document_from
from tests.made_visits import DOCUMENT
from tests.said import keys_of


def meaning(**sections: dict[str, Any]) -> Meaning:
    raw: Any = copy.deepcopy(DOCUMENT)
    for name, keys in sections.items():
        raw[name] = {**raw.get(name, {}), **keys}
    return meaning_of(document_from(raw, "visit.json"), "visit.json")


def test_a_decimal_comma_is_read() -> None:
    case = meaning(readings={"pressure": "1,5 bar"}).case
    assert case.readings.pressure_pa == pytest.approx(1.5e5)


def test_an_absolute_pressure_becomes_gauge() -> None:
    case = meaning(readings={"pressure": "2.5 bar abs"}).case
    assert case.readings.pressure_pa == pytest.approx(2.5e5 - 101325)


def test_american_units_are_read_and_answered_in() -> None:
    found = meaning(
        tank={"volume": "4.4 gal", "diameter": '11"', "precharge": "12 psi"},
        readings={"pressure": "15 psi", "water_temperature": "68 F", "gauge_error": "1 psi"},
    )
    assert found.case.tank.volume_m3 == pytest.approx(4.4 * 3.785411784e-3)
    assert found.case.readings.water_temperature_c == pytest.approx(20.0)
    assert found.case.readings.pressure_sd_pa == pytest.approx(6894.757 / 2, rel=1e-6)
    assert (found.units.pressure, found.units.length, found.units.volume) == ("psi", "in", "gal")
    assert found.units.temperature == "°F"


def test_mixed_units_are_answered_as_typed_and_the_rest_by_the_majority() -> None:
    found = meaning(tank={"volume": "18 l", "diameter": "27 cm"}, readings={"pressure": "20 psi"})
    assert (found.units.pressure, found.units.volume, found.units.length) == ("psi", "l", "mm")
    assert found.units.temperature == "°C"


@pytest.mark.parametrize(("text", "pascal"), [("10.2 m", 1.0e5), ("1 bar", 1.0e5), ("23.1 ft", 0.69e5)])
def test_static_head_is_a_height_or_a_pressure(text: str, pascal: float) -> None:
    # 10.2 m per bar and 2.31 ft per psi: common practice, no source.
    assert meaning(system={"static_head": text}).case.system.static_head_pa == pytest.approx(pascal, rel=0.005)


def test_empty_texts_count_as_not_known() -> None:
    found = meaning(readings={"pressure": " "}, system={"fluid": "", "static_head": " "}, tank={"precharge": ""})
    assert found.case.readings.pressure_pa is None
    assert found.case.readings.precharge_pa is None
    assert found.case.system.static_head_pa is None
    assert found.case.system.fluid.kind == "water"


def test_assumptions_are_said() -> None:
    assert ShapeRemark.USUAL_WALL in keys_of(meaning().notes)
    assert not meaning().case.tank.wall_known
    assert meaning(tank={"wall": "1.5 mm"}).case.tank.wall_known


@pytest.mark.parametrize(
    ("sections", "error", "words"),
    [
        ({"readings": {"pressure": "1.5"}}, QuantityError, ["[readings] pressure", "'1.5'", "unit"]),
        ({"readings": {"pressure": "15 C"}}, QuantityError, ["[readings] pressure", "15 C"]),
        ({"readings": {"pressure": "-0.2 bar abs"}}, PhysicsError, ["[readings] pressure", "below vacuum"]),
        ({"readings": {"gauge_error": "0 bar"}}, QuantityError, ["gauge_error"]),
        ({"tank": {"volume": "80 l", "height": "400 mm"}}, PhysicsError, ["[tank]"]),
        ({"tank": {"seam": "4 m"}}, PhysicsError, ["[tank] seam", "4 m"]),
        ({"tank": {"water_end": None}}, VisitError, ["water_end", '"top"', '"bottom"']),
        ({"tank": {"kind": "plain"}}, VisitError, ["water_end", "lies below"]),
        ({"system": {"fluid": "beer"}}, QuantityError, ["[system] fluid", "beer"]),
        ({"system": {"fluid": "propylene glycol 90 %"}}, PhysicsError, ["[system] fluid"]),
        ({"system": {"static_head": "-7 m"}}, PhysicsError, ["[system] static_head", "-7 m", '"0 m"']),
        ({"system": {"relief": "0 bar"}}, PhysicsError, ["[system] relief", "0 bar", "leave it out"]),
        ({"system": {"relief": "-1 psi"}}, PhysicsError, ["[system] relief", "-1.0 psi"]),
        ({"system": {"static_head": "8"}}, QuantityError, ["static_head", "8 m"]),
    ],
)
def test_a_refusal_names_key_and_value(
    sections: dict[str, dict[str, Any]], error: type[TaptestError], words: list[str]
) -> None:
    with pytest.raises(error) as caught:
        meaning(**sections)
    assert str(caught.value).startswith("visit.json")
    for word in words:
        assert word in str(caught.value)


def points(*entries: dict[str, Any]) -> dict[str, Any]:
    return {**DOCUMENT, "points": list(entries)}


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (points({"position_mm": 900, "file": "a.wav"}), "is beyond the tank"),
        (points({"position_mm": -30, "file": "a.wav"}), "is beyond the tank"),
        (
            points({"position_mm": 40, "file": "a.wav"}, {"position_mm": 40, "file": "b.wav"}),
            "points 1 and 2 both lie at 40 mm",
        ),
        (points({"position_mm": 40, "file": "a.wav"}, {"position_mm": 80, "file": "a.wav"}), "shares the file"),
    ],
)
def test_points_that_cannot_be_are_refused(raw: dict[str, Any], words: str) -> None:
    with pytest.raises(VisitError, match=words):
        meaning_of(document_from(raw, "visit.json"), "visit.json", "points.csv")

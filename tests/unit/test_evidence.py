"""Evidence in the visit: observations, measured drain, pressure log, altitude, acceptance, as left.

Values are worked by hand; the standard atmosphere's table (ISO 2533: 954.6 hPa at 500 m) is a value from memory.
docs/visit-format.md is held to what the import reads.
"""

import copy
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from taptest.errors import PhysicsError, QuantityError, TaptestError, VisitError
from taptest.finding.cause_table import EVIDENCE
from taptest.finding.judge import judge
from taptest.statements import Statement
from taptest.visit import record
from taptest.visit.files import read_visit
from taptest.visit.intake import SECTIONS, Sources, import_visit, read_tank
from taptest.visit.meaning import Meaning, meaning_of
from taptest.visit.record import document_from, read_document, write_document
from taptest.visit.remarks import VisitRemark
from tests.made_cases import heard
from tests.made_visits import DOCUMENT, write_taps

PAGE = (Path(__file__).parents[2] / "docs" / "visit-format.md").read_text(encoding="utf-8")
DRAIN = {"volume": "1 l", "pressure_before": "1.3 bar", "pressure_after": "1.09 bar"}


def meaning(**sections: Any) -> Meaning:
    raw: Any = copy.deepcopy(DOCUMENT)
    for name, content in sections.items():
        raw[name] = {**raw.get(name, {}), **content} if isinstance(content, dict) else content
    return meaning_of(document_from(raw, "visit.json"), "visit.json")


def test_observations_are_read_in_their_own_spelling() -> None:
    case = meaning(observations={"water_at_the_air_valve": "Yes", "Drips": "hot", "weight": " "}).case
    assert case.observations == {"water at the air valve": "yes", "drips": "hot"}


def test_every_evidence_can_be_written_with_every_answer() -> None:
    for evidence in EVIDENCE:
        for answer in evidence.answers:
            case = meaning(observations={evidence.name.replace(" ", "_"): answer}).case
            assert case.observations == {evidence.name: answer}


def test_an_observation_reaches_the_finding() -> None:
    case = meaning(observations={"water_at_the_air_valve": "yes"}).case
    assert judge(case, heard(case.tank, "not found")).code == "membrane failed"


def test_the_drain_is_carried_to_the_height_of_the_tank() -> None:
    plain = meaning(drain=DRAIN).case.drain
    above = meaning(drain=DRAIN, readings={"tank_above_gauge": "10 m", "gauge_error": "0.2 bar"}).case.drain
    assert plain is not None
    assert above is not None
    assert (plain.drained_m3, plain.before_pa, plain.after_pa) == pytest.approx((1e-3, 1.3e5, 1.09e5))
    # 10.2 m a bar: common practice, no source.
    assert plain.before_pa - above.before_pa == pytest.approx(0.98e5, rel=0.005)
    assert plain.after_pa - above.after_pa == pytest.approx(plain.before_pa - above.before_pa)
    assert above.gauge_bias_sd_pa == pytest.approx(1e4)


def test_a_drain_agrees_with_the_level_or_contradicts_it() -> None:
    # 18 l at 1.3 bar with 10 l of air: 1 l drawn ends at 1.09 bar (worked by hand); the level then shows 8 l of water.
    case = meaning(drain=DRAIN, readings={"pressure": "1.3 bar"}, system={"static_head": "7 m"}).case
    from taptest.tank.membrane import boundary_depth_m

    depth = float(boundary_depth_m(case.tank, 8 / 18, 0.5))
    agrees = judge(case, heard(case.tank, "found", depth))
    assert agrees.air is not None
    assert not agrees.air.contradiction
    much = float(boundary_depth_m(case.tank, 0.05, 0.5))
    differs = judge(
        meaning(drain={**DRAIN, "pressure_after": "0.5 bar"}, readings={"pressure": "1.3 bar"}).case,
        heard(case.tank, "found", much),
    )
    assert differs.air is not None
    assert differs.air.contradiction


def test_a_drain_that_is_not_whole_is_not_used_and_said() -> None:
    found = meaning(drain={"volume": "1 l", "pressure_before": "1.3 bar"})
    assert found.case.drain is None
    assert Statement(VisitRemark.DRAIN_NOT_USED, {"missing": "pressure_after"}) in found.notes


def test_the_log_is_read_and_carried_to_the_tank() -> None:
    log = [
        {"time": "7:00", "pressure": "1.2 bar", "temperature": "20 C", "heat": "on", "fill": "shut"},
        {"time": "7:20", "pressure": "2.6 bar abs", "temperature": "131 F"},
    ]
    entries = meaning(log=log, system={"altitude": "500 m"}, readings={"tank_above_gauge": "-1 m"}).case.log
    assert [entry.time_s for entry in entries] == [0.0, 1200.0]
    assert entries[1].water_t_c == pytest.approx(55.0)
    assert (entries[0].heat_on, entries[0].fill_open, entries[1].heat_on) == (True, False, None)
    column = 999.1 * 9.80665
    assert entries[0].pressure_pa == pytest.approx(1.2e5 + column, rel=1e-4)
    assert entries[1].pressure_pa == pytest.approx(2.6e5 - 95460 + column, rel=2e-4)


@pytest.mark.parametrize(("text", "share"), [("9 l", 0.5), ("45 %", 0.45), ("45 percent", 0.45), ("", None)])
def test_the_acceptance_is_a_volume_or_a_percentage(text: str, share: float | None) -> None:
    assert meaning(tank={"acceptance": text}).case.tank.acceptance_share == (share and pytest.approx(share))


def test_a_height_of_a_building_does_not_choose_the_unit_of_positions() -> None:
    found = meaning(tank={"diameter": "270 mm"}, system={"altitude": "900 ft"}, readings={"tank_above_gauge": "3 ft"})
    assert found.units.length == "mm"


def test_as_left_is_understood() -> None:
    left = meaning(as_left={"pressure": "12 psi", "precharge": "1 bar", "work": "Charged."}).as_left
    assert left.pressure_pa == pytest.approx(12 * 6894.757, rel=1e-6)
    assert (left.precharge_pa, left.water_temperature_c) == (1e5, None)


@pytest.mark.parametrize(
    ("sections", "error", "words"),
    [
        ({"observations": {"colour": "red"}}, VisitError, ["[observations]", "'colour'", "drips"]),
        ({"observations": {"drips": "never"}}, VisitError, ["[observations]", "'drips'", "'never'", "hot"]),
        ({"observations": {"drips": 3}}, VisitError, ["[observations]", '"drips"', "3"]),
        ({"drain": {"drawn": "1 l"}}, VisitError, ["[drain]", '"drawn"', "volume"]),
        ({"drain": {"volume": "1"}}, QuantityError, ["[drain] volume", "'1'", "unit"]),
        ({"drain": {**DRAIN, "pressure_after": "1.4 bar"}}, PhysicsError, ["[drain]", "1.40 bar", "has to fall"]),
        ({"drain": {**DRAIN, "volume": "0 l"}}, PhysicsError, ["[drain]", "0.0 l"]),
        ({"log": [{"time": "7:00"}]}, VisitError, ["log, entry 1", '"pressure"', "missing"]),
        ({"log": [{"time": "7:00", "pressure": "1 bar", "heating": "on"}]}, VisitError, ["log, entry 1", '"heat"']),
        ({"log": [{"time": "noon", "pressure": "1 bar"}]}, VisitError, ["[[log]], reading 1", "'noon'"]),
        ({"log": [{"time": "7:00", "pressure": "1"}]}, QuantityError, ["[[log]], reading 1, pressure", "'1'"]),
        ({"log": [{"time": "7:00", "pressure": "1 bar", "fill": "ajar"}]}, VisitError, ["reading 1", "ajar", "open"]),
        ({"log": {"time": "7:00"}}, VisitError, ['"log"', "a list"]),
        ({"tank": {"acceptance": "45"}}, QuantityError, ["[tank] acceptance", "'45'", '"8 l"']),
        ({"tank": {"acceptance": "30 l"}}, PhysicsError, ["[tank] acceptance", "'30 l'", "167 %"]),
        ({"tank": {"kind": "plain", "water_end": None, "acceptance": "8 l"}}, VisitError, ["acceptance", "membrane"]),
        ({"tank": {"kind": "bladder"}}, VisitError, ['"water_end"', '"top"', "stands on the floor", '"bottom"']),
        ({"system": {"altitude": "90 km"}}, QuantityError, ["[system] altitude", "90 km"]),
        ({"system": {"altitude": "90000 m"}}, PhysicsError, ["[system] altitude"]),
        ({"readings": {"tank_above_gauge": "2 bar"}}, QuantityError, ["[readings] tank_above_gauge", "2 bar"]),
        ({"as_left": {"precharge": "1 l"}}, QuantityError, ["[as_left] precharge", "1 l"]),
        ({"visit": {"day": "x"}}, VisitError, ["[visit]", '"day"', "site"]),
    ],
)  # fmt: skip
def test_a_refusal_names_file_key_value_and_cure(sections: Any, error: type[TaptestError], words: list[str]) -> None:
    with pytest.raises(error) as caught:
        meaning(**sections)
    assert str(caught.value).startswith("visit.json")
    for word in words:
        assert word in str(caught.value)


def example(name: str) -> str:
    match = re.search(rf"<!-- example: {re.escape(name)} -->\n```\w+\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    assert match, name
    return match[1]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("tank.toml", "points.csv", "log.csv"):
        (tmp_path / name).write_text(example(name), encoding="utf-8")
    for name in ("p01.wav", "p02.wav", "p03.wav"):
        write_taps(tmp_path / name, 1)
    return tmp_path


def test_the_example_of_the_page_is_imported_whole(folder: Path) -> None:
    made, _ = import_visit(folder / "cellar", Sources(folder / "tank.toml", folder / "points.csv"))
    document = read_visit(folder / "cellar").document
    assert document == made.document
    assert document.visited_on == date(2025, 3, 14)
    assert (document.visit.site, document.visit.technician) == ("Mill Lane 4, cellar", "R. Quill")
    assert document.tank.serial == "0417-22"
    case = meaning_of(document, "visit.json").case
    assert case.drain is not None
    assert len(case.log) == 2
    assert len(case.observations) == 3
    assert [tank.volume_m3 for tank in case.parallel] == [pytest.approx(0.012)]
    assert case.parallel[0].acceptance_share == pytest.approx(0.5)
    assert case.tank.acceptance_share == 0.5
    assert case.system.altitude_m == 450.0


def test_the_example_names_every_key_that_there_is() -> None:
    given = read_tank_text(example("tank.toml"))
    left = {"height", "straight_length", "seam", "charged_at"}
    for name, section in record._SECTIONS.items():
        if name in SECTIONS:
            known = set(section.model_fields) | ({"date"} if name == "visit" else set())
            missing = known - set(given[name]) - left
            assert missing <= ({"water_temperature"} if name == "as_left" else set()), name
    assert set(given["parallel"][0]) == set(record.ParallelSection.model_fields)
    for name in left:
        assert f"`{name}`" in PAGE


def read_tank_text(text: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(text)


def test_a_log_table_goes_into_the_document_as_typed(folder: Path) -> None:
    text = example("tank.toml")
    start = text.index("[[log]]")
    (folder / "tank.toml").write_text(text[:start] + text[text.index("[as_left]") :], encoding="utf-8")
    made, _ = import_visit(folder / "a", Sources(folder / "tank.toml", folder / "points.csv", log=folder / "log.csv"))
    assert [entry.pressure for entry in made.document.log] == ["1,20 bar", "1,33 bar", "1,49 bar", "1,81 bar"]
    entries = meaning_of(made.document, "visit.json").case.log
    assert entries[3].water_t_c == 75.0
    assert entries[3].time_s == 1800.0


def test_two_logs_are_one_too_many(folder: Path) -> None:
    with pytest.raises(VisitError, match="two pressure logs"):
        import_visit(folder / "a", Sources(folder / "tank.toml", folder / "points.csv", log=folder / "log.csv"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[log]\ntime = '7:00'\n", r"write \[\[log\]\]"),
        ("log = 3\n", r"write \[\[log\]\]"),
        ("[observation]\ndrips = 'hot'\n", 'Did you mean "observations"'),
        ("drain = '1 l'\n", r"write \[drain\]"),
    ],
)
def test_sections_that_are_none(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "tank.toml").write_text(text, encoding="utf-8")
    with pytest.raises(VisitError, match=words):
        read_tank(tmp_path / "tank.toml")


@pytest.mark.parametrize(
    ("typed", "asked", "day"),
    [
        ('date = "2025-03-14"', None, date(2025, 3, 14)),
        ("date = 2025-03-14", None, date(2025, 3, 14)),
        ("date = 2025-03-14T07:00:00", None, date(2025, 3, 14)),
        ('date = "2025-03-14"', date(2024, 1, 2), date(2024, 1, 2)),
        ("", None, date(2023, 5, 6)),
    ],
)
def test_the_day_of_the_visit(folder: Path, typed: str, asked: date | None, day: date) -> None:
    text = example("tank.toml").replace('date = "2025-03-14"', typed)
    (folder / "tank.toml").write_text(text, encoding="utf-8")
    tables = Sources(folder / "tank.toml", folder / "points.csv", visited_on=asked, today=date(2023, 5, 6))
    assert import_visit(folder / "a", tables)[0].document.visited_on == day


def test_a_day_that_is_none_is_refused(folder: Path) -> None:
    text = example("tank.toml").replace("2025-03-14", "14.3.2025")
    (folder / "tank.toml").write_text(text, encoding="utf-8")
    with pytest.raises(VisitError, match=r"14\.3\.2025"):
        import_visit(folder / "a", Sources(folder / "tank.toml", folder / "points.csv"))


def test_empty_sections_stay_out_of_the_document() -> None:
    text = write_document(document_from(DOCUMENT, "visit.json"))
    for name in ("observations", "drain", "log", "as_left", '"visit"'):
        assert name not in text
    assert read_document(text, "visit.json") == document_from(DOCUMENT, "visit.json")

"""The document visit.json: strict reading, sentences, migrations. The format is the project's own."""

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from taptest.errors import VisitError
from taptest.visit.record import SCHEMA, migrate, nearest, read_document, write_document
from tests.made_visits import DOCUMENT


def changed(path: str, value: Any) -> str:
    document: Any = copy.deepcopy(DOCUMENT)
    *way, last = path.split(".")
    inner = document
    for key in way:
        inner = inner[int(key)] if key.isdigit() else inner.setdefault(key, {})
    inner[int(last) if last.isdigit() else last] = value
    return json.dumps(document)


def test_what_was_typed_comes_back_as_it_was_typed() -> None:
    text = changed("readings.pressure", "1,5 bar")
    document = read_document(text, "visit.json")
    assert document.readings.pressure == "1,5 bar"
    assert read_document(write_document(document), "visit.json") == document


def test_unknown_values_are_left_out_of_the_file() -> None:
    written = json.loads(write_document(read_document(json.dumps(DOCUMENT), "visit.json")))
    assert "wall" not in written["tank"]
    assert written["schema"] == SCHEMA


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("tank.volumen", "18 l", ["[tank]", '"volumen"', 'Did you mean "volume"?']),
        ("readings.Pressure", "1 bar", ['Did you mean "pressure"?']),
        ("rooms", {}, ['"rooms" is not known', "tank", "points"]),
        ("tank.kind", "bag", ['"kind"', '"bag"', "'bladder'"]),
        ("tank.volume", 18, ['"volume"', "18", '"18 l"']),
        ("tank.name", 18, ['"name"', 'write it as "18"']),
        ("readings.water_temperature", 68, ['"68 C" or "68 F"']),
        ("system.static_head", 7, ['"7 m" or "7 ft"']),
        ("system.relief", 3, ['"3 bar" or "3 psi"']),
        ("tank.volume", ["18 l"], ["text in quotation marks"]),
        ("readings.state", "warm", ["'cold' or 'hot'"]),
        ("visited_on", "2025-02-30", ["2025-02-30", "2025-01-31"]),
        ("visited_on", 20250230, ["a date like 2025-01-31"]),
        ("simulated", "yes", ["true or false"]),
        ("points", "none", ["a list"]),
        ("points.0.position_mm", "40", ["points, entry 1", '"position_mm"', "a number"]),
        ("points.1.taps", 0, ["points, entry 2", "at least 1"]),
        ("points.1.depth", 3, ['"depth"', "position_mm"]),
        ("tank", None, ['"tank"', "null", "a group of keys and values"]),
    ],
)
def test_a_refusal_names_file_key_value_and_cure(path: str, value: Any, words: list[str]) -> None:
    with pytest.raises(VisitError) as caught:
        read_document(changed(path, value), "cellar/visit.json")
    sentence = str(caught.value)
    assert sentence.startswith("cellar/visit.json")
    assert sentence.endswith((".", "?"))
    for word in words:
        assert word in sentence


@pytest.mark.parametrize(
    "file",
    ["../other.wav", "sound/../../x.wav", "/etc/passwd", "C:/x.wav", "C:x.wav", "sound\\x.wav", "\\\\host\\x.wav", ""],
)
def test_a_path_outside_the_visit_is_refused(file: str) -> None:
    with pytest.raises(VisitError, match="leads out of the visit"):
        read_document(changed("points.0.file", file), "visit.json")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not valid JSON"),
        ('{"schema": 1,', "line 1"),
        ("[]", "does not contain a visit document"),
        ('{"schema": 1, "schema": 1}', "twice"),
        ("[" * 100_000, "nested too deeply"),
        ('{"schema": 1, "tank": {"kind": "open"}, "points": [{"position_mm": NaN, "file": "a"}]}', "NaN"),
        ("{}", f'Add "schema": {SCHEMA}'),
        ('{"schema": true}', "schema"),
        ('{"schema": 1}', '"tank" is missing'),
    ],
)
def test_what_is_no_document_is_refused_in_a_sentence(text: str, words: str) -> None:
    with pytest.raises(VisitError, match=words):
        read_document(text, "visit.json")


def test_many_faults_are_told_three_at_a_time() -> None:
    document = dict(DOCUMENT, tank={"kind": "open", "a": "", "b": "", "c": "", "d": ""})
    with pytest.raises(VisitError, match="1 more fault"):
        read_document(json.dumps(document), "visit.json")


def test_a_newer_schema_asks_for_a_newer_version() -> None:
    with pytest.raises(VisitError, match="Install a newer taptest"):
        read_document(changed("schema", SCHEMA + 1), "visit.json")


def test_an_unknown_older_schema_is_refused() -> None:
    with pytest.raises(VisitError, match="no version of taptest has written"):
        read_document(changed("schema", 0), "visit.json")


def test_migrations_run_one_after_the_other() -> None:
    def to_two(raw: dict[str, Any]) -> dict[str, Any]:
        return {**raw, "boiler": raw["heater"]}

    def to_three(raw: dict[str, Any]) -> dict[str, Any]:
        assert raw["schema"] == 2
        return {key: value for key, value in raw.items() if key != "heater"}

    steps: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {1: to_two, 2: to_three}
    lifted = migrate({"schema": 1, "heater": "oil"}, "visit.json", newest=3, steps=steps)
    assert lifted == {"schema": 3, "boiler": "oil"}


def test_every_migration_below_the_newest_schema_is_there() -> None:
    from taptest.visit.record import MIGRATIONS

    assert sorted(MIGRATIONS) == list(range(1, SCHEMA))


def test_the_nearest_word_or_all_of_them() -> None:
    assert nearest("Water-Temperature", ["water_temperature", "pressure"]) == 'Did you mean "water_temperature"?'
    assert nearest("xyz", ["a", "b"]) == "Known here are: a, b."


def test_a_document_cannot_be_changed_by_accident() -> None:
    document = read_document(json.dumps(DOCUMENT), "visit.json")
    with pytest.raises(ValueError, match="frozen"):
        document.simulated = True

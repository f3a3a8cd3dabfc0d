"""Whatever stands in a visit's files, it is read or refused in a sentence; what was written is read back."""

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.errors import TaptestError
from taptest.visit.intake import read_points, read_tank
from taptest.visit.meaning import meaning_of
from taptest.visit.record import document_from, read_document, write_document
from tests.made_visits import DOCUMENT

FEW = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
PLACES = ["visited_on", "simulated", "tank", "readings", "points", "line", "observations", "schema", "parallel"]
KEYS = ["kind", "volume", "pressure", "water_end", "file", "position_mm", "taps", "state", "notes", "axis"]
TYPED = st.sampled_from(
    ["1.5 bar", "1,5 bar", "0 bar", "-2 bar", "18 l", "0 l", '14"', "68 F", "3 gal", "x", "", "1e400 bar"]
)


def refusal(read: Callable[[], object]) -> str:
    """The sentence with which `read` refuses; empty where it does not. Any other error fails the test."""
    try:
        read()
    except TaptestError as error:
        sentence = str(error)
        assert sentence.rstrip()[-1:] in ".?", sentence
        assert len(sentence) > 20, sentence
        return sentence
    return ""


@FEW
@given(st.text(max_size=200))
def test_any_text_is_a_document_or_refused(text: str) -> None:
    assert refusal(lambda: read_document(text, "visit.json"))


@FEW
@given(st.sampled_from(PLACES), JSON)
def test_any_value_at_the_top_is_taken_or_refused(place: str, value: Any) -> None:
    text = json.dumps({**copy.deepcopy(DOCUMENT), place: value})
    if not refusal(lambda: read_document(text, "visit.json")):
        document = read_document(text, "visit.json")
        assert read_document(write_document(document), "visit.json") == document


@FEW
@given(
    st.sampled_from(["tank", "readings", "system", "drain", "as_left"]),
    st.dictionaries(st.sampled_from(KEYS), TYPED | JSON),
)
def test_any_value_in_a_section_is_understood_or_refused(section: str, values: dict[str, Any]) -> None:
    raw: dict[str, Any] = copy.deepcopy(DOCUMENT)
    raw[section] = {**raw.get(section, {}), **values}
    sentence = refusal(lambda: meaning_of(document_from(raw, "visit.json"), "visit.json"))
    assert not sentence or "visit.json" in sentence


@FEW
@given(
    st.lists(
        st.dictionaries(st.sampled_from(["volume", "precharge", "charged_at", "acceptance", "kind"]), TYPED | JSON),
        max_size=3,
    )
)
def test_any_other_tanks_are_understood_or_refused(tanks: list[dict[str, Any]]) -> None:
    raw: dict[str, Any] = {**copy.deepcopy(DOCUMENT), "parallel": tanks}
    sentence = refusal(lambda: meaning_of(document_from(raw, "visit.json"), "visit.json"))
    assert not sentence or "visit.json" in sentence


@FEW
@given(
    st.binary(max_size=120) | st.text("position_mf,;\t\n0123456789.-\"'", max_size=80).map(str.encode), st.booleans()
)
def test_any_bytes_are_a_table_or_refused(tmp_path: Path, content: bytes, walk: bool) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(content)
    sentence = refusal(lambda: read_points(path, walk=walk))
    assert not sentence or "points.csv" in sentence


@FEW
@given(st.binary(max_size=120))
def test_any_bytes_are_a_tank_or_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "tank.toml"
    path.write_bytes(content)
    sentence = refusal(lambda: read_tank(path))
    assert not sentence or "tank.toml" in sentence


@FEW
@given(
    st.lists(st.floats(-10, 2000).map(lambda x: round(x, 2)), min_size=1, max_size=20, unique=True),
    st.sampled_from([(",", "."), (";", ","), ("\t", ","), (";", ".")]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_a_table_is_read_back(tmp_path: Path, positions: list[float], marks: tuple[str, str], encoding: str) -> None:
    separator, decimal = marks
    lines = [f"position_mm{separator}taps"]
    lines += [f"{position}".replace(".", decimal) + f"{separator}{k % 9 + 1}" for k, position in enumerate(positions)]
    path = tmp_path / "points.csv"
    path.write_text("\r\n".join(lines), encoding=encoding)
    rows = read_points(path, walk=True)
    assert [row.position_mm for row in rows] == positions
    assert [row.taps for row in rows] == [k % 9 + 1 for k in range(len(positions))]

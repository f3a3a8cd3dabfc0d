"""Properties of visits on the disk and over time: written documents read back, the index is what the folders say,
parcels come back whole or are refused, and the trend recovers a known loss."""

import json
import shutil
import tempfile
import warnings
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.errors import TaptestError
from taptest.finding.cause_table import EVIDENCE
from taptest.finding.records import Interval
from taptest.visit import shelf as shelf_module
from taptest.visit.files import read_visit
from taptest.visit.meaning import meaning_of
from taptest.visit.parcel import pack_visit, unpack_visit
from taptest.visit.record import document_from, read_document, write_document
from taptest.visit.shelf import Search, Shelf
from taptest.visit.trend import Estimate, Setting, fit_trend
from tests.samples import part

pytestmark = pytest.mark.sampled

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
PRESSURES = st.one_of(
    st.floats(0.1, 6).map(lambda bar: f"{bar:.2f} bar"),
    st.floats(2, 80).map(lambda psi: f"{psi:.1f} psi"),
    st.floats(1.2, 6).map(lambda bar: f"{bar:.2f} bar abs".replace(".", ",")),
)
TEMPERATURES = st.one_of(st.floats(-5, 99).map(lambda c: f"{c:.1f} C"), st.floats(40, 210).map(lambda f: f"{f:.0f}°F"))
ANSWERS = st.lists(st.sampled_from(EVIDENCE), unique_by=lambda each: each.name, max_size=6).flatmap(
    lambda chosen: st.fixed_dictionaries({each.name: st.sampled_from(each.answers) for each in chosen})
)
LOGS = st.lists(
    st.fixed_dictionaries(
        {"pressure": PRESSURES},
        optional={
            "temperature": TEMPERATURES,
            "heat": st.sampled_from(["on", "off"]),
            "fill": st.sampled_from(["open", "shut"]),
        },
    ),
    max_size=5,
).map(lambda readings: [{"time": f"{10 * number} min", **each} for number, each in enumerate(readings)])


@st.composite
def documents(draw: st.DrawFn) -> dict[str, Any]:
    """Documents of every section, each key given or left out."""
    raw: dict[str, Any] = {
        "schema": 1,
        "tank": {
            "kind": "diaphragm",
            "water_end": draw(st.sampled_from(["top", "bottom"])),
            "volume": draw(st.sampled_from(["18 l", "4.8 gal", "0,018 m3"])),
            "diameter": draw(st.sampled_from(["270 mm", '10 5/8"', "27 cm"])),
            "name": draw(TEXTS),
            **draw(st.fixed_dictionaries({}, optional={"acceptance": st.just("45 %"), "serial": TEXTS})),
        },
        "points": [{"position_mm": position, "file": "sound/a.wav", "taps": 3} for position in (40, 80.5)],
    }
    sections = {
        "visit": {"site": TEXTS, "technician": TEXTS},
        "system": {"altitude": st.floats(-100, 3000).map(lambda m: f"{m:.0f} m"), "relief": PRESSURES},
        "readings": {"pressure": PRESSURES, "tank_above_gauge": st.just("-1.5 m"), "notes": TEXTS},
        "as_left": {"pressure": PRESSURES, "precharge": PRESSURES, "water_temperature": TEMPERATURES, "work": TEXTS},
    }
    for name, keys in sections.items():
        raw[name] = draw(st.fixed_dictionaries({}, optional=keys))
    raw["observations"], raw["log"] = draw(ANSWERS), draw(LOGS)
    if draw(st.booleans()):
        raw["visited_on"] = draw(st.dates()).isoformat()
    if draw(st.booleans()):
        raw["drain"] = {"volume": "1 l", "pressure_before": "1.3 bar", "pressure_after": "1.1 bar"}
    return raw


@settings(max_examples=part(60), deadline=None)
@given(documents())
def test_what_is_written_reads_back_and_means_the_same(raw: dict[str, Any]) -> None:
    document = document_from(raw, "visit.json")
    again = read_document(write_document(document), "visit.json")
    assert again == document
    assert write_document(again) == write_document(document)
    first, second = meaning_of(document, "visit.json"), meaning_of(again, "visit.json")
    assert first == second
    assert first.case.observations == raw["observations"]
    assert len(first.case.log) == len(raw["log"])
    assert (first.case.drain is None) == ("drain" not in raw)


@settings(max_examples=part(150), deadline=None)
@given(
    documents(),
    st.sampled_from(["visit", "observations", "drain", "log", "as_left", "system", "readings", "tank"]),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | TEXTS,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
        max_leaves=6,
    ),
)
def test_hostile_values_end_in_a_sentence(raw: dict[str, Any], section: str, value: Any) -> None:
    raw[section] = value
    said = "visit.json"
    try:
        meaning_of(read_document(json.dumps(raw), "visit.json"), "visit.json")
    except TaptestError as error:
        said = str(error)
    assert said.startswith("visit.json")


def lay_down(root: Path, visits: list[tuple[str, str, date | None]]) -> None:
    for number, (site, tank, day) in enumerate(visits):
        folder = root / f"{number % 3}" / f"{number:02d}"
        (folder / "sound").mkdir(parents=True)
        (folder / "sound" / "a.wav").write_bytes(b"sound")
        raw: dict[str, Any] = {
            "schema": 1,
            "visit": {"site": site},
            "tank": {"kind": "open", "name": tank, "volume": "50 l", "diameter": "300 mm"},
            "points": [{"position_mm": 40, "file": "sound/a.wav"}],
        }
        if day is not None:
            raw["visited_on"] = day.isoformat()
        (folder / "visit.json").write_text(json.dumps(raw), encoding="utf-8")


@settings(max_examples=part(12), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(TEXTS, TEXTS, st.none() | st.dates()), max_size=6),
    st.lists(st.tuples(TEXTS, TEXTS, st.none() | st.dates()), max_size=6),
)
def test_an_index_that_was_kept_up_is_one_made_anew(
    monkeypatch: pytest.MonkeyPatch,
    before: list[tuple[str, str, date | None]],
    after: list[tuple[str, str, date | None]],
) -> None:
    monkeypatch.setattr(shelf_module, "SETTLED_S", -10.0)
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        lay_down(root, before)
        with Shelf(root) as shelf:
            shelf.refresh()
            for folder in [each for each in root.iterdir() if each.is_dir()]:
                shutil.rmtree(folder)
            lay_down(root, after)
            shelf.refresh()
            kept_up = shelf.search()
            shelf.rebuild()
            assert shelf.search() == kept_up
            days = [entry.visited_on or date.min for entry in kept_up]
            assert days == sorted(days, reverse=True)
            assert len(kept_up) == len(after)
            for site, tank, day in after:
                found = shelf.search(Search(site=site, tank=tank, since=day, until=day))
                assert any((entry.site, entry.tank) == (site.strip(), tank.strip()) for entry in found)


@settings(max_examples=part(60), deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text(st.sampled_from("ab./\\:~\x00 ünul"), min_size=1, max_size=12) | st.just("visit.json"),
            st.binary(max_size=20),
        ),
        max_size=5,
    )
)
def test_a_foreign_parcel_writes_nothing_outside(entries: list[tuple[str, bytes]]) -> None:
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        lay_down(root / "from", [("a", "b", None)])
        visit = read_visit(root / "from" / "0" / "00")
        pack_visit(visit, root / "a.zip")
        with warnings.catch_warnings(), zipfile.ZipFile(root / "a.zip", "a") as parcel:
            warnings.simplefilter("ignore", UserWarning)  # twins are wanted here
            for name, content in entries:
                parcel.writestr(zipfile.ZipInfo(name), content)
        before = {path for path in root.rglob("*") if not path.is_relative_to(root / "in")}
        try:
            unpack_visit(root / "a.zip", root / "in" / "visit")
        except TaptestError:
            assert not (root / "in" / "visit").exists()
        else:
            assert read_visit(root / "in" / "visit").document == visit.document
        assert {path for path in root.rglob("*") if not path.is_relative_to(root / "in")} == before
        assert {path.name for path in (root / "in").iterdir()} <= {"visit"} if (root / "in").exists() else True


@settings(max_examples=part(80), deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=6))
def test_a_damaged_parcel_is_unpacked_whole_or_refused(changes: list[tuple[float, int]]) -> None:
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        lay_down(root / "from", [("a", "b", None)])
        visit = read_visit(root / "from" / "0" / "00")
        pack_visit(visit, root / "a.zip")
        content = bytearray((root / "a.zip").read_bytes())
        for where, value in changes:
            content[int(where * len(content))] = value
        (root / "a.zip").write_bytes(content)
        try:
            unpack_visit(root / "a.zip", root / "back")
        except TaptestError:
            assert {path.name for path in root.iterdir()} == {"from", "a.zip"}
        else:
            assert read_visit(root / "back").document == visit.document


@settings(max_examples=part(10), deadline=None, derandomize=True)
@given(
    st.floats(-0.05, 0.6),
    st.floats(0.8, 2.0),
    st.integers(4, 7),
    st.floats(1.5, 6.0),
    st.integers(0, 1000),
    st.booleans(),
)
def test_a_known_loss_is_recovered(
    rate: float, start: float, count: int, span: float, seed: int, charged: bool
) -> None:
    rng = np.random.default_rng(seed)
    years = np.linspace(0.0, span, count)
    sd = 0.02
    middle = float(years[count // 2])
    bar = start - rate * years + np.where(charged & (years > middle), rate * middle, 0.0)
    told = bar + sd * np.clip(rng.standard_normal(count), -1.5, 1.5)
    visits = [
        Estimate(float(y), Interval(1e5 * b, 1e5 * (b - 1.645 * sd), 1e5 * (b + 1.645 * sd)))
        for y, b in zip(years, told, strict=True)
    ]
    settings_made = [Setting(middle, 1e5 * start)] if charged else []
    trend = fit_trend(visits, settings_made, span, rng)
    assert trend.loss_pa_per_year is not None
    found = trend.loss_pa_per_year
    assert trend.bound is None
    assert found.low <= found.median <= found.high
    # Four standard deviations of the slope, with the errors at hand.
    spread = 1e5 * sd / float(np.sqrt(np.sum((years - years.mean()) ** 2)))
    assert found.median == pytest.approx(1e5 * rate, abs=(8 if charged else 4) * spread)
    assert trend.charge_now_pa.median == pytest.approx(1e5 * bar[-1], abs=6e3)

"""Every page of the desk: what it shows, what it takes, and that the finding follows. Taps are made up; the model of
the tank is left out here.
"""

import csv
import html
import io
import json
import re
import shutil
import subprocess
import sys
import time
import wave
import zipfile
from collections.abc import Iterator
from pathlib import Path

import jinja2
import numpy as np
import pytest
import soundfile
from pypdf import PdfReader
from starlette.routing import Route

from taptest.desk.app import ROUTES, function_of
from taptest.desk.render import Compiled
from taptest.desk.visits import ident_of, mark_of
from taptest.sound.recording import write_recording
from taptest.visit.files import read_visit, save_document
from taptest.visit.record import Document, HandDecision, PointEntry
from tests.made_desk import BASE, Pages, copy_without_model, make_shelf, pages
from tests.made_visits import tap_sound, write_tables, write_taps
from tests.said import keys_shown
from tests.unit.test_photographs import picture

IDENT = ident_of("cellar")
VISIT = f"/visit/{IDENT}"
TYPED = {
    "visit.site": "Mill Lane 4",
    "visit.date": "2025-03-14",
    "tank.name": "Cellar",
    "tank.kind": "diaphragm",
    "tank.water_end": "top",
    "tank.axis": "vertical",
    "tank.volume": "18 l",
    "tank.diameter": "270 mm",
    "readings.pressure": "1,5 bar",
}


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("desk") / "visits"
    make_shelf(root)
    return root


@pytest.fixture
def root(ready: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return copy_without_model(ready, tmp_path, monkeypatch)


@pytest.fixture
def client(root: Path) -> Iterator[Pages]:
    with pages(root) as client:
        client.desk.visits.search(refresh=True)
        yield client


def shown(client: Pages, path: str, status: int = 200) -> str:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    text = html.unescape(answer.text)
    assert not keys_shown(text), "keys of the catalogue stand where their texts should"
    return text


def document(root: Path) -> Document:
    return read_visit(root / "cellar").document


# --- the shelf


def test_the_shelf_lists_a_visit_and_finds_it(client: Pages) -> None:
    assert "Cellar" in shown(client, "/")
    assert "Cellar" in shown(client, "/?tank=CELL")
    assert "No visit fits" in shown(client, "/?tank=attic")
    assert "No visit fits" in shown(client, "/?site=Mill")
    assert "Cellar" in shown(client, "/?finding=not+judged")
    assert "is not a date" in shown(client, "/?since=yesterday")


def test_new_folders_are_found_when_the_page_looks(client: Pages, root: Path) -> None:
    shutil.copytree(root / "cellar", root / "attic")
    assert client.get("/fresh").json() == {"changed": True}
    assert shown(client, "/").count(">Cellar</a>") == 2
    assert "cellar" in client.get("/visits.csv").text


def test_a_long_list_comes_in_parts(client: Pages, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from taptest.desk import shelf_pages

    monkeypatch.setattr(shelf_pages, "SHOWN", 2)
    for number in range(4):
        shutil.copytree(root / "cellar", root / f"more-{number}")
    page = shown(client, "/?look=yes&tank=cellar")
    assert page.count(">Cellar</a>") == 2
    assert "from=2" in page
    assert "5 to 5 of 5" in shown(client, "/?tank=cellar&from=4")
    assert shown(client, "/?from=-1").count(">Cellar</a>") == 2


def test_an_unreadable_visit_says_why(client: Pages, root: Path) -> None:
    (root / "cellar" / "visit.json").write_text("{", encoding="utf-8")
    page = shown(client, "/?look=yes")
    assert "unreadable" in page
    assert "not valid JSON" in page
    assert "not valid JSON" in shown(client, VISIT, 422)


# --- a new visit


def test_the_form_says_what_is_wrong_beside_the_field_and_keeps_what_was_typed(client: Pages) -> None:
    typed = TYPED | {"readings.pressure": "1.5", "tank.volume": "18 bananas", "tank.kind": "", "visit.date": "31.1.25"}
    answer = client.send_form("/new", data=typed)
    assert answer.status_code == 422
    page = html.unescape(answer.text)
    for name, word in (
        ("readings.pressure", "unit"),
        ("tank.volume", "bananas"),
        ("tank.kind", "Choose"),
        ("visit.date", "2025-01-31"),
    ):
        error = re.search(rf'id="{re.escape(name)}-error">(.*?)<', page)
        assert error, name
        assert word in error[1]
        assert f'href="#{name}"' in page
    assert 'value="18 bananas"' in page
    assert client.get("/").text.count(">Cellar</a>") == 1


@pytest.mark.parametrize(
    ("changed", "place"),
    [
        ({"tank.water_end": ""}, "tank.water_end"),
        ({"tank.seam": "3 m"}, "tank.seam"),
        ({"tank.kind": "plain"}, "tank.water_end"),
        ({"readings.gauge_error": "-0.1 bar"}, "readings.gauge_error"),
        ({"tank.acceptance": "many"}, "tank.acceptance"),
        ({"system.fluid": "soup"}, "system.fluid"),
        ({"tank.head": "pointed"}, "tank.head"),
    ],
)
def test_what_only_shows_when_all_is_read_goes_to_its_field_too(
    client: Pages, changed: dict[str, str], place: str
) -> None:
    answer = client.send_form("/new", data=TYPED | changed)
    assert answer.status_code == 422
    assert f'id="{place}-error"' in answer.text


def test_a_tank_that_cannot_be_is_told_above_the_form(client: Pages) -> None:
    answer = client.send_form("/new", data=TYPED | {"tank.height": "100 mm", "tank.diameter": "2 m"})
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text


def test_a_visit_without_recordings_waits_for_them(client: Pages, root: Path) -> None:
    answer = client.send_form("/new", data=TYPED)
    assert answer.status_code == 303
    page = shown(client, answer.headers["location"])
    assert "no taps yet" in page
    made = read_visit(root / "2025-03-14-mill-lane-4-cellar").document
    assert made.readings.pressure == "1,5 bar"
    assert made.visit.site == "Mill Lane 4"
    assert client.send_form("/new", data=TYPED).status_code == 303
    assert (root / "2025-03-14-mill-lane-4-cellar-2" / "visit.json").is_file()


def upload(folder: Path) -> list[tuple[str, tuple[str, bytes, str]]]:
    return [
        ("files", (path.name, path.read_bytes(), "application/octet-stream"))
        for path in sorted(folder.iterdir())
        if path.suffix in (".csv", ".wav")
    ]


def test_dropped_files_make_a_visit_with_a_finding(client: Pages, root: Path, tmp_path: Path) -> None:
    write_tables(tmp_path / "sent", 6, spacing_mm=45.0)
    answer = client.send_form("/new", data=TYPED, files=upload(tmp_path / "sent"))
    assert answer.status_code == 303, answer.text
    page = shown(client, answer.headers["location"])
    assert "Points and taps" in page
    assert len(read_visit(root / "2025-03-14-mill-lane-4-cellar").document.points) == 6


def test_one_walk_needs_no_table_where_its_marks_are_typed(client: Pages, root: Path, tmp_path: Path) -> None:
    onsets = [1.0 + 2.5 * point + 0.6 * tap for point in range(5) for tap in range(3)]
    soundfile.write(tmp_path / "walk.wav", tap_sound(onsets, 15.0), 16_000)
    walk = {"walk.first": "40 mm", "walk.last": "240 mm", "walk.every": "5 cm", "walk.taps": "3"}
    files = [("files", ("walk.wav", (tmp_path / "walk.wav").read_bytes(), "audio/wav"))]
    refused = client.send_form("/new", data=TYPED, files=files)
    assert refused.status_code == 422
    assert "First mark is not given" in refused.text
    refused = client.send_form("/new", data=TYPED | walk | {"walk.every": "7 cm"}, files=files)
    assert "not a whole number of steps" in refused.text
    answer = client.send_form("/new", data=TYPED | walk, files=files)
    assert answer.status_code == 303, answer.text
    points = read_visit(root / "2025-03-14-mill-lane-4-cellar").document.points
    assert [(point.position_mm, point.taps) for point in points] == [(40, 3), (90, 3), (140, 3), (190, 3), (240, 3)]


@pytest.mark.parametrize(
    ("names", "sentence"),
    [
        (["a.exe"], "neither a table nor a sound file"),
        (["a.csv", "b.csv"], "2 tables were sent"),
        (["points.csv"], "No sound file was sent"),
        (["a.wav", "b.wav"], "need a table"),
        (["points.csv", "x/../POINTS.CSV", "a.wav"], "Two files are called"),
        (["tank.toml"], "Two files are called"),
        (["..", "a.wav"], "cannot be kept"),
        (["points.csv", "a.wav"], "is empty"),
    ],
)
def test_files_that_cannot_be_a_visit_are_refused_whole(
    client: Pages, root: Path, names: list[str], sentence: str
) -> None:
    before = sorted(path for path in root.rglob("*") if not path.name.startswith("."))
    files = [("files", (name, b"", "application/octet-stream")) for name in names]
    answer = client.send_form("/new", data=TYPED, files=files)
    assert answer.status_code == 422
    assert sentence in html.unescape(answer.text)
    assert "taptest-" not in answer.text.replace("taptest-desk", "")
    assert sorted(path for path in root.rglob("*") if not path.name.startswith(".")) == before


def test_a_new_visit_to_a_known_tank_knows_the_tank(client: Pages) -> None:
    page = shown(client, f"/new?like={IDENT}")
    assert 'value="270 mm"' in page
    assert 'value="1,5 bar"' not in page
    assert "Visit not found" in shown(client, "/new?like=..%2F..%2Fetc", 404)


def test_sound_can_come_later(client: Pages, root: Path, tmp_path: Path) -> None:
    where = client.send_form("/new", data=TYPED).headers["location"].partition("?")[0]
    assert "No file was chosen" in html.unescape(client.send_form(f"{where}/sound", data={}).text)
    write_tables(tmp_path / "sent", 6, spacing_mm=45.0)
    answer = client.send_form(f"{where}/sound", data={}, files=upload(tmp_path / "sent"))
    assert answer.status_code == 303, answer.text
    assert "Points and taps" in shown(client, where)
    again = client.send_form(f"{where}/sound", data={}, files=upload(tmp_path / "sent"))
    assert again.status_code == 422


# --- one visit


def test_the_visit_shows_finding_reasons_points_and_what_was_not_checked(client: Pages) -> None:
    page = shown(client, VISIT)
    kept = json.loads(client.get(f"{VISIT}/finding.json").text)["finding"]
    assert kept["sentence"] in page
    assert all(sentence in page for sentence in [*kept["reasons"], *kept["not_checked"], *kept["next_checks"]])
    assert page.count(">Listen</a>") == 6
    assert client.get(f"{VISIT}/state").json()["state"] == "done"


FILES = (
    ("boundary.svg", "image/svg+xml", b"<?xml"),
    ("boundary.png", "image/png", b"\x89PNG"),
    ("boundary.pdf", "application/pdf", b"%PDF"),
    ("forecast.svg", "image/svg+xml", b"<?xml"),
    ("report.pdf", "application/pdf", b"%PDF"),
    ("customer.pdf?paper=letter&wording=uk", "application/pdf", b"%PDF"),
    ("finding.json", "application/json", b"{"),
    ("visit.zip", "application/zip", b"PK"),
)


def test_the_picture_comes_upright_for_a_narrow_screen(client: Pages) -> None:
    assert "boundary.svg?upright=yes" in shown(client, VISIT)
    wide, upright = (
        re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', client.get(f"{VISIT}/boundary.svg{query}").text)
        for query in ("", "?upright=yes")
    )
    assert wide is not None
    assert upright is not None
    assert float(wide[1]) > float(wide[2])
    assert float(upright[1]) < float(upright[2])


def test_a_visit_gives_files_to_take_along(client: Pages) -> None:
    for path, kind, start in FILES:
        answer = client.get(f"{VISIT}/{path}")
        assert answer.status_code == 200, path
        assert answer.headers["content-type"] == kind, path
        assert answer.content.startswith(start), path
        assert ("sandbox" in answer.headers["content-security-policy"]) == path.endswith(".svg"), path
    assert client.get(f"{VISIT}/boundary.png").content == client.get(f"{VISIT}/boundary.png?take=yes").content


def test_a_visit_without_a_forecast_says_what_it_would_need(client: Pages, root: Path) -> None:
    kept = document(root)
    save_document(root / "cellar", kept.model_copy(update={"system": kept.system.model_copy(update={"volume": None})}))
    assert "When it gets hot" not in shown(client, VISIT)
    assert "the water in the system" in shown(client, f"{VISIT}/forecast.png", 404)


@pytest.mark.parametrize(
    "path", ["boundary.exe", "forecast.exe", "other.pdf", "point/0", "point/7", "point/99999999999999999999"]
)
def test_what_a_visit_does_not_have_is_not_found(client: Pages, path: str) -> None:
    assert client.get(f"{VISIT}/{path}").status_code == 404


def test_a_packed_visit_comes_back_whole(client: Pages, root: Path) -> None:
    packed = client.get(f"{VISIT}/visit.zip").content
    names = zipfile.ZipFile(io.BytesIO(packed)).namelist()
    assert "visit.json" in names
    answer = client.send_form("/unpack", files=[("files", ("../../evil.zip", packed, "application/zip"))])
    assert answer.status_code == 303
    assert read_visit(root / "evil").document == document(root)
    refused = client.send_form("/unpack", files=[("files", ("x.zip", b"no zip", "application/zip"))])
    assert refused.status_code == 422
    assert not (root / "x").exists()
    assert client.send_form("/unpack", data={}).status_code == 422


def test_details_are_corrected_and_the_rest_of_the_visit_stays(client: Pages, root: Path) -> None:
    before = document(root)
    page = shown(client, f"{VISIT}/details")
    mark = re.search(r'name="mark" value="(\w+)"', page)
    assert mark
    kept = dict(re.findall(r'<input id="[^"]+" name="([\w.]+)" type="\w+" value="([^"]*)"', page))
    kept |= {"tank.kind": "diaphragm", "tank.water_end": "top", "tank.axis": "vertical", "tank.head": "ellipsoidal"}
    typed = kept | {"readings.pressure": "2 bar", "visit.technician": "R. Quill", "mark": mark[1]}
    assert client.send_form(f"{VISIT}/details", data=typed).status_code == 303
    after = document(root)
    assert after.readings.pressure == "2 bar"
    assert after.visit.technician == "R. Quill"
    assert after.points == before.points
    assert after.tank == before.tank
    late = client.send_form(f"{VISIT}/details", data=typed | {"readings.pressure": "3 bar"})
    assert late.status_code == 409
    assert "changed meanwhile" in late.text
    assert 'value="3 bar"' in late.text
    assert document(root).readings.pressure == "2 bar"
    wrong = client.send_form(f"{VISIT}/details", data=typed | {"readings.pressure": "3"})
    assert wrong.status_code == 422
    off = client.send_form(
        f"{VISIT}/details", data=typed | {"mark": mark_of(after), "tank.height": "120 mm", "tank.volume": ""}
    )
    assert off.status_code == 422


def weight_of(page: str, cause: str) -> float:
    """The percentage that a page gives a cause."""
    row = re.search(rf'<th scope="row">{cause}</th>(.*?)</tr>', page, re.DOTALL)
    assert row is not None
    number = re.search(r"(\d+) ?%", row[1])
    assert number is not None, row[1]
    return float(number[1])


def test_the_causes_follow_what_was_seen(client: Pages, root: Path) -> None:
    before = shown(client, VISIT)
    answer = client.send_form(f"{VISIT}/evidence", data={"evidence.pressure rises": "heat off, fill open"})
    assert answer.headers["location"].endswith("#causes")
    assert document(root).observations == {"pressure rises": "heat off, fill open"}
    after = shown(client, answer.headers["location"])
    first = re.compile(r'<table class="causes">.*?<tbody><tr><th scope="row">(.*?)</th>', re.DOTALL)
    was, now = first.search(before), first.search(after)
    assert was
    assert now
    assert now[1] == "fill valve creeping"
    assert weight_of(after, now[1]) > weight_of(before, now[1])
    assert client.send_form(f"{VISIT}/evidence", data={"evidence.drips": "now and then"}).status_code == 422
    client.send_form(f"{VISIT}/evidence", data={})
    assert document(root).observations == {"pressure rises": "heat off, fill open"}
    page = shown(client, VISIT)
    assert '<input type="hidden" name="shown.pressure rises" value="heat off, fill open">' in page
    back = {"shown.pressure rises": "heat off, fill open", "evidence.pressure rises": ""}
    client.send_form(f"{VISIT}/evidence", data=back)
    assert document(root).observations == {}


def test_an_older_tab_overwrites_no_answer_that_it_does_not_change(client: Pages, root: Path) -> None:
    """Two tabs are opened, then each answers another question."""
    first = {"shown.drips": "", "evidence.drips": "hot", "shown.weight": "", "evidence.weight": ""}
    second = {"shown.drips": "", "evidence.drips": "", "shown.weight": "", "evidence.weight": "light"}
    client.send_form(f"{VISIT}/evidence", data=first)
    client.send_form(f"{VISIT}/evidence", data=second)
    assert document(root).observations == {"drips": "hot", "weight": "light"}
    third = {"shown.drips": "", "evidence.drips": "cold"}
    page = shown(client, client.send_form(f"{VISIT}/evidence", data=third).headers["location"])
    assert document(root).observations == {"drips": "cold", "weight": "light"}
    assert "“Drips” was answered “hot” in another tab meanwhile, and now “cold”." in page


def test_the_history_tells_all_visits_to_the_tank(client: Pages, root: Path) -> None:
    for number, day in enumerate(("2024-01-10", "2025-01-10")):
        shutil.copytree(root / "cellar", root / f"past-{number}")
        dated = Document.model_validate({**document(root).model_dump(by_alias=True), "visited_on": day})
        save_document(root / f"past-{number}", dated)
    with pages(root) as fresh:
        page = shown(fresh, f"{VISIT}/history")
        while "Reading the visits" in page:
            page = shown(fresh, f"{VISIT}/history")
        assert "2024-01-10" in page
        assert fresh.get(f"{VISIT}/history/state").json()["state"] == "done"
        assert fresh.get(f"{VISIT}/history.svg").status_code in (200, 422)


# --- a visit that is broken


def test_a_wrong_value_leads_to_its_field_and_keeps_what_was_typed(client: Pages, root: Path) -> None:
    kept = document(root)
    save_document(root / "cellar", kept.model_copy(update={"tank": kept.tank.model_copy(update={"volume": "35 x"})}))
    page = shown(client, VISIT)
    assert "Not judged" in page
    assert str(root) not in re.sub(r"<code>.*?</code>", "", page)
    assert f'href="{VISIT}/details"' in page
    page = shown(client, f"{VISIT}/details")
    error = re.search(r'id="tank\.volume-error">(.*?)<', page)
    assert error
    assert "35 x" in error[1]
    assert 'href="#tank.volume"' in page
    assert 'value="35 x"' in page


def test_a_document_that_is_none_is_mended_as_text(client: Pages, root: Path) -> None:
    path = root / "cellar" / "visit.json"
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole.replace('"volume": "18 l"', '"volumen": "18 l"'), encoding="utf-8")
    page = shown(client, VISIT, 422)
    assert "Did you mean" in page
    assert '"volumen": "18 l"' in page
    mark = re.search(r'name="mark" value="(\w+)"', page)
    assert mark
    wrong = whole.replace('"18 l"', "18")
    answer = client.send_form(f"{VISIT}/mend/text", data={"text": wrong, "mark": mark[1]})
    assert answer.status_code == 422
    assert "bare number" in answer.text
    assert '"volume": 18' in html.unescape(answer.text), "what was typed is lost"
    assert "volumen" in path.read_text(encoding="utf-8")
    late = client.send_form(f"{VISIT}/mend/text", data={"text": whole, "mark": "0" * 16})
    assert late.status_code == 409
    answer = client.send_form(f"{VISIT}/mend/text", data={"text": whole, "mark": mark[1]})
    assert answer.status_code == 303
    assert json.loads(path.read_text(encoding="utf-8")) == json.loads(whole)
    assert "Edit visit.json" not in shown(client, VISIT)


def test_a_missing_recording_is_brought_back_or_left_out(client: Pages, root: Path) -> None:
    sound = root / "cellar" / "sound" / "p02.wav"
    content = sound.read_bytes()
    sound.unlink()
    page = shown(client, VISIT, 422)
    assert "sound/p02.wav" in page
    assert f'href="{VISIT}"' in shown(client, f"{VISIT}/point/1", 422), "the other pages lead to the one that mends"
    for name, sent, said in (("x.wav", content, "p02.wav"), ("../p02.wav", b"no sound", "p02.wav")):
        answer = client.send_form(f"{VISIT}/mend/sound", files=[("files", (name, sent, "audio/wav"))])
        assert answer.status_code == 422
        assert said in answer.text
        assert not sound.exists()
    answer = client.send_form(f"{VISIT}/mend/sound", files=[("files", ("P02.wav", content, "audio/wav"))])
    assert answer.status_code == 303
    assert sound.read_bytes() == content
    assert len(read_visit(root / "cellar").document.points) == 6
    sound.unlink()
    answer = client.send_form(f"{VISIT}/mend/without", data={})
    assert answer.status_code == 303
    assert "90 mm" in shown(client, answer.headers["location"])
    assert [point.position_mm for point in document(root).points] == [45, 135, 180, 225, 270]


def test_a_file_that_is_no_sound_is_mended_like_one_that_is_missing(client: Pages, root: Path) -> None:
    sound = root / "cellar" / "sound" / "p02.wav"
    content = sound.read_bytes()
    sound.write_bytes(b"no sound at all")
    page = shown(client, f"{VISIT}/mend")
    assert "can't be read as audio" in page
    assert "sound/p02.wav" in page
    assert "sound/p01.wav" not in page.partition("<textarea")[0]
    answer = client.send_form(f"{VISIT}/mend/sound", files=[("files", ("p02.wav", content, "audio/wav"))])
    assert answer.status_code == 303
    assert sound.read_bytes() == content
    assert sound.with_name("p02.wav.unreadable").read_bytes() == b"no sound at all"
    assert "can't be read as audio" not in shown(client, f"{VISIT}/mend")


def test_nothing_is_brought_where_a_link_leads_out(client: Pages, root: Path, tmp_path: Path) -> None:
    shutil.move(root / "cellar" / "sound", tmp_path / "elsewhere")
    content = (tmp_path / "elsewhere" / "p02.wav").read_bytes()
    (tmp_path / "elsewhere" / "p02.wav").unlink()
    try:
        (root / "cellar" / "sound").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    except OSError:
        pytest.skip("This system makes no links.")
    answer = client.send_form(f"{VISIT}/mend/sound", files=[("files", ("p02.wav", content, "audio/wav"))])
    assert answer.status_code == 422
    assert not (tmp_path / "elsewhere" / "p02.wav").exists()


# --- settings

US_WORDS = re.compile(r"\b(tanks?|relief (?:valve|setting)|fill valve)\b", re.IGNORECASE)


def said_on(page: str) -> str:
    """What a page says: its text, and what it says of pictures and parts; without what stands in the form's fields."""
    spoken = " ".join(re.findall(r'(?:alt|aria-label)="([^"]*)"', page))
    text = re.sub(
        r"<[^>]*>", " ", re.sub(r"<(?:style|script|code).*?</(?:style|script|code)>", " ", page, flags=re.DOTALL)
    )
    return text + spoken


def test_every_page_speaks_the_chosen_words(client: Pages, root: Path) -> None:
    dated = Document.model_validate({**document(root).model_dump(by_alias=True), "visited_on": "2025-01-10"})
    save_document(root / "cellar", dated)
    client.desk.histories.ask("Cellar", "", 30.0)
    own = (
        "/",
        "/new",
        "/size",
        "/settings",
        "/unpack",
        VISIT,
        f"{VISIT}/details",
        f"{VISIT}/point/1",
        f"{VISIT}/history",
    )
    assert US_WORDS.search(said_on(shown(client, "/size")))
    answer = client.send_form("/settings", data={"wording": "uk", "paper": "letter"})
    assert answer.headers["location"].startswith("/settings?note=")
    for path in own:
        page = said_on(shown(client, path)).replace("tank, relief valve, fill valve", "").replace("open tank", "")
        assert not US_WORDS.search(page), (path, US_WORDS.findall(page))
    assert "safety valve" in shown(client, VISIT)
    assert "Report (PDF, US Letter)" in shown(client, VISIT)
    filed = client.get(f"{VISIT}/report.pdf").content
    (sheet,) = PdfReader(io.BytesIO(filed)).pages
    assert float(sheet.mediabox.height) == pytest.approx(11 * 72, abs=0.1)
    assert "Expansion vessel" in sheet.extract_text()
    with pages(client.desk.visits.root) as other:
        assert "Size a vessel" in shown(other, "/size"), "the words are forgotten by the next start"
    client.send_form("/settings", data={})
    assert "Size a tank" in shown(client, "/size")


# --- review


def test_a_tap_is_heard_and_seen(client: Pages) -> None:
    page = shown(client, f"{VISIT}/point/3")
    assert page.count("<audio") == 3
    assert page.count('class="curve"') == 6
    answer = client.get(f"{VISIT}/point/3/tap-1.wav")
    assert answer.headers["content-type"] == "audio/wav"
    with wave.open(io.BytesIO(answer.content)) as wav:
        assert wav.getframerate() == 16_000
        assert wav.getnframes() == pytest.approx(0.7 * 16_000, abs=2)
    assert client.get(f"{VISIT}/point/3/tap-9.wav").status_code == 404


def test_what_a_tap_rings_at_is_told_for_the_tap_that_is_asked_for(client: Pages) -> None:
    """The taps of point 5 are made of tones at 1100, 2530 and 4510 Hz that decay by 24.7, 35.1 and 49.5 a second."""
    where = f"{VISIT}/point/5"
    page = shown(client, where)
    assert "rings" not in re.sub(r'href="[^"]*"', "", page.replace("rings at</a>", ""))
    assert f'href="{where}?ring=2#tap-2"' in page
    page = shown(client, f"{where}?ring=2")
    assert page.count('class="rings"') == 1
    assert page.index('id="tap-2"') < page.index('class="rings"') < page.index('id="tap-3"')
    said = re.findall(r"<li>([\d.]+) ± [\d.]+ Hz for ([\d.]+) s \(([\d.]+) to ([\d.]+) s\)</li>", page)
    assert [round(float(each[0]) / 10) for each in said] == [110, 253, 451]
    for (_, ring, low, high), decay in zip(said, (24.67, 35.07, 49.47), strict=True):
        assert float(ring) == pytest.approx(6.908 / decay, rel=0.05)
        assert float(low) <= float(ring) <= float(high)


@pytest.mark.parametrize("asked", ["0", "9", "-1", "x", "²", "1" * 400, ""])
def test_a_tap_that_is_not_there_has_no_ring(client: Pages, asked: str) -> None:
    assert 'class="rings"' not in shown(client, f"{VISIT}/point/5?ring={asked}")


def onset(page: str, number: int) -> str:
    found: list[str] = re.findall(r'name="onset" value="([\d.]+)"', page)
    return found[number - 1]


def test_a_refused_tap_changes_the_finding_at_once_and_comes_back(client: Pages, root: Path) -> None:
    where = f"{VISIT}/point/3"
    page = shown(client, where)
    form = {"onset": onset(page, 2), "verdict": "refuse", "why": "A door <slammed> & rang."}
    assert client.send_form(f"{where}/decide", data=form).status_code == 303
    (kept,) = document(root).by_hand
    assert (kept.file, kept.verdict, kept.why) == ("sound/p03.wav", "refuse", "A door <slammed> & rang.")
    assert "A door &lt;slammed&gt; &amp; rang." in client.get(where).text
    finding = json.loads(client.get(f"{VISIT}/finding.json").text)
    assert finding["points"][2]["taps_used"] == 2
    assert [tap["why_not"] for tap in finding["taps"] if tap["why_not"]] == ["refused by hand"]
    assert any("A door <slammed> & rang" in reason for reason in finding["finding"]["reasons"])
    assert client.send_form(f"{where}/decide", data={**form, "verdict": "back", "why": ""}).status_code == 303
    assert document(root).by_hand == ()


def test_a_tap_is_refused_with_one_click_and_no_reason(client: Pages, root: Path) -> None:
    form = {"onset": onset(shown(client, f"{VISIT}/point/3"), 2), "verdict": "refuse", "from": "visit"}
    answer = client.send_form(f"{VISIT}/point/3/decide", data=form)
    assert "/visit/" in str(answer.headers["location"])
    assert "?mark=3" in str(answer.headers["location"])
    assert [(kept.verdict, kept.why) for kept in document(root).by_hand] == [("refuse", "by ear")]


def test_a_mark_is_chosen_on_the_tank_and_heard_beside_its_neighbours(client: Pages) -> None:
    page = shown(client, f"{VISIT}?mark=2")
    assert 'data-place="2"' in page
    for place in (1, 2, 3):
        assert re.search(rf"/point/{place}/tap-\d+\.wav", page)
    assert page.count('class="spot') == page.count("Mark at ")
    first = shown(client, VISIT)
    assert re.search(r'aria-current="true"', first)
    assert shown(client, f"{VISIT}?mark=999").count("aria-current") == first.count("aria-current")


def test_a_missing_reading_is_asked_for_and_moves_the_finding(client: Pages, root: Path) -> None:
    def without(document: Document) -> Document:
        return document.model_copy(update={"readings": document.readings.model_copy(update={"pressure": None})})

    client.desk.visits.change(VISIT.rsplit("/", 1)[1], without)
    page = shown(client, VISIT)
    assert 'name="key" value="readings.pressure"' in page
    odd = client.send_form(f"{VISIT}/reading", data={"key": "readings.pressure", "value": "1.2 apples"})
    assert "Not kept" in client.get(str(odd.headers["location"])).text
    assert document(root).readings.pressure is None
    kept = client.send_form(f"{VISIT}/reading", data={"key": "readings.pressure", "value": "1.2 bar"})
    assert kept.status_code == 303
    assert document(root).readings.pressure == "1.2 bar"
    assert client.send_form(f"{VISIT}/reading", data={"key": "tank.kind", "value": "open"}).status_code == 422


def test_decisions_outlive_the_server(client: Pages, root: Path) -> None:
    form = {"onset": onset(shown(client, f"{VISIT}/point/1"), 1), "verdict": "refuse", "why": "Hand on the shell."}
    client.send_form(f"{VISIT}/point/1/decide", data=form)
    with pages(root) as other:
        assert "Hand on the shell." in shown(other, f"{VISIT}/point/1")


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"why": "x" * 400}, "300 are enough"),
        ({"verdict": "maybe"}, "reject the tap or use"),
        ({"onset": "nan"}, "no longer there"),
        ({"onset": "0.9"}, "no longer there"),
        ({"onset": ""}, "no longer there"),
    ],
)
def test_a_decision_that_cannot_be_kept_says_why(
    client: Pages, root: Path, changed: dict[str, str], sentence: str
) -> None:
    form = {"onset": onset(shown(client, f"{VISIT}/point/1"), 1), "verdict": "refuse", "why": "noise"}
    answer = client.send_form(f"{VISIT}/point/1/decide", data=form | changed)
    assert answer.status_code == 422
    assert sentence in html.unescape(answer.text)
    assert document(root).by_hand == ()


def test_a_refused_point_gets_its_tap_back_by_hand(client: Pages, root: Path) -> None:
    write_taps(root / "cellar" / "sound" / "p02.wav", 1, seed=3)
    sound, rate = soundfile.read(root / "cellar" / "sound" / "p02.wav")
    sound[int(0.66 * rate) : int(0.66 * rate) + 2000] += 0.4 * sound[int(0.6 * rate) : int(0.6 * rate) + 2000]
    soundfile.write(root / "cellar" / "sound" / "p02.wav", sound, rate)
    page = shown(client, f"{VISIT}/point/2")
    assert "not used" in page, "the made-up bounce is not refused"
    form = {"onset": onset(page, 1), "verdict": "use", "why": "The echo of the wall."}
    assert client.send_form(f"{VISIT}/point/2/decide", data=form).status_code == 303
    assert json.loads(client.get(f"{VISIT}/finding.json").text)["points"][1]["taps_used"] >= 1


def test_a_point_is_moved(client: Pages, root: Path) -> None:
    answer = client.send_form(f"{VISIT}/point/1/move", data={"position": "10 cm"})
    assert answer.headers["location"].startswith(f"{VISIT}/point/2?")
    assert sorted(point.position_mm for point in document(root).points) == [90, 100, 135, 180, 225, 270]
    for position, sentence in (("90 mm", "Another point lies"), ("9 m", "mm"), ("up", "up"), ("-1 m", "mm")):
        refused = client.send_form(f"{VISIT}/point/2/move", data={"position": position})
        assert refused.status_code == 422
        assert sentence in html.unescape(refused.text)


@pytest.fixture
def walk(client: Pages, root: Path) -> str:
    """A walk of six points in one recording with a tap too many at its end, and a reference mark; its address."""
    kept = document(root)
    onsets = [0.8 + 3.0 * point + 0.6 * tap for point in range(6) for tap in range(3)]
    write_recording(root / "cellar" / "sound" / "walk.wav", tap_sound([*onsets, 26.0], 27.0), 16_000)
    write_taps(root / "cellar" / "sound" / "mark.wav", 2, seed=9)
    points = tuple(each.model_copy(update={"file": "sound/walk.wav", "taps": 3}) for each in kept.points)
    mark = PointEntry(position_mm=300.0, file="sound/mark.wav")
    save_document(root / "cellar", kept.model_copy(update={"points": points, "reference": (mark,)}))
    return VISIT


def test_taps_beside_the_line_are_shown_and_decided_about(client: Pages, root: Path, walk: str) -> None:
    page = shown(client, walk)
    assert re.search(r"Taps beside the line</a>: 1 that belongs\s+to no point, 2 of the reference mark", page)
    page = shown(client, f"{walk}/others?ring=2")
    assert page.count("<audio") == 3
    assert "Tap 1: <span>belongs to no point" in page
    assert (
        page.index("At 26.00 s of sound/walk.wav") < page.index("Taps of the reference mark") < page.index("mark.wav;")
    )
    assert page.count('class="rings"') == 1
    with wave.open(io.BytesIO(client.get(f"{walk}/others/tap-2.wav").content)) as wav:
        assert wav.getnframes() == pytest.approx(0.7 * 16_000, abs=2)
    assert client.get(f"{walk}/others/tap-4.wav").status_code == 404
    form = {"number": "3", "onset": onset(page, 3), "verdict": "refuse", "why": "The striker slipped."}
    for wrong in ({"number": "1"}, {"number": "9"}, {"number": "x"}):
        assert client.send_form(f"{walk}/others/decide", data=form | wrong).status_code == 422
    assert document(root).by_hand == ()
    assert client.send_form(f"{walk}/others/decide", data=form).status_code == 303
    (kept,) = document(root).by_hand
    assert (kept.file, kept.why) == ("sound/mark.wav", "The striker slipped.")
    page = shown(client, f"{walk}/others")
    assert "Tap 3: <span>refused by hand" in page
    assert "“The striker slipped”" in shown(client, walk)
    form |= {"verdict": "back"}
    assert client.send_form(f"{walk}/others/decide", data=form).status_code == 303
    assert document(root).by_hand == ()


def test_a_tap_finds_its_point_where_the_walks_numbers_are_put_right(client: Pages, root: Path, walk: str) -> None:
    """Tapped in one rhythm, as even as a hand keeps it: only the numbers tell which taps belong to which point."""
    shaken = np.random.default_rng(3).uniform(-0.05, 0.05, 20)
    onsets = [0.8 + 0.8 * tap + float(late) for tap, late in enumerate(shaken)]
    write_recording(root / "cellar" / "sound" / "walk.wav", tap_sound(onsets, 17.5), 16_000)
    assert shown(client, f"{walk}/point/6").count("<audio") < 5
    for typed in ("0", "x", "", "1001"):
        assert client.send_form(f"{walk}/point/6/count", data={"count": typed}).status_code == 422
    assert client.send_form(f"{walk}/point/6/count", data={"count": "5"}).status_code == 303
    assert document(root).points[5].taps == 5
    assert shown(client, f"{walk}/point/6").count("<audio") == 5


def test_a_point_with_its_own_recording_has_no_number_of_taps(client: Pages) -> None:
    assert "Assign the taps again" not in shown(client, f"{VISIT}/point/1")
    assert client.send_form(f"{VISIT}/point/1/count", data={"count": "2"}).status_code == 422


def test_edits_of_two_tabs_do_not_undo_each_other(client: Pages, root: Path) -> None:
    first, second = shown(client, f"{VISIT}/point/1"), shown(client, f"{VISIT}/point/2")
    for place, page in ((1, first), (2, second)):
        form = {"onset": onset(page, 1), "verdict": "refuse", "why": f"noise {place}"}
        assert client.send_form(f"{VISIT}/point/{place}/decide", data=form).status_code == 303
    assert [each.why for each in document(root).by_hand] == ["noise 1", "noise 2"]


def sent_on(client: Pages, path: str, data: dict[str, str], **files: tuple[str, bytes, str]) -> str:
    """Send a form, go where it leads, and return the page."""
    answer = client.send_form(path, data=data, **({"files": files} if files else {}))
    assert answer.status_code in (303, 422), answer.text
    page = answer if answer.status_code == 422 else client.get(answer.headers["location"].removeprefix(BASE))
    return html.unescape(page.text)


def test_a_form_that_was_not_sent_is_there_again(client: Pages) -> None:
    typed = TYPED | {"tank.volume": "18", "not.a.field": "x"}
    assert client.send_form("/new/draft", data=typed).status_code == 204
    page = shown(client, "/new")
    assert "This was typed before and not sent yet." in page
    assert 'value="Mill Lane 4"' in page
    assert re.search(r'value="diaphragm" checked', page)
    assert "not sent yet" not in sent_on(client, "/new/anew", {})
    client.send_form("/new/draft", data=typed)
    assert client.send_form("/new", data=TYPED).status_code == 303
    assert "not sent yet" not in shown(client, "/new")


def test_a_draft_of_details_overwrites_no_newer_ones_unseen(client: Pages, root: Path) -> None:
    mark = mark_of(document(root))
    client.send_form(f"{VISIT}/details/draft", data={"mark": mark, "tank.volume": "20 l"})
    page = shown(client, f"{VISIT}/details")
    assert 'value="20 l"' in page
    client.send_form(f"{VISIT}/reading", data={"key": "readings.pressure", "value": "1.1 bar"})
    page = shown(client, f"{VISIT}/details")
    sent = dict(re.findall(r'name="([^"]+)" type="text" value="([^"]*)"', page))
    fields = {"mark": mark, "tank.kind": "diaphragm", "tank.water_end": "top", "tank.axis": "vertical"} | sent
    assert f'name="mark" value="{mark}"' in page
    assert client.send_form(f"{VISIT}/details", data=fields).status_code == 409
    assert "not sent yet" not in sent_on(client, f"{VISIT}/details/anew", {})
    assert client.send_form("/visit/none/details/draft", data={}).status_code == 404


def test_the_list_is_sorted_and_taken_along_as_it_is_shown(client: Pages, root: Path) -> None:
    for name, site in (("Attic", "Z Street"), ("boiler room", "A Street")):
        folder = root / name.replace(" ", "-")
        shutil.copytree(root / "cellar", folder)
        kept = read_visit(folder).document
        tank, visit = kept.tank.model_copy(update={"name": name}), kept.visit.model_copy(update={"site": site})
        save_document(folder, kept.model_copy(update={"tank": tank, "visit": visit}))
    shown(client, "/?look=yes")

    def order(query: str) -> list[str]:
        return [name for name, _, _ in csv_rows(client.get(f"/visits.csv?{query}").text)]

    assert order("sort=tank") == ["Attic", "boiler room", "Cellar"]
    assert order("sort=site") == ["Cellar", "boiler room", "Attic"]
    assert order("sort=tank&tank=C") == ["Attic", "Cellar"]
    page = shown(client, "/?sort=site")
    assert page.index(">boiler room<") < page.index(">Attic<")


def csv_rows(text: str) -> list[tuple[str, str, str]]:
    """Tank, site and finding of each row of the list."""
    return [(row["tank"], row["site"], row["finding"]) for row in csv.DictReader(io.StringIO(text.lstrip("\ufeff")))]


def test_all_that_has_no_finding_is_judged_behind_the_list(client: Pages, root: Path) -> None:
    shutil.copytree(root / "cellar", root / "attic")
    shutil.copytree(root / "cellar", root / "broken")
    (root / "broken" / "sound" / "p01.wav").unlink()
    assert "Judge the 2 without a finding" in shown(client, "/?look=yes")
    assert "Judging:" in sent_on(client, "/judge-all", {}) or not client.desk.batch.running
    until = time.monotonic() + 30
    while (state := client.get("/judging").json())["running"] and time.monotonic() < until:
        time.sleep(0.05)
    assert state == {"running": False, "done": 2, "total": 2}
    findings = [finding for _, _, finding in csv_rows(client.get("/visits.csv").text)]
    assert sorted(findings) == ["", "cannot tell", "cannot tell"]
    assert "without a finding" not in shown(client, "/?look=yes")


def test_a_visit_is_renamed_and_named_back(client: Pages, root: Path) -> None:
    assert "Rename" in shown(client, f"{VISIT}/manage")
    page = sent_on(client, f"{VISIT}/name", {"tank": "Left of the boiler", "site": "Mill Lane"})
    assert "The visit is renamed." in page
    assert ">Left of the boiler</a>" in page
    assert document(root).tank.name == "Left of the boiler"
    fields = dict(re.findall(r'type="hidden" name="(tank|site)" value="([^"]*)"', page))
    sent_on(client, f"{VISIT}/name", fields)
    assert document(root).tank.name == "Cellar"


def test_a_deleted_visit_comes_back_whole(client: Pages, root: Path) -> None:
    before = {path.name: path.read_bytes() for path in (root / "cellar").rglob("*") if path.is_file()}
    page = sent_on(client, f"{VISIT}/away", {"to": "deleted"})
    assert "“Cellar” is deleted." in page
    assert ">Cellar</a>" not in page
    assert not (root / "cellar").exists()
    undo = re.search(r'action="[^"]*(/away/[0-9a-f]+/back)"', page)
    assert undo is not None
    shutil.copytree(next((root / ".deleted").rglob("visit")), root / "cellar")  # its place is taken meanwhile
    assert "back on the shelf" in sent_on(client, undo[1], {})
    after = {path.name: path.read_bytes() for path in (root / "cellar-2").rglob("*") if path.is_file()}
    assert before.items() <= after.items()  # opened, it is judged as well
    assert "no longer put away" in sent_on(client, undo[1], {})


def test_an_archived_visit_is_kept_and_a_deleted_one_can_go_for_good(client: Pages, root: Path) -> None:
    shutil.copytree(root / "cellar", root / "attic")
    (root / "attic" / "visit.json").write_text("no document", encoding="utf-8")
    shown(client, "/?look=yes")
    sent_on(client, f"{VISIT}/away", {"to": "archived"})
    assert "Delete" in shown(client, f"/visit/{ident_of('attic')}/manage")
    sent_on(client, f"/visit/{ident_of('attic')}/away", {"to": "deleted"})
    page = shown(client, "/away")
    assert "Cellar" in page
    assert "attic" in page
    (out,) = re.findall(r"/away/[0-9a-f]+/out", page)
    assert "deleted for good" in sent_on(client, out, {})
    assert not list((root / ".deleted").iterdir())
    (back,) = re.findall(r"/away/[0-9a-f]+/back", shown(client, "/away"))
    assert "is archived" in sent_on(client, back.replace("/back", "/out"), {})
    assert "Choose whether" in sent_on(client, f"/visit/{ident_of(put_back(client, back))}/away", {"to": "../.."})


def put_back(client: Pages, path: str) -> str:
    """Bring a visit back that came from "cellar"."""
    assert "back on the shelf" in sent_on(client, path, {})
    return "cellar"


def test_photographs_are_added_shown_and_taken_away(client: Pages, root: Path) -> None:
    there = f"{VISIT}/photographs"
    given = ("IMG.png", picture("PNG", (300, 200)) + bytes(2_000_000), "image/png")  # larger than a form may be
    assert "The photograph is kept." in sent_on(client, there, {"caption": "<b>Plate</b>"}, files=given)
    assert "<b>Plate" not in client.get(there).text
    answer = client.get(f"{there}/1.jpg")
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.content.startswith(b"\xff\xd8")
    pages_of_report = PdfReader(io.BytesIO(client.get(f"{VISIT}/report.pdf").content)).pages
    assert "<b>Plate</b>" in pages_of_report[1].extract_text()
    assert "x.jpg isn't a JPEG" in sent_on(client, there, {}, files=("x.jpg", b"no picture", "image/jpeg"))
    assert "Choose a picture first" in sent_on(client, there, {})
    assert "is removed" in sent_on(client, f"{there}/1/remove", {})
    assert not document(root).photographs
    assert not list((root / "cellar" / "photographs").iterdir())
    assert client.get(f"{there}/1.jpg").status_code == 404


def test_the_head_of_the_report_is_kept_in_the_settings(client: Pages) -> None:
    given = ("logo.png", picture("PNG", (300, 200)), "image/png")
    page = sent_on(client, "/settings/company", {"company": "Sample Heating\n4 Mill Lane"}, logo=given)
    assert "The head of the report is kept." in page
    assert "A logo is kept" in page
    assert "Sample Heating" in PdfReader(io.BytesIO(client.get(f"{VISIT}/report.pdf").content)).pages[0].extract_text()
    assert "longer than 90 letters" in sent_on(client, "/settings/company", {"company": "x" * 100})
    assert "A logo is kept" not in sent_on(client, "/settings/company", {"company": "", "without": "yes"})


def test_typed_texts_never_become_markup(client: Pages, root: Path) -> None:
    evil = "\"><script>alert(1)</script>'{{7*7}}"
    kept = document(root)
    decided = (HandDecision(file="sound/p01.wav", onset_s=9.0, verdict="refuse", why=evil),)
    changed = {
        "visit": kept.visit.model_copy(update={"site": evil, "technician": evil}),
        "tank": kept.tank.model_copy(update={"name": evil, "serial": evil}),
        "readings": kept.readings.model_copy(update={"notes": evil}),
        "by_hand": decided,
    }
    save_document(root / "cellar", kept.model_copy(update=changed))
    client.desk.visits.search(refresh=True)
    for path in ("/", f"/?site={evil}", "/new", VISIT, f"{VISIT}/details", f"{VISIT}/point/1", f"{VISIT}/history"):
        text = client.get(path).text
        assert "<script>alert" not in text, path


def test_a_failing_judgement_is_told_and_not_raised(client: Pages, root: Path) -> None:
    for number in range(1, 7):
        soundfile.write(root / "cellar" / "sound" / f"p{number:02d}.wav", tap_sound([], 2.0), 16_000)
    page = shown(client, VISIT)
    assert "Not judged" in page
    assert "No taps found" in page
    assert client.get(f"{VISIT}/report.pdf").status_code == 422
    assert client.get(f"{VISIT}/point/1").status_code == 200


def test_every_address_leads_to_a_function_that_is_there() -> None:
    """They are named in the table of addresses, and loaded with the first request only."""
    named = [route.name for route in ROUTES if isinstance(route, Route)]
    assert len(named) > 30
    for place in named:
        assert callable(function_of(place)), place


def test_the_first_page_waits_for_no_numbers_and_pictures() -> None:
    loads = "import sys, taptest.desk.serve, taptest.desk.shelf_pages; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", loads], check=True, capture_output=True, text=True).stdout.split()
    assert not {"numpy", "PIL", "typst", "matplotlib", "pydantic"} & set(loaded)


def test_templates_are_compiled_once_and_anew_when_they_change(tmp_path: Path) -> None:
    def environment() -> jinja2.Environment:
        return jinja2.Environment(
            loader=jinja2.FileSystemLoader(tmp_path), bytecode_cache=Compiled(tmp_path / "kept"), autoescape=True
        )

    (tmp_path / "x.html").write_text("one {{ n }}", encoding="utf-8")
    assert environment().get_template("x.html").render(n="<") == "one &lt;"
    (kept,) = (tmp_path / "kept").iterdir()
    before = kept.stat().st_mtime_ns
    assert environment().get_template("x.html").render(n=1) == "one 1"
    assert kept.stat().st_mtime_ns == before
    (tmp_path / "x.html").write_text("two {{ n }}", encoding="utf-8")
    assert environment().get_template("x.html").render(n=1) == "two 1"
    kept.write_bytes(kept.read_bytes()[:20])
    assert environment().get_template("x.html").render(n=1) == "two 1"
    assert [path.name for path in (tmp_path / "kept").iterdir()] == [kept.name]
    (tmp_path / "file").write_text("no folder")
    without = jinja2.Environment(
        loader=jinja2.FileSystemLoader(tmp_path), bytecode_cache=Compiled(tmp_path / "file" / "kept"), autoescape=True
    )
    assert without.get_template("x.html").render(n=1) == "two 1"

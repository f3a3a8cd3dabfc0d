"""Folders and files whose names are no UTF-8 take nothing down: list, history, judge, report, pack, the desk.

POSIX.1-2017 (3.170, Filename) allows any bytes but "/" and zero; Python hands others than UTF-8 on by PEP 383.
"""

import csv
import json
import os
import shutil
import zipfile
from pathlib import Path

import pytest

from taptest.cli import main
from taptest.desk.visits import ident_of
from taptest.disk import plain
from taptest.visit.files import read_visit, save_document
from taptest.visit.shelf import Shelf
from tests.made_desk import copy_without_model, make_shelf, pages

ODD, SHOWN = os.fsdecode(b"k\xe4ller"), "k%E4ller"
STRAY = os.fsdecode(b"\xfcber.wav")


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("odd") / "visits"
    try:
        make_shelf(root).rename(root / ODD)
    except OSError:
        pytest.skip("This system takes no name that is no UTF-8.")
    visit = read_visit(root / ODD)
    save_document(visit.folder, visit.document.model_copy(update={"visited_on": None}))
    shutil.copytree(root / ODD, root / os.fsdecode(b"br\xf6ken"))
    (root / os.fsdecode(b"br\xf6ken") / "sound" / "p01.wav").unlink()
    shutil.copy(root / ODD / "sound" / "p01.wav", root / ODD / "sound" / STRAY)
    return root


@pytest.fixture
def root(ready: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return copy_without_model(ready, tmp_path, monkeypatch)


def test_plain_shows_bytes_that_are_no_text_and_nothing_else() -> None:
    assert plain(ODD) == SHOWN
    assert plain("Keller, größer als 日本 %E4") == "Keller, größer als 日本 %E4"


def test_the_index_knows_such_a_folder_again(root: Path) -> None:
    with Shelf(root) as shelf:
        assert shelf.refresh().read == 2
        assert {entry.folder for entry in shelf.search()} == {ODD, os.fsdecode(b"br\xf6ken")}
    shutil.rmtree(root / ODD)
    with Shelf(root) as shelf:
        assert shelf.refresh().gone == 1
        assert len(shelf.search()) == 1


@pytest.mark.long
def test_every_command_goes_on(root: Path, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    odd = str(root / ODD)
    assert main(["list", str(root), "--csv", str(tmp_path / "list.csv")]) == 0
    assert SHOWN.encode() in capfdbinary.readouterr().out
    rows = list(csv.DictReader((tmp_path / "list.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["folder"] for row in rows} == {SHOWN, "br%F6ken"}
    assert main(["judge", odd, "--json", "-"]) == 0
    json.loads(capfdbinary.readouterr().out)
    assert main(["report", odd]) == 0
    assert main(["judge", str(root / os.fsdecode(b"br\xf6ken"))]) == 2
    assert main(["history", str(root)]) == 2
    assert b"has a date" in capfdbinary.readouterr().err
    assert main(["pack", odd, str(tmp_path / "a.zip")]) == 0
    with zipfile.ZipFile(tmp_path / "a.zip") as parcel:
        assert "sound/%FCber.wav" in parcel.namelist()
    assert main(["unpack", str(tmp_path / "a.zip"), str(root / os.fsdecode(b"b\xe4ck"))]) == 0


def test_the_desk_shows_and_judges_it(root: Path) -> None:
    with pages(root) as client:
        assert client.get("/fresh").json() == {"changed": True}
        assert "br%F6ken" in client.get("/").text
        for folder, status in ((ODD, 200), (os.fsdecode(b"br\xf6ken"), 422)):
            where = f"/visit/{ident_of(folder)}"
            assert client.get(where).status_code == status
        where = f"/visit/{ident_of(ODD)}"
        for page in ("details", "finding.json", "visit.zip", "report.pdf"):
            assert client.get(f"{where}/{page}").status_code == 200, page
        assert client.get(f"{where}/history").status_code == 422
        assert client.get("/visits.csv").status_code == 200

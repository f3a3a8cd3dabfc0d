"""Many visits: the index follows the folders, stale findings are never shown, parcels come back whole or not at all."""

import contextlib
import csv
import errno
import io
import json
import os
import shutil
import sqlite3
import stat
import struct
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from taptest import disk
from taptest.errors import StorageError, VisitError
from taptest.visit import judged as judged_module
from taptest.visit import parcel, shelf
from taptest.visit.files import Visit, read_visit, save_document
from taptest.visit.judged import JUDGED, basis, judged, keep_judged, read_judged
from taptest.visit.parcel import pack_visit, unpack_visit
from taptest.visit.remarks import VisitRemark
from taptest.visit.shelf import INDEX, Search, Shelf, table_csv
from tests.made_up import made_up
from tests.made_visits import DOCUMENT
from tests.said import keys_of


def make(
    folder: Path, *, site: str = "", tank: str = "Cellar", day: str | None = "2025-03-14", judge: str = ""
) -> Visit:
    (folder / "sound").mkdir(parents=True)
    raw: dict[str, Any] = {**DOCUMENT, "tank": {**DOCUMENT["tank"], "name": tank}, "visit": {"site": site}}  # type: ignore[dict-item]
    if day:
        raw["visited_on"] = day
    (folder / "visit.json").write_text(json.dumps(raw), encoding="utf-8")
    for name in ("a.wav", "b.wav"):
        (folder / "sound" / name).write_bytes(name.encode() * 50)
    visit = read_visit(folder)
    if judge:
        keep_judged(visit, made_up(code=judge))  # type: ignore[arg-type]
    return visit


@pytest.fixture(autouse=True)
def _settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take files as old enough at once, where a test does not say otherwise."""
    monkeypatch.setattr(shelf, "SETTLED_S", -10.0)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    place = tmp_path / "visits"
    make(place / "mill" / "one", site="Mill Lane 4", tank="Boiler room", day="2024-02-03", judge="low on air")
    make(place / "mill" / "two", site="Mill Lane 4", tank="Boiler room", day="2025-02-04")
    make(place / "quay", site="Quay 9 (50 %_)", tank="Ätna", day=None, judge="as expected")
    return place


def folders(place: Path, **wanted: Any) -> list[str]:
    with Shelf(place) as found:
        found.refresh()
        return [entry.folder for entry in found.search(Search(**wanted))]


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        ({}, ["mill/two", "mill/one", "quay"]),
        ({"site": "mill lane"}, ["mill/two", "mill/one"]),
        ({"site": "%_)"}, ["quay"]),
        ({"site": "'; DROP TABLE visits; --"}, []),
        ({"tank": "ätna"}, ["quay"]),
        ({"since": date(2025, 1, 1)}, ["mill/two"]),
        ({"until": date(2024, 2, 3)}, ["mill/one"]),
        ({"finding": "low on air"}, ["mill/one"]),
        ({"finding": "not judged"}, ["mill/two"]),
        ({"finding": "unreadable"}, []),
        ({"site": "mill", "finding": "as expected"}, []),
    ],
)
def test_visits_are_found(root: Path, wanted: dict[str, Any], names: list[str]) -> None:
    assert folders(root, **wanted) == names


def test_a_rebuilt_index_tells_the_same(root: Path) -> None:
    with Shelf(root) as found:
        assert found.refresh().read == 3
        before = found.search()
        assert found.rebuild().read == 3
        assert found.search() == before
    (root / INDEX).unlink()
    with Shelf(root) as found:
        assert found.search() == ()
        found.refresh()
        assert found.search() == before


def test_only_what_changed_is_read_again(root: Path) -> None:
    with Shelf(root) as found:
        found.refresh()
        assert found.refresh() == shelf.Changes(0, 0, 3)
        make(root / "new", judge="too small")
        shutil.rmtree(root / "quay")
        assert found.refresh() == shelf.Changes(1, 1, 3)
        assert {entry.folder for entry in found.search()} == {"mill/one", "mill/two", "new"}


def test_a_file_that_was_just_written_is_read_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A change within the clock's grain leaves size and time as they were.
    monkeypatch.setattr(shelf, "SETTLED_S", 3600.0)
    with Shelf(root) as found:
        found.refresh()
        assert found.refresh().read == 3


def test_an_unreadable_visit_is_listed_with_its_reason(root: Path) -> None:
    (root / "quay" / "visit.json").write_text("{", encoding="utf-8")
    (root / "mill" / "one" / "sound" / "a.wav").unlink()
    with Shelf(root) as found:
        found.refresh()
        troubled = {entry.folder: entry.problem for entry in found.search(Search(finding="unreadable"))}
    assert troubled.keys() == {"quay", "mill/one"}
    assert "not valid JSON" in troubled["quay"]
    assert "a.wav" in troubled["mill/one"]


@pytest.mark.parametrize("content", [b"this is no index" * 100, b"", b"SQLite format 3\x00" + b"\xff" * 4000])
def test_a_damaged_index_is_made_anew(root: Path, content: bytes) -> None:
    (root / INDEX).write_bytes(content)
    assert len(folders(root)) == 3


def test_an_index_of_another_form_is_thrown_away(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(folders(root)) == 3
    monkeypatch.setattr(shelf, "INDEX_SCHEMA", shelf.INDEX_SCHEMA + 1)
    with Shelf(root) as found:
        assert found.search() == ()
        assert found.refresh().read == 3


def test_a_folder_that_cannot_be_written_has_its_index_in_memory(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    connect = sqlite3.connect

    def refused(place: str, **options: Any) -> Any:
        if place != ":memory:":
            raise sqlite3.OperationalError("unable to open database file")
        return connect(place, **options)

    monkeypatch.setattr(sqlite3, "connect", refused)
    assert len(folders(root)) == 3
    assert not (root / INDEX).exists()


def test_earlier_and_hidden_visits_and_links_are_left_out(root: Path) -> None:
    make(root / "quay.replaced-1")
    make(root / ".trash" / "x")
    with contextlib.suppress(OSError):  # Where links cannot be made, the rest holds all the same.
        (root / "again").symlink_to(root / "quay", target_is_directory=True)
    assert len(folders(root)) == 3


def test_a_folder_that_may_not_be_read_does_not_hide_the_others(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scan = os.scandir

    def refused(place: Any) -> Any:
        if Path(place).name == "quay":
            raise PermissionError(errno.EACCES, "no")
        return scan(place)

    monkeypatch.setattr(os, "scandir", refused)
    with Shelf(root) as found:
        found.refresh()
        assert len(found.search()) == 3
        (troubled,) = found.search(Search(finding="unreadable"))
    assert troubled.folder == "quay"
    assert "there is no permission" in troubled.problem


def test_no_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="not a folder"):
        Shelf(tmp_path / "nowhere")


def test_a_locked_index_is_an_error_with_a_cure(root: Path) -> None:
    found = Shelf(root)
    found.close()
    with pytest.raises(StorageError, match="delete this file"):
        found.search()


# ---------------------------------------------------------------- kept findings


@pytest.mark.parametrize(
    "change",
    [
        lambda folder: (folder / "sound" / "a.wav").write_bytes(b"other"),
        lambda folder: (folder / "visit.json").write_text(
            (folder / "visit.json").read_text(encoding="utf-8").replace("1.5 bar", "1.6 bar"), encoding="utf-8"
        ),
        lambda folder: (folder / JUDGED).write_text("{", encoding="utf-8"),
        lambda folder: (folder / JUDGED).write_text('{"judged": {"finding": 3}}', encoding="utf-8"),
        lambda folder: (folder / JUDGED).unlink(),
    ],
)
def test_a_stale_or_damaged_finding_is_never_used(root: Path, change: Callable[[Path], object]) -> None:
    folder = root / "mill" / "one"
    assert folders(root, finding="low on air") == ["mill/one"]
    change(folder)
    assert read_judged(read_visit(folder)) is None
    assert folders(root, finding="low on air") == []
    assert "mill/one" in folders(root, finding="not judged")


def test_another_version_makes_a_finding_stale(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    visit = read_visit(root / "quay")
    assert read_judged(visit) is not None
    assert folders(root, finding="as expected") == ["quay"]
    monkeypatch.setattr(judged_module, "version", lambda: "another")
    assert read_judged(visit) is None
    assert folders(root, finding="as expected") == []


def test_a_finding_holds_though_the_document_is_laid_out_anew(root: Path) -> None:
    visit = read_visit(root / "quay")
    before = basis(visit)
    path = root / "quay" / "visit.json"
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")), indent=7), encoding="utf-8")
    assert basis(read_visit(root / "quay")) == before


def test_judging_keeps_the_finding_and_uses_it(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    visit, calls = read_visit(root / "mill" / "two"), []

    def judge(visit: Visit, progress: object = None) -> Any:
        calls.append(visit)
        return made_up(code="too small")

    monkeypatch.setattr(judged_module, "judge_visit", judge)
    first, second = judged(visit), judged(visit)
    assert len(calls) == 1
    assert first == second
    assert first.content["finding"]["code"] == "too small"


def test_a_recording_that_changes_while_judging_makes_the_finding_stale(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = read_visit(root / "mill" / "two")

    def judge(visit: Visit, progress: object = None) -> Any:
        (visit.folder / "sound" / "a.wav").write_bytes(b"meanwhile")
        return made_up()

    monkeypatch.setattr(judged_module, "judge_visit", judge)
    judged(visit)
    assert read_judged(visit) is None


def test_a_disk_that_refuses_costs_only_the_keeping(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, content: str) -> None:
        raise StorageError("The disk is full.")

    monkeypatch.setattr(judged_module, "judge_visit", lambda visit, progress=None: made_up())
    monkeypatch.setattr(disk, "write_text", full)
    told = judged(read_visit(root / "mill" / "two"))
    assert told.content["finding"]["code"] == "low on air"
    assert keys_of([told.note]) == [VisitRemark.FINDING_NOT_KEPT]


# ---------------------------------------------------------------- table


def test_the_table_is_read_back_and_holds_no_formula(root: Path) -> None:
    make(root / "sly", site='=cmd|"/c calc"!A1', tank='+1, "x"\n', judge="low on air")
    with Shelf(root) as found:
        found.refresh()
        entries = found.search()
    rows = list(csv.DictReader(io.StringIO(table_csv(entries))))
    assert len(rows) == 4
    sly = next(row for row in rows if row["folder"] == "sly")
    assert sly["site"] == '\'=cmd|"/c calc"!A1'
    assert sly["tank"] == '\'+1, "x"'
    assert sly["finding"] == "low on air"
    assert {row["visited_on"] for row in rows} == {"2025-02-04", "2025-03-14", "2024-02-03", ""}


# ---------------------------------------------------------------- parcels


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_visit_comes_back_whole(root: Path, tmp_path: Path) -> None:
    visit = read_visit(root / "quay")
    (root / "quay" / "sound" / "räum.flac").write_bytes(b"\x00" * 1000)
    assert pack_visit(visit, tmp_path / "quay.zip") == 5
    back, left_out = unpack_visit(tmp_path / "quay.zip", tmp_path / "back")
    assert left_out == ()
    assert back.document == visit.document
    assert contents(tmp_path / "back") == contents(root / "quay")
    assert read_judged(back) == read_judged(visit)


def test_a_parcel_with_one_folder_around_the_visit_is_read(root: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        for name, content in contents(root / "quay").items():
            file.writestr(f"Quay 9/{name}", content)
    unpack_visit(tmp_path / "a.zip", tmp_path / "back")
    assert contents(tmp_path / "back") == contents(root / "quay")


def test_nothing_is_written_over(root: Path, tmp_path: Path) -> None:
    pack_visit(read_visit(root / "quay"), tmp_path / "a.zip")
    before = contents(root)
    with pytest.raises(VisitError, match="is not overwritten"):
        unpack_visit(tmp_path / "a.zip", root / "mill" / "one")
    with pytest.raises(VisitError, match="would lie in the visit"):
        pack_visit(read_visit(root / "quay"), root / "quay" / "sound" / "a.zip")
    assert contents(root) == before


def link(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)
    entry.create_system = 3
    entry.external_attr = (stat.S_IFLNK | 0o777) << 16
    return entry


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["../evil.wav"], "cannot be that of a visit's file"),
        (["sound/../../evil.wav"], "cannot be that"),
        (["/etc/evil"], "cannot be that"),
        (["C:/evil.wav"], "cannot be that"),
        (["sound\\evil.wav"], "cannot be that"),
        (["sound//evil.wav"], "cannot be that"),
        (["sound/con.wav"], "cannot be that"),
        (["sound/evil.wav."], "cannot be that"),
        (["sound/e\x1bvil.wav"], "cannot be that"),
        (["sound/" + "x" * 300], "cannot be that"),
        (["sound/A.WAV"], "twice"),
        (["sound/a.wav/b"], "twice"),
        ([link("sound/l.wav")], "is a link"),
        (["other/visit.json"], "holds 2 visit.json"),
    ],
)
def test_tricks_are_refused_and_leave_nothing(
    root: Path, tmp_path: Path, names: list[str | zipfile.ZipInfo], words: str
) -> None:
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as file:
        for name, content in contents(root / "quay").items():
            file.writestr(name, content)
        for trick in names:
            file.writestr(trick, "../../secret")
    before = contents(tmp_path)
    with pytest.raises(VisitError, match=words):
        unpack_visit(tmp_path / "evil.zip", tmp_path / "deep" / "back")
    assert contents(tmp_path) == before
    assert not (tmp_path / "deep" / "back").exists()


def test_a_bomb_is_refused_by_its_word_and_by_its_bytes(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parcel, "LARGEST_VISIT", 1_000_000)
    (root / "quay" / "sound" / "zeros.wav").write_bytes(b"\0" * 3_000_000)
    path = tmp_path / "bomb.zip"
    pack_visit(read_visit(root / "quay"), path)
    assert path.stat().st_size < 20_000
    with pytest.raises(VisitError, match="would unpack to more"):
        unpack_visit(path, tmp_path / "back")
    # The directory lies: it says that the zeros are ten bytes. The reader stops there, and the check sum gives it away.
    honest = struct.pack("<I", 3_000_000)
    path.write_bytes(path.read_bytes().replace(honest, struct.pack("<I", 10)))
    with pytest.raises(VisitError, match=r"damaged|would unpack"):
        unpack_visit(path, tmp_path / "back")
    assert not (tmp_path / "back").exists()


@pytest.mark.parametrize(
    "name",
    [
        ".ssh/authorized_keys", "sound/.hidden.wav", ".bashrc", "inner.zip", "sound/run.exe", "run.sh", "Makefile",
        "autorun.inf", "desktop.ini", "a/other.json", "sitecustomize.py", "sound/x.lnk",
    ],
)  # fmt: skip
def test_what_does_not_belong_to_a_visit_is_left_out_and_named(root: Path, tmp_path: Path, name: str) -> None:
    packed = contents(root / "quay")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        for each, content in {name: b"#!", **packed, "photo.JPG": b"\xff\xd8", "notes.txt": b"left door"}.items():
            file.writestr(each, content)
    _, left_out = unpack_visit(tmp_path / "a.zip", tmp_path / "back")
    assert left_out == (name,)
    assert contents(tmp_path / "back").keys() == packed.keys() | {"photo.JPG", "notes.txt"}
    (tmp_path / "back" / name).parent.mkdir(exist_ok=True, parents=True)
    (tmp_path / "back" / name).write_bytes(b"#!")
    assert pack_visit(read_visit(tmp_path / "back"), tmp_path / "b.zip") == len(packed) + 2


def test_a_sound_file_of_any_name_belongs_to_the_visit_that_names_it(root: Path, tmp_path: Path) -> None:
    visit = read_visit(root / "quay")
    (root / "quay" / "taps").write_bytes((root / "quay" / visit.document.points[0].file).read_bytes())
    renamed = tuple(point.model_copy(update={"file": "taps"}) for point in visit.document.points)
    save_document(visit.folder, visit.document.model_copy(update={"points": renamed}))
    pack_visit(read_visit(visit.folder), tmp_path / "a.zip")
    assert unpack_visit(tmp_path / "a.zip", tmp_path / "back")[0].document.points[0].file == "taps"


def test_what_grows_as_no_recording_does_is_refused(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parcel, "SMALL", 1_000_000)
    (root / "quay" / "sound" / "zeros.wav").write_bytes(b"\0" * 9_000_000)
    pack_visit(read_visit(root / "quay"), tmp_path / "a.zip")
    with pytest.raises(VisitError, match="as no recording does"):
        unpack_visit(tmp_path / "a.zip", tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_what_the_disk_has_no_room_for_is_not_begun(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pack_visit(read_visit(root / "quay"), tmp_path / "a.zip")
    monkeypatch.setattr(parcel, "_write", None)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=parcel.ROOM_LEFT + 1))
    with pytest.raises(StorageError, match="Free some space"):
        unpack_visit(tmp_path / "a.zip", tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_too_many_files_are_refused(root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parcel, "MOST_FILES", 3)
    pack_visit(read_visit(root / "quay"), tmp_path / "a.zip")
    with pytest.raises(VisitError, match="more than a visit has"):
        unpack_visit(tmp_path / "a.zip", tmp_path / "back")


def test_what_is_no_parcel_is_refused(root: Path, tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(b"no zip")
    with pytest.raises(VisitError, match="is not a zip file"):
        unpack_visit(tmp_path / "a.zip", tmp_path / "back")
    with pytest.raises(VisitError, match="File not found"):
        unpack_visit(tmp_path / "b.zip", tmp_path / "back")
    with zipfile.ZipFile(tmp_path / "c.zip", "w") as file:
        file.writestr("readme.txt", "hello")
    with pytest.raises(VisitError, match=r"no visit\.json"):
        unpack_visit(tmp_path / "c.zip", tmp_path / "back")
    with zipfile.ZipFile(tmp_path / "d.zip", "w") as file:
        file.writestr("visit.json", "{}")
    with pytest.raises(VisitError, match=r"d\.zip.visit\.json does not say which schema"):
        unpack_visit(tmp_path / "d.zip", tmp_path / "back")
    with zipfile.ZipFile(tmp_path / "e.zip", "w", zipfile.ZIP_LZMA) as file:
        file.writestr("visit.json", "{}")
    with pytest.raises(VisitError, match="packed in an unusual way"):
        unpack_visit(tmp_path / "e.zip", tmp_path / "back")
    packed = tmp_path / "f.zip"
    pack_visit(read_visit(root / "quay"), packed)
    whole = packed.read_bytes()
    for cut in (10, len(whole) // 2, len(whole) - 5):
        packed.write_bytes(whole[:cut])
        with pytest.raises(VisitError, match="is not a zip file"):
            unpack_visit(packed, tmp_path / "back")
    middle = whole.index(b"visit.json") + 40
    packed.write_bytes(whole[:middle] + b"\xa5" * 40 + whole[middle + 40 :])
    with pytest.raises(VisitError):
        unpack_visit(packed, tmp_path / "back")
    assert not (tmp_path / "back").exists()

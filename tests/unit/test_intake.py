"""Import from tables and sound files. The formats are the project's own; spreadsheet habits are common practice."""

import errno
import os
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from taptest.errors import PhysicsError, QuantityError, RecordingError, StorageError, TaptestError, VisitError
from taptest.sound.recording import write_recording
from taptest.visit.files import read_visit
from taptest.visit.intake import Sources, import_visit, read_points, read_tank
from taptest.visit.remarks import VisitRemark
from taptest.visit.shelf import Shelf
from tests.made_visits import RATE, TANK, tap_sound, write_tables
from tests.said import keys_of, values_of


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    write_tables(folder, 3)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """Tables and sound files of three points, fresh for each test."""
    copy = tmp_path / "from"
    shutil.copytree(made, copy)
    return copy


def sources(folder: Path, sound: str | None = None) -> Sources:
    return Sources(
        folder / "tank.toml", folder / "points.csv", folder / sound if sound else None, visited_on=date(2025, 3, 14)
    )


def points(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "points.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_one_file_a_point(folder: Path) -> None:
    visit, notes = import_visit(folder.parent / "cellar", sources(folder))
    assert notes == ()
    assert read_visit(folder.parent / "cellar") == visit
    assert [point.position_mm for point in visit.document.points] == [35, 70, 105]
    assert [point.file for point in visit.document.points] == ["sound/p01.wav", "sound/p02.wav", "sound/p03.wav"]
    assert (folder.parent / "cellar/sound/p02.wav").read_bytes() == (folder / "p02.wav").read_bytes()
    assert visit.document.visited_on == date(2025, 3, 14)
    assert visit.document.readings.pressure == "1,5 bar"


def test_one_walk(folder: Path) -> None:
    points(folder, "position_mm,taps\n105,3\n70,2\n35,3\n")
    write_recording(folder / "walk.wav", tap_sound([0.5 + 0.5 * k for k in range(8)], 5.0), RATE)
    visit, notes = import_visit(folder.parent / "cellar", sources(folder, "walk.wav"))
    assert [(point.position_mm, point.taps) for point in visit.document.points] == [(105, 3), (70, 2), (35, 3)]
    assert {point.file for point in visit.document.points} == {"sound/walk.wav"}
    assert keys_of(notes) == [VisitRemark.TAPPED_UPWARDS]


def test_rows_in_reversed_order_are_accepted_and_said(folder: Path) -> None:
    points(folder, "position_mm,file\n105,p03.wav\n70,p02.wav\n35,p01.wav\n")
    _, notes = import_visit(folder.parent / "cellar", sources(folder))
    assert keys_of(notes) == [VisitRemark.LISTED_UPWARDS]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("\ufeffposition_mm;file\r\n35,5;p01.wav\r\n70,25;p02.wav\r\n", "utf-8"),
        ("position_mm\tfile\n35,5\tp01.wav\n70,25\tp02.wav\n", "utf-16"),
        ("sep=;\nposition_mm;file\n35,5;p01.wav\n70,25;p02.wav\n", "cp1252"),
        ('Position_MM,File\n"35,5",p01.wav\n 70.25 , p02.wav ,,\n\n,,\n', "utf-8"),
        ("file,position_mm\np01.wav,35.5\np02.wav,70.25", "utf-8"),
    ],
)
def test_tables_as_spreadsheets_save_them(folder: Path, text: str, encoding: str) -> None:
    rows = read_points(points(folder, text, encoding), walk=False)
    assert [(row.position_mm, row.file) for row in rows] == [(35.5, "p01.wav"), (70.25, "p02.wav")]


def test_positions_may_be_inches_as_they_stand_on_the_tape(folder: Path) -> None:
    """An inch is 25.4 mm (International yard and pound agreement, 1959)."""
    text = "position_in,file\n1 3/8,p01.wav\n2.75,p02.wav\n4,p03.wav\n"
    rows = read_points(points(folder, text), walk=False)
    assert [row.position_mm for row in rows] == [34.9, 69.8, 101.6]
    visit, _ = import_visit(folder.parent / "cellar", sources(folder))
    assert [point.position_mm for point in visit.document.points] == [34.9, 69.8, 101.6]
    (row,) = read_points(points(folder, "taps;position_in\n3;11 1/4\n"), walk=True)
    assert (row.position_mm, row.taps) == (285.8, 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("position_in,position_mm,file\n1,25,p01.wav\n", "position_mm and position_in"),
        ("position_in,file\n11 1/4 in,p01.wav\n", 'line 2, position_in is "11 1/4 in"'),
        ("position_in,file\neleven,p01.wav\n", "like 11 1/4 or 11.25"),
        ("position_inch,file\n1,p01.wav\n", '"position_inch"'),
    ],
)
def test_positions_that_are_no_inches_are_refused(folder: Path, text: str, words: str) -> None:
    with pytest.raises(VisitError, match=re.escape(words)):
        read_points(points(folder, text), walk=False)


def test_a_name_in_the_western_code_page_is_read(folder: Path) -> None:
    (row,) = read_points(points(folder, "position_mm;file\n35;tür.wav\n", "cp1252"), walk=False)
    assert row.file == "tür.wav"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["is empty", "position_mm,file"]),
        (" \n\n", ["is empty"]),
        ("position_mm,file\n", ["no points"]),
        ("position_mm,file\n35,p01.wav\n35,p02.wav\n", ["lines 2 and 3", "35 mm"]),
        ("position_mm,file\n35,p01.wav\n70,p01.wav\n", ["lines 2 and 3", '"p01.wav"']),
        ("position_mm,file\n35,p01.wav\n70,p09.wav\n", ["line 3", '"p09.wav"', "is not in"]),
        ("position_mm,file\n35,\n", ["line 2", "no audio file", "35 mm"]),
        ("position_mm,file\n900,p01.wav\n", ["900 mm", "is beyond the tank"]),
        ("position_mm,file\n-50,p01.wav\n", ["-50 mm", "is beyond the tank"]),
        ("position,file\n35,p01.wav\n", ['"position"', 'Did you mean "position_mm"?']),
        ("position_mm,file,colour\n35,p01.wav,red\n", ['"colour"', "Known here are: position_mm, file"]),
        ("position_mm,position_mm\n35,35\n", ['"position_mm" twice']),
        ("position_mm\n35\n", ['lacks the column "file"']),
        ("position_mm,taps\n35,3\n", ['"taps"', "without --sound"]),
        ("position_mm,file\n35,5,p01.wav\n", ["line 2", "3 values for 2 columns", "decimal comma"]),
        ("position_mm,file\n35\n", ["line 2", "1 values for 2 columns"]),
        ("position_mm,file\n3 cm,p01.wav\n", ["line 2", '"3 cm"', "without a unit"]),
        ("position_mm,file\nnan,p01.wav\n", ["line 2", '"nan"']),
        ("position_mm;file\n1.200,5;p01.wav\n", ["line 2", '"1.200,5"']),
    ],
)
def test_a_refused_table_says_where_and_what_helps(folder: Path, text: str, words: list[str]) -> None:
    points(folder, text)
    with pytest.raises(VisitError) as caught:
        import_visit(folder.parent / "cellar", sources(folder))
    assert "points.csv" in str(caught.value)
    for word in words:
        assert word in str(caught.value)
    assert sorted(path.name for path in folder.parent.iterdir()) == ["from"]


@pytest.mark.parametrize("taps", ["0", "-1", "2.5", "three", "", "1001", "²"])
def test_taps_are_a_whole_number(folder: Path, taps: str) -> None:
    with pytest.raises(VisitError, match="taps is"):
        read_points(points(folder, f"position_mm;taps\n35;{taps}\n"), walk=True)


def test_the_column_of_files_does_not_go_with_a_walk(folder: Path) -> None:
    with pytest.raises(VisitError, match="with --sound"):
        read_points(folder / "points.csv", walk=True)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        (('"18 l"', "18"), VisitError, ["[tank]", '"volume"', "18", '"18 l"']),
        (('"18 l"', "18 l"), VisitError, ["cannot be read", "quotation marks"]),
        (('volume = "18 l"', 'volum = "18 l"'), VisitError, ['"volum"', 'Did you mean "volume"?']),
        (("[readings]", "[reading]"), VisitError, ['"reading"', 'Did you mean "readings"?']),
        (("[tank]", "colour = 'red'\n[tank]"), VisitError, ['"colour"']),
        (("[line]", "system = 3\n[line]"), VisitError, []),
        (('"1,5 bar"', '"1,5"'), QuantityError, ["[readings] pressure", "1,5"]),
        (('"1,5 bar"', '"-1.5 bar"'), PhysicsError, ["[readings] pressure", "-1.5 bar"]),
        (('"18 l"', '"18 l"\nheight = "900 mm"'), PhysicsError, ["[tank]", "18 l"]),
        (("[tank]", "schema = 2\n[tank]"), VisitError, ['"schema"']),
    ],
)
def test_a_refused_tank_says_where_and_what_helps(
    folder: Path, change: tuple[str, str], error: type[TaptestError], words: list[str]
) -> None:
    (folder / "tank.toml").write_text(TANK.replace(*change), encoding="utf-8")
    with pytest.raises(error) as caught:
        import_visit(folder.parent / "cellar", sources(folder))
    for word in ["tank.toml", *words]:
        assert word in str(caught.value)
    assert not (folder.parent / "cellar").exists()


def test_a_section_that_is_no_section(tmp_path: Path) -> None:
    path = tmp_path / "tank.toml"
    path.write_text("tank = 3\n", encoding="utf-8")
    with pytest.raises(VisitError, match=r"write \[tank\] on a line of its own"):
        read_tank(path)


def test_missing_tables_are_named(folder: Path) -> None:
    (folder / "tank.toml").unlink()
    with pytest.raises(VisitError, match=r"File not found: .*tank\.toml"):
        import_visit(folder.parent / "cellar", sources(folder))


def test_a_table_that_is_no_text(folder: Path) -> None:
    (folder / "points.csv").write_bytes(b"PK\x03\x04\x00\x00")
    with pytest.raises(VisitError, match="not a text file"):
        import_visit(folder.parent / "cellar", sources(folder))


@pytest.mark.parametrize("content", [b"this is a text\n" * 40, b""])
def test_a_sound_file_that_is_none_leaves_nothing_behind(folder: Path, content: bytes) -> None:
    (folder / "p02.wav").write_bytes(content)
    with pytest.raises(RecordingError, match=r"p02\.wav"):
        import_visit(folder.parent / "cellar", sources(folder))
    assert sorted(path.name for path in folder.parent.iterdir()) == ["from"]


def test_a_full_disk_leaves_nothing_behind(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = 0

    def full(_: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 3:
            raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="the disk is full"):
        import_visit(folder.parent / "cellar", sources(folder))
    assert sorted(path.name for path in folder.parent.iterdir()) == ["from"]


def test_a_visit_that_is_there_is_kept(folder: Path) -> None:
    target = folder.parent / "cellar"
    first, _ = import_visit(target, sources(folder))
    points(folder, "position_mm,file\n35,p01.wav\n")
    with pytest.raises(VisitError, match="--replace"):
        import_visit(target, sources(folder))
    assert read_visit(target) == first
    _, notes = import_visit(target, sources(folder), replace=True)
    assert len(read_visit(target).document.points) == 1
    assert read_visit(folder.parent / "cellar.replaced-1").document == first.document
    assert str(values_of(VisitRemark.EARLIER_KEPT, notes)["place"]).endswith("cellar.replaced-1")


def test_an_import_that_was_killed_between_its_renames_is_finished_by_whoever_looks(folder: Path) -> None:
    """As `disk.new_folder` leaves it: the old visit aside, the new one whole, and nothing in its place."""
    target = folder.parent / "cellar"
    for look in (lambda: read_visit(target), lambda: Shelf(folder.parent).refresh()):
        import_visit(target, sources(folder))
        target.rename(folder.parent / ".cellar.0123abcd.whole")
        look()
        assert len(read_visit(target).document.points) == 3
        shutil.rmtree(target)
    import_visit(target, sources(folder))
    target.rename(folder.parent / ".cellar.0123abcd.whole")
    with pytest.raises(VisitError, match="--replace"):
        import_visit(target, sources(folder))


def test_a_folder_that_is_no_visit_is_never_replaced(folder: Path) -> None:
    with pytest.raises(VisitError, match="isn't a visit folder"):
        import_visit(folder, sources(folder), replace=True)
    assert (folder / "p01.wav").is_file()


def test_an_empty_folder_is_taken(folder: Path) -> None:
    target = folder.parent / "cellar"
    target.mkdir()
    import_visit(target, sources(folder))
    assert len(read_visit(target).document.points) == 3


def test_files_of_one_name_from_two_folders_both_come_along(folder: Path) -> None:
    for number, side in enumerate(("left", "right")):
        (folder / side).mkdir()
        write_recording(folder / side / "tap.wav", tap_sound([0.5], 1.5, seed=number), RATE)
    points(folder, "position_mm,file\n35,left/tap.wav\n70,right\\tap.wav\n")
    visit, _ = import_visit(folder.parent / "cellar", sources(folder))
    assert len({point.file.lower() for point in visit.document.points}) == 2
    for point, side in zip(visit.document.points, ("left", "right"), strict=True):
        assert (visit.folder / point.file).read_bytes() == (folder / side / "tap.wav").read_bytes()


def test_a_name_that_some_system_refuses_is_cleaned(folder: Path) -> None:
    try:
        write_recording(folder / "p:1?.wav", np.asarray(tap_sound([0.5], 1.5)), RATE)
    except (OSError, StorageError):
        pytest.skip("This system refuses the name already.")
    points(folder, "position_mm,file\n35,p:1?.wav\n")
    visit, _ = import_visit(folder.parent / "cellar", sources(folder))
    assert visit.document.points[0].file == "sound/p_1_.wav"


@pytest.fixture
def secret(folder: Path) -> Path:
    """A sound file of the computer that no table should fetch."""
    path = folder.parent / "private" / "memo.wav"
    path.parent.mkdir()
    shutil.copy(folder / "p01.wav", path)
    return path


@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize("how", ["absolute", "up", "backwards", "link", "link of a folder"])
def test_a_table_fetches_no_file_from_outside_its_folder(folder: Path, secret: Path, how: str, there: bool) -> None:
    if not there:
        secret.unlink()
    (folder / "link.wav").symlink_to(secret)
    (folder / "linked").symlink_to(secret.parent)
    names = {
        "absolute": str(secret), "up": "../private/memo.wav", "backwards": "..\\private\\memo.wav",
        "link": "link.wav", "link of a folder": "linked/memo.wav",
    }  # fmt: skip
    points(folder, f"position_mm,file\n35,{names[how]}\n")
    with pytest.raises(VisitError, match="lies outside the table's folder"):
        import_visit(folder.parent / "cellar", sources(folder))
    assert not (folder.parent / "cellar").exists()


def test_a_folder_that_the_user_names_may_be_fetched_from(folder: Path, secret: Path) -> None:
    points(folder, "position_mm,file\n35,../private/memo.wav\n70,p02.wav\n")
    named = replace(sources(folder), folders=(secret.parent,))
    visit, _ = import_visit(folder.parent / "cellar", named)
    assert [point.file for point in visit.document.points] == ["sound/memo.wav", "sound/p02.wav"]

"""Reading a visit's folder: what is missing, what leads out of it, what is no document."""

import json
from pathlib import Path
from typing import Any

import pytest

from taptest.errors import VisitError
from taptest.visit.files import inside, read_visit, save_document, sound_files
from tests.made_visits import DOCUMENT


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "cellar"
    (place / "sound").mkdir(parents=True)
    for name in ("a.wav", "b.wav"):
        (place / "sound" / name).write_bytes(b"sound")
    write(place, DOCUMENT)
    return place


def write(folder: Path, document: Any) -> None:
    (folder / "visit.json").write_text(json.dumps(document), encoding="utf-8")


def test_a_visit_is_read_and_saved_alike(folder: Path) -> None:
    visit = read_visit(folder)
    save_document(folder, visit.document)
    assert read_visit(folder) == visit
    assert sound_files(visit.document) == ("sound/a.wav", "sound/b.wav")


def test_a_document_saved_with_a_byte_order_mark_is_read(folder: Path) -> None:
    (folder / "visit.json").write_text(json.dumps(DOCUMENT), encoding="utf-8-sig")
    assert read_visit(folder).document.tank.name == "Cellar"


def test_no_folder_and_no_document(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="not a folder"):
        read_visit(tmp_path / "nowhere")
    with pytest.raises(VisitError, match=r"has no visit\.json"):
        read_visit(tmp_path)


def test_a_missing_sound_file_is_named(folder: Path) -> None:
    (folder / "sound" / "b.wav").unlink()
    with pytest.raises(VisitError, match=r'"sound/b\.wav", which is missing'):
        read_visit(folder)


def test_a_link_out_of_the_visit_is_refused(folder: Path) -> None:
    outside = folder.parent / "secret.wav"
    outside.write_bytes(b"sound")
    link = folder / "sound" / "b.wav"
    link.unlink()
    try:
        link.symlink_to(outside)
    except OSError:
        pytest.skip("Links cannot be made here.")
    with pytest.raises(VisitError, match="leads out of the visit by a link"):
        read_visit(folder)
    assert inside(folder, "sound/a.wav") == folder / "sound" / "a.wav"


@pytest.mark.parametrize(("content", "words"), [(b"\xff\xfe\x00", "not UTF-8"), (b" " * 5_000_000, "larger than")])
def test_what_is_no_document_is_refused(folder: Path, content: bytes, words: str) -> None:
    (folder / "visit.json").write_bytes(content)
    with pytest.raises(VisitError, match=words):
        read_visit(folder)

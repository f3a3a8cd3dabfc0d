"""The folder of a visit: `visit.json` and the audio files beside it.

Reading refuses every path that leads out of the folder, whether by "..", an absolute name or a link. Writing goes
through `disk`, so a visit is there whole or not at all.
"""

from dataclasses import dataclass
from pathlib import Path

from taptest import disk
from taptest.errors import VisitError
from taptest.visit.record import Document, read_document, write_document

DOCUMENT = "visit.json"
SOUND = "sound"
LARGEST_DOCUMENT = 4_000_000
"""Bytes; a visit of a thousand points takes a tenth of it."""


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit as it lies on the disk."""

    folder: Path
    document: Document

    @property
    def source(self) -> str:
        """How the document is named in sentences."""
        return str(self.folder / DOCUMENT)


def read_visit(folder: Path) -> Visit:
    """Read the visit in `folder`; its audio files must be there. Raises `VisitError`, `StorageError`."""
    path = folder / DOCUMENT
    if not folder.is_dir():
        disk.settle(folder.parent)
    if not folder.is_dir():
        cure = "Check the spelling" if not folder.exists() else f"Name the folder that holds {DOCUMENT}"
        raise VisitError(f"{folder} is not a folder, so there is no visit to read. {cure}.")
    if not path.is_file():
        raise VisitError(f"{folder} has no {DOCUMENT}, so it isn't a visit folder. Make one with: taptest import.")
    with disk.storage_errors("read", path):
        content = path.read_bytes() if path.stat().st_size <= LARGEST_DOCUMENT else None
    if content is None:
        raise VisitError(f"{path} is larger than {LARGEST_DOCUMENT // 1_000_000} MB and cannot be a visit's document.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise VisitError(f"{path} is not UTF-8 text (byte {error.start + 1}). Restore it from a copy.") from error
    visit = Visit(folder, read_document(text, str(path)))
    for name in sound_files(visit.document):
        inside(folder, name)
    return visit


def save_document(folder: Path, document: Document) -> None:
    """Write `visit.json` into an existing folder, whole or not at all. Raises `StorageError`."""
    disk.write_text(folder / DOCUMENT, write_document(document))


def sound_files(document: Document) -> tuple[str, ...]:
    """Name the visit's audio files in order of first use, each once."""
    names = [point.file for point in (*document.points, *document.reference)]
    for each in document.rounds:
        names += [point.file for point in each.points] + [entry.file for entry in each.onset]
    return tuple(dict.fromkeys(names))


def inside(folder: Path, name: str) -> Path:
    """Return the path of a visit's file, sure to lie in its folder and to be there. Raises `VisitError`."""
    path = folder.joinpath(*name.split("/"))
    if not path.resolve().is_relative_to(folder.resolve()):
        raise VisitError(
            f'{folder / DOCUMENT} names the audio file "{name}", which leads out of the visit by a link. '
            "Put a copy of the file itself into the visit's folder."
        )
    if not path.is_file():
        raise VisitError(
            f'{folder / DOCUMENT} names the audio file "{name}", which is missing. '
            "Put the file back, or take the point out of the document."
        )
    return path

"""Photographs that lie with a visit: added clean, told to the report, taken away again."""

from pathlib import Path

from taptest import disk, images
from taptest.errors import TaptestError, VisitError
from taptest.visit.files import Visit, inside
from taptest.visit.record import MOST_PHOTOGRAPHS, Document, Photograph

FOLDER = "photographs"


def add_photograph(folder: Path, document: Document, content: bytes, name: str, caption: str) -> Document:
    """Lay a picture down in the visit's folder, and return the document that names it; `name` is that of the sentences.

    What the picture says beside itself, such as where it was taken, is left out. Raises `PictureError`, `VisitError`,
    `StorageError`.
    """
    if len(document.photographs) >= MOST_PHOTOGRAPHS:
        raise VisitError(
            f"The visit has {MOST_PHOTOGRAPHS} photographs, and the report shows no more. Remove one first."
        )
    picture = images.photograph(content, name)
    disk.make_folder(folder / FOLDER)
    number = 1
    while (path := folder / FOLDER / f"photo{number:02}.jpg").exists():
        number += 1
    disk.write_bytes(path, picture)
    entry = Photograph(file=f"{FOLDER}/{path.name}", caption=" ".join(caption.split())[:200])
    return document.model_copy(update={"photographs": (*document.photographs, entry)})


def without_photograph(document: Document, number: int) -> Document:
    """Return the document without its photograph of a number, counted from 1. Raises `VisitError`.

    Its file is removed by `remove_unnamed` once the document is saved.
    """
    count = len(document.photographs)
    if not 1 <= number <= count:
        raise VisitError(f"There is no photograph {number}: the visit has {count or 'none'}.")
    kept = (*document.photographs[: number - 1], *document.photographs[number:])
    return document.model_copy(update={"photographs": kept})


def remove_unnamed(folder: Path, before: Document, after: Document) -> None:
    """Remove the files of the photographs that a visit has no longer. Raises `VisitError`, `StorageError`."""
    kept = {each.file for each in after.photographs}
    for each in before.photographs:
        if each.file not in kept and folder.joinpath(*each.file.split("/")).exists():
            path = inside(folder, each.file)
            with disk.storage_errors("remove", path):
                path.unlink()


def photographs_of(visit: Visit) -> tuple[tuple[str, bytes | None], ...]:
    """Return captions and pictures; None for a picture that is gone, leads out of the visit or cannot be read."""
    return tuple((each.caption, _picture(visit.folder, each.file)) for each in visit.document.photographs)


def photograph_of(visit: Visit, number: int) -> bytes | None:
    """Return one picture, counted from 1; None as in `photographs_of`, or where there is no such number."""
    entries = visit.document.photographs[max(number - 1, 0) : number]
    return _picture(visit.folder, entries[0].file) if entries else None


def _picture(folder: Path, file: str) -> bytes | None:
    try:
        path = inside(folder, file)
        with disk.storage_errors("read", path):
            content = path.read_bytes()
        return images.photograph(content, str(path))  # anew: a visit from elsewhere may hold any file
    except TaptestError:
        return None

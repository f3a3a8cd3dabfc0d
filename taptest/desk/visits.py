"""The shelf as the pages see it: visits by short ids, read and changed one edit at a time.

An id is made from a visit's name on the shelf and is looked up among the ids of the visits that are there; no text of
a request ever becomes part of a path. An edit reads the document again, changes it, checks what it then means, and
writes it whole or not at all; two tabs that edit at once wait for each other.
"""

import hashlib
import re
import threading
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.errors import RecordingError, TaptestError, VisitError

if TYPE_CHECKING:
    from taptest.visit.files import Visit
    from taptest.visit.record import Document
    from taptest.visit.shelf import Entry, Search

ID_LENGTH = 16
LONGEST_NAME = 60
CHANGED = (
    "This visit was changed meanwhile, in another tab or by another program. "
    "What you typed is still below: look at it once more, and save it again to put it in place."
)


class NoSuchVisitError(TaptestError):
    """No visit of the shelf has this id."""


class ChangedMeanwhileError(VisitError):
    """The document is no longer the one that the form was filled from."""


@dataclass(frozen=True, slots=True)
class Found:
    """A visit with its id."""

    ident: str
    visit: "Visit"

    @property
    def mark(self) -> str:
        """Fingerprint of the document, to notice that somebody else has changed it."""
        return mark_of(self.visit.document)


def ident_of(folder: str) -> str:
    """Return the id of a visit by its name on the shelf (`Entry.folder`)."""
    return hashlib.sha256(folder.encode("utf-8", "surrogateescape")).hexdigest()[:ID_LENGTH]


def mark_of(document: "Document") -> str:
    """Return a short fingerprint of a document."""
    from taptest.visit.record import write_document

    return hashlib.sha256(write_document(document).encode()).hexdigest()[:ID_LENGTH]


class Visits:
    """All visits below one folder. May be used from several threads."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._folders: dict[str, str] = {}
        self._lock = threading.RLock()

    def search(self, wanted: "Search | None" = None, *, refresh: bool = False) -> "tuple[tuple[Entry, ...], bool]":
        """Return the entries of the shelf that fit, and whether looking anew found changes. Raises `TaptestError`."""
        from taptest.visit.shelf import Shelf

        with self._lock, Shelf(self.root) as shelf:
            changed = False
            if refresh:
                changes = shelf.refresh()
                changed = bool(changes.read or changes.gone)
            entries = shelf.search(wanted)
        self._folders |= {ident_of(entry.folder): entry.folder for entry in entries}
        return entries, changed

    def read(self, ident: str) -> Found:
        """Read a visit by its id. Raises `NoSuchVisitError`, `VisitError`, `StorageError`."""
        from taptest.visit.files import read_visit

        return Found(ident, read_visit(self.folder(ident)))

    def folder(self, ident: str) -> Path:
        """Return the folder of a visit. Raises `NoSuchVisitError`."""
        if ident not in self._folders:
            self.search(refresh=True)
        folder = self._folders.get(ident)
        if folder is None or not self.root.joinpath(folder).is_dir():
            self._folders.pop(ident, None)
            raise NoSuchVisitError("Visit not found. It may have been moved, renamed or deleted.")
        return self.root.joinpath(folder)

    def change(self, ident: str, edit: "Callable[[Document], Document]", mark: str | None = None) -> Found:
        """Change a visit's document.

        `mark` is that of the document that the user saw; where it is no longer that one, `ChangedMeanwhileError` is
        raised and nothing is changed. Raises what the reading, the new document's meaning and the disk raise.
        """
        from taptest.visit.files import Visit, save_document
        from taptest.visit.meaning import meaning_of

        with self._lock:
            found = self.read(ident)
            if mark is not None and mark != found.mark:
                raise ChangedMeanwhileError(CHANGED)
            document = edit(found.visit.document)
            if document != found.visit.document:
                meaning_of(document, found.visit.source)
                save_document(found.visit.folder, document)
            return Found(ident, Visit(found.visit.folder, document))

    def text(self, ident: str) -> tuple[str, str]:
        """Return the text of a visit's document, whether it can be understood or not, and its mark.

        Raises `NoSuchVisitError`, `StorageError`.
        """
        from taptest.disk import storage_errors
        from taptest.visit.files import DOCUMENT, LARGEST_DOCUMENT

        path = self.folder(ident) / DOCUMENT
        with storage_errors("read", path), path.open("rb") as file:
            content = file.read(LARGEST_DOCUMENT + 1)
        return content.decode("utf-8-sig", "replace"), hashlib.sha256(content).hexdigest()[:ID_LENGTH]

    def document(self, ident: str) -> "Document":
        """Return a visit's document, whether its sound is there or not. Raises `VisitError`, `StorageError`."""
        from taptest.visit.files import DOCUMENT
        from taptest.visit.record import read_document

        return read_document(self.text(ident)[0], str(self.folder(ident) / DOCUMENT))

    def missing(self, ident: str) -> tuple[str, ...]:
        """Name the sound files that a visit's document names and that are not there, or hold no sound that can be read.

        Raises as `document`.
        """
        from taptest.visit.files import sound_files

        folder = self.folder(ident)
        return tuple(
            name for name in sound_files(self.document(ident)) if not _sounds(folder.joinpath(*name.split("/")))
        )

    def mend(self, ident: str, text: str, mark: str) -> None:
        """Put a text in the place of a visit's document, if it is one; `mark` is that of the text that was shown.

        Raises `ChangedMeanwhileError`, `VisitError`, `StorageError`.
        """
        from taptest.visit.record import read_document

        document = read_document(text, "The text")
        with self._lock:
            if mark != self.text(ident)[1]:
                raise ChangedMeanwhileError(CHANGED)
            self.put(ident, document)

    def put(self, ident: str, document: "Document") -> None:
        """Write a visit's document. Raises `NoSuchVisitError`, `StorageError`."""
        from taptest.visit.files import save_document

        with self._lock:
            save_document(self.folder(ident), document)

    def new_folder(self, document: "Document", today: date) -> Path:
        """Return a free place for a new visit, named after day, site and tank."""
        day = (document.visited_on or today).isoformat()
        words = [document.visit.site or "", document.tank.name]
        name = "-".join([day, *(slug for word in words if (slug := plain_name(word)))])[:LONGEST_NAME].strip("-")
        number, folder = 1, self.root / name
        while folder.exists():
            number += 1
            folder = self.root / f"{name}-{number}"
        return folder

    def add(self, folder: Path) -> str:
        """Take a new visit's folder onto the shelf, and return its id."""
        name = folder.relative_to(self.root).as_posix()
        self._folders[ident_of(name)] = name
        return ident_of(name)


def plain_name(text: str) -> str:
    """Return a text as a part of a folder's name that every system takes: small letters, digits, hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")


def _sounds(path: Path) -> bool:
    """Whether a file is there and holds sound."""
    from taptest.sound.recording import open_recording

    try:
        open_recording(path)
    except RecordingError:
        return False
    return True

"""Many visits: the folders are the truth, and an index beside them answers quickly.

A shelf is a folder with visits anywhere below it. Its index is an SQLite file in that folder; it may be deleted at any
time and is rebuilt from the folders. `Shelf.refresh` looks for what changed; `Shelf.search` only asks the index.

A visit's row is read again when any of its files has another size or time than when it was read last. A finding is
shown only where `visit.judged` says that it is not stale. Earlier visits that an import with --replace kept
("....replaced-1") are left out.
"""

import csv
import hashlib
import io
import os
import re
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from taptest.disk import is_left, plain, settle, storage_errors
from taptest.errors import StorageError, TaptestError, VisitError

INDEX = ".taptest-index.sqlite"
INDEX_SCHEMA = 2
"""Number of the index's form; an index of another number is thrown away."""
SETTLED_S = 2.0
"""A file as young as this may change again without its time changing: its visit is read again next time."""
_REPLACED = re.compile(r"\.replaced-\d+$")


class Entry(NamedTuple):
    """One visit on the shelf; a tuple, because ten thousand are made at once."""

    folder: str
    """Below the shelf, with forward slashes; "." for the shelf itself. Shown by way of `disk.plain`."""
    site: str
    tank: str
    visited_on: date | None
    finding: str | None
    """None where the visit is not judged, its finding is stale, or its round is not finished."""
    confidence: str
    sentence: str
    technician: str
    points: int
    marks_left: int
    """Marks that its round still wants tapped; 0 where it is over."""
    simulated: bool
    problem: str
    """Why the visit cannot be read, as a sentence; empty where it can."""

    @property
    def state(self) -> str:
        """The finding's code or, where there is none, why."""
        if self.problem:
            return "unreadable"
        return "not finished" if self.marks_left else self.finding or "not judged"


@dataclass(frozen=True, slots=True)
class Search:
    """What is looked for; what is left out fits every visit. Texts are found anywhere, in upper or lower case."""

    site: str = ""
    tank: str = ""
    since: date | None = None
    until: date | None = None
    finding: str = ""
    """A finding's code, "not judged", "not finished" or "unreadable"."""


@dataclass(frozen=True, slots=True)
class Changes:
    """What a refresh found, in numbers of visits."""

    read: int
    """New or changed."""
    gone: int
    total: int


_COLUMNS = Entry._fields
_FORM = f"""
CREATE TABLE visits ({", ".join(_COLUMNS)}, site_key, tank_key, signature, PRIMARY KEY (visited_on DESC, folder))
WITHOUT ROWID;
CREATE UNIQUE INDEX by_folder ON visits (folder);
"""
"""The rows lie in the order in which they are listed; a visit without a date has an empty one and comes last."""


class Shelf:
    """The visits below a folder. Use it as a context manager, each from one thread; several may be open at once."""

    def __init__(self, root: Path) -> None:
        """Open the index of `root`, or begin an empty one. Raises `VisitError`, `StorageError`.

        Where the folder cannot be written to, the index lives in memory only.
        """
        if not root.is_dir():
            raise VisitError(f"{root} is not a folder. Check the spelling.")
        self.root = root
        self._index = root / INDEX
        self._connection = self._open()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the index."""
        self._connection.close()

    def refresh(self, progress: Callable[[float], None] | None = None) -> Changes:
        """Read what is new or changed since the last time, and forget what is gone. Raises `StorageError`."""
        with _index_errors(self._index):
            rows = self._connection.execute("SELECT folder, signature FROM visits")
            known = {_from_index(folder): signature for folder, signature in rows}
        found = {_name(folder, self.root): folder for folder in visit_folders(self.root)}
        changed: list[tuple[object, ...]] = []
        for number, (name, folder) in enumerate(found.items()):
            try:
                signature = _signature(folder)
                if known.get(name) != signature:
                    changed.append(_row(_entry(folder, name), signature))
            except StorageError as error:
                changed.append(_row(_troubled(name, error), _unsettled()))
            if progress is not None:
                progress((number + 1) / len(found))
        gone = [(_for_index(name),) for name in known.keys() - found.keys()]
        marks = ", ".join("?" * (len(_COLUMNS) + 3))
        with _index_errors(self._index), self._connection:
            self._connection.executemany("DELETE FROM visits WHERE folder = ?", gone)
            self._connection.executemany(f"INSERT OR REPLACE INTO visits VALUES ({marks})", changed)
        return Changes(len(changed), len(gone), len(found))

    def rebuild(self, progress: Callable[[float], None] | None = None) -> Changes:
        """Delete the index and rebuild it from the folders. Raises `StorageError`."""
        with _index_errors(self._index), self._connection:
            self._connection.execute("DELETE FROM visits")
        return self.refresh(progress)

    def search(self, wanted: Search | None = None) -> tuple[Entry, ...]:
        """Return the visits that fit, the latest first; those without a date come last. Raises `StorageError`."""
        where, values = _conditions(wanted or Search())
        query = f"SELECT {', '.join(_COLUMNS)} FROM visits{where} ORDER BY visited_on DESC, folder"
        with _index_errors(self._index):
            return tuple(_entry_of(row) for row in self._connection.execute(query, values))

    def _open(self) -> sqlite3.Connection:
        try:
            return self._opened(str(self._index))
        except sqlite3.OperationalError:
            # The folder cannot be written to, or the index is another's: the folders are the truth all the same.
            return self._opened(":memory:")
        except sqlite3.DatabaseError:
            with storage_errors("delete the damaged index", self._index):
                self._index.unlink(missing_ok=True)
            with _index_errors(self._index):
                return self._opened(str(self._index))

    def _opened(self, place: str) -> sqlite3.Connection:
        connection = sqlite3.connect(place, timeout=10.0)
        try:
            if connection.execute("PRAGMA user_version").fetchone()[0] != INDEX_SCHEMA:
                with connection:
                    connection.execute("DROP TABLE IF EXISTS visits")
                    connection.executescript(_FORM + f"PRAGMA user_version = {INDEX_SCHEMA};")
            connection.execute("SELECT count(*) FROM visits").fetchone()
            # A table that was begun in a folder without permission fails only when it is written.
            connection.execute("BEGIN IMMEDIATE")
            connection.rollback()
        except BaseException:
            connection.close()
            raise
        return connection


def table_csv(entries: Sequence[Entry]) -> str:
    """Return visits as a table for spreadsheets: CSV with a heading.

    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_COLUMNS)
    for entry in entries:
        writer.writerow([_cell(getattr(entry, name)) for name in _COLUMNS])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = plain(str(value))
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


@contextmanager
def _index_errors(index: Path) -> Iterator[None]:
    """Turn an error of the index inside the block into a `StorageError`."""
    try:
        yield
    except sqlite3.Error as error:
        raise StorageError(
            f"The index {index} cannot be used ({error}). Try again; if that does not help, delete this file: "
            "it is rebuilt from the visits, which are not touched."
        ) from error


def visit_folders(root: Path) -> Iterator[Path]:
    """Find the visits below a folder, in order of their names; links are not followed, nor is anything hidden."""
    from taptest.visit.files import DOCUMENT

    names = _names(root)
    if any(is_left(found.name) for found in names):
        settle(root)
        names = _names(root)
    if any(found.name == DOCUMENT and found.is_file(follow_symlinks=False) for found in names):
        yield root
        return
    for found in names:
        if found.name.startswith(".") or _REPLACED.search(found.name) or not found.is_dir(follow_symlinks=False):
            continue
        try:
            yield from visit_folders(Path(found.path))
        except StorageError:
            # It is told as a visit that cannot be read, with the reason, and does not hide the others.
            yield Path(found.path)


def _names(folder: Path) -> list[os.DirEntry[str]]:
    with storage_errors("read", folder):
        return sorted(os.scandir(folder), key=lambda found: found.name)


def _name(folder: Path, root: Path) -> str:
    return folder.relative_to(root).as_posix()


def _for_index(name: str) -> str | bytes:
    """Return a folder's name as the index keeps it: as bytes where it is not text."""
    return name if plain(name) == name else name.encode("utf-8", "surrogateescape")


def _from_index(name: str | bytes) -> str:
    return name if isinstance(name, str) else name.decode("utf-8", "surrogateescape")


def _signature(folder: Path) -> str:
    """Return sizes and times of all files of a visit, and the code that reads them, in short.

    While a file is just written it is one that fits no other.
    """
    from taptest.visit.judged import version

    digest = hashlib.sha1(version().encode(), usedforsecurity=False)
    newest = 0.0
    folders = [str(folder)]
    while folders:
        place = folders.pop()
        with storage_errors("read", folder):
            for found in sorted(os.scandir(place), key=lambda each: each.name):
                if found.is_dir(follow_symlinks=False):
                    folders.append(found.path)
                    continue
                status = found.stat(follow_symlinks=False)
                newest = max(newest, status.st_mtime, status.st_ctime)
                digest.update(
                    f"{found.path}|{status.st_size}|{status.st_mtime_ns}|{status.st_ctime_ns}\n".encode(
                        "utf-8", "surrogateescape"
                    )
                )
    return digest.hexdigest() if newest < time.time() - SETTLED_S else _unsettled()


def _unsettled() -> str:
    """Return a signature that fits no other."""
    return f"unsettled {time.time_ns()}"


def _troubled(name: str, error: TaptestError) -> Entry:
    return Entry(name, "", "", None, None, "", "", "", 0, 0, simulated=False, problem=str(error))


def _entry(folder: Path, name: str) -> Entry:
    """Read one visit; what is wrong with it is told in the row."""
    from taptest.visit.files import read_visit
    from taptest.visit.judged import read_judged

    try:
        visit = read_visit(folder)
        kept = read_judged(visit)
    except TaptestError as error:
        return _troubled(name, error)
    document = visit.document
    found = {} if kept is None or document.marks_left else kept["finding"]
    return Entry(
        folder=name,
        site=(document.visit.site or "").strip(),
        tank=document.tank.name.strip(),
        visited_on=document.visited_on,
        finding=found.get("code"),
        confidence=found.get("confidence", ""),
        sentence=found.get("sentence", ""),
        technician=(document.visit.technician or "").strip(),
        points=len(document.points),
        marks_left=len(document.marks_left),
        simulated=document.simulated,
        problem="",
    )


def _row(entry: Entry, signature: str) -> tuple[object, ...]:
    day = "" if entry.visited_on is None else entry.visited_on.isoformat()
    own = {"visited_on": day, "folder": _for_index(entry.folder), "problem": plain(entry.problem)}
    values = [own.get(name, getattr(entry, name)) for name in _COLUMNS]
    return (*values, entry.site.casefold(), entry.tank.casefold(), signature)


def _entry_of(row: tuple[Any, ...]) -> Entry:
    """Make an entry of a row: this runs for every visit that is listed, so it takes what `_row` put there as it is."""
    folder, site, tank, day, finding, confidence, sentence, technician, points, marks_left, simulated, problem = row
    visited_on = date.fromisoformat(day) if day else None
    return Entry(
        _from_index(folder),
        site,
        tank,
        visited_on,
        finding,
        confidence,
        sentence,
        technician,
        points,
        marks_left,
        simulated == 1,
        problem,
    )


def _conditions(wanted: Search) -> tuple[str, list[str]]:
    """Return the WHERE clause and its values; texts of the user only ever go in as values."""
    found: list[tuple[str, list[str]]] = []
    if wanted.site.strip():
        found.append(("instr(site_key, ?) > 0", [wanted.site.strip().casefold()]))
    if wanted.tank.strip():
        found.append(("instr(tank_key, ?) > 0", [wanted.tank.strip().casefold()]))
    if wanted.since is not None:
        found.append(("visited_on >= ?", [wanted.since.isoformat()]))
    if wanted.until is not None:
        found.append(("visited_on <> '' AND visited_on <= ?", [wanted.until.isoformat()]))
    if wanted.finding == "not judged":
        found.append(("finding IS NULL AND marks_left = 0 AND problem = ''", []))
    elif wanted.finding == "not finished":
        found.append(("marks_left > 0", []))
    elif wanted.finding == "unreadable":
        found.append(("problem <> ''", []))
    elif wanted.finding:
        found.append(("finding = ?", [wanted.finding]))
    if not found:
        return "", []
    return " WHERE " + " AND ".join(clause for clause, _ in found), [value for _, values in found for value in values]

"""Visits that are put away from a shelf: archived ones to be kept, deleted ones until they are thrown out for good.

They lie in hidden folders of the shelf, where no list finds them, each in a folder of its own with the place that it
came from. Putting away and bringing back are one rename each, so that a visit is always whole in one place.
"""

import re
import secrets
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Literal

from taptest.disk import flush_folder, make_folder, storage_errors, write_text
from taptest.errors import TaptestError, VisitError
from taptest.visit.files import DOCUMENT
from taptest.visit.record import read_document

Shelf = Literal["archived", "deleted"]
PLACES: dict[Shelf, str] = {"archived": ".archived", "deleted": ".deleted"}
FROM, VISIT = "from.txt", "visit"
_NUMBER = re.compile(r"[0-9a-f]{12}")


@dataclass(frozen=True, slots=True)
class PutAway:
    """A visit that was put away."""

    number: str
    """Name of its folder."""
    shelf: Shelf
    came_from: str
    """Its folder below the shelf, with forward slashes."""
    name: str
    """Tank and site as typed, or its folder."""
    at: datetime
    """When it was put away."""


def put_away(root: Path, folder: Path, shelf: Shelf) -> PutAway:
    """Move a visit's folder off the shelf. Raises `VisitError` for a shelf that is one visit, `StorageError`."""
    if folder == root or not folder.is_relative_to(root):
        raise VisitError(f"{folder} is the whole shelf, so it can't be put away. Open the folder above it instead.")
    number = secrets.token_hex(6)
    place = root / PLACES[shelf] / number
    make_folder(place)
    write_text(place / FROM, folder.relative_to(root).as_posix() + "\n")
    _rename(folder, place / VISIT)
    return _read(place, shelf)


def bring_back(root: Path, number: str) -> Path:
    """Move a visit back to where it came from, beside what stands there now; returns its folder.

    Raises `VisitError`, `StorageError`.
    """
    away = find(root, number)
    place = root / PLACES[away.shelf] / number
    wanted = root.joinpath(*PurePosixPath(away.came_from).parts)
    target, more = wanted, 1
    while target.exists():
        more += 1
        target = wanted.with_name(f"{wanted.name}-{more}")
    make_folder(target.parent)
    _rename(place / VISIT, target)
    shutil.rmtree(place, ignore_errors=True)
    return target


def throw_out(root: Path, number: str) -> None:
    """Remove a deleted visit for good. Raises `VisitError` for one that is not deleted, `StorageError`."""
    away = find(root, number)
    if away.shelf != "deleted":
        raise VisitError(f"{away.name} is archived. Bring it back and delete it first.")
    place = root / PLACES["deleted"] / number
    with storage_errors("delete", place):
        shutil.rmtree(place)


def all_put_away(root: Path) -> tuple[PutAway, ...]:
    """Return what is put away, the latest first."""
    found = [
        _read(place, shelf)
        for shelf, name in PLACES.items()
        if (root / name).is_dir()
        for place in (root / name).iterdir()
        if _NUMBER.fullmatch(place.name) and (place / VISIT).is_dir()
    ]
    return tuple(sorted(found, key=lambda each: each.at, reverse=True))


def find(root: Path, number: str) -> PutAway:
    """Return one visit that is put away. Raises `VisitError`."""
    for shelf, name in PLACES.items():
        place = root / name / number
        if _NUMBER.fullmatch(number) and (place / VISIT).is_dir():
            return _read(place, shelf)
    raise VisitError("This visit is no longer put away: it was brought back, or deleted for good.")


def _read(place: Path, shelf: Shelf) -> PutAway:
    came_from = _came_from(place)
    at = datetime.fromtimestamp(place.stat().st_mtime, UTC)
    return PutAway(place.name, shelf, came_from, _name(place / VISIT) or came_from, at)


def _came_from(place: Path) -> str:
    """Return where a visit came from; one whose note is damaged, or leads elsewhere, goes back by its number."""
    try:
        noted = PurePosixPath((place / FROM).read_text(encoding="utf-8").strip())
    except (OSError, UnicodeDecodeError):
        return place.name
    inside = noted.parts and not noted.is_absolute() and not any(part.startswith(".") for part in noted.parts)
    return str(noted) if inside else place.name


def _name(folder: Path) -> str:
    path = folder / DOCUMENT
    try:
        document = read_document(path.read_text(encoding="utf-8-sig"), str(path))
    except (OSError, UnicodeDecodeError, TaptestError):
        return ""
    return ", ".join(word for word in (document.tank.name.strip(), (document.visit.site or "").strip()) if word)


def _rename(source: Path, target: Path) -> None:
    with storage_errors("move", source):
        source.rename(target)
    flush_folder(source.parent)
    flush_folder(target.parent)

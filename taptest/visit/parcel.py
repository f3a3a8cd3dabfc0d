"""A visit as one file: packed into a zip to send or to keep, and unpacked again, whole or not at all.

A parcel from elsewhere is not trusted: names that lead out of the folder, links, names that a system refuses, twins
and more data than a visit can be, or than the disk has room for, are refused before or while they are written. What
does not belong to a visit is left out: anything hidden, other parcels, programs.
"""

import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from taptest import disk
from taptest.errors import StorageError, VisitError
from taptest.sound import telephone
from taptest.statements import Said, Statement
from taptest.visit.files import DOCUMENT, Visit, read_visit, sound_files
from taptest.visit.record import Document, read_document
from taptest.visit.remarks import VisitRemark

LARGEST_VISIT = 2_000_000_000
"""Bytes of all files together; an hour of sound at 48 kHz takes a sixth."""
MOST_FILES = 5_000
LONGEST_NAME = 200
MOST_GROWTH = 200
"""Recordings pack to a third; one of plain silence to a thousandth, which is let pass while it is small."""
SMALL = 100_000_000
"""Bytes that may come out of any parcel."""
ROOM_LEFT = 200_000_000
"""Bytes of the disk that are left to others."""
KINDS = frozenset(
    (
        ".wav", ".flac", ".ogg", ".aif", ".aiff", ".au", ".caf", ".rf64", ".w64", ".mp3", ".unreadable", ".pdf", ".png",
        ".svg", ".jpg", ".jpeg", ".webp", ".heic", ".txt", ".md", ".csv", ".toml", ".jsonl",
    )
)  # fmt: skip
"""Endings of what belongs to a visit beside its documents: recordings, pictures, reports, tables, notes, the log."""
DOCUMENTS = frozenset((DOCUMENT, "judged.json", "truth.json"))
_CHUNK = 1 << 20
_DAMAGED = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, NotImplementedError, EOFError, ValueError,
    OverflowError,
)  # fmt: skip
"""What the library raises on damaged bytes."""
_PACKED_ALREADY = {".flac", ".ogg", ".mp3", *telephone.ENDINGS}
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10))}
"""Names that Windows keeps for devices, whatever the ending."""


def pack_visit(visit: Visit, target: Path) -> int:
    """Write what belongs to a visit into the zip `target`, which is there whole or not at all; returns how many files.

    Raises `VisitError` where `target` lies in the visit itself, `StorageError`.
    """
    folder = visit.folder.resolve()
    if target.resolve().is_relative_to(folder):
        raise VisitError(f"{target} would lie in the visit that it is made of. Choose a place outside of it.")
    files = _files_of(folder)
    with disk.new_file(target) as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as parcel:
        for path in files:
            how = zipfile.ZIP_STORED if path.suffix.lower() in _PACKED_ALREADY else zipfile.ZIP_DEFLATED
            parcel.write(path, disk.plain(path.relative_to(folder).as_posix()), how)
    return len(files)


def _files_of(folder: Path) -> list[Path]:
    """Return the files of a visit's folder in order of their names; links and what does not belong to it stay out."""
    named = sound_files(read_visit(folder).document)
    with disk.storage_errors("read", folder):
        return sorted(
            path
            for path in folder.rglob("*")
            if path.is_file() and not path.is_symlink() and _belongs(PurePosixPath(path.relative_to(folder)), named)
        )


def _belongs(place: PurePosixPath, named: Sequence[str]) -> bool:
    """Whether a file belongs to a visit whose document names some audio files."""
    if str(place) in named or str(place) in DOCUMENTS:
        return True
    return not any(part.startswith(".") for part in place.parts) and place.suffix.lower() in KINDS


def unpack_visit(source: Path, folder: Path) -> tuple[Visit, tuple[str, ...]]:
    """Make the visit `folder` from a parcel, and name what was left out; nothing that is there is written over.

    Raises `VisitError` for what is no parcel or is not to be trusted, `StorageError`; then nothing has been made.
    """
    folder = folder.absolute()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise VisitError(f"{folder} already exists and is not overwritten. Choose another name for the visit.")
    if not source.is_file():
        raise VisitError(f"File not found: {source}. Check the spelling and the folder.")
    with disk.storage_errors("read", source), source.open("rb") as file:
        return unpack_stream(file, folder, str(source))


def unpack_stream(file: BinaryIO, folder: Path, source: str) -> tuple[Visit, tuple[str, ...]]:
    """Make the visit `folder` from an open parcel, named `source` in sentences; see `unpack_visit`."""
    try:
        with zipfile.ZipFile(file) as parcel, disk.new_folder(folder) as working:
            entries = _checked(parcel.infolist(), source)
            _check_room(sum(entry.file_size for entry, _ in entries), file.seek(0, 2), folder, source)
            left_out = _lay_down(parcel, entries, working, source)
    except _DAMAGED as error:
        raise VisitError(f"{source} is not a zip file, or is damaged ({error}). Pack the visit again.") from error
    except RuntimeError as error:
        raise VisitError(f"{source} is locked with a password. Pack the visit again without one.") from error
    return read_visit(folder), left_out


def left_out_note(names: Sequence[str]) -> Said:
    """Say what was left out, "" for nothing."""
    if not names:
        return ""
    shown = ", ".join(ascii(name[:60])[1:-1] for name in names[:3])
    if len(names) <= 3:
        return Statement(VisitRemark.FILES_LEFT_OUT, {"names": shown})
    return Statement(VisitRemark.MORE_FILES_LEFT_OUT, {"names": shown, "count": len(names) - 3})


def _lay_down(
    parcel: zipfile.ZipFile, entries: Sequence[tuple[zipfile.ZipInfo, PurePosixPath]], working: Path, source: str
) -> tuple[str, ...]:
    """Write what belongs to the visit, its document first, and return the names of the rest."""
    room, named, left_out = LARGEST_VISIT, tuple[str, ...](), []
    for entry, place in sorted(entries, key=lambda each: str(each[1]) != DOCUMENT):
        if not _belongs(place, named):
            left_out.append(str(place))
            continue
        room -= _write(parcel, entry, working.joinpath(*place.parts), room, source)
        if str(place) == DOCUMENT:
            named = sound_files(_document(working, source))
    try:
        read_visit(working)
    except VisitError as error:
        raise VisitError(str(error).replace(str(working), source)) from error
    return tuple(left_out)


def _document(working: Path, source: str) -> Document:
    """Read the document that was laid down, naming the parcel and not the folder where it lies meanwhile."""
    text = (working / DOCUMENT).read_bytes().decode("utf-8-sig", "replace")
    return read_document(text, str(Path(source) / DOCUMENT))


def _check_room(unpacked: int, packed: int, folder: Path, source: str) -> None:
    """Refuse what grows as no recording does, or what the disk has no room for."""
    if unpacked > SMALL and unpacked > MOST_GROWTH * packed:
        raise VisitError(
            f"{source} has {packed / 1e6:.1f} MB and would unpack to {unpacked / 1e6:.0f} MB, as no recording does. "
            "It is refused."
        )
    free = shutil.disk_usage(folder.parent).free
    if unpacked + ROOM_LEFT > free:
        raise StorageError(
            f"{source} would unpack to {unpacked / 1e6:.0f} MB, and the disk of {folder.parent} has room for "
            f"{max(free - ROOM_LEFT, 0) / 1e6:.0f} MB. Free some space, or choose a folder on another disk."
        )


def _checked(entries: Sequence[zipfile.ZipInfo], source: str) -> list[tuple[zipfile.ZipInfo, PurePosixPath]]:
    """Give each entry its place inside the visit, or refuse the parcel."""
    files = [entry for entry in entries if not entry.orig_filename.endswith("/")]
    if len(files) > MOST_FILES:
        raise VisitError(f"{source} holds {len(files)} files, more than a visit has ({MOST_FILES}). It is refused.")
    if sum(entry.file_size for entry in files) > LARGEST_VISIT:
        raise _too_large(source)
    places = [(entry, _place(entry, source)) for entry in files]
    documents = [place.parent for _, place in places if place.name == DOCUMENT and len(place.parts) <= 2]
    if len(documents) != 1:
        raise VisitError(f"{source} contains {len(documents) or 'no'} {DOCUMENT}, so it isn't a packed visit.")
    top = documents[0]
    seen: set[str] = set()
    inside = []
    for entry, place in places:
        if not place.is_relative_to(top):
            raise VisitError(f'{source} holds "{_shown(entry)}" outside the visit "{top}". It is refused.')
        inner = place.relative_to(top)
        key = str(inner).casefold()
        # "a" beside "a/b" cannot be laid down either: a file and a folder of one name.
        if key in seen or any(str(parent).casefold() in seen for parent in inner.parents):
            raise VisitError(f'{source} holds "{_shown(entry)}" twice. It is refused.')
        seen.add(key)
        inside.append((entry, inner))
    return inside


def _place(entry: zipfile.ZipInfo, source: str) -> PurePosixPath:
    """Return where an entry lies, sure to lead to a plain file further down."""
    name = entry.orig_filename
    parts = name.split("/")
    mode = entry.external_attr >> 16
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise VisitError(f'{source}: "{_shown(entry)}" is packed in an unusual way. Pack the visit again with taptest.')
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        raise VisitError(f'{source}: "{_shown(entry)}" is a link or a device, not a file. The package is refused.')
    tricky = (
        not name.isprintable()
        or len(name) > LONGEST_NAME
        or any(letter in '<>:"\\|?*' for letter in name)
        or any(part in ("", ".", "..") or part != part.strip(" ") or part.endswith(".") for part in parts)
        or any(part.split(".")[0].casefold() in _RESERVED for part in parts)
    )
    if tricky:
        raise VisitError(f'{source}: the name "{_shown(entry)}" cannot be that of a visit\'s file. It is refused.')
    return PurePosixPath(name)


def _shown(entry: zipfile.ZipInfo) -> str:
    return ascii(entry.orig_filename[:80])[1:-1]


def _write(parcel: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, room: int, source: str) -> int:
    """Write one file and return its size. What the parcel says of sizes is not believed: bytes are counted."""
    written = 0
    disk.make_folder(target.parent)
    with parcel.open(entry) as packed, disk.new_file(target) as file:
        while chunk := packed.read(_CHUNK):
            written += len(chunk)
            if written > room:
                raise _too_large(source)
            file.write(chunk)
    return written


def _too_large(source: str) -> VisitError:
    return VisitError(
        f"{source} would unpack to more than {LARGEST_VISIT / 1e9:.0f} GB, which no visit needs. It is refused."
    )

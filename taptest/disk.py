"""Writing so that nothing is lost: a temporary file beside the target, flushed to the disk, then renamed over it.

A reader sees either the old content or the new one, never half of it. Every refusal of the disk becomes a
`StorageError` whose sentence says what was being done, where, why it failed and what helps. What a program that was
killed left half written is finished or cleared away later (`settle`). Works on Linux, macOS and Windows.
"""

import contextlib
import errno
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from taptest.errors import StorageError

NOBODYS_S = 86_400.0
"""What is half written and was not touched for so long belongs to no program that still runs."""
_LEFT = re.compile(r"\.(?P<name>.+)\.[0-9a-f]{8}\.(?P<state>part|whole)")
_STRAY_BYTE = re.compile(r"[\udc80-\udcff]")
_CAUSE_AND_CURE = {
    errno.ENOSPC: ("the disk is full", "Free some space, or choose a folder on another disk"),
    errno.EDQUOT: ("your share of the disk is used up", "Free some space, or choose a folder on another disk"),
    errno.EROFS: ("the disk is read-only", "Choose a folder on a disk that can be written to"),
    errno.EACCES: ("there is no permission", "Choose a folder of your own, or ask its owner for permission"),
    errno.EPERM: ("there is no permission", "Choose a folder of your own, or ask its owner for permission"),
    errno.ENOENT: ("it does not exist", "Check the spelling, or make the folder first"),
    errno.ENOTDIR: ("a part of the path is a file and not a folder", "Choose another folder"),
    errno.EISDIR: ("it is a folder and not a file", "Name a file"),
    errno.ENAMETOOLONG: ("the name is too long", "Choose a shorter name"),
    errno.EIO: ("the disk reports a fault", "Copy your visits to another disk soon"),
}


@contextlib.contextmanager
def storage_errors(action: str, path: Path) -> Iterator[None]:
    """Turn an `OSError` inside the block into a `StorageError`: "Could not {action} {path}: cause. Cure."."""
    try:
        yield
    except OSError as error:
        unnamed = (error.strerror or str(error), "Try again, or choose another folder")
        cause, cure = _CAUSE_AND_CURE.get(error.errno or 0, unnamed)
        raise StorageError(f"Could not {action} {path}: {cause}. {cure}; nothing that was there is lost.") from error


def flush_folder(folder: Path) -> None:
    """Ask the disk to keep the folder's entries; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[BinaryIO]:
    """Yield a file to write that takes the place of `path` when the block ends well and vanishes when it does not.

    Raises `StorageError`.
    """
    settle(path.parent)
    temporary = _beside(path)
    with storage_errors("write", path):
        try:
            with temporary.open("xb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        flush_folder(path.parent)


def write_bytes(path: Path, content: bytes) -> None:
    """Write `content` to `path` whole or not at all. Raises `StorageError`."""
    with new_file(path) as file:
        file.write(content)


def write_text(path: Path, content: str) -> None:
    """Write `content` as UTF-8 to `path` whole or not at all; see `plain`. Raises `StorageError`."""
    write_bytes(path, plain(content).encode("utf-8"))


def plain(text: str) -> str:
    """Return a text that can be shown and written: each byte of a file's name that is not UTF-8 as %E4.

    Some systems take any bytes for a name, and Python hands them on in a form that no other program reads (PEP 383).
    """
    return _STRAY_BYTE.sub(lambda found: f"%{ord(found[0]) - 0xDC00:02X}", text)


def copy_file(source: Path, target: Path) -> None:
    """Copy a file and flush the copy; `target` must not exist. Raises `StorageError`."""
    with (
        storage_errors("copy", source),
        source.open("rb") as origin,
        storage_errors("write", target),
        target.open("xb") as copy,
    ):
        shutil.copyfileobj(origin, copy, 1 << 20)
        copy.flush()
        os.fsync(copy.fileno())


def make_folder(folder: Path) -> None:
    """Make a folder and its parents; one that is there stays as it is. Raises `StorageError`."""
    with storage_errors("make the folder", folder):
        folder.mkdir(parents=True, exist_ok=True)


def settle(folder: Path) -> None:
    """Finish what writing that was killed left in a folder, or clear it away once it is surely nobody's any more.

    Where the disk refuses, all stays as it is.
    """
    with contextlib.suppress(OSError):
        for found in os.scandir(folder):
            left = _LEFT.fullmatch(found.name)
            if left is None:
                continue
            target = folder / left["name"]
            if left["state"] == "whole" and not target.exists():
                Path(found.path).rename(target)
            elif time.time() - found.stat(follow_symlinks=False).st_mtime > NOBODYS_S:
                _clear(Path(found.path))


def is_left(name: str) -> bool:
    """Whether a file or folder of this name is one that is being written, or was when writing was killed."""
    return _LEFT.fullmatch(name) is not None


def _clear(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _beside(target: Path) -> Path:
    """Return a name under which something is written that becomes `target`."""
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")


@contextlib.contextmanager
def new_folder(target: Path, aside: Path | None = None) -> Iterator[Path]:
    """Yield an empty working folder that becomes `target` when the block ends well and vanishes when it does not.

    An empty folder in the place of `target` is taken over; a full one is renamed to `aside` first, and renamed back if
    the last step fails. A program that is killed between the two has marked the new folder as whole before, and
    `settle` takes the last step. Raises `StorageError`.
    """
    make_folder(target.parent)
    settle(target.parent)
    working = _beside(target)
    with storage_errors("make the folder", target):
        working.mkdir()
    try:
        yield working
        with storage_errors("make the folder", target):
            flush_folder(working)
            if aside is not None:
                working = working.rename(working.with_suffix(".whole"))
                flush_folder(target.parent)
                target.rename(aside)
            elif target.is_dir():
                target.rmdir()
            try:
                working.rename(target)
            except OSError:
                if aside is not None and not target.exists():
                    aside.rename(target)
                if aside is None or working.exists():  # else another program took the last step
                    raise
            flush_folder(target.parent)
    except BaseException:
        shutil.rmtree(working, ignore_errors=True)
        raise

"""The fingerprint of a visit's recordings: it shows later that a report was made from these very files.

It is the SHA-256 of a list with one line a file, in order of the document: the file's own SHA-256 in hexadecimal, two
spaces, its name in the visit, a line feed. That is what `sha256sum FILES | sha256sum` prints for the files in that
order, run in the visit's folder.
"""

import hashlib
import time
from functools import lru_cache
from pathlib import Path

from taptest import disk
from taptest.visit.files import Visit, inside, sound_files

SETTLED_S = 2.0
"""A file written less long ago may change again within the resolution of the file system's clock."""


def recordings_sha256(visit: Visit, *, trust_times: bool = False) -> str:
    """Return the fingerprint, 64 hexadecimal digits. Raises `VisitError`, `StorageError`.

    With `trust_times` a file whose size and times are those of the last reading in this process is not read again.
    """
    whole = hashlib.sha256()
    for name in sound_files(visit.document):
        path = inside(visit.folder, name)
        with disk.storage_errors("read", path):
            digest = _remembered(path) if trust_times else _sha256(path)
        whole.update(f"{digest}  {name}\n".encode())
    return whole.hexdigest()


def _remembered(path: Path) -> str:
    status = path.stat()
    if max(status.st_mtime, status.st_ctime) > time.time() - SETTLED_S:
        return _sha256(path)
    return _sha256_of(path.absolute(), status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


@lru_cache(maxsize=4096)
def _sha256_of(path: Path, *_size_and_times: int) -> str:
    return _sha256(path)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

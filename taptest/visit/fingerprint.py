"""The fingerprint of a visit's recordings: it shows later that a report was made from these very files.

It is the SHA-256 of a list with one line a file, in order of the document: the file's own SHA-256 in hexadecimal, two
spaces, its name in the visit, a line feed. That is what `sha256sum FILES | sha256sum` prints for the files in that
order, run in the visit's folder.
"""

import hashlib

from taptest import disk
from taptest.visit.files import Visit, inside, sound_files


def recordings_sha256(visit: Visit) -> str:
    """Return the fingerprint, 64 hexadecimal digits. Raises `VisitError`, `StorageError`."""
    whole = hashlib.sha256()
    for name in sound_files(visit.document):
        path = inside(visit.folder, name)
        with disk.storage_errors("read", path), path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        whole.update(f"{digest}  {name}\n".encode())
    return whole.hexdigest()

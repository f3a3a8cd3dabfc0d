"""A WAV file that survives a crash: each block goes to the disk at once, a torn file is mended at the next start.

Conventions: mono, 24 bits, samples in -1..1; positions on the tape are counted in samples. `soundfile` is not used here
on purpose: the tape needs the file itself, to flush it to the disk, to keep its header true once a second, and to cut a
half-written sample off. The form is the plain RIFF/WAVE of 1991 (PCM), which every program reads.
"""

import contextlib
import os
import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.disk import flush_folder, storage_errors
from taptest.errors import StorageError

FloatArray = NDArray[np.float64]

BYTES = 3
"""Bytes of a sample."""
HEADER = struct.Struct("<4sI4s4sIHHIIHH4sI")
LARGEST = 2**32 - 2**16
"""Bytes of sound that a WAV file can name in its header."""
SYNC_S = 1.0
"""Sound that a power cut may cost at most."""


def _header(rate_hz: int, size: int) -> bytes:
    return HEADER.pack(
        b"RIFF", HEADER.size - 8 + size, b"WAVE", b"fmt ", 16, 1, 1, rate_hz, rate_hz * BYTES, BYTES, 8 * BYTES,
        b"data", size,
    )  # fmt: skip


def pack(block: FloatArray) -> bytes:
    """Turn samples (N,) into bytes; what lies outside -1..1 is held at the limit, NaN becomes silence."""
    safe = np.clip(np.nan_to_num(block, nan=0.0, posinf=1.0, neginf=-1.0), -1.0, 1.0)
    whole = np.minimum(np.rint(safe * 2.0**23), 2**23 - 1).astype("<i4")
    return whole.view(np.uint8).reshape(-1, 4)[:, :BYTES].tobytes()


def wav_bytes(sound: FloatArray, rate_hz: int) -> bytes:
    """Return a whole WAV file of samples (N,)."""
    content = pack(sound)
    return _header(rate_hz, len(content)) + content


class Tape:
    """One WAV file being written. Raises `StorageError` where the disk refuses; what was written stays readable."""

    def __init__(self, path: Path, rate_hz: float) -> None:
        """Make the file; it must not exist yet."""
        self.path = path
        self.rate_hz = round(rate_hz)
        self.samples = 0
        self._unsynced = 0
        with storage_errors("write", path):
            self._file = path.open("xb", buffering=0)
            self._put(_header(self.rate_hz, 0))
            flush_folder(path.parent)
            os.fsync(self._file.fileno())

    def write(self, block: FloatArray) -> None:
        """Append samples (N,); about once a second the disk is asked to keep them."""
        if (self.samples + len(block)) * BYTES > LARGEST:
            raise StorageError(
                f"The recording {self.path} has reached 4 GB, the most a WAV file can hold. "
                "Give the same command again: the round goes on in a new recording."
            )
        with storage_errors("write", self.path):
            self._put(pack(block))
        self.samples += len(block)
        self._unsynced += len(block)
        if self._unsynced >= SYNC_S * self.rate_hz:
            self.sync()

    def sync(self) -> None:
        """Make the header true and ask the disk to keep everything written so far."""
        with storage_errors("write", self.path):
            self._file.seek(0)
            self._put(_header(self.rate_hz, self.samples * BYTES))
            self._file.seek(0, os.SEEK_END)
            os.fsync(self._file.fileno())
        self._unsynced = 0

    def close(self) -> None:
        """Close the file; a half-written sample at its end is cut off. Raises nothing: what is there stays there."""
        if self._file.closed:
            return
        self._file.close()
        with contextlib.suppress(StorageError):  # the next start mends it, once the disk takes writes again
            mend(self.path)

    def _put(self, content: bytes) -> None:
        """Write all of `content`: an unbuffered write may stop half way."""
        rest = memoryview(content)
        while rest:
            rest = rest[self._file.write(rest) :]


def mend(path: Path) -> int:
    """Make a tape whole after a crash: sizes in the header, no half sample at the end; returns its samples.

    A file too short for a header holds no sound: 0 is returned and nothing changed. Raises `StorageError`.
    """
    with storage_errors("mend", path), path.open("r+b") as file:
        head = file.read(HEADER.size)
        if len(head) < HEADER.size:
            return 0
        rate_hz = HEADER.unpack(head)[7]
        samples = (path.stat().st_size - HEADER.size) // BYTES
        whole = _header(rate_hz, samples * BYTES)
        end = HEADER.size + samples * BYTES
        if whole != head or path.stat().st_size != end:
            file.truncate(end)
            file.seek(0)
            file.write(whole)
            file.flush()
            os.fsync(file.fileno())
    return samples


def read(path: Path, start: int, stop: int) -> FloatArray:
    """Return samples start..stop of a tape, as far as they are there; works while the tape is being written.

    Raises `StorageError`.
    """
    start = max(start, 0)
    with storage_errors("read", path), path.open("rb") as file:
        file.seek(HEADER.size + start * BYTES)
        content = file.read(max(stop - start, 0) * BYTES)
    triples = np.frombuffer(content[: len(content) // BYTES * BYTES], np.uint8).reshape(-1, BYTES)
    words = np.zeros((len(triples), 4), np.uint8)
    words[:, 1:] = triples
    return words.view("<i4")[:, 0] / 2.0**31

"""The journal of a round: every block of sound and every decision is on the disk before the next one is made.

In the visit's folder lie `sound/round-01.wav`, -02 and so on (a new one after each start and each loss of the
microphone) and `round.jsonl`, one JSON object a line in order of time, only ever appended to. An entry has the keys "n"
(1, 2, 3 ...), "at" (wall time as ISO 8601, for people only), "what", and those of its kind. `open_journal` makes a
journal, or takes up one that ended in any way: torn WAV headers are mended and a half-written last line is cut off.
"""

import errno
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from taptest.capture.tape import Tape, mend, read
from taptest.disk import flush_folder, make_folder, storage_errors, write_bytes
from taptest.errors import VisitError
from taptest.visit.files import SOUND

FloatArray = NDArray[np.float64]
Entry = Mapping[str, Any]

LOG = "round.jsonl"
FORMAT = 1
LOCK_AT = 2**40
WINDOWS = os.name == "nt"


def _wall_time() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


@dataclass(frozen=True, slots=True)
class Recording:
    """One stretch of sound without a gap."""

    file: str
    """Path inside the visit, with forward slashes."""
    rate_hz: float
    samples: int


class Journal:
    """Writes sound and decisions of a round. Raises `StorageError` where the disk refuses."""

    def __init__(
        self, folder: Path, entries: tuple[Entry, ...], log: IO[bytes], wall_time: Callable[[], str] = _wall_time
    ) -> None:
        """Use `open_journal`, which mends what an earlier run left; `log` is the log, open for appending."""
        self.folder = folder
        self.entries = entries
        """What was in the log when the journal was opened."""
        self._wall_time = wall_time
        self._count = int(entries[-1]["n"]) if entries else 0
        self._tape: Tape | None = None
        noted = [entry for entry in entries if entry["what"] == "recording"]
        self._files = tuple(str(entry["file"]) for entry in noted)
        self._rates = [float(entry["rate_hz"]) for entry in noted]
        self._log = log

    def begin(self, rate_hz: float, device: str) -> None:
        """Start a new recording."""
        self.end()
        number = 1 + max((int(path.stem[6:]) for path in _tapes(self.folder)), default=0)
        path = self.folder / SOUND / f"round-{number:02d}.wav"
        self._tape = Tape(path, rate_hz)
        self._files += (f"{SOUND}/{path.name}",)
        self._rates.append(self._tape.rate_hz)
        self.note("recording", file=self._files[-1], rate_hz=self._tape.rate_hz, device=device)

    def write(self, block: FloatArray) -> None:
        """Append samples (N,) to the current recording."""
        if self._tape is None:
            raise RuntimeError("begin() comes before write()")
        self._tape.write(block)

    def note(self, what: str, **values: Any) -> None:
        """Append a decision. The sound that it rests on is kept by the disk first."""
        if self._tape is not None:
            self._tape.sync()
        self._count += 1
        entry = {"n": self._count, "at": self._wall_time(), "what": what, **values}
        with storage_errors("write", self.folder / LOG):
            rest = memoryview((json.dumps(entry, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8"))
            while rest:
                rest = rest[self._log.write(rest) :]
            os.fsync(self._log.fileno())

    @property
    def files(self) -> tuple[str, ...]:
        """Return the files of all recordings in order, as paths inside the visit; taps name them by their place."""
        return self._files

    def sound(self, recording: int, from_s: float, to_s: float) -> tuple[FloatArray, float]:
        """Return a stretch of a recording, as far as it is there, and its rate; the current one can be read, too."""
        path = self.folder.joinpath(*self._files[recording].split("/"))
        rate_hz = self._rates[recording]
        return read(path, round(from_s * rate_hz), round(to_s * rate_hz)), rate_hz

    @property
    def age_s(self) -> float:
        """Seconds since the last entry that was there when the journal was opened, by the wall clock; 0 for none."""
        try:
            last, now = (datetime.fromisoformat(str(at)) for at in (self.entries[-1]["at"], self._wall_time()))
            return (now - last).total_seconds()
        except (IndexError, KeyError, ValueError, TypeError):
            return 0.0

    def end(self) -> None:
        """End the current recording, if there is one."""
        if self._tape is not None:
            self._tape.close()
            self._tape = None

    def close(self) -> None:
        """End the recording and close the log."""
        self.end()
        self._log.close()


def open_journal(folder: Path, wall_time: Callable[[], str] = _wall_time) -> Journal:
    """Make a journal in `folder`, or take up the one that is there; until it is closed, nobody else can.

    Raises `StorageError`, and `VisitError` where another program has it open.
    """
    make_folder(folder / SOUND)
    with storage_errors("write", folder / LOG):
        log = (folder / LOG).open("ab", buffering=0)
    try:
        _lock(log, folder)
        with storage_errors("write", folder / LOG):
            flush_folder(folder)
        for path in _tapes(folder):
            mend(path)
        entries, end = _read_log(folder / LOG)
        if entries:
            _check_format(entries[0], folder / LOG)
        _set_aside(folder, end)
        with storage_errors("mend", folder / LOG), (folder / LOG).open("r+b") as file:
            file.truncate(end)
            os.fsync(file.fileno())
        journal = Journal(folder, entries, log, wall_time)
        if not entries:
            journal.note("journal", format=FORMAT)
    except BaseException:
        log.close()
        raise
    return journal


def peek(folder: Path) -> Journal:
    """Return a round's journal to read from while another program writes it. Raises `StorageError`."""
    with storage_errors("read", folder / LOG):
        return Journal(folder, read_log(folder), (folder / LOG).open("rb"))


def _lock(log: IO[bytes], folder: Path) -> None:
    """Keep others from writing into a round while it runs: two at once would tear its log. Raises `VisitError`.

    The system lets go of the lock when the program ends, however it ends. Disks without locks go without.
    """
    try:
        if WINDOWS:
            import msvcrt

            log.seek(LOCK_AT)  # far behind the end: Windows refuses others even to read what is locked
            msvcrt.locking(log.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(log.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            raise VisitError(
                f"A round is running in {folder} already, in another window or on the local pages. "
                "Stop that one first, or record into another folder."
            ) from error


def _set_aside(folder: Path, end: int) -> None:
    """Keep what follows the last whole entry, where it is more than one torn line: people may make sense of it."""
    with storage_errors("read", folder / LOG):
        torn = (folder / LOG).read_bytes()[end:]
    if torn.rstrip(b"\0\n").count(b"\n"):
        write_bytes(folder / f"round-torn-at-{end}.txt", torn)


def read_log(folder: Path) -> tuple[Entry, ...]:
    """Return the entries of a round's log, oldest first; empty where there is none. Changes nothing."""
    return _read_log(folder / LOG)[0]


def recordings(folder: Path) -> tuple[Recording, ...]:
    """Return the recordings of a journal that is closed or mended, oldest first."""
    noted = {entry["file"]: float(entry["rate_hz"]) for entry in read_log(folder) if entry["what"] == "recording"}
    found = []
    for path in _tapes(folder):
        name = f"{SOUND}/{path.name}"
        if name in noted:
            found.append(Recording(name, noted[name], mend(path)))
    return tuple(found)


def _tapes(folder: Path) -> list[Path]:
    return sorted(path for path in (folder / SOUND).glob("round-*.wav") if path.stem[6:].isdecimal())


def _read_log(path: Path) -> tuple[tuple[Entry, ...], int]:
    """Return the whole entries from the start of the log and the byte at which they end.

    After a power cut the last line may be half there or hold zeros; the log counts up to the first such line.
    """
    if not path.exists():
        return (), 0
    with storage_errors("read", path):
        content = path.read_bytes()
    entries: list[Entry] = []
    end = 0
    for line in content.splitlines(keepends=True):
        entry = _entry(line)
        if entry is None or entry["n"] != len(entries) + 1:
            break
        entries.append(entry)
        end += len(line)
    return tuple(entries), end


def _entry(line: bytes) -> Entry | None:
    if not line.endswith(b"\n"):
        return None
    try:
        entry = json.loads(line.decode("utf-8"))
    except ValueError:
        return None
    whole = isinstance(entry, dict) and isinstance(entry.get("n"), int) and isinstance(entry.get("what"), str)
    return entry if whole else None


def _check_format(first: Entry, path: Path) -> None:
    if first["what"] != "journal" or first.get("format") != FORMAT:
        raise VisitError(
            f"{path} was written by another version of taptest (format {first.get('format')!r}, known here: {FORMAT}). "
            "Install the newer version, or record into a new folder."
        )

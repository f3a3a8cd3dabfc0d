"""How well a known level was found with a microphone, kept on this computer (`taptest.preferences` says where).

Known levels are kept one JSON object a line, one line a round, so that each later report can say how far this laptop,
microphone and striker were off when the truth was known. A round that is compared once more replaces its line: it is
one piece of evidence, however often it is looked at.
"""

import json
from dataclasses import asdict, dataclass
from typing import Any

from taptest.capture.device import plain_name
from taptest.disk import make_folder, storage_errors, write_text
from taptest.errors import QuantityError, StorageError
from taptest.preferences import data_folder
from taptest.quantities import METRIC, show

KNOWN_LEVELS = "known-levels.jsonl"


@dataclass(frozen=True, slots=True)
class KnownLevel:
    """One known level, tapped and judged."""

    on: str
    """Date as ISO 8601."""
    computer: str
    microphone: str
    striker: str
    vessel: str
    true_mm: float
    """Water level below the top of the shell, measured with a rule."""
    found_mm: float | None
    """What the taps said; None where they could not tell."""
    interval90_mm: tuple[float, float] | None = None
    round: str = ""
    """What tells its round from all others, "" where that is not known."""
    unit: str = METRIC.length
    """Unit of length of those who measured."""

    @property
    def sentence(self) -> str:
        """What a report says of it."""
        where = (
            f"On {self.on} a known level in {self.vessel or 'a vessel'}, {self._length(self.true_mm)} below its top,"
        )
        with_what = f"with {plain_name(self.microphone)}" + (f" and the striker {self.striker}" if self.striker else "")
        if self.found_mm is None:
            return f"{where} was not found {with_what}."
        error = self.found_mm - self.true_mm
        way = "exactly" if abs(error) < 0.5 else f"{self._length(abs(error))} too {'low' if error > 0 else 'high'}"
        return f"{where} was found {way} {with_what}."

    def _length(self, length_mm: float) -> str:
        return show("length", length_mm / 1000, self.unit)


def this_computer() -> str:
    """Return the name of this computer as the user knows it."""
    import platform

    return platform.node() or "this computer"


def keep_known_level(check: KnownLevel) -> bool:
    """Remember a known level; returns whether it replaces what its round gave before. Raises `StorageError`."""
    make_folder(data_folder())
    lines = _known_level_lines()
    others = [line for line in lines if not check.round or getattr(_check(line), "round", "") != check.round]
    lines_now = [*others, json.dumps(asdict(check), ensure_ascii=False)]
    write_text(data_folder() / KNOWN_LEVELS, "".join(f"{line}\n" for line in lines_now))
    return len(others) < len(lines)


def known_levels() -> tuple[KnownLevel, ...]:
    """Return all known levels, oldest first; lines that cannot be read are left out. Raises `StorageError`."""
    return tuple(check for check in map(_check, _known_level_lines()) if check is not None)


def _known_level_lines() -> list[str]:
    path = data_folder() / KNOWN_LEVELS
    if not path.is_file():
        return []
    with storage_errors("read", path):
        return path.read_text(encoding="utf-8", errors="replace").splitlines()


def newest_known_level(computer: str, microphone: str) -> KnownLevel | None:
    """Return the newest known level found with this computer and microphone, or None where there is none."""
    try:
        fitting = [check for check in known_levels() if (check.computer, check.microphone) == (computer, microphone)]
    except StorageError:
        return None  # evidence that cannot be read is evidence that is not there
    return fitting[-1] if fitting else None


def _check(line: str) -> KnownLevel | None:
    try:
        raw: dict[str, Any] = json.loads(line)
        interval = raw.pop("interval90_mm", None)
        check = KnownLevel(**raw, interval90_mm=None if interval is None else (float(interval[0]), float(interval[1])))
        readable = bool(check.sentence)
    except (ValueError, TypeError, AttributeError, KeyError, QuantityError):
        return None
    return check if readable else None

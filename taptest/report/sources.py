"""Gather what the pages say besides the finding: fingerprint, truth of a simulated visit, known level, letterhead.

Conventions: a fingerprint is a SHA-256 in hexadecimal digits; times carry their time zone.
"""

from datetime import UTC, datetime
from pathlib import Path

from taptest.capture.journal import read_log
from taptest.capture.known_levels import newest_known_level, this_computer
from taptest.report.choices import Paper
from taptest.report.letterhead import kept_letterhead
from taptest.report.page import Sources
from taptest.report.wording import Wording
from taptest.simulate.truth import read_truth
from taptest.visit.files import Visit
from taptest.visit.fingerprint import recordings_sha256
from taptest.visit.photographs import photographs_of


def sources_of(visit: Visit, wording: Wording = "us", paper: Paper = "a4") -> Sources:
    """Gather the sources of a visit's pages. Raises `RecordingError`, `StorageError`, `VisitError`."""
    return Sources(
        document=visit.document,
        fingerprint=recordings_sha256(visit),
        made_at=datetime.now(UTC),
        truth=read_truth(visit.folder),
        known_level=_known_level(visit.folder),
        wording=wording,
        paper=paper,
        letterhead=kept_letterhead(),
        photographs=photographs_of(visit),
    )


def _known_level(folder: Path) -> str | None:
    """Say how well a known level was found with the microphone that recorded this visit; None where there is none."""
    microphones = [str(entry["device"]) for entry in read_log(folder) if "device" in entry]
    check = newest_known_level(this_computer(), microphones[-1]) if microphones else None
    return None if check is None else check.sentence

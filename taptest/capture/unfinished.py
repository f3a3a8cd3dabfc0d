"""Rounds that did not come to their end: their points, and the marks that are left.

The points of a round are written into the visit when it ends in order. While it runs, and after a crash or a power cut,
they stand in the journal only, until somebody looks (`bring_in`).
"""

from pathlib import Path

from taptest.capture.journal import LOG, Journal, open_journal, peek, read_log
from taptest.errors import VisitError
from taptest.visit.files import DOCUMENT, read_visit


def left_of(folder: Path) -> tuple[float, ...]:
    """Return the marks, below the top of the shell, that a folder's round still wants tapped; none without a round.

    Raises `VisitError`, `StorageError`.
    """
    if not (folder / LOG).is_file():
        return ()
    from taptest.capture.notes import marks_left

    return marks_left(read_log(folder))


def bring_in(folder: Path) -> bool:
    """Write the points of a round that runs, or was killed, into its visit; returns whether there were new ones.

    Raises `VisitError`, `StorageError`.
    """
    if not (folder / LOG).is_file():
        return False
    from taptest.capture.excerpt import of_marks, save_points
    from taptest.capture.notes import results_from

    results = results_from(read_log(folder))
    tapped = [each for each in of_marks(results) if each.taps and each.stop.on_line]
    known = len(read_visit(folder).document.points)
    # A point that was left out on purpose stays out: only a log that is newer than the document has new ones.
    if len(tapped) <= known or (known and not _newer(folder / LOG, folder / DOCUMENT)):
        return False
    journal = _journal(folder)
    try:
        return save_points(folder, journal, results) > 0
    finally:
        journal.close()


def _newer(one: Path, other: Path) -> bool:
    return one.stat().st_mtime_ns > other.stat().st_mtime_ns


def _journal(folder: Path) -> Journal:
    """Open a journal, mended where its program was killed; one that is being written is only read."""
    try:
        return open_journal(folder)
    except VisitError:
        return peek(folder)

"""Rounds that did not come to their end: which marks are left, and the points of one whose program was killed.

The points of a round are written into the visit when it ends in order. After a crash or a power cut they stand in the
journal only, until somebody looks (`bring_in`). Depths are metres below the top of the shell.
"""

from pathlib import Path

from taptest.capture.journal import LOG, open_journal, read_log
from taptest.errors import VisitError
from taptest.quantities import Units
from taptest.visit.files import read_visit

MOST_NAMED = 8


def marks_left(folder: Path) -> tuple[tuple[float, ...], int]:
    """Return the marks that an unfinished round still wants tapped, and how many it has in all; none for others.

    Raises `VisitError`, `StorageError`.
    """
    if not (folder / LOG).is_file():
        return (), 0
    from taptest.capture.notes import is_done, plan_from, results_from

    entries = read_log(folder)
    plan = plan_from(entries)
    if plan is None or is_done(entries):
        return (), 0
    came = {round(result.stop.depth_m, 4) for result in results_from(entries) if result.stop.kind == "point"}
    return tuple(depth for depth in plan.first_m if round(depth, 4) not in came), len(plan.first_m)


def unfinished_sentence(folder: Path, units: Units) -> str:
    """Say which marks an unfinished round has left, "" for one that is done. Raises `VisitError`, `StorageError`."""
    left, of = marks_left(folder)
    if not left:
        return ""
    named = ", ".join(units.show("length", depth) for depth in left[:MOST_NAMED])
    more = f" and {len(left) - MOST_NAMED} more" if len(left) > MOST_NAMED else ""
    return (
        f"The round is not finished: {len(left)} of {of} marks are left to tap ({named}{more}). Whatever is said of "
        "this visit rests on the others only; go on with the round first."
    )


def bring_in(folder: Path) -> bool:
    """Write the points of a round whose program was killed into its visit; returns whether there were any.

    A round that still runs keeps its own. Raises `VisitError`, `StorageError`.
    """
    if not (folder / LOG).is_file():
        return False
    from taptest.capture.excerpt import save_points
    from taptest.capture.notes import results_from

    entries = read_log(folder)
    tapped = [each for each in results_from(entries) if each.taps and each.stop.kind in ("point", "finer")]
    if not tapped or read_visit(folder).document.points:
        return False
    try:
        journal = open_journal(folder)
    except VisitError:
        return False  # it is running, perhaps in another window
    try:
        return save_points(folder, journal, results_from(journal.entries)) > 0
    finally:
        journal.close()

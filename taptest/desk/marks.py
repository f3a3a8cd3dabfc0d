"""One mark of a judged visit: its taps, its neighbours, and how both sound."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from taptest.desk.judging import Judging
    from taptest.visit.record import Document, PointEntry
    from taptest.visit.result import TapResult


def from_the_top(document: "Document") -> "list[PointEntry]":
    """Return the points of a document from the top down, as a judged visit has them."""
    return sorted(document.points, key=lambda entry: entry.position_mm)


def taps_of(judging: "Judging", entry: "PointEntry") -> "list[TapResult]":
    """Return the taps of a point; none where the visit could not be judged."""
    if judging.result is None:
        return []
    depth_m = entry.position_mm / 1000
    return [
        tap
        for tap in judging.result.taps
        if tap.file == entry.file and tap.depth_m is not None and abs(tap.depth_m - depth_m) < 1e-9
    ]


def telling(taps: "Sequence[TapResult]") -> int:
    """Return the number (from 1) of the tap that stands for a mark: the first that is used; 0 where there is none."""
    return next((number for number, tap in enumerate(taps, start=1) if tap.tap.used), 1 if taps else 0)


def panel(judging: "Judging", document: "Document", place: int) -> dict[str, Any] | None:
    """Return what is shown of the mark numbered `place` from the top; None where there is none."""
    entries = from_the_top(document)
    result = judging.result
    if result is None or not 1 <= place <= len(entries):
        return None
    point = next(
        (each for each in result.points if abs(each.depth_m - entries[place - 1].position_mm / 1000) < 1e-9), None
    )
    share = None if point is None or point.p_water is None else round(100 * point.p_water)
    return {
        "place": place,
        "count": len(entries),
        "position": result.units.show("length", entries[place - 1].position_mm / 1000),
        "percent": share,
        "point": point,
        "taps": [
            {
                "number": number,
                "onset": f"{tap.tap.onset_s:.5f}",
                "used": tap.tap.used,
                "by_hand": tap.by_hand is not None,
                "why": "by hand" if tap.by_hand is not None else tap.tap.why_not,
            }
            for number, tap in enumerate(taps_of(judging, entries[place - 1]), start=1)
        ],
        "plays": [
            (name, at, number)
            for name, at in (("above", place - 1), ("this mark", place), ("below", place + 1))
            if 1 <= at <= len(entries) and (number := telling(taps_of(judging, entries[at - 1])))
        ],
    }


def first_shown(judging: "Judging") -> int:
    """Return the mark that is shown first: the one whose backing is least told, 0 where there is none."""
    if judging.result is None or not judging.result.points:
        return 0
    doubt = [2.0 if each.p_water is None else abs(each.p_water - 0.5) for each in judging.result.points]
    return 1 + doubt.index(min(doubt))

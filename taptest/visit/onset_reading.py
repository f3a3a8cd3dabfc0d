"""Read an onset round: from the recordings of one mark at many pressures to the pressure at which its sound changes.

Files are read by `visit.listen`; what follows is pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from taptest.errors import LineError
from taptest.line.onset import OnsetEvidence, find_onset
from taptest.sound.records import TapTraits
from taptest.statements import Said
from taptest.visit.reading import hear_entries
from taptest.visit.record import HandDecision, OnsetEntry, PointEntry
from taptest.visit.result import OnsetReading, TapResult


@dataclass(frozen=True, slots=True)
class HeardOnset:
    """An onset round, heard."""

    evidence: OnsetEvidence | None
    """None where the taps say nothing; `remarks` then tell why."""
    readings: tuple[OnsetReading, ...]
    taps: tuple[TapResult, ...]
    remarks: tuple[Said, ...]


def hear_onset(
    folder: Path,
    mark_m: float,
    shown_pa: Sequence[float],
    entries: Sequence[OnsetEntry],
    by_hand: Sequence[HandDecision],
    atmospheric_pa: float,
) -> HeardOnset:
    """Hear the taps of one mark and find the onset; `shown_pa` is one pressure an entry.

    Raises `VisitError`, `RecordingError` and `StorageError`, each a sentence that says what is wrong where.
    """
    as_points = [PointEntry(position_mm=1000 * mark_m, file=each.file, taps=each.taps) for each in entries]
    tapped, taps, remarks = hear_entries(folder, as_points, by_hand)
    used: list[TapTraits] = [trait for each in tapped for _, trait in each.taps if trait is not None]
    pressures = [
        shown for shown, each in zip(shown_pa, tapped, strict=True) for _, trait in each.taps if trait is not None
    ]
    readings = tuple(
        OnsetReading(shown, each.point.taps_used, each.point.taps_rejected)
        for shown, each in zip(shown_pa, tapped, strict=True)
    )
    try:
        evidence = find_onset(pressures, used, atmospheric_pa)
    except LineError as error:
        return HeardOnset(None, readings, taps, (*remarks, str(error)))
    return HeardOnset(evidence, readings, taps, remarks)

"""Rounds that are led beside the first one: what is tapped, why, and how it comes into the visit.

A second round at another pressure, one mark at many pressures a reading at a time, and a few marks of the tank as it
was left. Each has its own raw sound in a folder below the visit; its points are in the visit's document once it ends.
The command line and the pages lead the same ones.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from taptest import disk
from taptest.capture.excerpt import Excerpts
from taptest.capture.onset_lead import OnsetLead, Way
from taptest.capture.round import Plan
from taptest.capture.session import Session
from taptest.errors import VisitError
from taptest.finding.compare import compare
from taptest.finding.judge import COST
from taptest.finding.planner import FEW_MARKS, Leading, lead_round
from taptest.line.next_point import few_of
from taptest.sound.recording import recording_of
from taptest.sound.taps import detect_taps
from taptest.sound.traits import traits_of
from taptest.statements import Said
from taptest.visit.files import SOUND, read_visit, save_document
from taptest.visit.meaning import meaning_of
from taptest.visit.reading import hear_entries
from taptest.visit.record import Document, OnsetEntry, PointEntry, RoundSection
from taptest.visit.result import VisitResult

AGAIN, ONSET = "again", "onset"
"""Folders of the raw sound, below the visit."""
ONSET_TAPS = 2
"""Good taps a reading of one mark."""


@dataclass(frozen=True, slots=True)
class LedRound:
    """One round to be tapped beside the first one."""

    kind: Literal["again", "onset", "left"]
    folder: Path
    """Of its raw sound."""
    plan: Plan
    keep: Callable[[Session], int]
    """Writes what was tapped into the visit; returns how many points or readings that are. Raises `StorageError`."""
    after: Callable[[], tuple[Said, ...]] = tuple
    """What is to be said once it is kept."""


def leading(result: VisitResult) -> Leading:
    """Choose the step of a second round and its marks. Raises `VisitError` where none may be led."""
    comparison = compare(result.case, result.judgement.line, np.random.default_rng(0))
    lead = lead_round(result.case, comparison, COST, [point.depth_m for point in result.points])
    if lead is None:
        raise VisitError(
            "No second round is led here: the system is hot, no pressure was read, a change would come too near to "
            "the relief setting or under the head of the system, or the tank's line does not show its water."
        )
    return lead


def second_round(folder: Path, lead: Leading, pressure: str) -> LedRound:
    """Lead a second round at the pressure that the gauge shows now, as typed."""
    state = "fill raised" if lead.change_pa > 0 else "let down"
    told = {"state": state, "readings": {"pressure": pressure}}
    return _of_marks("again", folder, lead.marks_m, told, (lead.after,))


def marks_as_left(result: VisitResult) -> tuple[float, ...]:
    """Choose the few marks at which a tank is tapped again as it was left."""
    return few_of([point.depth_m for point in result.points], FEW_MARKS)


def round_as_left(folder: Path, marks_m: Sequence[float]) -> LedRound:
    """Lead a few marks of the tank as it was left."""
    left = read_visit(folder).document.as_left
    readings = {"pressure": left.pressure, "water_temperature": left.water_temperature}
    return _of_marks("left", folder, tuple(marks_m), {"state": "as left", "same_air": False, "readings": readings}, ())


def _of_marks(
    kind: Literal["again", "left"],
    folder: Path,
    marks_m: tuple[float, ...],
    told: Mapping[str, Any],
    after: tuple[Said, ...],
) -> LedRound:
    number = len(read_visit(folder).document.rounds) + 2

    def keep(session: Session) -> int:
        disk.make_folder(folder / SOUND)
        excerpts = Excerpts(session.journal)
        results = [result for result in session.round.results if result.taps]
        points = [excerpts.write_point(folder, f"round{number}", result) for result in results]
        if points:
            _add(folder, told, points)
        return len(points)

    plan = Plan(marks_m, None, finer_limit=0, noise_s=2.0)
    return LedRound(kind, folder / AGAIN / str(number), plan, keep, lambda: after)


def _add(folder: Path, told: Mapping[str, Any], points: Sequence[PointEntry]) -> None:
    """Add a round to the visit's document, named by its state; a name is given once."""
    document = read_visit(folder).document
    same = sum(each.state == told["state"] for each in document.rounds)
    name = told["state"] if not same else f"{told['state']} {same + 1}"
    added = RoundSection.model_validate({"name": name, **told, "points": tuple(points)})
    save_document(folder, document.model_copy(update={"rounds": (*document.rounds, added)}))


def onset_under_way(folder: Path, way: Way) -> OnsetLead:
    """Return an onset round as far as it has come: its readings are heard again; a new one where none was begun.

    Raises `VisitError` where it would not be safe, `LineError` where it tells nothing.
    """
    document = read_visit(folder).document
    meaning = meaning_of(document, str(folder))
    begun = _begun(document)
    if begun is None:
        return OnsetLead(meaning.case, way)
    lead = OnsetLead(meaning.case, "up" if begun.state == "fill raised" else "down")
    entries = [PointEntry(position_mm=1000 * lead.mark_m, file=each.file, taps=each.taps) for each in begun.onset]
    heard, _, _ = hear_entries(folder, entries, document.by_hand)
    for shown_pa, each in zip(meaning.rounds[-1].shown_pa, heard, strict=True):
        lead.add(shown_pa, [trait for _, trait in each.taps if trait is not None])
    return lead


def _begun(document: Document) -> RoundSection | None:
    """Return the onset round that is the visit's last one; None where that is another, or there is none."""
    return document.rounds[-1] if document.rounds and document.rounds[-1].onset else None


def onset_reading(folder: Path, lead: OnsetLead, pressure: tuple[str, float]) -> LedRound:
    """Lead one reading of an onset round at the pressure (text, gauge pascals) that the gauge shows now."""
    document = read_visit(folder).document
    begun = _begun(document)
    number = len(document.rounds) + (2 if begun is None else 1)
    step = 1 if begun is None else len(begun.onset) + 1

    def keep(session: Session) -> int:
        results = [result for result in session.round.results if result.taps]
        if not results:
            return 0
        name = f"{SOUND}/round{number}-onset-{step:02d}.wav"
        disk.make_folder(folder / SOUND)
        sound, rate_hz = Excerpts(session.journal).write(folder, name, results[-1])
        _add_reading(folder, lead, OnsetEntry(pressure=pressure[0], file=name))
        traits = traits_of(recording_of(sound, round(rate_hz)), detect_taps([sound], rate_hz))
        lead.add(pressure[1], [each for each in traits if each is not None])
        return 1

    practice = 3 if step == 1 else 0
    plan = Plan((lead.mark_m,), None, ONSET_TAPS, finer_limit=0, practice_taps=practice, noise_s=2.0)
    return LedRound("onset", folder / ONSET / f"{number}-{step:02d}", plan, keep, lambda: _advice(lead))


def _advice(lead: OnsetLead) -> tuple[Said, ...]:
    """Say what is heard, what to set next, and at the end what to put back."""
    return (*lead.advice(), lead.after()) if lead.shown_pa and lead.next_pa() is None else lead.advice()


def _add_reading(folder: Path, lead: OnsetLead, entry: OnsetEntry) -> None:
    """Write one reading into the visit's onset round, which is made where it is the first."""
    document = read_visit(folder).document
    rounds = list(document.rounds)
    if _begun(document) is None:
        state = "let down" if lead.way == "down" else "fill raised"
        mark = f"{lead.mark_m * 1000:.0f} mm"
        rounds.append(RoundSection.model_validate({"name": "onset", "state": state, "mark": mark}))
    rounds[-1] = rounds[-1].model_copy(update={"onset": (*rounds[-1].onset, entry)})
    save_document(folder, document.model_copy(update={"rounds": tuple(rounds)}))


def way_of(result: VisitResult) -> Way:
    """Choose which way the pressure goes: up where the shell rang all over as it was found, else down."""
    return "up" if result.judgement.boundary_state == "all air" else "down"

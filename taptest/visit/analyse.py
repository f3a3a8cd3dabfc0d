"""Judge a visit: the main path, from its recordings to its finding.

recordings -> taps and traits -> points of the line -> the line's reading with the tank's level sweep -> judgement.
Files are read here and in `visit.listen`; what follows is pure.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from taptest.errors import VisitError
from taptest.finding.judge import MOST_CHECKS, judge
from taptest.finding.records import Case, Judgement, Round, RoundFound
from taptest.line.next_point import LEAST_BITS, free_places_m, next_point, settled, taps_worthwhile
from taptest.line.pair import PairEvidence, pair_evidence
from taptest.line.records import LineReading, Profile, Unreadable
from taptest.line.still import still_evidence
from taptest.quantities import Units
from taptest.shell.records import LevelSweep
from taptest.statements import Said, Statement
from taptest.tank.kinds import Tank
from taptest.visit.as_left import AsLeftCheck, as_left_said
from taptest.visit.files import Visit
from taptest.visit.meaning import RoundMeaning, meaning_of
from taptest.visit.onset_reading import HeardOnset, hear_onset
from taptest.visit.reading import HeardRound, hear_round, point_results, read_lines
from taptest.visit.record import Document, RoundSection
from taptest.visit.remarks import VisitRemark
from taptest.visit.result import RoundResult, VisitResult
from taptest.visit.sweeps import Sweeps, sweeps_for
from taptest.visit.unfinished import unfinished
from taptest.water.pressure import atmospheric_pressure_pa

Progress = Callable[[float], None]

SAME_MODEL_PA = 100_000.0
"""Rounds whose pressures are nearer than this, 1 bar, share a model: at half a bar it moved 30 second rounds by at most
0.05 spacings."""


def judge_visit(visit: Visit, progress: Progress | None = None, seed: int = 0) -> VisitResult:
    """Judge a visit from its recordings.

    `progress` is told the share done of the tank's model sweep where that has to be computed; `seed` seeds the sampling
    of the judgement. Raises `VisitError`, `QuantityError`, `PhysicsError`, `RecordingError`, `LineError` and
    `StorageError`, each a sentence that says what is wrong where and what to do.
    """
    document = visit.document
    if not document.points:
        raise VisitError(f"{visit.source} has no points yet, so there is nothing to judge. Record or import some.")
    meaning = meaning_of(document, visit.source)
    first = _read(visit.folder, document, meaning.case, progress)
    later = [
        _read(visit.folder, each.document, each.case, progress, first.sweeps if _near(meaning.case, each.case) else ())
        for each in meaning.rounds
    ]
    onsets = [
        _onset(visit.folder, section, each) for section, each in zip(document.rounds, meaning.rounds, strict=True)
    ]
    reading, profile = first.readings[0], first.heard.lines[0].profile
    advice = None if profile is None else where_next(reading, profile, meaning.case.tank, first.sweeps, meaning.units)
    rounds = [_round(first, *each) for each in zip(meaning.rounds, later, onsets, strict=True)]
    judgement = judge(meaning.case, reading, seed, beside=first.readings[1:], rounds=rounds)
    advised = _with_remedy(_with_advice(judgement, advice), first.heard.clipped)
    left = as_left_said(meaning.as_left, judgement.needed_precharge_pa)
    marks_left_m = tuple(mark / 1000 for mark in document.marks_left)
    return VisitResult(
        name=document.tank.name.strip(),
        visited_on=document.visited_on,
        simulated=document.simulated,
        case=meaning.case,
        units=meaning.units,
        points=point_results(first.heard, first.readings),
        taps=first.heard.taps,
        profile=profile,
        judgement=unfinished(_with_as_left(advised, left), marks_left_m),
        assumptions=meaning.notes,
        remarks=(*first.remarks, *left),
        reference=first.heard.reference_taps,
        marks_left_m=marks_left_m,
        rounds=tuple(
            _round_result(*each) for each in zip(meaning.rounds, later, onsets, judgement.rounds, strict=True)
        ),
    )


@dataclass(frozen=True, slots=True)
class _ReadRound:
    """One round, read."""

    heard: HeardRound
    readings: tuple[LineReading, ...]
    """One a line; none where nothing was tapped."""
    sweeps: Sweeps
    remarks: tuple[Said, ...]
    microphone: str | None = None
    """Whether it stood still, "fixed", or was carried along, "moving"; None where that was not noted."""


def _near(first: Case, later: Case) -> bool:
    """Whether the model of the first round serves a later one as well."""
    pressures = (first.readings.pressure_pa, later.readings.pressure_pa)
    return pressures[0] is not None and pressures[1] is not None and abs(pressures[1] - pressures[0]) <= SAME_MODEL_PA


def _read(folder: Path, document: Document, case: Case, progress: Progress | None, sweeps: Sweeps = ()) -> _ReadRound:
    """Hear one round and read its lines with the tank's model; `sweeps` are those of another round that serve it."""
    heard = hear_round(folder, document.points, document.reference, document.by_hand)
    notes: list[Said] = list(heard.notes)
    if not sweeps and any(line.profile is not None for line in heard.lines):
        sweeps, kept = sweeps_for(case, progress)
        notes.extend(kept)
    read = read_lines(heard, case.tank, sweeps)
    return _ReadRound(heard, read, sweeps, (*heard.remarks, *notes), document.line.microphone)


def _pair(first: _ReadRound, later: _ReadRound) -> PairEvidence | None:
    """Compare the first line of a later round with that of the first one."""
    profiles = [each.heard.lines[0].profile if each.heard.lines else None for each in (first, later)]
    if profiles[0] is None or profiles[1] is None:
        return None
    return pair_evidence(profiles[0], first.sweeps, profiles[1], later.sweeps)


def _round(first: _ReadRound, meaning: RoundMeaning, later: _ReadRound, onset: HeardOnset) -> Round:
    """Put together what is known and heard of a later round."""
    pair, still = _pair(first, later), None
    carried = "moving" in (first.microphone, later.microphone)
    if pair is None and first.heard.lines and later.heard.lines and not carried:
        still = still_evidence(first.heard.lines[0].points, later.heard.lines[0].points)
    return Round(
        meaning.case.readings,
        later.readings,
        meaning.same_air,
        meaning.water_moved_m3,
        pair,
        onset.evidence,
        still,
        meaning.name,
    )


def _onset(folder: Path, section: RoundSection, meaning: RoundMeaning) -> HeardOnset:
    """Hear the mark of a round that was tapped at many pressures; nothing where none was."""
    if meaning.mark_m is None:
        return HeardOnset(None, (), (), ())
    air_pa = float(atmospheric_pressure_pa(meaning.case.system.altitude_m))
    by_hand = meaning.document.by_hand
    return hear_onset(folder, meaning.mark_m, meaning.shown_pa, section.onset, by_hand, air_pa)


def _round_result(meaning: RoundMeaning, read: _ReadRound, onset: HeardOnset, found: RoundFound) -> RoundResult:
    """Put together what is told of a further round."""
    return RoundResult(
        name=meaning.name,
        state=meaning.state,
        same_air=meaning.same_air,
        case=meaning.case,
        points=point_results(read.heard, read.readings),
        taps=(*read.heard.taps, *onset.taps),
        found=found,
        remarks=(*read.remarks, *onset.remarks),
        mark_m=meaning.mark_m,
        readings=onset.readings,
    )


def where_next(
    reading: LineReading, profile: Profile, tank: Tank, sweeps: Sequence[LevelSweep], units: Units
) -> Statement | None:
    """Say where one more mark would tell most; None where none would tell anything, or none could.

    None could where the line was not read at all, is unlike anything the model makes, or shows no single boundary.
    """
    posterior = reading.posterior
    named = posterior.p_found + posterior.p_all_air + posterior.p_all_water
    if reading.method in ("", "none") or reading.misfit >= 1.0 or named < 0.5 or settled(reading):
        return None
    places = free_places_m(profile.depth_m, tank, units)
    if not places.size:
        return None
    best = next_point(posterior, profile, places, sweeps)
    if best.information_bits < LEAST_BITS:
        return None
    return Statement(VisitRemark.ADD_A_MARK, {"depth_m": best.depth_m, "count": taps_worthwhile(profile)})


def _with_advice(found: Judgement, advice: Statement | None) -> Judgement:
    """Put the advice where to tap among the checks: second where the taps leave the line open, else last."""
    if advice is None:
        return found
    place = 1 if found.boundary_state == "not found" else MOST_CHECKS - 1
    return replace(found, next_checks=(*found.next_checks[:place], advice, *found.next_checks[place:])[:MOST_CHECKS])


def _with_remedy(found: Judgement, clipped: Unreadable | None) -> Judgement:
    """Put what to do about clipped taps before all other checks: it costs nothing, and the rest rests on the taps."""
    if clipped is None:
        return found
    others = (check for check in found.next_checks if check != clipped.step)
    return replace(found, next_checks=(clipped.sentence, *others)[:MOST_CHECKS])


def _with_as_left(found: Judgement, left: Sequence[Statement]) -> Judgement:
    """Put what is wrong with the tank as it was left before all other checks: it was meant to be right."""
    wrong = tuple(each for each in left if each.key is not AsLeftCheck.ENOUGH)
    return replace(found, next_checks=(*wrong, *found.next_checks)[:MOST_CHECKS]) if wrong else found

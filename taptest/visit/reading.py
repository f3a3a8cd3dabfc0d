"""Read one round of a visit: from its recordings to what the taps of its line say.

recordings -> taps and traits -> points of the line -> the line's reading with the tank's level sweep. A round may have
further lines at other angles round the tank; each is read by itself. Files are read by `visit.listen`; what follows is
pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from taptest.errors import RecordingError
from taptest.line.boundary import read_line, unread_line
from taptest.line.points import profile_of
from taptest.line.records import LineReading, Point, Profile, Unreadable
from taptest.line.remarks import Remedy, Unread
from taptest.shell.records import LevelSweep
from taptest.sound.alignment import assign_taps
from taptest.sound.processing import processing_signs
from taptest.sound.records import Tap, TapTraits
from taptest.sound.remarks import RecordingRemark, WhyNot
from taptest.statements import Said, Statement
from taptest.tank.kinds import Tank
from taptest.visit.files import inside
from taptest.visit.listen import Heard, listen
from taptest.visit.record import HandDecision, PointEntry
from taptest.visit.remarks import lost_in_noise, rejected_taps, remark_on_point
from taptest.visit.result import PointResult, TapResult

CLIPPED_SAID, CLIPPED_SPOILT = 0.2, 0.5
"""Share of clipped taps, of those and the used ones, from which on it is said first; and from which on the line is not
read: those that are left are the soft ones, and soft blows are soft where the shell gives least."""


@dataclass(frozen=True, slots=True)
class Tapped:
    """One point of the document with its taps."""

    entry: PointEntry
    taps: tuple[tuple[Tap, TapTraits | None], ...]
    doubtful: bool = False
    trouble: str = ""
    """Why its recording cannot be used; empty where it can."""

    @property
    def depth_m(self) -> float:
        """Metres below the top of the shell."""
        return self.entry.position_mm / 1000

    @property
    def point(self) -> Point:
        """The point as the line room takes it."""
        traits = tuple(traits for _, traits in self.taps if traits is not None)
        return Point(self.depth_m, traits, len(traits), len(self.taps) - len(traits), self.doubtful)


@dataclass(frozen=True, slots=True)
class HeardLine:
    """One line of a round, heard and ready to be read."""

    name: str
    points: tuple[Point, ...]
    """In order of the document."""
    results: tuple[Tapped, ...]
    profile: Profile | None
    """None where no tap of it can be used."""


@dataclass(frozen=True, slots=True)
class HeardRound:
    """One round with its taps given to their points."""

    lines: tuple[HeardLine, ...]
    """The first one is the line that pictures show; there is none where only the gauge was read."""
    taps: tuple[TapResult, ...]
    reference: tuple[Point, ...]
    """The reference mark, one point for each time it was tapped, in order of time."""
    reference_taps: tuple[TapResult, ...]
    clipped: Unreadable | None
    """What is to be said of clipped taps; None where few are."""
    spoilt: bool
    """Whether clipping spoils the round."""
    remarks: tuple[Said, ...]
    """What is to be known of the recordings, in whole sentences."""
    notes: tuple[Said, ...]
    """What is to be known of how the taps were given to their points."""


def hear_round(
    folder: Path, entries: Sequence[PointEntry], reference: Sequence[PointEntry], by_hand: Sequence[HandDecision]
) -> HeardRound:
    """Hear the recordings of one round and give the taps to their points.

    Raises `VisitError`, `RecordingError` and `StorageError`, each a sentence that says what is wrong where.
    """
    if not entries:
        return HeardRound((), (), (), (), None, False, (), ())
    names = dict.fromkeys(entry.file for entry in (*entries, *reference))
    files = [(name, inside(folder, name)) for name in names]
    everything = listen(files, by_hand, None if reference else _taps_in_all(entries))
    of_reference = {entry.file for entry in reference}
    heard = tuple(one for one in everything if one.file not in of_reference)
    _refuse_all_useless(heard)
    tapped, owners, notes = _give_taps_to_points(entries, heard)
    noisy = lost_in_noise([[tap for tap, _ in each.taps] for each in tapped])
    clipped, spoilt = _clipping([tap for each in tapped for tap, _ in each.taps])
    return HeardRound(
        lines=tuple(
            _line(name, [each for each in tapped if (each.entry.line or "") == name], spoilt)
            for name in _line_names(entries)
        ),
        taps=_tap_results(heard, owners),
        reference=tuple(_reference_points(reference, everything)),
        reference_taps=_reference_taps(reference, everything),
        clipped=clipped,
        spoilt=spoilt,
        remarks=(
            *([clipped.sentence] if clipped else []),
            *([noisy] if noisy else []),
            *_signs(everything),
            *_notes_of_files(everything),
        ),
        notes=tuple(notes),
    )


def hear_entries(
    folder: Path, entries: Sequence[PointEntry], by_hand: Sequence[HandDecision]
) -> tuple[list[Tapped], tuple[TapResult, ...], tuple[Said, ...]]:
    """Hear recordings whose entries are no line, and give their taps to the entries.

    Return the entries with their taps in order, all taps, and what is to be known of the recordings. Raises as
    `hear_round`.
    """
    names = dict.fromkeys(entry.file for entry in entries)
    heard = listen([(name, inside(folder, name)) for name in names], by_hand, _taps_in_all(entries))
    _refuse_all_useless(heard)
    tapped, owners, notes = _give_taps_to_points(entries, heard)
    return tapped, _tap_results(heard, owners), (*_signs(heard), *_notes_of_files(heard), *notes)


def read_lines(heard: HeardRound, tank: Tank, sweeps: Sequence[LevelSweep]) -> tuple[LineReading, ...]:
    """Read each line of a round with the tank's level sweeps; none of them is needed where no tap can be used."""
    return tuple(_read(line, heard, tank, sweeps) for line in heard.lines)


def _read(line: HeardLine, heard: HeardRound, tank: Tank, sweeps: Sequence[LevelSweep]) -> LineReading:
    if heard.spoilt and heard.clipped is not None:
        return unread_line(np.array(sorted(point.depth_m for point in line.points)), tank, heard.clipped)
    if line.profile is None:
        return _nothing_usable(line.results, tank)
    return read_line(line.points, tank, sweeps, reference=heard.reference)


def point_results(heard: HeardRound, readings: Sequence[LineReading]) -> tuple[PointResult, ...]:
    """Return what is told of each point, line by line, from the top down."""
    return tuple(
        result
        for line, reading in zip(heard.lines, readings, strict=True)
        for result in _point_results(line.results, reading)
    )


def _tap_results(heard: Sequence[Heard], owners: Sequence[Sequence[float | None]]) -> tuple[TapResult, ...]:
    """Return each tap with the depth that it belongs to and the decision by hand that holds for it."""
    return tuple(
        TapResult(one.file, tap, owner, decision)
        for one, of_file in zip(heard, owners, strict=True)
        for tap, owner, decision in zip(one.taps, of_file, one.by_hand or [None] * len(one.taps), strict=True)
    )


def _line_names(entries: Sequence[PointEntry]) -> list[str]:
    """Name the lines in order of the document; the one without a name is ""."""
    return list(dict.fromkeys(entry.line or "" for entry in entries))


def _line(name: str, tapped: Sequence[Tapped], spoilt: bool) -> HeardLine:
    points = tuple(each.point for each in tapped)
    usable = not spoilt and any(point.traits for point in points)
    return HeardLine(name, points, tuple(tapped), profile_of(points) if usable else None)


def _clipping(taps: Sequence[Tap]) -> tuple[Unreadable | None, bool]:
    """Say how many taps are clipped and what to do, None where few are; and whether they spoil the line."""
    clipped = sum(tap.why_not == WhyNot.CLIPPED for tap in taps)
    of = clipped + sum(tap.used for tap in taps)
    if clipped < max(CLIPPED_SAID * of, 2):
        return None, False
    why = Statement(Unread.CLIPPED, {"count": clipped, "taps": of})
    return Unreadable(why, Statement(Remedy.LESS_LEVEL)), clipped >= CLIPPED_SPOILT * of


def _signs(heard: Sequence[Heard]) -> tuple[Statement, ...]:
    """Say what was done to the sound before it was stored."""
    return processing_signs([one.traces for one in heard if one.traces is not None])


def _notes_of_files(heard: Sequence[Heard]) -> list[Said]:
    """Return what is to be said of the recordings; what is said of several alike is said once, with their number."""
    alike: dict[str, list[Said]] = {}
    for one in heard:
        for note in one.notes:
            alike.setdefault(_but_for_the_file(note), []).append(note)
    return [
        notes[0]
        if len(notes) == 1
        else Statement(RecordingRemark.SAME_WITH_OTHERS, {"first": notes[0], "count": len(notes) - 1})
        for notes in alike.values()
    ]


def _but_for_the_file(note: Said) -> str:
    """Return the same for notes that differ by the file's name alone."""
    if isinstance(note, str):
        return note
    return repr((note.key, {name: value for name, value in note.values.items() if name != "name"}))


def _reference_points(entries: Sequence[PointEntry], heard: Sequence[Heard]) -> list[Point]:
    """Return the taps of the reference mark, one point for each time it was tapped, in order of time."""
    by_file = {one.file: one for one in heard}
    points = []
    for entry in entries:
        traits = tuple(trait for trait in by_file[entry.file].traits if trait is not None)
        refused = len(by_file[entry.file].traits) - len(traits)
        points.append(Point(entry.position_mm / 1000, traits, len(traits), refused))
    return points


def _reference_taps(entries: Sequence[PointEntry], heard: Sequence[Heard]) -> tuple[TapResult, ...]:
    """Return each tap of the reference mark with the decision by hand that holds for it."""
    by_file = {one.file: one for one in heard}
    return tuple(
        TapResult(entry.file, tap, entry.position_mm / 1000, decision)
        for entry in entries
        for one in (by_file[entry.file],)
        for tap, decision in zip(one.taps, one.by_hand or [None] * len(one.taps), strict=True)
    )


def _taps_in_all(entries: Sequence[PointEntry]) -> int | None:
    """Return how many taps the points got together; None where that is not noted of all of them."""
    counts = [entry.taps for entry in entries if entry.taps is not None]
    return sum(counts) if len(counts) == len(entries) else None


def _refuse_all_useless(heard: Sequence[Heard]) -> None:
    """Where every recording is silent, clipped or without taps, the first one's sentence is the error."""
    if all(one.trouble for one in heard):
        more = f" None of the visit's {len(heard)} recordings can be used." if len(heard) > 1 else ""
        raise RecordingError(heard[0].trouble + more)


def _give_taps_to_points(
    entries: Sequence[PointEntry], heard: Sequence[Heard]
) -> tuple[list[Tapped], list[list[float | None]], list[Said]]:
    """Give each tap its point: by file, or by count and pause where points share one recording.

    Returns the points in order of the document, the depth of each tap's point for every recording, and notes.
    """
    tapped: dict[int, Tapped] = {}
    owners: list[list[float | None]] = []
    notes: list[Said] = []
    for one in heard:
        numbers = [number for number, entry in enumerate(entries) if entry.file == one.file]
        pairs = list(zip(one.taps, one.traits, strict=True))
        counts = [entries[number].taps for number in numbers]
        if one.trouble or counts == [None]:
            for number in numbers:
                tapped[number] = Tapped(entries[number], tuple(pairs), trouble=one.trouble)
            owners.append([entries[numbers[0]].position_mm / 1000] * len(pairs))
            continue
        alignment = assign_taps(one.taps, [count or 1 for count in counts])
        notes.extend(alignment.notes)
        for place, number in enumerate(numbers):
            mine = tuple(pair for pair, owner in zip(pairs, alignment.point, strict=True) if owner == place)
            tapped[number] = Tapped(entries[number], mine, place in alignment.doubtful_points)
        owners.append([None if p < 0 else entries[numbers[p]].position_mm / 1000 for p in alignment.point])
    return [tapped[number] for number in range(len(entries))], owners, notes


def _nothing_usable(tapped: Sequence[Tapped], tank: Tank) -> LineReading:
    """Read a line whose taps were all rejected: it says why."""
    taps = [tap for each in tapped for tap, _ in each.taps]
    clause = Statement(Unread.ALL_REJECTED, {"count": len(taps), "rejected": rejected_taps(taps)})
    why = Unreadable(clause, Statement(Remedy.CLEANER))
    return unread_line(np.array(sorted(each.depth_m for each in tapped)), tank, why)


def _point_results(tapped: Sequence[Tapped], reading: LineReading) -> tuple[PointResult, ...]:
    """Return what is told of each point, from the top down."""
    results = []
    for each in sorted(tapped, key=lambda one: one.depth_m):
        point = each.point
        p_water: float | None = None
        if point.traits:
            nearest = int(np.argmin(np.abs(reading.point_depth_m - point.depth_m)))
            p_water = float(reading.p_water[nearest])
        results.append(
            PointResult(
                each.depth_m, p_water, point.taps_used, point.taps_rejected, _remark(each), each.entry.line or ""
            )
        )
    return tuple(results)


def _remark(each: Tapped) -> Statement | None:
    return remark_on_point([tap for tap, _ in each.taps], each.trouble, each.doubtful)

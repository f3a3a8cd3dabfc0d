"""Hear the recordings of a visit, and let decisions by hand hold for their taps.

Conventions: times are seconds from the start of the recording; samples (N,) of one channel at full scale 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from taptest.sound.hearing import find_all_hits, one_at_a_time, refuse_foreign, shared_noise
from taptest.sound.processing import Traces, traces_of
from taptest.sound.recording import open_recording
from taptest.sound.records import Tap, TapTraits
from taptest.sound.remarks import WhyNot
from taptest.sound.traits import traits_of
from taptest.statements import Said, Statement, Value
from taptest.visit.record import HandDecision
from taptest.visit.remarks import ByHand

SAME_TAP_S = 0.005
"""A decision by hand belongs to the tap that begins within this of it; taps are found to within a fraction of it."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One recording, heard."""

    file: str
    taps: tuple[Tap, ...]
    """All taps in order of time; none where `trouble` says why nothing could be heard."""
    traits: tuple[TapTraits | None, ...]
    """Traits of each tap; None where it is not used."""
    notes: tuple[Said, ...] = ()
    trouble: str = ""
    """Why the whole recording cannot be used, as a sentence: silent, clipped all through, no taps."""
    by_hand: tuple[HandDecision | None, ...] = ()
    """For each tap the decision by hand that holds for it; empty where the recording has none at all."""
    traces: Traces | None = None
    """What it shows of how it was processed; None where nothing was heard."""


def listen(
    files: Sequence[tuple[str, Path]], decisions: Sequence[HandDecision] = (), expected: int | None = None
) -> tuple[Heard, ...]:
    """Hear the recordings of a visit, given as (name in the visit, path); decisions by hand go before all others.

    Hits that are not of the visit's striker are refused: `expected` is how many taps there are to be in all, None where
    that is not known. A recording with little quiet in it borrows the noise of the others of its rate. Raises
    `RecordingError` for a file that is not audio or too short, `StorageError` where the disk refuses; a recording that
    is only useless (silent, clipped from start to end, without taps) comes back with its `trouble`.
    """
    found = refuse_foreign(find_all_hits((file, open_recording(path)) for file, path in files), expected)
    shared = shared_noise(found)
    heard = []
    for each in one_at_a_time(found):
        if each.train is None:
            heard.append(Heard(each.name, (), (), each.recording.notes, each.trouble))
            continue
        taps, by_hand, notes = decide_by_hand(each.hits, [one for one in decisions if one.file == each.name])
        traits = traits_of(each.recording, replace(each.train, taps=taps), shared.get(each.recording.rate_hz))
        said = (*each.recording.notes, *notes)
        heard.append(Heard(each.name, taps, traits, said, "", by_hand, traces_of(each.recording, each.train)))
    return tuple(heard)


def decide_by_hand(
    taps: Sequence[Tap], decisions: Sequence[HandDecision]
) -> tuple[tuple[Tap, ...], tuple[HandDecision | None, ...], tuple[Statement, ...]]:
    """Let decisions by hand hold for the taps of one recording.

    Returns the taps as decided, for each tap its decision or None (empty where there is no decision at all), and
    statements on what was decided and on decisions that fit no tap.
    """
    if not decisions:
        return tuple(taps), (), ()
    decided = list(taps)
    by_hand: list[HandDecision | None] = [None] * len(decided)
    notes = []
    for decision in decisions:
        where: dict[str, Value] = {"onset_s": decision.onset_s, "name": decision.file}
        near = min(range(len(decided)), key=lambda n: abs(taps[n].onset_s - decision.onset_s), default=None)
        if near is None or abs(taps[near].onset_s - decision.onset_s) > SAME_TAP_S:
            notes.append(Statement(ByHand.NO_SUCH_TAP, where))
            continue
        refused = decision.verdict == "refuse"
        decided[near] = replace(taps[near], why_not=WhyNot.BY_HAND if refused else None)
        by_hand[near] = decision
        why = decision.why.strip().rstrip(".")
        notes.append(Statement(ByHand.REFUSED if refused else ByHand.USED, {**where, "why": why}))
    return tuple(decided), tuple(by_hand), tuple(notes)

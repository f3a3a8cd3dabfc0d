"""Hear a recording of a visit: its taps, the noise between them, and the traits of the taps that can be used.

Conventions: times are seconds from the start of the recording; samples (N,) of one channel at full scale 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from taptest.errors import RecordingError
from taptest.sound.recording import Recording, Samples, open_recording
from taptest.sound.records import Tap, TapTraits
from taptest.sound.spectra import WINDOW_S
from taptest.sound.taps import detect_taps
from taptest.sound.traits import LEAD_S, NoiseProfile, many_tap_traits, noise_profile
from taptest.visit.record import HandDecision

RING_OVER_S = 0.35
"""So long after a tap its ring no longer counts as noise."""
BEFORE_TAP_S = 0.03
LONGEST_STRETCH_S = 0.6
"""Longer quiet stretches are cut: the noise near the taps is what lies under them."""
MOST_STRETCHES = 40
TAPS_AT_ONCE = 64
"""So many taps are measured together: an hour's walk needs no more memory than a minute's."""
SAME_TAP_S = 0.005
"""A decision by hand belongs to the tap that begins within this of it; taps are found to within a fraction of it."""
ENOUGH_NOISE_S = 1.0
"""From this much quiet time on a recording's noise is taken from itself alone."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One recording, heard."""

    file: str
    taps: tuple[Tap, ...]
    """All taps in order of time; none where `trouble` says why nothing could be heard."""
    traits: tuple[TapTraits | None, ...]
    """Traits of each tap; None where it is not used."""
    notes: tuple[str, ...] = ()
    trouble: str = ""
    """Why the whole recording cannot be used, as a sentence: silent, clipped all through, no taps."""
    by_hand: tuple[HandDecision | None, ...] = ()
    """For each tap the decision by hand that holds for it; empty where the recording has none at all."""


@dataclass(frozen=True, slots=True)
class _Ears:
    """A recording between finding its taps and measuring them."""

    file: str
    recording: Recording
    taps: tuple[Tap, ...]
    quiet: tuple[Samples, ...]
    trouble: str
    by_hand: tuple[HandDecision | None, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def quiet_s(self) -> float:
        """Length of all quiet stretches together."""
        return sum(part.size for part in self.quiet) / self.recording.rate_hz


def listen(files: Sequence[tuple[str, Path]], decisions: Sequence[HandDecision] = ()) -> tuple[Heard, ...]:
    """Hear the recordings of a visit, given as (name in the visit, path); decisions by hand go before the detector's.

    A recording with little quiet in it borrows the noise of the others of its rate. Raises `RecordingError` for a file
    that is no sound or too little of it, `StorageError` where the disk refuses; what is merely of no use (silent,
    clipped all through, without taps) comes back with its `trouble`.
    """
    ears = [_find_taps(file, path, [one for one in decisions if one.file == file]) for file, path in files]
    shared = {
        rate: noise_profile([part for ear in ears if ear.recording.rate_hz == rate for part in ear.quiet], rate)
        for rate in {ear.recording.rate_hz for ear in ears}
    }
    return tuple(_measure(ear, shared[ear.recording.rate_hz]) for ear in ears)


def _find_taps(file: str, path: Path, decisions: Sequence[HandDecision]) -> _Ears:
    recording = open_recording(path)
    try:
        taps = detect_taps(recording.blocks(), recording.rate_hz).taps
    except RecordingError as error:
        return _Ears(file, recording, (), (), str(error))
    if not taps:
        trouble = f"No taps were found in {file}; tap harder, or move the microphone closer, and record it again."
        return _Ears(file, recording, (), (), trouble)
    quiet = _quiet_stretches(recording, taps)
    decided, by_hand, notes = decide_by_hand(taps, decisions)
    return _Ears(file, recording, decided, quiet, "", by_hand, notes)


def decide_by_hand(
    taps: Sequence[Tap], decisions: Sequence[HandDecision]
) -> tuple[tuple[Tap, ...], tuple[HandDecision | None, ...], tuple[str, ...]]:
    """Let decisions by hand hold for the taps of one recording.

    Returns the taps as decided, for each tap its decision or None (empty where there is no decision at all), and
    whole sentences on what was decided and on decisions that fit no tap.
    """
    if not decisions:
        return tuple(taps), (), ()
    decided = list(taps)
    by_hand: list[HandDecision | None] = [None] * len(decided)
    notes = []
    for decision in decisions:
        where = f"the tap at {decision.onset_s:.2f} s in {decision.file}"
        near = min(range(len(decided)), key=lambda n: abs(taps[n].onset_s - decision.onset_s), default=None)
        if near is None or abs(taps[near].onset_s - decision.onset_s) > SAME_TAP_S:
            notes.append(f"By hand {where} was decided about, but there is none: the decision is left out.")
            continue
        refused = decision.verdict == "refuse"
        decided[near] = replace(taps[near], why_not="refused by hand" if refused else None)
        by_hand[near] = decision
        notes.append(f"By hand {where} was {'refused' if refused else 'used'}: “{decision.why.strip().rstrip('.')}”.")
    return tuple(decided), tuple(by_hand), tuple(notes)


def _quiet_stretches(recording: Recording, taps: Sequence[Tap]) -> tuple[Samples, ...]:
    """Stretches between the taps in which neither a tap nor its ring is heard."""
    rate = recording.rate_hz
    ends = [tap.onset_s - BEFORE_TAP_S for tap in taps] + [recording.duration_s]
    starts = [0.0] + [tap.onset_s + RING_OVER_S for tap in taps]
    spans = [(max(start, end - LONGEST_STRETCH_S), end) for start, end in zip(starts, ends, strict=True)]
    spans = [(start, end) for start, end in spans if end - start >= WINDOW_S]
    spans = spans[:: max(-(-len(spans) // MOST_STRETCHES), 1)]
    return tuple(recording.stretches([round(start * rate)], round((end - start) * rate))[0] for start, end in spans)


def _measure(ear: _Ears, shared: NoiseProfile) -> Heard:
    """Measure the traits of the used taps against the recording's own noise where there is enough of it."""
    rate = ear.recording.rate_hz
    used = [number for number, tap in enumerate(ear.taps) if tap.used]
    traits: list[TapTraits | None] = [None] * len(ear.taps)
    if used:
        noise = noise_profile(ear.quiet, rate) if ear.quiet_s >= ENOUGH_NOISE_S else shared
        length = round((LEAD_S + WINDOW_S) * rate)
        for first in range(0, len(used), TAPS_AT_ONCE):
            some = used[first : first + TAPS_AT_ONCE]
            starts = [round((ear.taps[number].onset_s - LEAD_S) * rate) for number in some]
            measured = many_tap_traits(ear.recording.stretches(starts, length), rate, noise)
            for number, trait in zip(some, measured, strict=True):
                traits[number] = trait
    return Heard(ear.file, ear.taps, tuple(traits), (*ear.recording.notes, *ear.notes), ear.trouble, ear.by_hand)

"""Hear a recording of a visit: its taps, the noise between them, and the traits of the taps that can be used.

Conventions: times are seconds from the start of the recording; samples (N,) of one channel at full scale 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from taptest.errors import RecordingError
from taptest.sound.processing import Traces, traces_of
from taptest.sound.recording import Recording, open_recording
from taptest.sound.records import Tap, TapTrain, TapTraits, WhyNot
from taptest.sound.striker import AFTER_S, LEAD_S, Hits, blow_features, same_striker
from taptest.sound.taps import detect_taps
from taptest.sound.traits import noise_profile, quiet_windows, traits_of
from taptest.visit.record import HandDecision

SAME_TAP_S = 0.005
"""A decision by hand belongs to the tap that begins within this of it; taps are found to within a fraction of it."""
COMPARED: tuple[WhyNot | None, ...] = (None, "double hit", "clipped", "ring overlaps the next tap")
"""Hits that are compared with each other: those that were used, or were not for a reason that a true tap may have."""
HITS_AT_ONCE = 64
"""So many hits are looked at together: an hour's walk needs no more memory than a minute's."""


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
    traces: Traces | None = None
    """What it shows of how it was processed; None where nothing was heard."""


@dataclass(frozen=True, slots=True)
class _Ears:
    """A recording between finding its taps and measuring them."""

    file: str
    recording: Recording
    train: TapTrain | None
    """None where `trouble` says why nothing could be heard."""
    trouble: str = ""

    @property
    def taps(self) -> tuple[Tap, ...]:
        """All hits that were found."""
        return () if self.train is None else self.train.taps


def listen(
    files: Sequence[tuple[str, Path]], decisions: Sequence[HandDecision] = (), expected: int | None = None
) -> tuple[Heard, ...]:
    """Hear the recordings of a visit, given as (name in the visit, path); decisions by hand go before all others.

    Hits that are not of the visit's striker are refused: `expected` is how many taps there are to be in all, None where
    that is not known. A recording with little quiet in it borrows the noise of the others of its rate. Raises
    `RecordingError` for a file that is no sound or too little of it, `StorageError` where the disk refuses; what is
    merely of no use (silent, clipped all through, without taps) comes back with its `trouble`.
    """
    ears = _refuse_foreign([_find_taps(file, path) for file, path in files], expected)
    shared = {
        rate: noise_profile(
            [
                window
                for ear in ears
                if ear.train is not None and ear.recording.rate_hz == rate
                for window in quiet_windows(ear.recording, ear.train)
            ],
            rate,
        )
        for rate in {ear.recording.rate_hz for ear in ears}
        if len(ears) > 1
    }
    heard = []
    for ear in ears:
        if ear.train is None:
            heard.append(Heard(ear.file, (), (), ear.recording.notes, ear.trouble))
            continue
        taps, by_hand, notes = decide_by_hand(ear.taps, [one for one in decisions if one.file == ear.file])
        traits = traits_of(ear.recording, replace(ear.train, taps=taps), shared.get(ear.recording.rate_hz))
        said = (*ear.recording.notes, *notes)
        heard.append(Heard(ear.file, taps, traits, said, "", by_hand, traces_of(ear.recording, ear.train)))
    return tuple(heard)


def _find_taps(file: str, path: Path) -> _Ears:
    recording = open_recording(path)
    try:
        train = detect_taps(recording.blocks(), recording.rate_hz)
    except RecordingError as error:
        return _Ears(file, recording, None, str(error))
    if not train.taps:
        trouble = (
            f"No taps were found in {file}. Record it again: wait a second before the first tap, then tap harder, or "
            "move the microphone closer."
        )
        return _Ears(file, recording, None, trouble)
    return _Ears(file, recording, train)


def _refuse_foreign(ears: Sequence[_Ears], expected: int | None) -> list[_Ears]:
    """Refuse the hits that are not of the striker whose blows the recordings share."""
    names = [(e, t) for e, ear in enumerate(ears) for t, tap in enumerate(ear.taps) if tap.why_not in COMPARED]
    if not names:
        return list(ears)
    described = [_describe(ear) for ear in ears if any(tap.why_not in COMPARED for tap in ear.taps)]
    hits = Hits(
        features=np.concatenate([features for features, _ in described]),
        sd_db=np.concatenate([sd_db for _, sd_db in described]),
        onset_s=np.array([ears[e].taps[t].onset_s for e, t in names]),
        recording=np.unique([e for e, _ in names], return_inverse=True)[1],
    )
    verdict = same_striker(hits, expected)
    why: dict[tuple[int, int], WhyNot] = {
        name: "too regular" if regular else "not this striker"
        for name, striker, regular in zip(names, verdict.striker, verdict.regular, strict=True)
        if not striker
    }
    return [
        ear
        if ear.train is None
        else replace(
            ear,
            train=replace(
                ear.train,
                taps=tuple(replace(tap, why_not=why.get((e, t), tap.why_not)) for t, tap in enumerate(ear.taps)),
            ),
        )
        for e, ear in enumerate(ears)
    ]


def _describe(ear: _Ears) -> tuple[np.ndarray, np.ndarray]:
    """Features of the compared hits of a recording, and their deviations; see `striker.blow_features`."""
    rate = ear.recording.rate_hz
    length = round((LEAD_S + AFTER_S) * rate)
    starts = [round((tap.onset_s - LEAD_S) * rate) for tap in ear.taps if tap.why_not in COMPARED]
    parts = [
        blow_features(ear.recording.stretches(starts[first : first + HITS_AT_ONCE], length), rate)
        for first in range(0, len(starts), HITS_AT_ONCE)
    ]
    return np.concatenate([features for features, _ in parts]), np.concatenate([sd_db for _, sd_db in parts])


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

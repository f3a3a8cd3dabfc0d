"""Hear recordings that belong together: their hits, those of the one striker, and the traits of the taps to be used.

Goal: from sound to traits without a file, a visit or a decision by hand. Conventions: times are seconds from the start
of each recording; samples (N,) of one channel at full scale 1.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from taptest.errors import RecordingError
from taptest.sound.recording import Recording
from taptest.sound.records import Tap, TapTrain, TapTraits, WhyNot
from taptest.sound.striker import AFTER_S, LEAD_S, Hits, blow_features, same_striker
from taptest.sound.taps import detect_taps
from taptest.sound.traits import NoiseProfile, noise_profile, quiet_windows, traits_of

COMPARED: tuple[WhyNot | None, ...] = (None, "double hit", "clipped", "ring overlaps the next tap")
"""Hits that are compared with each other: those that were used, or were not for a reason that a true tap may have."""
KEPT_TOGETHER = 1 << 23
"""Samples of all recordings together that are kept in memory between the steps: 32 megabytes."""
MOST_SHARING = 60
"""Recordings, spread evenly, whose noise is enough for all."""
HITS_AT_ONCE = 64
"""So many hits are looked at together: an hour's walk needs no more memory than a minute's."""


@dataclass(frozen=True, slots=True)
class RecordingHits:
    """A recording between finding its hits and measuring them."""

    name: str
    recording: Recording
    train: TapTrain | None
    """None where `trouble` says why nothing could be heard."""
    trouble: str = ""

    @property
    def hits(self) -> tuple[Tap, ...]:
        """All hits that were found, the refused ones with their reason."""
        return () if self.train is None else self.train.taps


@dataclass(frozen=True, slots=True)
class MeasuredTaps:
    """The taps of one recording with their traits."""

    name: str
    taps: tuple[Tap, ...]
    """All hits in order of time; none where `trouble` says why nothing could be heard."""
    traits: tuple[TapTraits | None, ...]
    """Traits of each tap; None where it is not used."""
    trouble: str = ""


def hear(recordings: Sequence[tuple[str, Recording]], expected: int | None = None) -> tuple[MeasuredTaps, ...]:
    """Hear named recordings of one line: find the hits, refuse those that are not of the striker, measure the rest.

    `expected` is how many taps there are to be in all, None where that is not known.
    """
    found = refuse_foreign(find_all_hits(recordings), expected)
    shared = shared_noise(found)
    return tuple(
        MeasuredTaps(each.name, (), (), each.trouble)
        if each.train is None
        else MeasuredTaps(
            each.name, each.hits, traits_of(each.recording, each.train, shared.get(each.recording.rate_hz))
        )
        for each in one_at_a_time(found)
    )


def find_hits(name: str, recording: Recording) -> RecordingHits:
    """Find the hits of one recording; `name` is what sentences call it."""
    try:
        train = detect_taps(recording.blocks(), recording.rate_hz)
    except RecordingError as error:
        return RecordingHits(name, recording, None, str(error))
    if not train.taps:
        trouble = (
            f"No taps were found in {name}. Record it again: wait a second before the first tap, then tap harder, or "
            "move the microphone closer."
        )
        return RecordingHits(name, recording, None, trouble)
    return RecordingHits(name, recording, train)


def refuse_foreign(found: Sequence[RecordingHits], expected: int | None = None) -> list[RecordingHits]:
    """Refuse the hits that are not of the striker whose blows the recordings share.

    `expected` is how many taps there are to be in all, None where that is not known.
    """
    names = [(e, t) for e, each in enumerate(found) for t, tap in enumerate(each.hits) if tap.why_not in COMPARED]
    if not names:
        return list(found)
    described = [_describe(each) for each in one_at_a_time(found) if any(tap.why_not in COMPARED for tap in each.hits)]
    hits = Hits(
        features=np.concatenate([features for features, _ in described]),
        sd_db=np.concatenate([sd_db for _, sd_db in described]),
        onset_s=np.array([found[e].hits[t].onset_s for e, t in names]),
        recording=np.unique([e for e, _ in names], return_inverse=True)[1],
    )
    verdict = same_striker(hits, expected)
    why: dict[tuple[int, int], WhyNot] = {
        name: "too regular" if regular else "not this striker"
        for name, striker, regular in zip(names, verdict.striker, verdict.regular, strict=True)
        if not striker
    }
    return [
        each
        if each.train is None
        else replace(
            each,
            train=replace(
                each.train,
                taps=tuple(replace(tap, why_not=why.get((e, t), tap.why_not)) for t, tap in enumerate(each.hits)),
            ),
        )
        for e, each in enumerate(found)
    ]


def _describe(each: RecordingHits) -> tuple[np.ndarray, np.ndarray]:
    """Features of the compared hits of a recording, and their deviations; see `striker.blow_features`."""
    rate = each.recording.rate_hz
    length = round((LEAD_S + AFTER_S) * rate)
    starts = [round((tap.onset_s - LEAD_S) * rate) for tap in each.hits if tap.why_not in COMPARED]
    parts = [
        blow_features(each.recording.stretches(starts[first : first + HITS_AT_ONCE], length), rate)
        for first in range(0, len(starts), HITS_AT_ONCE)
    ]
    return np.concatenate([features for features, _ in parts]), np.concatenate([sd_db for _, sd_db in parts])


def find_all_hits(recordings: Iterable[tuple[str, Recording]]) -> list[RecordingHits]:
    """Find the hits of named recordings; beyond `KEPT_TOGETHER` none keeps its samples in memory."""
    found: list[RecordingHits] = []
    samples = 0
    for name, recording in recordings:
        found.append(find_hits(name, recording))
        samples += recording.frames
        if samples > KEPT_TOGETHER:
            recording.let_go()
    return found


def one_at_a_time(found: Sequence[RecordingHits]) -> Iterator[RecordingHits]:
    """Yield recordings for one use each; where they are many, none keeps its samples in memory beyond it."""
    many = sum(each.recording.frames for each in found) > KEPT_TOGETHER
    for each in found:
        yield each
        if many:
            each.recording.let_go()


def shared_noise(found: Sequence[RecordingHits]) -> dict[int, NoiseProfile]:
    """Return the noise of all recordings of one rate together, by rate: for those with little quiet in them."""
    if len(found) < 2:
        return {}
    apart = -(-len(found) // MOST_SHARING)
    return {
        rate: noise_profile(
            [
                window
                for each in one_at_a_time(found[::apart])
                if each.train is not None and each.recording.rate_hz == rate
                for window in quiet_windows(each.recording, each.train)
            ],
            rate,
        )
        for rate in {each.recording.rate_hz for each in found}
    }

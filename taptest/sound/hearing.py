"""Hear recordings that belong together: their hits, those of the one striker, and the traits of the taps to be used.

Goal: from sound to traits without a file, a visit or a decision by hand. Conventions: times are seconds from the start
of each recording; samples (N,) of one channel at full scale 1.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from taptest.errors import RecordingError
from taptest.sound.recording import Recording
from taptest.sound.records import Tap, TapTrain, TapTraits
from taptest.sound.remarks import WhyNot
from taptest.sound.striker import (
    AFTER_S,
    FEWEST_HITS,
    LEAD_S,
    Hits,
    blow_features,
    loudness_db,
    same_striker,
    until_next,
)
from taptest.sound.taps import CLUSTER_S, RING_S, detect_taps, is_clipped
from taptest.sound.traits import NoiseProfile, noise_profile, quiet_windows, traits_of

COMPARED: tuple[WhyNot | None, ...] = (None, WhyNot.DOUBLE_HIT, WhyNot.CLIPPED, WhyNot.OVERLAPS)
"""Hits that are compared with each other: those that were used, or were not for a reason that a true tap may have.
Weak ones are where they may be the second blow of a double hit."""
FAINT_RISE_DB, FAINTEST_DB = 4.5, 2.0
"""Where fewer hits were found than there are taps, such as rise so much over the noise in the mean over the bands (see
`taps.CANDIDATE_DB`) and whose ring stands out by so much are compared, too: noise by itself flutters up to 1.2 dB."""
TWICE_S = 0.25
"""Two blows of one striker sooner after each other than this are a double hit, not two taps."""
FAINT_AFTER_DB, FAINT_BEFORE_DB = 6.0, 0.0
"""So much less loud than the tap, a foreign hit in its ring, or just before it, leaves the tap usable."""
SAME_HIT_S = 0.005
"""Two onsets nearer than this are one hit's."""
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
    faint: tuple[Tap, ...] = ()
    """Hits so faint that they are looked at only where taps are missed."""

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
        return RecordingHits(name, recording, _some_taps(detect_taps(recording.blocks(), recording.rate_hz), name))
    except RecordingError as error:
        return RecordingHits(name, recording, None, str(error))


def _some_taps(train: TapTrain, name: str) -> TapTrain:
    if not train.taps:
        raise RecordingError(
            f"No taps found in {name}. Record it again: wait a second before the first tap, then tap harder, or move "
            "the microphone closer."
        )
    return train


def refuse_foreign(found: Sequence[RecordingHits], expected: int | None = None) -> list[RecordingHits]:
    """Refuse the hits that are not of the striker whose blows the recordings share, and keep a tap beside such a hit.

    `expected` is how many taps there are to be in all, None where that is not known. A tap counts as a double hit only
    where the same striker hits twice: one in whose ring something else is heard is used, and one that began in the ring
    of something else takes that hit's place, both as long as the other sound is faint beside it. Taps that hardly stand
    out from the noise are used where they are like the others and the others are fewer than expected.
    """
    likely = sum(tap.why_not in COMPARED for each in found for tap in each.hits)
    if expected is not None and likely < expected:
        closer = [_listened_closer(each) for each in one_at_a_time(found)]
        found = closer if likely + sum(len(each.faint) for each in closer) >= FEWEST_HITS else found
    compared = [_compared(each) for each in found]
    if not any(compared):
        return list(found)
    described = [
        _describe(each.recording, events) for each, events in zip(one_at_a_time(found), compared, strict=True) if events
    ]
    hits = Hits(
        features=np.concatenate([features for features, _ in described]),
        sd_db=np.concatenate([sd_db for _, sd_db in described]),
        onset_s=np.concatenate([[event.onset_s for event in events] for events in compared if events]),
        recording=np.repeat(np.arange(len(described)), [len(events) for events in compared if events]),
        length_s=tuple(each.recording.duration_s for each, events in zip(found, compared, strict=True) if events),
    )
    verdict = same_striker(hits, expected)
    loud_db = loudness_db(hits.features)
    out, first = [], 0
    for each, events in zip(one_at_a_time(found), compared, strict=True):
        last = first + len(events)
        judged = _Judged(each, events, verdict.striker[first:last], verdict.regular[first:last], loud_db[first:last])
        out.append(each if each.train is None else replace(each, train=replace(each.train, taps=judged.taps())))
        first = last
    return out


@dataclass(frozen=True, slots=True)
class _Event:
    """One hit that is compared: a tap of the list, or what was heard in its ring."""

    onset_s: float
    tap: int
    in_ring: bool


def _listened_closer(each: RecordingHits) -> RecordingHits:
    """Look for fainter hits in a recording, apart from those that are compared anyway."""
    if each.train is None:
        return each
    known_s = np.array([tap.onset_s for tap in each.hits if tap.why_not in COMPARED])
    closer = detect_taps(each.recording.blocks(), each.recording.rate_hz, FAINT_RISE_DB)
    faint = [
        replace(tap, why_not=None, second_s=None)
        for tap in closer.taps
        if tap.why_not in (None, WhyNot.TOO_WEAK) and tap.tap_to_noise_db >= FAINTEST_DB
        if np.abs(known_s - tap.onset_s).min(initial=np.inf) > CLUSTER_S
    ]
    return replace(each, faint=tuple(faint))


def _compared(each: RecordingHits) -> list[_Event]:
    """Events of a recording that may be the striker's, in order of time; faint hits count after the others."""
    known_s = np.array([tap.onset_s for tap in each.hits])
    soon = np.diff(known_s, prepend=-np.inf) < TWICE_S
    events = [
        _Event(tap.onset_s, t, False)
        for t, tap in enumerate(each.hits)
        if tap.why_not in COMPARED or (tap.why_not == WhyNot.TOO_WEAK and soon[t])
    ]
    for t, tap in enumerate(each.hits):
        if tap.second_s is not None and np.abs(known_s - tap.second_s).min() > SAME_HIT_S:
            events.append(_Event(tap.second_s, t, True))
    events.extend(_Event(tap.onset_s, len(each.hits) + t, False) for t, tap in enumerate(each.faint))
    return sorted(events, key=lambda event: event.onset_s)


def _describe(recording: Recording, events: Sequence[_Event]) -> tuple[np.ndarray, np.ndarray]:
    """Features of events (E, F) in order of time and their deviations (E, F); see `striker.blow_features`."""
    rate = recording.rate_hz
    length = round((LEAD_S + AFTER_S) * rate)
    starts = [round((event.onset_s - LEAD_S) * rate) for event in events]
    parts = [
        blow_features(recording.stretches(starts[first : first + HITS_AT_ONCE], length), rate)
        for first in range(0, len(starts), HITS_AT_ONCE)
    ]
    features, sd_db = (np.concatenate(each) for each in zip(*parts, strict=True))
    return until_next(features, sd_db, np.diff([event.onset_s for event in events], append=np.inf))


def is_faint_beside(tap_db: float, other_db: float, after_s: float) -> bool:
    """Whether a foreign hit so long after a tap (before it where negative) is so soft that the tap can be used."""
    return tap_db - other_db >= (FAINT_AFTER_DB if after_s > 0 else FAINT_BEFORE_DB)


@dataclass(frozen=True, slots=True)
class _Judged:
    """The events of one recording with what they were found to be."""

    each: RecordingHits
    events: Sequence[_Event]
    striker: np.ndarray
    regular: np.ndarray
    loud_db: np.ndarray

    def taps(self) -> tuple[Tap, ...]:
        """All hits of the recording, decided."""
        taps = [*self.each.hits, *self.each.faint]
        by_tap: dict[int, list[int]] = {}
        for number, event in enumerate(self.events):
            by_tap.setdefault(event.tap, []).append(number)
        for t, numbers in by_tap.items():
            mine = [number for number in numbers if self.striker[number]]
            if taps[t].why_not not in COMPARED and not any(self.events[number].in_ring for number in mine):
                continue
            if not mine:
                regular = bool(self.regular[numbers].any())
                taps[t] = replace(taps[t], why_not=WhyNot.TOO_REGULAR if regular else WhyNot.NOT_THIS_STRIKER)
            elif len(mine) == 2:
                taps[t] = replace(taps[t], why_not=WhyNot.DOUBLE_HIT)
            else:
                taps[t] = self._beside(taps[t], mine[0])
        hits, faint = taps[: len(self.each.hits)], [tap for tap in taps[len(self.each.hits) :] if tap.used]
        faint_s = np.array([tap.onset_s for tap in faint])
        hits = [hit for hit in hits if hit.used or np.abs(faint_s - hit.onset_s).min(initial=np.inf) > CLUSTER_S]
        return tuple(sorted((*hits, *faint), key=lambda tap: tap.onset_s))

    def _beside(self, tap: Tap, mine: int) -> Tap:
        """Decide about a tap whose one blow is event number `mine`."""
        at_s = self.events[mine].onset_s
        near_s = np.array([event.onset_s - at_s for event in self.events])
        others = [n for n in np.flatnonzero((near_s > -RING_S) & (near_s < RING_S)) if n != mine]
        twice = (np.abs(near_s) < TWICE_S) & (np.arange(near_s.size) != mine) & self.striker
        if self.events[mine].in_ring:
            tap = self._moved(tap, at_s)
        if tap.why_not == WhyNot.CLIPPED:
            return tap
        faint = all(is_faint_beside(self.loud_db[mine], self.loud_db[n], near_s[n]) for n in others)
        return replace(tap, why_not=WhyNot.DOUBLE_HIT if twice.any() or not faint else None)

    def _moved(self, tap: Tap, onset_s: float) -> Tap:
        """Return a tap that begins with what was heard in the ring of the hit for which it was taken."""
        rate_hz = self.each.recording.rate_hz
        (ring,) = self.each.recording.stretches([round(onset_s * rate_hz)], round(RING_S * rate_hz))
        return replace(
            tap,
            onset_s=onset_s,
            peak_db=20 * float(np.log10(max(float(np.abs(ring).max()), 1e-6))),
            free_s=tap.free_s - (onset_s - tap.onset_s),
            why_not=WhyNot.CLIPPED if is_clipped(ring) else None,
            second_s=None,
        )


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

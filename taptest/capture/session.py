"""A round on the real thing: source, journal, state machine and estimate tied together in one loop.

`Session.run` is a generator: it yields what happens, already kept on the disk, for a screen to show. The order within
each step is fixed: a block of sound is on the disk before it is judged, a decision before it is shown. A source that is
lost is looked for again once a second, and the round goes on where it was.
"""

import queue
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from taptest.capture.device import Source
from taptest.capture.estimate import Estimator, HeardStop
from taptest.capture.journal import Journal, open_journal
from taptest.capture.notes import added_left, known_marks, note_of, plan_from, plan_note, results_from
from taptest.capture.remarks import RoundWarning
from taptest.capture.round import (
    Advice,
    Event,
    NoiseMeasured,
    Plan,
    PointDone,
    PointReopened,
    PointRestarted,
    PracticeTap,
    Result,
    Round,
    StageBegan,
    TapAccepted,
    TapRefused,
    Warned,
)
from taptest.capture.tones import NOTES, Tone
from taptest.errors import DeviceError, VisitError
from taptest.line.drift import reference_drift
from taptest.quantities import METRIC
from taptest.sound.taps import RING_S, TapDetector
from taptest.sound.traits import LEAD_S, NoiseProfile, noise_profile
from taptest.statements import Said, Statement
from taptest.words.tell import tell

FloatArray = NDArray[np.float64]

Key = Literal["redo", "skip", "stop"]
Sounding = Tone

POLL_S = 0.1
RETRY_S = 1.0
OLD_S = 3600.0
"""A round that rested for longer is taken up with a warning: the tank may be another one by now."""
HELD_S = 0.75
"""A key that is held down comes again and again; it counts as pressed again only so long after it came last."""


@dataclass(frozen=True, slots=True)
class Listening:
    """A source was opened."""

    device: str
    rate_hz: float
    file: str


@dataclass(frozen=True, slots=True)
class SourceLost:
    """The source failed; it is looked for again."""

    sentence: str


@dataclass(frozen=True, slots=True)
class SoundLost:
    """Audio dropped out, so often so far."""

    times: int


@dataclass(frozen=True, slots=True)
class Estimated:
    """A running estimate arrived."""

    advice: Advice


SessionEvent = Event | Listening | SourceLost | SoundLost | Estimated


class Tones(Protocol):
    """Plays tones."""

    def play(self, name: Sounding) -> float:
        """Play a tone soon; returns the seconds until it has died away, 0 where nothing sounds."""


class Session:
    """One run of a round in a visit's folder."""

    def __init__(
        self,
        journal: Journal,
        round_: Round,
        open_source: Callable[[], Source],
        *,
        estimator: Estimator | None = None,
        tones: Tones | None = None,
        patient: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Use `open_session`, which takes up what an earlier run left."""
        self.journal = journal
        self.round = round_
        self._open_source = open_source
        self._estimator = estimator
        self._tones = tones
        self._patient = patient
        self._clock = clock
        self._latency_s = 0.0
        self._keys: queue.SimpleQueue[Key] = queue.SimpleQueue()
        self._noise: dict[int, NoiseProfile] = {}
        self._heard: dict[Result, HeardStop] = {}
        self._came: dict[Key, float] = {}
        self._drift: Said = ""

    def press(self, key: Key) -> None:
        """Tell of a key, from any thread. An arm that leans on the space bar shall not undo the whole line."""
        now = self._clock()
        held = now - self._came.get(key, -HELD_S) < HELD_S
        self._came[key] = now
        if not held:
            self._keys.put(key)

    def run(self) -> Iterator[SessionEvent]:
        """Yield what happens until the round is done or stopped.

        Raises `DeviceError` where there is no source to begin with and the session is not patient, and `StorageError`
        where the disk refuses; everything up to then is kept, and the round can be taken up again.
        """
        source: Source | None = None
        trouble = ""
        try:
            yield from self._rested()
            source = None if self._patient else self._open_source()
            while not self.round.over:
                try:
                    source = source or self._open_source()
                    trouble = ""
                    yield from self._listen(source)
                except DeviceError as error:
                    self.journal.end()
                    if source is not None:
                        source.close()
                        source = None
                    if str(error) != trouble:
                        trouble = str(error)
                        self.journal.note("lost", sentence=trouble)
                        self._sound_name("again")
                        yield SourceLost(trouble)
                    yield from self._wait_for_source()
        finally:
            if source is not None:
                source.close()
            self.journal.close()
            if self._estimator is not None:
                self._estimator.close()

    def _listen(self, source: Source) -> Iterator[SessionEvent]:
        """Yield what happens while this source lasts. Raises `DeviceError` when it ends."""
        self._latency_s = source.latency_s
        self.journal.begin(source.rate_hz, source.name)
        yield Listening(source.name, source.rate_hz, self.journal.files[-1])
        yield from self._happened(self.round.listen(source.rate_hz, TapDetector(source.rate_hz)))
        self._ask()
        lost = 0
        while not self.round.over:
            block = source.read(POLL_S)
            if block is not None:
                self.journal.write(block)
                yield from self._happened(self.round.feed(block))
            yield from self._pressed()
            yield from self._advised()
            if source.lost > lost:
                lost = source.lost
                self.journal.note("sound lost", times=lost)
                yield SoundLost(lost)
                yield from self._happened(self.round.gap())

    def _wait_for_source(self) -> Iterator[SessionEvent]:
        until = self._clock() + RETRY_S
        yield from self._pressed()
        while self._clock() < until and not self.round.over:
            time.sleep(POLL_S)
            yield from self._pressed()

    def _pressed(self) -> Iterator[SessionEvent]:
        while not self._keys.empty():
            key = self._keys.get()
            answer = {"redo": self.round.redo, "skip": self.round.skip, "stop": self.round.halt}[key]
            yield from self._happened(answer())

    def _advised(self) -> Iterator[SessionEvent]:
        advice = self._estimator.answer() if self._estimator is not None else None
        if advice is not None:
            self.journal.note(
                "estimate", results=advice.results, sentence=tell(advice.sentence, METRIC), enough=advice.enough
            )
            yield Estimated(advice)
            if advice.caution:
                yield from self._happened([Warned(advice.caution)])
            yield from self._happened(self.round.advise(advice))

    def _happened(self, events: Sequence[Event]) -> Iterator[SessionEvent]:
        """Keep events, let tones sound for them, and yield them."""
        for event in events:
            note = note_of(event)
            if note is not None:
                self.journal.note(note[0], **({"recording": self.round.recording} | note[1]))
        self._sound(events)
        asked = False
        for event in events:
            if isinstance(event, NoiseMeasured):
                self._measure_noise()
            if isinstance(event, PointDone | PointReopened):
                self._ask()
                asked = True
            if event == StageBegan("deciding") and not asked:
                self._ask()
            yield event
            if isinstance(event, PointDone) and event.result.stop.for_drift:
                yield from self._drifted()

    def _sound(self, events: Sequence[Event]) -> None:
        """Play one tone for what happened last, and tell the round that it is in the air."""
        name: Sounding | None = None
        for event in events:
            if isinstance(event, StageBegan) and event.stage == "done":
                name = "done"
            elif isinstance(event, PointDone):
                name = "point"
            elif isinstance(event, TapAccepted) or (isinstance(event, PracticeTap) and event.good):
                name = "tap"
            elif isinstance(event, TapRefused):
                name = "again" if event.sounding else name
            elif isinstance(event, Warned):
                name = "again" if self.round.stage == "tapping" else name
            elif isinstance(event, PointReopened | PointRestarted | PracticeTap):
                name = "again"
        if name is not None:
            self._sound_name(name)

    def _sound_name(self, name: Sounding) -> None:
        length_s = 0.0 if self._tones is None else self._tones.play(name)
        if length_s > 0:
            length_s += self._latency_s
            from_s = round(self.round.now_s, 4)
            recording = self.round.recording
            self.journal.note("tone", recording=recording, name=name, from_s=from_s, length_s=round(length_s, 4))
            self.round.tone(length_s, [hz for hz, _ in NOTES[name]])

    def _rested(self) -> Iterator[SessionEvent]:
        """Yield a warning where this round is taken up long after its last tap."""
        if self.round.results and self.journal.age_s > OLD_S:
            rested = Statement(RoundWarning.RESTED, {"hours": round(self.journal.age_s / 3600)})
            yield from self._happened([Warned(rested)])

    def _drifted(self) -> Iterator[SessionEvent]:
        """Yield what the reference mark tells, each sentence once: midway there is still time to mend it."""
        drift = self.drift()
        if drift and drift != self._drift:
            self._drift = drift
            yield from self._happened([Warned(drift)])

    def _measure_noise(self) -> None:
        recording = self.round.recording
        sound, rate_hz = self.journal.sound(recording, 0.5, self.round.now_s)
        self._noise[recording] = noise_profile([sound], rate_hz)

    def _ask(self) -> None:
        """Hand everything heard so far to the estimator."""
        if self._estimator is None or not self.round.results:
            return
        self._heard = {result: self._heard.get(result) or self._hear(result) for result in self.round.results}
        self._estimator.ask([self._heard[result] for result in self.round.results], len(self.round.results))

    def drift(self) -> Said:
        """Say that the reference mark sounds different later than the first time; "" where it does not."""
        heard = [self._hear(each) for each in self.round.results if each.taps and each.stop.for_drift]
        points = [stop.point() for stop in heard]
        return reference_drift(points) or ""

    def _hear(self, result: Result) -> HeardStop:
        """Read the ring windows of a result back from the tape."""
        windows, rate_hz, noise = [], 48000.0, NoiseProfile.none()
        for tap in result.taps:
            window, rate_hz = self.journal.sound(tap.recording, tap.onset_s - LEAD_S, tap.onset_s + RING_S)
            windows.append(window)
            noise = self._noise.get(tap.recording, noise)
        return HeardStop(result.stop, tuple(windows), rate_hz, noise, result.refused)


def open_session(
    folder: Path,
    plan: Plan | None,
    open_source: Callable[[], Source],
    *,
    estimator: Estimator | None = None,
    tones: Tones | None = None,
    patient: bool = False,
) -> Session:
    """Begin a round in a visit's folder, or take up the one that is there; its plan then holds.

    A `patient` session waits for its first source as for one that was lost: the sound of a page comes after the page.
    Raises `VisitError` where there is neither a plan nor a round to take up, `StorageError`.
    """
    journal = open_journal(folder)
    noted = plan_from(journal.entries)
    if noted is None:
        if plan is None:
            journal.close()
            raise VisitError(f"{folder} holds no round to take up. Say which marks to tap.")
        journal.note("plan", **plan_note(plan))
        noted = plan
    results = results_from(journal.entries)
    while results and not _sound_is_there(journal, results[-1]):
        journal.note("redo", why="its sound is missing")
        results.pop()
    round_ = Round(noted, results, recordings=len(journal.files), added_m=added_left(journal.entries))
    return Session(journal, round_, open_source, estimator=estimator, tones=tones, patient=patient)


def add_marks(folder: Path, marks_m: Sequence[float]) -> tuple[float, ...]:
    """Add marks to a folder's round, which goes on with them; returns those that it did not have yet.

    Raises `VisitError`, `StorageError`.
    """
    journal = open_journal(folder)
    try:
        known = {round(mark, 4) for mark in known_marks(journal.entries)}
        new = tuple(mark for mark in dict.fromkeys(round(mark, 4) for mark in marks_m) if mark not in known)
        if new:
            journal.note("marks", positions_mm=[round(1000 * mark, 3) for mark in new])
        return new
    finally:
        journal.close()


def _sound_is_there(journal: Journal, result: Result) -> bool:
    """Whether the tape holds all taps of a result; after a power cut a disk may have kept less than it promised."""
    for tap in result.taps:
        if tap.recording >= len(journal.files):
            return False
        path = journal.folder.joinpath(*journal.files[tap.recording].split("/"))
        if not path.is_file():
            return False
        sound, rate_hz = journal.sound(tap.recording, tap.onset_s, tap.onset_s + RING_S)
        if len(sound) < round(RING_S * rate_hz) - 1:
            return False
    return True

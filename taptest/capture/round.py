"""The guided round as a state machine: it is fed blocks and key presses and answers with events.

It knows no device, no screen, no file and no clock: time is counted in samples. Conventions: blocks (N,) of float64 in
-1..1, any length; depths are metres below the top of the shell; times are seconds since the current source began;
levels are decibels relative to full scale, headroom is their negative.

    noise (3 s) -> practice -> tapping: marks near both ends once each, for a first answer; reference, points with the
    reference again midway -> finer points, one by one where the advice says -> reference last -> done

Three good taps make a point, and the round goes on by itself. To do a point again:
- an unfinished point starts over when nothing is tapped for a while: its mark stays the same, so a pause that was meant
  otherwise costs a tap or two and can never shift the taps of the line by one mark;
- the last finished point is reopened by a key and by nothing else. A double knock would need no hand, but two quick
  taps at the wrong moment would do the same, and somebody who did not hear it would tap every later mark one too far.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from taptest.capture.own_tone import is_tap
from taptest.capture.place import LastMark, ring_levels
from taptest.capture.remarks import LevelAdvice, NoTap, Restart, RoundWarning
from taptest.capture.signs import Frames, Signs
from taptest.errors import LineError
from taptest.line.next_point import SAME_MARK_M
from taptest.line.records import BoundaryState
from taptest.sound.hearing import is_faint_beside
from taptest.sound.records import Tap
from taptest.sound.remarks import WhyNot
from taptest.sound.striker import AFTER_S, LEAD_S, Foreign, KnownBlows, blow_features, loudness_db
from taptest.sound.taps import OUTLIER_DB, RING_S
from taptest.statements import Said, Statement

FloatArray = NDArray[np.float64]

Stage = Literal["waiting", "noise", "practice", "tapping", "deciding", "done", "stopped"]
StopKind = Literal["reference", "point", "finer", "recheck", "end"]

HEADROOM_DB = (12.0, 15.0)
"""Wanted between the practice taps and full scale."""
USABLE_HEADROOM_DB = (9.0, 30.0)
"""Accepted where the level has no finer control, with advice."""
PATIENCE_TAPS = 9
"""Good practice taps after which any level without overload is accepted."""
SPARING_SHARE = 3
FEWEST_FIRST = 5
"""A sparing round begins with every third mark, and with at least so many."""
MIDWAY_FROM = 6
"""Points from which on the reference is tapped midway, too."""
LEVEL_EVERY_FRAMES = 1
SILENT_DB = -200.0
MOVE_S = 0.3
"""No hand is at the next mark sooner than this after it was shown; a tap until then still belongs to the last mark."""
LATE_TONE_S = 0.8
"""A wireless loudspeaker sounds this much later than it says; what is heard then is looked at before it counts."""
KEEP_S = 1.0
"""Newest sound at hand: a verdict comes 0.2 s after its tap, and with large blocks as much later."""
FEWEST_USUAL = 3
"""Good taps from which on one that is far softer is told apart; the first ones are those of practice."""
MOST_FOREIGN = 4
"""So many hits in a row that are unlike the other taps are refused; after them the striker itself was changed."""
MOST_ODD = 2
"""So many far softer taps in a row are refused; the next one shows that the level itself was changed."""


class Detector(Protocol):
    """Finds taps in a stream. Each is given back once its ring window has passed and it is known whether it counts."""

    def feed(self, block: FloatArray) -> Sequence[Tap]:
        """Take the next samples and return the taps decided by now; onsets count from the first sample fed."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to tap."""

    depths_m: tuple[float, ...]
    """The marks in the order in which they are tapped."""
    reference_depth_m: float | None = None
    """Mark on the air end that is tapped first, midway and last; None to leave it out."""
    taps_per_point: int = 3
    finer_limit: int = 6
    """Most finer points that the advice may add; 0 for none."""
    sparing: bool = False
    """Whether only some of the marks are tapped in order, with one tap each (`first_m`), and after them those places
    alone that the advice asks for: fewest taps. The marks left out do not count as finer points."""
    ends_m: tuple[float, ...] = ()
    """Marks of the line near both ends that are tapped once before all others, for a first answer."""
    practice_taps: int = 3
    """0 to leave practice out."""
    noise_s: float = 3.0
    pause_s: float = 6.0
    """Quiet after which an unfinished point starts over."""
    decide_s: float = 10.0
    """Longest wait for advice before the round goes on without it."""

    def __post_init__(self) -> None:
        marks = [*self.depths_m, *([] if self.reference_depth_m is None else [self.reference_depth_m])]
        if not self.depths_m:
            raise LineError("The round has no points. Give at least one mark, as a depth below the top of the shell.")
        if not all(np.isfinite(mark) for mark in marks):
            raise LineError(f"The marks {marks} (metres) are not all numbers. Give depths below the top of the shell.")
        if any(abs(b - a) < 1e-6 for a, b in pairwise(sorted(self.depths_m))):
            raise LineError("The same mark is named twice. Name each point of the line once.")
        if not 1 <= self.taps_per_point <= 20:
            raise LineError(f"{self.taps_per_point} taps a point were asked for; choose 1 to 20. Three are usual.")
        if self.sparing and self.finer_limit == 0:
            raise LineError(
                "A round with few taps needs the running estimate, which is switched off. Allow at least one finer "
                "point, or tap all marks."
            )

    @property
    def first_m(self) -> tuple[float, ...]:
        """The marks that are tapped in order: all of them, or evenly chosen ones with both ends in a sparing round."""
        last = len(self.depths_m) - 1
        count = max(FEWEST_FIRST, -(-len(self.depths_m) // SPARING_SHARE) + 1)
        if not self.sparing or count > last:
            return self.depths_m
        return tuple(self.depths_m[round(number * last / (count - 1))] for number in range(count))

    @property
    def most_added(self) -> int:
        """How many points the advice may ask for beside the first ones."""
        return self.finer_limit + len(self.depths_m) - len(self.first_m)


@dataclass(frozen=True, slots=True)
class Stop:
    """One place to tap."""

    kind: StopKind
    depth_m: float

    @property
    def for_drift(self) -> bool:
        """Whether the reference mark is tapped, to hear whether anything but the place has changed."""
        return self.kind in ("reference", "recheck")

    @property
    def on_line(self) -> bool:
        """Whether its taps belong to a point of the line."""
        return not self.for_drift


@dataclass(frozen=True, slots=True)
class KeptTap:
    """An accepted tap and where it lies in the sound."""

    recording: int
    """Number of the recording, counted from the first source as 0."""
    onset_s: float
    peak_db: float
    tap_to_noise_db: float


@dataclass(frozen=True, slots=True)
class Result:
    """A stop that is finished or skipped."""

    stop: Stop
    taps: tuple[KeptTap, ...]
    refused: int = 0
    skipped: bool = False


@dataclass(frozen=True, slots=True)
class Advice:
    """What the taps say so far, and where one more point would tell most."""

    results: int
    """How many results it rests on."""
    sentence: Said
    next_depth_m: float | None = None
    enough: bool = False
    """Whether more taps would not change the finding."""
    taps: int = 1
    """How many taps there are worth their time; a sparing round takes so many."""
    state: BoundaryState = "not found"
    depth_m: float | None = None
    """Where the sound seems to change, in the middle of `change_m`."""
    change_m: tuple[float, float] | None = None
    """Between which depths the sound seems to change (90 %); None where it cannot be told, or does not change."""
    first: bool = False
    """Whether this is the answer from the ends of the line alone, which stays in sight."""
    caution: Said = ""
    """What to mind of the taps so far, "" for nothing."""


@dataclass(frozen=True, slots=True)
class StageBegan:
    """A new stage began."""

    stage: Stage


@dataclass(frozen=True, slots=True)
class Level:
    """The level now, about twenty times a second."""

    rms_db: float
    peak_db: float


@dataclass(frozen=True, slots=True)
class NoiseMeasured:
    """The noise floor is known."""

    noise_db: float
    recording: int
    until_s: float
    """It was measured from the beginning of the recording until then."""


@dataclass(frozen=True, slots=True)
class PracticeTap:
    """A practice tap was heard."""

    headroom_db: float
    good: bool
    sentence: Said


@dataclass(frozen=True, slots=True)
class LevelSet:
    """Practice is over; `sentence` says what could still be better, "" for nothing."""

    headroom_db: float
    sentence: Said


@dataclass(frozen=True, slots=True)
class Next:
    """Where to tap now: the `number`-th stop of `of`."""

    stop: Stop
    number: int
    of: int


@dataclass(frozen=True, slots=True)
class TapAccepted:
    """A tap counts."""

    stop: Stop
    count: int
    of: int
    tap: KeptTap
    late_s: float
    """Sound that had come in since the end of the tap's ring window."""


@dataclass(frozen=True, slots=True)
class TapRefused:
    """A tap does not count; `why` is a sentence."""

    stop: Stop | None
    onset_s: float
    why: Said
    late_s: float
    sounding: bool = True
    """Whether a tone shall tell of it: not while the room's noise is measured, and not tone upon tone."""


@dataclass(frozen=True, slots=True)
class TapIgnored:
    """The round heard its own tone."""

    onset_s: float


@dataclass(frozen=True, slots=True)
class PointDone:
    """A stop has all its taps."""

    result: Result


@dataclass(frozen=True, slots=True)
class PointSkipped:
    """A stop was skipped."""

    result: Result


@dataclass(frozen=True, slots=True)
class PointReopened:
    """The last finished or skipped stop is to be done again; its taps are set aside."""

    result: Result


@dataclass(frozen=True, slots=True)
class PointRestarted:
    """The unfinished stop starts over; its taps are set aside."""

    stop: Stop
    why: Said


@dataclass(frozen=True, slots=True)
class FinerAdded:
    """The advice added a point."""

    depth_m: float
    because: Said


@dataclass(frozen=True, slots=True)
class Warned:
    """Something to know, in a sentence."""

    sentence: Said


Event = (
    StageBegan | Level | NoiseMeasured | PracticeTap | LevelSet | Next | TapAccepted | TapRefused | TapIgnored
    | PointDone | PointSkipped | PointReopened | PointRestarted | FinerAdded | Warned
)  # fmt: skip

WHY_REFUSED = {
    WhyNot.DOUBLE_HIT: NoTap.BOUNCED,
    WhyNot.CLIPPED: NoTap.TOO_LOUD,
    WhyNot.TOO_WEAK: NoTap.TOO_SOFT,
    WhyNot.CUT_OFF: NoTap.BROKE_OFF,
    WhyNot.OVERLAPS: NoTap.TOO_QUICK,
    WhyNot.NOISE_BURST: NoTap.NOT_A_TAP,
}
WHY_FOREIGN: dict[Foreign, NoTap] = {
    "talk": NoTap.TALK,
    "too regular": NoTap.TOO_REGULAR,
    "not this striker": NoTap.UNLIKE_OTHERS,
}


class Round:
    """One guided round.

    `results` are those of an earlier run that is taken up again, and `recordings` how many recordings it made.
    """

    def __init__(
        self, plan: Plan, results: Sequence[Result] = (), recordings: int = 0, added_m: Sequence[float] = ()
    ) -> None:
        self.plan = plan
        self._added_m = deque(added_m)
        """Marks that were added to the line later and are not tapped yet."""
        self.results: list[Result] = list(results)
        self.stage: Stage = "waiting"
        self.taps: list[KeptTap] = []
        """Accepted taps of the stop under way."""
        self.recording = recordings - 1
        """Number of the current recording."""
        self._refused = 0
        self._practice: list[float] = []
        self._practised = bool(results)
        self._finer: float | None = None
        self._finer_taps = 1
        self._finer_over = plan.finer_limit == 0 or self._done_in_order() > len(self._course())
        self._recheck = False
        self._samples = 0
        self._rate_hz = 0.0
        self._quiet_since = 0
        self._opened_s = 0.0
        self._shown: Stop | None = None
        self._last: LastMark | None = None
        self._levels: list[FloatArray] = []
        """Of the accepted taps of the stop under way, see `ring_levels`."""
        self._tone = (0.0, -1.0)
        self._tone_lag_s = 0.0
        self._notes_hz: tuple[float, ...] = ()
        self._recent: deque[FloatArray] = deque()
        self._kept = 0
        """Samples in the newest blocks, which are kept for a look back."""
        self._usual: deque[float] = deque(maxlen=24)
        """Tap-to-noise ratios of the newest good taps of this recording."""
        self._odd = 0
        self._blows = KnownBlows()
        self._foreign = 0
        self._unshown = 0
        self._loudest_db = SILENT_DB

    # What there is to do

    @property
    def over(self) -> bool:
        """Whether the round is done or stopped."""
        return self.stage in ("done", "stopped")

    @property
    def now_s(self) -> float:
        """Seconds of sound since the current source began."""
        return self._samples / self._rate_hz if self._rate_hz else 0.0

    @property
    def stop(self) -> Stop | None:
        """The place to tap now; None where there is none, or where advice is awaited."""
        reference = self.plan.reference_depth_m
        if self._recheck and reference is not None:
            return Stop("recheck", reference)
        course = self._course()
        done = self._done_of_course(course)
        if done < len(course):
            return course[done]
        if self._finer is not None:
            return Stop("finer", self._finer)
        if self._finer_over and reference is not None and self._last_reference_due():
            return Stop("reference", reference)
        return None

    @property
    def wanted(self) -> int:
        """How many good taps the stop under way takes."""
        stop = self.stop
        if not self.plan.sparing or stop is None or stop.for_drift:
            return self._still_wanted(stop)
        return min(self._finer_taps if stop.kind == "finer" else 1, self.plan.taps_per_point)

    def _still_wanted(self, stop: Stop | None) -> int:
        """Return how many taps a stop takes where the round is not sparing; those for the first answer count."""
        if stop is None or stop.for_drift or not self.plan.ends_m:
            return self.plan.taps_per_point
        if stop.kind == "end":
            return 1
        there = [len(each.taps) for each in self.results if each.stop == Stop("end", stop.depth_m)]
        return max(self.plan.taps_per_point - sum(there), 1)

    def _course(self) -> list[Stop]:
        """Return the stops that are known before the first tap."""
        ends = [Stop("end", depth) for depth in self.plan.ends_m]
        points = [Stop("point", depth) for depth in self.plan.first_m]
        if self.plan.reference_depth_m is None:
            return [*ends, *points]
        reference = Stop("reference", self.plan.reference_depth_m)
        half = (len(points) + 1) // 2
        middle = [reference] if len(points) >= MIDWAY_FROM else []
        return [*ends, reference, *points[:half], *middle, *points[half:]]

    def _done_of_course(self, course: Sequence[Stop]) -> int:
        return min(len(course), self._done_in_order())

    def _last_reference_due(self) -> bool:
        return self._done_in_order() <= len(self._course())

    def _done_in_order(self) -> int:
        return sum(result.stop.kind in ("reference", "point", "end") for result in self.results)

    def _stops_known(self) -> int:
        """Return how many stops the round has as far as is known now, finished ones included."""
        left = max(len(self._course()) - self._done_in_order(), 0)
        finer = self._finer is not None
        last = self.plan.reference_depth_m is not None and self._last_reference_due()
        return len(self.results) + left + finer + len(self._added_m) + last + self._recheck

    # What comes in

    def listen(self, rate_hz: float, detector: Detector) -> list[Event]:
        """Tell of a new source: the first one, or another after a loss. Noise is measured again first."""
        events: list[Event] = []
        if self.taps:
            events += self._restart(Statement(Restart.MICROPHONE_GONE))
        if self.over:
            return events
        self.recording += 1
        self._detector = detector
        self._rate_hz = rate_hz
        self._samples = self._quiet_since = 0
        self._opened_s = 0.0
        self._last = None
        self._tone = (0.0, -1.0)
        self._recent.clear()
        self._kept = 0
        self._usual.clear()
        self._odd = 0
        self._blows = KnownBlows()
        self._foreign = 0
        self._frames = Frames(rate_hz)
        self._signs = Signs(rate_hz)
        self._noise: list[float] = []
        self._recheck = self.plan.reference_depth_m is not None and any(
            result.stop.kind == "point" for result in self.results
        )
        return events + self._enter("noise")

    def feed(self, block: FloatArray) -> list[Event]:
        """Take the next samples (N,) and return what follows from them."""
        if self.over or self.stage == "waiting":
            return []
        self._samples += len(block)
        self._recent.append(block)
        self._kept += len(block)
        while self._kept - len(self._recent[0]) > KEEP_S * self._rate_hz:
            self._kept -= len(self._recent.popleft())
        events: list[Event] = [Warned(sentence) for sentence in self._signs.feed(block)]
        for rms_db, peak_db, _ in self._frames.feed(block):
            if self.stage == "noise":
                self._noise.append(rms_db)
            self._loudest_db = max(self._loudest_db, peak_db)
            self._unshown = (self._unshown + 1) % LEVEL_EVERY_FRAMES
            if not self._unshown:
                events.append(Level(rms_db, self._loudest_db))
                self._loudest_db = SILENT_DB
        for tap in self._detector.feed(block):
            self._signs.tap(tap.onset_s)
            events += self._tapped(tap)
        return events + self._tick()

    def tone(self, duration_s: float, notes_hz: Sequence[float] = ()) -> None:
        """Tell that the program's own tone is in the air for so long from now: no tap can count in it.

        `notes_hz` are the frequencies of its notes, by which a tap into the tone is told from the tone.
        """
        if duration_s > 0:
            self._tone = (self.now_s, self.now_s + duration_s + self._tone_lag_s)
            self._notes_hz = tuple(notes_hz)

    def gap(self) -> list[Event]:
        """Tell that audio dropped out: any tap of the unfinished point may be incomplete."""
        if self.stage != "tapping" or not self.taps:
            return []
        return [*self._restart(Statement(Restart.DROPOUT)), *self._go_on()]

    def advise(self, advice: Advice) -> list[Event]:
        """Take advice; it counts where it rests on all results and the round waits for it."""
        if self.stage != "deciding" or advice.results != len(self.results):
            return []
        if advice.enough:
            self._finer_over = True
            return self._go_on()
        return self._add(advice.next_depth_m, advice.sentence, advice.taps)

    def _add(self, depth_m: float | None, because: Said, taps: int = 1) -> list[Event]:
        """Add a point; where none is named, or it was tapped, the loneliest of the marks left out, or none."""
        tapped = [result.stop.depth_m for result in self.results if result.stop.on_line]

        def away(depth: float) -> float:
            return min((abs(depth - other) for other in tapped), default=SAME_MARK_M)

        if depth_m is None or away(depth_m) < SAME_MARK_M:
            left_out = set(self.plan.depths_m) - set(self.plan.first_m)
            free = [depth for depth in sorted(left_out) if away(depth) >= SAME_MARK_M]
            depth_m = max(free, key=away, default=None)
        added = sum(result.stop.kind == "finer" for result in self.results)
        if depth_m is None or added >= self.plan.most_added:
            self._finer_over = True
            return self._go_on()
        self._finer, self._finer_taps = depth_m, taps
        return [FinerAdded(depth_m, because), *self._go_on()]

    def redo(self) -> list[Event]:
        """Do the unfinished stop again or, where it has no tap yet, the last finished one."""
        if self.stage not in ("tapping", "deciding"):
            return []
        if self.taps or not self.results:
            return [*self._restart(Statement(Restart.WISHED)), *self._go_on()]
        last = self.results.pop()
        self._finer = last.stop.depth_m if last.stop.kind == "finer" else None
        self._finer_taps = max(len(last.taps), 1)
        self._finer_over = self.plan.finer_limit == 0 or (self._finer_over and last.stop.kind == "reference")
        self._recheck = self._recheck or last.stop.kind == "recheck"
        self._clear()
        return [PointReopened(last), *self._go_on()]

    def skip(self) -> list[Event]:
        """Leave the stop out; while noise or level are measured, take them as they are."""
        if self.stage == "practice":
            return self._level_set(Statement(LevelAdvice.AS_IT_IS))
        if self.stage == "noise":
            return self._noise_measured() if self._noise else []
        stop = self.stop
        if self.stage == "deciding":
            self._finer_over = True
            return self._go_on()
        if self.stage != "tapping" or stop is None:
            return []
        result = Result(stop, (), self._refused + len(self.taps), skipped=True)
        return [PointSkipped(result), *self._finish(result)]

    def halt(self) -> list[Event]:
        """Stop the round; it can be taken up again."""
        if self.over:
            return []
        return self._enter("stopped")

    # What follows

    def _enter(self, stage: Stage) -> list[Event]:
        self.stage = stage
        self._quiet_since = self._samples
        return [StageBegan(stage)]

    def _tick(self) -> list[Event]:
        """Return what follows from time alone."""
        if self.stage == "noise":
            return self._measure_noise()
        waited = (self._samples - self._quiet_since) / self._rate_hz
        if self.stage == "tapping" and self.taps and waited > self.plan.pause_s:
            return [*self._restart(Statement(Restart.IDLE)), *self._go_on()]
        if self.stage == "deciding" and waited > self.plan.decide_s:
            return self._add(None, Statement(RoundWarning.NO_ADVICE))
        return []

    def _measure_noise(self) -> list[Event]:
        if self.now_s < self.plan.noise_s or self._signs.muted or self._signs.overloaded or not self._noise:
            return []
        return self._noise_measured()

    def _noise_measured(self) -> list[Event]:
        # The median frame: a bang in these seconds shall not count as the floor.
        events: list[Event] = [NoiseMeasured(median(self._noise), self.recording, self.now_s)]
        self._noise = []
        if self.plan.practice_taps and not self._practised:
            return events + self._enter("practice")
        return events + self._go_on()

    def _go_on(self) -> list[Event]:
        """Announce the next stop, wait for advice, or end."""
        if self.stop is None and self._added_m:
            self._finer, self._finer_taps = self._added_m.popleft(), self.plan.taps_per_point
        stop = self.stop
        if stop is not None:
            self._quiet_since = self._samples
            if stop != self._shown:
                self._opened_s, self._shown = self.now_s, stop
            began = [] if self.stage == "tapping" else self._enter("tapping")
            return [*began, Next(stop, len(self.results) + 1, self._stops_known())]
        if not self._finer_over:
            return self._enter("deciding")
        return self._enter("done")

    def _tapped(self, tap: Tap) -> list[Event]:
        late_s = self.now_s - tap.onset_s - RING_S
        if self._tone[0] - RING_S <= tap.onset_s <= self._tone[1] + LATE_TONE_S:
            heard = self._in_tone(tap, late_s)
            if heard is not None:
                return heard
        if self.stage == "practice":
            return self._practice_tap(tap)
        stop = self.stop
        if self.stage != "tapping" or stop is None:
            return self._untimely(tap, late_s)
        self._quiet_since = self._samples
        levels = ring_levels(self._stretch(tap.onset_s, RING_S), self._rate_hz)
        too_soon = "" if self.taps else self._too_soon(stop, tap, levels)
        if too_soon:
            return [TapRefused(stop, tap.onset_s, too_soon, late_s)]
        why = self._why_refused(tap)
        if why is not None:
            self._refused += 1
            return [TapRefused(stop, tap.onset_s, why, late_s)]
        self._levels.append(levels)
        return self._accept(stop, tap, late_s)

    def _too_soon(self, stop: Stop, tap: Tap, levels: FloatArray) -> Said:
        """Say why a first tap cannot be meant for this stop yet, "" where it can."""
        if tap.onset_s < self._opened_s + MOVE_S:
            return Statement(NoTap.TOO_EARLY)
        last = self._last
        return (
            Statement(NoTap.ONE_TOO_MANY)
            if last is not None and last.has_one_more(stop.depth_m, tap.onset_s, levels)
            else ""
        )

    def _stretch(self, from_s: float, length_s: float) -> FloatArray:
        """Return so much of the newest sound, as far as it is at hand."""
        begin = max(round(from_s * self._rate_hz) - (self._samples - self._kept), 0)
        return np.concatenate(self._recent)[begin : begin + round(length_s * self._rate_hz)]

    def _in_tone(self, tap: Tap, late_s: float) -> list[Event] | None:
        """Return what follows from a hit while the own tone sounds: nothing from the tone, a refusal from a tap.

        None: it is a tap after the tone's end. No tone tells of a tap into a tone: it would lengthen the wait, and a
        rattle or a gap in the tone that passes for a tap would call forth one tone after the other for ever.
        """
        after_s = tap.onset_s - self._tone[1]
        onset = round(tap.onset_s * self._rate_hz) - (self._samples - self._kept)
        if not is_tap(np.concatenate(self._recent), onset, self._rate_hz, self._notes_hz):
            if after_s > 0 and not self._notes_hz:
                return None
            if after_s > 0:
                self._tone_lag_s += after_s + RING_S
            return [TapIgnored(tap.onset_s)]
        if after_s > 0:
            # What is not a tap at all so soon after a tone is most likely its crackling end on a busy computer.
            return [TapIgnored(tap.onset_s)] if tap.why_not is WhyNot.NOISE_BURST else None
        self._quiet_since = self._samples
        stop = self.stop if self.stage == "tapping" else None
        self._refused += stop is not None
        return [TapRefused(stop, tap.onset_s, Statement(NoTap.INTO_THE_TONE), late_s, sounding=False)]

    def _untimely(self, tap: Tap, late_s: float) -> list[Event]:
        """Refuse a tap while none is wanted; other noises need no answer then."""
        if tap.why_not not in (None, WhyNot.CLIPPED, WhyNot.DOUBLE_HIT):
            return []
        if self.stage == "noise":
            return [TapRefused(None, tap.onset_s, Statement(NoTap.WHILE_QUIET), late_s, sounding=False)]
        return [TapRefused(None, tap.onset_s, Statement(NoTap.WHILE_DECIDING), late_s)]

    def _why_refused(self, tap: Tap) -> Said | None:
        """Return why a tap does not count; None where it does."""
        if tap.why_not is not None and not self._is_beside_foreign(tap):
            return Statement(WHY_REFUSED[tap.why_not])
        if self._is_odd(tap):
            return Statement(NoTap.FAR_SOFTER)
        described = self._describe(tap.onset_s)
        if described is None:
            return None
        foreign = self._blows.foreign(tap.onset_s, *described)
        self._foreign = self._foreign + 1 if foreign else 0
        if foreign and self._foreign <= MOST_FOREIGN:
            return Statement(WHY_FOREIGN[foreign])
        if foreign:
            self._blows, self._foreign = KnownBlows(), 0
        self._blows.learn(*described)
        return None

    def _is_beside_foreign(self, tap: Tap) -> bool:
        """Whether a tap is refused only for a hit in its ring that is not the striker's, and faint beside it."""
        if tap.why_not not in (WhyNot.DOUBLE_HIT, WhyNot.OVERLAPS) or tap.second_s is None:
            return False
        blow, other = self._describe(tap.onset_s), self._describe(tap.second_s)
        if blow is None or other is None or not self._blows.unlike(*other):
            return False
        tap_db, other_db = loudness_db(np.array([blow[0], other[0]]))
        return is_faint_beside(tap_db, other_db, tap.second_s - tap.onset_s)

    def _describe(self, onset_s: float) -> tuple[FloatArray, FloatArray] | None:
        """Describe a hit for `KnownBlows`; None where not all of it is at hand, or not any more."""
        begin = round((onset_s - LEAD_S) * self._rate_hz) - (self._samples - self._kept)
        length = round((LEAD_S + AFTER_S) * self._rate_hz)
        if begin < 0 or begin + length > self._kept:
            return None
        features, sd_db = blow_features(np.concatenate(self._recent)[None, begin : begin + length], self._rate_hz)
        return features[0], sd_db[0]

    def _is_odd(self, tap: Tap) -> bool:
        """Whether a tap is so much softer than the others that it is a slip, as when the striker is laid down."""
        usual = sorted(self._usual)
        least = usual[round(0.75 * (len(usual) - 1))] - OUTLIER_DB if len(usual) >= FEWEST_USUAL else -np.inf
        self._odd = self._odd + 1 if tap.tap_to_noise_db < least else 0
        if self._odd > MOST_ODD:
            self._odd = 0
            self._usual.clear()
        return self._odd > 0

    def _accept(self, stop: Stop, tap: Tap, late_s: float) -> list[Event]:
        kept = KeptTap(self.recording, tap.onset_s, tap.peak_db, tap.tap_to_noise_db)
        self.taps.append(kept)
        self._usual.append(tap.tap_to_noise_db)
        wanted = self.wanted
        accepted = TapAccepted(stop, len(self.taps), wanted, kept, late_s)
        if len(self.taps) < wanted:
            return [accepted]
        result = Result(stop, tuple(self.taps), self._refused)
        return [accepted, PointDone(result), *self._finish(result)]

    def _finish(self, result: Result) -> list[Event]:
        self.results.append(result)
        onsets = tuple(tap.onset_s for tap in result.taps)
        self._last = LastMark(result.stop.depth_m, onsets, tuple(self._levels)) if onsets else None
        if result.stop.kind == "recheck":
            self._recheck = False
        if result.stop.kind == "finer":
            self._finer = None
        self._clear()
        return self._go_on()

    def _clear(self) -> None:
        self.taps = []
        self._levels = []
        self._refused = 0

    def _restart(self, why: Said) -> list[Event]:
        stop = self.stop
        had = bool(self.taps)
        self._clear()
        return [PointRestarted(stop, why)] if stop is not None and had else []

    def _practice_tap(self, tap: Tap) -> list[Event]:
        headroom = -tap.peak_db
        if tap.why_not is not None:
            return [PracticeTap(headroom, False, Statement(WHY_REFUSED[tap.why_not]))]
        self._practice.append(headroom)
        self._usual.append(tap.tap_to_noise_db)
        described = self._describe(tap.onset_s)
        if described is not None:
            self._blows.learn(*described)
        recent = self._practice[-self.plan.practice_taps :]
        middle = median(recent)
        advice = level_advice(middle)
        events: list[Event] = [PracticeTap(headroom, True, advice)]
        full = len(recent) >= self.plan.practice_taps
        low, high = USABLE_HEADROOM_DB
        if full and ((low <= min(recent) and middle <= high) or len(self._practice) >= PATIENCE_TAPS):
            return events + self._level_set(advice, middle)
        return events

    def _level_set(self, sentence: Said, headroom_db: float | None = None) -> list[Event]:
        self._practised = True
        heard = headroom_db if headroom_db is not None else median(self._practice) if self._practice else float("nan")
        return [LevelSet(heard, sentence), *self._go_on()]


def level_advice(headroom_db: float) -> Said:
    """Say how far to turn the microphone's level, "" where it is right."""
    low, high = HEADROOM_DB
    middle = (low + high) / 2
    if headroom_db < low:
        return Statement(LevelAdvice.DOWN, {"by_db": middle - headroom_db})
    if headroom_db > high:
        return Statement(LevelAdvice.UP, {"by_db": headroom_db - middle})
    return ""

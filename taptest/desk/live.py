"""The guided round behind its page: a `Session` in a thread of its own, and a snapshot of it for whoever watches.

The round does not depend on the page: it goes on when the tab is closed, and any number of tabs may watch. Every tap
is on the disk before it is shown (see `capture.session`). Positions in snapshots are texts in the user's unit;
levels are decibels relative to full scale.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from taptest.desk.browser_sound import BROWSER, Feed, PageTones
from taptest.errors import DeviceError, LineError, TaptestError, VisitError

if TYPE_CHECKING:
    from taptest.capture.device import Microphone, SoundSystem, Source, Speaker
    from taptest.capture.led_rounds import LedRound
    from taptest.capture.round import Advice, Plan, Stop
    from taptest.capture.session import Key, Session, SessionEvent, Tones
    from taptest.quantities import Units
    from taptest.tank.kinds import Tank
    from taptest.visit.files import Visit

SAID = 4
STOPPED = "Stopped. All taps so far are kept. You can continue this round at any time."
"""The page's own words for it: those of the terminal speak of the command."""
FLOOR_DB = -60.0
MORE = {"marks": "Add marks"}
"""What the field for added marks is called, for sentences about it."""


class SoundWay(Protocol):
    """Where the round's sound comes from: the computer's sound devices, or in tests an array."""

    def inputs(self) -> list[str]:
        """Name the inputs. Raises `DeviceError`."""

    def opener(self, name: str) -> "Callable[[], Source]":
        """Return what opens an input by its name, "" for the usual one, again and again. Raises `DeviceError`."""

    def tones(self, *, on: bool) -> "Tones | None":
        """Return what plays tones; None where there is nothing."""


class Devices:
    """The sound devices of this computer. Implements `SoundWay`.

    There is one `SoundSystem` and one loudspeaker for all rounds: to look for devices anew, the sound library is ended
    and begun again, and a stream that another one had open would be left without the memory it uses.
    """

    def __init__(self, make: "Callable[[], SoundSystem] | None" = None) -> None:
        self._make = make
        self._system: SoundSystem | None = None
        self._speaker: Speaker | None = None
        self._microphone: Microphone | None = None

    def inputs(self) -> list[str]:
        """Name the inputs there are now, the one that would be taken first. Raises `DeviceError`."""
        from taptest.capture.device import choose
        from taptest.preferences import remembered_microphone

        known = self._system is not None
        system = self._sound()
        if known and (self._microphone is None or self._microphone.closed):
            system.refresh()  # one may have been plugged in since
        inputs = system.inputs()
        usual = choose(inputs, None, remembered_microphone())
        return [usual.name, *(entry.name for entry in inputs if entry.name != usual.name)]

    def opener(self, name: str) -> "Callable[[], Source]":
        """Return what opens an input. Raises `DeviceError`."""
        from taptest.capture.opening import opener

        open_source = opener(self._sound(), name)

        def opened() -> "Source":
            self._microphone = open_source()
            return self._microphone

        return opened

    def tones(self, *, on: bool) -> "Tones | None":
        """Return the loudspeaker with its tones."""
        from taptest.capture.device import Speaker
        from taptest.capture.terminal import TonesOut

        if self._speaker is None:
            self._speaker = Speaker(self._sound())
        return TonesOut(self._speaker, on=on)

    @property
    def hangs(self) -> bool:
        """Whether the sound system hangs, so that only an abrupt end ends the program."""
        return self._system is not None and self._system.hangs

    def _sound(self) -> "SoundSystem":
        from taptest.capture.device import SoundSystem

        if self._system is None:
            self._system = (self._make or SoundSystem)()
        return self._system


@dataclass(frozen=True, slots=True)
class Wish:
    """What a round is to be like: texts as typed."""

    microphone: str = ""
    first: str = ""
    last: str = ""
    every: str = ""
    taps: str = "3"
    reference: bool = True
    practice: bool = True
    tones: bool = True
    estimate: bool = True
    sparing: bool = False
    """Whether to tap as few times as will do; needs the estimate."""
    more: str = ""
    """Marks to be added to a round that was begun before."""


class LiveRound:
    """One round that runs, or has run, for a visit."""

    def __init__(
        self,
        ident: str,
        visit: "Visit",
        session: "Session",
        units: "Units",
        tones: "Tones | None",
        feed: Feed | None = None,
        led: "LedRound | None" = None,
    ) -> None:
        from taptest.capture.remarks import RoundWarning, StageText
        from taptest.report.choices import in_usual_words
        from taptest.statements import Statement

        self.ident = ident
        self.feed = feed
        """Where a page brings the sound of its browser; None where the round listens to this computer's device."""
        self.version = 0
        """Counts up with every change of the snapshot."""
        self._visit = visit
        self._session = session
        self._units = units
        self._tones = tones
        self._led = led
        self._lock = threading.Lock()
        self._marks: dict[float, dict[str, Any]] = {}
        self._seen: dict[str, Any] = {
            "state": "running",
            "stage": "waiting",
            "big": "…",
            "small": in_usual_words(Statement(StageText.OPENING if feed is None else StageText.BROWSER), units),
            "number": "",
            "count": 0,
            "of": 0,
            "refused": 0,
            "level": FLOOR_DB,
            "peak": FLOOR_DB,
            "said": [in_usual_words(Statement(RoundWarning.BEFORE), units)],
            "estimate": "",
            "change": None,
            "device": "",
            "tones": bool(getattr(tones, "on", False)),
            "points": 0,
            "tone": None,
            "led": "" if led is None else led.kind,
        }
        if feed is not None:
            feed.changed = self._put
        for depth in session.round.plan.first_m:
            self._mark(depth)
        for result in session.round.results:
            if result.stop.kind != "end":
                self._mark(result.stop.depth_m)["done"] = not result.skipped
        self._thread = threading.Thread(target=self._run, daemon=True, name="round")

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether it still runs."""
        return self._thread.is_alive()

    def wait(self, seconds: float) -> bool:
        """Wait for the end; returns whether it came."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def press(self, key: "Key") -> None:
        """Hand a key on to the round."""
        self._session.press(key)

    def switch_tones(self) -> None:
        """Switch the tones off or on."""
        if self._tones is not None and hasattr(self._tones, "on"):
            self._tones.on = not self._tones.on
            self._put(tones=self._tones.on)

    def snapshot(self) -> dict[str, Any]:
        """Return how the round stands, as plain data."""
        with self._lock:
            marks = [self._marks[depth] for depth in sorted(self._marks)]
            now = {**self._seen, "said": list(self._seen["said"]), "marks": [dict(mark) for mark in marks]}
        return {**now, "browser": None if self.feed is None else self.feed.told()}

    def tell_tone(self, tone: dict[str, Any]) -> None:
        """Have the page that listens play a tone."""
        self._put(tone=tone)

    def _run(self) -> None:
        from taptest.report.choices import in_usual_words

        sentence = ""
        try:
            for event in self._session.run():
                self._show(event)
        except TaptestError as error:
            sentence = str(error)
        if self.feed is not None:
            self.feed.finish()
        points, trouble = self._keep()
        drift = in_usual_words(self._session.drift()) if points else ""
        after = [in_usual_words(each, self._units) for each in self._led.after()] if self._led and points else []
        said = [each for each in (sentence, trouble, drift, *after) if each]
        over = "failed" if sentence or trouble else self._session.round.stage
        self._put(state=over, said=said or self.snapshot()["said"], points=points)

    def _keep(self) -> tuple[int, str]:
        """Write the points into the visit; returns how many, and what went wrong."""
        from taptest.capture.excerpt import save_points
        from taptest.capture.journal import open_journal

        try:
            if self._led is not None:
                return self._led.keep(self._session), ""
            journal = open_journal(self._visit.folder)
            try:
                return save_points(self._visit.folder, journal, self._session.round.results), ""
            finally:
                journal.close()
        except TaptestError as error:
            return 0, str(error)

    def _show(self, event: "SessionEvent") -> None:
        """Take an event into the snapshot."""
        from taptest.capture import round as rounds
        from taptest.capture import session as sessions
        from taptest.capture.terminal import is_told, sentence_of, stage_words

        if isinstance(event, rounds.Level):
            self._put(level=round(max(event.rms_db, FLOOR_DB), 1), peak=round(max(event.peak_db, FLOOR_DB), 1))
            return
        match event:
            case rounds.StageBegan(stage):
                big, small = stage_words(stage)
                small = STOPPED if stage == "stopped" else small
                self._put(stage=stage, big=big, small=small, number="", count=0, of=0, refused=0)
            case rounds.Next(stop, number, of):
                self._go_to(stop, f"{number} of {of}")
            case rounds.TapAccepted(_, count, of):
                self._put(count=count, of=of)
            case rounds.TapRefused():
                self._put(refused=self._seen["refused"] + 1)
            case rounds.PointRestarted():
                self._put(count=0)
            case rounds.PointDone(result) if result.stop.kind != "end":
                self._mark(result.stop.depth_m).update(done=True, now=False)
            case rounds.PointReopened(result):
                self._mark(result.stop.depth_m).update(done=False)
            case sessions.Estimated(advice):
                self._put(estimate=sentence_of(event, self._units), change=self._change(advice))
            case sessions.Listening(device, rate_hz, _):
                self._put(device=f"{device}, {rate_hz:.0f} samples a second")
                self._note_granted()
        if is_told(event):
            sentence = sentence_of(event, self._units)
            if sentence:
                self._put(said=[*self._seen["said"], sentence][-SAID:])

    def _note_granted(self) -> None:
        """Keep what the browser really granted beside the recording that is made with it, and say what is wrong."""
        granted = None if self.feed is None else self.feed.granted
        if granted is None:
            return
        self._session.journal.note("browser", **granted.note())
        if granted.warning:
            self._session.journal.note("warning", sentence=granted.warning)
            self._put(said=[*self._seen["said"], granted.warning][-SAID:])

    def _go_to(self, stop: "Stop", number: str) -> None:
        from taptest.capture.terminal import stop_name

        shown = self._units.show("length", stop.depth_m)
        if self._units.in_inches:
            shown = f'{shown.removesuffix(" in")}"'  # short enough for a telephone: 11 15/16"
        with self._lock:
            for mark in self._marks.values():
                mark["now"] = False
        if stop.on_line:
            self._mark(stop.depth_m)["now"] = True
        self._put(
            big=shown, small=f"below the top: {stop_name(stop)}", number=number, count=0, refused=0,
            of=self._session.round.wanted,
        )  # fmt: skip

    def _change(self, advice: "Advice") -> dict[str, Any] | None:
        """Return where the sound seems to change: from and to for the list of marks, and in words."""
        if advice.change_m is None:
            return None
        low, high = advice.change_m
        words = f"change between {self._units.show('length', low)} and {self._units.show('length', high)}"
        return {"from": round(low, 4), "to": round(high, 4), "text": words}

    def _mark(self, depth_m: float) -> dict[str, Any]:
        with self._lock:
            key = round(depth_m, 4)
            new = {"depth": key, "text": self._units.show("length", depth_m), "done": False, "now": False}
            return self._marks.setdefault(key, new)

    def _put(self, **values: Any) -> None:
        with self._lock:
            self._seen.update(values)
            self.version += 1


class Rounds:
    """The rounds of this server: one at a time, because they all listen to the same air."""

    def __init__(self, way: SoundWay) -> None:
        self.way = way
        self._rounds: dict[str, LiveRound] = {}
        self._lock = threading.Lock()

    def of(self, ident: str) -> LiveRound | None:
        """Return the latest round of a visit."""
        return self._rounds.get(ident)

    @property
    def running(self) -> LiveRound | None:
        """The round that runs."""
        return next((each for each in self._rounds.values() if each.running), None)

    def begin(self, ident: str, visit: "Visit", wish: Wish) -> LiveRound:
        """Begin a round, or take one up that was stopped. Raises `VisitError`, `LineError`, `DeviceError`."""
        from taptest.capture.estimate import Estimator, ahead
        from taptest.capture.journal import read_log
        from taptest.capture.notes import plan_from
        from taptest.capture.plans import LEAVE_OUT, Wanted, plan_of
        from taptest.capture.session import add_marks, open_session
        from taptest.visit.meaning import meaning_of
        from taptest.visit.sweeps import sharpening

        with self._lock:
            self._refuse_second()
            refuse_foreign(visit)
            meaning = meaning_of(visit.document, visit.source)
            # A round that was begun keeps its plan, so what is typed anew is not looked at.
            begun = plan_from(read_log(visit.folder))
            plan = begun or plan_wished(wish, meaning.case.tank, meaning.units)
            if begun is not None and wish.more.strip():
                more = plan_of(Wanted(marks=wish.more, reference=LEAVE_OUT), meaning.case.tank, meaning.units, MORE)
                add_marks(visit.folder, more.depths_m)
            feed, opener, tones = self._sound(wish)
            model = partial(sharpening, meaning.case)
            estimator = Estimator(meaning.case.tank, model, meaning.units) if plan.finer_limit else None
            if estimator is None:
                ahead(model)
            session = open_session(
                visit.folder, plan, opener, estimator=estimator, tones=tones, patient=feed is not None
            )
            return self._started(LiveRound(ident, visit, session, meaning.units, tones, feed), tones)

    def begin_led(self, ident: str, visit: "Visit", wish: Wish, led: "LedRound", units: "Units") -> LiveRound:
        """Begin a round that is led beside the first one. Raises `DeviceError`, `StorageError`."""
        from taptest import disk
        from taptest.capture.session import open_session

        with self._lock:
            self._refuse_second()
            feed, opener, tones = self._sound(wish)
            disk.make_folder(led.folder)
            session = open_session(led.folder, led.plan, opener, tones=tones, patient=feed is not None)
            return self._started(LiveRound(ident, visit, session, units, tones, feed, led), tones)

    def _refuse_second(self) -> None:
        if self.running is not None:
            raise DeviceError("A round is running already, and two at once would hear each other. Stop that one first.")

    def _sound(self, wish: Wish) -> "tuple[Feed | None, Callable[[], Source], Tones | None]":
        """Return the page's feed, what opens the sound, and the tones. Raises `DeviceError`."""
        if wish.microphone == BROWSER:
            feed = Feed()
            return feed, feed.open, PageTones(feed, on=wish.tones)
        return None, self.way.opener(wish.microphone), self.way.tones(on=wish.tones)

    def _started(self, live: LiveRound, tones: "Tones | None") -> LiveRound:
        if isinstance(tones, PageTones):
            tones.tell = live.tell_tone
        self._rounds[live.ident] = live
        live.start()
        return live

    def close(self) -> None:
        """Stop what runs; its points are kept."""
        running = self.running
        if running is not None:
            running.press("stop")
            running.wait(5.0)


def round_began(folder: Path) -> bool:
    """Whether a round was begun in a visit's folder."""
    from taptest.capture.journal import LOG

    return (folder / LOG).is_file()


def refuse_foreign(visit: "Visit") -> None:
    """Refuse to record into a visit whose points came in another way. Raises `VisitError`."""
    if visit.document.points and not round_began(visit.folder):
        raise VisitError("The points of this visit were not recorded by a round. Make a new visit for a round.")


def plan_wished(wish: Wish, tank: "Tank", units: "Units") -> "Plan":
    """Return the plan that was wished for. Raises `LineError`, `QuantityError`."""
    from taptest.capture.plans import LEAVE_OUT, Wanted, plan_of

    if wish.sparing and not wish.estimate:
        raise LineError(
            "Few taps need the estimate while tapping: it says where one more tells most. Tick both, or not this."
        )
    names = {"first": "First mark", "last": "Last mark", "every": "Distance of marks", "taps": "Taps a point"}
    wanted = Wanted(
        first=wish.first,
        last=wish.last,
        every=wish.every,
        reference="" if wish.reference else LEAVE_OUT,
        taps=wish.taps,
        finer="6" if wish.estimate else "0",
        practice=wish.practice,
        sparing=wish.sparing,
    )
    return plan_of(wanted, tank, units, names)

"""The round in a terminal: where to tap next in letters to be read from two metres, the level, the taps, one big key.

`Screen` redraws a whole screen; `Lines` writes one plain line for each thing that happens, for terminals that cannot do
more, for files and for readers of the screen aloud. Both turn events into text and touch neither sound nor disk.
"""

import contextlib
import os
import queue
import shutil
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from typing import Protocol, TextIO

from taptest.capture.device import Speaker, plain_name
from taptest.capture.letters import block_letters
from taptest.capture.remarks import KeyMeaning, StageText, StageWord, StopName, Told
from taptest.capture.round import (
    FinerAdded,
    Level,
    LevelSet,
    Next,
    NoiseMeasured,
    PointDone,
    PointReopened,
    PointRestarted,
    PointSkipped,
    PracticeTap,
    StageBegan,
    Stop,
    StopKind,
    TapAccepted,
    TapRefused,
    Warned,
)
from taptest.capture.session import Estimated, Key, Listening, Session, SessionEvent, Sounding, SoundLost, SourceLost
from taptest.capture.tones import tone
from taptest.quantities import METRIC, Units
from taptest.statements import Said, Statement, Value
from taptest.words.language import usual_language
from taptest.words.tell import tell, text_of

KEYS: tuple[tuple[str, str, KeyMeaning], ...] = (
    ("space", " ", KeyMeaning.REDO),
    ("s", "s", KeyMeaning.SKIP),
    ("t", "t", KeyMeaning.TONES),
    ("q", "q", KeyMeaning.STOP),
)
"""Name, letter and meaning of each key."""
PRESSED: dict[str, Key] = {
    " ": "redo", "\r": "redo", "\n": "redo", "s": "skip", "q": "stop", "\x03": "stop", "\x04": "stop"
}  # fmt: skip
"""The space bar and Enter are both big enough to be hit with a hand in a glove."""
UNKNOWN = "\x1b"
"""Stands for any key without a letter, such as an arrow."""
WINDOWS = os.name == "nt"

LOOK_S = 0.1
"""How often it is looked whether keys are still to be read."""
BAR = 40
SAID = 8
"""Sentences that are kept for the screen."""
BAR_FROM_DB = -60.0
STAGE_WORDS: dict[str, tuple[StageWord, StageText]] = {
    "noise": (StageWord.QUIET, StageText.QUIET),
    "practice": (StageWord.TAP, StageText.PRACTICE),
    "deciding": (StageWord.WAIT, StageText.DECIDING),
    "done": (StageWord.DONE, StageText.DONE),
    "stopped": (StageWord.STOP, StageText.STOPPED),
}
LOST_WORDS = (StageWord.WAIT, StageText.NOT_HEARD)
ROOM_DB = (-55.0, -40.0)
"""Noise floor up to which a room is quiet, and from which on it is loud: taps peak near -13 dB, and their ring must be
followed down for 30 dB. Common practice, no source."""
STOP_NAMES: dict[StopKind, StopName] = {
    "reference": StopName.REFERENCE,
    "recheck": StopName.RECHECK,
    "point": StopName.POINT,
    "finer": StopName.FINER,
    "end": StopName.END,
}


class View(Protocol):
    """Shows what happens."""

    def show(self, event: SessionEvent) -> None:
        """Show an event."""

    def say(self, sentence: str) -> None:
        """Show a sentence."""

    def close(self) -> None:
        """Leave the terminal as it was."""


def said_of(event: SessionEvent) -> Said:  # noqa: PLR0911, PLR0912  one case a kind of event
    """Return what is to be said of an event, "" for what needs nothing."""
    match event:
        case StageBegan("tapping" | "waiting"):
            return ""
        case StageBegan(stage):
            return Statement(STAGE_WORDS[stage][1])
        case NoiseMeasured(noise_db):
            return Statement(noise_text(noise_db), {"noise_db": noise_db})
        case PracticeTap(headroom_db, True, advice):
            return _with_advice(Told.HEARD, Told.HEARD_WITH_ADVICE, {"headroom_db": headroom_db}, advice)
        case PracticeTap(_, False, sentence) | Warned(sentence) | SourceLost(sentence) | TapRefused(_, _, sentence, _):
            return sentence
        case LevelSet(_, advice):
            return _with_advice(Told.LEVEL_SET, Told.LEVEL_SET_WITH_ADVICE, {}, advice)
        case Next(stop, number, of):
            name = Statement(STOP_NAMES[stop.kind])
            return Statement(Told.NEXT, {"number": number, "of": of, "stop": name, "depth_m": stop.depth_m})
        case TapAccepted(_, count, of):
            return Statement(Told.TAP_COUNTS, {"number": count, "of": of})
        case PointDone():
            return Statement(Told.MARK_DONE)
        case PointSkipped():
            return Statement(Told.MARK_SKIPPED)
        case PointReopened(result):
            return Statement(Told.MARK_AGAIN, {"depth_m": result.stop.depth_m})
        case PointRestarted(_, why):
            return why
        case FinerAdded(float() as depth_m, _):
            return Statement(Told.MARK_ADDED, {"depth_m": depth_m})
        case Listening(device, rate_hz, _):
            return Statement(Told.LISTENING, {"device": plain_name(device), "rate": f"{rate_hz:.0f}"})
        case SoundLost(times):
            return Statement(Told.DROPOUTS, {"count": times})
        case Estimated(advice):
            return advice.sentence
        case _:
            return ""


def is_told(event: SessionEvent) -> bool:
    """Whether what is said of an event stands among the newest sentences, and not in a place of its own."""
    return event.advice.first if isinstance(event, Estimated) else not isinstance(event, Next | StageBegan)


def _with_advice(plain: Told, advised: Told, values: dict[str, Value], advice: Said) -> Statement:
    return Statement(advised, {**values, "advice": advice}) if advice else Statement(plain, values)


def sentence_of(event: SessionEvent, units: Units) -> str:
    """Return an event in plain words, "" for what needs none."""
    return tell(said_of(event), units, usual_language())


def key_help() -> str:
    """Say what the keys do, short enough for one line of the screen."""
    language = usual_language()
    return "; ".join(f"{name} = {text_of(meaning, language)}" for name, _, meaning in KEYS)


def stage_words(stage: str) -> tuple[str, str]:
    """Return the one big word of a stage and what it asks for; both "" for a stage that needs neither."""
    return _both(*STAGE_WORDS[stage]) if stage in STAGE_WORDS else ("", "")


def _both(word: StageWord, text: StageText) -> tuple[str, str]:
    return text_of(word, usual_language()), text_of(text, usual_language())


def stop_name(stop: Stop) -> str:
    """Say what kind of mark a stop is, as a part of a sentence."""
    return text_of(STOP_NAMES[stop.kind], usual_language())


def noise_text(noise_db: float) -> Told:
    """Choose what a noise floor means for the taps."""
    return Told.ROOM_QUIET if noise_db <= ROOM_DB[0] else Told.ROOM_NOISY if noise_db <= ROOM_DB[1] else Told.ROOM_LOUD


class Lines:
    """One plain line for each thing that happens."""

    def __init__(self, units: Units, stream: TextIO | None = None) -> None:
        self._units = units
        self._stream = stream or sys.stdout
        self._estimate = ""
        self.say(tell(Statement(Told.KEYS, {"keys": key_help()}), units, usual_language()))

    def show(self, event: SessionEvent) -> None:
        """Write the line of an event, if it has one; an estimate only where it has changed."""
        if isinstance(event, Estimated):
            estimate = sentence_of(event, self._units)
            if estimate == self._estimate:
                return
            self._estimate = estimate
        self.say(sentence_of(event, self._units))

    def say(self, sentence: str) -> None:
        """Write a line."""
        if sentence:
            self._stream.write(sentence + "\n")
            self._stream.flush()

    def close(self) -> None:
        """Do nothing: there is nothing to leave."""


class Screen:
    """A whole screen, redrawn at each event."""

    def __init__(self, units: Units, stream: TextIO | None = None, size: Callable[[], os.terminal_size] | None = None):
        self._units = units
        self._stream = stream or sys.stdout
        self._size = size or shutil.get_terminal_size
        self._blocks = _can_show("\N{FULL BLOCK}\N{BULLET}", self._stream)
        self._big, self._small, self._number = "", "", ""
        self._taps = (0, 0)
        self._refused = 0
        self._level = (BAR_FROM_DB, BAR_FROM_DB)
        self._said: list[str] = []
        self._estimate = ""
        self._device = ""
        if WINDOWS:
            os.system("")  # an empty command lets older Windows consoles understand what follows
        self._stream.write("\x1b[?1049h\x1b[?25l")

    def show(self, event: SessionEvent) -> None:
        """Take an event and draw."""
        match event:
            case Level(rms_db, peak_db):
                self._level = (rms_db, peak_db)
            case StageBegan(stage) if stage in STAGE_WORDS:
                self._big, self._small = stage_words(stage)
                self._number, self._taps = "", (0, 0)
            case Next(stop, number, of):
                self._go_to(stop, f"{number} of {of}")
            case TapAccepted(_, count, of):
                self._taps = (count, of)
            case TapRefused():
                self._refused += 1
            case PointRestarted():
                self._taps = (0, self._taps[1])
            case SourceLost():
                (self._big, self._small), self._number, self._taps = _both(*LOST_WORDS), "", (0, 0)
            case Estimated():
                self._estimate = sentence_of(event, self._units)
            case Listening(device, rate_hz, _):
                self._device = f"{plain_name(device)}, {rate_hz:.0f} samples a second"
        if is_told(event):
            self.say(sentence_of(event, self._units), draw=False)
        self._draw()

    def say(self, sentence: str, draw: bool = True) -> None:
        """Show a sentence below the bar; the last ones stay as long as there is room."""
        if sentence:
            self._said = [*self._said, sentence][-SAID:]
        if draw:
            self._draw()

    def close(self) -> None:
        """Leave the terminal as it was."""
        with contextlib.suppress(OSError):  # its window may have been closed, which ends no round without saving it
            self._stream.write("\x1b[?25h\x1b[?1049l")
            self._stream.flush()

    def _go_to(self, stop: Stop, number: str) -> None:
        shown = self._units.show("length", stop.depth_m)
        self._big = shown.removesuffix(f" {self._units.length}")
        where = Statement(Told.BELOW_TOP, {"depth_m": stop.depth_m, "stop": Statement(STOP_NAMES[stop.kind])})
        self._small = tell(where, self._units, usual_language())
        self._number, self._taps, self._refused = number, (0, 0), 0

    def _draw(self) -> None:
        columns, lines = self._size()
        rows = self.rows(columns, lines)
        text = "\x1b[H" + "".join(f"{line[:columns]}\x1b[K\r\n" for line in rows[: lines - 1]) + "\x1b[J"
        self._stream.write(text)
        self._stream.flush()

    def rows(self, columns: int, lines: int = 24) -> list[str]:
        """Return the lines of the screen as they stand now, made to fit.

        No sentence is cut: where room is short, older ones give way.
        """
        count, of = self._taps
        dot, ring, bad = ("\N{BULLET}", "\N{WHITE BULLET}", "x") if self._blocks else ("*", "o", "x")
        marks = " ".join([dot] * count + [ring] * (of - count)) + (
            "   again: " + bad * self._refused if self._refused else ""
        )
        top = [
            "",
            *(f"  {row}" for row in block_letters(self._big, columns - 4, self._blocks)),
            "",
            *_wrapped(self._small, columns),
            f"  {self._number}   {marks}".rstrip(),
            "",
            f"  {level_bar(*self._level)}",
            "",
        ]
        bottom = [*_wrapped(self._estimate, columns), *_wrapped(key_help(), columns), *_wrapped(self._device, columns)]
        room = max(lines - 1 - len(top) - len(bottom), 0)
        said: list[str] = []
        for sentence in reversed(self._said):
            more = _wrapped(sentence, columns)
            if said and len(said) + len(more) > room:
                break
            said = [*more, *said]
        return [*top, *said, *([""] * (room - len(said))), *bottom]


def _wrapped(sentence: str, columns: int) -> list[str]:
    """Break a sentence into lines that fit, none for an empty one."""
    return textwrap.wrap(sentence, max(columns - 1, 20), initial_indent="  ", subsequent_indent="  ")


def level_bar(rms_db: float, peak_db: float) -> str:
    """Draw a level bar from -60 dB to overload: = for the mean, - up to the peak, | where taps should reach."""

    def place(level_db: float) -> int:
        return round(BAR * min(max(1 - level_db / BAR_FROM_DB, 0.0), 1.0))

    bar = ["="] * place(rms_db) + ["-"] * (place(peak_db) - place(rms_db))
    bar += [" "] * (BAR - len(bar))
    for target_db in (-15.0, -12.0):
        bar[place(target_db)] = "|"
    return f"level [{''.join(bar)}] " + ("OVERLOAD" if peak_db > -0.1 else f"{max(peak_db, -99):3.0f} dB")


def _can_show(letters: str, stream: TextIO) -> bool:
    try:
        letters.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def can_draw(stream: TextIO) -> bool:
    """Say whether a terminal can be drawn on: a real one, and not one that calls itself dumb."""
    return stream.isatty() and os.environ.get("TERM", "" if WINDOWS else "dumb") != "dumb"


class TonesOut:
    """Tones through the loudspeaker, which can be switched off and on. Implements `taptest.capture.session.Tones`."""

    def __init__(self, speaker: Speaker, on: bool = True) -> None:
        self.on = on
        self._speaker = speaker
        self._ready = {name: tone(name, speaker.rate_hz) for name in ("tap", "point", "again", "done")}

    @property
    def trouble(self) -> str:
        """Why no tone can be heard, "" where nothing is known to be wrong."""
        return self._speaker.trouble if self.on else ""

    def play(self, name: Sounding) -> float:
        """Play a tone unless they are off."""
        return self._speaker.play(self._ready[name]) if self.on else 0.0


@contextlib.contextmanager
def keys(pressed: Callable[[str], None], stream: TextIO | None = None) -> Iterator[None]:
    """Call `pressed` from a thread for each key while the block lasts, and leave the terminal as it was.

    Without a terminal, lines are read, an empty one being the big key. Of a terminal nothing is read after the block:
    what is typed then answers a question.
    """
    over = threading.Event()
    with _single_keys(stream or sys.stdin, over) as read_keys:

        def read() -> None:
            with contextlib.suppress(OSError, ValueError):  # the terminal was closed: nobody can press a key any more
                while letters := read_keys():
                    for letter in letters:
                        pressed(letter)

        thread = threading.Thread(target=read, daemon=True, name="reading keys")
        thread.start()
        try:
            yield
        finally:
            over.set()
            if (stream or sys.stdin).isatty():
                thread.join(4 * LOOK_S)


@contextlib.contextmanager
def _single_keys(stream: TextIO, over: threading.Event) -> Iterator[Callable[[], list[str]]]:
    """Yield a function that waits for keys and returns them, none at the end or once it is `over`."""
    if not stream.isatty():
        yield lambda: _of_line(stream.readline())
        return
    if WINDOWS:
        import msvcrt

        def pressed_key() -> list[str]:
            while not over.is_set():
                if msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
                    return windows_key(msvcrt.getwch)  # type: ignore[attr-defined,unused-ignore]
                over.wait(LOOK_S / 4)
            return []

        yield pressed_key
        return
    import select
    import termios
    import tty

    handle = stream.fileno()
    before = termios.tcgetattr(handle)
    tty.setcbreak(handle)
    with contextlib.suppress(OSError, ValueError):  # a system that does not tell how leaves Ctrl+Z as it is
        # A program that was put to sleep by a slip of the finger would hear nothing and say nothing.
        now = termios.tcgetattr(handle)
        now[6][termios.VSUSP] = bytes([os.fpathconf(handle, "PC_VDISABLE") % 256])
        termios.tcsetattr(handle, termios.TCSANOW, now)

    def typed() -> list[str]:
        while not over.is_set():
            if select.select([handle], [], [], LOOK_S)[0]:
                return letters_of(os.read(handle, 64))
        return []

    try:
        yield typed
    finally:
        with contextlib.suppress(termios.error):  # the terminal was closed: there is nothing to leave as it was
            termios.tcsetattr(handle, termios.TCSADRAIN, before)


def letters_of(data: bytes) -> list[str]:
    """Return the keys in what a terminal sent at once: arrows and their like are one unknown key, not their letters.

    Delete or F4 send a row of letters after an escape, and an S in it must not skip a point.
    """
    if data.startswith(b"\x1b"):
        return [UNKNOWN]
    return [letter if letter.isascii() else UNKNOWN for letter in data.decode("utf-8", errors="replace")]


def windows_key(getwch: Callable[[], str]) -> list[str]:
    """Return the next key of a Windows console, where keys without a letter come as two, the second one a letter."""
    letter = getwch()
    if letter in ("\x00", "\xe0"):
        getwch()
        return [UNKNOWN]
    return [letter if letter.isascii() else UNKNOWN]


def _of_line(line: str) -> list[str]:
    """Return the key that a line means: its first letter, the big key for an empty one; none at the end."""
    return [line.strip()[:1] or " "] if line else []


@contextlib.contextmanager
def quiet_libraries() -> Iterator[None]:
    """Keep what the system's sound libraries write to standard error out of the screen while the block lasts."""
    sys.stderr.flush()
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        yield
    finally:
        sys.stderr.flush()
        os.dup2(kept, 2)
        os.close(kept)


@contextlib.contextmanager
def _signals_stop(stop: Callable[[], None]) -> Iterator[None]:
    """Let Ctrl+C, and the closing of the terminal's window, stop the round in order; a second one ends it at once."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers}

    def first(number: int, _frame: object) -> None:
        stop()
        signal.signal(number, before[number])

    for number, handler in before.items():
        if handler is not None and handler != signal.SIG_IGN:
            signal.signal(number, first)
    try:
        yield
    finally:
        for number, handler in before.items():
            if handler is not None:
                signal.signal(number, handler)


def play_round(session: Session, view: View, tones: TonesOut | None, stream: TextIO | None = None) -> None:
    """Run the session to its end: show what happens, hand keys on. Raises what `Session.run` raises."""
    to_say: queue.SimpleQueue[str] = queue.SimpleQueue()
    silent = ""

    def pressed(letter: str) -> None:
        key = letter.lower()
        if key in PRESSED:
            session.press(PRESSED[key])
        elif key == "t" and tones is not None:
            tones.on = not tones.on
            to_say.put(text_of(Told.TONES_ON if tones.on else Told.TONES_OFF, usual_language()))
        else:
            to_say.put(tell(Statement(Told.NO_SUCH_KEY, {"keys": key_help()}), METRIC, usual_language()))

    with keys(pressed, stream), _signals_stop(lambda: session.press("stop")):
        for event in session.run():
            view.show(event)
            while not to_say.empty():
                view.say(to_say.get())
            if tones is not None and tones.trouble not in ("", silent):
                silent = tones.trouble
                view.say(silent)

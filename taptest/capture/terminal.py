"""The round in a terminal: where to tap next in letters to be read from two metres, the level, the taps, one big key.

`Screen` redraws a whole screen; `Lines` writes one plain line for each thing that happens, for terminals that cannot do
more, for files and for readers of the screen aloud. Both turn events into text and touch neither sound nor disk.
"""

import contextlib
import os
import queue
import shutil
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Protocol, TextIO

from taptest.capture.device import Speaker
from taptest.capture.letters import block_letters
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
    TapAccepted,
    TapRefused,
    Warned,
)
from taptest.capture.session import Estimated, Key, Listening, Session, SessionEvent, Sounding, SoundLost, SourceLost
from taptest.capture.tones import tone
from taptest.quantities import Units

KEYS: tuple[tuple[str, str, str], ...] = (
    ("space", " ", "the last point again (or the one under way)"),
    ("s", "s", "skip this point; in practice, take the level as it is"),
    ("t", "t", "tones on or off"),
    ("q", "q", "stop; the same command goes on later"),
)
"""Name, letter and meaning of each key."""
KEY_HELP = "Keys: " + ", ".join(f"{name} = {meaning}" for name, _, meaning in KEYS) + "."
PRESSED: dict[str, Key] = {" ": "redo", "s": "skip", "q": "stop", "\x03": "stop", "\x04": "stop"}

BAR = 40
BAR_FROM_DB = -60.0
STAGE_WORDS = {
    "noise": ("QUIET", "Be quiet for a moment: the noise of the room is measured."),
    "practice": ("TAP", "Practice: tap near the middle of the line as you will tap later, about once a second."),
    "deciding": ("WAIT", "A moment: working out where one more point would tell most."),
    "done": ("DONE", "Done. Nothing more to tap."),
    "stopped": ("STOP", "Stopped. The same command takes the round up again."),
}
WHAT = {
    "reference": "reference mark",
    "recheck": "reference mark again, to see whether anything has moved",
    "point": "next mark",
    "finer": "one more mark between the others",
}


class View(Protocol):
    """Shows what happens."""

    def show(self, event: SessionEvent) -> None:
        """Show an event."""

    def say(self, sentence: str) -> None:
        """Show a sentence."""

    def close(self) -> None:
        """Leave the terminal as it was."""


def sentence_of(event: SessionEvent, units: Units) -> str:  # noqa: PLR0911, PLR0912  one case a kind of event
    """Return an event in plain words, "" for what needs none."""
    match event:
        case StageBegan("tapping" | "waiting"):
            return ""
        case StageBegan(stage):
            return STAGE_WORDS[stage][1]
        case NoiseMeasured(noise_db):
            return f"The noise floor is {noise_db:.0f} dB."
        case PracticeTap(headroom_db, True, sentence):
            return f"Heard, {headroom_db:.0f} dB below overload. {sentence}".rstrip()
        case PracticeTap(_, False, sentence) | Warned(sentence) | SourceLost(sentence) | TapRefused(_, _, sentence, _):
            return sentence
        case LevelSet(_, sentence):
            return f"The level is set. {sentence}".rstrip()
        case Next(stop, number, of):
            return f"{number} of {of}: {WHAT[stop.kind]}, {units.show('length', stop.depth_m)} below the top."
        case TapAccepted(_, count, of):
            return f"Tap {count} of {of} counts."
        case PointDone():
            return "The point is done."
        case PointSkipped():
            return "The point is skipped."
        case PointReopened(result):
            return f"Again: {units.show('length', result.stop.depth_m)}."
        case PointRestarted(_, why):
            return why
        case FinerAdded(depth_m, _):
            return f"One more point at {units.show('length', depth_m)}."
        case Listening(device, rate_hz, _):
            return f"Listening to {device} at {rate_hz:.0f} samples a second."
        case SoundLost(times):
            return f"Sound was lost on the way ({times} times so far): close other programs."
        case Estimated(advice):
            return advice.sentence
        case _:
            return ""


class Lines:
    """One plain line for each thing that happens."""

    def __init__(self, units: Units, stream: TextIO | None = None) -> None:
        self._units = units
        self._stream = stream or sys.stdout
        self._estimate = ""

    def show(self, event: SessionEvent) -> None:
        """Write the line of an event, if it has one; an estimate only where it has changed."""
        if isinstance(event, Estimated):
            if event.advice.sentence == self._estimate:
                return
            self._estimate = event.advice.sentence
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
        if os.name == "nt":
            os.system("")  # an empty command lets older Windows consoles understand what follows
        self._stream.write("\x1b[?1049h\x1b[?25l")

    def show(self, event: SessionEvent) -> None:
        """Take an event and draw."""
        match event:
            case Level(rms_db, peak_db):
                self._level = (rms_db, peak_db)
            case StageBegan(stage) if stage in STAGE_WORDS:
                self._big, self._small = STAGE_WORDS[stage]
                self._number, self._taps = "", (0, 0)
            case Next(stop, number, of):
                self._go_to(stop, f"{number} of {of}")
            case TapAccepted(_, count, of):
                self._taps = (count, of)
            case TapRefused():
                self._refused += 1
            case PointRestarted():
                self._taps = (0, self._taps[1])
            case Estimated(advice):
                self._estimate = advice.sentence
            case Listening(device, rate_hz, _):
                self._device = f"{device}, {rate_hz:.0f} samples a second"
        if not isinstance(event, Estimated | Next | StageBegan):
            self.say(sentence_of(event, self._units), draw=False)
        self._draw()

    def say(self, sentence: str, draw: bool = True) -> None:
        """Show a sentence below the bar; the last three stay."""
        if sentence:
            self._said = [*self._said, sentence][-3:]
        if draw:
            self._draw()

    def close(self) -> None:
        """Leave the terminal as it was."""
        self._stream.write("\x1b[?25h\x1b[?1049l")
        self._stream.flush()

    def _go_to(self, stop: Stop, number: str) -> None:
        shown = self._units.show("length", stop.depth_m)
        self._big = shown.split(" ")[0] if shown.count(" ") == 1 else shown
        self._small = f"{shown} below the top: {WHAT[stop.kind]}"
        self._number, self._taps, self._refused = number, (0, 0), 0

    def _draw(self) -> None:
        columns, lines = self._size()
        text = "\x1b[H" + "".join(f"{line[:columns]}\x1b[K\r\n" for line in self.rows(columns)[: lines - 1]) + "\x1b[J"
        self._stream.write(text)
        self._stream.flush()

    def rows(self, columns: int) -> list[str]:
        """Return the lines of the screen as they stand now."""
        count, of = self._taps
        dot, ring, bad = ("\N{BULLET}", "\N{WHITE BULLET}", "x") if self._blocks else ("*", "o", "x")
        marks = " ".join([dot] * count + [ring] * (of - count)) + (
            "   again: " + bad * self._refused if self._refused else ""
        )
        return [
            "",
            *(f"  {row}" for row in block_letters(self._big, columns - 4, self._blocks)),
            "",
            f"  {self._small}",
            f"  {self._number}   {marks}".rstrip(),
            "",
            f"  {level_bar(*self._level)}",
            "",
            *(f"  {sentence}" for sentence in self._said),
            *([""] * (3 - len(self._said))),
            f"  {self._estimate}",
            "",
            *(f"  {name:6} {meaning}" for name, _, meaning in KEYS),
            f"  {self._device}",
        ]


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
    return stream.isatty() and os.environ.get("TERM", "dumb" if os.name != "nt" else "") != "dumb"


class TonesOut:
    """Tones through the loudspeaker, which can be switched off and on. Implements `taptest.capture.session.Tones`."""

    def __init__(self, speaker: Speaker, on: bool = True) -> None:
        self.on = on
        self._speaker = speaker
        self._ready = {name: tone(name, speaker.rate_hz) for name in ("tap", "point", "again", "done")}

    def play(self, name: Sounding) -> float:
        """Play a tone unless they are off."""
        return self._speaker.play(self._ready[name]) if self.on else 0.0


@contextlib.contextmanager
def keys(pressed: Callable[[str], None], stream: TextIO | None = None) -> Iterator[None]:
    """Call `pressed` from a thread for each key while the block lasts, and leave the terminal as it was.

    Without a terminal, lines are read, an empty one being the big key.
    """
    with _single_keys(stream or sys.stdin) as read_key:

        def read() -> None:
            with contextlib.suppress(OSError, ValueError):  # the terminal was closed: nobody can press a key any more
                while key := read_key():
                    pressed(key)

        threading.Thread(target=read, daemon=True, name="reading keys").start()
        yield


@contextlib.contextmanager
def _single_keys(stream: TextIO) -> Iterator[Callable[[], str]]:
    """Yield a function that waits for a key and returns it, "" at the end."""
    if not stream.isatty():
        yield lambda: _of_line(stream.readline())
        return
    if os.name == "nt":
        import msvcrt

        yield msvcrt.getwch  # type: ignore[attr-defined,unused-ignore]
        return
    import termios
    import tty

    handle = stream.fileno()
    before = termios.tcgetattr(handle)
    tty.setcbreak(handle)
    try:
        yield lambda: os.read(handle, 1).decode("latin-1")
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _of_line(line: str) -> str:
    """Return the key that a line means: its first letter, the big key for an empty one."""
    return line.strip()[:1] or (" " if line else "")


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


def play_round(session: Session, view: View, tones: TonesOut | None, stream: TextIO | None = None) -> None:
    """Run the session to its end: show what happens, hand keys on. Raises what `Session.run` raises."""
    to_say: queue.SimpleQueue[str] = queue.SimpleQueue()

    def pressed(letter: str) -> None:
        key = letter.lower()
        if key in PRESSED:
            session.press(PRESSED[key])
        elif key == "t" and tones is not None:
            tones.on = not tones.on
            to_say.put("Tones are on." if tones.on else "Tones are off.")
        else:
            to_say.put(KEY_HELP)

    with keys(pressed, stream):
        for event in session.run():
            view.show(event)
            while not to_say.empty():
                view.say(to_say.get())

"""Sound that a page sends: the browser's microphone as a second source for the round.

A page asks for the microphone, attaches itself with what the browser granted, and sends what it hears as blocks of raw
samples (32-bit floats, little-endian, mono, -1..1), each with the number of its first sample counted from the moment
it was attached. So a block that is sent again after a lost answer is known, and what is missing is counted. One page
feeds a round at a time; when it goes, another one, or itself after a reload, may attach, and the round goes on as after
a microphone that was unplugged. Rates are hertz, times seconds of a clock that never jumps.

No file and no network is touched here: the pages hand on what came.
"""

import queue
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from taptest.desk.guard import MOST_BLOCK_BYTES
from taptest.errors import DeviceError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from taptest.capture.session import Sounding

BROWSER = ":browser"
"""What a form gives as the microphone where the browser's own is meant; no sound device is called so."""
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 22_050, 192_000
"""Below the first the upper modes of a small tank are lost; the second is the most that sound cards offer."""
SAMPLE_BYTES = 4
PIECE_SAMPLES = 2304
"""What comes at once after a delay reaches the round in pieces that are as short as ever: its marks and waits are
counted in what it has heard."""
BACKLOG_PIECES = 1250
"""A minute of sound at 48 kHz that may wait for the program, as when the disk is slow; more is dropped and counted."""
SILENT_FOR_S = 4.0
"""A page that sends nothing for so long is taken as gone. A browser that is busy may well hold its breath for two."""
OPEN_WAIT_S = 1.5
"""The round waits so long for a page before it says that there is none: a page that was just opened needs a moment."""
LATENCY_S = 0.15
"""From the air to here: the browser's own buffers, a block, and the way."""
TRAVEL_S = 0.25
"""From here until a tone sounds. With Chromium a tone was heard 0.18 to 0.24 s after it was asked for, the way back
(`LATENCY_S`) included; the rest is for loudspeakers that are slower."""
MOST_GAP_S = 600.0
"""A page that reports a longer gap than this is faulty and must connect again."""

NOT_HERE = (
    "The browser's microphone is not here yet. Press “Use this browser's microphone” on the page of the round, "
    "and allow it when the browser asks."
)
HELD = (
    "Another tab or window feeds this round with its microphone, and two at once would mix their sound. "
    "This one shows the round; close the other one to listen from here."
)
LEFT = "The page that was listening was closed or reloaded. The round continues when it listens again."
ROUND_OVER = "The round is over. The microphone is no longer used."
UNPLUGGED = "The browser's microphone has gone: it was unplugged or switched off. Plug it in again."
LEAVING = {"left": LEFT, "unplugged": UNPLUGGED}
"""Why a page says it goes -> the sentence."""


class StreamOverError(DeviceError):
    """A block came for a stream that is over: the page must attach itself anew."""


@dataclass(frozen=True, slots=True)
class Granted:
    """What the browser really granted; None where it does not tell."""

    label: str
    rate_hz: float
    device_rate_hz: float | None = None
    """The microphone's own rate, where it differs the browser converts."""
    channels: int | None = None
    echo_cancellation: bool | None = None
    noise_suppression: bool | None = None
    automatic_gain: bool | None = None

    @property
    def name(self) -> str:
        """The source as the round names it."""
        return f"this browser's microphone, {self.label}" if self.label else "this browser's microphone"

    @property
    def switches(self) -> dict[str, bool | None]:
        """What changes the sound, by name."""
        return {
            "echo cancellation": self.echo_cancellation,
            "noise suppression": self.noise_suppression,
            "automatic gain": self.automatic_gain,
        }

    @property
    def sentence(self) -> str:
        """What was granted, in plain words."""
        words = {True: "on", False: "off", None: "not told"}
        parts = [f"{name} {words[state]}" for name, state in self.switches.items()]
        rate = f"{self.rate_hz:.0f} samples a second"
        if self.device_rate_hz is not None and self.device_rate_hz != self.rate_hz:
            rate += f", converted by the browser from {self.device_rate_hz:.0f}"
        return f"The browser gave {rate}; {', '.join(parts)}."

    @property
    def warning(self) -> str:
        """What is wrong with it, "" for nothing."""
        on = [name for name, state in self.switches.items() if state]
        if not on:
            return ""
        return (
            f"The browser keeps {' and '.join(on)} on although it was asked not to: that changes loudness and ringing, "
            "and so the finding. Take another browser or another microphone."
        )

    def note(self) -> dict[str, Any]:
        """Return it as values of an entry of the round's journal."""
        return asdict(self)


def granted_from(texts: Mapping[str, str]) -> Granted:
    """Read what a page tells of its microphone. Raises `DeviceError` where no round can be recorded with it."""
    rate_hz = _number(texts.get("rate", ""))
    if rate_hz is None or not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        told = "no rate" if rate_hz is None else f"{rate_hz:.0f} samples a second"
        raise DeviceError(
            f"The browser gives {told}; at least {LOWEST_RATE_HZ} and at most {HIGHEST_RATE_HZ} are needed. "
            "A headset in telephone mode does that: choose another microphone in the browser."
        )
    channels = _number(texts.get("channels", ""))
    label = "".join(letter for letter in texts.get("label", "") if letter.isprintable()).strip()
    return Granted(
        label[:80],
        float(round(rate_hz)),
        device_rate_hz=_number(texts.get("device-rate", "")),
        channels=None if channels is None else int(channels),
        echo_cancellation=_switch(texts.get("echo", "")),
        noise_suppression=_switch(texts.get("noise", "")),
        automatic_gain=_switch(texts.get("gain", "")),
    )


def _number(text: str) -> float | None:
    """Read a plain number of at most nine places; anything else counts as not told."""
    whole, _, rest = text.partition(".")
    plain = len(text) <= 12 and text.isascii() and whole.isdigit() and len(whole) <= 9 and (not rest or rest.isdigit())
    return float(text) if plain else None


def _switch(text: str) -> bool | None:
    """Read a switch: browsers tell true or false, newer ones also how it is done, which means on."""
    return None if not text else text != "false"


class BrowserMicrophone:
    """The sound of one page from its attaching to its end. Implements `taptest.capture.device.Source`."""

    def __init__(self, granted: Granted, clock: Callable[[], float]) -> None:
        self.granted = granted
        self.name, self.rate_hz, self.latency_s = granted.name, granted.rate_hz, LATENCY_S
        self.key = secrets.token_hex(8)
        self.lost_samples = 0
        self.over = ""
        """Why there will be no more, "" while there may be."""
        self.opened = False
        self._clock = clock
        self._blocks: queue.Queue[NDArray[np.float64]] = queue.Queue(BACKLOG_PIECES)
        self._lock = threading.Lock()
        self._next = 0
        self._lost = 0
        self._last = clock()

    @property
    def lost(self) -> int:
        """How often sound was lost on the way."""
        return self._lost

    @property
    def silent(self) -> bool:
        """Whether nothing came for so long that the page is taken as gone."""
        return self._clock() - self._last > SILENT_FOR_S

    def put(self, first: int, content: bytes) -> int:
        """Take a block whose first sample has the number `first`; returns the number that is due next.

        Samples that came before are left out, missing ones are counted. Raises `DeviceError` where it is no sound.
        """
        samples = _samples(content)
        with self._lock:
            if not 0 <= first <= self._next + MOST_GAP_S * self.rate_hz:
                raise DeviceError(f"A block from sample {first} does not follow {self._next}. Reload the page.")
            self._last = self._clock()
            fresh = samples[max(self._next - first, 0) :]
            if first > self._next:
                self._miss(first - self._next)
            self._next = max(self._next, first + len(samples))
            for start in range(0, len(fresh), PIECE_SAMPLES):
                piece = fresh[start : start + PIECE_SAMPLES]
                try:
                    self._blocks.put_nowait(piece)
                except queue.Full:
                    self._miss(len(piece))
            return self._next

    def _miss(self, samples: int) -> None:
        self._lost += 1
        self.lost_samples += samples

    def read(self, timeout_s: float) -> "NDArray[np.float64] | None":
        """Return the next block; see `Source.read`."""
        try:
            return self._blocks.get(timeout=timeout_s)
        except queue.Empty:
            if self.silent:
                self.over = self.over or (
                    f"The page that listens has sent nothing for {SILENT_FOR_S:.0f} s: the computer slept, or the "
                    "browser is stuck. What came before is kept; the round goes on when it listens again."
                )
            if self.over:
                raise DeviceError(self.over) from None
            return None

    def close(self) -> None:
        """Take nothing more."""
        self.over = self.over or LEFT


def _samples(content: bytes) -> "NDArray[np.float64]":
    import numpy as np

    if len(content) % SAMPLE_BYTES or len(content) > MOST_BLOCK_BYTES:
        raise DeviceError(
            f"A block of {len(content)} bytes is not what this page sends: whole samples of {SAMPLE_BYTES} bytes, "
            f"{MOST_BLOCK_BYTES} bytes at most. Reload the page."
        )
    samples = np.frombuffer(content, "<f4").astype(np.float64)
    if not np.isfinite(samples).all():
        raise DeviceError("A block of audio contains values that are not numbers. Reload the page.")
    return np.clip(samples, -1.0, 1.0)  # the browser's conversion can overshoot what the microphone gave


class Feed:
    """The way from the pages into one round: at most one page feeds it at a time."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.changed: Callable[[], None] = lambda: None
        """Called, from any thread, whenever what the feed tells has changed."""
        self._clock = clock
        self._lock = threading.Condition()
        self._now: BrowserMicrophone | None = None
        self._lost_before = 0.0
        self._finished = False

    def attach(self, granted: Granted) -> str:
        """Attach a page; returns the key of its stream. Raises `DeviceError` where another one feeds the round."""
        with self._lock:
            now = self._now
            if self._finished:
                raise DeviceError(ROUND_OVER)
            if now is not None and not now.over and not now.silent:
                raise DeviceError(HELD)
            if now is not None:
                self._lost_before += now.lost_samples / now.rate_hz
                now.close()
            self._now = BrowserMicrophone(granted, self._clock)
            key = self._now.key
            self._lock.notify_all()
        self.changed()
        return key

    def put(self, key: str, first: int, content: bytes) -> int | None:
        """Hand a block on; returns the number of the sample that is due next, None where the round is over.

        Raises `StreamOverError` where the stream is over, `DeviceError` where it is no sound.
        """
        if self._finished:
            return None
        now = self._stream(key)
        lost = now.lost
        due = now.put(first, content)
        if now.lost > lost:
            self.changed()
        return due

    def leave(self, key: str, why: str) -> None:
        """Take a page's word that it goes. Raises `StreamOverError` where its stream is over already."""
        self._stream(key).over = LEAVING.get(why, LEFT)
        self.changed()

    def finish(self) -> None:
        """Take no page any more: the round is over."""
        with self._lock:
            self._finished = True
            if self._now is not None:
                self._now.over = ROUND_OVER

    def _stream(self, key: str) -> BrowserMicrophone:
        now = self._now
        if now is None or now.over or not secrets.compare_digest(now.key.encode(), key.encode("utf-8", "replace")):
            raise StreamOverError(now.over if now is not None and now.over else HELD if now is not None else NOT_HERE)
        return now

    def open(self) -> BrowserMicrophone:
        """Return the page's sound from the moment it was attached. Raises `DeviceError` where none comes soon."""
        with self._lock:
            self._lock.wait_for(self._waiting, OPEN_WAIT_S)
            now = self._now
            if now is None or not self._waiting():
                raise DeviceError(NOT_HERE if now is None else now.over or NOT_HERE)
            now.opened = True
            return now

    def _waiting(self) -> bool:
        """Whether a page's sound waits to be opened."""
        return self._now is not None and not self._now.over and not self._now.opened

    @property
    def granted(self) -> Granted | None:
        """What the browser granted to the page that feeds, or fed last."""
        return None if self._now is None else self._now.granted

    def told(self) -> dict[str, Any]:
        """Return what a page needs to know, as plain data."""
        now = self._now
        fed = now is not None and not now.over
        lost_s = self._lost_before + (0.0 if now is None else now.lost_samples / now.rate_hz)
        return {
            "fed": fed,
            "granted": now.granted.sentence if now is not None and fed else "",
            "warning": now.granted.warning if now is not None and fed else "",
            "lost_s": round(lost_s, 3),
        }


class PageTones:
    """Tones that the listening page plays. Implements `taptest.capture.session.Tones`."""

    def __init__(self, feed: Feed, on: bool = True) -> None:
        self.on = on
        self._feed = feed
        self.tell: Callable[[dict[str, Any]], None] = lambda _tone: None
        """Hands a tone on to the pages: its number, and frequency in hertz and seconds of each of its notes."""
        self._number = 0

    def play(self, name: "Sounding") -> float:
        """Have a tone played; returns the seconds until it has died away, 0 where tones are off or no page listens."""
        from taptest.capture.tones import NOTES

        if not self.on or not self._feed.told()["fed"]:
            return 0.0
        self._number += 1
        self.tell({"number": self._number, "notes": NOTES[name]})
        return TRAVEL_S + sum(length_s for _, length_s in NOTES[name])

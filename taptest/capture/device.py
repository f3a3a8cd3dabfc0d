"""The sound card at the edge: list the inputs, open one, and notice when it vanishes, freezes or changes its rate.

Conventions: a block is a mono array (N,) of float64 in -1..1, in order of time; rates are hertz, times seconds of a
clock that never jumps. This is the only module that touches `sounddevice`, and it imports it when a device is first
asked for, so that judging and reporting work on machines without PortAudio. The callback of the sound card only copies.
Everything that can hang in the sound system (stopping a stream whose server is frozen never returns) runs in threads
that nobody waits for. The clock runs on while the computer sleeps, so that a lid that was closed shows as a gap.
"""

import atexit
import contextlib
import importlib
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn, Protocol

import numpy as np
from numpy.typing import NDArray

from taptest.errors import DeviceError

FloatArray = NDArray[np.float64]

MACOS = sys.platform == "darwin"
RATES_HZ = (48000, 44100, 96000, 88200, 32000)
"""Sample rates asked for, best first; the device's own default comes after the first two."""
LOWEST_RATE_HZ = 22050
"""Below this the upper modes of a small tank are lost."""
BLOCK_FRAMES = 1024
LATENCY_S = 0.1
SILENT_FOR_S = 2.0
"""A device that delivers nothing for this long is taken as frozen: a frozen sound server gives no other sign."""
SLEPT_FOR_S = 30.0
"""Nothing for this long, noticed only afterwards, means that the computer slept: a device is missed after 2 s."""
GAP_S = 0.5
"""A pause between two blocks that counts as lost sound."""
RATE_WINDOW_S = 10.0
RATE_TOLERANCE = 0.03
"""Share by which delivered samples may differ from the clock over a window; jitter of 0.2 s stays below it."""
BACKLOG_S = 60.0
"""Sound that may wait for the program, as when the disk is slow; more is dropped and counted."""

PLAIN_NAMES = dict.fromkeys(("default", "pulse", "sysdefault"), "the microphone chosen in the sound settings")
"""Names that say nothing to people: on Linux they stand for whatever the sound settings say."""

_API_ORDER = ("Windows WASAPI", "Core Audio", "ALSA", "JACK Audio Connection Kit", "Windows DirectSound", "MME")


def sleepless_clock() -> float:
    """Return the seconds of a clock that never jumps and, where the system has one, runs on while it sleeps.

    Python's own `time.monotonic` stands still in sleep on Linux and macOS; on Windows it does not.
    """
    number = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None) if MACOS else None)
    return time.monotonic() if number is None else time.clock_gettime(number)


def plain_name(name: str) -> str:
    """Return an input's name in plain words."""
    return PLAIN_NAMES.get(name, name)


class Source(Protocol):
    """Where blocks come from: a microphone, or in tests an array or a file."""

    name: str
    rate_hz: float
    latency_s: float
    """How long ago the newest sample of a block was in the air."""

    def read(self, timeout_s: float) -> FloatArray | None:
        """Return the next block, or None where none came in time. Raises `DeviceError` when there will be no more."""

    def close(self) -> None:
        """Let go of the source; returns soon, whatever the sound system does."""

    @property
    def lost(self) -> int:
        """How often sound was lost so far: overflows and gaps."""


@dataclass(frozen=True, slots=True)
class Input:
    """One sound input."""

    index: int
    name: str
    api: str
    channels: int
    rate_hz: float
    default: bool

    @property
    def sentence(self) -> str:
        """The input in plain words."""
        channels = "one channel" if self.channels == 1 else f"{self.channels} channels, the first is used"
        return f"{plain_name(self.name)} ({self.api}; {channels})" + (
            " - the system's own choice" if self.default else ""
        )


def _backend() -> Any:
    try:
        return importlib.import_module("sounddevice")
    except ImportError as error:
        raise DeviceError(
            "The Python package sounddevice is missing, so nothing can be recorded. "
            "Install it with: pip install sounddevice."
        ) from error
    except OSError as error:
        raise DeviceError(
            f"The sound library PortAudio is missing or broken ({error}), so nothing can be recorded. "
            "On Debian and Ubuntu: apt install libportaudio2. On Windows and macOS: reinstall sounddevice."
        ) from error


def end_now(code: int) -> NoReturn:
    """End the process at once with an exit code, where a stream hangs; everything must be on the disk by then.

    Python's own end would tear the library down under the hanging thread, and the program would seem to crash.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


class SoundSystem:
    """All inputs and the output of this computer.

    `backend` is `sounddevice`, or in tests a stand-in with the same few names.
    """

    def __init__(self, backend: Any = None) -> None:
        self._sd: Any = _backend() if backend is None else backend
        self._busy: list[threading.Thread] = []
        self._speakers: list[Speaker] = []

    @contextlib.contextmanager
    def _errors(self, action: str, cure: str) -> Iterator[None]:
        """Turn every error of the sound library into a `DeviceError`: the one funnel."""
        try:
            yield
        except (self._sd.PortAudioError, ValueError, OSError) as error:
            reason = str(error).strip().rstrip(".")
            raise DeviceError(f"Could not {action}: {reason}. {cure}") from error

    def inputs(self) -> tuple[Input, ...]:
        """Return the inputs worth offering: each only under the best of the system's interfaces that shows it."""
        with self._errors("list the sound inputs", "Check that the sound service of this computer runs."):
            devices, apis = self._sd.query_devices(), self._sd.query_hostapis()
        # On Windows the oldest interface comes first and offers a nameless "mapper" as its default.
        ranked = sorted(apis, key=lambda api: _rank(str(api["name"])))
        usual = (int(api["default_input_device"]) for api in ranked)
        default = next((number for number in usual if number >= 0), -1)
        found = [
            Input(
                index=number,
                name=str(device["name"]).strip(),
                api=str(apis[int(device["hostapi"])]["name"]),
                channels=int(device["max_input_channels"]),
                rate_hz=float(device["default_samplerate"]),
                default=number == default,
            )
            for number, device in enumerate(devices)
            if int(device["max_input_channels"]) > 0
        ]
        best = min((_rank(entry.api) for entry in found), default=0)
        return tuple(entry for entry in found if _rank(entry.api) == best or entry.default)

    def negotiate(self, entry: Input) -> tuple[int, int]:
        """Return the best rate in hertz and number of channels that the input accepts. Raises `DeviceError`."""
        refusal = ""
        for rate in dict.fromkeys((*RATES_HZ[:2], round(entry.rate_hz), *RATES_HZ[2:])):
            if rate < LOWEST_RATE_HZ:
                continue
            for channels in dict.fromkeys((1, min(2, entry.channels))):
                try:
                    self._sd.check_input_settings(
                        device=entry.index, channels=channels, dtype="float32", samplerate=rate
                    )
                except (self._sd.PortAudioError, ValueError) as error:
                    refusal = refusal or str(error)
                else:
                    return rate, channels
        raise DeviceError(
            f"The input {entry.name} takes none of the sample rates from {LOWEST_RATE_HZ} Hz up ({refusal}). "
            "Another program may hold it, or it may be a headset in telephone mode: "
            "close other programs that record, or choose another input."
        )

    def open(self, entry: Input, clock: Callable[[], float] = sleepless_clock) -> "Microphone":
        """Open the input and start listening. Raises `DeviceError`."""
        rate, channels = self.negotiate(entry)
        return Microphone(self, entry, rate, channels, clock)

    def refresh(self) -> None:
        """Look for devices again, after one came or went. Raises `DeviceError` where the sound system hangs."""
        for speaker in self._speakers:
            speaker.close()
        if self.hangs:
            raise DeviceError(
                "The sound system of this computer hangs and can't be restarted from here. "
                "Nothing is lost: end this program, start it again with the same visit, and the round goes on."
            )
        with self._errors("restart the sound system", "Check that the sound service of this computer runs."):
            self._sd._terminate()  # streams that are still open would be left with memory that is freed here
            self._sd._initialize()
        for speaker in self._speakers:
            speaker.open()

    def input_stream(self, **settings: Any) -> Any:
        """Make a stream of the library, not yet started. Raises `DeviceError`."""
        cure = "Another program may hold the microphone: close programs that record or call, or choose another input."
        with self._errors("open the microphone", cure):
            return self._sd.InputStream(**settings)

    def start(self, stream: Any) -> None:
        """Start a stream. Raises `DeviceError`."""
        with self._errors(
            "start the microphone", "Unplug it, plug it in again, and check that this program may use it."
        ):
            stream.start()

    def output_stream(self, **settings: Any) -> Any:
        """Make an output stream of the library and start it. Raises `DeviceError`."""
        with self._errors("open the loudspeaker", "The round goes on without tones."):
            stream = self._sd.OutputStream(**settings)
            stream.start()
            return stream

    @property
    def hangs(self) -> bool:
        """Whether the opening or the closing of a stream has not come back."""
        self._busy = [thread for thread in self._busy if thread.is_alive()]
        return bool(self._busy)

    def own(self, speaker: "Speaker") -> None:
        """Remember a loudspeaker, which must be closed while the sound system restarts."""
        self._speakers.append(speaker)

    def in_thread(self, work: Callable[[], None], wait_s: float = 0.0) -> bool:
        """Do what may hang in a thread of its own; returns whether it was finished within `wait_s`."""
        thread = threading.Thread(target=work, daemon=True, name="opening or closing a stream")
        self._busy.append(thread)
        thread.start()
        thread.join(wait_s)
        return not thread.is_alive()

    def let_go(self, stream: Any, wait_s: float = 1.0) -> None:
        """Stop and close a stream in a thread of its own: with a frozen sound server both never return."""

        def stop() -> None:
            with contextlib.suppress(self._sd.PortAudioError):
                stream.stop()
                stream.close()

        handler = getattr(self._sd, "_exit_handler", None)
        if not self.in_thread(stop, wait_s) and handler is not None:
            atexit.unregister(handler)  # it would wait for the same frozen server, and the program could never end


class Microphone:
    """One open input that is listening. Implements `Source`."""

    def __init__(
        self,
        system: SoundSystem,
        entry: Input,
        rate_hz: int,
        channels: int,
        clock: Callable[[], float] = sleepless_clock,
    ) -> None:
        self.name = entry.name
        self.rate_hz = float(rate_hz)
        self._system = system
        self._clock = clock
        self._blocks: queue.Queue[tuple[float, NDArray[np.float32]]] = queue.Queue(
            int(BACKLOG_S * rate_hz / BLOCK_FRAMES)
        )
        self._finished = threading.Event()
        self._closed = False
        self._lost = 0
        self._last = clock()
        self._window_start: float | None = None
        self._window_frames = 0
        self._stream = system.input_stream(
            device=entry.index,
            channels=channels,
            samplerate=rate_hz,
            blocksize=BLOCK_FRAMES,
            latency=LATENCY_S,
            dtype="float32",
            callback=self._copy,
            finished_callback=self._finished.set,
        )
        try:
            system.start(self._stream)
        except DeviceError:
            system.let_go(self._stream)
            raise
        self.latency_s = float(getattr(self._stream, "latency", LATENCY_S))

    def _copy(self, data: NDArray[np.float32], _frames: int, _when: object, status: Any) -> None:
        """Copy, count, return: the callback of the sound card."""
        if status and status.input_overflow:
            self._lost += 1
        try:
            self._blocks.put_nowait((self._clock(), data[:, 0].copy()))
        except queue.Full:
            self._lost += 1

    @property
    def closed(self) -> bool:
        """Whether it was let go of."""
        return self._closed

    @property
    def lost(self) -> int:
        """How often sound was lost: overflows of the sound card, of the backlog, and gaps."""
        return self._lost

    def read(self, timeout_s: float) -> FloatArray | None:
        """Return the next block; see `Source.read`."""
        try:
            arrived, block = self._blocks.get(timeout=timeout_s)
        except queue.Empty:
            self._watch()
            return None
        self._check_rate(arrived, len(block))
        return block.astype(np.float64)

    def _watch(self) -> None:
        if self._finished.is_set():
            raise DeviceError(
                f"{subject(self.name)} has gone: it was unplugged, or the sound service ended. "
                "Plug it in again; the round goes on by itself."
            )
        self._refuse_pause(self._clock() - self._last)

    def _refuse_pause(self, silent: float) -> None:
        """Raise where sound paused for long: what was there before may have changed meanwhile."""
        if silent > SLEPT_FOR_S:
            raise DeviceError(
                f"No sound came for {_time(silent)}: the computer slept. What came before is kept, and the round goes "
                "on. If pressure or temperature of the tank have changed meanwhile, begin a new visit instead."
            )
        if silent > SILENT_FOR_S:
            raise DeviceError(
                f"{subject(self.name)} has delivered nothing for {silent:.0f} s: the computer slept, "
                "or its sound service is stuck. What came before is kept, and the round goes on when it is back. "
                "If it does not come back, unplug it and plug it in again."
            )

    def _check_rate(self, arrived: float, frames: int) -> None:
        """Count delivered samples against the clock: a device whose rate is changed under us says nothing of it."""
        gap, self._last = arrived - self._last, arrived
        self._refuse_pause(gap)
        if self._window_start is None or gap > GAP_S:
            if self._window_start is not None:
                self._lost += 1
            self._window_start, self._window_frames = arrived, 0
            return
        self._window_frames += frames
        elapsed = arrived - self._window_start
        if elapsed < RATE_WINDOW_S:
            return
        real_hz = self._window_frames / elapsed
        self._window_start, self._window_frames = arrived, 0
        if abs(real_hz / self.rate_hz - 1) > RATE_TOLERANCE:
            raise DeviceError(
                f"{subject(self.name)} now delivers {real_hz:.0f} samples a second "
                f"and not {self.rate_hz:.0f}: another program has changed its settings. "
                "It will be opened again. Close the other program if this comes back."
            )

    def close(self) -> None:
        """Let go of the device; returns within about a second."""
        if not self._closed:
            self._closed = True
            self._system.let_go(self._stream)


def choose(inputs: Sequence[Input], wanted: str | None = None, remembered: str | None = None) -> Input:
    """Return the input asked for, else the remembered one, else the system's own.

    `wanted` is a number in the list, counted from 1, or a part of the name. Raises `DeviceError`.
    """
    if not inputs:
        raise DeviceError(
            "This computer shows no microphone. "
            "Plug one in, and allow this program to use it in the system's privacy settings."
        )
    if wanted is not None:
        return _asked_for(inputs, wanted)
    for entry in inputs:
        if entry.name == remembered:
            return entry
    return next((entry for entry in inputs if entry.default), inputs[0])


def _asked_for(inputs: Sequence[Input], wanted: str) -> Input:
    if wanted.isdecimal() and 1 <= int(wanted) <= len(inputs):
        return inputs[int(wanted) - 1]
    exact = [entry for entry in inputs if entry.name.casefold() == wanted.casefold()]
    found = exact or [entry for entry in inputs if wanted.casefold() in entry.name.casefold()]
    if len(found) == 1:
        return found[0]
    names = "; ".join(f"{number}: {entry.name}" for number, entry in enumerate(inputs, 1))
    trouble = "No microphone is called" if not found else "More than one microphone fits"
    raise DeviceError(f'{trouble} "{wanted}". Name one of these, or give its number: {names}.')


def subject(name: str) -> str:
    """Return an input as the subject of a sentence."""
    plain = PLAIN_NAMES.get(name)
    return f"The microphone {name}" if plain is None else plain[:1].upper() + plain[1:]


def _time(seconds: float) -> str:
    """Write a long time in the unit that serves."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} minutes"
    return f"{seconds / 3600:.0f} hours"


def _rank(api: str) -> int:
    return _API_ORDER.index(api) if api in _API_ORDER else len(_API_ORDER)


class Speaker:
    """Plays short tones without ever making the round wait; where there is no loudspeaker it stays silent."""

    def __init__(self, system: SoundSystem, rate_hz: int = 48000) -> None:
        self.rate_hz = rate_hz
        self.trouble = ""
        self._system = system
        self._wanted: queue.Queue[FloatArray] = queue.Queue(4)
        self._rest: NDArray[np.float32] = np.zeros(0, np.float32)
        self._stream: Any = None
        self.latency_s = LATENCY_S
        system.own(self)
        self.open()

    def open(self) -> None:
        """Open the loudspeaker soon: also opening can hang, so nobody waits for it."""
        self._system.in_thread(self._open)

    def _open(self) -> None:
        try:
            stream = self._system.output_stream(
                channels=1, samplerate=self.rate_hz, dtype="float32", latency=LATENCY_S, callback=self._fill
            )
        except DeviceError as error:
            self.trouble = str(error)
            return
        self.latency_s = float(getattr(stream, "latency", LATENCY_S))
        self._stream = stream

    def _fill(self, out: NDArray[np.float32], frames: int, _when: object, _status: object) -> None:
        out[:] = 0
        if not len(self._rest):
            with contextlib.suppress(queue.Empty):
                self._rest = self._wanted.get_nowait().astype(np.float32)
        now, self._rest = self._rest[:frames], self._rest[frames:]
        out[: len(now), 0] = now

    def play(self, tone: FloatArray) -> float:
        """Play a tone (N,) soon; returns the seconds until it has died away, 0 where nothing sounds."""
        if self._stream is None:
            return 0.0
        try:
            self._wanted.put_nowait(tone)
        except queue.Full:
            return 0.0
        return self.latency_s + len(tone) / self.rate_hz

    def close(self) -> None:
        """Let go of the loudspeaker."""
        stream, self._stream = self._stream, None
        if stream is not None:
            self._system.let_go(stream)

"""The sound card at the edge, with a stand-in for the sound library: what a real one does rarely, it does on demand."""

import importlib
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.capture import device
from taptest.capture.device import Input, Microphone, SoundSystem, Speaker, choose
from taptest.desk.live import Devices
from taptest.errors import DeviceError


class PortAudioError(Exception):
    """As in sounddevice."""


class Stream:
    """A stream that the test drives."""

    latency = 0.1

    def __init__(self, callback: Any = None, finished_callback: Any = None, **settings: Any) -> None:
        self.settings, self.callback, self.finished = settings, callback, finished_callback
        self.stopped = self.closed = False
        self.hang = False
        self.refuse = ""

    def start(self) -> None:
        if self.refuse:
            raise PortAudioError(self.refuse)

    def stop(self) -> None:
        if self.hang:
            threading.Event().wait()
        self.stopped = True

    def close(self) -> None:
        self.closed = True

    def deliver(self, block: np.ndarray[Any, Any], overflow: bool = False) -> None:
        status = SimpleNamespace(input_overflow=overflow) if overflow else None
        self.callback(block.astype(np.float32).reshape(-1, 1), len(block), None, status)


class Library:
    """The few names of sounddevice that are used."""

    PortAudioError = PortAudioError

    def __init__(self, devices: list[dict[str, Any]], apis: list[dict[str, Any]], rates: set[int]) -> None:
        self.devices, self.apis, self.rates = devices, apis, rates
        self.streams: list[Stream] = []
        self.open_error = ""
        self.starts = 0

    def query_devices(self) -> list[dict[str, Any]]:
        return self.devices

    def query_hostapis(self) -> list[dict[str, Any]]:
        return self.apis

    def check_input_settings(self, device: int, channels: int, dtype: str, samplerate: int) -> None:
        if samplerate not in self.rates:
            raise PortAudioError("Invalid sample rate")

    def InputStream(self, **settings: Any) -> Stream:  # noqa: N802  its name in sounddevice
        if self.open_error:
            raise PortAudioError(self.open_error)
        self.streams.append(Stream(**settings))
        return self.streams[-1]

    OutputStream = InputStream

    def _terminate(self) -> None:
        self.starts -= 1

    def _initialize(self) -> None:
        self.starts += 1


def an_input(name: str, api: int = 0, channels: int = 1) -> dict[str, Any]:
    return {"name": name, "hostapi": api, "max_input_channels": channels, "default_samplerate": 44100.0}


def library(rates: set[int] | None = None) -> Library:
    devices = [an_input("Built-in microphone"), an_input("USB microphone", channels=2), an_input("Loudspeaker", 0, 0)]
    return Library(devices, [{"name": "Core Audio", "default_input_device": 0}], rates or {44100, 48000})


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def opened(clock: Callable[[], float] = time.monotonic) -> tuple[Microphone, Stream, SoundSystem]:
    lib = library()
    system = SoundSystem(lib)
    microphone = system.open(system.inputs()[0], clock)
    return microphone, lib.streams[-1], system


def test_inputs_are_listed_in_plain_words() -> None:
    inputs = SoundSystem(library()).inputs()
    assert [entry.sentence for entry in inputs] == [
        "Built-in microphone (Core Audio; one channel) - the system's own choice",
        "USB microphone (Core Audio; 2 channels, the first is used)",
    ]


def test_a_device_shown_by_several_interfaces_is_listed_once() -> None:
    devices = [
        an_input("Microphone (USB", 0),
        an_input("Microphone (USB Audio)", 1),
        an_input("Microphone (USB Audio)", 2),
    ]
    apis = [
        {"name": "MME", "default_input_device": -1},
        {"name": "Windows WASAPI", "default_input_device": 1},
        {"name": "Windows WDM-KS", "default_input_device": -1},
    ]
    [entry] = SoundSystem(Library(devices, apis, {48000})).inputs()
    assert (entry.name, entry.api, entry.default) == ("Microphone (USB Audio)", "Windows WASAPI", True)


def test_the_usual_input_is_that_of_the_best_interface() -> None:
    """On Windows the oldest interface is listed first, and its default is a mapper without a name of its own."""
    devices = [an_input("Sound Mapper - Input", 0), an_input("Microphone (USB Audio)", 1)]
    apis = [{"name": "MME", "default_input_device": 0}, {"name": "Windows WASAPI", "default_input_device": 1}]
    [entry] = SoundSystem(Library(devices, apis, {48000})).inputs()
    assert (entry.name, entry.default) == ("Microphone (USB Audio)", True)


def test_a_nameless_input_is_told_in_plain_words() -> None:
    [entry] = SoundSystem(Library([an_input("default")], [{"name": "ALSA", "default_input_device": 0}], set())).inputs()
    assert entry.sentence.startswith("the microphone chosen in the sound settings (ALSA; one channel)")


@pytest.mark.parametrize(
    ("rates", "expected"), [({44100, 48000}, 48000), ({44100}, 44100), ({96000, 16000}, 96000), ({32000}, 32000)]
)
def test_the_best_rate_is_found(rates: set[int], expected: int) -> None:
    system = SoundSystem(library(rates))
    assert system.negotiate(system.inputs()[0]) == (expected, 1)


def test_a_telephone_rate_is_refused_with_a_cure() -> None:
    system = SoundSystem(library({8000, 16000}))
    with pytest.raises(DeviceError, match="telephone mode"):
        system.open(system.inputs()[0])


INPUTS = (
    Input(0, "Array", "A", 1, 48000, True),
    Input(3, "USB one", "A", 1, 48000, False),
    Input(4, "USB two", "A", 1, 48000, False),
)


@pytest.mark.parametrize(
    ("wanted", "remembered", "expected"),
    [
        (None, None, "Array"),
        (None, "USB two", "USB two"),
        (None, "gone", "Array"),
        ("2", "USB two", "USB one"),
        ("one", None, "USB one"),
        ("array", "USB two", "Array"),
    ],
)
def test_the_input_is_chosen(wanted: str | None, remembered: str | None, expected: str) -> None:
    assert choose(INPUTS, wanted, remembered).name == expected


@pytest.mark.parametrize(
    ("wanted", "word"), [("usb", "More than one"), ("radio", "No microphone"), ("9", "No microphone")]
)
def test_an_unclear_choice_names_what_there_is(wanted: str, word: str) -> None:
    with pytest.raises(DeviceError, match=f"{word}.*1: Array; 2: USB one; 3: USB two"):
        choose(INPUTS, wanted)


def test_a_computer_without_a_microphone_is_told_so() -> None:
    with pytest.raises(DeviceError, match="shows no microphone"):
        choose(())


def test_blocks_come_through_unchanged_and_in_order() -> None:
    microphone, stream, _ = opened()
    sound = np.random.default_rng(1).uniform(-1, 1, 3000).astype(np.float32)
    for start in range(0, 3000, 1000):
        stream.deliver(sound[start : start + 1000])
    blocks = [microphone.read(0.1) for _ in range(3)]
    assert np.array_equal(np.concatenate([block for block in blocks if block is not None]), sound.astype(np.float64))
    assert microphone.read(0.0) is None


def test_the_callback_copies() -> None:
    microphone, stream, _ = opened()
    block = np.ones((10, 1), np.float32)
    stream.callback(block, 10, None, None)
    block[:] = 0  # the sound library uses its buffer again
    read = microphone.read(0.1)
    assert read is not None
    assert read.tolist() == [1.0] * 10


def test_an_overflow_is_counted() -> None:
    microphone, stream, _ = opened()
    stream.deliver(np.zeros(10))
    stream.deliver(np.zeros(10), overflow=True)
    assert microphone.lost == 1


def test_a_backlog_is_bounded_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(device, "BACKLOG_S", 0.1)
    microphone, stream, _ = opened()
    for _ in range(10):
        stream.deliver(np.zeros(1024))
    assert microphone.lost == 6


def test_a_device_that_vanishes_is_a_failure_after_its_last_block() -> None:
    microphone, stream, _ = opened()
    stream.deliver(np.zeros(10))
    stream.finished()
    assert microphone.read(0.1) is not None
    with pytest.raises(DeviceError, match="Built-in microphone has gone"):
        microphone.read(0.01)


def test_a_frozen_device_is_noticed() -> None:
    clock = Clock()
    microphone, stream, _ = opened(clock)
    stream.deliver(np.zeros(10))
    microphone.read(0.1)
    clock.now = 1.9
    assert microphone.read(0.01) is None
    clock.now = 2.5
    with pytest.raises(DeviceError, match="delivered nothing for 2 s"):
        microphone.read(0.01)


def test_a_changed_rate_is_noticed() -> None:
    clock = Clock()
    microphone, stream, _ = opened(clock)

    def ten_seconds() -> None:
        for _ in range(600):
            clock.now += 1024 / 44100
            stream.deliver(np.zeros(1024))
            microphone.read(0.1)

    with pytest.raises(DeviceError, match=r"now delivers 441\d\d samples a second and not 48000"):
        ten_seconds()


def test_a_lid_that_was_closed_is_told_and_the_round_begins_anew() -> None:
    """The computer sleeps: no callback comes, and the clock that runs on shows it, whichever is noticed first."""
    for block_first in (True, False):
        clock = Clock()
        microphone, stream, _ = opened(clock)
        stream.deliver(np.zeros(10))
        microphone.read(0.1)
        clock.now = 1500.0
        if block_first:
            stream.deliver(np.zeros(10))
        with pytest.raises(DeviceError, match="No sound came for 25 minutes: the computer slept"):
            microphone.read(0.01)


def test_the_clock_runs_on_in_sleep_where_the_system_has_such_a_one(monkeypatch: pytest.MonkeyPatch) -> None:
    # Which clock counts sleep: clock_gettime(2) of Linux and of macOS; values from memory.
    asked: list[int] = []

    def told(number: int) -> float:
        asked.append(number)
        return 5.0

    monkeypatch.setattr(time, "clock_gettime", told, raising=False)
    monkeypatch.setattr(time, "CLOCK_BOOTTIME", 7, raising=False)
    assert device.sleepless_clock() == 5.0
    monkeypatch.delattr(time, "CLOCK_BOOTTIME")
    monkeypatch.setattr(device, "MACOS", True)
    monkeypatch.setattr(time, "CLOCK_MONOTONIC", 6, raising=False)
    device.sleepless_clock()
    assert asked == [7, 6]
    monkeypatch.setattr(device, "MACOS", False)
    assert device.sleepless_clock() == pytest.approx(time.monotonic(), abs=1.0)


def test_jitter_and_gaps_do_not_pass_for_a_changed_rate() -> None:
    clock = Clock()
    microphone, stream, _ = opened(clock)
    rng = np.random.default_rng(1)
    start = 0.0
    for block in range(3000):
        if block == 1500:
            start += 1.5  # the server was held up
        clock.now = max(clock.now, start + block * 1024 / 48000 + rng.uniform(0, 0.2))
        stream.deliver(np.zeros(1024))
        microphone.read(0.1)
    assert microphone.lost == 1


def test_closing_never_hangs_even_where_the_sound_system_does() -> None:
    microphone, stream, system = opened()
    stream.hang = True
    began = time.monotonic()
    microphone.close()
    assert time.monotonic() - began < 3
    with pytest.raises(DeviceError, match="start it again with the same visit"):
        system.refresh()


def test_closing_closes_and_devices_can_be_looked_for_anew() -> None:
    microphone, stream, system = opened()
    microphone.close()
    microphone.close()
    assert stream.closed
    system.refresh()


def test_a_device_held_by_another_program_is_told_with_a_cure() -> None:
    lib = library()
    lib.open_error = "Device unavailable [PaErrorCode -9985]"
    system = SoundSystem(lib)
    with pytest.raises(DeviceError, match=r"Device unavailable.*Another program may hold the microphone"):
        system.open(system.inputs()[0])


def test_without_the_library_the_cure_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(DeviceError, match="pip install sounddevice"):
        SoundSystem()

    def no_library(name: str) -> None:
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(importlib, "import_module", no_library)
    with pytest.raises(DeviceError, match="libportaudio2"):
        SoundSystem()


def wait_until_it_plays(speaker: Speaker, tone: NDArray[np.float64] | None = None) -> None:
    """Wait until the loudspeaker is open and took a tone."""
    for _ in range(500):
        if speaker.play(np.zeros(10) if tone is None else tone):
            return
        time.sleep(0.01)
    raise AssertionError("the loudspeaker did not open")


def test_tones_are_played_whole_and_never_wait() -> None:
    lib = library()
    speaker = Speaker(SoundSystem(lib))
    wait_until_it_plays(speaker, np.full(100, 0.5))
    out = np.ones((64, 1), np.float32)
    heard = []
    for _ in range(4):
        lib.streams[0].callback(out, 64, None, None)
        heard.append(out.copy())
    assert float(np.concatenate(heard).sum()) == 50.0
    assert speaker.play(np.zeros(4800)) == pytest.approx(0.1 + 0.1)
    speaker.close()
    assert speaker.play(np.zeros(10)) == 0.0


def test_the_loudspeaker_is_closed_while_the_sound_system_starts_anew() -> None:
    lib = library()
    system = SoundSystem(lib)
    speaker = Speaker(system)
    wait_until_it_plays(speaker)
    states: list[bool] = []
    lib._terminate = lambda: states.append(lib.streams[0].closed)  # type: ignore[method-assign]
    system.refresh()
    assert states == [True]
    wait_until_it_plays(speaker)
    assert len(lib.streams) == 2


def test_a_loudspeaker_that_hangs_holds_up_no_end_and_no_round() -> None:
    lib = library()
    system = SoundSystem(lib)
    speaker = Speaker(system)
    wait_until_it_plays(speaker)
    lib.streams[0].hang = True
    with pytest.raises(DeviceError, match="hangs"):
        system.refresh()
    assert speaker.play(np.zeros(10)) == 0.0


def test_the_desk_has_one_sound_system_and_sees_what_was_plugged_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path))
    lib, made = library(), []

    def make() -> SoundSystem:
        made.append(SoundSystem(lib))
        return made[-1]

    desk = Devices(make)
    assert desk.inputs() == ["Built-in microphone", "USB microphone"]
    assert desk.tones(on=True) is not desk.tones(on=True)
    restarts: list[int] = []
    monkeypatch.setattr(lib, "_initialize", lambda: restarts.append(1))
    microphone = desk.opener("")()
    lib.devices = [*lib.devices, an_input("New one")]
    desk.inputs()
    assert restarts == []  # never while it listens
    microphone.close()
    assert "New one" in desk.inputs()
    assert (len(restarts), len(made)) == (1, 1)


def test_without_a_loudspeaker_the_round_is_silent_and_says_why() -> None:
    lib = library()
    lib.open_error = "Invalid device"
    speaker = Speaker(SoundSystem(lib))
    for _ in range(100):
        if speaker.trouble:
            break
        time.sleep(0.01)
    assert "The round goes on without tones" in speaker.trouble
    assert speaker.play(np.zeros(10)) == 0.0

"""What other programs and the sound system do to the input while `taptest record` listens, on a real sound path.

Each must end in a clear sentence, lose nothing but the last second, and let the round go on at the right mark.
"""

import signal
import subprocess
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.capture.journal import open_journal, read_log
from taptest.capture.notes import results_from
from taptest.sound.taps import RING_S
from tests.live_round import PATIENCE_S, LiveRound, plain_taps
from tests.live_site import Site, site_with_two_marks_tapped, sound_seconds
from tests.tapping import Hand, ring
from tests.virtual_microphone import RATE_HZ

FloatArray = NDArray[np.float64]

pytestmark = pytest.mark.slow


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with site_with_two_marks_tapped(tmp_path) as made:
        yield made


def test_the_input_is_muted(site: Site) -> None:
    assert site.server.control("set-source-mute", "tank.monitor", "1") == 0
    assert site.told("warning", "pure silence"), site.live.output.read_text()
    points = len(site.live.entries("point"))
    site.player.play(plain_taps(180))
    time.sleep(3)
    assert len(site.live.entries("point")) == points
    assert site.server.control("set-source-mute", "tank.monitor", "0") == 0
    assert site.told("warning", "heard again"), site.live.output.read_text()
    site.finish()


def test_the_input_is_at_full_clipping(site: Site) -> None:
    """Everything is played far above full scale, which the server cuts off, as a converter would."""
    site.player.play(2000 * Hand().quiet(3.0).sound())
    assert site.told("warning", "overloaded all the time"), site.live.output.read_text()
    assert not site.live.has_more("point", 2)
    time.sleep(3)
    hot = Hand(seed=5).quiet(0.5).taps(3, peak=6.0, then_s=0.8).sound()
    site.player.play(hot)
    assert site.told("tap", "the microphone was overloaded"), site.live.output.read_text()
    assert not site.live.has_more("point", 2)
    site.finish()


def test_the_sink_is_suspended(site: Site) -> None:
    """No sign of it comes from the sound system: no callback, no error, and closing the stream hangs."""
    before = sound_seconds(site.folder / "visit")
    assert site.server.control("suspend-sink", "tank", "1") == 0
    assert site.told("lost", "delivered nothing"), site.live.output.read_text()
    assert sound_seconds(site.folder / "visit") >= before
    assert site.server.control("suspend-sink", "tank", "0") == 0
    assert site.goes_on(), site.live.output.read_text()
    site.finish()


def strongest_hz(sound: FloatArray, rate_hz: float) -> float:
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 8 * len(sound)))
    return float(np.fft.rfftfreq(8 * len(sound), 1 / rate_hz)[spectrum.argmax()])


def test_the_device_comes_back_with_another_rate(site: Site) -> None:
    """A tap must have the same pitch before and after, or times and frequencies would be wrong by 9 per cent."""
    assert site.server.control("unload-module", site.module("null-sink")) == 0
    assert site.told("lost", "has gone"), site.live.output.read_text()
    sink = ("module-null-sink", "sink_name=tank", "rate=44100", "channels=2", "norewinds=1")
    assert site.server.control("load-module", *sink) == 0
    site.server.control("set-default-source", "tank.monitor")
    site.noise_again()
    assert site.goes_on(), site.live.output.read_text()
    site.finish()
    journal = open_journal(site.folder / "visit")
    for result in results_from(journal.entries):
        position_mm = round(1000 * result.stop.depth_m)
        played = ring(RATE_HZ, pitch=0.8 + position_mm / 500)[: round(RING_S * RATE_HZ)]
        for tap in result.taps:
            sound, rate_hz = journal.sound(tap.recording, tap.onset_s, tap.onset_s + RING_S)
            # A window of 60 ms resolves 17 Hz; interpolated, a clean line is placed to a few.
            assert strongest_hz(sound, rate_hz) == pytest.approx(strongest_hz(played, RATE_HZ), abs=6)
    journal.close()


def test_other_programs_listen_to_the_same_input(site: Site) -> None:
    """A sound server shares its inputs: a recorder and a second round beside this one take nothing from it."""
    recorder = subprocess.Popen(
        ["pacat", "--record", "--device=tank.monitor", "--latency-msec=20"],
        env=site.server.environment,
        stdout=subprocess.DEVNULL,
    )
    second = LiveRound(site.server, site.folder / "second", site.options)
    try:
        assert second.wait_for(partial(second.has_more, "next", 0), PATIENCE_S), second.output.read_text()
        points = len(second.entries("point"))
        site.finish()
        assert second.wait_for(partial(second.has_more, "point", points + 1), PATIENCE_S)
    finally:
        recorder.kill()
        recorder.wait(5)
        second.close()


def test_a_second_round_in_the_same_folder_is_refused(site: Site) -> None:
    before = len(results_from(read_log(site.folder / "visit")))
    second = LiveRound(site.server, site.folder / "visit", site.options)
    try:
        assert second.process.wait(PATIENCE_S) == 2
        assert "A round is running" in second.output.read_text()
    finally:
        second.close()
    assert len(results_from(read_log(site.folder / "visit"))) == before
    site.finish()


def test_an_input_that_the_system_refuses_is_told_with_a_cure(site: Site) -> None:
    """As when another program holds the device for itself, which a sound server of this kind never allows."""
    site.server.environment["PULSE_SOURCE"] = "held-by-another"
    other = LiveRound(site.server, site.folder / "other", site.options)
    try:
        assert other.process.wait(PATIENCE_S) == 2
        said = other.output.read_text()
        assert "Another program may hold" in said or "may hold it" in said
        assert "Traceback" not in said
    finally:
        other.close()
        del site.server.environment["PULSE_SOURCE"]
    site.finish()


def test_the_program_is_held_up_as_by_a_closed_lid(site: Site) -> None:
    """It stands still while time goes on: the gap is told, the unfinished mark starts over, the round goes on."""
    hand = Hand(seed=9).quiet(0.3).taps(1, then_s=1.0)
    site.player.play(hand.sound())
    assert site.live.wait_for(lambda: len([e for e in site.live.entries("tap") if e["accepted"]]) == 7, PATIENCE_S)
    before = sound_seconds(site.folder / "visit")
    site.live.process.send_signal(signal.SIGSTOP)
    time.sleep(5)
    site.live.process.send_signal(signal.SIGCONT)
    assert site.told("lost", "the computer slept"), site.live.output.read_text()
    assert sound_seconds(site.folder / "visit") >= before - 1
    assert site.goes_on(), site.live.output.read_text()
    assert site.live.entries("restart")
    site.finish()

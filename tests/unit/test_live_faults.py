"""What a site does to a recording, done on purpose to `taptest record` on a real sound path.

Nothing but the last second may be lost, and the round must go on at the right point.
"""

import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptest.capture.journal import read_log, recordings
from taptest.capture.notes import results_from
from taptest.visit.files import read_visit
from tests.live_round import OPTIONS, PATIENCE_S, TANK, LiveRound, plain_taps, tap_along
from tests.live_site import MARKS, Site, site_with_two_marks_tapped, sound_seconds
from tests.tapping import Hand
from tests.virtual_microphone import Player, serving


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with site_with_two_marks_tapped(tmp_path) as made:
        yield made


@pytest.mark.slow
def test_the_server_is_killed(site: Site) -> None:
    before = sound_seconds(site.folder / "visit")
    site.server.process.send_signal(signal.SIGKILL)
    site.server.process.wait(5)
    assert site.live.wait_for(partial(site.live.has_more, "lost", 0), PATIENCE_S)
    assert sound_seconds(site.folder / "visit") >= before - 0.1
    site.server.start()
    site.noise_again()
    assert site.live.wait_for(partial(site.live.has_more, "next", 3), PATIENCE_S), site.live.output.read_text()
    site.finish()


@pytest.mark.slow
def test_the_server_freezes_and_the_program_can_be_ended_and_taken_up(site: Site) -> None:
    site.server.process.send_signal(signal.SIGSTOP)
    assert site.live.wait_for(partial(site.live.has_more, "lost", 0), PATIENCE_S), site.live.output.read_text()
    site.live.press("q")
    assert site.live.process.wait(PATIENCE_S) == 0
    assert "stuck" in site.live.entries("lost")[0]["sentence"]
    site.server.process.send_signal(signal.SIGCONT)
    site.begin()
    assert site.live.wait_for(partial(site.live.has_more, "next", 3), PATIENCE_S), site.live.output.read_text()
    site.finish()


@pytest.mark.slow
def test_the_server_freezes_for_a_while_and_the_round_goes_on_by_itself(site: Site) -> None:
    site.server.process.send_signal(signal.SIGSTOP)
    assert site.live.wait_for(partial(site.live.has_more, "lost", 0), PATIENCE_S), site.live.output.read_text()
    time.sleep(2)
    site.server.process.send_signal(signal.SIGCONT)
    assert site.live.wait_for(partial(site.live.has_more, "next", 3), PATIENCE_S), site.live.output.read_text()
    site.finish()


@pytest.mark.slow
def test_the_module_is_unloaded(site: Site) -> None:
    assert site.server.control("unload-module", site.module("null-sink")) == 0
    assert site.live.wait_for(partial(site.live.has_more, "lost", 0), PATIENCE_S), site.live.output.read_text()
    assert site.server.control("load-module", "module-null-sink", "sink_name=tank", "rate=48000", "norewinds=1") == 0
    site.server.control("set-default-source", "tank.monitor")
    site.noise_again()
    assert site.live.wait_for(partial(site.live.has_more, "next", 3), PATIENCE_S), site.live.output.read_text()
    site.finish()


@pytest.mark.slow
def test_the_program_is_killed(site: Site) -> None:
    points = len(site.live.entries("point"))
    heard = time.monotonic()
    site.live.kill()
    folder = site.folder / "visit"
    assert len(results_from(read_log(folder))) == points
    sound, rate_hz = soundfile.read(folder / "sound" / "round-01.wav")
    assert len(sound) / rate_hz > 5
    assert time.monotonic() - heard < 5
    site.begin()
    assert site.live.wait_for(partial(site.live.has_more, "next", 3), PATIENCE_S), site.live.output.read_text()
    site.finish()


FEEDER = """
import sys, time
from pathlib import Path
import numpy as np
from taptest.capture.round import Plan
from taptest.capture.session import open_session
from tests.sources import ArraySource
from tests.tapping import Hand

class Paced(ArraySource):
    def read(self, timeout_s):
        time.sleep(0.002)  # ten times as fast as life
        return super().read(timeout_s)

sound = Hand(seed=int(sys.argv[2])).quiet(1.5).taps(60, then_s=0.6).sound()
plan = Plan(tuple(0.02 * i for i in range(1, 9)), finer_limit=0, practice_taps=0, noise_s=1.0)
session = open_session(Path(sys.argv[1]), plan, lambda: Paced(sound))
print("begun", flush=True)
for event in session.run():
    pass
print("done", flush=True)
"""


@pytest.mark.slow
def test_the_program_is_killed_at_twenty_random_moments(tmp_path: Path) -> None:
    """One round, killed again and again: it never loses a finished point, and its sound only grows."""
    rng = np.random.default_rng(11)
    root = Path(__file__).parents[2]
    done, seconds, killed, finished = 0, 0.0, 0, 0
    folder = tmp_path / "round0"
    for attempt in range(60):
        if killed >= 20:
            break
        process = subprocess.Popen(
            [sys.executable, "-c", FEEDER, str(folder), str(attempt)], cwd=root, stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "begun\n"
        try:
            process.wait(rng.uniform(0.05, 0.9))
            finished += 1
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)
            killed += 1
        process.stdout.close()
        results = results_from(read_log(folder))
        heard = sound_seconds(folder)
        assert len(results) >= done
        assert heard >= seconds
        for recording in recordings(folder):
            assert soundfile.info(folder / recording.file).frames == recording.samples
        last = max((tap.onset_s for result in results for tap in result.taps), default=0.0)
        assert heard >= last
        done, seconds = len(results), heard
        if done == 8:
            folder = tmp_path / f"round{attempt + 1}"
            done, seconds = 0, 0.0
    assert killed == 20


@pytest.mark.slow
def test_the_disk_is_full(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1200k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("A small disk of its own cannot be mounted here: run this test as root on Linux.")
    try:
        with serving(tmp_path / "server") as server:
            (tmp_path / "tank.toml").write_text(TANK)
            player = Player(server, Hand().quiet(3.0).sound())
            options = ["--tank", str(tmp_path / "tank.toml"), "--marks", MARKS, *OPTIONS]
            live = LiveRound(server, disk / "visit", options)
            try:
                tap_along(live, player, plain_taps)
                assert live.process.wait(PATIENCE_S) == 2
                assert "the disk is full" in live.output.read_text()
                heard, points = sound_seconds(disk / "visit"), len(live.entries("point"))
                assert heard > 6
                assert points
                # Some space is freed, and the same command goes on at the right mark.
                subprocess.run(["mount", "-o", "remount,size=40m", str(disk)], check=True)
                known = len(live.entries("next"))
                live.close()
                live = LiveRound(server, disk / "visit", options)
                assert live.wait_for(partial(live.has_more, "next", known), PATIENCE_S), live.output.read_text()
                assert live.entries("next")[-1]["position_mm"] == 60 * (points + 1)
                assert len(results_from(read_log(disk / "visit"))) == points
                assert sound_seconds(disk / "visit") >= heard
                tap_along(live, player, plain_taps)
                assert live.process.wait(PATIENCE_S) == 0, live.output.read_text()
            finally:
                player.close()
                live.close()
        assert [point.position_mm for point in read_visit(disk / "visit").document.points] == [60, 120, 180, 240]
    finally:
        subprocess.run(["umount", str(disk)], check=True)

"""`taptest record` as a process on a virtual microphone, and a hand that taps where its journal asks for it."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptest.capture.journal import read_log
from tests.tapping import Hand
from tests.virtual_microphone import Player, Server

FloatArray = NDArray[np.float64]

TANK = """
[tank]
name = "Simulated tank"
kind = "diaphragm"
water_end = "top"
volume = "18 l"
diameter = "280 mm"
height = "380 mm"
"""
PATIENCE_S = 40.0
"""Longest wait for a round on a busy machine; an idle one asks for the next mark within a second."""
OPTIONS = ("--finer", "0", "--no-practice", "--no-tones", "--plain", "--reference", "none")


class LiveRound:
    """One run of `taptest record` in a folder."""

    def __init__(self, server: Server, folder: Path, options: Sequence[str]) -> None:
        self.folder = folder
        folder.parent.mkdir(parents=True, exist_ok=True)
        environment = {
            **server.environment,
            "TAPTEST_HOME": str(folder.parent / "home"),
            "OMP_NUM_THREADS": "1",
            "PYTHONUNBUFFERED": "1",
        }
        self.output = folder.parent / f"{folder.name}-output.txt"
        command = [sys.executable, "-m", "taptest", "record", str(folder), *options]
        with self.output.open("ab") as output:
            self.process = subprocess.Popen(
                command, env=environment, stdin=subprocess.PIPE, stdout=output, stderr=subprocess.STDOUT
            )

    def entries(self, what: str) -> list[Mapping[str, Any]]:
        """The entries of one kind in the journal as it is now."""
        return [entry for entry in read_log(self.folder) if entry["what"] == what]

    def has_more(self, what: str, than: int) -> bool:
        """Whether the journal has more than so many entries of a kind."""
        return len(self.entries(what)) > than

    def wait_for(self, true: Callable[[], bool], seconds: float) -> bool:
        """Wait until something is true; False where it does not come, or the process has ended."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if true():
                return True
            if self.process.poll() is not None:
                return true()
            time.sleep(0.03)
        return true()

    def press(self, key: str) -> None:
        """Press a key."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{key}\n".encode())
        self.process.stdin.flush()

    def kill(self) -> None:
        """End the process as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(5)

    def close(self) -> None:
        """Make sure that nothing is left running."""
        if self.process.poll() is None:
            self.kill()
        if self.process.stdin is not None:
            self.process.stdin.close()


def tap_along(live: LiveRound, player: Player, sound: Callable[[float], FloatArray], stop_after: int = 10**6) -> int:
    """Tap where the journal says, until it is done, the process ends, or `stop_after` points are done.

    `sound` gives what to play at a position in millimetres. A mark that is asked for again, as where the sound dropped
    out on a busy machine, is tapped again. Returns the number of points that are done.
    """
    known, last_mm = 0, None

    def asked_or_done() -> bool:
        return live.has_more("next", known) or len(live.entries("point")) >= stop_after

    while live.wait_for(asked_or_done, PATIENCE_S) and len(live.entries("point")) < stop_after:
        entries = live.entries("next")
        known, position_mm = len(entries), entries[-1]["position_mm"]
        if position_mm == last_mm:
            player.wait_until_quiet()
            if live.has_more("next", known) or _under_way(live, entries[-1]["n"]):
                continue  # taps of the first time count after all, or the mark is asked for once more
        player.play(sound(position_mm))
        last_mm = position_mm
    return len(live.entries("point"))


def _under_way(live: LiveRound, since: int) -> bool:
    """Whether a tap was taken since an entry, so that the mark is finished or starts over by itself."""
    return any(entry["accepted"] and entry["n"] > since for entry in live.entries("tap"))


def plain_taps(position_mm: float) -> FloatArray:
    """Three simulated taps, told apart by their pitch from those at other positions."""
    return Hand(seed=int(position_mm)).quiet(0.35).taps(3, pitch=0.8 + position_mm / 500, then_s=0.6).sound()

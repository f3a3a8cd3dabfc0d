"""A real sound path without hardware: a private PulseAudio server whose silent sink is heard back as the microphone.

`serving` starts and stops the server, `Player` keeps a steady noise on it and plays taps into it when told. Simulated
throughout. Needs: apt-get install --no-install-recommends libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins.
"""

import contextlib
import os
import queue
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

RATE_HZ = 48000
LATENCY_MS = 200
"""What the server holds of the player's sound: on a busy machine the player's turn may be as long in coming."""
PIPE_S = 0.4
"""What waits between the player and its server."""
NEEDED = ("pulseaudio", "pactl", "pacat")
SKIP_SENTENCE = (
    "There is no PulseAudio here to make a virtual microphone of: install pulseaudio, pulseaudio-utils and "
    "libasound2-plugins to run this test."
)


def need_server() -> None:
    """Skip the test where no server can be made."""
    if any(shutil.which(name) is None for name in NEEDED):
        pytest.skip(SKIP_SENTENCE)
    if not list(Path("/usr/lib").rglob("libasound_module_pcm_pulse.so")):
        pytest.skip(SKIP_SENTENCE)


class Server:
    """One private server; `environment` is what a program needs to find it and nothing else."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True)
        folder.chmod(0o700)
        self.environment = {
            **{key: value for key, value in os.environ.items() if not key.startswith(("PULSE", "XDG", "DBUS"))},
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PULSE_RUNTIME_PATH": str(folder),
            "PULSE_SERVER": f"unix:{folder / 'native'}",
        }
        (folder / "config").mkdir()
        self.start()

    def start(self) -> None:
        """Start the server, also after it was killed."""
        (self.folder / "native").unlink(missing_ok=True)
        sink = "module-null-sink sink_name=tank rate=48000 channels=1 norewinds=1"
        command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
        command += [f"--log-target=file:{self.folder / 'log'}"]
        command += ["-L", f"module-native-protocol-unix socket={self.folder / 'native'} auth-anonymous=1", "-L", sink]
        self.process = subprocess.Popen(command, env=self.environment, stderr=subprocess.DEVNULL)
        for _ in range(200):
            if self.control("info") == 0:
                break
            time.sleep(0.05)
        else:
            pytest.skip("The private PulseAudio server did not start here.")
        self.control("set-default-source", "tank.monitor")
        self.control("set-default-sink", "tank")

    def control(self, *words: str) -> int:
        """Run pactl and return its exit code."""
        quiet = subprocess.DEVNULL
        return subprocess.run(
            ["pactl", *words], env=self.environment, stdout=quiet, stderr=quiet, check=False
        ).returncode

    def stop(self) -> None:
        """End the server, frozen or not."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(5)
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(5)


@contextlib.contextmanager
def serving(folder: Path) -> Iterator[Server]:
    """A server while the block lasts."""
    need_server()
    server = Server(folder)
    try:
        yield server
    finally:
        server.stop()


class Player:
    """Keeps `noise` (N,) sounding over and over, and plays taps in its place when told."""

    def __init__(self, server: Server, noise: FloatArray) -> None:
        self._noise = noise.astype("<f4")
        self._wanted: queue.SimpleQueue[FloatArray | None] = queue.SimpleQueue()
        self._until = 0.0
        command = ["pacat", "--playback", "--device=tank", "--format=float32le", f"--rate={RATE_HZ}", "--channels=1"]
        self._process = subprocess.Popen(
            [*command, f"--latency-msec={LATENCY_MS}"],
            env=server.environment,
            stdin=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def play(self, sound: FloatArray) -> None:
        """Play a sound (N,) next."""
        self._until = max(self._until, time.monotonic() + PIPE_S + LATENCY_MS / 1000) + len(sound) / RATE_HZ
        self._wanted.put(sound)

    def wait_until_quiet(self) -> None:
        """Wait until everything that was to be played has been heard."""
        time.sleep(max(self._until - time.monotonic(), 0.0))

    def close(self) -> None:
        """Fall silent."""
        self._wanted.put(None)
        self._process.kill()
        self._process.wait(5)
        self._thread.join(5)
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()

    def _play(self) -> None:
        assert self._process.stdin is not None
        chunk, at = RATE_HZ // 50, 0
        with contextlib.suppress(OSError, ValueError):  # the server has gone, which some tests want
            while True:
                try:
                    sound = self._wanted.get_nowait()
                except queue.Empty:
                    sound = np.take(self._noise, np.arange(at, at + chunk), mode="wrap")
                    at = (at + chunk) % len(self._noise)
                if sound is None:
                    return
                self._process.stdin.write(np.asarray(sound).astype("<f4").tobytes())
                self._process.stdin.flush()

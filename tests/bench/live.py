"""What live capture costs: run by hand,  python -m tests.bench.live

Prints its figures against their targets: compute from a tap to its verdict (p99 under 20 ms), growth of memory over a
round of 30 minutes (none), and the share of one core while listening idly (under 10 %). Sound is simulated and fed as
fast as it goes, so that the idle share is processor time over the sound's own duration; where a PulseAudio server can
be made, the whole program is measured on it as well.
"""

import os
import shutil
import tempfile
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")  # as the program does before it loads numpy: waiting threads burn time

import numpy as np  # noqa: E402

from taptest.capture.device import BLOCK_FRAMES  # noqa: E402
from taptest.capture.round import Plan, Round, TapAccepted, TapRefused  # noqa: E402
from taptest.capture.session import open_session  # noqa: E402
from taptest.errors import DeviceError  # noqa: E402
from taptest.sound.taps import RING_S, TapDetector  # noqa: E402
from tests.live_round import OPTIONS, TANK, LiveRound  # noqa: E402
from tests.sources import ArraySource  # noqa: E402
from tests.tapping import RATE_HZ, Hand  # noqa: E402
from tests.virtual_microphone import NEEDED, Player, serving  # noqa: E402

MARKS = tuple(0.02 * number for number in range(1, 701))
PLAN = Plan(MARKS, taps_per_point=3, finer_limit=0, practice_taps=0)


def resident_mb() -> float:
    """Resident memory of this process (Linux)."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return float("nan")


def verdict_costs(taps: int = 600) -> tuple[np.ndarray, np.ndarray]:
    """Compute in ms spent between each tap and its verdict, and sound in ms between ring's end and verdict."""
    sound = Hand().quiet(3.5).taps(taps, then_s=0.8).quiet(0.5).sound()
    round_ = Round(PLAN)
    round_.listen(RATE_HZ, TapDetector(RATE_HZ))
    spent: list[float] = []
    costs, late = [], []
    for start in range(0, len(sound), BLOCK_FRAMES):
        began = time.process_time()
        events = round_.feed(sound[start : start + BLOCK_FRAMES])
        spent.append(time.process_time() - began)
        for event in events:
            if isinstance(event, TapAccepted | TapRefused):
                blocks = int(np.ceil((event.late_s + RING_S) * RATE_HZ / BLOCK_FRAMES)) + 1
                costs.append(1000 * sum(spent[-blocks:]))
                late.append(1000 * event.late_s)
    return np.array(costs), np.array(late)


class Long(ArraySource):
    """The same stretch of tapping over and over, for so many seconds."""

    def __init__(self, seconds: float) -> None:
        self.stretch = Hand().taps(60, then_s=1.0).sound()
        super().__init__(np.concatenate((Hand().quiet(3.5).sound(), self.stretch)))
        self.seconds = seconds
        self.at = 0

    def read(self, timeout_s: float) -> np.ndarray:
        if self.at > self.seconds * RATE_HZ:
            raise DeviceError("The sound is over.")
        lead = self._sound[: len(self._sound) - len(self.stretch)]
        block = (
            lead[self.at : self.at + BLOCK_FRAMES]
            if self.at + BLOCK_FRAMES <= len(lead)
            else np.take(self.stretch, np.arange(self.at, self.at + BLOCK_FRAMES), mode="wrap")
        )
        self.at += BLOCK_FRAMES
        return block


def memory_growth(minutes: float = 30.0) -> tuple[float, float, int]:
    """Resident memory in MB after three minutes and at the end of a long round, and its accepted taps."""
    source = Long(60 * minutes)
    with tempfile.TemporaryDirectory() as folder:
        session = open_session(Path(folder), PLAN, lambda: source)
        early, taps = 0.0, 0
        for event in session.run():
            taps += isinstance(event, TapAccepted)
            if source.at > 180 * RATE_HZ and not early:
                early = resident_mb()
            if source.at > (60 * minutes - 1) * RATE_HZ:
                session.press("stop")
        return early, resident_mb(), taps


def idle_share(seconds: float = 120.0) -> float:
    """Processor time over sound time while nothing but noise comes in, disk included."""
    noise = Hand().quiet(10.0).sound()
    source = Long(seconds)
    source.stretch = noise
    with tempfile.TemporaryDirectory() as folder:
        session = open_session(Path(folder), PLAN, lambda: source)
        began = time.process_time()
        for _ in session.run():
            if source.at > (seconds - 1) * RATE_HZ:
                session.press("stop")
        return (time.process_time() - began) / seconds


def program_share(seconds: float = 20.0) -> float:
    """Share of one core that `taptest record` takes while nothing but noise comes in; NaN where it cannot be tried."""
    if any(shutil.which(name) is None for name in NEEDED):
        return float("nan")
    with tempfile.TemporaryDirectory() as name, serving(Path(name) / "server") as server:
        tank = Path(name) / "tank.toml"
        tank.write_text(TANK, encoding="utf-8")
        player = Player(server, Hand().quiet(3.0).sound())
        live = LiveRound(server, Path(name) / "visit", ["--tank", str(tank), "--marks", "60,120", *OPTIONS])
        try:
            live.wait_for(lambda: live.has_more("next", 0), 30)
            before, began = processor_s(live.process.pid), time.monotonic()
            time.sleep(seconds)
            return (processor_s(live.process.pid) - before) / (time.monotonic() - began)
        finally:
            player.close()
            live.close()


def processor_s(pid: int) -> float:
    """Processor time that a process has taken so far (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Print the figures."""
    # First, while nothing else has made the process larger than it needs to be.
    early, last, taps = memory_growth()
    print(f"memory over a 30-minute round with {taps} taps: {early:.1f} MB at 3 min, {last:.1f} MB at the end")
    costs, late = verdict_costs()
    low, high = np.percentile(costs, (50, 99))
    print(f"tap to verdict, compute: p50 {low:.1f} ms, p99 {high:.1f} ms (target 20)")
    print(f"verdict after the ring's end, in sound: p50 {np.median(late):.0f} ms, max {late.max():.0f} ms (target 150)")
    print(f"idle listening, without the sound card: {100 * idle_share():.1f} % of one core (target 10)")
    print(f"idle listening, the whole program: {100 * program_share():.1f} % of one core (target 10)")


if __name__ == "__main__":
    main()

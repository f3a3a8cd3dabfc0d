"""Time of every step from a recorded walk to points, traits and modes, and what share of it each takes.

Run: python -m tests.bench.sound     (60 taps, 20 points, one minute at 48 kHz, FLAC and WAV, one core)
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from taptest.sound.alignment import assign_taps
from taptest.sound.modes import find_modes
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.taps import TapDetector, detect_taps
from taptest.sound.traits import traits_of
from tests.made_taps import walk

RATE = 48_000


def quickest_ms(step: Callable[[], object], times: int = 5) -> float:
    """Processor time of the quickest of some runs: the one least disturbed."""
    took = []
    for _ in range(times):
        began = time.process_time()
        step()
        took.append(time.process_time() - began)
    return 1e3 * min(took)


def main() -> None:
    sound, _ = walk(RATE, np.random.default_rng(1), taps=60, tap_to_noise_db=25)
    with tempfile.TemporaryDirectory() as folder:
        steps: dict[str, float] = {}
        for ending in ("flac", "wav"):
            path = Path(folder) / f"walk.{ending}"
            write_recording(path, sound, RATE)
            steps[f"read {ending}"] = quickest_ms(lambda path=path: open_recording(path).read())  # type: ignore[misc]
        recording = open_recording(path)
        recording.read()
        train = detect_taps(recording.blocks(), RATE)
        steps["detect"] = quickest_ms(lambda: detect_taps(recording.blocks(), RATE))
        steps["traits"] = quickest_ms(lambda: traits_of(recording, train))
        steps["align"] = quickest_ms(lambda: assign_taps(train.taps, [3] * 20))
        rings = recording.stretches([round((tap.onset_s + 0.002) * RATE) for tap in train.taps[:10]], RATE // 4)
        steps["modes of one tap"] = quickest_ms(lambda: [find_modes(ring, RATE) for ring in rings], 2) / 10
    whole = steps["read flac"] + steps["detect"] + steps["traits"] + steps["align"]
    for name, took in steps.items():
        print(f"{name:18s} {took:7.1f} ms   {took / whole:5.2f} of reading, detection, traits and alignment together")
    print(f"{'together':18s} {whole:7.1f} ms for {len(train.taps)} taps")
    idle()


def idle() -> None:
    """Share of one core that a live input without taps takes, and the longest wait for a verdict."""
    detector = TapDetector(RATE)
    noise = (1e-3 * np.random.default_rng(0).normal(size=20 * RATE)).astype(np.float32)
    longest, began = 0.0, time.process_time()
    for start in range(0, noise.size, 1024):
        block_began = time.process_time()
        detector.feed(noise[start : start + 1024])
        longest = max(longest, time.process_time() - block_began)
    share = 100 * (time.process_time() - began) / 20
    print(f"live, no taps: {share:.1f} % of a core, longest block {1e3 * longest:.1f} ms")


if __name__ == "__main__":
    main()

"""Tap detection beside librosa's onset detection, in one run: speed, memory, times.

Run: python -m tests.bench.detection

Each method runs in a process of its own on one core, over the same ten-minute recording on disk (48 kHz, 600 taps),
made here with a fixed seed. Reading the file counts. Peak memory is the process's largest resident set, imports
included.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

RATE = 48_000
TAPS = 600


def peak_mb() -> float:
    """Largest resident set so far, MB; NaN where the system does not tell."""
    status = Path("/proc/self/status")
    if status.exists():  # getrusage would count the parent's memory before the start, too
        line = next(part for part in status.read_text(encoding="utf-8").splitlines() if part.startswith("VmHWM"))
        return float(line.split()[1]) / 1e3
    try:
        import resource
    except ImportError:
        return float("nan")
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used / (1e6 if sys.platform == "darwin" else 1e3)


def run_taptest(path: str) -> list[float]:
    from taptest.sound.recording import open_recording
    from taptest.sound.taps import detect_taps

    recording = open_recording(path)
    return [tap.onset_s for tap in detect_taps(recording.blocks(), recording.rate_hz).taps]


def run_librosa(path: str, hop: int) -> list[float]:
    import librosa
    import soundfile

    samples, rate_hz = soundfile.read(path, dtype="float32")
    onset: Any = librosa.onset
    return list(onset.onset_detect(y=samples, sr=rate_hz, hop_length=hop, units="time"))


def one(method: str, path: str) -> None:
    """Run one method after a warm-up on a short recording and print its figures as JSON."""
    methods: dict[str, Callable[[str], list[float]]] = {
        "taptest": run_taptest,
        "librosa 512": partial(run_librosa, hop=512),
        "librosa 128": partial(run_librosa, hop=128),
    }
    run = methods[method]
    run(str(Path(path).with_name("short.wav")))
    began, began_cpu = time.perf_counter(), time.process_time()
    onsets_s = run(path)
    took, cpu = time.perf_counter() - began, time.process_time() - began_cpu
    print(json.dumps({"onsets_s": [float(t) for t in onsets_s], "wall_s": took, "cpu_s": cpu, "peak_mb": peak_mb()}))


def report(method: str, folder: Path, truth_s: np.ndarray, duration_s: float) -> None:
    alone = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "tests.bench.detection", "--one", method, "--path", str(folder / "long.wav")]
    got = json.loads(subprocess.run(command, env=alone, check=True, capture_output=True, text=True).stdout)
    found_s = np.array(got["onsets_s"])
    error_s = np.array([np.abs(found_s - t).min() for t in truth_s])
    near = error_s < 0.03
    foreign = sum(np.abs(truth_s - t).min() > 0.03 for t in found_s)
    print(
        f"{method:12s} {duration_s / got['wall_s']:7.0f} x real time (processor {duration_s / got['cpu_s']:.0f} x), "
        f"{got['peak_mb']:6.0f} MB, onset error p50 {1e3 * np.quantile(error_s[near], 0.5):.2f} ms, "
        f"p95 {1e3 * np.quantile(error_s[near], 0.95):.2f} ms, found {near.sum()} of {truth_s.size}, foreign {foreign}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--one", help="run this method only (used by the bench itself)")
    parser.add_argument("--path")
    given = parser.parse_args()
    if given.one:
        one(given.one, given.path)
        return
    from taptest.sound.recording import write_recording
    from tests.made_taps import walk

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        sound, truth_s = walk(RATE, np.random.default_rng(1), taps=TAPS, tap_to_noise_db=25)
        write_recording(folder / "long.wav", sound, RATE)
        write_recording(folder / "short.wav", sound[: 10 * RATE], RATE)
        for method in ("taptest", "librosa 512", "librosa 128"):
            report(method, folder, truth_s, sound.size / RATE)


if __name__ == "__main__":
    main()

"""Findings of the readable demonstration visits with other sounds 10 dB under their taps, beside those without.

Run: python -m tests.bench.demo_under_sounds

Sounds are those of `tests.bench.foreign_sounds`, which says what they need; music is made here: plucked notes of four
voices and a beat of noise.
"""

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.bench.foreign_sounds import RATE, SECONDS, FloatArray, keys, mixed, talk

DEMO = Path(__file__).parents[2] / "recordings_demo"
BELOW_DB = 10.0


def music(number: int) -> FloatArray:
    """Quavers at 112 a minute: notes of a pentatonic scale with eight partials each, and a soft beat of noise."""
    rng = np.random.default_rng(number)
    out, time_s = np.zeros(SECONDS * RATE), np.arange(RATE) / RATE
    for quaver in range(int(SECONDS * 112 / 30) - 4):
        start = round(quaver * 30 / 112 * RATE)
        for octave in (1, 2, 4):
            if rng.random() < 0.4:
                pitch = 110 * octave * 2 ** (rng.choice([0, 2, 4, 7, 9]) / 12)
                note = sum(
                    np.sin(2 * np.pi * k * pitch * time_s) * np.exp(-3 * k**0.5 * time_s) / k for k in range(1, 9)
                )
                out[start : start + RATE] += rng.uniform(0.3, 1) * np.asarray(note) * np.minimum(1, time_s / 0.004)
        if quaver % 4 == 2:
            out[start : start + RATE] += 0.5 * rng.normal(size=RATE) * np.exp(-40 * time_s)
    return out


SOUNDS: dict[str, Callable[[int], FloatArray | None]] = {"talk": talk, "keys": keys, "music": music}


def finding(visit: Path) -> str:
    entry = "from taptest.cli import entry; entry()"
    command = [sys.executable, "-c", entry, "judge", str(visit), "--json", "-"]
    judged = subprocess.run(command, check=True, capture_output=True, text=True)
    return str(json.loads(judged.stdout)["finding"]["code"])


def main() -> None:
    places = sorted(path.parent for path in DEMO.glob("*/truth.json") if "noisy" not in path.parent.name)
    for number, place in enumerate(places):
        with tempfile.TemporaryDirectory() as folder:
            plain = finding(Path(shutil.copytree(place, Path(folder) / place.name)))
        for kind, made in SOUNDS.items():
            sound = made(number)
            if sound is None:
                continue
            with tempfile.TemporaryDirectory() as folder:
                visit = Path(folder) / place.name
                shutil.copytree(place, visit)
                names = sorted(json.loads((place / "truth.json").read_text(encoding="utf-8"))["onsets_s"])
                for name, (path, _) in zip(names, list(mixed(place, Path(folder), sound, BELOW_DB)), strict=True):
                    shutil.move(path, visit / name)
                print(f"{place.name} under {kind}: {finding(visit)}, without: {plain}", flush=True)


if __name__ == "__main__":
    main()

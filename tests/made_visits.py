"""Visits made for tests of folders and commands: made-up taps (damped tones in faint noise) and tables."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.sound.recording import write_recording

RATE = 16_000

TANK = """\
[tank]
name = "Cellar"
kind = "diaphragm"
axis = "vertical"
water_end = "top"
volume = "18 l"
diameter = "270 mm"
wall = "1.5 mm"
head = "ellipsoidal"
precharge = "1.0 bar"

[system]
fluid = "water"
volume = "120 l"
relief = "3 bar"
max_temperature = "80 C"
static_head = "6 m"

[readings]
pressure = "1,5 bar"
water_temperature = "20 C"
state = "cold"

[line]
microphone = "fixed"
microphone_distance = "0.6 m"
"""

DOCUMENT = {
    "schema": 1,
    "tank": {"kind": "diaphragm", "water_end": "top", "volume": "18 l", "diameter": "270 mm", "name": "Cellar"},
    "readings": {"pressure": "1.5 bar"},
    "points": [{"position_mm": 40, "file": "sound/a.wav"}, {"position_mm": 80, "file": "sound/b.wav"}],
}


def tap_sound(
    onsets_s: list[float], duration_s: float, *, pitch_hz: float = 900.0, ring_s: float = 0.05, seed: int = 1
) -> NDArray[np.float32]:
    """Damped tones with a click at each onset, over faint noise."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(duration_s * RATE)) / RATE
    sound = 1e-4 * rng.standard_normal(time.size)
    for onset in onsets_s:
        after = np.maximum(time - onset, 0.0)
        struck = (time >= onset) * np.exp(-after / ring_s)
        for factor, part in ((1.0, 0.25), (2.3, 0.15), (4.1, 0.08)):
            sound += part * struck * np.sin(2 * np.pi * pitch_hz * factor * after) * np.exp(-after * factor * 8)
    return sound.astype(np.float32)


def write_taps(path: Path, count: int = 3, *, seed: int = 1, pitch_hz: float = 900.0, ring_s: float = 0.05) -> None:
    """One sound file with `count` taps."""
    onsets = [0.6 + 0.7 * k for k in range(count)]
    write_recording(path, tap_sound(onsets, 0.9 + 0.7 * count, seed=seed, pitch_hz=pitch_hz, ring_s=ring_s), RATE)


def write_tables(folder: Path, points: int = 8, *, spacing_mm: float = 35.0, boundary: int = 4) -> tuple[Path, Path]:
    """`tank.toml`, `points.csv` and one sound file a point; the sound changes after `boundary` points."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "tank.toml").write_text(TANK, encoding="utf-8")
    rows = ["position_mm,file"]
    for number in range(points):
        name = f"p{number + 1:02d}.wav"
        dull = number < boundary
        write_taps(folder / name, seed=number, pitch_hz=600.0 if dull else 1100.0, ring_s=0.015 if dull else 0.06)
        rows.append(f"{spacing_mm * (number + 1):g},{name}")
    (folder / "points.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder / "tank.toml", folder / "points.csv"

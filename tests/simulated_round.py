"""Simulated visits for the tests of live capture: made by the project's own simulator, played and judged."""

import json
import subprocess
import sys
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from taptest.capture.excerpt import joined

FloatArray = NDArray[np.float64]


class PlayedVisit:
    """A simulated visit: its sound by position, its noise, and its tank as a table for `taptest record`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.document: dict[str, Any] = json.loads((folder / "visit.json").read_text(encoding="utf-8"))
        self.truth: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        self.sound: dict[float, FloatArray] = {}
        quiet = []
        for point in self.document["points"]:
            sound, rate_hz = soundfile.read(folder / point["file"])
            self.rate_hz = float(rate_hz)
            self.sound[float(point["position_mm"])] = sound
            first = self.truth["onsets_s"][point["file"]][0]
            quiet.append(sound[: round((first - 0.03) * rate_hz)])
        fade = round(0.02 * self.rate_hz)
        self.noise = reduce(lambda whole, piece: joined(whole, piece, fade), quiet)

    @property
    def marks(self) -> str:
        return ",".join(f"{position:g}" for position in self.sound)

    def write_tank(self, path: Path) -> Path:
        """Write what is known of the tank, as the technician would."""
        lines = []
        for section in ("tank", "system", "readings", "line"):
            lines.append(f"[{section}]")
            lines += [f"{key} = {json.dumps(value)}" for key, value in self.document.get(section, {}).items()]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path


def simulated_visits(folder: Path, seed: int, count: int) -> list[PlayedVisit]:
    """Make `count` easy simulated visits without mismatch."""
    command = [sys.executable, "-m", "taptest", "simulate", str(folder), "--seed", str(seed), "--visits", str(count)]
    subprocess.run([*command, "--difficulty", "easy", "--mismatch", "none", "--workers", "1"], check=True, timeout=300)
    return [PlayedVisit(made.parent) for made in sorted(folder.rglob("truth.json"))]

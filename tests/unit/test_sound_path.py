"""From file to traits and points nothing slow is imported and nothing is compiled at run time."""

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np

from taptest.sound.recording import write_recording
from tests.made_taps import walk

PATH = """
import sys
from taptest.sound.alignment import assign_taps
from taptest.sound.modes import find_modes
from taptest.sound.recording import open_recording
from taptest.sound.taps import detect_taps
from taptest.sound.traits import traits_of
recording = open_recording(sys.argv[1])
train = detect_taps(recording.blocks(), recording.rate_hz)
traits = traits_of(recording, train)
points = assign_taps(train.taps, [2] * 4)
find_modes(recording.read()[:4000], recording.rate_hz)
slow = [name for name in ("librosa", "numba", "scipy", "matplotlib") if name in sys.modules]
print(len(train.taps), len(points.point), slow)
"""


def test_the_technicians_path_touches_no_slow_library(tmp_path: Path) -> None:
    sound, _ = walk(48_000, np.random.default_rng(0), taps=8)
    write_recording(tmp_path / "walk.flac", sound, 48_000)
    ran = subprocess.run(
        [sys.executable, "-c", PATH, str(tmp_path / "walk.flac")], capture_output=True, text=True, check=True
    )
    assert ran.stdout.split(maxsplit=2) == ["8", "8", "[]\n"]


def test_judging_with_a_kept_model_works_without_scipy(tmp_path: Path) -> None:
    """Once the model is kept, nothing of scipy is asked for: a quarter of the start was spent on loading it."""
    demo = Path(__file__).parents[2] / "recordings_demo" / "3-low-on-air"
    first = "import sys; from taptest.cli import main; main(['judge', sys.argv[1], '--json', sys.argv[2]])"
    again = first + "; assert not [name for name in sys.modules if name.partition('.')[0] == 'scipy']"
    shutil.copytree(demo, tmp_path / "visit", ignore=shutil.ignore_patterns("judged.json"))
    for code in (first, again):
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / "visit"), str(tmp_path / "finding.json")],
            capture_output=True,
            check=True,
        )

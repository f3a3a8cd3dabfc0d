"""A mark as the tank's model lets it ring: two tones in, and the levels between them moved as the model says."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptest.desk.model_sound import MOST_DB, Backing, modelled_wav
from taptest.line.records import LineReading
from taptest.shell.records import LevelSweep
from taptest.sound.recording import write_recording
from tests.made_up import made_up

RATE, LOW_HZ, HIGH_HZ, MARK_M = 48_000, 500.0, 4_000.0, 0.15
AIR_DB, MIDDLE_DB, WATER_DB = (0.0, 0.0), (-1.0, -5.0), (-2.0, -12.0)
"""Levels of the low and the high band at the mark, with the boundary nowhere, in the middle and at the end."""


@pytest.fixture
def tap(tmp_path: Path) -> Path:
    """Two tones of the same strength, from the blow at half a second on."""
    at = np.arange(round(0.7 * RATE)) / RATE
    sound = np.zeros(round(1.5 * RATE))
    sound[RATE // 2 : RATE // 2 + at.size] = 0.2 * (np.sin(2 * np.pi * LOW_HZ * at) + np.sin(2 * np.pi * HIGH_HZ * at))
    write_recording(tmp_path / "tap.wav", sound, RATE)
    return tmp_path / "tap.wav"


def sweep(water_db: tuple[float, float] = WATER_DB) -> LevelSweep:
    """A model of three levels and two positions; at the other position nothing changes."""
    here = np.array([AIR_DB, MIDDLE_DB, water_db])
    return LevelSweep(
        level_depth_m=np.array([np.nan, 0.2, np.nan]),
        depth_m=np.array([0.0, MARK_M]),
        band_hz=np.array([LOW_HZ, HIGH_HZ]),
        level_db=np.stack([np.zeros((3, 2)), here], axis=1),
    )


def reading(state: str) -> LineReading:
    line = made_up().judgement.line
    found = state == "found"
    ends = {"depth_m": 0.2 if found else None, "interval90_m": (0.18, 0.22) if found else None}
    return replace(line, state=state, **ends)  # type: ignore[arg-type]


def high_over_low_db(tap: Path, line: LineReading, wanted: Backing, model: LevelSweep, mark_m: float = MARK_M) -> float:
    """How far the high tone stands over the low one in what is played; loudness as such is made even."""
    sound, rate = soundfile.read(io.BytesIO(modelled_wav(tap, 0.5, mark_m, line, [model], wanted)))
    assert rate == RATE
    assert np.abs(sound).max() == pytest.approx(0.7, abs=0.01)
    cut = sound[round(0.15 * rate) : round(0.55 * rate)]
    level = np.abs(np.fft.rfft(cut * np.hanning(cut.size)))
    low, high = (level[round(tone * cut.size / rate)] for tone in (LOW_HZ, HIGH_HZ))
    return float(20 * np.log10(high / low))


@pytest.mark.parametrize(
    ("state", "wanted", "moved_db"),
    [
        ("all air", "air", 0.0),
        ("all air", "water", -10.0),
        ("all water", "air", 10.0),
        ("all water", "water", 0.0),
        ("found", "air", 4.0),  # (0 - -5) - (0 - -1)
        ("found", "water", -6.0),  # (-12 - -5) - (-2 - -1)
        ("not found", "water", -5.0),  # from halfway between air and water
    ],
)
def test_the_bands_move_by_what_the_model_says(tap: Path, state: str, wanted: Backing, moved_db: float) -> None:
    assert high_over_low_db(tap, reading(state), wanted, sweep()) == pytest.approx(moved_db, abs=0.2)


def test_only_the_mark_that_is_heard_counts_and_noise_is_not_raised_without_end(tap: Path) -> None:
    assert high_over_low_db(tap, reading("all air"), "water", sweep(), mark_m=0.01) == pytest.approx(0.0, abs=0.2)
    deep = sweep(water_db=(0.0, -60.0))
    assert high_over_low_db(tap, reading("all water"), "air", deep) == pytest.approx(MOST_DB, abs=0.2)

"""What a tap rings at, in words: figures to the decimals that are known, the strongest first, and why there is none."""

from pathlib import Path

import numpy as np
import pytest

from taptest.desk.rings import SHOWN, rings_of, strongest, words_of, words_of_twins
from taptest.sound.recording import write_recording
from taptest.sound.records import Mode, Tap

RATE = 16_000


def mode(frequency_hz: float, decay_1_s: float, sd: float = 1.0, amplitude: float = 0.1) -> Mode:
    return Mode(frequency_hz, decay_1_s, amplitude, 0.0, sd / (2 * np.pi), sd)


@pytest.mark.parametrize(
    ("found", "words"),
    [
        # Worked by hand: 6.908 / 22.3 = 0.310, / (22.3 +- 1.645 x 1) = 0.2885 and 0.3344; 1.645 / (2 pi) = 0.26 Hz.
        (mode(812.0, 22.3), "812.0 ± 0.3 Hz for 0.31 s (0.28 to 0.34 s)"),
        (mode(812.4, 22.3, 8.0), "812 ± 3 Hz for 0.31 s (0.19 to 0.76 s)"),
        (mode(812.0, 22.3, 0.02), "812.00 ± 0.01 Hz for 0.3098 s (0.3093 to 0.3103 s)"),
        (mode(2530.0, 300.0, 5.0), "2530 ± 2 Hz for 0.0230 s (0.0224 to 0.0237 s)"),
        (mode(500.0, 2.0, 1.3), "500.0 ± 0.4 Hz for 1.67 s at least"),
    ],
)
def test_words_of_a_mode(found: Mode, words: str) -> None:
    assert words_of(found) == words


def test_the_strongest_come_first_and_hum_is_left_out() -> None:
    hum = mode(300.0, 0.02, amplitude=1.0)
    modes = [mode(100.0 * k, 20.0, amplitude=0.01 * k) for k in range(1, 8)]
    slow = mode(950.0, 5.0, amplitude=0.04)
    found = strongest([hum, *modes, slow])
    assert len(found) == SHOWN
    assert [[each.frequency_hz for each in twins] for twins in found] == [[950.0], [700.0], [600.0], [500.0], [400.0]]


def test_modes_close_together_are_told_as_one() -> None:
    """Found on a simulated tap: two pairs of lines a few hertz apart, of which a listener hears two tones."""
    near = [mode(1450.0, 53.0), mode(6961.0, 130.0), mode(6956.0, 53.0), mode(1454.0, 203.0), mode(1466.0, 21.6)]
    found = strongest([*near, mode(2000.0, 30.0, amplitude=0.01)])
    assert [[each.frequency_hz for each in twins] for twins in found] == [
        [1450.0, 1454.0, 1466.0], [6956.0, 6961.0], [2000.0],
    ]  # fmt: skip
    # The longest of the three falls by 60 dB in 6.908 / 21.6 = 0.320 s, the longer of the two in 6.908 / 53 = 0.130 s.
    assert words_of_twins(found[0]).startswith(
        "triple: 1450.0 ± 0.3, 1454.0 ± 0.3 and 1466.0 ± 0.3 Hz, the longest for 0.32 s"
    )
    assert words_of_twins(found[1]).startswith("double: 6956.0 ± 0.3 and 6961.0 ± 0.3 Hz, the longer for 0.130 s")


def test_a_faint_twin_is_not_told() -> None:
    ((only,),) = strongest([mode(1000.0, 20.0), mode(1005.0, 20.0, amplitude=0.01)])
    assert only.frequency_hz == 1000.0


def write(path: Path, decay_1_s: float, noise: float, seed: int) -> Path:
    """One tap at 0.5 s: a tone of 812 Hz, in noise."""
    time = np.arange(round(1.2 * RATE)) / RATE
    after = np.maximum(time - 0.5, 0.0)
    tone = 0.3 * (time >= 0.5) * np.sin(2 * np.pi * 812.0 * after) * np.exp(-decay_1_s * after)
    sound = tone + noise * np.random.default_rng(seed).standard_normal(time.size)
    write_recording(path, sound.astype(np.float32), RATE)
    return path


@pytest.mark.long
def test_intervals_hold_the_truth_about_nine_times_of_ten(tmp_path: Path) -> None:
    """Forty seeded taps of a known tone; a share of 0.9 gives fewer than 31 of 40 five times in a thousand (binomial).

    The Cramer-Rao bound of this decay is 0.35 a second, from which 0.304 to 0.318 s; rounding adds a little.
    """
    held = 0
    for seed in range(40):
        lines = rings_of(write(tmp_path / "a.wav", 22.3, 0.03, seed), Tap(0.5, -10.0, 30.0, 0.7)).lines
        low, high = lines[0].split("(")[1].removesuffix(" s)").split(" to ")
        held += float(low) <= 6.908 / 22.3 <= float(high)
        assert 0.01 < float(high) - float(low) < 0.03
    assert held >= 31


def test_a_tap_that_is_cut_short_or_silent_says_so(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", 22.3, 0.001, 1)
    assert "cut off" in rings_of(path, Tap(0.5, -10.0, 30.0, 0.05)).sentence
    silent = write(tmp_path / "b.wav", 4000.0, 0.05, 2)
    assert rings_of(silent, Tap(0.52, -10.0, 30.0, 0.6)).sentence == "No ringing can be heard above the noise."

"""A double hit is two blows of one striker; another sound in a tap's ring, or just before the tap, leaves it usable."""

from pathlib import Path

import numpy as np
import pytest

from taptest.sound.hearing import hear
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.records import Tap
from tests.made_taps import ring

RATE = 48_000
ONSETS_S = np.array([0.6, 1.23, 1.91])


def visit(folder: Path, seed: int, after_s: float, *, same: bool) -> list[list[Tap]]:
    """Hear eight points of three taps; beside every second point's middle tap there is another hit.

    It is as loud as the tap where it is the `same` striker's, half as loud where it is foreign.
    """
    rng = np.random.default_rng(seed)
    shell = [ring(RATE, rng, loss=loss) for loss in (0.006, 0.02)]
    key = ring(RATE, rng, loss=0.06, low_hz=2500, high_hz=9000, seconds=0.08)
    recordings = []
    for point in range(8):
        sound = 2e-4 * rng.normal(size=round(2.8 * RATE))
        events = [(onset_s, shell[point // 4], 0.3 * rng.uniform(0.8, 1.2)) for onset_s in ONSETS_S]
        if point % 2:
            events.append((ONSETS_S[1] + after_s, shell[point // 4] if same else key, 0.3 if same else 0.14))
        for onset_s, wave, level in events:
            start = round(onset_s * RATE)
            part = sound[start : start + wave.size]
            part += level * wave[: part.size]
        path = folder / f"{point}.wav"
        write_recording(path, sound.astype(np.float32), RATE)
        recordings.append((path.name, open_recording(path)))
    return [list(one.taps) for one in hear(recordings, 24)]


def at(taps: list[Tap], onset_s: float) -> Tap | None:
    return next((tap for tap in taps if abs(tap.onset_s - onset_s) < 0.003), None)


@pytest.mark.parametrize("seed", range(1, 4))
@pytest.mark.parametrize("after_s", [-0.06, -0.03, 0.03, 0.07, 0.11])
def test_a_tap_beside_a_foreign_hit_is_used(after_s: float, seed: int, tmp_path: Path) -> None:
    points = visit(tmp_path, seed, after_s, same=False)
    for taps in points:
        for onset_s in ONSETS_S:
            tap = at(taps, onset_s)
            assert tap is not None
            assert tap.used, tap
        assert sum(tap.used for tap in taps) == 3


def test_two_blows_of_the_striker_are_refused(tmp_path: Path) -> None:
    """At least 95 % of equally loud pairs, over distances and strikers, and every point's single taps are kept."""
    used = []
    for seed in range(1, 3):
        for after_s in (0.06, 0.1, 0.2):
            points = visit(tmp_path, seed, after_s, same=True)
            near = [[tap.used for tap in taps if -0.003 < tap.onset_s - ONSETS_S[1] < 0.3] for taps in points]
            assert all(any(one) for one in near[::2])
            used += [any(one) for one in near[1::2]]
    assert sum(used) <= 0.05 * len(used), f"{sum(used)} of {len(used)} used"


def test_a_limping_clock_is_too_regular(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    sound = 2e-4 * rng.normal(size=RATE * 16)
    tick = ring(RATE, rng, loss=0.03, low_hz=1500, high_hz=9000, seconds=0.1)
    for number in range(15):
        start = round((0.6 + number + 0.06 * (number % 2)) * RATE)
        sound[start : start + tick.size] += 0.2 * tick
    write_recording(tmp_path / "a.wav", sound.astype(np.float32), RATE)
    (heard,) = hear([("a", open_recording(tmp_path / "a.wav"))])
    assert not any(tap.used for tap in heard.taps)
    assert sum(tap.why_not == "too regular" for tap in heard.taps) >= 13


@pytest.mark.parametrize("expected", [None, 30])
def test_faint_taps_are_used_where_they_are_missed(expected: int | None, tmp_path: Path) -> None:
    """Thirty taps whose ring has twice the energy of the noise: without their number half of them are not found."""
    rng = np.random.default_rng(5)
    onsets_s = 1.0 + 1.1 * np.arange(30) + rng.uniform(-0.1, 0.1, 30)
    wave = ring(RATE, rng)
    sound = 0.02 * rng.normal(size=RATE * 35)
    level = 0.02 * np.sqrt(2.0) / np.sqrt(np.mean(wave[: round(0.06 * RATE)] ** 2))
    for onset_s in onsets_s:
        start = round(onset_s * RATE)
        sound[start : start + wave.size] += level * rng.uniform(0.7, 1.3) * wave
    write_recording(tmp_path / "a.wav", sound.astype(np.float32), RATE)
    (heard,) = hear([("a", open_recording(tmp_path / "a.wav"))], expected)
    used_s = np.array([tap.onset_s for tap in heard.taps if tap.used])
    true = int((np.abs(used_s[:, None] - onsets_s).min(axis=1) < 0.01).sum())
    assert used_s.size - true <= 1
    if expected is None:
        assert true <= 20
    else:
        assert true >= 24

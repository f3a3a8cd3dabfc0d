"""What must hold for any recording: blocks do not matter, delays delay, gain changes levels only."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.sound.alignment import assign_taps
from taptest.sound.modes import find_modes
from taptest.sound.records import Tap
from taptest.sound.taps import TapDetector, detect_taps
from taptest.sound.traits import LEAD_S, band_energy, noise_profile, tap_traits
from tests.made_taps import walk
from tests.samples import part

pytestmark = pytest.mark.sampled

RATE = 16_000
SOUND, ONSETS_S = walk(RATE, np.random.default_rng(11), taps=8, every_s=0.7, tap_to_noise_db=25)
WHOLE = detect_taps([SOUND], RATE)
FEW = settings(max_examples=part(25), deadline=None)


@FEW
@given(st.lists(st.integers(0, 20_000), min_size=1, max_size=12), st.integers(100, 40_000))
def test_taps_do_not_depend_on_how_the_samples_are_cut(cuts: list[int], rest: int) -> None:
    detector, start = TapDetector(RATE), 0
    taps: list[Tap] = []
    sizes = iter(cuts)
    while start < SOUND.size:
        size = next(sizes, rest)
        taps.extend(detector.feed(SOUND[start : start + size]))
        start += size
    taps.extend(detector.finish())
    assert [(t.onset_s, t.why_not, t.peak_db) for t in taps] == [(t.onset_s, t.why_not, t.peak_db) for t in WHOLE.taps]
    for a, b in zip(taps, WHOLE.taps, strict=True):
        assert abs(a.tap_to_noise_db - b.tap_to_noise_db) < 1e-6
    assert abs(detector.noise_db - WHOLE.noise_db) < 1e-9


@FEW
@given(st.integers(0, 60_000))
def test_silence_before_a_recording_delays_its_taps(delay: int) -> None:
    # Noise, not digital silence, stands before: the detector's floor must not fall away.
    rng = np.random.default_rng(0)
    hiss = (rng.normal(size=delay) * 10 ** (WHOLE.noise_db / 20)).astype(np.float32)
    late = detect_taps([np.concatenate((hiss, SOUND))], RATE)
    found = np.array([tap.onset_s for tap in late.taps]) - delay / RATE
    for tap in WHOLE.taps:
        assert np.abs(found - tap.onset_s).min() < 0.001


@FEW
@given(st.floats(-50, 10))
def test_gain_changes_levels_and_nothing_else(gain_db: float) -> None:
    gain = 10 ** (gain_db / 20)
    scaled = detect_taps([SOUND * np.float32(gain)], RATE)
    assert len(scaled.taps) == len(WHOLE.taps)
    for a, b in zip(scaled.taps, WHOLE.taps, strict=True):
        assert abs(a.onset_s - b.onset_s) < 1e-4
        assert abs(a.tap_to_noise_db - b.tap_to_noise_db) < 0.1
        assert abs(a.peak_db - gain_db - b.peak_db) < 0.01


@FEW
@given(st.floats(-60, 20), st.integers(0, 7))
def test_relative_traits_do_not_know_the_gain(gain_db: float, which: int) -> None:
    gain = 10 ** (gain_db / 20)
    start = round((WHOLE.taps[which % len(WHOLE.taps)].onset_s - LEAD_S) * RATE)
    ring, quiet = SOUND[start : start + 1200].astype(float), SOUND[:6000].astype(float)
    plain = tap_traits(ring, RATE, noise_profile([quiet], RATE))
    loud = tap_traits(gain * ring, RATE, noise_profile([gain * quiet], RATE))
    np.testing.assert_allclose(loud.band_level_db - gain_db, plain.band_level_db, atol=1e-6)
    assert abs(loud.centroid_hz - plain.centroid_hz) < 1e-3


@FEW
@given(st.floats(20, 400), st.integers(0, 2**31))
def test_more_damping_never_adds_to_the_energy_of_a_mode(decay: float, seed: int) -> None:
    time_s = np.arange(960) / RATE
    phase = np.random.default_rng(seed).uniform(0, 6.28)
    tone = np.cos(2 * np.pi * 1000 * time_s + phase)
    slow = band_energy(np.exp(-decay * time_s) * tone, RATE)
    fast = band_energy(np.exp(-1.5 * decay * time_s) * tone, RATE)
    assert fast[6] < slow[6]


@settings(max_examples=part(10), deadline=None)
@given(st.floats(300, 5000), st.floats(15, 200), st.floats(0, 6.28))
def test_any_single_mode_is_found(frequency_hz: float, decay: float, phase: float) -> None:
    time_s = np.arange(4000) / RATE
    x = np.exp(-decay * time_s) * np.cos(2 * np.pi * frequency_hz * time_s + phase)
    x += 3e-3 * np.random.default_rng(1).normal(size=x.size)
    modes = find_modes(x, RATE)
    best = min(modes, key=lambda mode: abs(mode.frequency_hz - frequency_hz))
    assert abs(best.frequency_hz - frequency_hz) < 6 * best.frequency_sd_hz + 1e-3
    assert abs(best.decay_1_s - decay) < 6 * best.decay_sd_1_s + 1e-3


@FEW
@given(st.lists(st.integers(1, 4), min_size=2, max_size=12), st.floats(0.2, 3.0), st.floats(0, 1000), st.data())
def test_alignment_keeps_order_and_does_not_know_the_tempo(
    counts: list[int], tempo: float, start_s: float, data: st.DataObject
) -> None:
    gaps = []
    for count in counts:
        gaps += [data.draw(st.floats(1.4, 1.9))] + [data.draw(st.floats(0.4, 0.6)) for _ in range(count - 1)]
    onsets = np.cumsum(gaps)

    def assigned(times: np.ndarray) -> tuple[int, ...]:
        return assign_taps([Tap(float(t), -10, 30, 1) for t in times], counts).point

    points = assigned(onsets)
    assert list(points) == [p for p, count in enumerate(counts) for _ in range(count)]
    assert assigned(start_s + tempo * onsets) == points

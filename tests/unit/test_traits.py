"""Traits: noise is taken off without bias, and the deviations told are the deviations had."""

from pathlib import Path

import numpy as np
import pytest

from taptest.errors import RecordingError
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.records import TapTraits
from taptest.sound.taps import detect_taps
from taptest.sound.traits import (
    BAND_EDGE_HZ,
    BAND_HZ,
    BAND_MID_HZ,
    LEAD_S,
    NoiseProfile,
    band_energy,
    decay_time_s,
    many_tap_traits,
    noise_profile,
    tap_traits,
    traits_of,
)
from tests.made_taps import walk

RATE = 48_000


def ring(rate_hz: int = RATE) -> np.ndarray:
    """(N,) ten modes, one in most bands, onset after the lead."""
    time_s = np.arange(round(0.061 * rate_hz)) / rate_hz - LEAD_S
    frequency = np.array([300, 420, 700, 900, 1100, 1500, 2100, 3300, 4500, 6000.0])
    decay = np.array([40, 60, 80, 100, 50, 120, 150, 200, 250, 300.0])
    wave = (np.exp(-decay[:, None] * time_s) * np.sin(2 * np.pi * frequency[:, None] * time_s)).sum(axis=0)
    return np.where(time_s >= 0, 0.05 * wave, 0.0)


def mode_bands(traits: TapTraits) -> np.ndarray:
    """(B,) which bands hold a mode and not only the skirts of others."""
    return traits.band_level_db > -57


def test_bands_are_nominal_third_octaves_with_exact_base_ten_edges() -> None:
    # IEC 61260-1: exact mid-band frequencies 1000 * 10^(k/10); nominal values differ by less than 1.5 %.
    assert BAND_HZ.tolist() == [250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300]
    np.testing.assert_allclose(BAND_HZ, BAND_MID_HZ, rtol=0.015)
    np.testing.assert_allclose(BAND_EDGE_HZ[1:] / BAND_EDGE_HZ[:-1], 10**0.1)
    np.testing.assert_allclose(BAND_EDGE_HZ[:-1] * BAND_EDGE_HZ[1:], BAND_MID_HZ**2)


def test_the_energy_of_a_decaying_mode_follows_the_closed_form() -> None:
    # One mode A exp(-a t) cos: energy A^2 / 4a (integral of a damped cosine, a << w).
    time_s = np.arange(round(0.06 * RATE)) / RATE
    energy = band_energy(0.1 * np.exp(-100 * time_s) * np.sin(2 * np.pi * 1000 * time_s), RATE)
    assert energy.sum() == pytest.approx(0.01 / 400, rel=0.01)


def test_many_signals_at_once_give_what_each_gives() -> None:
    x = np.random.default_rng(0).normal(size=(3, 2, 2880))
    energy = band_energy(x, RATE)
    assert energy.shape == (3, 2, 15)
    np.testing.assert_allclose(energy[2, 1], band_energy(x[2, 1], RATE))


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 96_000])
def test_levels_do_not_depend_on_the_rate(rate_hz: int) -> None:
    level, reference = tap_traits(ring(rate_hz), rate_hz), tap_traits(ring(), RATE)
    # Near half the rate a blow that begins between two samples is not the same signal any more.
    loud = mode_bands(reference) & (rate_hz / 4 > BAND_HZ)
    np.testing.assert_allclose(level.band_level_db[loud], reference.band_level_db[loud], atol=0.25)


def test_bands_above_half_the_rate_are_nan() -> None:
    traits = tap_traits(ring(8_000), 8_000)
    assert np.isnan(traits.band_level_db[-3:]).all()
    assert np.isfinite(traits.band_level_db[:-3]).all()


def test_noise_is_taken_off_without_bias_and_the_deviations_are_true() -> None:
    rng = np.random.default_rng(0)
    noise_rms = 0.01
    noise = noise_profile([rng.normal(0, noise_rms, 20 * RATE)], RATE)
    np.testing.assert_allclose(noise.band_power, noise_rms**2 * np.diff(BAND_EDGE_HZ) / (RATE / 2), rtol=0.12)
    clean = tap_traits(ring(), RATE)
    noisy = many_tap_traits(ring() + rng.normal(0, noise_rms, (400, ring().size)), RATE, noise)
    level = np.array([traits.band_level_db for traits in noisy])
    loud = mode_bands(clean)
    assert loud.sum() >= 8
    np.testing.assert_allclose(level.mean(axis=0)[loud], clean.band_level_db[loud], atol=0.1)
    told = np.array([traits.band_level_sd_db for traits in noisy]).mean(axis=0)
    assert (np.abs(np.log(told[loud] / level.std(axis=0)[loud])) < 0.5).all()


def test_what_the_noise_hides_is_nan() -> None:
    rng = np.random.default_rng(1)
    noise = noise_profile([rng.normal(0, 0.3, 5 * RATE)], RATE)
    hidden = many_tap_traits(0.01 * ring() + rng.normal(0, 0.3, (50, ring().size)), RATE, noise)
    assert np.mean([np.isnan(traits.band_level_db) for traits in hidden]) > 0.85


def test_a_click_among_the_noise_does_not_raise_it() -> None:
    rng = np.random.default_rng(2)
    quiet = rng.normal(0, 0.01, 5 * RATE)
    clicked = quiet.copy()
    clicked[RATE : RATE + 200] += 0.5
    plain, robust = noise_profile([quiet], RATE), noise_profile([clicked], RATE)
    np.testing.assert_allclose(robust.band_power, plain.band_power, rtol=0.1)


def test_a_shorter_window_is_allowed_where_the_next_tap_comes_early() -> None:
    short = tap_traits(ring(), RATE, window_s=0.03)
    full = tap_traits(ring(), RATE)
    loud = mode_bands(full)
    assert (short.band_level_db[loud] < full.band_level_db[loud] + 0.5).all()
    assert (short.band_level_db[loud] > full.band_level_db[loud] - 1.5).all()


def test_damaged_samples_and_no_noise_at_all() -> None:
    broken = ring()
    broken[100] = np.nan
    with pytest.raises(RecordingError, match="not numbers"):
        tap_traits(broken, RATE)
    assert noise_profile([], RATE).heard_s == NoiseProfile.none().heard_s == 0.0


def test_traits_of_a_recording_take_off_a_fan_only_where_it_runs(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    sound, _ = walk(RATE, rng, taps=30, tap_to_noise_db=60)
    half = sound.size // 2
    fan = np.zeros(sound.size)
    fan[half:] = rng.normal(0, 3e-3, sound.size - half)
    write_recording(tmp_path / "calm.wav", sound, RATE)
    write_recording(tmp_path / "fan.wav", sound + fan, RATE)
    calm = open_recording(tmp_path / "calm.wav")
    train = detect_taps(calm.blocks(), calm.rate_hz)
    plain = traits_of(calm, train)
    windy = traits_of(open_recording(tmp_path / "fan.wav"), train)
    assert len(plain) == len(train.taps) == 30
    pairs = [(a, b) for a, b in zip(plain, windy, strict=True) if a is not None and b is not None]
    early, late = pairs[:8], pairs[-8:]
    np.testing.assert_array_equal([a.band_level_db for a, _ in early], [b.band_level_db for _, b in early])
    change = np.array([(b.band_level_db - a.band_level_db) / b.band_level_sd_db for a, b in late])
    assert abs(np.nanmedian(change)) < 0.5
    assert np.nanquantile(np.abs(change), 0.9) < 3.0


def test_the_decay_time_of_an_exponential_is_that_of_the_formula() -> None:
    # T60 = 3 ln 10 / a for an amplitude exp(-a t).
    time_s = np.arange(2 * RATE) / RATE
    x = np.exp(-12 * time_s) * np.sin(2 * np.pi * 1000 * time_s)
    assert decay_time_s(x, RATE) == pytest.approx(3 * np.log(10) / 12, rel=0.02)
    assert np.isnan(decay_time_s(np.zeros(RATE), RATE))

"""Microphone, automatic gain and noise behave as named."""

import numpy as np
import pytest
from scipy import signal

from taptest.errors import PhysicsError
from taptest.shell.radiation import rings_of
from taptest.simulate.rooms import (
    NoiseMix,
    Room,
    automatic_gain,
    draw_noise_mix,
    microphone_filter,
    noise_gain,
    plant_noise,
    ring_energy,
    room_response,
)
from taptest.tank.shape import Shape


def test_rings_cover_the_shell_s_surface() -> None:
    """Sphere: area 4 pi R^2 (textbook)."""
    shape = Shape("vertical", 0.4, 0.0, "hemispherical", 0.002)
    rings = rings_of(shape, 200)
    area = float(np.sum(2.0 * np.pi * rings.radius_m * rings.length_m))
    assert area == pytest.approx(4.0 * np.pi * 0.199**2, rel=1e-3)


def test_a_lying_shell_is_refused() -> None:
    with pytest.raises(PhysicsError, match="lies"):
        rings_of(Shape("horizontal", 0.4, 0.5, "ellipsoidal", 0.002))


def test_impossible_rooms_are_refused() -> None:
    with pytest.raises(PhysicsError, match="cannot be"):
        room_response(np.random.default_rng(0), Room(0.0, 0.4), 0.5, 16000.0)


@pytest.mark.parametrize("rate_hz", [16000.0, 44100.0, 48000.0])
def test_microphones_cut_the_bass_and_stay_stable(rate_hz: float) -> None:
    for seed in range(20):
        sections = microphone_filter(np.random.default_rng(seed), rate_hz)
        frequency, gain = signal.sosfreqz(sections, 4096, fs=rate_hz)
        level = 20.0 * np.log10(np.abs(gain) + 1e-12)
        assert level[np.argmin(np.abs(frequency - 20.0))] < -15.0
        assert np.abs(level[np.argmin(np.abs(frequency - 700.0))]) < 4.0
        poles = np.abs(np.concatenate([np.roots(section[3:]) for section in sections]))
        assert poles.max() < 1.0


def test_automatic_gain_brings_loud_and_quiet_together() -> None:
    rate = 16000.0
    rng = np.random.default_rng(3)
    loud, quiet = 0.3 * rng.standard_normal(48000), 0.02 * rng.standard_normal(48000)
    ridden = automatic_gain(np.concatenate([loud, quiet]), rate)
    before = np.std(loud[-8000:]) / np.std(quiet[-8000:])
    after = np.std(ridden[40000:48000]) / np.std(ridden[-8000:])
    assert after < 0.5 * before


@pytest.mark.parametrize(
    "mix",
    [
        NoiseMix(1.0, 0.0, 0.0),
        NoiseMix(0.0, 1.0, 0.0),
        NoiseMix(0.0, 0.0, 1.0),
        NoiseMix(0.0, 0.0, 0.0, voices=1.0),
        NoiseMix(0.0, 0.0, 0.0, clatter=1.0),
    ],
)
def test_every_noise_has_unit_power(mix: NoiseMix) -> None:
    noise = plant_noise(np.random.default_rng(8), mix, 64000, 16000.0)
    assert np.mean(noise**2) == pytest.approx(1.0, rel=1e-9)


def test_hum_stands_on_harmonics_of_the_mains() -> None:
    rate = 16000.0
    noise = plant_noise(np.random.default_rng(2), NoiseMix(0.0, 0.0, 1.0, mains_hz=60.0), 32000, rate)
    power = np.abs(np.fft.rfft(noise)) ** 2
    on_harmonics = power[:: int(60.0 * 2)].sum()
    assert on_harmonics > 0.999 * power.sum()


def test_only_busy_rooms_have_voices_and_clatter() -> None:
    quiet = [draw_noise_mix(np.random.default_rng(s), 0.0) for s in range(50)]
    busy = [draw_noise_mix(np.random.default_rng(s), 1.0) for s in range(50)]
    assert all(mix.voices == 0.0 and mix.clatter == 0.0 for mix in quiet)
    assert any(mix.voices > 0.0 for mix in busy)
    assert any(mix.clatter > 0.0 for mix in busy)


def test_the_noise_gain_gives_the_ratio_asked_for() -> None:
    rng = np.random.default_rng(4)
    taps, noise = rng.standard_normal(4000), 7.0 * rng.standard_normal(20000)
    energy = ring_energy(taps, np.array([0, 1000, 2000]), 960)
    gain = noise_gain(energy, noise, 960, 20.0)
    assert 10.0 * np.log10(np.median(energy) / (np.mean((gain * noise) ** 2) * 960)) == pytest.approx(20.0, abs=1e-9)

"""Modes: found, counted and measured on signals with known modes; nothing found where there is none."""

import numpy as np
import pytest

from taptest.errors import RecordingError
from taptest.sound.modes import find_modes, fit_exponentials, matrix_pencil

RATE = 48_000


def sum_of(frequency_hz: list[float], decay_1_s: list[float], seconds: float = 0.25, rate_hz: int = RATE) -> np.ndarray:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    f, a = np.array(frequency_hz)[:, None], np.array(decay_1_s)[:, None]
    return np.asarray((np.exp(-a * time_s) * np.cos(2 * np.pi * f * time_s + 0.3)).sum(axis=0))


def test_without_noise_the_matrix_pencil_is_exact() -> None:
    n = np.arange(40)
    poles = np.exp(np.array([-0.05 + 1.3j, -0.2 - 0.4j, -0.01 + 1.5j]))
    got = matrix_pencil((poles[:, None] ** n).sum(axis=0), 3)
    np.testing.assert_allclose(np.sort_complex(got), np.sort_complex(poles), atol=1e-9)


def test_the_order_is_found_from_the_singular_values() -> None:
    rng = np.random.default_rng(0)
    n = np.arange(90)
    poles = np.exp(np.array([-0.02 + 1.3j, -0.05 - 0.4j, -0.01 + 2.5j]))
    clean = (poles[:, None] ** n).sum(axis=0)
    orders = [matrix_pencil(clean + 0.02 * (rng.normal(size=90) + 1j * rng.normal(size=90))).size for _ in range(30)]
    assert np.mean(np.array(orders) == 3) > 0.9


def test_real_samples_give_conjugate_pairs() -> None:
    fit = fit_exponentials(sum_of([0.1], [0.02], 60, 1), 2)
    np.testing.assert_allclose(np.sort(fit.pole.imag), [-2 * np.pi * 0.1, 2 * np.pi * 0.1], rtol=1e-6)
    np.testing.assert_allclose(fit.pole.real, -0.02, rtol=1e-6)


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000])
def test_modes_of_a_ring_are_found_with_frequency_decay_amplitude_and_phase(rate_hz: int) -> None:
    frequency, decay = [412.0, 730.0, 1105.0, 2240.0, 4700.0], [25.0, 40.0, 60.0, 120.0, 250.0]
    x = 0.2 * sum_of(frequency, decay, rate_hz=rate_hz)
    x += 1e-3 * np.random.default_rng(0).normal(size=x.size)
    modes = find_modes(x, rate_hz)
    assert len(modes) == 5
    for mode, f, a in zip(modes, frequency, decay, strict=True):
        assert abs(mode.frequency_hz - f) < 4 * mode.frequency_sd_hz
        assert abs(mode.decay_1_s - a) < 4 * mode.decay_sd_1_s
        assert mode.amplitude == pytest.approx(0.2, rel=0.05)
        assert mode.phase_rad == pytest.approx(0.3, abs=0.05)


def test_two_modes_nearer_than_their_widths_are_told_apart() -> None:
    x = sum_of([530.0, 541.0], [30.0, 40.0])
    x += 3e-3 * np.random.default_rng(1).normal(size=x.size)
    modes = find_modes(x, RATE)
    assert [round(mode.frequency_hz) for mode in modes] == [530, 541]


def test_a_ring_shorter_than_a_hundredth_of_a_second_is_measured() -> None:
    x = sum_of([900.0], [400.0], 0.08)
    x += 1e-3 * np.random.default_rng(2).normal(size=x.size)
    (mode,) = find_modes(x, RATE)
    assert mode.decay_1_s == pytest.approx(400.0, rel=0.03)


def test_noise_and_silence_have_no_modes() -> None:
    rng = np.random.default_rng(3)
    found = [len(find_modes(rng.normal(size=9600), RATE)) for _ in range(12)]
    assert sum(found) <= 2
    assert find_modes(np.zeros(9600), RATE) == ()
    assert find_modes(np.ones(8), RATE) == ()


def test_a_mode_near_the_edge_of_a_sub_band_is_found_once() -> None:
    for f in (449.0, 450.0, 451.0, 700.0):
        x = sum_of([f], [30.0])
        x += 1e-2 * np.random.default_rng(4).normal(size=x.size)
        (mode,) = find_modes(x, RATE)
        assert mode.frequency_hz == pytest.approx(f, abs=0.1)


def test_damaged_samples_are_refused() -> None:
    x = sum_of([900.0], [40.0])
    x[5] = np.inf
    with pytest.raises(RecordingError, match="not numbers"):
        find_modes(x, RATE)

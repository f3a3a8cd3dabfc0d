"""Spectra: energy is kept, centroid times are those of the band-passed signal, cells add up."""

import numpy as np
import pytest
from scipy.fft import next_fast_len

from taptest.sound.spectra import (
    SPECTRUM_EDGES_HZ,
    SPECTRUM_HZ,
    WINDOW_S,
    centroid_hz,
    fast_length,
    fine_spectrum,
    ring_spectrum,
    ring_window,
    sum_cells,
)

RATE = 48_000


def test_the_grid_has_24_cells_an_octave_from_200_hz() -> None:
    assert SPECTRUM_HZ[0] == 200.0
    np.testing.assert_allclose(SPECTRUM_HZ[24] / SPECTRUM_HZ[0], 2.0)
    assert 7500 < SPECTRUM_HZ[-1] < 8000
    np.testing.assert_allclose(SPECTRUM_EDGES_HZ[1:-1] ** 2, SPECTRUM_HZ[1:] * SPECTRUM_HZ[:-1])


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000])
def test_parseval_all_bins_together_hold_the_energy_of_the_windowed_ring(rate_hz: int) -> None:
    x = np.random.default_rng(0).normal(size=(2, round(rate_hz * 0.061)))
    window = ring_window(round(0.001 * rate_hz) + round(WINDOW_S * rate_hz), round(0.001 * rate_hz))
    ring = ring_spectrum(x, rate_hz, lead_s=0.001)
    y = x[:, : window.size] * window[: x.shape[1]]
    np.testing.assert_allclose(ring.power.sum(axis=1), (y**2).sum(axis=1) / rate_hz, rtol=1e-10)


def test_the_energy_of_a_cell_is_that_of_the_band_passed_signal() -> None:
    # Outside reference: the signal is band-passed for real, by an ideal filter on a long transform.
    rng = np.random.default_rng(1)
    time_s = np.arange(round(WINDOW_S * RATE)) / RATE
    x = rng.normal(size=time_s.size) * np.exp(-40 * time_s)
    edges = np.array([900.0, 1400.0])
    ring = ring_spectrum(x, RATE)
    got = sum_cells(ring.power, edges, ring.bin_hz, RATE)
    window = ring_window(x.size, 0)
    size = 1 << 18
    spectrum = np.fft.rfft(x * window, size)
    frequency = np.fft.rfftfreq(size, 1 / RATE)
    spectrum[(frequency < edges[0]) | (frequency > edges[1])] = 0.0
    y = np.fft.irfft(spectrum, size)
    assert got[0] == pytest.approx((y**2).sum() / RATE, rel=0.01)


def test_cells_that_touch_add_up_whatever_their_edges() -> None:
    ring = ring_spectrum(np.random.default_rng(2).normal(size=2880), RATE)
    fine = sum_cells(ring.power, np.array([300.0, 333.3, 517.9, 2000.0]), ring.bin_hz, RATE)
    whole = sum_cells(ring.power, np.array([300.0, 2000.0]), ring.bin_hz, RATE)
    assert fine.sum() == pytest.approx(whole[0], rel=1e-12)


def test_above_half_the_rate_there_is_nothing() -> None:
    density = fine_spectrum(ring_spectrum(np.random.default_rng(3).normal(size=480), 8_000))
    assert np.isnan(density[SPECTRUM_EDGES_HZ[1:] > 4000]).all()
    assert np.isfinite(density[SPECTRUM_EDGES_HZ[1:] <= 4000]).all()


def test_the_centroid_of_a_tone_is_its_frequency() -> None:
    time_s = np.arange(2880) / RATE
    tone = fine_spectrum(ring_spectrum(np.sin(2 * np.pi * 1500 * time_s), RATE))
    assert float(centroid_hz(tone)) == pytest.approx(1500, rel=0.01)
    assert np.isnan(centroid_hz(np.zeros(128)))


def test_a_long_ring_does_not_leak_into_far_bands() -> None:
    time_s = np.arange(4800) / RATE
    density = fine_spectrum(ring_spectrum(np.sin(2 * np.pi * 400 * time_s), RATE))
    far = density[np.abs(np.log2(SPECTRUM_HZ / 400)) > 2]
    assert 10 * np.log10(far.max() / density.max()) < -45


def test_a_fast_length_is_that_of_scipy() -> None:
    assert [fast_length(count) for count in range(1, 6000)] == [next_fast_len(n, real=True) for n in range(1, 6000)]

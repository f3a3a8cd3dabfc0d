"""Spectral traits against outside references: librosa's centroid, scipy's filters in third octaves."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import signal

from taptest.sound.spectra import SPECTRUM_EDGES_HZ, ring_window
from taptest.sound.traits import BAND_EDGE_HZ, LEAD_S, band_energy, tap_traits
from tests.made_taps import ring

librosa = pytest.importorskip("librosa")
RATE = 48_000


@pytest.mark.parametrize("seed", range(4))
def test_the_spectral_centroid_is_librosas_for_energies(seed: int) -> None:
    # librosa.feature.spectral_centroid weighs by what it is given; given the power spectrum it is the same definition.
    # It is the reference only: touching it compiles code, for which no technician should wait.
    wave = 0.1 * ring(RATE, np.random.default_rng(seed), loss=0.01)[: round(0.06 * RATE)]
    lead = round(LEAD_S * RATE)
    padded = np.concatenate((np.zeros(lead), wave))
    window = ring_window(padded.size, lead)
    size = 1 << 16
    power = np.abs(np.fft.rfft(padded * window, size)) ** 2
    frequency = np.fft.rfftfreq(size, 1 / RATE)
    inside = (frequency >= SPECTRUM_EDGES_HZ[0]) & (frequency <= SPECTRUM_EDGES_HZ[-1])
    wanted = librosa.feature.spectral_centroid(S=power[inside][:, None], freq=frequency[inside][:, None])[0, 0]
    assert tap_traits(padded, RATE).centroid_hz == pytest.approx(wanted, rel=0.005)


def test_band_levels_are_those_of_sharp_third_octave_filters() -> None:
    # Outside reference: scipy's Butterworth band-passes of high order, run over the same windowed ring.
    wave = 0.1 * ring(RATE, np.random.default_rng(5), loss=0.01, modes=60)[: round(0.06 * RATE)]
    energy = band_energy(wave, RATE)
    window = ring_window(wave.size, 0)
    padded = np.concatenate((wave * window, np.zeros(RATE)))
    wanted = []
    for low, high in pairwise(BAND_EDGE_HZ):
        filtered = signal.sosfilt(signal.butter(12, [low, high], "bandpass", fs=RATE, output="sos"), padded)
        wanted.append((filtered**2).sum() / RATE)
    strong = np.array(wanted) > 0.01 * max(wanted)
    assert strong.sum() >= 8
    assert np.abs(10 * np.log10(energy / wanted))[strong].max() < 0.6

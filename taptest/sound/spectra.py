"""Spectra of short stretches of sound on fixed grids, exact in energy.

Goal: the energy of a tap in any set of frequency cells (third octaves, the fine grid of the map) from one transform,
so that all taps of all recordings, at whatever rate, share the same axes.

Conventions: samples have shape (..., N), full scale is 1; frequencies are hertz; times are seconds after the onset;
energies are integrals of the squared signal over time (full scale squared times seconds), so they do not depend on the
sampling rate. A transform bin that straddles the edge of a cell is shared in proportion to its overlap.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WINDOW_S = 0.060
"""Length of the ring window after the onset."""
FADE_SHARE = 0.25
"""Share of the ring window, at its end, that fades out: a long ring cut off sharply would leak into all bands."""

CELLS_PER_OCTAVE = 24
SPECTRUM_HZ: FloatArray = 200.0 * 2.0 ** (np.arange(128) / CELLS_PER_OCTAVE)
"""(128,) centres of the fine grid, 24 to the octave, 200 Hz to 7.8 kHz."""
SPECTRUM_EDGES_HZ: FloatArray = 200.0 * 2.0 ** ((np.arange(129) - 0.5) / CELLS_PER_OCTAVE)
"""(129,) edges of its cells."""


@dataclass(frozen=True, slots=True)
class RingSpectrum:
    """Energy of one or many ring windows, bin by bin."""

    power: FloatArray
    """(..., K) energy in every bin (one-sided)."""
    bin_hz: float
    rate_hz: float
    window_square_s: float
    """Integral of the squared window over time: noise of density D adds D times this to the energy per hertz."""
    effective_s: float
    """Length of a rectangular window in which noise energy would scatter as much."""


@lru_cache(maxsize=16)
def ring_window(samples: int, lead: int) -> FloatArray:
    """Window (N,) for a stretch whose onset is at index `lead`.

    Rises as a half cosine over the lead, stays 1, and falls as a half cosine over the last `FADE_SHARE` of the part
    after the onset.
    """
    window = np.ones(samples)
    if lead > 0:
        window[:lead] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(lead) + 0.5) / lead)
    fade = int((samples - lead) * FADE_SHARE)
    if fade > 0:
        window[samples - fade :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    window.setflags(write=False)
    return window


def ring_spectrum(
    samples: NDArray[np.floating], rate_hz: float, *, lead_s: float = 0.0, window_s: float = WINDOW_S
) -> RingSpectrum:
    """Transform the ring windows of `samples` (..., N), whose onset lies `lead_s` after the first sample.

    The window ends `window_s` after the onset; a stretch shorter than that is taken as silent beyond its end.
    """
    lead = round(lead_s * rate_hz)
    length = lead + round(window_s * rate_hz)
    stretch = np.asarray(samples, dtype=np.float64)[..., :length]
    window = ring_window(length, lead)
    size = fast_length(2 * length)
    spectrum = np.fft.rfft(stretch * window[: stretch.shape[-1]], size, axis=-1)
    sides = np.full(spectrum.shape[-1], 2.0 / (size * rate_hz))
    sides[0] *= 0.5
    if size % 2 == 0:
        sides[-1] *= 0.5
    square = window**2
    total = float(square.sum())
    return RingSpectrum(
        power=(spectrum.real**2 + spectrum.imag**2) * sides,
        bin_hz=rate_hz / size,
        rate_hz=rate_hz,
        window_square_s=total / rate_hz,
        effective_s=total**2 / float((square**2).sum()) / rate_hz,
    )


def fast_length(count: int) -> int:
    """Return the least number from `count` on with no prime factor above 5: a transform of that length is quick."""
    best = 1 << (count - 1).bit_length()
    fives = 1
    while fives < best:
        odd = fives
        while odd < best:
            best = min(best, odd << (-(-count // odd) - 1).bit_length())
            odd *= 3
        fives *= 5
    return best


def noise_power(windows: NDArray[np.floating], rate_hz: float) -> tuple[FloatArray, float]:
    """Mean square (Q, K) in every bin of windows (Q, N) of steady noise, and the width of a bin in hertz.

    Without the padding that taps need, hence quick; the window is the ring window.
    """
    length = windows.shape[-1]
    window = ring_window(length, 0)
    size = fast_length(length)
    spectrum = np.fft.rfft(windows * window.astype(windows.dtype), size, axis=-1)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float64)
    power *= 2.0 / (size * float((window**2).sum()))
    return power, rate_hz / size


def sum_cells(values: FloatArray, edges_hz: FloatArray, bin_hz: float, rate_hz: float) -> FloatArray:
    """Sum (..., K) bin values into the (..., C) cells between `edges_hz` (C + 1,); NaN above half the sampling rate.

    Each bin counts as spread evenly half a bin to both sides, so the running sum is linear between bin limits and a
    cell is the difference of two of its values.
    """
    bins = values.shape[-1]
    place = np.clip(edges_hz / bin_hz + 0.5, 0.0, bins)
    whole = np.minimum(place.astype(int), bins - 1)
    running = np.cumsum(values, axis=-1)
    at_edges = running[..., whole] - values[..., whole] * (1.0 - (place - whole))
    summed = np.diff(at_edges, axis=-1)
    summed[..., edges_hz[1:] > rate_hz / 2] = np.nan
    return np.asarray(summed)


def fine_spectrum(ring: RingSpectrum) -> FloatArray:
    """(..., 128) energy per hertz on `SPECTRUM_HZ`; NaN above half the sampling rate."""
    return per_hertz(ring.power, ring.bin_hz, ring.rate_hz)


def per_hertz(power: FloatArray, bin_hz: float, rate_hz: float) -> FloatArray:
    """(..., 128) bin values (..., K) summed into the cells of the fine grid, per hertz."""
    return sum_cells(power, SPECTRUM_EDGES_HZ, bin_hz, rate_hz) / np.diff(SPECTRUM_EDGES_HZ)


def centroid_hz(density: FloatArray) -> FloatArray:
    """(...) spectral centroid of energy densities (..., 128) on `SPECTRUM_HZ`: the energy-weighted mean frequency."""
    energy = np.nan_to_num(np.clip(density, 0.0, None)) * np.diff(SPECTRUM_EDGES_HZ)
    total = energy.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(total > 0, (energy @ SPECTRUM_HZ) / total, np.nan))

"""What one tap sounds like: level per third octave, with what the noise leaves uncertain.

Goal: numbers that every tap of every recording shares, each with its standard deviation, so that the line can weigh
them.

Conventions: samples (..., N) at full scale 1; B = 15 third octaves; energies in full scale squared times seconds. A
band that reaches above half the sampling rate, or that the noise hides, is NaN.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import RecordingError
from taptest.sound.recording import Recording
from taptest.sound.records import TapTrain, TapTraits
from taptest.sound.spectra import (
    SPECTRUM_EDGES_HZ,
    SPECTRUM_HZ,
    WINDOW_S,
    RingSpectrum,
    centroid_hz,
    fine_spectrum,
    noise_power,
    per_hertz,
    ring_spectrum,
    sum_cells,
)
from taptest.sound.taps import quiet_starts

FloatArray = NDArray[np.float64]

BAND_HZ: FloatArray = np.array(
    [250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300], float
)
"""(15,) nominal third-octave centres (IEC 61260-1, nominal mid-band frequencies)."""
BAND_MID_HZ: FloatArray = 1000.0 * 10.0 ** (np.arange(-6, 9) / 10)
"""(15,) exact mid-band frequencies, base ten (IEC 61260-1: f = 1000 Hz * 10^(3x/10 / 3))."""
BAND_EDGE_HZ: FloatArray = 1000.0 * 10.0 ** (np.arange(-6.5, 9.0) / 10)
"""(16,) exact band edges: each band ends where the next begins."""

LEAD_S = 0.001
"""How long before the onset a tap's stretch begins, so that an onset marked a little late cuts nothing off."""
NEAREST = 32
"""How many quiet windows nearest in time make a tap's noise."""
TAPS_AT_ONCE = 128
"""Taps worked on together: bounds the memory of a long walk."""
ENOUGH_NOISE_S = 1.0
"""From this much quiet time on a recording's noise is taken from itself alone."""
MOST_WINDOWS = 120
"""So many quiet windows of one recording, 7 s, tell its noise to other recordings."""
HIDDEN = 2.0
"""A band is hidden where its energy is below this many standard deviations of the noise's."""
TINY = 1e-30


@dataclass(frozen=True, slots=True)
class NoiseProfile:
    """The noise without taps, as a tap's traits need it."""

    band_power: FloatArray
    """(B,) mean square in each band; (T, B) where every tap has noise of its own."""
    density: FloatArray
    """(F,) or (T, F) mean square per hertz on the fine grid."""
    heard_s: float
    """How much noise this was estimated from; 0 means that none is known."""

    @classmethod
    def none(cls) -> "NoiseProfile":
        """Profile of a recording without noise."""
        return cls(np.zeros(BAND_HZ.size), np.zeros(SPECTRUM_HZ.size), 0.0)


def band_energy(samples: NDArray[np.floating], rate_hz: float) -> FloatArray:
    """Band energies (..., B) of taps without noise whose onset is the first sample, e.g. computed impulse responses.

    NaN in bands that reach above half the sampling rate.
    """
    ring = ring_spectrum(samples, rate_hz)
    return sum_cells(ring.power, BAND_EDGE_HZ, ring.bin_hz, rate_hz)


def noise_profile(stretches: Sequence[NDArray[np.floating]], rate_hz: float) -> NoiseProfile:
    """Average the noise in stretches without taps, each (N,) and best at least one ring window long.

    The median over windows keeps a faint tap or a click among them from raising the noise; it is divided by the median
    of the scatter that noise of this bandwidth has (chi-squared, Wilson and Hilferty's approximation).
    """
    length = round(WINDOW_S * rate_hz)
    windows = [
        part[start : start + length]
        for part in stretches
        for start in range(0, max(len(part) - length + 1, 1), length)
        if len(part) - start >= length // 2
    ]
    if not windows:
        return NoiseProfile.none()
    padded = np.zeros((len(windows), length))
    for row, window in zip(padded, windows, strict=True):
        row[: len(window)] = window * np.sqrt(length / len(window))
    band_power, density = _noise_windows(padded, rate_hz)
    return NoiseProfile(
        band_power=_middle(band_power, np.diff(BAND_EDGE_HZ)),
        density=_middle(density, np.diff(SPECTRUM_EDGES_HZ)),
        heard_s=sum(len(window) for window in windows) / rate_hz,
    )


def _noise_windows(windows: NDArray[np.floating], rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Mean squares per band (Q, B) and per hertz (Q, F) of windows (Q, N) of noise."""
    power, bin_hz = noise_power(windows, rate_hz)
    return sum_cells(power, BAND_EDGE_HZ, bin_hz, rate_hz), per_hertz(power, bin_hz, rate_hz)


def _middle(values: FloatArray, width_hz: FloatArray) -> FloatArray:
    """Mean over rows (Q, C) estimated through their median, which a click among them does not move."""
    if values.shape[0] < 4:
        return np.asarray(values.mean(axis=0))
    freedom = 2.0 * np.maximum(width_hz * WINDOW_S, 1.0)
    median_of_mean = (1.0 - 2.0 / (9.0 * freedom)) ** 3
    return np.asarray(np.median(values, axis=0) / median_of_mean)


def _products(width_hz: FloatArray, ring: RingSpectrum) -> FloatArray:
    """Bandwidth times effective duration: the number of independent complex values, at least one."""
    return np.maximum(width_hz * ring.effective_s, 1.0)


def tap_traits(
    samples: NDArray[np.floating],
    rate_hz: float,
    noise: NoiseProfile | None = None,
    *,
    lead_s: float = LEAD_S,
    window_s: float = WINDOW_S,
) -> TapTraits:
    """Traits of one tap from its stretch (N,), whose onset lies `lead_s` after the first sample.

    Give a shorter `window_s` where the next tap comes early; levels then describe that shorter window.
    """
    return many_tap_traits(np.asarray(samples)[None], rate_hz, noise, lead_s=lead_s, window_s=window_s)[0]


def many_tap_traits(
    samples: NDArray[np.floating],
    rate_hz: float,
    noise: NoiseProfile | None = None,
    *,
    lead_s: float = LEAD_S,
    window_s: float = WINDOW_S,
) -> tuple[TapTraits, ...]:
    """Traits of T taps at once from their stretches (T, N); see `tap_traits`.

    The noise's mean energy is taken off the band energy before the level is formed. Its standard deviation follows to
    first order: with M independent values in the band (bandwidth times duration), noise energy n and tap energy e,
        var(e) = (n^2 + 2 e n) / M
    """
    stretch = np.asarray(samples)
    if not np.isfinite(stretch).all():
        raise RecordingError("A tap holds samples that are not numbers; the sound file is damaged: record again.")
    hush = noise or NoiseProfile.none()
    ring = ring_spectrum(stretch, rate_hz, lead_s=lead_s, window_s=window_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        level_db, level_sd_db = _bands(ring, hush)
        density = fine_spectrum(ring)
        rest = density - hush.density * ring.window_square_s
        spectrum_db = 10 * np.log10(np.maximum(density, TINY))
    centre = centroid_hz(rest)
    return tuple(
        TapTraits(
            band_level_db=level_db[i],
            band_level_sd_db=level_sd_db[i],
            spectrum_db=spectrum_db[i],
            centroid_hz=float(centre[i]),
        )
        for i in range(stretch.shape[0])
    )


def _bands(ring: RingSpectrum, noise: NoiseProfile) -> tuple[FloatArray, FloatArray]:
    """Level and its deviation, each (T, B)."""
    energy = sum_cells(ring.power, BAND_EDGE_HZ, ring.bin_hz, ring.rate_hz)
    width_hz = np.diff(BAND_EDGE_HZ)
    hush = noise.band_power * ring.window_square_s
    products = _products(width_hz, ring)
    known = np.maximum(width_hz * noise.heard_s, 1.0)
    hush_variance = hush**2 * (1 / products + (1 / known if noise.heard_s > 0 else 0.0))
    tap = energy - hush
    tap_sd = np.sqrt(hush_variance + 2 * np.maximum(tap, 0.0) * hush / products)
    heard = tap > np.maximum(HIDDEN * np.sqrt(hush_variance), TINY)
    level_db = np.where(heard, 10 * np.log10(np.where(heard, tap, 1.0)), np.nan)
    return level_db, np.where(heard, 10 / np.log(10) * tap_sd / tap, np.nan)


def decay_time_s(
    samples: NDArray[np.floating], rate_hz: float, *, low_hz: float = 200.0, high_hz: float = 7000.0
) -> float:
    """Time in which the sound between two frequencies falls by 60 dB, from its fall between -5 and -25 dB.

    Backward integration (Schroeder, J. Acoust. Soc. Am. 37, 1965, 409; range T20 of ISO 3382-1) of a ring (N,)
    that starts at its onset. NaN where it does not fall that far.
    """
    x = np.asarray(samples, dtype=float)
    spectrum = np.fft.rfft(x)
    frequency = np.fft.rfftfreq(x.size, 1 / rate_hz)
    spectrum[(frequency < low_hz) | (frequency > high_hz)] = 0.0
    rest = np.cumsum(np.fft.irfft(spectrum, x.size)[::-1] ** 2)[::-1]
    if not rest[0] > 0:
        return float("nan")
    level_db = 10 * np.log10(np.maximum(rest / rest[0], TINY))
    inside = np.flatnonzero((level_db <= -5.0) & (level_db >= -25.0))
    if inside.size < 8 or level_db[-1] > -25.0:
        return float("nan")
    slope = np.polyfit(inside / rate_hz, level_db[inside], 1)[0]
    return float(-60.0 / slope)


def traits_of(
    recording: Recording, train: TapTrain, elsewhere: NoiseProfile | None = None
) -> tuple[TapTraits | None, ...]:
    """Traits of all usable taps of a recording, in the order of `train.taps`; None for taps that are not used.

    Each tap's noise is that of the quiet windows nearest to it in time, so that a fan that starts halfway through a
    walk is taken off where it runs only. A recording with less quiet than `ENOUGH_NOISE_S` takes the noise heard
    `elsewhere`, where there is some.
    """
    rate_hz = train.rate_hz
    lead = round(LEAD_S * rate_hz)
    length = round(WINDOW_S * rate_hz)
    used = [i for i, tap in enumerate(train.taps) if tap.used]
    starts_s = quiet_starts(train)
    own = elsewhere is None or starts_s.size * WINDOW_S >= ENOUGH_NOISE_S
    traits: list[TapTraits | None] = [None] * len(train.taps)
    for first in range(0, len(used), TAPS_AT_ONCE):
        group = used[first : first + TAPS_AT_ONCE]
        onsets_s = np.array([train.taps[i].onset_s for i in group])
        rings = recording.stretches([round(t * rate_hz) - lead for t in onsets_s.tolist()], lead + length)
        noise = _noise_around(recording, starts_s, onsets_s, length) if own else elsewhere
        for i, tap in zip(group, many_tap_traits(rings, rate_hz, noise), strict=True):
            traits[i] = tap
    return tuple(traits)


def quiet_windows(recording: Recording, train: TapTrain) -> NDArray[np.float32]:
    """Windows (Q, N) of a recording in which neither a tap nor its ring is heard, at most `MOST_WINDOWS` of them."""
    starts_s = quiet_starts(train)
    starts_s = starts_s[:: max(-(-starts_s.size // MOST_WINDOWS), 1)]
    rate_hz = train.rate_hz
    return recording.stretches([round(t * rate_hz) for t in starts_s.tolist()], round(WINDOW_S * rate_hz))


def _noise_around(recording: Recording, starts_s: FloatArray, onsets_s: FloatArray, length: int) -> NoiseProfile:
    """Noise of each of T taps from the quiet windows nearest to it."""
    if not starts_s.size:
        return NoiseProfile.none()
    nearest = np.argsort(np.abs(onsets_s[:, None] - starts_s[None, :]), axis=1)[:, :NEAREST]
    needed, place = np.unique(nearest, return_inverse=True)
    rate_hz = float(recording.rate_hz)
    windows = recording.stretches([round(t * rate_hz) for t in starts_s[needed].tolist()], length)
    power, density = _noise_windows(windows, rate_hz)
    place = place.reshape(nearest.shape)
    return NoiseProfile(
        band_power=np.array([_middle(power[rows], np.diff(BAND_EDGE_HZ)) for rows in place]),
        density=np.array([_middle(density[rows], np.diff(SPECTRUM_EDGES_HZ)) for rows in place]),
        heard_s=nearest.shape[1] * length / rate_hz,
    )

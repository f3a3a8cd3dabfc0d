"""Frequencies and decay times of the modes that a tap excites, with their uncertainty.

Goal: estimates as good as the noise allows (near the Cramer-Rao bound), quick enough for every tap.

How: the matrix pencil (Hua and Sarkar, IEEE Trans. ASSP 38, 1990, 814) gives starting values; in real taps it works on
sub-bands cut out of one transform, whose few samples keep it small. Gauss-Newton on the damped exponentials (least
squares, which is maximum likelihood in white noise) then refines them. For taps this is done on the transform's bins,
where a damped exponential cut off at the record's end has a closed form: no filter, hence no transient that would eat a
short ring; and bins of louder noise count for less.

Conventions: a mode is amplitude * exp(-decay t) cos(2 pi f t + phase), t in seconds from the first sample given; poles
are s = -decay + 2 pi i f in 1/s; M modes, N samples, K bins.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import RecordingError
from taptest.sound.records import Mode

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Columns = Callable[[ComplexArray], tuple[ComplexArray, ComplexArray]]
"""From poles (M,) the model's columns (K, M) for unit amplitudes and their derivatives by the pole."""

LOW_HZ = 200.0
HIGH_HZ = 7000.0
LEAST_BAND_HZ = 250.0
BAND_SHARE = 0.35
"""Sub-bands are this share of their lower edge wide, and at least `LEAST_BAND_HZ`."""
GUARD_SHARE = 0.2
"""Sub-bands are analysed with this much of their width more on both sides."""
EDGE_SHARE = 0.05
"""A mode may lie outside its sub-band by this share of the width: starting values near an edge are that uncertain."""
MOST_IN_BAND = 8
SKIP_FIRST, SKIP_LAST = 2, 3
"""Samples of a sub-band spoiled by its edges."""
ROUNDS = 3
"""How often mirror images and noise weights are recomputed in the last fit."""
MOST_SAMPLES = 84
"""Samples of a sub-band that the matrix pencil looks at."""
LEAST_STRENGTH = 12.0
"""Energy of a mode over the noise's energy in one bin that it must have, beyond 2 ln K, to be believed."""
LEAST_DECAY_1_S = 0.02
"""Decays that the record is too short to tell from none are given as this."""
MOST_DECAY_1_S = 1500.0


@dataclass(frozen=True, slots=True)
class Fit:
    """Poles and complex amplitudes of a least-squares fit."""

    pole: ComplexArray
    """(M,)"""
    amplitude: ComplexArray
    """(M,)"""
    pole_sd: FloatArray
    """(M,) standard deviation of the pole's real part, and of its imaginary part."""
    noise: float
    """Mean square of the residual, complex values counted once."""


def matrix_pencil(samples: NDArray[np.inexact], order: int | None = None, pencil: int | None = None) -> ComplexArray:
    """Estimate the poles z (M,) of samples (N,) = sum of amplitude * z^n, real samples giving conjugate pairs.

    The pencil parameter is N/3 unless given, which is near the best for a single exponential. The order is that given,
    or the number of singular values above Gavish and Donoho's threshold for unknown noise (IEEE Trans. Inf. Theory 60,
    2014, 5040).
    """
    x = np.asarray(samples)
    length = pencil or max(x.size // 3, 2)
    hankel = np.lib.stride_tricks.sliding_window_view(x, length + 1)
    _, singular, right = np.linalg.svd(hankel, full_matrices=False)
    if order is None:
        ratio = min(hankel.shape) / max(hankel.shape)
        limit = 0.56 * ratio**3 - 0.95 * ratio**2 + 1.82 * ratio + 1.43
        order = int(np.count_nonzero(singular > limit * np.median(singular)))
    order = min(order, length - 1, singular.size - 1)
    if order < 1:
        return np.zeros(0, complex)
    signal = right[:order].T
    shift, *_ = np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)
    return np.asarray(np.linalg.eigvals(shift), dtype=complex)


def time_columns(samples: int) -> Columns:
    """Columns of complex exponentials exp(s n), n = 0..N-1: poles count per sample."""
    n = np.arange(samples)[:, None]

    def columns(pole: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        wave = np.exp(n * pole)
        return wave, np.asarray(n * wave, dtype=complex)

    return columns


def bin_columns(turn: ComplexArray, samples: int, rate_hz: float) -> Columns:
    """Columns of the transform of exp(s t) cut off after N samples, at bins with `turn` (K,) = exp(-i omega / rate)."""
    step_s = 1.0 / rate_hz
    growth = 10.0 / (samples * step_s)

    def columns(pole: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        # A pole that grows is on its way out; it must only not overflow.
        pole = np.minimum(pole.real, growth) + 1j * pole.imag
        end = np.exp(pole * (samples * step_s))
        ahead = np.exp(pole * step_s) * turn[:, None]
        inverse = 1.0 / (1.0 - ahead)
        wave = (1.0 - end) * inverse
        slope = step_s * (wave * ahead - samples * end) * inverse
        return wave, slope

    return columns


def refine(data: ComplexArray, columns: Columns, start: ComplexArray, *, rounds: int = 8, noise: float = 0.0) -> Fit:
    """Least squares over poles and amplitudes by Gauss-Newton from the poles `start` (M,).

    Steps that make the residual larger are halved. Standard deviations come from the Fisher information of circular
    white noise, whose mean square is estimated from the residual unless `noise` is given.
    """
    pole = np.array(start, dtype=complex)
    wave, slope = columns(pole)
    amplitude = _solve(wave, data)
    rest = data - wave @ amplitude
    square = float(np.vdot(rest, rest).real)
    for _ in range(rounds):
        jacobian = np.concatenate((wave, slope * amplitude), axis=1)
        change = _solve(jacobian, rest)[pole.size :]
        share = 1.0
        while share > 0.05:
            tried = pole + share * change
            wave_tried, slope_tried = columns(tried)
            amplitude_tried = _solve(wave_tried, data)
            rest_tried = data - wave_tried @ amplitude_tried
            square_tried = float(np.vdot(rest_tried, rest_tried).real)
            if square_tried <= square:
                break
            share /= 4
        else:
            break
        gain = square - square_tried
        pole, wave, slope, amplitude = tried, wave_tried, slope_tried, amplitude_tried
        rest, square = rest_tried, square_tried
        if gain <= 1e-9 * square:
            break
    freedom = max(data.size - 2 * pole.size, 1)
    mean_square = noise or square / freedom
    jacobian = np.concatenate((wave, slope * amplitude), axis=1)
    return Fit(pole, amplitude, _deviations(jacobian, mean_square)[pole.size :], mean_square)


def _solve(matrix: ComplexArray, right: ComplexArray) -> ComplexArray:
    """Least squares by normal equations with scaled columns: small, and near enough to singular only for twin modes."""
    size = np.sqrt(np.einsum("ij,ij->j", matrix.conj(), matrix).real) + 1e-300
    scaled = matrix / size
    gram = scaled.conj().T @ scaled
    gram[np.diag_indices_from(gram)] += 1e-12
    return np.asarray(np.linalg.solve(gram, scaled.conj().T @ right) / size)


def _deviations(jacobian: ComplexArray, mean_square: float) -> FloatArray:
    """(2 M,) standard deviation of the real part of each parameter of a complex linear model in circular noise."""
    size = np.sqrt(np.einsum("ij,ij->j", jacobian.conj(), jacobian).real) + 1e-300
    scaled = jacobian / size
    gram = scaled.conj().T @ scaled
    gram[np.diag_indices_from(gram)] += 1e-12
    spread = np.linalg.inv(gram).diagonal().real
    return np.asarray(np.sqrt(np.maximum(spread, 0.0) * mean_square / 2) / size)


def fit_exponentials(samples: NDArray[np.inexact], order: int, *, pencil: int | None = None) -> Fit:
    """Fit `order` complex exponentials to samples (N,): matrix pencil, then least squares; poles count per sample.

    Real samples need two exponentials a mode; their noise is white but not circular, and the standard deviations hold
    for it too as long as no mode lies near zero frequency.
    """
    x = np.asarray(samples, dtype=complex)
    start = np.log(matrix_pencil(samples, order, pencil))
    return refine(x, time_columns(x.size), start)


def find_modes(
    samples: NDArray[np.floating],
    rate_hz: float,
    *,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
) -> tuple[Mode, ...]:
    """Find the modes of one ring (N,) that starts at its first sample, in order of frequency.

    Give the ring from the end of the strike's contact on (about 2 ms after the onset), 50 to 500 ms long. How many
    modes there are is decided from the sound: singular values of each sub-band, then the energy that each mode must
    have over the noise. Phases and amplitudes refer to the first sample.
    """
    x = np.asarray(samples, dtype=float)
    if not np.isfinite(x).all():
        raise RecordingError("A tap holds samples that are not numbers; the audio file is damaged: record again.")
    if x.size < 32 or not x.any():
        return ()
    top_hz = min(high_hz, 0.45 * rate_hz)
    spectrum = np.fft.rfft(x)
    bands = _bands_of(spectrum, low_hz, top_hz, x.size, rate_hz)
    fits = _without_twins([_start_band(band) for band in bands], bands)
    fits = [_refine_band(i, bands, fits) for i in range(len(bands))]
    if not any(fit.pole.size for fit in fits):
        return ()
    whole = _cut(spectrum, low_hz, top_hz, x.size, rate_hz)
    return tuple(sorted(_modes_of(_refine_all(whole, bands, fits)), key=lambda mode: mode.frequency_hz))


@dataclass(frozen=True, slots=True)
class _Cut:
    """Neighbouring bins of the transform of a ring, and the model on them."""

    bins: ComplexArray
    """(K,)"""
    first: int
    bin_hz: float
    columns: Columns


@dataclass(frozen=True, slots=True)
class _Band:
    """A sub-band between two frequencies; its bins reach beyond it by the guard."""

    low_hz: float
    high_hz: float
    cut: _Cut


def _cut(spectrum: ComplexArray, low_hz: float, high_hz: float, samples: int, rate_hz: float) -> _Cut:
    """Cut the bins from `low_hz` to `high_hz` out of the transform of N samples, without the zeroth and the last."""
    bin_hz = rate_hz / samples
    first = max(int(low_hz / bin_hz), 1)
    last = min(int(np.ceil(high_hz / bin_hz)), spectrum.size - 1)
    turn = np.exp(-2j * np.pi * np.arange(first, last) / samples)
    return _Cut(spectrum[first:last], first, bin_hz, bin_columns(turn, samples, rate_hz))


def _bands_of(spectrum: ComplexArray, low_hz: float, high_hz: float, samples: int, rate_hz: float) -> list[_Band]:
    """Cut the transform of a ring into sub-bands."""
    bands = []
    low = low_hz
    while low < high_hz:
        high = min(low + max(LEAST_BAND_HZ, BAND_SHARE * low), high_hz)
        if high_hz - high < LEAST_BAND_HZ / 2:
            high = high_hz
        guard = GUARD_SHARE * (high - low)
        bands.append(_Band(low, high, _cut(spectrum, low - guard, high + guard, samples, rate_hz)))
        low = high
    return bands


def _start_band(band: _Band) -> Fit:
    """Find starting values of a sub-band by the matrix pencil on its few complex samples."""
    count = band.cut.bins.size
    guard = max(int(count * GUARD_SHARE / (1 + 2 * GUARD_SHARE)), 1)
    taper = np.ones(count)
    slope = 0.5 - 0.5 * np.cos(np.pi * (np.arange(guard) + 0.5) / guard)
    taper[:guard], taper[-guard:] = slope, slope[::-1]
    signal = np.fft.ifft(band.cut.bins * taper)[SKIP_FIRST : min(count - SKIP_LAST, MOST_SAMPLES)]
    if signal.size < 8:
        return _no_fit()
    z = matrix_pencil(signal)
    if not z.size:
        return _no_fit()
    rate = count * band.cut.bin_hz
    angle = np.angle(z) % (2 * np.pi)
    frequency = band.cut.first * band.cut.bin_hz + angle / (2 * np.pi) * rate
    decay = np.clip(-np.log(np.abs(z) + 1e-300) * rate, 2.0, MOST_DECAY_1_S / 2)
    edge = EDGE_SHARE * (band.high_hz - band.low_hz)
    inside = (frequency >= band.low_hz - edge) & (frequency < band.high_hz + edge)
    pole = (-decay + 2j * np.pi * frequency)[inside][:MOST_IN_BAND]
    if not pole.size:
        return _no_fit()
    wave, _ = band.cut.columns(pole)
    return Fit(pole, _solve(wave, band.cut.bins), np.zeros(pole.size), 0.0)


def _without_twins(fits: list[Fit], bands: list[_Band]) -> list[Fit]:
    """Drop starting values that two neighbouring sub-bands both have of a mode near their common edge."""
    kept = [fits[0]]
    for fit, band in zip(fits[1:], bands[1:], strict=True):
        before = kept[-1].pole.imag / (2 * np.pi)
        frequency = fit.pole.imag / (2 * np.pi)
        reach = 2 * EDGE_SHARE * (band.high_hz - band.low_hz)
        at_edge = before[before > band.low_hz - reach]
        near = np.abs(frequency[:, None] - at_edge[None, :]) < np.maximum(reach / 2, 2 * band.cut.bin_hz)
        twin = near.any(axis=1) & (frequency < band.low_hz + reach)
        kept.append(Fit(fit.pole[~twin], fit.amplitude[~twin], fit.pole_sd[~twin], fit.noise))
    return kept


def _no_fit() -> Fit:
    return Fit(np.zeros(0, complex), np.zeros(0, complex), np.zeros(0), 0.0)


def _refine_band(index: int, bands: list[_Band], fits: list[Fit]) -> Fit:
    """Refine the modes of one sub-band with all other modes, and all mirror images, taken off; drop what noise made."""
    band, fit = bands[index], fits[index]
    if not fit.pole.size:
        return fit
    others = [f for i, f in enumerate(fits) if i != index and f.pole.size]
    pole = np.concatenate([f.pole for f in others] + [fit.pole.conj()] + [f.pole.conj() for f in others])
    size = np.concatenate([f.amplitude for f in others] + [fit.amplitude.conj()] + [f.amplitude.conj() for f in others])
    data = band.cut.bins - band.cut.columns(pole)[0] @ size
    while fit.pole.size:
        fit = refine(data, band.cut.columns, fit.pole)
        keep = _believable(fit, band)
        if keep.all():
            break
        fit = Fit(fit.pole[keep], fit.amplitude[keep], fit.pole_sd[keep], fit.noise)
    return fit


def _refine_all(whole: _Cut, bands: list[_Band], fits: list[Fit]) -> Fit:
    """Refine all modes together on all bins, each weighed by the noise left in its sub-band.

    Mirror images at negative frequencies are taken off as last known; like the weights they settle in a few rounds.
    """
    pole = np.concatenate([fit.pole for fit in fits])
    fit = Fit(pole, np.concatenate([fit.amplitude for fit in fits]), np.zeros(pole.size), 1.0)
    done = 0
    while fit.pole.size and done < ROUNDS:
        mirror = whole.columns(fit.pole.conj())[0] @ fit.amplitude.conj()
        weight = _weights(whole, bands, fit, whole.bins - mirror - whole.columns(fit.pole)[0] @ fit.amplitude)
        columns = _weighed(whole.columns, weight)
        fit = refine((whole.bins - mirror) * weight, columns, fit.pole, rounds=4)
        done += 1
        sound = (fit.pole.real < 3 * fit.pole_sd) & (fit.pole.real > -MOST_DECAY_1_S)
        sound &= _strength(fit, columns, whole.bins.size) > 1.0
        if not sound.all():
            fit = Fit(fit.pole[sound], fit.amplitude[sound], fit.pole_sd[sound], fit.noise)
            done = min(done, ROUNDS - 1)
    return fit


def _strength(fit: Fit, columns: Columns, bins: int) -> FloatArray:
    """(M,) energy of each mode relative to what noise alone may look like among K bins."""
    wave, _ = columns(fit.pole)
    energy = np.abs(fit.amplitude) ** 2 * np.einsum("ij,ij->j", wave.conj(), wave).real
    return np.asarray(energy / max(fit.noise, 1e-300) / (LEAST_STRENGTH + 2 * np.log(bins)))


def _weights(whole: _Cut, bands: list[_Band], fit: Fit, rest: ComplexArray) -> FloatArray:
    """(K,) one over the noise's root mean square in the sub-band of each bin."""
    weight = np.zeros(rest.size)
    frequency = fit.pole.imag / (2 * np.pi)
    for band in bands:
        low = max(int(band.low_hz / whole.bin_hz) - whole.first, 0)
        part = slice(low, int(np.ceil(band.high_hz / whole.bin_hz)) - whole.first)
        modes = int(np.count_nonzero((frequency >= band.low_hz) & (frequency < band.high_hz)))
        freedom = float(max(rest[part].size - 2 * modes, 1))
        weight[part] = np.sqrt(freedom / max(float((np.abs(rest[part]) ** 2).sum()), 1e-300))
    return weight


def _weighed(columns: Columns, weight: FloatArray) -> Columns:
    def weighed(pole: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        wave, slope = columns(pole)
        return wave * weight[:, None], slope * weight[:, None]

    return weighed


def _believable(fit: Fit, band: _Band) -> NDArray[np.bool_]:
    """Tell which modes decay, lie in the sub-band and stand out; of those that do not only the worst is dropped."""
    decay, frequency = -fit.pole.real, fit.pole.imag / (2 * np.pi)
    strength = _strength(fit, band.cut.columns, band.cut.bins.size)
    edge = EDGE_SHARE * (band.high_hz - band.low_hz)
    sound = (decay > -3 * fit.pole_sd) & (decay < MOST_DECAY_1_S)
    sound &= (frequency > band.low_hz - edge) & (frequency < band.high_hz + edge)
    sound &= fit.pole_sd < 0.5 * np.maximum(decay, 2 * np.pi * band.cut.bin_hz)
    merit = np.where(sound, strength, 0.0)
    keep = np.ones(fit.pole.size, bool)
    if merit.min() < 1.0:
        keep[int(merit.argmin())] = False
    return keep


def _modes_of(fit: Fit) -> list[Mode]:
    return [
        Mode(
            frequency_hz=float(pole.imag / (2 * np.pi)),
            decay_1_s=max(float(-pole.real), LEAST_DECAY_1_S),
            amplitude=float(2 * np.abs(amplitude)),
            phase_rad=float(np.angle(amplitude)),
            frequency_sd_hz=float(sd / (2 * np.pi)),
            decay_sd_1_s=float(sd),
        )
        for pole, amplitude, sd in zip(fit.pole, fit.amplitude, fit.pole_sd, strict=True)
    ]

"""Made taps with known truth for tests of the sound room: damped modes, struck at known times, in noise."""

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]


def ring(
    rate_hz: float,
    rng: np.random.Generator,
    *,
    seconds: float = 0.4,
    loss: float = 0.006,
    modes: int = 25,
    low_hz: float = 350.0,
    high_hz: float = 6000.0,
) -> NDArray[np.float64]:
    """(N,) response of `modes` random modes to a half-sine blow of 0.2 ms, peak 1; the onset is sample 0."""
    top = min(high_hz, 0.4 * rate_hz)
    frequency = np.sort(low_hz * (top / low_hz) ** rng.uniform(size=modes))
    decay = np.pi * frequency * loss * rng.uniform(0.6, 1.6, size=modes)
    amplitude = rng.normal(size=modes) / np.sqrt(frequency)
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    wave = amplitude @ (np.exp(-np.outer(decay, time_s)) * np.sin(2 * np.pi * np.outer(frequency, time_s)))
    blow = np.sin(np.pi * (np.arange(max(int(0.0002 * rate_hz), 1)) + 0.5) / max(int(0.0002 * rate_hz), 1))
    struck = np.convolve(wave, blow)[: wave.size]
    return np.asarray(struck / np.abs(struck).max())


def plant_noise(samples: int, rate_hz: float, rng: np.random.Generator, *, hum: float = 1.0) -> NDArray[np.float64]:
    """(N,) broadband noise that falls with frequency, with mains hum on it; root mean square near 1 without the hum."""
    white = rng.normal(size=samples)
    step = 1 << 16
    rumble = np.empty(samples)
    kernel = np.exp(-np.arange(int(0.004 * rate_hz)) * 2 * np.pi * 300 / rate_hz)
    kernel /= np.sqrt((kernel**2).sum())
    size = step + kernel.size - 1
    spectrum = np.fft.rfft(kernel, size)
    tail = np.zeros(kernel.size - 1)
    for start in range(0, samples, step):
        part = np.zeros(step)
        have = white[start : start + step]
        part[: have.size] = have
        whole = np.fft.irfft(np.fft.rfft(part, size) * spectrum, size)
        whole[: tail.size] += tail
        rumble[start : start + step] = whole[: have.size]
        tail = whole[step:]
    time_s = np.arange(samples) / rate_hz
    return np.asarray(0.8 * rumble + 0.3 * rng.normal(size=samples) + hum * np.sin(2 * np.pi * 100 * time_s))


def walk(
    rate_hz: float,
    rng: np.random.Generator,
    *,
    taps: int,
    every_s: float = 1.0,
    tap_to_noise_db: float = 30.0,
    level: float = 0.3,
) -> tuple[Samples, NDArray[np.float64]]:
    """A recording (N,) of `taps` taps about `every_s` apart, and their onsets (T,) in seconds."""
    onsets_s = 0.6 + every_s * np.arange(taps) + rng.uniform(-0.2, 0.2, size=taps) * every_s
    total = int((onsets_s[-1] + 1.0) * rate_hz)
    sound = np.zeros(total)
    kinds = [ring(rate_hz, rng, loss=loss) for loss in (0.004, 0.008, 0.02, 0.03) for _ in range(3)]
    starts = np.round(onsets_s * rate_hz).astype(int)
    for start in starts:
        kind = kinds[int(rng.integers(len(kinds)))]
        part = kind[: total - start]
        sound[start : start + part.size] += part * level * rng.uniform(0.5, 1.5)
    window = int(0.06 * rate_hz)
    energy = np.median([np.mean(sound[start : start + window] ** 2) for start in starts])
    noise = plant_noise(total, rate_hz, rng) * np.sqrt(energy) * 10 ** (-tap_to_noise_db / 20)
    return (sound + noise).astype(np.float32), starts / rate_hz

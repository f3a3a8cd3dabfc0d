"""Simulated tapping for the tests of live capture: struck sinusoids over noise, with their true onsets.

Simulated: no recording of a tank is in it. Levels are full scale 1, times seconds.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

RATE_HZ = 48000


def ring(rate_hz: float = RATE_HZ, peak: float = 0.2, pitch: float = 1.0, length_s: float = 0.3) -> FloatArray:
    """One strike: five damped sinusoids with a hard attack, scaled to `peak`."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    parts = ((480.0, 25.0), (910.0, 30.0), (1730.0, 40.0), (2950.0, 55.0), (4700.0, 80.0))
    sound = sum(np.exp(-d * t) * np.sin(2 * np.pi * f * pitch * t + i) for i, (f, d) in enumerate(parts))
    sound = np.asarray(sound) * (1 - np.exp(-t / 0.0003))
    return np.asarray(sound * (peak / np.abs(sound).max()))


@dataclass
class Hand:
    """Makes a stretch of sound piece by piece: quiet, taps, mishaps; `onsets_s` are the true times of the good taps.

    After every `mark` good taps the hand takes `move_s` longer: it goes to the next mark.
    """

    rate_hz: float = RATE_HZ
    noise: float = 0.0005
    seed: int = 1
    mark: int = 3
    move_s: float = 0.7
    pieces: list[FloatArray] = field(default_factory=list)
    onsets_s: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng(self.seed)

    @property
    def length_s(self) -> float:
        return sum(len(piece) for piece in self.pieces) / self.rate_hz

    def quiet(self, seconds: float) -> "Hand":
        self.pieces.append(self._rng.normal(0.0, self.noise, round(seconds * self.rate_hz)))
        return self

    def tap(self, peak: float = 0.2, pitch: float = 1.0, then_s: float = 0.8) -> "Hand":
        if self.onsets_s and len(self.onsets_s) % self.mark == 0:
            self.quiet(self.move_s)
        sound = self._rng.normal(0.0, self.noise, round(then_s * self.rate_hz))
        strike = ring(self.rate_hz, peak * self._rng.uniform(0.9, 1.1), pitch)[: len(sound)]
        sound[: len(strike)] += strike
        self.onsets_s.append(self.length_s)
        self.pieces.append(sound)
        return self

    def taps(self, count: int, peak: float = 0.2, pitch: float = 1.0, then_s: float = 0.8) -> "Hand":
        for _ in range(count):
            self.tap(peak, pitch, then_s)
        return self

    def bounce(self, peak: float = 0.2) -> "Hand":
        """A double hit: a second strike 60 ms after the first, as a striker held too tightly gives."""
        self.quiet(0.8)
        piece = self.pieces[-1]
        strike = ring(self.rate_hz, peak)
        piece[: len(strike)] += strike
        late = round(0.06 * self.rate_hz)
        piece[late : late + len(strike)] += 0.7 * strike
        return self

    def clipped(self) -> "Hand":
        """A tap that overloads the input."""
        self.quiet(0.8)
        strike = 6.0 * ring(self.rate_hz, 1.0)
        self.pieces[-1][: len(strike)] += strike
        np.clip(self.pieces[-1], -1.0, 1.0, out=self.pieces[-1])
        return self

    def sound(self) -> FloatArray:
        return np.concatenate(self.pieces)

"""The tones of the round, told apart without looking: short for a tap that counts, rising for a point, low for again.

Conventions: (N,) samples in -1..1 at the rate asked for. The tones begin and end softly, so that they do not click, and
lie where a laptop's loudspeaker is loud and a boiler room's hum is not (0.4 to 2 kHz).
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

Tone = Literal["tap", "point", "again", "done"]

NOTES: dict[Tone, tuple[tuple[float, float], ...]] = {
    "tap": ((1320.0, 0.06),),
    "point": ((990.0, 0.07), (1480.0, 0.10)),
    "again": ((415.0, 0.20),),
    "done": ((990.0, 0.10), (1320.0, 0.10), (1980.0, 0.25)),
}
"""Frequency in hertz and length in seconds of the notes of each tone."""
LOUDNESS = 0.3
FADE_S = 0.012


def tone(name: Tone, rate_hz: float) -> FloatArray:
    """Return the samples of a tone."""
    return np.concatenate([_note(hz, length_s, rate_hz) for hz, length_s in NOTES[name]])


def _note(hz: float, length_s: float, rate_hz: float) -> FloatArray:
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    edge = np.clip(np.minimum(t, length_s - t) / FADE_S, 0.0, 1.0)
    return np.asarray(LOUDNESS * np.sin(2 * np.pi * hz * t) * np.sin(0.5 * np.pi * edge) ** 2)

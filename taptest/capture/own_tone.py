"""Tell a tap from the round's own tone: both are heard while a tone is in the air, and only one of them is a mistake.

A tone lies on a few known lines: its notes and what a small loudspeaker adds at their multiples. A tap rings on many
lines at once. So a hit is a tap where the sound beside the tone's lines has risen with it. Conventions: samples (N,) in
-1..1, frequencies in hertz.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WINDOW_S = 0.080
BEFORE_S = -0.100
"""Beginning of the window before a hit, with whose sound the others are compared."""
FROM_S, TO_S, STEP_S = -0.005, 0.050, 0.010
"""Beginnings of the windows with a hit: a tap that lands on a tone within 80 ms is heard as one hit with it."""
BAND_HZ = (300.0, 12_000.0)
MULTIPLES = 5
"""Up to this multiple a laptop's loudspeaker distorts a tone enough to be heard."""
HALF_WIDTH_HZ = 120.0
"""Half the width of a line: a window of 80 ms and notes that begin and end within 12 ms are no wider."""
RISE = 10 ** (8 / 10)
"""Rise of the energy beside the lines that counts; steady noise in windows of 80 ms moves by about 1 dB."""
SHARE = 0.01
"""Least share of the risen energy that lies beside the lines. Simulated, with notes distorted by up to 30 %: tones at
most 0.0001; taps at least 0.1 alone and 0.015 with a tone as loud as their peak."""


def is_tap(sound: FloatArray, onset: int, rate_hz: float, notes_hz: Sequence[float]) -> bool:
    """Say whether the hit at sample `onset` of `sound` is, or hides, a tap while a tone of these notes may sound.

    Where too little of the sound is there to tell, it is none.
    """
    length = round(WINDOW_S * rate_hz)
    hz = np.fft.rfftfreq(length, 1 / rate_hz)
    band = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    beside = band.copy()
    for note in notes_hz:
        for multiple in range(1, MULTIPLES + 1):
            beside &= np.abs(hz - multiple * note) > HALF_WIDTH_HZ
    window = np.hanning(length)

    def energies(start: int) -> tuple[float, float]:
        power = np.abs(np.fft.rfft(window * sound[start : start + length])) ** 2
        return float(power[beside].sum()), float(power[band].sum())

    first = onset + round(BEFORE_S * rate_hz)
    if first < 0:
        return False
    quiet_beside, quiet = energies(first)
    for start in range(onset + round(FROM_S * rate_hz), onset + round(TO_S * rate_hz), round(STEP_S * rate_hz)):
        if start + length > len(sound):
            return False
        now_beside, now = energies(start)
        risen = now_beside - quiet_beside
        if now_beside > RISE * quiet_beside and risen > SHARE * max(now - quiet, 0.0):
            return True
    return False

"""Records of the sound room: one tap, all taps of a recording, and the traits of one tap.

Times are seconds from the start of the recording, levels are decibels relative to full scale, frequencies are hertz.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.sound.remarks import WhyNot
from taptest.statements import Said

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tap:
    """One strike found in a recording."""

    onset_s: float
    peak_db: float
    """Highest absolute sample, dB relative to full scale."""
    tap_to_noise_db: float
    """Energy in the ring window over that of the noise floor in the same length."""
    free_s: float
    """Time until the next tap or the end of the recording."""
    why_not: WhyNot | None = None
    second_s: float | None = None
    """When a second hit was heard in its ring; None where none was."""

    @property
    def used(self) -> bool:
        """Whether the tap may be used."""
        return self.why_not is None


@dataclass(frozen=True, slots=True)
class TapTrain:
    """All taps of one recording, in order of time."""

    taps: tuple[Tap, ...]
    rate_hz: float
    duration_s: float
    noise_db: float
    """Noise floor in the tap band, dB relative to full scale (root mean square)."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """Which tap of a walk belongs to which point; T taps in order."""

    point: tuple[int, ...]
    """(T,) index of the point, -1 for a tap that belongs to none (noise, an accidental touch)."""
    certainty: tuple[float, ...]
    """(T,) probability of that."""
    doubtful_points: tuple[int, ...]
    """Indices of the points whose taps are in doubt."""
    notes: tuple[Said, ...]
    """Whole sentences on missing, surplus and doubtful taps; points are counted from 1 in them."""


@dataclass(frozen=True, slots=True)
class Mode:
    """One damped sinusoid: amplitude * exp(-decay * t) * cos(2 pi frequency t + phase)."""

    frequency_hz: float
    decay_1_s: float
    amplitude: float
    phase_rad: float
    frequency_sd_hz: float
    decay_sd_1_s: float


@dataclass(frozen=True, slots=True)
class TapTraits:
    """What one tap sounds like, on grids that all taps share.

    Shapes: (B,) for bands (nominal third octaves, see `taptest.sound.traits.BAND_HZ`), (F,) for the fine spectrum.
    """

    band_level_db: FloatArray
    """(B,) energy in the ring window per band with the noise's energy taken off; NaN where the noise hides it."""
    band_level_sd_db: FloatArray
    """(B,) standard deviation of that level due to noise."""
    spectrum_db: FloatArray
    """(F,) energy spectrum on the logarithmic grid `taptest.sound.spectra.SPECTRUM_HZ`, for the map."""
    modes: tuple[Mode, ...] = ()
    centroid_hz: float = float("nan")
    """Spectral centroid of the ring window."""

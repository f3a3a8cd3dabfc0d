"""The onset: the pressure at which water begins to enter a membrane tank, heard at one mark.

Below its charge a tank with a membrane is dry and sounds the same at every pressure; above it the water grows with the
pressure, and the notes move. One mark is tapped while the fill is slowly raised or let down, the gauge is read every
few taps, and the pressure is sought at which the sound begins to change. No shape, wall or model is needed.

Every cell of the fine spectrum is a smooth unknown function of the water in the tank, plus scatter from tap to tap: a
Gaussian process over sqrt-like or linear measures of the share of water, 1 - onset / pressure (absolute), of unknown
amplitude and reach. Marginal likelihood over those for each onset (Rasmussen and Williams, Gaussian Processes for
Machine Learning, 2006, ch. 5). Beside it: nothing moves in the tank, and pressure alone drifts the notes a little.

Pressures are gauge pascals as shown by the gauge. Shapes: T taps, F cells of the fine spectrum, G grid pressures.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import LineError
from taptest.line.distribution import log_mean, quantile
from taptest.sound.records import TapTraits
from taptest.sound.spectra import CELLS_PER_OCTAVE, SPECTRUM_HZ
from taptest.tank.contact import seam_reach_m
from taptest.tank.kinds import Tank
from taptest.tank.membrane import from_water_end

FloatArray = NDArray[np.float64]

CLEAR_OF_SEAM_M = 0.035
"""Onset marks keep this away from the seam, on the water's side of it."""
CLEAR_OF_POLE_M = 0.03
"""Where no seam is near, the mark lies this far from the water's pole."""
HIGHEST_HZ = 4000.0
"""Above, a blow carries too little, and the notes lie too close."""
BELOW_LOUDEST_DB = 40.0
"""Quieter cells count as this quiet."""
SMOOTH_OCTAVES = 0.33
"""What is wider than this is blow, room and microphone, and is taken off."""
INDEPENDENT = 12.0
"""As many independent cells a spectrum is worth."""
REACHES = (0.003, 0.01, 0.03, 0.1)
"""Change of the water share over which a note is forgotten."""
POWERS = (0.5, 1.0)
"""Of the share of water in whose measure a spectrum changes evenly."""
MOVING = (0.3, 0.6, 0.9)
"""Part of the spectrum that the water changes."""
ALIKE = (0.3, 0.5, 0.7, 0.85)
"""Part of the variance that two taps at the same water share."""
DRIFTS_PA = (1.5e5, 6.0e5)
"""Change of pressure over which the notes of a tank in which no water moves drift away."""
NEEDLE_SD_PA = 2_000.0
"""How exactly a reading goes with its taps: the needle, water on its way, a film that parts late. Own judgement."""
MISHEARD = 0.02
"""Probability that the taps say nothing of the onset: a microphone that was moved, a form that the mark cannot show."""
STEP_PA = 1_000.0
"""Between the onsets that are weighed."""
BEYOND_PA = 4_000.0
"""Beyond the readings by this much, nothing of the onset is seen from there."""
VACUUM_PA = -0.95e5
"""The lowest onset that is weighed."""
BELOW_STEPS = 8
"""Onsets below all readings, evenly from there."""
WITHIN, BELOW, ABOVE, STILL = 0.5, 0.2, 0.15, 0.15
"""Probabilities beforehand: onset within the readings, below or above all of them, no water moves at all."""
FEWEST_READINGS = 4
"""With fewer pressures there is no before and after."""
LEAST_SPAN_PA = 10_000.0
"""Over less than 0.1 bar nothing is told."""


@dataclass(frozen=True, slots=True)
class OnsetEvidence:
    """What one mark's taps at many pressures say of the onset."""

    pressure_pa: FloatArray
    """(G,) rising; the first entry stands for all onsets below it, the last one for all above."""
    likelihood: FloatArray
    """(G,) relative to their mean beforehand; 1 says nothing."""
    still: float
    """The same of no water moving at all."""
    lowest_pa: float
    highest_pa: float
    """Between these the pressure was read."""
    taps: int
    readings: int
    likeness: tuple[tuple[float, float], ...]
    """For each reading its pressure and how alike its taps sound to those of the lowest one, -1..1: for pictures."""

    @property
    def p_within(self) -> float:
        """Probability that the sound began to change within the readings."""
        return float(WITHIN * self._mean(self._within))

    @property
    def p_below(self) -> float:
        """Probability that water was in the tank at all pressures, and moved."""
        return float(BELOW * self._mean(self.pressure_pa < self.lowest_pa))

    @property
    def p_no_change(self) -> float:
        """Probability that nothing changed: dry at all pressures, or no water that moves."""
        return 1.0 - self.p_within - self.p_below

    @property
    def interval90_pa(self) -> tuple[float, float, float]:
        """5 %, 50 % and 95 % of the onset, if it lies within the readings."""
        grid, mass = self.pressure_pa[self._within], self.likelihood[self._within]
        low, middle, high = (quantile(grid, mass, share) for share in (0.05, 0.5, 0.95))
        return low, middle, high

    @property
    def _within(self) -> NDArray[np.bool_]:
        return (self.pressure_pa >= self.lowest_pa) & (self.pressure_pa <= self.highest_pa)

    def _mean(self, where: NDArray[np.bool_]) -> float:
        return float(self.likelihood[where].mean())


def onset_mark_m(tank: Tank) -> float:
    """Depth of the mark that turns first: just on the water's side of a hanging tank's seam, else at the water's pole.

    Raises `LineError` for a tank without a clamped membrane, or one that lies.
    """
    refuse_without_onset(tank)
    if not tank.hanging:
        return float(from_water_end(tank, CLEAR_OF_POLE_M))
    seam = seam_reach_m(tank)
    return float(from_water_end(tank, max(seam - CLEAR_OF_SEAM_M, 0.5 * seam)))


def refuse_without_onset(tank: Tank) -> None:
    """Refuse a tank on which no pressure turns one mark's sound (`LineError`)."""
    if not tank.clamped or tank.sideways:
        raise LineError(
            "Only on an upright tank with a diaphragm does one mark tell at which pressure the water begins to enter. "
            "For this tank, enter a measured drain instead."
        )


def find_onset(pressure_pa: Sequence[float], traits: Sequence[TapTraits], atmospheric_pa: float) -> OnsetEvidence:
    """Find the pressure at which one mark's sound begins to change; one pressure a tap, in any order.

    Raises `LineError` where there are too few readings, or they lie too close.
    """
    shown = np.asarray(pressure_pa, dtype=np.float64)
    readings, span = np.unique(shown).size, float(np.ptp(shown)) if shown.size else 0.0
    if readings < FEWEST_READINGS or span < LEAST_SPAN_PA:
        raise LineError(
            f"The mark was tapped at {readings} pressures over {span / 1e5:.2f} bar. At least {FEWEST_READINGS} over "
            f"{LEAST_SPAN_PA / 1e5:.1f} bar are needed to hear where its sound begins to change."
        )
    notes = notes_of(traits)
    alike = notes @ notes.T / notes.shape[1]
    low, high = float(shown.min()), float(shown.max())
    below = np.linspace(VACUUM_PA, low - BEYOND_PA, BELOW_STEPS)
    inner = np.arange(low - BEYOND_PA + STEP_PA, high + BEYOND_PA, STEP_PA)
    grid = np.concatenate([below, inner, [high + BEYOND_PA]])
    log_likelihood = np.array([_of_onset(onset, shown, alike, atmospheric_pa) for onset in grid])
    still = _of_drift(shown, alike)
    # Wet at all pressures: the water moves, or is caught at the seam or fills the tank, or leaves the seam with a jump.
    caught = np.array([still, log_mean(np.array([_of_jump(at, shown, alike) for at in _gaps(shown)]))])
    log_likelihood[:BELOW_STEPS] = [log_mean(np.append(caught, moving)) for moving in log_likelihood[:BELOW_STEPS]]
    top = max(float(log_likelihood.max()), still)
    likelihood, stands = np.exp(log_likelihood - top), float(np.exp(still - top))
    likelihood[BELOW_STEPS:] = _smoothed(likelihood[BELOW_STEPS:], NEEDLE_SD_PA / STEP_PA)
    within = (grid >= low) & (grid <= high)
    mean = (
        WITHIN * likelihood[within].mean()
        + BELOW * likelihood[grid < low].mean()
        + ABOVE * likelihood[-1]
        + STILL * stands
    )
    return OnsetEvidence(
        grid,
        (1 - MISHEARD) * likelihood / mean + MISHEARD,
        (1 - MISHEARD) * stands / mean + MISHEARD,
        low,
        high,
        shown.size,
        readings,
        _likeness(shown, notes),
    )


def notes_of(traits: Sequence[TapTraits]) -> FloatArray:
    """(T, F) fine spectra in decibels without their smooth part: what is left are the notes."""
    heard = np.array([each.spectrum_db for each in traits])[:, SPECTRUM_HZ <= HIGHEST_HZ]
    heard = heard[:, ~np.isnan(heard).any(axis=0)]
    heard = np.maximum(heard, heard.max(axis=1, keepdims=True) - BELOW_LOUDEST_DB)
    smooth = _smoothed(heard, SMOOTH_OCTAVES * CELLS_PER_OCTAVE)
    return np.asarray(heard - smooth)


def _smoothed(values: FloatArray, sd: float) -> FloatArray:
    """Return values (..., N) smoothed by a Gaussian whose standard deviation is counted in cells."""
    from scipy.ndimage import gaussian_filter1d  # only for rounds that need it: judging starts a second sooner without

    return np.asarray(gaussian_filter1d(values, sd, mode="nearest"))


def _of_onset(onset_pa: float, shown_pa: FloatArray, alike: FloatArray, atmospheric_pa: float) -> float:
    """Log likelihood of one onset, mean over the unknown measures of change."""
    onset_abs = max(onset_pa + atmospheric_pa, 100.0)
    share = np.maximum(0.0, 1.0 - onset_abs / (shown_pa + atmospheric_pa))
    kernels = []
    for power in POWERS:
        apart = np.abs(np.subtract.outer(share**power, share**power))
        for reach in REACHES:
            same = np.exp(-apart / reach**power)
            kernels += [(1 - part) + part * same for part in MOVING]
    return _mean_likelihood(np.array(kernels), alike)


def _of_drift(shown_pa: FloatArray, alike: FloatArray) -> float:
    """Log likelihood of notes that drift with the pressure alone."""
    apart = np.abs(np.subtract.outer(shown_pa, shown_pa))
    return _mean_likelihood(np.array([np.exp(-apart / reach) for reach in DRIFTS_PA]), alike)


def _gaps(shown_pa: FloatArray) -> FloatArray:
    """Middles between neighbouring readings."""
    readings = np.unique(shown_pa)
    return np.asarray(0.5 * (readings[1:] + readings[:-1]))


def _of_jump(at_pa: float, shown_pa: FloatArray, alike: FloatArray) -> float:
    """Log likelihood of notes that drift with the pressure on either side of a jump."""
    side = shown_pa > at_pa
    apart = np.abs(np.subtract.outer(shown_pa, shown_pa))
    same = np.equal.outer(side, side)
    return _mean_likelihood(np.array([(0.5 + 0.5 * same) * np.exp(-apart / reach) for reach in DRIFTS_PA]), alike)


def _mean_likelihood(kernels: FloatArray, alike: FloatArray) -> float:
    """Log of the mean likelihood over correlations (K, T, T) and scatters, the variance integrated out."""
    values, vectors = np.linalg.eigh(kernels)
    turned = np.einsum("kti,tu,kui->ki", vectors, alike, vectors, optimize=True)
    found = []
    for part in ALIKE:
        spread = part * np.maximum(values, 0.0) + 1 - part
        rest = (turned / spread).sum(axis=1) / len(alike)
        found.append(-0.5 * INDEPENDENT * (np.log(spread).sum(axis=1) + len(alike) * np.log(rest)))
    return float(log_mean(np.concatenate(found)))


def _likeness(shown_pa: FloatArray, notes: FloatArray) -> tuple[tuple[float, float], ...]:
    """How alike each reading's mean spectrum is to that of the lowest reading (correlation)."""
    pressures = np.unique(shown_pa)
    means = [notes[shown_pa == pressure].mean(axis=0) for pressure in pressures]
    return tuple(
        (float(pressure), float(np.corrcoef(means[0], mean)[0, 1]))
        for pressure, mean in zip(pressures, means, strict=True)
    )

"""The line's mean spectrum against the model's: evidence that needs no contrast along the line.

Water lowers the modes of the whole tank, so the mean spectrum over all points tells something of the level even where
every point sounds alike, above all whether the tank is all air or all water. Striker, microphone and room colour that
spectrum, but smoothly; the modes leave steps and gaps from band to band. So the difference between measured and
computed band means is taken as a smooth unknown colour (a Gaussian process over octaves, with a free mean and a tilt)
plus scatter, shared by bands whose computed profiles are alike, and each level's likelihood follows (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, section 2.2). It counts half beside the profile along the line,
and with each variant of the shell by itself: it rests on the wall.

Shapes: L pictures of the sweep, P points, B bands, N candidates as in `line.matched`. Levels are decibels.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from taptest.line.matched import at_points, band_likeness, grid_of
from taptest.line.records import Profile
from taptest.shell.records import LevelSweep

FloatArray = NDArray[np.float64]

COLOUR_DB = 6.0
"""Standard deviation of the unknown smooth colour."""
COLOUR_OCTAVES = 1.0
"""Distance over which that colour changes."""
TILT_DB_PER_OCTAVE = 6.0
"""Standard deviation of the unknown tilt over frequency, of microphone and striker."""
SCATTER_DB = 5.0
"""Scatter of a band that no smooth colour explains: the microphone hears some modes better than others."""
ALIKE = 8.0
"""Power of the correlation of two bands' computed profiles that makes the correlation of their scatter."""
OWN_SHARE = 0.02
"""Least share of the scatter that is a band's own."""
FREE_DB = 100.0
"""Standard deviation of the overall loudness: free."""
FEWEST_BANDS = 4
"""With fewer bands the mean spectrum says nothing."""


def mean_spectrum_evidence(profile: Profile, sweeps: Sequence[LevelSweep]) -> FloatArray:
    """(V, N) log-likelihood of each variant with each candidate, on the first one's grid, up to one constant.

    Zeros where fewer than four bands are heard at most points.
    """
    if not sweeps:
        return np.zeros((0, 2))
    grid = grid_of(sweeps[0])
    known = np.isfinite(profile.level_db)
    bands = np.flatnonzero(2 * known.sum(axis=0) > known.shape[0])
    if bands.size < FEWEST_BANDS:
        return np.zeros((len(sweeps), grid.share.size))
    return np.array([grid_of(sweep).moved_to(grid, _one_sweep(profile, sweep, bands)) for sweep in sweeps])


def _one_sweep(profile: Profile, sweep: LevelSweep, bands: NDArray[np.intp]) -> FloatArray:
    """(N,) log-likelihood of every candidate by one sweep."""
    grid = grid_of(sweep)
    known = np.isfinite(profile.level_db[:, bands])
    count = known.sum(axis=0)
    measured = np.where(known, profile.level_db[:, bands], 0.0).sum(axis=0) / count
    computed = at_points(sweep, profile.depth_m)[:, :, bands]
    means = np.where(known, computed, 0.0).sum(axis=1) / count
    a = grid.share[:, None]
    rest = measured - ((1 - a) * means[grid.low] + a * means[grid.high])
    octave = np.log2(sweep.band_hz[bands])
    octave = octave - octave.mean()
    apart = np.subtract.outer(octave, octave)
    covariance = (
        FREE_DB**2
        + TILT_DB_PER_OCTAVE**2 * np.outer(octave, octave)
        + COLOUR_DB**2 * np.exp(-0.5 * (apart / COLOUR_OCTAVES) ** 2)
        + SCATTER_DB**2 * ((1 - OWN_SHARE) * band_likeness(computed) ** ALIKE + OWN_SHARE * np.eye(bands.size))
    )
    fit = -0.5 * (rest * np.linalg.solve(covariance, rest.T).T).sum(axis=1)
    return np.asarray(fit - 0.5 * np.linalg.slogdet(covariance)[1])

"""Probability spread over a grid of depths, and means of likelihoods: the arithmetic that the rooms share.

Conventions: each of G grid depths stands for the cell around it, which ends halfway to its neighbours.
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def cumulative(grid_m: FloatArray, mass: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(G + 1,) ends of the cells, and the mass above each of them."""
    edges = np.concatenate(([grid_m[0]], 0.5 * (grid_m[1:] + grid_m[:-1]), [grid_m[-1]]))
    return edges, np.concatenate(([0.0], np.cumsum(mass)))


def share_above(grid_m: FloatArray, mass: FloatArray, at_m: FloatArray) -> FloatArray:
    """(P,) mass (G,) above each depth."""
    return np.asarray(np.interp(at_m, *cumulative(grid_m, mass)))


def quantile(grid_m: FloatArray, mass: FloatArray, share: float) -> float:
    """Depth above which lies `share` (0..1) of the mass (G,), which must not be all zero."""
    edges, reached = cumulative(grid_m, mass)
    return float(np.interp(share, reached / mass.sum(), edges))


def log_mean(x: FloatArray, axis: int = -1) -> FloatArray:
    """Logarithm of the mean of exp(x) over one axis."""
    top = x.max(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top + np.log(np.exp(x - top).mean(axis=axis, keepdims=True)), axis))

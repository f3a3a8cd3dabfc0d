"""Backing of each point: the probability that water stands behind the wall there, from the line's one posterior.

A point is not judged alone: its neighbours and the model speak through the posterior over the boundary. Depths are
metres below the top of the shell. Shapes: P points, G grid depths.
"""

import numpy as np
from numpy.typing import NDArray

from taptest.line.distribution import share_above
from taptest.line.records import BoundaryPosterior
from taptest.tank.kinds import WaterEnd

FloatArray = NDArray[np.float64]

NEVER_SURE = 0.005
"""No point is surer than this: a mark may be wrong, a weld or a strap may sit behind it."""


def p_water_at(
    point_depth_m: FloatArray,
    posterior: BoundaryPosterior,
    water_end: WaterEnd,
    inverted_mass: FloatArray | None = None,
    p_two_water: FloatArray | None = None,
) -> FloatArray:
    """(P,) probability of water behind each point.

    `inverted_mass` (G,) is how `posterior.p_inverted` spreads over the grid; without it, evenly. `p_two_water` (P,) is
    the probability of water at each point given two boundaries; without it, one half.
    """
    G = posterior.depth_m.size
    spread = inverted_mass if inverted_mass is not None else np.full(G, posterior.p_inverted / G)
    two = p_two_water if p_two_water is not None else np.full(point_depth_m.size, 0.5)
    # a bag that does not touch leaves the water's height open: any is as likely as any other
    levels = posterior.level_mass
    below = share_above(posterior.depth_m, levels + posterior.p_no_contact / G, point_depth_m)
    below_inverted = share_above(posterior.depth_m, spread, point_depth_m)
    if water_end == "bottom":
        one, turned = below, float(spread.sum()) - below_inverted
    else:
        one, turned = float(levels.sum()) + posterior.p_no_contact - below, below_inverted
    p = posterior.p_all_water + one + turned + posterior.p_two * two + _in_rings(posterior, point_depth_m)
    return np.asarray(np.clip(p, NEVER_SURE, 1.0 - NEVER_SURE))


def _in_rings(posterior: BoundaryPosterior, at_m: FloatArray) -> FloatArray:
    """(P,) probability that a ring of water lies behind each depth, or wet wall above or below a ring of gas."""
    if posterior.seam_mass is None:
        return np.zeros(at_m.size)
    above_seam = 1.0 - share_above(posterior.depth_m, posterior.seam_mass, at_m)
    uncapped = share_above(posterior.cap_depth_m, posterior.ring_mass, at_m) if posterior.cap_depth_m.size else 0.0
    below_gas = (
        share_above(posterior.foot_depth_m, posterior.gas_ring_mass, at_m) if posterior.foot_depth_m.size else 0.0
    )
    return np.asarray(above_seam * (uncapped + posterior.p_gas_ring) + below_gas)

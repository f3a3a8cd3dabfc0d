"""From a picture to meshes of its water: which wall elements each pool wets, and how its rays run to the axis.

Rays run from the wall to the axis: level along the cylinder, in a head towards one point on the axis. Water fills a
ray from a fraction `inner` to a fraction `outer` of its length; a layer begins far out, gas on the wall ends it early.
"""

import numpy as np
from numpy.typing import NDArray

from taptest.tank.shape import Shape
from tests.bench.second_model.outline import Outline, Piece
from tests.bench.second_model.pictures import Pool
from tests.bench.second_model.wall import Wall
from tests.bench.second_model.water import Body

FloatArray = NDArray[np.float64]

LEAST_LAYER = 0.0008
"""Thickness to which a layer thins out at its ends, m."""
CLEAR = 0.012
"""Distance that a surface keeps from the far pole, m."""


def body_of(pool: Pool, shape: Shape, outline: Outline, wall: Wall, mouth_on_top: bool) -> Body:
    """Lay the rays of one pool; its ends lie on edges of elements. A full tank breathes at its mouth."""
    first, last = (int(np.argmin(np.abs(wall.edges - outline.s_of_depth(z)))) for z in (pool.top, pool.bottom))
    edges = wall.edges[first : last + 1]
    rows = outline.at(np.sort(np.concatenate([edges, (edges[1:] + edges[:-1]) / 2])))
    target = _targets(pool, shape, rows)
    inner, outer = np.zeros(rows.s.size), np.ones(rows.s.size)
    if pool.layer_m3 is not None:
        inner = 1 - _depth_share(rows, target, pool.layer_m3, _bulge(rows, pool))
    if pool.gas is not None:
        top, bottom, volume = pool.gas
        low, high = (wall.edges[int(np.argmin(np.abs(wall.edges - outline.s_of_depth(z))))] for z in (top, bottom))
        within = np.clip((rows.s - low) / (high - low), 0.0, 1.0)
        outer = 1 - _depth_share(rows, target, volume, np.sqrt(within * (1 - within)), least=0.0)
        outer[(rows.s <= low) | (rows.s >= high)] = 1.0
    whole = pool.top <= 0.0 and pool.bottom >= shape.height_m
    mouth = float(rows.z[0 if mouth_on_top else -1])
    return Body(
        range(first, last),
        target,
        inner,
        outer,
        (pool.top > 0.0, pool.bottom < shape.height_m),
        (mouth,) if whole and pool.gas is None else (),
        pool.weight,
    )


def _targets(pool: Pool, shape: Shape, rows: Piece) -> FloatArray:
    """(R,) depth at which each ray meets the axis."""
    edge = shape.wall_m + shape.head_depth_m
    low_edge, z = shape.height_m - edge, rows.z
    if pool.layer_m3 is not None or (pool.top <= 0.0 and pool.bottom >= shape.height_m):
        return np.clip(z, edge, low_edge)
    if pool.top <= 0.0:
        return np.maximum(z, min(z[-1], edge))
    if pool.tip is None:
        return np.minimum(z, max(z[0], low_edge))
    # A surface that rises or sinks towards the axis bends the rays near it along.
    start, tip = float(z[0]), min(pool.tip, shape.height_m - CLEAR)
    if start >= low_edge - CLEAR:
        return np.full(z.size, tip)
    fan = min(max(low_edge, tip + 0.3 * (low_edge - start)), shape.height_m - CLEAR)
    tip = min(tip, fan - 0.004)
    return np.interp(np.minimum(z, low_edge), [start, low_edge], [tip, fan])


def _bulge(rows: Piece, pool: Pool) -> FloatArray:
    """(R,) how a layer's thickness runs along its arc: thin at its ends, at a pole level."""
    along = (rows.s - rows.s[0]) / (rows.s[-1] - rows.s[0])
    upper, lower = pool.bulge
    rising = np.maximum(along, 0.0) ** upper if pool.top > 0.0 else 0.4 + 0.6 * along
    return np.asarray(rising * (1 - along) ** lower)


def _depth_share(
    rows: Piece, target: FloatArray, volume: float, form: FloatArray, least: float = LEAST_LAYER
) -> FloatArray:
    """(R,) share of each ray that a layer of some volume (m3) and form on the wall takes."""
    long = np.hypot(rows.r, rows.z - target)
    # The layer's thickness is across the wall, the ray runs aslant.
    aslant = np.maximum((rows.r * np.sin(rows.slope) + (target - rows.z) * np.cos(rows.slope)) / long, 0.3)
    width = np.gradient(rows.s)

    def held(thick: FloatArray) -> float:
        ring = 2 * np.pi * np.maximum(rows.r - thick / 2 * np.sin(rows.slope), 0.0) * thick
        return float((ring * width).sum())

    low, high = 0.0, 2 * float(long.max())
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if held(np.minimum(middle * form, 0.95 * long * aslant)) < volume else (low, middle)
    thick = np.maximum(low * form, least)
    return np.asarray(np.clip(thick / (aslant * long), 0.0, 0.95))

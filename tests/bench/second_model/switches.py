"""What can go on in a simulated visit, each under a name of its own.

A visit draws each with the chance given here; `--only NAME` turns one on alone and all others off, `--only none` all
off. What is left is the plain world: a flat surface between plane and mirror image, a tank with all its papers and no
fittings, cold, its charge right, low or high with gaps between. Each purpose draws from a random stream of its own, so
that a switch changes nothing else than what it stands for and what follows from that.
"""

import numpy as np

CHANCES: dict[str, float] = {
    "mechanics": 0.9,  # forms of the membrane by mechanics; off: a flat surface, plane to mirror image
    "thin-water": 0.95,  # layers of water of their true thickness; off: deep water wherever the wall is wet
    "compressible": 0.9,  # the water's own modes up to four waves around
    "wall-rubber": 0.95,  # rubber loads the wall, by mass and loss
    "touch": 0.85,  # a bag touches the wall by 0 to 1; off: fully
    "stand-off": 0.45,  # a bag touches only up to some way below its level
    "kept": 0.85,  # 60 to 140 % of the air, without gaps; off: right, low or high
    "waterlogged": 0.09,
    "cut-off": 0.06,  # a valve is shut or the line plugged
    "torn": 0.07,
    "hot": 0.35,
    "soft-blow": 0.4,
    "clench-ring": 0.5,
    "strap": 0.3,  # a lossy band at any height
    "feet": 0.4,
    "no-wall": 0.35,  # the wall's thickness is not noted
    "fitting": 0.15,  # the height was measured with the fitting
    "papers": 0.4,  # other entries are missing
}


def draw_switches(seed: int, number: int, only: str | None) -> frozenset[str]:
    """Draw what is on in a visit, or turn on `only` alone."""
    if only is not None:
        return frozenset({only}) & frozenset(CHANCES)
    lots = stream(seed, number, "switches").random(len(CHANCES))
    return frozenset(name for lot, (name, chance) in zip(lots, CHANCES.items(), strict=True) if lot < chance)


def stream(seed: int, number: int, purpose: str) -> np.random.Generator:
    """Return the random stream of one purpose of one visit."""
    return np.random.default_rng([seed, number, *purpose.encode()])

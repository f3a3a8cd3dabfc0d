"""Change-points against a series with a published break, and against two tapped slabs with a crack of known place."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.line.unlabelled import change_points
from taptest.sound.spectra import ring_spectrum, sum_cells
from tests.real_data import real_data

# Annual flow of the Nile at Aswan 1871-1970, 1e8 m3 (Cobb, Biometrika 65, 1978, 243; carried by R and statsmodels).
# Values from memory; their number and their sum (91935) are the published ones.
# fmt: off
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], dtype=float)
# fmt: on

CRACK_EDGES_CELL = (6.0, 14.0)
"""Crack from 24 to 56 cm on a grid of 4 cm pitch whose cell 1 lies at 4 cm (data sheet of the slabs)."""
THIRD_OCTAVE_EDGES_HZ = 1000.0 * 10.0 ** (np.arange(-0.5, 13.0) / 10)


def one_change_flat_means(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Posterior (P - 1,) of exactly one change in a series (P,) of normal values; entry i cuts before i + 1.

    Flat means, variance with the Jeffreys prior, each cut as likely as any other: p ~ (n1 n2)^(-1/2) RSS^(-(P-2)/2)
    (Cobb, Biometrika 65, 1978, 243). The limit of the general case with wide contrasts.
    """
    y = np.asarray(values, dtype=float) - np.mean(values)
    P = y.size
    first = np.arange(1, P)
    head = np.cumsum(y)[:-1]
    rss = (y**2).sum() - head**2 / first - head**2 / (P - first)
    log_mass = -0.5 * np.log(first * (P - first)) - 0.5 * (P - 2) * np.log(rss)
    mass = np.exp(log_mass - log_mass.max())
    return np.asarray(mass / mass.sum())


def test_nile_series_is_the_published_one() -> None:
    assert NILE.size == 100
    assert NILE.sum() == 91935


def test_nile_break_has_the_exact_posterior() -> None:
    # 1898 .7643, 1897 .1209, 1896 .0571, 1899 .0442 by direct evaluation of Cobb's flat-means posterior
    mass = one_change_flat_means(NILE)
    year = {1871 + i: float(p) for i, p in enumerate(mass)}
    assert year[1898] == pytest.approx(0.7643, abs=5e-5)
    assert year[1897] == pytest.approx(0.1209, abs=5e-5)
    assert year[1896] == pytest.approx(0.0571, abs=5e-5)
    assert year[1899] == pytest.approx(0.0442, abs=5e-5)


def test_general_estimator_agrees_on_the_nile() -> None:
    # published: break after 1898 with 95 % interval 1895-1902; here with wide but not flat means, without tempering
    found = change_points(NILE[:, None], most=1, temper=1.0, shortest=1)
    assert found.p_boundaries()[1] > 0.99
    cut = found.cut_mass(0, 1)
    assert 1870 + int(np.argmax(cut)) == 1898
    inside = sum(cut[year - 1870] for year in range(1895, 1903))
    assert inside > 0.9


@lru_cache
def slab_levels(file: str) -> NDArray[np.float64]:
    """(19, 19, 13) third-octave levels of the contact sensor, 1 to 16 kHz, less each point's mean."""
    data = np.load(real_data("slab_taps", file))
    rate = 1.0 / float(data["dt"])
    signal = data["disp"].astype(float)
    signal -= signal[:, :60].mean(axis=1, keepdims=True)
    ring = ring_spectrum(signal, rate, window_s=0.005)
    energy = sum_cells(ring.power, THIRD_OCTAVE_EDGES_HZ, ring.bin_hz, rate)
    level = np.zeros((19, 19, energy.shape[1]))
    level[data["xy"][:, 0] - 1, data["xy"][:, 1] - 1] = 10 * np.log10(energy)
    return np.asarray(level - level.mean(axis=2, keepdims=True))


HELD_OUT = "3717_10cm.npz"
"""The slab on which nothing was set."""
FEWEST, MOST = 8, 15
"""Points of a crop."""
ROOM = 1.9
"""Points that a part of another backing must cover; the edges look blurred by about one."""


@dataclass(frozen=True)
class Crop:
    """A piece of a row or a column of a slab."""

    levels: NDArray[np.float64]
    """(P, 13)"""
    edges: tuple[float, ...]
    """Edges of the crack in it, in points from its first one."""


@lru_cache
def crops() -> tuple[Crop, ...]:
    """Pieces of random length and place: through solid concrete, over one edge of the crack, over both."""
    rng = np.random.default_rng(2)
    level = slab_levels(HELD_OUT)
    found: list[Crop] = []
    while len(found) < 300:
        solid = bool(rng.random() < 0.4)
        cell = int(rng.choice((1, 2, 3, 17, 18, 19)) if solid else rng.integers(7, 14))
        line = level[cell - 1] if rng.random() < 0.5 else level[:, cell - 1]
        points = int(rng.integers(FEWEST, MOST + 1))
        first = int(rng.integers(0, 19 - points + 1))
        places = [edge - 1 - first for edge in CRACK_EDGES_CELL if not solid and 0 <= edge - 1 - first <= points - 1]
        if any(place < ROOM - 1 or place > points - ROOM for place in places):
            continue
        levels = line[first : first + points]
        if rng.random() < 0.5:
            levels, places = levels[::-1], sorted(points - 1 - place for place in places)
        found.append(Crop(levels, tuple(places)))
    return tuple(found)


def at_share(mass: NDArray[np.float64], share: float) -> float:
    """Place of a cut between two points, in points from the first one; cut i lies before point i."""
    return float(np.searchsorted(np.cumsum(mass), share)) - 0.5


def test_edges_of_a_crack_are_found_wherever_they_lie() -> None:
    """A constant guess, even the best one for the number of edges, is twice as far off and more."""
    off: list[float] = []
    covered: list[bool] = []
    truth: dict[tuple[int, int], list[float]] = {}
    for crop in crops():
        found = change_points(crop.levels)
        for which, edge in enumerate(crop.edges):
            mass = found.cut_mass(which, len(crop.edges))
            off.append(abs(at_share(mass, 0.5) - edge))
            covered.append(at_share(mass, 0.05) - 0.5 <= edge <= at_share(mass, 0.95) + 0.5)
            truth.setdefault((len(crop.edges), which), []).append(edge / len(crop.levels))
    lengths = np.mean([len(crop.levels) for crop in crops() if crop.edges])
    guessed = np.concatenate([np.abs(np.array(each) - np.median(each)) for each in truth.values()]) * lengths
    assert np.median(off) <= 0.6
    assert np.mean(off) <= 0.5 * guessed.mean(), f"{np.mean(off):.2f} of a point, guessed {guessed.mean():.2f}"
    assert np.mean(covered) >= 0.9


def test_the_number_of_edges_is_told() -> None:
    """None, one or two: at least eight of ten right of each, so that no constant answer passes; and said as surely."""
    surely: dict[int, list[float]] = {0: [], 1: [], 2: []}
    right: dict[int, list[bool]] = {0: [], 1: [], 2: []}
    for crop in crops():
        p = change_points(crop.levels).p_boundaries()
        right[len(crop.edges)].append(int(np.argmax(p)) == len(crop.edges))
        surely[len(crop.edges)].append(float(p[len(crop.edges)]))
    assert min(np.mean(each) for each in right.values()) >= 0.8, {k: np.mean(each) for k, each in right.items()}
    every = np.concatenate([np.array(each) for each in surely.values()])
    assert -np.mean(np.log(every)) < 0.45  # a third each would be 1.10
    assert max(surely[1]) > 0.95
    solid_as_two = [change_points(crop.levels).p_boundaries()[2] > 0.5 for crop in crops() if not crop.edges]
    assert np.mean(solid_as_two) <= 0.05

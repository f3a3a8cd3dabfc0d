"""Change-points against a series with a published break, and against two tapped slabs with a crack of known place."""

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
SLABS = {"3900_06cm.npz": 0.06, "3717_10cm.npz": 0.10}
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


@lru_cache
def slab_lines() -> list[NDArray[np.float64]]:
    """Rows and columns through the crack, without its edges; each (19, 13)."""
    lines = []
    for file in SLABS:
        level = slab_levels(file)
        for cell in range(7, 14):
            lines += [level[cell - 1], level[:, cell - 1]]
    return lines


def quantile_cell(mass: NDArray[np.float64], share: float) -> float:
    """Grid cell, counted from 1, of a cut between two points."""
    return float(np.searchsorted(np.cumsum(mass), share)) + 0.5


def test_slab_cracks_are_found_with_honest_intervals() -> None:
    lines = slab_lines()
    near = covered = 0
    for line in lines:
        found = change_points(line, np.full(18, 0.04))
        edges = [found.cut_mass(which, 2) for which in (0, 1)]
        median = [quantile_cell(mass, 0.5) for mass in edges]
        near += all(abs(m - edge) <= 1.0 for m, edge in zip(median, CRACK_EDGES_CELL, strict=True))
        for mass, edge in zip(edges, CRACK_EDGES_CELL, strict=True):
            covered += quantile_cell(mass, 0.05) - 0.5 <= edge <= quantile_cell(mass, 0.95) + 0.5
    assert near >= 0.8 * len(lines), f"{near} of {len(lines)} lines"
    assert covered >= 0.9 * 2 * len(lines), f"{covered} of {2 * len(lines)} edges covered"


def test_number_of_boundaries_is_told_on_cracked_and_on_solid_lines() -> None:
    # rows and columns 1 to 3 and 17 to 19 run through solid concrete only
    solid = []
    for file in SLABS:
        level = slab_levels(file)
        for cell in (1, 2, 3, 17, 18, 19):
            solid += [level[cell - 1], level[:, cell - 1]]
    p_two_solid = np.array([change_points(line, np.full(18, 0.04)).p_boundaries()[2] for line in solid])
    p_two_crack = np.array([change_points(line, np.full(18, 0.04)).p_boundaries()[2] for line in slab_lines()])
    assert (p_two_solid < 0.5).mean() >= 0.8, f"{p_two_solid.round(2)}"
    assert (p_two_crack > 0.5).mean() >= 0.8, f"{p_two_crack.round(2)}"

"""The mean spectrum's evidence: right under any smooth colour, equal to scipy's density, silent without bands."""

from dataclasses import replace

import numpy as np
from scipy.stats import multivariate_normal

from taptest.line.absolute import (
    COLOUR_DB,
    COLOUR_OCTAVES,
    FREE_DB,
    SCATTER_DB,
    TILT_DB_PER_OCTAVE,
    mean_spectrum_evidence,
)
from taptest.line.matched import grid_of
from taptest.line.points import profile_of
from taptest.line.records import Point, Profile
from taptest.shell.records import LevelSweep
from taptest.sound.traits import BAND_HZ
from tests.made_lines import HEIGHT_M, made_traits

DEPTH = np.linspace(0.02, HEIGHT_M - 0.02, 12)
LEVELS = np.concatenate(([np.nan], np.linspace(0.45, 0.05, 9), [np.nan]))


def flat_sweep(rng: np.random.Generator) -> LevelSweep:
    """A tank that sounds alike at every point; the rows of bands move from air to water with the level."""
    air, water = 8 * rng.standard_normal(15), 8 * rng.standard_normal(15)
    share = np.linspace(0.0, 1.0, LEVELS.size)[:, None, None]
    level = np.broadcast_to((1 - share) * air + share * water, (LEVELS.size, DEPTH.size, 15)).copy()
    return LevelSweep(LEVELS, DEPTH, BAND_HZ, level)


def profile_like(level: np.ndarray, rng: np.random.Generator, colour: np.ndarray) -> Profile:
    points = [
        Point(float(z), (made_traits(row + colour + rng.standard_normal(15)),), 1, 0)
        for z, row in zip(DEPTH, level, strict=True)
    ]
    return profile_of(points)


def test_all_air_and_all_water_are_told_without_contrast_under_any_smooth_colour() -> None:
    right = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        sweep = flat_sweep(rng)
        octave = np.log2(BAND_HZ / 1000)
        colour = (
            20 * rng.standard_normal() + 5 * rng.standard_normal() * octave + 4 * np.sin(octave + rng.uniform(0, 6))
        )
        water = seed % 2
        profile = profile_like(sweep.level_db[-1 if water else 0], rng, colour)
        [evidence] = mean_spectrum_evidence(profile, [sweep])
        right += (evidence[-1] > evidence[-2]) == bool(water)
    assert right >= 38


def test_evidence_is_the_normal_density_of_the_coloured_difference() -> None:
    rng = np.random.default_rng(1)
    sweep = flat_sweep(rng)
    profile = profile_like(sweep.level_db[4], rng, np.zeros(15))
    [evidence] = mean_spectrum_evidence(profile, [sweep])
    octave = np.log2(BAND_HZ) - np.log2(BAND_HZ).mean()
    covariance = FREE_DB**2 + TILT_DB_PER_OCTAVE**2 * np.outer(octave, octave) + SCATTER_DB**2 * np.eye(15)
    covariance += COLOUR_DB**2 * np.exp(-0.5 * (np.subtract.outer(octave, octave) / COLOUR_OCTAVES) ** 2)
    density = multivariate_normal(np.zeros(15), covariance)
    measured = profile.level_db.mean(axis=0)
    expected = [density.logpdf(measured - sweep.level_db[row].mean(axis=0)) for row in range(LEVELS.size)]
    at = [int(np.argmin(abs(grid_of(sweep).depth_m - level))) for level in LEVELS[1:-1]]
    found = np.concatenate(([evidence[-2]], evidence[at], [evidence[-1]]))
    np.testing.assert_allclose(found - found[0], np.array(expected) - expected[0], atol=1e-8)
    other = flat_sweep(np.random.default_rng(3))
    both = mean_spectrum_evidence(profile, [sweep, other])
    np.testing.assert_allclose(both[0], evidence, err_msg="each variant by itself")
    assert abs(both[1] - both[0]).max() > 1.0


def test_bands_that_repeat_each_other_scatter_as_one() -> None:
    rng = np.random.default_rng(4)
    sweep = flat_sweep(rng)
    ripple = 3 * rng.standard_normal((LEVELS.size, DEPTH.size, 15))
    ripple[:, :, 1:8] = ripple[:, :, :1]
    alike = replace(sweep, level_db=sweep.level_db + ripple)
    apart = replace(sweep, level_db=sweep.level_db + 3 * rng.standard_normal(ripple.shape))
    off = sweep.level_db[4] + 8.0 * (np.arange(15) == 7) - 8.0 * (np.arange(15) == 3)
    told = []
    for each in (alike, apart):
        one, other = (profile_like(level, np.random.default_rng(5), np.zeros(15)) for level in (sweep.level_db[4], off))
        at = int(np.argmin(abs(grid_of(each).depth_m - LEVELS[4])))
        first, second = (mean_spectrum_evidence(profile, [each])[0, at] for profile in (one, other))
        told.append(first - second)
    assert told[0] > 2 * told[1], "a difference between two bands that cannot differ speaks much more against a level"


def test_hardly_any_bands_say_nothing() -> None:
    rng = np.random.default_rng(2)
    sweep = flat_sweep(rng)
    profile = profile_like(sweep.level_db[0], rng, np.zeros(15))
    deaf = replace(profile, level_db=np.where(np.arange(15) < 12, np.nan, profile.level_db))
    evidence = mean_spectrum_evidence(deaf, [sweep])
    assert evidence.shape == (1, grid_of(sweep).share.size)
    assert not evidence.any()

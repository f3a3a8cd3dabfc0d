"""Matched profiles: how many votes bands have that repeat each other, and evidence for one variant of the shell."""

from dataclasses import replace

import numpy as np

from taptest.line.matched import MatchSettings, band_likeness, band_votes, match_profile
from taptest.line.points import profile_of
from taptest.line.records import Profile
from tests.made_lines import made_points, made_sweep

SETTINGS = MatchSettings()
SWEEP = made_sweep()


def test_bands_that_repeat_one_profile_share_one_vote() -> None:
    rng = np.random.default_rng(1)
    x = rng.standard_normal((9, 20, 6))
    x[:, :, 1] = 3.0 * x[:, :, 0] + 40.0  # the same shape, whatever its gain and offset
    x[:, :, 2] = x[:, :, 0] + 0.01 * rng.standard_normal((9, 20))
    x[:, :, 3] = -x[:, :, 0]
    votes = band_votes(x, SETTINGS)
    np.testing.assert_allclose(votes[:3], 1 / 3, rtol=0.02)
    np.testing.assert_allclose(votes[3:], 1.0, rtol=1e-6)
    np.testing.assert_allclose(band_likeness(x), band_likeness(x).T)


def test_a_band_that_does_not_vary_is_like_no_other() -> None:
    x = np.random.default_rng(2).standard_normal((5, 12, 3))
    x[:, :, 1:] = 7.0
    np.testing.assert_allclose(band_votes(x, SETTINGS), 1.0)


def test_seven_more_bands_that_repeat_one_tell_hardly_more_than_it() -> None:
    profile = profile_of(made_points(0.20, np.random.default_rng(3), noise_db=0.5))
    low = np.arange(15) < 7
    nearly = 0.01 * np.random.default_rng(4).standard_normal(SWEEP.level_db.shape)
    sweep = replace(SWEEP, level_db=np.where(low, SWEEP.level_db[:, :, 7:8] + nearly, SWEEP.level_db))
    repeated = replace(profile, level_db=np.where(low, profile.level_db[:, 7:8], profile.level_db))
    single = replace(profile, level_db=np.where(low, np.nan, profile.level_db))

    def odds(measured: Profile, settings: MatchSettings) -> float:
        match = match_profile(measured, [sweep], settings)
        right, wrong = (int(np.argmin(np.abs(match.depth_m - depth))) for depth in (0.20, 0.26))
        return float(match.boundary[right] - match.boundary[wrong])

    alone = odds(single, SETTINGS)
    assert alone > 1.0
    shared, counted = (
        abs(odds(repeated, settings) - alone) for settings in (SETTINGS, replace(SETTINGS, alike=1e9))
    )
    assert counted > 3.0
    assert shared < 0.3 * counted


def test_evidence_beside_is_weighed_with_its_own_variant() -> None:
    """Two shells that explain the line alike: what speaks for one of them at one depth counts there only."""
    profile = profile_of(made_points(0.20, np.random.default_rng(5)))
    plain = match_profile(profile, [SWEEP, SWEEP])
    beside = np.zeros((2, plain.depth_m.size + 2))
    beside[1, -2] = 30.0
    told = match_profile(profile, [SWEEP, SWEEP], beside=beside)
    np.testing.assert_allclose(told.boundary, plain.boundary)
    np.testing.assert_allclose(told.all_air, plain.all_air + 30.0 - np.log(2.0))
    np.testing.assert_allclose(told.all_water, plain.all_water)
    np.testing.assert_allclose(told.inverted, plain.inverted)

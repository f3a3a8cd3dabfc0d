"""Matched profiles: how many votes bands have that repeat each other, and evidence for one variant of the shell."""

from dataclasses import replace

import numpy as np

from taptest.line.matched import MatchSettings, band_likeness, match_profile, mirrored, votes_of
from taptest.line.points import profile_of
from taptest.line.records import Profile
from taptest.shell.records import LevelSweep
from tests.made_lines import made_points, made_sweep

SETTINGS = MatchSettings()
SWEEP = made_sweep()


LOW = np.arange(15) < 7
PROFILE = profile_of(made_points(0.20, np.random.default_rng(3), noise_db=0.5))


def repeating(sweep: LevelSweep) -> LevelSweep:
    """A sweep whose seven lowest bands repeat the eighth, but for a hundredth of a decibel."""
    nearly = 0.01 * np.random.default_rng(4).standard_normal(sweep.level_db.shape)
    return replace(sweep, level_db=np.where(LOW, sweep.level_db[:, :, 7:8] + nearly, sweep.level_db))


def test_likeness_is_a_correlation_without_its_negative_side() -> None:
    x = np.random.default_rng(1).standard_normal((9, 20, 5))
    x[:, :, 1] = 3.0 * x[:, :, 0] + 40.0  # the same shape, whatever its gain and offset
    x[:, :, 2] = -x[:, :, 0]
    x[:, :, 3] = 7.0  # does not vary: like no other
    likeness = band_likeness(x)
    np.testing.assert_allclose(likeness[0, :4], [1, 1, 0, 0], atol=1e-9)
    np.testing.assert_allclose(np.diag(likeness), 1.0)
    np.testing.assert_allclose(likeness, likeness.T)


def test_bands_that_repeat_each_other_share_one_vote() -> None:
    votes = votes_of(PROFILE, [repeating(SWEEP)], SETTINGS)
    np.testing.assert_allclose(votes[:8], 1 / 8, rtol=0.05)
    assert votes[8:].min() > 0.2


def test_a_band_that_is_not_heard_takes_no_vote_from_others() -> None:
    deaf = replace(PROFILE, level_db=np.where(LOW, np.nan, PROFILE.level_db))
    votes = votes_of(deaf, [repeating(SWEEP)], SETTINGS)
    assert not votes[:7].any()
    assert votes[7] > 0.9


def test_a_variant_whose_bands_are_all_alike_does_not_win_by_that() -> None:
    """Of two shells that explain nothing the one with fewer votes of its own would lose less: votes are common."""
    wrong = mirrored(SWEEP)
    dull = replace(wrong, level_db=wrong.level_db[:, :, :1] + 0 * wrong.level_db)
    match = match_profile(PROFILE, [SWEEP, dull], SETTINGS)
    alone = match_profile(PROFILE, [SWEEP], SETTINGS)
    assert abs(match.depth_m[int(np.argmax(match.boundary))] - alone.depth_m[int(np.argmax(alone.boundary))]) < 0.006


def test_seven_more_bands_that_repeat_one_tell_hardly_more_than_it() -> None:
    sweep = repeating(SWEEP)
    repeated = replace(PROFILE, level_db=np.where(LOW, PROFILE.level_db[:, 7:8], PROFILE.level_db))
    single = replace(PROFILE, level_db=np.where(LOW, np.nan, PROFILE.level_db))

    def odds(measured: Profile, settings: MatchSettings) -> float:
        match = match_profile(measured, [sweep], settings)
        right, wrong = (int(np.argmin(np.abs(match.depth_m - depth))) for depth in (0.20, 0.26))
        return float(match.boundary[right] - match.boundary[wrong])

    alone = odds(single, SETTINGS)
    assert alone > 1.0
    shared, counted = (abs(odds(repeated, settings) - alone) for settings in (SETTINGS, replace(SETTINGS, alike=1e9)))
    assert counted > 3.0
    assert shared < 0.4 * counted


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

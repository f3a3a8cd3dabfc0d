"""Profiles of a line: blow strength, robustness over taps, hidden bands."""

import numpy as np
import pytest

from taptest.errors import LineError
from taptest.line.points import profile_of
from taptest.line.records import Point
from tests.made_lines import made_points, made_traits


def test_strength_of_each_blow_is_taken_off() -> None:
    rng = np.random.default_rng(1)
    soft = profile_of(made_points(0.25, np.random.default_rng(3), noise_db=0.0, strength_db=0.0))
    hard = profile_of(made_points(0.25, rng, noise_db=0.0, strength_db=6.0))
    np.testing.assert_allclose(
        hard.level_db + hard.strength_db[:, None] * 0,
        soft.level_db - soft.level_db.mean() + hard.level_db.mean(),
        atol=1e-6,
    )


def test_points_are_sorted_and_like_marks_joined() -> None:
    rng = np.random.default_rng(2)
    points = made_points(0.25, rng, count=6)
    shuffled = [points[i] for i in (3, 1, 5, 0, 2, 4)] + [Point(points[2].depth_m + 1e-4, points[2].traits, 3, 0)]
    profile = profile_of(shuffled)
    assert (np.diff(profile.depth_m) > 0).all()
    assert profile.taps.tolist() == [3, 3, 6, 3, 3, 3]


def test_one_spoilt_tap_of_three_hardly_moves_the_point() -> None:
    rng = np.random.default_rng(4)
    points = made_points(0.25, rng, noise_db=0.5, taps=5)
    clean = profile_of(points)
    bad = list(points[7].traits)
    bad[1] = made_traits(bad[1].band_level_db + 20.0 * rng.standard_normal(15))
    points[7] = Point(points[7].depth_m, tuple(bad), 5, 0)
    spoilt = profile_of(points)
    assert np.abs(spoilt.level_db[7] - clean.level_db[7]).mean() < 2.0  # a plain mean would move by 3.2 dB on average


def test_a_band_hidden_at_some_points_does_not_look_like_a_weak_blow() -> None:
    rng = np.random.default_rng(5)
    points = made_points(None, rng, noise_db=0.0, strength_db=0.0)
    loud = 30.0 * (np.arange(15) == 3)
    whole = [Point(p.depth_m, tuple(made_traits(t.band_level_db + loud) for t in p.traits), 3, 0) for p in points]
    hidden = []
    for i, p in enumerate(whole):
        traits = tuple(
            made_traits(np.where((np.arange(15) == 3) & (i % 4 == 0), np.nan, t.band_level_db)) for t in p.traits
        )
        hidden.append(Point(p.depth_m, traits, 3, 0))
    before, after = profile_of(whole), profile_of(hidden)
    heard = np.isfinite(after.level_db)
    assert heard.sum() == before.level_db.size - 5
    moved = (after.level_db - before.level_db)[heard]
    assert np.abs(moved - np.median(moved)).max() < 1.5  # thirty decibels over fifteen bands would be two


def test_scatter_between_taps_sets_the_standard_deviation() -> None:
    rng = np.random.default_rng(6)
    wild = profile_of(made_points(0.25, rng, noise_db=4.0))
    calm = profile_of(made_points(0.25, rng, noise_db=0.2))
    assert np.median(wild.level_sd_db) == pytest.approx(4.0 / np.sqrt(3), rel=0.25)
    assert np.median(calm.level_sd_db) < 0.5


def test_a_line_without_a_tap_is_refused_in_a_sentence() -> None:
    with pytest.raises(LineError, match="None of the 2 points has a tap"):
        profile_of([Point(0.1, (), 0, 3), Point(0.2, (), 0, 1)])


def test_a_point_without_a_place_is_refused() -> None:
    points = made_points(0.25, np.random.default_rng(7), count=2)
    with pytest.raises(LineError, match="nan m below the top"):
        profile_of([points[0], Point(float("nan"), points[1].traits, 3, 0)])

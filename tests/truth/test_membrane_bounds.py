"""Where a membrane's boundary lies, against the closed forms for a sphere clamped at its equator.

A sphere of radius R whose boundary lies h below the crown holds, in shares of the sphere, h^2 (3R - h) / 4R^3 under a
plane membrane and twice that under one that is its own mirror image.
"""

import numpy as np
import pytest

from taptest.tank.kinds import Tank
from taptest.tank.membrane import (
    boundary_depth_bounds_m,
    boundary_depth_m,
    torn_level_depth_m,
    water_share_at_depth,
    water_share_bounds,
)
from taptest.tank.shape import Shape

R = 0.2
THIN = 1e-9
SPHERE = Shape("vertical", 2 * R + 2 * THIN, 0.0, "hemispherical", THIN)


def tank(kind: str, end: str) -> Tank:
    return Tank(kind, end, SPHERE, SPHERE.volume_m3)  # type: ignore[arg-type]


@pytest.mark.parametrize("h_over_r", [0.1, 0.3, 0.5, 0.8, 1.0])
def test_share_of_a_hanging_diaphragm_lies_between_plane_and_mirror_image(h_over_r: float) -> None:
    h = h_over_r * R
    plane = h**2 * (3 * R - h) / (4 * R**3)
    low, high = water_share_bounds(tank("diaphragm", "top"), h)
    assert float(low) == pytest.approx(plane, abs=1e-8)
    assert float(high) == pytest.approx(2 * plane, abs=1e-8)


def test_published_figures_of_the_two_bounds() -> None:
    low, high = water_share_bounds(tank("diaphragm", "top"), np.array([0.5 * R, R]))
    np.testing.assert_allclose(low, [0.15625, 0.5], atol=1e-7)
    np.testing.assert_allclose(high, [0.3125, 1.0], atol=1e-7)


def test_standing_diaphragm_is_the_hanging_one_upside_down() -> None:
    share = np.linspace(0, 1, 21)
    hanging = boundary_depth_m(tank("diaphragm", "top"), share, 0.7)
    standing = boundary_depth_m(tank("diaphragm", "bottom"), share, 0.7)
    np.testing.assert_allclose(hanging + standing, SPHERE.height_m, atol=1e-12)


def test_past_the_seam_the_boundary_moves_down_the_lower_half() -> None:
    hanging = tank("diaphragm", "top")
    before, after = boundary_depth_m(hanging, np.array([0.74, 0.9]), 0.5)
    assert before < R < after < 2 * R
    # At a mixing of one half the boundary reaches the seam when three quarters of the sphere are water.
    assert float(boundary_depth_m(hanging, 0.75, 0.5)) == pytest.approx(R, abs=1e-5)


@pytest.mark.parametrize("kind", ["diaphragm", "bladder", "plain"])
@pytest.mark.parametrize("mixing", [0.0, 0.3, 0.9])
def test_share_and_depth_are_inverse(kind: str, mixing: float) -> None:
    one = tank(kind, "bottom")
    share = np.linspace(0.01, 0.99, 99)
    back = water_share_at_depth(one, boundary_depth_m(one, share, mixing), mixing)
    np.testing.assert_allclose(back, share, atol=1e-6)


def test_seam_off_the_middle_is_kept() -> None:
    one = Tank("diaphragm", "top", SPHERE, SPHERE.volume_m3, seam_depth_m=0.5 * R)
    # Share above the seam 0.15625; the mirror image holds twice that when its edge reaches the seam.
    assert float(boundary_depth_m(one, 2 * 0.15625, 1.0)) == pytest.approx(0.5 * R, abs=1e-6)
    share = np.linspace(0.0, 1.0, 101)
    np.testing.assert_allclose(water_share_at_depth(one, boundary_depth_m(one, share, 0.6), 0.6), share, atol=1e-6)


def test_torn_membrane_leaves_a_level_with_the_air_on_top() -> None:
    assert float(torn_level_depth_m(SPHERE, 0.5)) == pytest.approx(R, abs=1e-6)
    assert float(torn_level_depth_m(SPHERE, 0.15625)) == pytest.approx(1.5 * R, abs=1e-6)


def test_bounds_of_depth_enclose_every_mixing() -> None:
    one = tank("diaphragm", "top")
    share = np.linspace(0, 1, 31)
    low, high = boundary_depth_bounds_m(one, share)
    for mixing in (0.2, 0.5, 0.8):
        depth = boundary_depth_m(one, share, mixing)
        assert np.all(depth >= low - 1e-9)
        assert np.all(depth <= high + 1e-9)

"""Forms of the wetted wall against mechanics: centres of mass, volumes, bounds, and the shares that the page states."""

import numpy as np
import pytest

from taptest.errors import PhysicsError
from taptest.tank.contact import (
    CAP_AT_NOTHING,
    CAP_SLOPE,
    Contacts,
    contacts,
    draw_forms,
    foot_reach_m,
    ring_caps_m,
    ring_thickness_m,
    seam_reach_m,
)
from taptest.tank.kinds import Tank
from taptest.tank.membrane import boundary_depth_m, from_water_end
from taptest.tank.shape import Shape, volume_above_m3

SHAPE = Shape("vertical", 0.5, 0.04, "ellipsoidal", 0.002)
HANGING = Tank("diaphragm", "top", SHAPE, SHAPE.volume_m3, seam_depth_m=SHAPE.height_m / 2)
STANDING = Tank("diaphragm", "bottom", SHAPE, SHAPE.volume_m3, seam_depth_m=SHAPE.height_m / 2)
BAG = Tank("bladder", "bottom", SHAPE, SHAPE.volume_m3)
PLAIN = Tank("plain", "bottom", SHAPE, SHAPE.volume_m3)
HALF = SHAPE.height_m / 2


def drawn(tank: Tank, share: float, count: int = 4000) -> Contacts:
    return contacts(tank, np.full(count, share), draw_forms(count, np.random.default_rng(5)))


def slices(low_m: float, high_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Depths of thin slices of the tank, and the area of each."""
    edges = np.linspace(low_m, high_m, 400)
    return 0.5 * (edges[1:] + edges[:-1]), np.diff(volume_above_m3(SHAPE, edges)) / np.diff(edges)


@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.28])
def test_a_ring_brings_the_waters_weight_lower_than_a_flat_layer(share: float) -> None:
    """Gravity alone decides (the gas presses evenly), and the lower centre of mass wins."""
    flat = float(boundary_depth_m(HANGING, share, 0.0))
    depth, area = slices(0.0, flat)
    centre_of_layer = float((depth * area).sum() / area.sum())
    cap = (CAP_AT_NOTHING - CAP_SLOPE * np.sqrt(share)) * HALF
    depth, area = slices(float(cap), HALF)
    around = 2 * np.sqrt(np.pi * area)
    centre_of_ring = float((depth * around).sum() / around.sum())
    assert centre_of_ring > centre_of_layer + 0.01


def test_a_rings_thickness_holds_its_water() -> None:
    """The wall it wets times its thickness is the water held, up to the quarter by which it is thicker at the seam."""
    caps = ring_caps_m(HANGING, 6)
    shares = ((CAP_AT_NOTHING - caps / HALF) / CAP_SLOPE) ** 2
    for cap, share, thick in zip(caps, shares, ring_thickness_m(HANGING, caps), strict=True):
        depth, area = slices(float(cap), HALF)
        radius = np.sqrt(area / np.pi)
        slope = np.gradient(radius, depth)
        wall = float((2 * np.pi * radius * np.hypot(1.0, slope)).sum() * (depth[1] - depth[0]))
        assert 0.8 < wall * thick / (share * SHAPE.volume_m3) < 2.0


def test_a_hanging_tanks_lower_end_says_nearly_nothing_of_the_share() -> None:
    """Where the calculation holds, from 5 to 30 % of water eight of ten lie at the seam, at 50 % four."""
    for share, least in ((0.05, 0.6), (0.15, 0.6), (0.28, 0.6), (0.5, 0.25)):
        at_seam = np.abs(drawn(HANGING, share).reach_m - HALF) < 0.012
        assert at_seam.mean() > least
    assert (drawn(HANGING, 0.1).cap_m > 0).mean() > 0.7
    assert (drawn(HANGING, 0.4).cap_m > 0.01).mean() < 0.02
    assert 0.3 < (drawn(HANGING, 0.9).foot_m < SHAPE.height_m).mean() < 0.45


def test_a_limp_standing_sheet_is_a_plane_and_real_rubber_lies_about_it() -> None:
    for share in (0.1, 0.3, 0.5, 0.8):
        plane = float(from_water_end(STANDING, boundary_depth_m(STANDING, share, 0.0)))
        reach = drawn(STANDING, share).reach_m
        assert np.quantile(reach, 0.1) < plane < np.quantile(reach, 0.9) + 0.005
        assert np.abs(reach - plane).mean() < 0.05
    assert (np.abs(drawn(STANDING, 0.5).reach_m - HALF) < 0.03).mean() > 0.6


def test_a_bag_never_touches_above_its_level() -> None:
    for share in (0.1, 0.5, 0.9):
        level = float(from_water_end(BAG, boundary_depth_m(BAG, share, 0.0)))
        assert drawn(BAG, share).reach_m.max() <= level + 1e-9


@pytest.mark.parametrize("tank", [HANGING, STANDING, BAG, PLAIN])
def test_none_is_dry_and_all_is_full(tank: Tank) -> None:
    dry, full = drawn(tank, 0.0, 50), drawn(tank, 1.0, 50)
    assert not dry.reach_m.any()
    np.testing.assert_array_equal(full.reach_m, SHAPE.height_m)
    np.testing.assert_array_equal(full.cap_m, 0.0)
    for share in np.linspace(0, 1, 23):
        some = drawn(tank, float(share), 200)
        assert np.all((some.cap_m >= 0) & (some.cap_m <= some.reach_m))
        assert np.all((some.reach_m <= some.foot_m + 1e-12) & (some.foot_m <= SHAPE.height_m))


def test_a_plain_tank_has_a_level_and_no_form() -> None:
    reach = drawn(PLAIN, 0.4, 50).reach_m
    np.testing.assert_allclose(reach, float(from_water_end(PLAIN, boundary_depth_m(PLAIN, 0.4, 0.0))))


def test_a_ring_of_gas_is_a_ring_of_water_upside_down() -> None:
    share = np.array([0.75, 0.85, 0.95])
    cap = (CAP_AT_NOTHING - CAP_SLOPE * np.sqrt(1 - share)) * HALF
    np.testing.assert_allclose(SHAPE.height_m - foot_reach_m(HANGING, share), cap)
    assert seam_reach_m(HANGING) == HALF


def test_a_lying_diaphragm_has_no_picture_from_top_to_bottom() -> None:
    lying = Tank("diaphragm", "bottom", Shape("horizontal", 0.4, 0.5, "ellipsoidal", 0.002), 0.08)
    with pytest.raises(PhysicsError):
        contacts(lying, np.array([0.3]), draw_forms(1, np.random.default_rng(0)))


def test_limp_rubber_leaves_a_third_of_the_standing_tanks_at_the_plane() -> None:
    """At a third full: of 45 % doubt three quarters are for the plane; the seam holds others."""
    half = drawn(STANDING, 0.35)
    plane = float(from_water_end(STANDING, boundary_depth_m(STANDING, 0.35, 0.0)))
    assert np.mean(np.abs(half.reach_m - plane) < 0.02) > 0.4

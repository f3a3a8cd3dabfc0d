"""What holds for every tank: volume grows with depth, scales with the cube of the size, and halves are halves."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.tank.kinds import Tank
from taptest.tank.membrane import boundary_depth_m, torn_level_depth_m
from taptest.tank.shape import Shape, volume_above_m3

shapes = st.builds(
    Shape,
    axis=st.sampled_from(["vertical", "horizontal"]),
    diameter_m=st.floats(0.1, 2.0),
    straight_m=st.floats(0.05, 3.0),
    head=st.sampled_from(["ellipsoidal", "torispherical", "hemispherical", "flat"]),
    wall_m=st.floats(0.001, 0.02),
)


@given(shapes, st.floats(0, 1), st.floats(0, 1))
@settings(max_examples=60, deadline=None)
def test_volume_grows_with_depth(shape: Shape, one: float, other: float) -> None:
    low, high = sorted((one * shape.height_m, other * shape.height_m))
    assert volume_above_m3(shape, low) <= volume_above_m3(shape, high) + 1e-12


@given(shapes, st.floats(0, 1))
@settings(max_examples=60, deadline=None)
def test_a_tank_is_the_same_upside_down(shape: Shape, share: float) -> None:
    depth = share * shape.height_m
    whole = volume_above_m3(shape, depth) + volume_above_m3(shape, shape.height_m - depth)
    np.testing.assert_allclose(whole, shape.volume_m3, rtol=1e-6)


@given(shapes, st.floats(0, 1), st.floats(0.5, 3.0))
@settings(max_examples=60, deadline=None)
def test_twice_the_size_is_eight_times_the_volume(shape: Shape, share: float, size: float) -> None:
    grown = Shape(shape.axis, shape.diameter_m * size, shape.straight_m * size, shape.head, shape.wall_m * size)
    small = volume_above_m3(shape, share * shape.height_m)
    large = volume_above_m3(grown, share * grown.height_m)
    np.testing.assert_allclose(large, small * size**3, rtol=1e-6, atol=1e-9 * grown.volume_m3)


@given(
    shapes.filter(lambda s: s.axis == "vertical"),
    st.sampled_from(["diaphragm", "bladder", "plain"]),
    st.sampled_from(["top", "bottom"]),
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(0, 1),
)
@settings(max_examples=100, deadline=None)
def test_more_water_moves_the_boundary_away_from_its_end(
    shape: Shape, kind: str, end: str, one: float, other: float, mixing: float
) -> None:
    tank = Tank(kind, end, shape, shape.volume_m3)  # type: ignore[arg-type]
    less, more = boundary_depth_m(tank, np.array(sorted((one, other))), mixing)
    assert (less <= more + 1e-9) if end == "top" else (less >= more - 1e-9)
    assert np.all((less >= 0) & (more >= 0))
    assert np.all((less <= shape.height_m) & (more <= shape.height_m))


@given(shapes, st.floats(0.01, 0.99))
@settings(max_examples=60, deadline=None)
def test_plain_tank_has_the_level_of_a_torn_one(shape: Shape, share: float) -> None:
    tank = Tank("plain", "bottom", shape, shape.volume_m3)
    np.testing.assert_allclose(
        boundary_depth_m(tank, share), torn_level_depth_m(shape, share), atol=1e-4 * shape.height_m
    )

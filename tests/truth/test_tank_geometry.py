"""Tank volumes against D. Jones's examples, the library `fluids`, the cylinder fraction table and head volumes.

Jones: "Computing Fluid Tank Volumes", examples in inches and US gallons (231 cubic inches), as reproduced in the
documentation and tests of `fluids`. Positions in these sources count from the bottom of the inside; the shells here
get a wall thin enough to vanish.
"""

import numpy as np
import pytest
from fluids import geometry

from taptest.tank.shape import (
    HeadKind,
    Shape,
    depth_of_volume_above_m3,
    head_depth_m,
    head_volume_m3,
    meridian,
    volume_above_m3,
)

INCH = 0.0254
GALLON = 231 * INCH**3
THIN = 1e-9


def shape_in_inches(axis: str, diameter: float, straight: float, head: HeadKind) -> Shape:
    return Shape(axis, diameter * INCH + 2 * THIN, straight * INCH, head, THIN)  # type: ignore[arg-type]


def filled_gallons(shape: Shape, height_in: float) -> float:
    above = volume_above_m3(shape, shape.height_m - THIN - height_in * INCH)
    return float(shape.volume_m3 - above) / GALLON


@pytest.mark.parametrize(
    ("head", "height_in", "gallons"),
    [
        ("ellipsoidal", 36, 2380.96),
        ("ellipsoidal", 84, 7103.45),
        ("torispherical", 36, 2028.63),
        ("torispherical", 84, 5939.90),
    ],
)
def test_lying_tanks_of_jones(head: HeadKind, height_in: float, gallons: float) -> None:
    # Jones's ellipsoidal heads are 42 in deep; 2:1 heads are 27 in, and a lying head's volume grows with its depth.
    shape = shape_in_inches("horizontal", 108, 156, head)
    ours = filled_gallons(shape, height_in)
    if head == "ellipsoidal":
        barrel = filled_gallons(shape_in_inches("horizontal", 108, 156, "flat"), height_in)
        ours = barrel + (ours - barrel) * 42 / 27
    assert ours == pytest.approx(gallons, rel=3e-6)


@pytest.mark.parametrize(("height_in", "gallons"), [(24, 904.07), (60, 3036.76)])
def test_standing_torispherical_tank_of_jones(height_in: float, gallons: float) -> None:
    assert filled_gallons(shape_in_inches("vertical", 132, 120, "torispherical"), height_in) == pytest.approx(
        gallons, rel=6e-6
    )


@pytest.mark.parametrize(("height_in", "gallons"), [(24, 783.36), (60, 2902.83)])
def test_standing_ellipsoidal_tank_of_jones(height_in: float, gallons: float) -> None:
    # Jones's vertical example has a = 33 in on 132 in: exactly a 2:1 head.
    assert filled_gallons(shape_in_inches("vertical", 132, 120, "ellipsoidal"), height_in) == pytest.approx(
        gallons, rel=6e-6
    )


@pytest.mark.parametrize(
    ("share_of_height", "cylinder", "sphere"),
    [
        (0.05, 0.01869, 0.00725),
        (0.10, 0.05204, 0.02800),
        (0.20, 0.14238, 0.10400),
        (0.25, 0.19550, 0.15625),
        (0.35, 0.31192, 0.28175),
        (0.45, 0.43644, 0.42525),
        (0.50, 0.5, 0.5),
    ],
)
def test_fraction_table_of_lying_cylinders_and_spheres(share_of_height: float, cylinder: float, sphere: float) -> None:
    """Partial volumes as tabled in chemical engineers' handbooks (value from memory, recomputed with `fluids`)."""
    lying = Shape("horizontal", 1.0 + 2 * THIN, 3.0, "flat", THIN)
    ball = Shape("horizontal", 1.0 + 2 * THIN, 0.0, "hemispherical", THIN)
    assert float(volume_above_m3(lying, share_of_height)) / lying.volume_m3 == pytest.approx(cylinder, abs=6e-6)
    assert float(volume_above_m3(ball, share_of_height)) / ball.volume_m3 == pytest.approx(sphere, abs=6e-6)


@pytest.mark.parametrize(
    ("head", "over_cube", "depth_over_diameter"),
    [
        ("hemispherical", np.pi / 12, 0.5),
        ("ellipsoidal", np.pi / 24, 0.25),
        ("torispherical", 0.080999, 0.169338),
        ("flat", 0.0, 0.0),
    ],
)
def test_head_volumes_and_depths(head: HeadKind, over_cube: float, depth_over_diameter: float) -> None:
    """Head volume over the cube of the diameter; torispherical from `fluids` (f = 1, k = 0.06)."""
    assert head_volume_m3(head, 1.7) / 1.7**3 == pytest.approx(over_cube, abs=6e-7)
    assert head_depth_m(head, 1.7) / 1.7 == pytest.approx(depth_over_diameter, abs=6e-7)


@pytest.mark.parametrize("axis", ["vertical", "horizontal"])
@pytest.mark.parametrize("head", ["ellipsoidal", "hemispherical", "torispherical", "flat"])
def test_volumes_against_the_fluids_library(axis: str, head: HeadKind) -> None:
    inner, straight, wall = 0.297, 0.21, 0.0015
    shape = Shape(axis, inner + 2 * wall, straight, head, wall)  # type: ignore[arg-type]
    sides = {
        "ellipsoidal": "ellipsoidal",
        "hemispherical": "spherical",
        "torispherical": "torispherical",
        "flat": None,
    }[head]
    depth = {"ellipsoidal": inner / 4, "hemispherical": inner / 2}.get(head)
    other = geometry.TANK(
        D=inner,
        L=straight,
        horizontal=axis == "horizontal",
        sideA=sides,
        sideB=sides,
        sideA_a=depth,
        sideB_a=depth,
        sideA_f=1.0,
        sideA_k=0.06,
        sideB_f=1.0,
        sideB_k=0.06,
    )
    assert shape.volume_m3 == pytest.approx(other.V_total, rel=1e-9)
    heights = np.linspace(0.01, 0.99, 23) * (shape.height_m - 2 * wall)
    ours = shape.volume_m3 - volume_above_m3(shape, shape.height_m - wall - heights)
    theirs = np.array([other.V_from_h(h) for h in heights])
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-7 * shape.volume_m3)


def test_own_check_tank_against_quadrature() -> None:
    """12 x 20 in, standing, 2:1 heads: inches -> gallons, computed with `fluids` and an independent quadrature."""
    shape = shape_in_inches("vertical", 12, 20, "ellipsoidal")
    for height, gallons in [(1, 0.14507), (3, 0.97920), (10, 4.40639), (13, 5.87519), (23, 10.77117), (26, 11.75037)]:
        assert filled_gallons(shape, height) == pytest.approx(gallons, abs=6e-6)


@pytest.mark.parametrize("head", ["ellipsoidal", "hemispherical", "torispherical", "flat"])
def test_turning_the_outline_gives_the_volume(head: HeadKind) -> None:
    """The inner outline, turned about the axis, encloses the volume found in closed form."""
    shape = Shape("vertical", 0.3, 0.2, head, 0.002)
    line = meridian(shape, 20_001, below_outside_m=shape.wall_m)
    r2 = line.radius_m**2
    turned = np.pi * float(np.sum((r2[1:] + r2[:-1]) / 2 * np.diff(line.axial_m)))
    assert turned == pytest.approx(shape.volume_m3, rel=2e-6)


def test_depth_of_volume_is_within_a_ten_thousandth_of_the_height() -> None:
    for axis in ("vertical", "horizontal"):
        for head in ("ellipsoidal", "hemispherical", "torispherical", "flat"):
            shape = Shape(axis, 0.4, 0.35, head, 0.002)
            depth = shape.wall_m + np.linspace(0, 1, 3001) * (shape.height_m - 2 * shape.wall_m)
            back = depth_of_volume_above_m3(shape, volume_above_m3(shape, depth))
            # The poles themselves count as the outer ends of the shell: a wall's thickness away.
            np.testing.assert_allclose(back[1:-1], depth[1:-1], rtol=0, atol=1e-5 * shape.height_m)

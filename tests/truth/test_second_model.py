"""The second model (tests/bench/second_model) against closed formulas for cylinders."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import eigh, eigvalsh
from scipy.special import iv, ivp, jnp_zeros, jv, jvp

from taptest.tank.shape import Shape
from tests.bench.second_model import wall as shell
from tests.bench.second_model import water
from tests.bench.second_model.outline import Outline, element_edges, outline_of, straight_piece

RADIUS, LENGTH, SHEET = 0.15, 0.4, 0.0015


def cylinder(longest: float = 0.01) -> tuple[Outline, shell.Wall]:
    outline = Outline((straight_piece(RADIUS, 0.0, LENGTH),))
    return outline, shell.mesh(outline, element_edges(outline, longest, []), SHEET)


def flugge_hz(n: int, halves: int) -> float:
    """Lowest frequency of a cylinder on shear diaphragms.

    Source: Leissa, Vibration of Shells (NASA SP-288, 1973), section 2.3, Fluegge's operators.
    """
    nu, k, wave = shell.POISSON, SHEET**2 / (12 * RADIUS**2), halves * np.pi * RADIUS / LENGTH
    one = wave**2 + (1 - nu) / 2 * n**2 * (1 + k)
    two = n**2 + (1 - nu) / 2 * wave**2 * (1 + 3 * k)
    three = 1 + k * (wave**2 + n**2) ** 2 + k * (1 - 2 * n**2)
    a = -(1 + nu) / 2 * wave * n
    b = -nu * wave - k * (wave**3 - (1 - nu) / 2 * wave * n**2)
    c = n + k * (3 - nu) / 2 * wave**2 * n
    square = eigvalsh([[one, a, b], [a, two, c], [b, c, three]])[0]
    return float(np.sqrt(square * shell.YOUNG / (shell.DENSITY * (1 - nu**2))) / RADIUS / (2 * np.pi))


def frequencies_hz(wall: shell.Wall, n: int, held: NDArray[np.intp], count: int) -> NDArray[np.float64]:
    free = np.setdiff1d(np.arange(wall.unknowns), held)
    stiff, heavy = shell.stiffness(wall, n), shell.mass(wall, n, shell.steel_per_area(wall))
    squares = eigh(stiff[np.ix_(free, free)], heavy[np.ix_(free, free)], eigvals_only=True)[:count]
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)) / (2 * np.pi))


@pytest.mark.parametrize("n", [2, 4, 7, 12])
def test_cylinder_on_shear_diaphragms_rings_as_fluegge_says(n: int) -> None:
    _, wall = cylinder()
    end = wall.unknowns - shell.PER_NODE
    found = frequencies_hz(wall, n, np.array([0, 4, end, end + 4]), 3)
    assert found == pytest.approx(sorted(flugge_hz(n, halves) for halves in (1, 2, 3)), rel=0.005)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_free_cylinder_has_rayleighs_inextensional_mode(n: int) -> None:
    """Source: Rayleigh, Theory of Sound, section 233 (with the plate's modulus, Leissa 1973, section 2.4)."""
    _, wall = cylinder()
    plate = shell.YOUNG * SHEET**2 / (12 * shell.DENSITY * (1 - shell.POISSON**2) * RADIUS**4)
    expected = np.sqrt(plate * n**2 * (n**2 - 1) ** 2 / (n**2 + 1)) / (2 * np.pi)
    assert frequencies_hz(wall, n, np.array([], dtype=np.intp), 1)[0] == pytest.approx(expected, rel=0.02)


def test_turning_a_whole_tank_strains_nothing() -> None:
    """Six rigid motions: two of pattern 1 on the whole meridian, one of pattern 0 without torsion (elasticity)."""
    outline = outline_of(Shape("vertical", 0.3, 0.15, "torispherical", SHEET))
    wall = shell.mesh(outline, element_edges(outline, 0.01, []), SHEET)
    for n, rigid in ((0, 1), (1, 2)):
        basis = shell.free_at_poles(wall, n)
        stiff = basis.T @ shell.stiffness(wall, n) @ basis
        heavy = basis.T @ shell.mass(wall, n, shell.steel_per_area(wall)) @ basis
        squares = eigvalsh(stiff, heavy)
        assert np.sqrt(np.abs(squares[:rigid])).max() < 2 * np.pi * 15
        assert np.sqrt(squares[rigid]) > 2 * np.pi * 200


def water_in(outline: Outline, wall: shell.Wall, thickness: float | None = None, weight: float = 1.0) -> water.Water:
    """Mesh water along a whole cylinder, without pressure at both ends, to the axis or as a layer."""
    count = 2 * (wall.edges.size - 1) + 1
    level = np.linspace(0.0, LENGTH, count)
    inner = np.full(count, 0.0 if thickness is None else 1 - thickness / outline.pieces[0].r[0])
    body = water.Body(range(wall.edges.size - 1), level, inner, np.ones(count), (True, True), weight=weight)
    return water.mesh_water(wall, outline, body)


def swinging(wall: shell.Wall, k: float) -> NDArray[np.float64]:
    """Let the wall move outward as sin(k z)."""
    motion = np.zeros(wall.unknowns)
    motion[0 :: shell.PER_NODE] = np.sin(k * wall.edges)
    motion[1 :: shell.PER_NODE] = k * np.cos(k * wall.edges)
    return motion


def carried(load: water.Load, motion: NDArray[np.float64], hz: float = 0.0) -> float:
    """Mass that a motion carries at a frequency: that at rest, and what the water's own modes add."""
    more = (motion @ load.couple) ** 2 @ (hz**2 / (load.hz**2 - hz**2))
    return float(motion @ load.mass @ motion + more)


def area(n: int, radius: float = RADIUS) -> float:
    return radius * (2 * np.pi if n == 0 else np.pi) * LENGTH / 2


@pytest.mark.parametrize(("n", "halves"), [(0, 2), (1, 1), (2, 1), (5, 3), (10, 2), (10, 10), (16, 6)])
def test_water_filled_cylinder_has_the_added_mass_of_bessel(n: int, halves: int) -> None:
    """Source: Junger and Feit, Sound, Structures, and Their Interaction; Paidoussis, Fluid-Structure Interactions 2.

    Without pressure at both ends, a wall moving as sin(k z) carries rho I_n(kR) / (k I_n'(kR)) per area.
    """
    outline, wall = cylinder()
    load = water.load_of(wall, water_in(outline, wall), n)
    k = halves * np.pi / LENGTH
    expected = water.DENSITY * iv(n, k * RADIUS) / (k * ivp(n, k * RADIUS))
    assert carried(load, swinging(wall, k)) / area(n) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("thickness", [0.002, 0.008, 0.015, 0.040])
@pytest.mark.parametrize(("n", "halves"), [(0, 2), (0, 10), (3, 2), (12, 4)])
def test_thin_layer_on_a_wide_cylinder_has_the_added_mass_of_a_plate(n: int, halves: int, thickness: float) -> None:
    """A layer of depth d without pressure on its far side carries rho tanh(k d) / k per area of a plate.

    Source: the potential of Lamb, Hydrodynamics, section 228 (standing waves), p = 0 above. On a cylinder of 3 m radius
    the wall is as good as flat, n / R being the wave number around.
    """
    radius = 3.0
    outline = Outline((straight_piece(radius, 0.0, LENGTH),))
    wall = shell.mesh(outline, element_edges(outline, 0.01, []), SHEET)
    load = water.load_of(wall, water_in(outline, wall, thickness), n)
    along = halves * np.pi / LENGTH
    k = np.hypot(along, n / radius)
    found = carried(load, swinging(wall, along)) / area(n, radius)
    assert found == pytest.approx(water.DENSITY * np.tanh(k * thickness) / k, rel=0.02)


def test_a_weight_scales_the_mass_of_the_water() -> None:
    outline, wall = cylinder()
    whole, third = (water.load_of(wall, water_in(outline, wall, weight=part), 2).mass for part in (1.0, 0.3))
    assert third == pytest.approx(0.3 * whole)


@pytest.mark.parametrize("n", [0, 1, 2, 4])
def test_water_in_a_rigid_cylinder_has_the_modes_of_bessel(n: int) -> None:
    """f = c / 2 pi sqrt((j'_nm / R)^2 + (q pi / L)^2) between two ends without pressure.

    Source: Kinsler, Frey, Coppens, Sanders, Fundamentals of Acoustics, chapter 9 (cylindrical cavity); the zeros of
    J_n' by scipy.
    """
    outline, wall = cylinder()
    load = water.load_of(wall, water_in(outline, wall), n, 12000.0)
    across = np.array([*([0.0] if n == 0 else []), *jnp_zeros(n, 3)]) / RADIUS
    modes = water.SPEED / (2 * np.pi) * np.hypot(across[:, None], np.arange(1, 9) * np.pi / LENGTH).ravel()
    assert load.hz == pytest.approx(np.sort(modes[modes < 12000.0])[: load.hz.size], rel=0.003)
    assert load.hz.size >= 2


@pytest.mark.parametrize(("n", "halves"), [(0, 1), (1, 1), (2, 1), (3, 2), (4, 1)])
@pytest.mark.parametrize("hz", [1500.0, 2600.0])
def test_compressible_water_carries_a_wall_as_bessel_says(n: int, halves: int, hz: float) -> None:
    """A wall moving as sin(k z) at omega carries rho J_n(aR) / (a J_n'(aR)), a^2 = (omega / c)^2 - k^2.

    Below the cut a is imaginary and the Bessel functions become I_n. Source: Junger and Feit, as above.
    """
    outline, wall = cylinder()
    load = water.load_of(wall, water_in(outline, wall), n, 20000.0)
    k = halves * np.pi / LENGTH
    square = (2 * np.pi * hz / water.SPEED) ** 2 - k**2
    a = np.sqrt(abs(square))
    value, slope = (jv, jvp) if square > 0 else (iv, ivp)
    expected = water.DENSITY * value(n, a * RADIUS) / (a * slope(n, a * RADIUS))
    assert carried(load, swinging(wall, k), hz) / area(n) == pytest.approx(expected, rel=0.03)

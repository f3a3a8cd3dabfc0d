"""The second model (tests/bench/second_model) against closed formulas for cylinders."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import eigh, eigvalsh
from scipy.special import iv, ivp

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


@pytest.mark.parametrize(("n", "halves"), [(0, 2), (1, 1), (2, 1), (5, 3), (10, 2), (10, 10), (16, 6)])
def test_water_filled_cylinder_has_the_added_mass_of_bessel(n: int, halves: int) -> None:
    """Source: Junger and Feit, Sound, Structures, and Their Interaction; Paidoussis, Fluid-Structure Interactions 2.

    Without pressure at both ends, a wall moving as sin(k z) carries rho I_n(kR) / (k I_n'(kR)) per area.
    """
    outline, wall = cylinder()
    wet = water.Wet(range(wall.edges.size - 1), None, None, (0.0, LENGTH))
    added = water.added_mass(wall, water.mesh_water(wall, outline, wet), n)
    k = halves * np.pi / LENGTH
    motion = np.zeros(wall.unknowns)
    motion[0 :: shell.PER_NODE] = np.sin(k * wall.edges)
    motion[1 :: shell.PER_NODE] = k * np.cos(k * wall.edges)
    area = RADIUS * (2 * np.pi if n == 0 else np.pi) * LENGTH / 2
    expected = water.DENSITY * iv(n, k * RADIUS) / (k * ivp(n, k * RADIUS))
    assert motion @ added @ motion / area == pytest.approx(expected, rel=0.02)

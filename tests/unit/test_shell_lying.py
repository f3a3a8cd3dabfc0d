"""The lying tank's approximation against the finite elements where it is exact, and against an exact half-full tank."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.linalg import eigh

from taptest.shell.lying import LyingTank, bending_branch, wetted
from taptest.shell.records import Losses, ShellSpec
from taptest.shell.response import wet_modes
from taptest.shell.sweep import level_sweep
from tests.shell_pieces import cylinder, frequencies

SPEC = ShellSpec("horizontal", 0.3, 0.8, "torispherical", 0.003, 2e5, losses=Losses(0.004, 0.01, 0.1, 0.02, 1.0))
TANK = LyingTank(SPEC, 3000.0)
BELLY = np.linspace(0.01, 0.29, 9)


@pytest.mark.parametrize("n", [2, 5, 9])
def test_dry_branch_is_that_of_the_finite_elements(n: int) -> None:
    k = np.pi / TANK.length_m
    shell = cylinder(TANK.radius_m, TANK.length_m, SPEC.wall_m, SPEC.material, SPEC.pressure_pa)
    expected = frequencies(shell, n, "simply supported")[0]
    square, elastic, share = bending_branch(SPEC, TANK.radius_m, k, n)
    assert np.sqrt(square) / (2 * np.pi) == pytest.approx(expected, rel=1e-3)
    assert 0 < elastic < square
    assert share > 0.8


def test_wetted_sector_is_nothing_dry_and_everything_full() -> None:
    for family in ("even", "odd"):
        np.testing.assert_allclose(wetted(12, family, np.pi)[1:, 1:], np.zeros((11, 11)), atol=1e-12)
        np.testing.assert_allclose(wetted(12, family, 0.0)[1:, 1:], np.eye(11), atol=1e-12)
        steps = [wetted(12, family, a) for a in np.linspace(np.pi, 0, 9)]
        for step in np.diff(steps, axis=0):
            assert np.min(np.linalg.eigvalsh(step)) > -1e-12


def half_full(half_waves: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest squared frequencies half full (even family): our rule, and exactly.

    Exactly: a potential that is zero on the diameter continues oddly across it, so the water of the lower half moves as
    that of the filled cylinder under the odd continuation of the wall's motion, with half the energy.
    """
    k = half_waves * np.pi / TANK.length_m
    from taptest.shell.lying import _Sine

    sine = _Sine.of(TANK, half_waves, 1.0)
    size = len(sine.stiffness)
    area = 0.5 * TANK.length_m * TANK.radius_m
    root = np.sqrt(sine.water) * sine.normal * np.sqrt(area)
    rule = root[:, None] * wetted(size, "even", np.pi / 2) * root
    theta = (np.arange(4000) + 0.5) * np.pi / 4000
    n = np.arange(size)[:, None]
    norm = np.sqrt(np.where(n == 0, 2 * np.pi, np.pi))
    shapes = np.cos(n * theta) / norm * sine.normal[:, None]
    below = theta > np.pi / 2
    odd = np.where(below, shapes, -shapes[:, ::-1])
    many = np.arange(3 * size)[:, None]
    many_norm = np.sqrt(np.where(many == 0, 2 * np.pi, np.pi))
    parts = 2 * odd @ (np.cos(many * theta) / many_norm).T * np.pi / 4000
    from scipy.special import ive

    x = k * TANK.radius_m
    slope = 0.5 * (ive(np.abs(many[:, 0] - 1), x) + ive(many[:, 0] + 1, x))
    water = SPEC.water_density_kg_m3 * TANK.radius_m * ive(many[:, 0], x) / (x * slope)
    exact = 0.5 * area * (parts * water) @ parts.T
    stiff, unit = np.diag(sine.stiffness), np.eye(size)
    return tuple(eigh(stiff, unit + mass, eigvals_only=True)[:count] for mass in (rule, exact))


@pytest.mark.parametrize("half_waves", [1, 4, 9])
def test_half_full_is_near_the_exact_solution(half_waves: int) -> None:
    """The rule's own error over the lowest eight modes of a sine: two per cent on average, eight in the worst one."""
    rule, exact = half_full(half_waves, 8)
    off = np.sqrt(rule / exact) - 1
    assert np.abs(off).max() < 0.09
    assert np.abs(off).mean() < 0.025


def test_more_water_is_lower_and_the_ends_are_the_whole_states() -> None:
    lowest = [
        np.sort(wet_modes(SPEC, level, BELLY, 2000.0).pole_1_s.imag)[:20] for level in (None, 0.25, 0.15, 0.05, 0.0)
    ]
    for drier, wetter in pairwise(lowest):
        assert np.all(wetter < drier)
    bottom = np.sort(wet_modes(SPEC, 0.2999, BELLY, 2000.0).pole_1_s.imag)[:20]
    np.testing.assert_allclose(bottom, lowest[0], rtol=1e-2)


def test_wall_that_water_backs_rings_shorter_on_average() -> None:
    modes = wet_modes(SPEC, 0.15, BELLY, 3000.0)
    energy = np.abs(modes.shape) ** 2
    rate = (energy * (-modes.pole_1_s.real / modes.pole_1_s.imag)[:, None]).sum(0) / energy.sum(0)
    assert rate[-2] > 1.15 * rate[1]


@pytest.mark.slow
def test_sweep_along_the_belly() -> None:
    sweep = level_sweep(SPEC, BELLY)
    assert sweep.level_db.shape == (26, 9, 15)
    assert np.all(np.isfinite(sweep.level_db))
    assert np.all(np.diff(sweep.level_depth_m[1:-1]) < 0)  # from the water at the bottom upwards

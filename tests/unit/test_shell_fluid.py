"""Water in cavities of every head against harmonic polynomials, whose energy is an integral over the wall."""

import numpy as np
import pytest

from taptest.errors import PhysicsError
from taptest.shell.fluid import WaterColumn, radial_fractions
from taptest.shell.meridian import closed_shell, mesh_of
from taptest.shell.vibration import DryShell
from tests.shell_pieces import FloatArray

HEADS = ["ellipsoidal", "torispherical", "hemispherical", "flat"]
RADIUS = 0.15
SIZE = 0.01


def column_of(head: str, surface_share: float, straight: float = 0.2) -> tuple[WaterColumn, int]:
    """A closed cavity with a line near that share of its height, and the level's number."""
    meridian = closed_shell(head, RADIUS, straight)
    surface = surface_share * meridian.height_m
    mesh = mesh_of(meridian, SIZE, meridian.arc_at_height(np.array([surface])))
    shell = DryShell(mesh, np.full(len(mesh.segment), 1.5e-3))
    growth = 1.0 if head == "flat" else 1.6
    column = WaterColumn(shell, radial_fractions(RADIUS, SIZE, growth), closed_pole=True)
    return column, int(np.argmin(np.abs(column.line_heights_m() - surface)))


def polynomials(column: WaterColumn, n: int, surface: float) -> tuple[FloatArray, FloatArray]:
    """Potentials r^n z and r^n (z^3 - 3 r^2 z / (2 n + 2)), zero at the surface, and their flow through the wall, (E,
    G, 2)."""
    points = column.shell.points
    r, z, slope = points.radius_m, points.height_m - surface, points.slope_rad
    c = 3.0 / (2.0 * (n + 1))
    below = n * r ** max(n - 1, 0)
    potential = np.stack([r**n * z, r**n * z**3 - c * r ** (n + 2) * z], axis=-1)
    radial = np.stack([below * z, below * z**3 - c * (n + 2) * r ** (n + 1) * z], axis=-1)
    axial = np.stack([r**n, 3 * r**n * z**2 - c * r ** (n + 2)], axis=-1)
    return potential, radial * np.sin(slope)[..., None] - axial * np.cos(slope)[..., None]


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("n", [0, 1, 2, 5, 10])
@pytest.mark.parametrize("share", [0.15, 0.5, 0.93])
def test_energy_of_harmonic_polynomials(head: str, n: int, share: float) -> None:
    """Exact for any cavity (Green's first identity)."""
    column, level = column_of(head, share)
    surface = float(column.line_heights_m()[level])
    potential, flow = polynomials(column, n, surface)
    wetted = (column.shell.points.height_m < surface) * column.shell.weight
    exact = np.einsum("egi,egj,eg->ij", flow, potential, wetted)
    found = column.added_mass(n, flow, np.array([level]), 1.0)[0]
    np.testing.assert_allclose(found, exact, rtol=1.5e-3, atol=1.5e-3 * abs(exact).max())


@pytest.mark.parametrize("head", HEADS[:3])
def test_whole_cavity_is_the_limit_of_high_levels_but_for_changes_of_volume(head: str) -> None:
    column, _ = column_of(head, 0.5)
    points = column.shell.points
    wave = np.sin(5 * points.height_m / points.height_m.max())[..., None] * np.sin(points.slope_rad)[..., None]
    last = len(column.layers)
    high, full = column.added_mass(4, wave, np.array([last, last + 1]), 1000.0)[:, 0, 0]
    assert high == pytest.approx(full, rel=0.02)
    assert high <= full


def test_filled_closed_cavity_resists_a_change_of_volume() -> None:
    """Without an opening its added mass has no bound; through the connection's opening it is rho V^2 length / area and
    more."""
    column, _ = column_of("ellipsoidal", 0.5)
    breathing = np.ones((*column.shell.weight.shape, 1))
    full = np.array([len(column.layers) + 1])
    opened = WaterColumn(column.shell, column.fraction)
    with_opening = opened.added_mass(0, breathing, full, 1000.0)[0, 0, 0]
    volume = 2 * np.pi * column.shell.weight.sum()
    slug = 1000.0 * volume**2 * 0.3 / 2.5e-4 / (2 * np.pi)
    assert slug < with_opening < 1.5 * slug


def test_levels_outside_the_cavity_are_refused() -> None:
    column, _ = column_of("flat", 0.5)
    with pytest.raises(PhysicsError, match="water level"):
        column.added_mass(2, np.zeros((*column.shell.weight.shape, 1)), np.array([len(column.layers) + 2]), 1000.0)

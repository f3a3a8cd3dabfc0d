"""The shell model against published values; where a value was not seen in its source, the test says so."""

import numpy as np
import pytest
from scipy.special import i0, iv, ivp, j0

from taptest.shell.fluid import WaterColumn, radial_fractions
from taptest.shell.meridian import closed_shell, mesh_of
from taptest.shell.records import Material
from taptest.shell.vibration import DryShell, dry_basis
from tests.shell_pieces import FloatArray, cylinder, frequencies, wet_lowest

INCH = 0.0254
KRAUS = Material(30e6 * 6894.757, 0.3, 0.282072 * 0.45359237 / INCH**3)
DYM = Material(2.1e11, 0.3, 7850.0)
STEEL_205 = Material(205e9, 0.3, 7850.0)
OMEGA = 2 * np.pi


@pytest.mark.parametrize(("n", "published"), [(6, 536.0), (8, 720.0), (4, 768.0)])
def test_clamped_cylinder_of_kraus(n: int, published: float) -> None:
    """H. Kraus, Thin Elastic Shells, p. 307, as quoted with finite-element values on a verification page (those values;
    end conditions and the length of 12 in inferred)."""
    shell = cylinder(3 * INCH, 12 * INCH, 0.01 * INCH, KRAUS)
    assert frequencies(shell, n, "clamped")[0] == pytest.approx(published, rel=3e-3)


def test_thick_clamped_cylinder() -> None:
    """Published benchmark, about 1701 Hz for (2, 1)."""
    shell = cylinder(0.1, 0.4, 0.01, Material(200e9, 0.3, 7800.0))
    assert frequencies(shell, 2, "clamped")[0] == pytest.approx(1701.0, rel=3e-3)


def test_free_cylinder_of_nafems_fv41() -> None:
    """NAFEMS FV41, n = 0 (frequencies as published, geometry from memory)."""
    shell = cylinder(2.0, 10.0, 0.4, Material(200e9, 0.3, 8000.0))
    found = frequencies(shell, 0, "free", count=4)
    assert found[0] < 1.0  # the body as a whole
    np.testing.assert_allclose(found[1:], [243.53, 377.41, 394.11], rtol=1e-3)


def test_simply_supported_cylinder_of_dym() -> None:
    """Shell of C. L. Dym, also of Goncalves and Batista and of del Prado. Donnell: values from memory. Sanders: our own
    closed-form computation, kept as a regression."""
    donnell = cylinder(0.3015, 0.41, 0.001, DYM, theory="donnell")
    sanders = cylinder(0.3015, 0.41, 0.001, DYM)
    rows = range(7, 12)
    np.testing.assert_allclose(
        [frequencies(donnell, n, "simply supported")[0] for n in rows],
        [303.35, 280.94, 288.71, 318.4, 363.3],
        rtol=3e-3,
    )
    np.testing.assert_allclose(
        [frequencies(sanders, n, "simply supported")[0] for n in rows],
        [301.94, 279.01, 286.38, 315.84, 360.65],
        rtol=3e-4,
    )


def test_cylinder_of_chen_and_babcock() -> None:
    """J. C. Chen and C. D. Babcock, AIAA J. 13 (1975) 868, mode (1, 6): values from memory."""
    material = Material(71.02e9, 0.31, 2796.0)
    for theory, value in (("donnell", 555.9), ("sanders", 553.3)):
        shell = cylinder(0.1, 0.2, 0.247e-3, material, theory=theory)  # type: ignore[arg-type]
        assert frequencies(shell, 6, "simply supported")[0] == pytest.approx(value, rel=3e-3)


def half_filled_wet(radius: float, length: float, wall: float, material: Material, n: int) -> float:
    """Lowest frequency, filled, both ends open: the half up to the plane of symmetry, which is a rigid bottom."""
    shell = cylinder(radius, length / 2, wall, material, elements=40)
    return float(wet_lowest(shell, n, ("guided", "simply supported"), np.array([1.0]))[0])


def test_water_filled_cylinder_of_amabili() -> None:
    """M. Amabili, J. Sound Vib. 262 (2003) 921, mode (1, 5): 215.3 Hz empty, 76.16 Hz filled (values from memory)."""
    material = Material(198e9, 0.3, 7800.0)
    shell = cylinder(0.1494, 0.52, 0.519e-3, material)
    assert frequencies(shell, 5, "simply supported")[0] == pytest.approx(215.3, rel=1e-3)
    assert half_filled_wet(0.1494, 0.52, 0.519e-3, material, 5) == pytest.approx(76.16, rel=1e-3)


def test_water_filled_cylinder_of_dym() -> None:
    """Filled with water, open ends: our own computation with Fluegge's theory, kept as a regression."""
    found = [half_filled_wet(0.3015, 0.41, 0.001, DYM, n) for n in range(7, 12)]
    np.testing.assert_allclose(found, [122.00, 118.40, 126.93, 145.53, 172.08], rtol=3e-3)


def test_partly_filled_cylinder_of_dym() -> None:
    """n = 8, rigid bottom, fill 0.1 to 1: our own computation, kept as a regression."""
    shell = cylinder(0.3015, 0.41, 0.001, DYM)
    found = wet_lowest(shell, 8, ("simply supported", "simply supported"), np.arange(1, 11) / 10)
    listed = [277.7, 262.7, 226.4, 188.4, 160.5, 141.9, 129.9, 122.8, 119.3, 118.15]
    np.testing.assert_allclose(found, listed, rtol=1e-2)


def test_frequency_parameters_of_a_long_cylinder() -> None:
    """C. T. Loy, K. Y. Lam and C. Shu, Shock Vib. 4 (1997) 193; X. M. Zhang and others, J. Sound Vib. 239 (2001) 389:
    L/R = 20, h/R = 0.01, nu = 0.3 (values from memory)."""
    shell = cylinder(1.0, 20.0, 0.01, Material(2e11, 0.3, 7850.0))
    unit = OMEGA * np.sqrt((1 - 0.09) * 7850.0 / 2e11)
    supported = [frequencies(shell, n, "simply supported")[0] * unit for n in range(1, 11)]
    listed = [0.016101, 0.009382, 0.022105, 0.042095, 0.068008, 0.099730, 0.137239, 0.180527, 0.229594, 0.284435]
    np.testing.assert_allclose(supported, listed, rtol=1e-3)
    clamped = [frequencies(shell, n, "clamped")[0] * unit for n in range(1, 7)]
    np.testing.assert_allclose(clamped, [0.032885, 0.013932, 0.022672, 0.042208, 0.068046, 0.099748], rtol=3e-3)


@pytest.mark.parametrize(("n", "hz"), [(2, 24.766), (3, 70.048), (4, 134.310)])
def test_ring_limit_of_rayleigh_and_hoppe(n: int, hz: float) -> None:
    """Bending of an infinitely long tube (Rayleigh, Theory of Sound, section 233): the formula and its figures."""
    e, h, r, rho, nu = 205e9, 1.5e-3, 0.2, 7850.0, 0.3
    formula = np.sqrt(e * h**2 * n**2 * (n**2 - 1) ** 2 / (48 * np.pi**2 * (1 - nu**2) * rho * r**4 * (n**2 + 1)))
    assert formula == pytest.approx(hz, rel=1e-4)
    assert frequencies(cylinder(r, 0.05, h, STEEL_205), n, "guided")[0] == pytest.approx(hz, rel=1e-3)


def test_buckling_of_a_ring_under_outside_pressure() -> None:
    """A long tube buckles at p = (n^2 - 1) D / R^3 (Bresse 1866, Levy 1884; value from memory): follower pressure and
    hoop force."""
    e, h, r, nu = 205e9, 1.5e-3, 0.2, 0.3
    rigidity = e * h**3 / 12 / (1 - nu**2)
    for n in (2, 3, 4):
        critical = (n**2 - 1) * rigidity / r**3
        free = frequencies(cylinder(r, 0.05, h, STEEL_205), n, "guided")[0]
        half = frequencies(cylinder(r, 0.05, h, STEEL_205, -0.5 * critical), n, "guided")[0]
        assert (half / free) ** 2 == pytest.approx(0.5, rel=3e-3)


def test_internal_pressure_of_fung_sechler_kaplan() -> None:
    """Y. C. Fung, E. E. Sechler and A. Kaplan, J. Aero. Sci. 24 (1957) 650 (formula from memory), Donnell without
    in-plane inertia."""
    e, h, r, length, rho, nu, n = 205e9, 1.5e-3, 0.2, 0.6, 7850.0, 0.3, 5
    lam = np.pi * r / length
    for pressure, figure in ((0.0, 295.32), (1.5e5, 358.38)):
        square = e / (rho * r**2) * (
            lam**4 / (n**2 + lam**2) ** 2
            + h**2 * (n**2 + lam**2) ** 2 / (12 * r**2 * (1 - nu**2))
            + pressure * r / (e * h) * (n**2 + lam**2 / 2)
        )  # fmt: skip
        assert np.sqrt(square) / OMEGA == pytest.approx(figure, rel=1e-4)
        shell = cylinder(r, length, h, STEEL_205, pressure, theory="donnell", inertia=False)
        assert frequencies(shell, n, "simply supported")[0] == pytest.approx(figure, rel=3e-3)


def test_full_theory_stiffens_under_pressure_nearly_as_the_formula_says() -> None:
    """Same formula against the full theory: the rise of the squared frequency agrees to the order 1 / n^2 that it
    leaves out."""
    for n in (5, 8, 11):
        empty = frequencies(cylinder(0.2, 0.6, 1.5e-3, STEEL_205), n, "simply supported")[0]
        tight = frequencies(cylinder(0.2, 0.6, 1.5e-3, STEEL_205, 1.5e5), n, "simply supported")[0]
        lam = np.pi * 0.2 / 0.6
        rise = 1.5e5 / (7850.0 * 1.5e-3 * 0.2) * (n**2 + lam**2 / 2)
        assert OMEGA**2 * (tight**2 - empty**2) == pytest.approx(rise, rel=2.5 / n**2)


def test_bar_of_astm_e1876() -> None:
    """ASTM E1876: E = 0.9465 (m f^2 / b) (L^3 / t^3) T1 (formula from memory); a strip is a cylinder of huge radius.
    T1 = 1.005124 corrects for the bar's thickness, which a thin shell does not know."""
    strip = cylinder(1e3, 0.15, 0.004, Material(205e9, 0.0, 0.0942 / (0.15 * 0.02 * 0.004)), elements=30)
    found = frequencies(strip, 0, "free", count=6)
    bending = found[found > 10.0][0]
    assert bending / np.sqrt(1.005124) == pytest.approx(931.43, rel=1e-3)


@pytest.mark.parametrize("degree", [2, 3, 4])
def test_thin_sphere(degree: int) -> None:
    """Membrane modes of a spherical shell (W. E. Baker, J. Acoust. Soc. Am. 33 (1961) 1749; formula from memory): every
    harmonic up to the degree has the same frequency, which tests poles and heads."""
    r, h, nu, e, rho = 0.2, 1e-4, 0.3, 205e9, 7850.0
    x = np.roots([1.0, -(degree * (degree + 1) + 1 + 3 * nu), (1 - nu**2) * (degree - 1) * (degree + 2)])
    exact = np.sqrt(np.min(x) * e / (rho * r**2 * (1 - nu**2))) / OMEGA
    mesh = mesh_of(closed_shell("hemispherical", r, 0.0), 0.008)
    shell = DryShell(mesh, np.full(len(mesh.segment), h), Material(e, nu, rho))
    for n in (0, 1, 2, degree):
        found = dry_basis(shell, n, 1.2 * exact, least=12).frequency_hz
        assert np.min(np.abs(found / exact - 1)) < 1e-3


def filled_share(n: int, lam: float) -> float:
    """Added mass over rho R of a wave cos(k z), k = lam / R, in a filled cylinder."""
    radius = 0.2
    shell = cylinder(radius, np.pi * radius / (2 * lam), 1e-3, STEEL_205, elements=30)
    column = WaterColumn(shell, radial_fractions(radius, radius / 20, 1.4))
    wave = np.cos(lam / radius * shell.points.height_m)[..., None]
    mass = column.added_mass(n, wave, np.array([len(column.layers)]), 1000.0)[0, 0, 0]
    return float(mass / np.sum(wave[..., 0] ** 2 * shell.weight) / (1000.0 * radius))


@pytest.mark.parametrize(("n", "lam", "figure"), [(4, 1.0, 0.243951), (2, 0.5, 0.489848), (6, 3.0, 0.151086)])
def test_added_mass_of_a_filled_cylinder(n: int, lam: float, figure: float) -> None:
    """m = rho R I_n(l) / (l I_n'(l)), a standard formula (scipy's Bessel functions)."""
    assert iv(n, lam) / (lam * ivp(n, lam)) == pytest.approx(figure, rel=1e-5)
    assert filled_share(n, lam) == pytest.approx(figure, rel=1e-3)


def test_limits_of_the_added_mass() -> None:
    """rho R / n for long waves, rho / sqrt(n^2 / R^2 + k^2) for short ones."""
    assert filled_share(5, 0.02) == pytest.approx(1 / 5, rel=2e-3)
    assert filled_share(24, 10.0) == pytest.approx(1 / np.hypot(24, 10), rel=2e-2)


def baffled_plate(trial: FloatArray, shell: DryShell, wide: float) -> float:
    """Added mass over rho a of a plate of radius 1 in the end of a rigid tube of that width, without the tube's plane
    wave."""
    column = WaterColumn(shell, radial_fractions(wide, 0.125, 1.0), closed_pole=True)
    level = len(column.layers)
    mass = column.added_mass(0, trial[..., None], np.array([level]), 1.0)[0, 0, 0]
    flow = np.sum(trial * shell.weight)
    plane = flow**2 * column.line_heights_m()[-1] / (wide**2 / 2)
    return float((mass - plane) / np.sum(trial**2 * shell.weight))


@pytest.mark.parametrize(("shape", "figure"), [("trial", 0.6689), ("exact", 0.65381)])
def test_clamped_plate_against_water(shape: str, figure: float) -> None:
    """Lamb (1920), trial (1 - r^2)^2: 0.6689 rho a; M. K. Kwak and K. C. Kim, J. Sound Vib. 146 (1991) 381, exact
    fundamental: 0.65381 (values from memory). The half space is the limit of wide tubes; its first correction goes
    with one over the width."""
    found = []
    for wide in (3.0, 6.0):
        mesh = mesh_of(closed_shell("flat", wide, wide), 0.125)
        shell = DryShell(mesh, np.full(len(mesh.segment), 1e-3))
        r = np.minimum(shell.points.radius_m, 1.0)
        root = 3.19622062
        trial = (1 - r**2) ** 2 if shape == "trial" else j0(root * r) - j0(root) / i0(root) * i0(root * r)
        bottom = shell.points.height_m < 1e-9
        found.append(baffled_plate(np.where(bottom & (shell.points.radius_m < 1), trial, 0.0), shell, wide))
    assert 2 * found[1] - found[0] == pytest.approx(figure, rel=3e-3)

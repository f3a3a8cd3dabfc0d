"""The second model (tests/bench/second_model) against closed formulas for cylinders, springs, gases and sheets."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import eigh, eigvalsh
from scipy.special import iv, ivp, jnp_zeros, jv, jvp

from taptest.tank.shape import HeadKind, Shape
from tests.bench.second_model import pictures, ringing, stories, water
from tests.bench.second_model import wall as shell
from tests.bench.second_model.hollow import hollow_of
from tests.bench.second_model.outline import Outline, element_edges, outline_of, straight_piece
from tests.bench.second_model.pictures import Inside, Picture, Pool
from tests.bench.second_model.pools import body_of
from tests.bench.second_model.switches import CHANCES, draw_switches

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


def tank(radius: float, height: float, hanging: bool, head: HeadKind = "ellipsoidal") -> tuple[Shape, Inside]:
    bare = Shape("vertical", 2 * radius, 0.0, head, SHEET)
    shape = Shape("vertical", 2 * radius, height - bare.height_m, head, SHEET)
    return shape, Inside(hollow_of(outline_of(shape), SHEET), shape.height_m, shape.height_m / 2, hanging)


def vessel_with(shape: Shape, pools: tuple[Pool, ...] = (), feet: ringing.Feet | None = None) -> ringing.Vessel:
    return ringing.Vessel(shape, False, pools, (), 0.0, None, None, 1.0, 0.002, 0.001, 0.002, 0.1, feet=feet)


def meshed_m3(shape: Shape, pool: Pool) -> float:
    outline, wall = ringing.build(vessel_with(shape, (pool,)))
    mesh = water.mesh_water(wall, outline, body_of(pool, shape, outline, wall, mouth_on_top=False))
    return float(2 * np.pi * mesh.volume.sum())


def test_inside_of_a_tank_with_elliptical_heads_has_the_volume_of_its_parts() -> None:
    """Two 2:1 heads hold pi D^3 / 24 each: any handbook of vessels, e.g. Jones, Computing Fluid Tank Volumes."""
    shape, inside = tank(0.14, 0.34, hanging=True)
    wide = shape.inner_diameter_m
    assert inside.hollow.volume == pytest.approx(
        np.pi / 12 * wide**3 + np.pi / 4 * wide**2 * shape.straight_m, rel=2e-3
    )


@pytest.mark.parametrize(("share", "edge"), [(0.025, 0.35), (0.05, 0.28), (0.10, 0.19), (0.15, 0.14), (0.20, 0.09)])
def test_ring_bag_of_a_hanging_tank_begins_where_the_sheet_says(share: float, edge: float) -> None:
    """Cap edges over the height of the water's half, from minimising the energy of a heavy sheet (own calculation)."""
    _, inside = tank(0.25, 0.55, hanging=True)
    rng = np.random.default_rng(3)
    drawn = [pictures.diaphragm(inside, share, rng) for _ in range(300)]
    rings = [picture.wet[0][0] / inside.seam for picture in drawn if picture.form == "ring"]
    assert np.mean(rings) == pytest.approx(edge, abs=0.03)
    assert 0.6 < len(rings) / len(drawn) < 0.9
    assert all(picture.level == inside.seam for picture in drawn if picture.form == "ring")


@pytest.mark.parametrize(("radius", "height", "thick"), [(0.14, 0.34, 0.008), (0.25, 0.55, 0.015)])
def test_ring_bag_is_as_thick_as_its_water_on_its_wall(radius: float, height: float, thick: float) -> None:
    """At 5 %: 8 and 15 mm, as in the same calculation; here volume over wetted wall."""
    shape, inside = tank(radius, height, hanging=True)
    cap = 0.28 * inside.seam
    volume = 0.05 * inside.hollow.volume
    at = outline_of(shape).at(np.linspace(0.0, 1.0, 4001) * outline_of(shape).length)
    wet = (at.z > cap) & (at.z < inside.seam)
    wall_m2 = 2 * np.pi * at.r[wet].sum() * (at.s[1] - at.s[0])
    assert volume / wall_m2 == pytest.approx(thick, rel=0.12)
    assert meshed_m3(shape, Pool(cap, inside.seam, volume)) == pytest.approx(volume, rel=0.04)


@pytest.mark.parametrize("head", ["ellipsoidal", "torispherical"])
@pytest.mark.parametrize(("hanging", "share", "form"), [(True, 0.85, "gas ring"), (False, 0.45, "seam trap")])
def test_meshed_water_is_the_water_held(hanging: bool, share: float, form: str, head: HeadKind) -> None:
    shape, inside = tank(0.18, 0.48, hanging, head)
    rng = np.random.default_rng(5)
    drawn: list[Picture] = [pictures.diaphragm(inside, share, rng) for _ in range(20)]
    picture = next(each for each in drawn if each.form == form)
    assert meshed_m3(shape, picture.pools[0]) == pytest.approx(share * inside.hollow.volume, rel=0.05)


def test_rubber_lies_on_dry_wall_of_the_waters_half_and_on_wet_wall_of_the_airs() -> None:
    _, inside = tank(0.14, 0.34, hanging=True)
    seam, height = inside.seam, inside.height
    ring = Picture("ring", (), ((0.05, seam),), seam)
    past = Picture("past the seam", (), ((0.0, seam + 0.06),), seam + 0.06)
    gas = Picture("gas ring", (), ((0.0, seam), (0.25, height)), seam)
    assert pictures.rubber_spans(ring, inside) == ((0.0, 0.05),)
    assert pictures.rubber_spans(past, inside) == ((seam, seam + 0.06),)
    assert pictures.rubber_spans(gas, inside) == ((0.25, height),)


def test_a_tank_bounces_on_its_feet_as_a_mass_on_springs() -> None:
    """f = sqrt(N k / m) / 2 pi (any textbook of vibration); soft feet, so that the shell moves as one."""
    shape = Shape("vertical", 0.3, 0.15, "torispherical", 0.002)
    feet = ringing.Feet(4, shape.height_m - 0.05, 4e5, 0.0, 0.1)
    rung = ringing.ring(vessel_with(shape, feet=feet))
    steel = 2 * np.pi * shell.DENSITY * (rung.wall.weight * rung.wall.at.r * rung.wall.thickness).sum()
    assert rung.patterns[0].hz[0] == pytest.approx(np.sqrt(4 * 4e5 / steel) / (2 * np.pi), rel=0.03)
    assert rung.patterns[0].loss[0] > 0.08


@pytest.mark.parametrize(
    "on", [frozenset(), frozenset({"kept"}), frozenset({"kept", "hot"}), frozenset({"waterlogged"})]
)
@pytest.mark.parametrize("kind", ["diaphragm", "plain"])
def test_readings_and_water_obey_the_gas_law(on: frozenset[str], kind: str) -> None:
    """p V / T is the same in the charge and in the tank as it is found (Boyle, Gay-Lussac)."""
    rng = np.random.default_rng(11)
    for _ in range(60):
        story = stories.draw_story(kind, on, rng)
        found = (story.inside + stories.ATMOSPHERE) * (1 - story.share) / (story.gas_c + 273.15)
        charge = (story.true_charge + stories.ATMOSPHERE) / (stories.CHARGED_C + 273.15)
        assert found == pytest.approx(charge, rel=1e-6)
        assert story.inside == pytest.approx(story.pressure) or story.share == 0.0
        assert story.pressure <= stories.RELIEF + 1e-9
        kept = charge / (story.noted_charge + stories.ATMOSPHERE) * (stories.CHARGED_C + 273.15)
        assert (story.fault == "healthy") == (abs(kept - 1) <= stories.TOLERANCE) == ("as expected" in story.findings)


def test_one_switch_can_be_turned_on_alone() -> None:
    assert [draw_switches(7, 0, name) for name in CHANCES] == [{name} for name in CHANCES]
    assert draw_switches(7, 0, "none") == frozenset()
    seen = frozenset().union(*(draw_switches(7, number, None) for number in range(60)))
    assert seen == frozenset(CHANCES)

"""Complex modes of whole tanks: against a direct solution, for convergence, and for where losses act."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.errors import PhysicsError
from taptest.shell import response
from taptest.shell.fluid import zone_masses
from taptest.shell.records import Change, Losses, ShellSpec, WetModes, Wetting, Zone
from taptest.shell.response import (
    BOSS_LOSS,
    Resolution,
    Tank3D,
    build,
    matrices,
    pictures_of,
    reduce_harmonic,
    solve,
    up_to,
    wet_modes,
)
from taptest.shell.vibration import around, normal_at
from taptest.shell.wall import bending_wave_number, coincidence_hz
from taptest.tank.shape import HeadKind

SPEC = ShellSpec(
    "vertical", 0.3, 0.2, "ellipsoidal", 0.0015, 1.4e5, seam_depth_m=0.175, ring_mass_kg_m=0.3, ring_stiffness=2e-10,
    rubber_kg_m2=2.5, rubber_from_m=0.175, rubber_to_m=0.3515, losses=Losses(0.004, 0.01, 0.1, 0.03, 1.0),
)  # fmt: skip
LINE = np.linspace(0.03, 0.32, 9)


def direct_mobility(tank: Tank3D, n: int, level: int, arcs: np.ndarray, hertz: np.ndarray) -> np.ndarray:
    """Velocity at arcs[1] for a unit force at arcs[0] from the finite-element matrices of the whole shell, no modes."""
    shell, spec = tank.shell, tank.spec
    parts = shell.elements(n)
    elastic = parts.membrane + parts.bending
    ring_k, ring_m = shell.ring_matrices(n)
    middle = shell.mesh.meridian.geometry(0.5 * (shell.mesh.node_m[1:] + shell.mesh.node_m[:-1])).height_m
    surface = tank.column.line_heights_m()[level]
    depth = tank.height_m - middle + spec.wall_m / 2
    wet = middle < surface
    own_half = (depth > spec.rubber_from_m) & (depth < spec.rubber_to_m)  # type: ignore[operator]
    rubber = own_half ^ wet
    seam = np.abs(depth - spec.seam_depth_m) < 0.015  # type: ignore[operator]
    arc = 0.5 * (shell.mesh.node_m[1:] + shell.mesh.node_m[:-1])
    around_boss = (arc > 0.02) & (arc < 0.035)
    loss = spec.losses
    eta = loss.structural + loss.water * wet + loss.rubber * rubber + loss.ring * seam + BOSS_LOSS * around_boss
    area = spec.material.density_kg_m3 * shell.wall_m
    stiff = shell.assembled(elastic + spec.pressure_pa * parts.pressure, ring_k).astype(complex)
    stiff += 1j * shell.assembled(eta[:, None, None] * elastic, (loss.structural + loss.ring) * ring_k)
    outer = 413.0 / (2 * np.pi * coincidence_hz(spec)) * loss.air_radiation
    assert shell.extra_kg_m2 is not None
    mass = shell.assembled((area + shell.extra_kg_m2)[:, None, None] * parts.mass, ring_m).astype(complex)
    mass += shell.assembled((spec.rubber_kg_m2 * rubber)[:, None, None] * parts.normal_mass)
    mass -= 1j * outer * shell.assembled(parts.normal_mass)
    size = 4 * shell.nodes
    normal = np.zeros((*parts.normal.shape[:2], size))
    for e, rows in enumerate(parts.normal):
        normal[e, :, 4 * e : 4 * e + 8] = rows
    mass += tank.column.added_mass(n, normal, np.array([level]), spec.water_density_kg_m3)[0]
    free = shell.free_directions(n, "pole", "pole")
    k, m = free.T @ stiff @ free, free.T @ mass @ free
    ends = normal_at(shell, free, arcs)
    omega = 2 * np.pi * hertz
    moved = [1j * w * ends[1] @ np.linalg.solve(k - w**2 * m, ends[0]) for w in omega]
    return np.asarray(moved) / around(n)


@pytest.mark.parametrize("n", [0, 1, 3, 6])
def test_modal_sum_is_the_direct_solution(n: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sum over (all) complex modes, losses in patches, against the matrices solved at each frequency."""
    monkeypatch.setattr(response, "LOWEST_HZ", -1.0)
    level_m = 0.24
    tank = build(SPEC, np.array([level_m]), 6000.0, Resolution(4.0, 20.0))
    level = tank.line_at(level_m)
    arcs = tank.arcs(np.array([0.12, 0.28]))
    pole, shape = solve(
        tank, reduce_harmonic(tank, n, pictures_of(tank, [tank.wall_of(up_to(SPEC, level_m))]), arcs), 1e6
    )
    hertz = np.linspace(700.0, 2500.0, 40)
    omega = 2 * np.pi * hertz[:, None]
    summed = (1j * omega * shape[:, 0] * shape[:, 1] / (-(pole**2) - omega**2)).sum(axis=1)
    direct = direct_mobility(tank, n, level, arcs, hertz)
    assert np.linalg.norm(summed - direct) < 0.003 * np.linalg.norm(direct)


def worst_shift(coarse: WetModes, fine: WetModes) -> float:
    """Largest relative difference of frequencies, mode by mode within each harmonic."""
    worst = 0.0
    for n in range(int(coarse.harmonic.max()) + 1):
        a = coarse.pole_1_s[coarse.harmonic == n].imag
        b = fine.pole_1_s[fine.harmonic == n].imag
        both = min(len(a), len(b))
        assert 0 <= len(b) - len(a) <= 2  # the finer model is asked for a little more range
        worst = max(worst, float(np.max(np.abs(a[:both] / b[:both] - 1), initial=0.0)))
    return worst


@pytest.mark.slow
@pytest.mark.parametrize("level", [None, 0.25, 0.18, 0.0])
@pytest.mark.parametrize("head", ["ellipsoidal", "torispherical", "hemispherical", "flat"])
def test_modes_to_6500_hz_have_converged(head: HeadKind, level: float | None) -> None:
    spec = replace(SPEC, head=head, rubber_kg_m2=0.0)
    fine = wet_modes(spec, level, LINE, 6550.0, Resolution(10.0, 2.4, 1.35))
    assert worst_shift(wet_modes(spec, level, LINE, 6500.0), fine) < 5e-3


def test_modes_have_converged_at_half_the_range() -> None:
    coarse = wet_modes(SPEC, 0.18, LINE, 3000.0)
    assert worst_shift(coarse, wet_modes(SPEC, 0.18, LINE, 3050.0, Resolution(9.0, 2.2, 1.35))) < 5e-3


def test_whole_states_and_ends_of_the_shell() -> None:
    """None and no water at all are the same; a boundary beyond the far end is the filled shell."""
    dry = wet_modes(SPEC, None, LINE, 1500.0)
    np.testing.assert_allclose(dry.pole_1_s, wet_modes(SPEC, 0.3515, LINE, 1500.0).pole_1_s)
    turned = replace(SPEC, water_end="top", seam_depth_m=0.3515 - 0.175, rubber_from_m=0.0, rubber_to_m=0.3515 - 0.175)
    np.testing.assert_allclose(
        wet_modes(turned, 0.3515, LINE, 1500.0).pole_1_s, wet_modes(SPEC, 0.0, LINE, 1500.0).pole_1_s, rtol=1e-6
    )


def test_a_level_without_a_line_of_the_mesh_is_refused() -> None:
    tank = build(SPEC, np.array([0.18]), 500.0)
    lines = tank.column.line_heights_m()
    between = tank.height_m - 0.5 * (lines[9] + lines[10]) + 0.5 * SPEC.wall_m
    with pytest.raises(PhysicsError, match="no line"):
        tank.line_at(float(between))


def test_the_boss_holds_the_wall_at_the_connections_end_only() -> None:
    """A blow on the boss moves the shell less than one on bare wall; the other end does not feel it."""
    poles = np.array([0.0, 0.3515])
    bare = replace(SPEC, end_fitting_kg=0.0)
    near, far = replace(bare, end_fitting_kg=0.5), replace(bare, end_fitting_kg=0.5, fitting_end="top")
    strength = [np.sum(np.abs(wet_modes(s, None, poles, 4000.0).shape) ** 4, axis=0) for s in (bare, near, far)]
    assert strength[1][1] < 0.2 * strength[0][1]
    assert strength[1][0] == pytest.approx(strength[0][0], rel=0.3)
    assert strength[2][0] < 0.2 * strength[0][0]
    assert strength[2][1] == pytest.approx(strength[0][1], rel=0.3)


def test_a_fitting_at_the_water_end_is_the_same_named_or_not() -> None:
    at_water, named = (wet_modes(replace(SPEC, fitting_end=end), 0.18, LINE, 1500.0) for end in (None, "bottom"))
    np.testing.assert_array_equal(at_water.pole_1_s, named.pole_1_s)


def test_a_shell_without_size_is_refused() -> None:
    with pytest.raises(PhysicsError, match="check diameter"):
        wet_modes(replace(SPEC, wall_m=0.2), None, LINE, 1000.0)


def test_bending_waves_match_the_plate() -> None:
    """Dry: k^4 = m w^2 / D; wet: the same with the mass rho / k of the water added (Cremer and Heckl)."""
    m = SPEC.material
    stiff = m.young_pa * SPEC.wall_m**3 / 12 / (1 - m.poisson**2)
    area = m.density_kg_m3 * SPEC.wall_m
    omega = 2 * np.pi * 3000.0
    dry, wet = (bending_wave_number(SPEC, 3000.0, water) for water in (False, True))
    assert stiff * dry**4 == pytest.approx(area * omega**2)
    assert stiff * wet**4 == pytest.approx((area + 998.0 / wet) * omega**2)


def test_losses_act_only_where_their_cause_is() -> None:
    """Modes of the dry side hardly lose by the water's loss."""
    quiet = replace(SPEC, rubber_kg_m2=0.0, losses=Losses(0.001, 0.0, 0.0, 0.0, 0.0))
    lossy = replace(quiet, losses=Losses(0.001, 0.05, 0.0, 0.0, 0.0))
    before, after = (wet_modes(s, 0.18, LINE, 4000.0) for s in (quiet, lossy))
    dry_side = (np.abs(before.shape[:, :4]) ** 2).sum(1) / (np.abs(before.shape) ** 2).sum(1)
    gains = []
    for pole, n in zip(before.pole_1_s, before.harmonic, strict=True):
        near = (after.harmonic == n) & (np.abs(after.pole_1_s.imag / pole.imag - 1) < 5e-3)
        gains.append(np.min(-after.pole_1_s.real[near], initial=1e9) / -pole.real)
    gain = np.array(gains)
    upper = before.pole_1_s.imag > 2 * np.pi * 2000
    assert np.median(gain[(dry_side > 0.97) & upper]) < 8
    assert np.median(gain[(dry_side < 0.1) & upper]) > 20


def test_the_bags_loss_acts_like_the_waters_and_not_on_a_dry_shell() -> None:
    """A bag lies on the wetted wall, so its loss adds to the water's; without water it touches nothing."""
    quiet = replace(SPEC, losses=Losses(0.001, 0.0, 0.0, 0.0, 0.0))
    bag = replace(quiet, losses=Losses(0.001, 0.0, 0.0, 0.0, 0.0, bag=0.02))
    water = replace(quiet, losses=Losses(0.001, 0.02, 0.0, 0.0, 0.0))
    assert wet_modes(bag, 0.18, LINE, 1500.0).pole_1_s == pytest.approx(wet_modes(water, 0.18, LINE, 1500.0).pole_1_s)
    assert wet_modes(bag, None, LINE, 1500.0).pole_1_s == pytest.approx(wet_modes(quiet, None, LINE, 1500.0).pole_1_s)


def test_a_change_of_wall_is_nearly_a_new_tank() -> None:
    """Ten per cent of wall by the cheap way against a tank built anew."""
    level = 0.18
    tank = build(SPEC, np.array([level]), 2500.0)
    pictures = pictures_of(tank, [tank.wall_of(up_to(SPEC, level))])
    anew = wet_modes(replace(SPEC, wall_m=0.00165, diameter_m=0.30015, straight_m=0.2), level, LINE, 2500.0)
    for n in (2, 5, 8):
        pole, _ = solve(tank, reduce_harmonic(tank, n, pictures, tank.arcs(LINE)), 2500.0, Change(wall_factor=1.1))
        other = anew.pole_1_s[anew.harmonic == n]
        both = min(len(pole), len(other))
        np.testing.assert_allclose(pole[:both].imag, other[:both].imag, rtol=6e-3)


def test_matrices_are_symmetric_and_losses_positive() -> None:
    tank = build(SPEC, np.array([0.18]), 2000.0)
    reduced = reduce_harmonic(tank, 3, pictures_of(tank, [tank.wall_of(up_to(SPEC, 0.18))]), tank.arcs(LINE))
    for part in matrices(tank, reduced):
        turned = np.swapaxes(part, -1, -2)
        np.testing.assert_allclose(part, turned, rtol=1e-6, atol=1e-6 * np.abs(part).max())
        assert np.min(np.linalg.eigvalsh(part)) > -1e-9 * np.abs(part).max()


def added_by(tank: Tank3D, n: int, *wettings: Wetting) -> list[np.ndarray]:
    """Mass of the water of each picture on one harmonic's dry modes."""
    pictures = pictures_of(tank, [tank.wall_of(each) for each in wettings])
    return list(reduce_harmonic(tank, n, pictures, tank.arcs(LINE)).added)


def test_zones_far_apart_add_up_and_a_zone_in_two_parts_carries_less() -> None:
    """Between two zones no pressure is borne, so water cut in two by such a line moves with less mass than in one."""
    upper, lower = Zone(0.0, 0.10), Zone(0.25, np.inf)
    cut, rest = Zone(0.25, 0.30), Zone(0.30, np.inf)
    tank = build(SPEC, np.array([0.10, 0.25, 0.30]), 3000.0)
    for n in (0, 4):
        one, two, both, split = added_by(tank, n, (upper,), (lower,), (upper, lower), (cut, rest))
        np.testing.assert_allclose(both, one + two, rtol=1e-9, atol=1e-9 * np.abs(both).max())
        assert np.min(np.linalg.eigvalsh(two - split)) > -1e-9 * np.abs(two).max()
        assert np.trace(split) < 0.97 * np.trace(two)


@pytest.mark.parametrize("thickness_m", [0.003, 0.010, 0.025])
def test_a_layer_of_water_weighs_as_on_a_flat_plate(thickness_m: float) -> None:
    """On a wide cylinder a layer moves as on a plate: mass rho tanh(k t) / k an area, k across and along.

    Source: the potential cosh(k z) of shallow water (Lamb, Hydrodynamics, section 228), value from memory.
    """
    spec = ShellSpec("vertical", 1.2, 0.8, "flat", 0.003, 0.0, end_fitting_kg=0.0)
    top, bottom, n = 0.15, 0.65, 24
    tank = build(spec, np.array([top, bottom]), 2500.0)
    wall = tank.wall_of((Zone(top, bottom, thickness_m),))
    points = tank.shell.points
    depth = tank.height_m - points.height_m
    along = np.pi / (bottom - top)
    on_wall = np.abs(np.sin(points.slope_rad)) > 0.99
    motion = np.where(on_wall & (depth > top) & (depth < bottom), np.sin(along * (depth - top)), 0.0)
    zone = wall[0]
    mass = 1000.0 * zone_masses([zone], n, motion[..., None])[0][0, 0]
    k = np.hypot(n / 0.6, along)
    plate = 1000.0 * np.tanh(k * thickness_m) / k * float(np.sum(motion**2 * tank.shell.weight))
    assert mass == pytest.approx(plate, rel=0.06)

"""Every drawn scene hangs together: gas law, geometry, papers, switches."""

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.errors import PhysicsError
from taptest.quantities import STANDARD_ATMOSPHERE_PA, parse
from taptest.shell.scene import DIFFICULTIES, FAULTS, SWITCHES, Scene, draw_scene
from taptest.shell.simulate import backing_at
from taptest.tank.membrane import boundary_depth_bounds_m, torn_level_depth_m

SEEDS = st.integers(0, 10**6)


def scene_parts(scene: Scene, without: tuple[str, ...]) -> dict[str, object]:
    return {f.name: getattr(scene, f.name) for f in fields(scene) if f.name not in without}


@settings(max_examples=30, deadline=None, derandomize=True)
@given(SEEDS, st.sampled_from(DIFFICULTIES))
def test_true_share_pressure_and_charge_obey_the_gas_law(seed: int, difficulty: str) -> None:
    """Boyle and Charles, written out here: p0 V / T0 = p (V - w V) / T."""
    scene = draw_scene(seed, difficulty)  # type: ignore[arg-type]
    truth = scene.truth
    inside = truth.shell_pressure_pa + STANDARD_ATMOSPHERE_PA
    charge = truth.precharge_pa + STANDARD_ATMOSPHERE_PA
    warm = (truth.tank_c + 273.15) / (truth.charged_at_c + 273.15)
    if 0.0 < truth.water_share < 1.0:
        assert inside * (1.0 - truth.water_share) == pytest.approx(charge * warm, rel=1e-6)
    if truth.water_share == 0.0 and truth.fault != "no water":
        assert inside >= charge * warm * (1.0 - 1e-9)
    assert truth.water_m3 == pytest.approx(truth.water_share * scene.tank.volume_m3)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(SEEDS)
def test_the_boundary_lies_where_the_water_held_puts_it(seed: int) -> None:
    scene = draw_scene(seed, "field")
    truth, tank = scene.truth, scene.tank
    if truth.water_end != tank.water_end or (truth.fault == "torn membrane" and truth.water_share < 1.0):
        assert truth.level_depth_m == pytest.approx(float(torn_level_depth_m(tank.shape, truth.water_share)), abs=1e-9)
    else:
        low, high = boundary_depth_bounds_m(tank, truth.water_share)
        assert float(low) - 1e-9 <= truth.level_depth_m <= float(high) + 1e-9


@settings(max_examples=30, deadline=None, derandomize=True)
@given(SEEDS, st.sampled_from(DIFFICULTIES))
def test_scenes_stay_within_what_is_promised(seed: int, difficulty: str) -> None:
    scene = draw_scene(seed, difficulty)  # type: ignore[arg-type]
    shape = scene.tank.shape
    assert 0.2 - 1e-9 <= shape.diameter_m <= 0.65 + 1e-9
    assert 0.001 - 1e-9 <= shape.wall_m <= 0.003 + 1e-9
    assert 0.003 < scene.tank.volume_m3 < 0.33
    depth = np.array(scene.positions_m)
    assert np.all(np.diff(depth) > 0.0)
    assert depth[0] > 0.0
    assert depth[-1] < shape.height_m
    assert len(depth) >= 6


@settings(max_examples=30, deadline=None, derandomize=True)
@given(SEEDS)
def test_backing_changes_at_most_once_along_the_line(seed: int) -> None:
    scene = draw_scene(seed, "hard")
    backing = [backing_at(scene, position) for position in scene.positions_m]
    assert sum(a != b for a, b in pairwise(backing)) <= 1
    if 0.0 < scene.truth.water_share < 1.0 and len(set(backing)) == 2:
        wet_first = backing[0] == "water"
        assert wet_first == (scene.truth.water_end == "top")


@settings(max_examples=20, deadline=None, derandomize=True)
@given(SEEDS, st.sampled_from(SWITCHES))
def test_a_switch_changes_only_what_it_names(seed: int, switch: str) -> None:
    without, with_ = draw_scene(seed, "field", ()), draw_scene(seed, "field", (switch,))  # type: ignore[arg-type]
    own = {
        "other-heads": ("tables",),
        "other-damping": ("damping_tilt",),
        "uneven-edge": ("edge_rise_m",),
        "split-modes": ("split",),
    }.get(switch, ())
    same = ("switches", "spec", *own)
    assert scene_parts(without, same) == scene_parts(with_, same)
    assert with_.switches == (switch,)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(SEEDS)
def test_papers_can_be_read_and_lie_near_the_truth(seed: int) -> None:
    scene = draw_scene(seed, "field", ())
    papers, truth = scene.tables, scene.truth
    pressure = parse("pressure", papers["readings"]["pressure"]).si
    assert abs(pressure - truth.pressure_pa) < 3.5 * 5e3 + 1e3
    volume = parse("volume", papers["tank"]["volume"]).si
    assert volume == pytest.approx(scene.tank.volume_m3, rel=0.09)
    shape = scene.tank.shape
    key, true = ("height", shape.height_m) if shape.axis == "vertical" else ("straight_length", shape.straight_m)
    assert parse("length", papers["tank"][key]).si == pytest.approx(true, abs=0.009)


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_can_be_asked_for(fault: str) -> None:
    found = {draw_scene(seed, "field", (), fault).truth.fault for seed in range(8)}  # type: ignore[arg-type]
    assert fault in found
    assert found <= {fault, "slow loss"}  # a plain tank has no membrane to tear


def test_unknown_names_are_refused_with_the_known_ones() -> None:
    with pytest.raises(PhysicsError, match="known are: easy, field, hard"):
        draw_scene(1, "cruel")  # type: ignore[arg-type]
    with pytest.raises(PhysicsError, match="wall-off"):
        draw_scene(1, "field", ("walls-off",))  # type: ignore[arg-type]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_that_is_asked_for_is_the_fault_of_every_visit(fault: str) -> None:
    scenes = [draw_scene(seed, "field", fault=fault) for seed in range(12)]  # type: ignore[arg-type]
    assert {scene.truth.fault for scene in scenes} == {fault}
    if fault == "torn membrane":
        assert all(scene.tank.has_membrane for scene in scenes)
        assert len({scene.tank.kind for scene in scenes}) == 2


@settings(max_examples=40, deadline=None, derandomize=True)
@given(SEEDS)
def test_only_a_bag_has_the_loss_of_a_bag(seed: int) -> None:
    scene = draw_scene(seed, "field")
    assert (scene.spec.losses.bag > 0.0) == (scene.tank.kind == "bladder" and scene.spec.water_density_kg_m3 > 0.0)

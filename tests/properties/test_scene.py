"""Every drawn scene hangs together: gas law, geometry, papers, switches."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.errors import PhysicsError
from taptest.finding import weigh
from taptest.quantities import STANDARD_ATMOSPHERE_PA, parse
from taptest.simulate.scene import DIFFICULTIES, FAULTS, SWITCHES, TOLERANCE_SHARE, Scene, draw_scene
from tests.samples import part

pytestmark = pytest.mark.sampled

SEEDS = st.integers(0, 10**6)


def scene_parts(scene: Scene, without: tuple[str, ...]) -> dict[str, object]:
    return {f.name: getattr(scene, f.name) for f in fields(scene) if f.name not in without}


@settings(max_examples=part(30), deadline=None, derandomize=True)
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


@settings(max_examples=part(30), deadline=None, derandomize=True)
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


@pytest.mark.long
def test_air_kept_has_no_gap_and_findings_say_both_neighbours_near_the_edge() -> None:
    assert TOLERANCE_SHARE == weigh.TOLERANCE_SHARE, "simulator and finding count the same tanks as right"
    truths = [draw_scene(seed, "field", ()).truth for seed in range(1500)]
    of_charge = [t for t in truths if t.fault in ("healthy", "slow loss", "over-charged")]
    kept = np.sort([t.kept_air for t in of_charge])
    inner = kept[(kept > 0.6) & (kept < 1.4)]
    assert np.diff(np.concatenate([[0.6], inner, [1.4]])).max() < 0.03
    for truth in of_charge:
        off = truth.kept_air - 1.0
        assert (abs(off) <= TOLERANCE_SHARE + 1e-9) == (truth.fault == "healthy") or abs(off) == TOLERANCE_SHARE
        near = abs(abs(off) - TOLERANCE_SHARE) <= TOLERANCE_SHARE / 2.0
        other = "as expected" if truth.fault != "healthy" else "low on air" if off < 0 else "more air than expected"
        assert (other in truth.findings) == near, truth
    assert any(t.fault == "slow loss" and "as expected" in t.findings for t in of_charge)
    assert any(t.fault == "over-charged" and "as expected" in t.findings for t in of_charge)


@pytest.mark.long
def test_bags_touch_over_the_whole_range_and_mostly_stand_off_little() -> None:
    bags = [s for seed in range(1500) if (s := draw_scene(seed, "field")).tank.kind == "bladder"]
    touch = np.array([s.wetted.bag.touch for s in bags])
    off = np.array([s.wetted.bag.standoff_m for s in bags])
    assert np.all(np.histogram(touch, 5, (0.0, 1.0))[0] >= 5)
    assert 0.3 < np.mean(touch == 1.0) < 0.7
    assert 0.15 < off.max() <= 0.34
    assert np.median(off) < 0.02
    for name in ("healthy", "slow loss"):
        assert touch[[s.truth.fault == name for s in bags]].min() < 0.3
    for scene in bags:
        assert scene.spec.water_density_kg_m3 <= 1080.0 * scene.wetted.bag.touch


def test_walls_are_often_unknown_in_the_field_and_never_on_easy_visits() -> None:
    unknown = ["wall" not in draw_scene(seed, "field").tables["tank"] for seed in range(300)]
    assert np.mean(unknown) == pytest.approx(0.36, abs=0.1)
    assert all("wall" in draw_scene(seed, "easy").tables["tank"] for seed in range(40))


@settings(max_examples=part(20), deadline=None, derandomize=True)
@given(SEEDS)
def test_a_height_measured_with_its_fitting_is_too_large(seed: int) -> None:
    scene, fair = draw_scene(seed, "field", ("height-with-fitting",)), draw_scene(seed, "field", ())
    if scene.tank.shape.axis == "vertical":
        more = parse("length", scene.tables["tank"]["height"]).si - parse("length", fair.tables["tank"]["height"]).si
        assert min(0.02, 0.12 * scene.tank.shape.height_m) - 0.002 < more < 0.062


@settings(max_examples=part(20), deadline=None, derandomize=True)
@given(SEEDS)
def test_straps_and_loose_rubber_lie_where_they_can(seed: int) -> None:
    scene, fair = draw_scene(seed, "field", ("lossy-strap", "loose-rubber")), draw_scene(seed, "field", ())
    assert fair.spec.strap_depth_m is None
    if scene.tank.shape.axis == "vertical":
        assert scene.spec.strap_depth_m is not None
        assert 0.0 < scene.spec.strap_depth_m < scene.tank.shape.height_m
        assert 0.02 < scene.spec.strap_loss < 0.35
    assert 0.3 * fair.spec.rubber_kg_m2 <= scene.spec.rubber_kg_m2 <= fair.spec.rubber_kg_m2
    if scene.tank.kind == "diaphragm" and scene.truth.fault != "torn membrane":
        assert scene.spec.rubber_kg_m2 > 0.0
        assert (scene.spec.rubber_from_m, scene.spec.rubber_to_m) in (
            (0.0, scene.tank.seam_depth_m),
            (scene.tank.seam_depth_m, scene.tank.shape.height_m),
        )


@settings(max_examples=part(20), deadline=None, derandomize=True)
@given(SEEDS, st.sampled_from(SWITCHES))
def test_a_switch_changes_only_what_it_names(seed: int, switch: str) -> None:
    without, with_ = draw_scene(seed, "field", ()), draw_scene(seed, "field", (switch,))  # type: ignore[arg-type]
    own = {
        "other-heads": ("tables",),
        "other-damping": ("damping_tilt",),
        "uneven-edge": ("edge_rise_m",),
        "split-modes": ("split",),
        "bag-barely-touches": ("wetted",),
        "bag-touches-partly": ("wetted",),
        "bag-stands-off": ("wetted",),
        "height-with-fitting": ("tables",),
    }.get(switch, ())
    same = ("switches", "spec", *own)
    assert scene_parts(without, same) == scene_parts(with_, same)
    assert with_.switches == (switch,)


@settings(max_examples=part(20), deadline=None, derandomize=True)
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


@settings(max_examples=part(40), deadline=None, derandomize=True)
@given(SEEDS)
def test_only_a_bag_has_the_loss_of_a_bag(seed: int) -> None:
    scene = draw_scene(seed, "field")
    assert (scene.spec.losses.bag > 0.0) == (scene.tank.kind == "bladder" and scene.spec.water_density_kg_m3 > 0.0)

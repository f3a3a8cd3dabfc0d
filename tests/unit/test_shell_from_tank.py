"""Where rubber and ring lie on the model's shell, by kind of tank and water end."""

from dataclasses import replace

import pytest

from taptest.shell.from_tank import spec_from_tank
from taptest.shell.records import Losses
from taptest.tank.kinds import Tank, WaterEnd
from taptest.tank.shape import Shape

SHAPE = Shape("vertical", 0.3, 0.2, "ellipsoidal", 0.0015)
HANGING = Tank("diaphragm", "top", SHAPE, 0.018, seam_depth_m=0.17)


def test_hanging_diaphragm_lies_on_the_upper_half_while_dry() -> None:
    spec = spec_from_tank(HANGING, 1.4e5)
    assert (spec.rubber_from_m, spec.rubber_to_m) == (0.0, 0.17)
    assert spec.rubber_kg_m2 > 0
    assert spec.ring_mass_kg_m > 0
    assert (spec.diameter_m, spec.straight_m, spec.wall_m, spec.head) == (0.3, 0.2, 0.0015, "ellipsoidal")
    assert (spec.water_end, spec.pressure_pa) == ("top", 1.4e5)


def test_standing_diaphragm_lies_on_the_lower_half_while_dry() -> None:
    spec = spec_from_tank(replace(HANGING, water_end="bottom"), 1.4e5)
    assert (spec.rubber_from_m, spec.rubber_to_m) == (0.17, SHAPE.height_m)


def test_unknown_seam_is_at_half_height_and_has_no_ring() -> None:
    spec = spec_from_tank(replace(HANGING, seam_depth_m=None), 1.4e5)
    assert spec.rubber_to_m == pytest.approx(SHAPE.height_m / 2)
    assert spec.seam_depth_m is None
    assert spec.ring_mass_kg_m == spec.ring_stiffness == 0.0
    assert spec.more_ring_depth_m == spec.rubber_to_m


@pytest.mark.parametrize("end", ["top", "bottom"])
def test_the_connection_lies_where_the_pipe_enters(end: WaterEnd) -> None:
    assert spec_from_tank(replace(HANGING, water_end=end), 1e5).fitting_end == end


@pytest.mark.parametrize("kind", ["bladder", "plain", "open"])
def test_other_kinds_have_no_rubber_on_dry_wall(kind: str) -> None:
    spec = spec_from_tank(replace(HANGING, kind=kind), -5e3)  # type: ignore[arg-type]
    assert spec.rubber_from_m is None
    assert spec.rubber_kg_m2 == 0.0
    assert spec.pressure_pa == 0.0


def test_wall_losses_and_density_can_be_given() -> None:
    losses = Losses(structural=0.01)
    spec = spec_from_tank(HANGING, 1e5, wall_m=0.002, losses=losses, water_density_kg_m3=1030.0, seam_ring=False)
    assert (spec.wall_m, spec.losses, spec.water_density_kg_m3, spec.ring_mass_kg_m) == (0.002, losses, 1030.0, 0.0)

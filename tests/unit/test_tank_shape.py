"""What a shape refuses, what it fills in, and how tape and depth go together."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.errors import PhysicsError
from taptest.tank.remarks import ShapeRemark
from taptest.tank.shape import (
    HEAD_NAMES,
    HeadKind,
    Shape,
    depth_of_volume_above_m3,
    meridian,
    other_heads,
    resolve_shape,
    volume_above_m3,
)
from tests.said import keys_of


def test_whole_facts_need_no_assumption() -> None:
    shape, notes = resolve_shape(
        volume_m3=0.0187, diameter_m=0.28, height_m=0.36, wall_m=0.0015, head="ellipsoidal", axis="vertical"
    )
    assert notes == ()
    assert shape.height_m == pytest.approx(0.36)


@pytest.mark.parametrize("head", ["ellipsoidal", "hemispherical"])
@pytest.mark.parametrize("connection_m", [0.0, 0.035, 0.06])
def test_a_connection_measured_with_the_height_is_taken_off(head: HeadKind, connection_m: float) -> None:
    """The plate's volume tells it; tape and plate are each 1 % off, and the diameter is the shell's own."""
    true = Shape("vertical", 0.3, 0.2, head, 0.0015)
    shape, notes = resolve_shape(
        volume_m3=1.01 * true.volume_m3,
        diameter_m=0.3,
        height_m=true.height_m + connection_m,
        wall_m=0.0015,
        head=head,
        axis="vertical",
    )
    assert shape.height_m == pytest.approx(true.height_m, abs=0.006)
    assert (ShapeRemark.WITH_CONNECTION in keys_of(notes)) == (connection_m > 0)


def test_a_shell_that_was_marked_lower_down_has_no_connection_in_its_height() -> None:
    true = Shape("vertical", 0.3, 0.2, "ellipsoidal", 0.0015)
    noted_m = true.height_m + 0.05
    known = {"volume_m3": true.volume_m3, "diameter_m": 0.3, "height_m": noted_m, "wall_m": 0.0015}
    shape, notes = resolve_shape(**known, head="ellipsoidal", axis="vertical", reaches_m=true.height_m + 0.02)
    assert shape.height_m == pytest.approx(noted_m)
    assert ShapeRemark.WITH_CONNECTION not in keys_of(notes)


@pytest.mark.parametrize(("head", "less"), [("flat", 1.0), ("ellipsoidal", 1.2)])
def test_what_other_heads_explain_or_no_connection_does_stays(head: HeadKind, less: float) -> None:
    """Dished heads taken for flat ones hold less; and no connection is 150 mm long."""
    dished = Shape("vertical", 0.5, 0.8, "ellipsoidal", 0.002)
    shape, notes = resolve_shape(
        volume_m3=dished.volume_m3 / less,
        diameter_m=0.5,
        height_m=dished.height_m,
        wall_m=0.002,
        head=head,
        axis="vertical",
    )
    assert shape.height_m == pytest.approx(dished.height_m)
    assert ShapeRemark.WITH_CONNECTION not in keys_of(notes)


def test_height_follows_from_volume_and_diameter() -> None:
    shape, _ = resolve_shape(volume_m3=0.05, diameter_m=0.38, wall_m=0.002, head="torispherical", axis="vertical")
    assert shape.volume_m3 == pytest.approx(0.05, rel=1e-9)


def test_diameter_follows_from_volume_and_height() -> None:
    shape, notes = resolve_shape(volume_m3=0.05, height_m=0.5, wall_m=0.002, head="ellipsoidal", axis="vertical")
    assert keys_of(notes) == [ShapeRemark.DIAMETER_BY_VOLUME]
    assert shape.volume_m3 == pytest.approx(0.05, rel=1e-9)
    assert shape.height_m == pytest.approx(0.5, rel=1e-9)


def test_volume_alone_takes_a_usual_proportion_and_says_so() -> None:
    shape, notes = resolve_shape(volume_m3=0.018)
    assert shape.volume_m3 == pytest.approx(0.018, rel=1e-6)
    assert shape.height_m / shape.diameter_m == pytest.approx(1.3, rel=1e-6)
    assert ShapeRemark.PROPORTION_BY_VOLUME in keys_of(notes)
    assert len(notes) == 4


def test_form_of_head_is_told_from_both_lengths() -> None:
    for head in ("ellipsoidal", "torispherical", "hemispherical", "flat"):
        whole = Shape("vertical", 0.4, 0.3, head, 0.002)
        found, _ = resolve_shape(diameter_m=0.4, height_m=whole.height_m, straight_length_m=0.3, wall_m=0.002)
        assert found.head == head


def test_lying_tank_takes_its_length_from_volume() -> None:
    shape, _ = resolve_shape(volume_m3=0.1, diameter_m=0.33, wall_m=0.003, head="flat", axis="horizontal")
    assert shape.volume_m3 == pytest.approx(0.1)
    assert shape.height_m == 0.33


@pytest.mark.parametrize(
    ("known", "word"),
    [
        ({}, "not known"),
        ({"volume_m3": 0.05, "diameter_m": 0.28, "height_m": 0.36}, "hold"),
        ({"volume_m3": 18.0e3}, "volume"),
        ({"volume_m3": 18.0e-7}, "volume"),
        ({"volume_m3": 18.0e3}, "outside 0.5 l to 20000 l"),
        ({"volume_m3": 0.018, "diameter_m": 3.2e5}, "diameter of 320 000 m"),
        ({"volume_m3": 0.018, "diameter_m": 280.0}, "diameter"),
        ({"volume_m3": 0.018, "height_m": 3.0}, "times as long"),
        ({"volume_m3": 0.018, "height_m": 0.1}, "does not fit"),
        ({"diameter_m": 0.3, "height_m": 0.06, "head": "hemispherical"}, "too little"),
        ({"diameter_m": 0.06, "height_m": 0.3, "wall_m": 0.03}, "too thick"),
        ({"diameter_m": 0.3, "height_m": 0.9, "axis": "horizontal"}, "straight_length"),
        ({"diameter_m": 0.3, "height_m": 0.5, "straight_length_m": 0.1, "head": "flat"}, "makes"),
    ],
)
def test_what_no_tank_can_be_is_refused_with_a_sentence(known: dict[str, float], word: str) -> None:
    with pytest.raises(PhysicsError, match=word) as refusal:
        resolve_shape(**known)  # type: ignore[arg-type]
    assert str(refusal.value).endswith(".")
    assert "e+" not in str(refusal.value)  # no power of ten: a technician reads this


@pytest.mark.parametrize(
    "values",
    [
        ("vertical", 0.3, 0.2, "ellipsoidal", 0.2),
        ("vertical", 0.3, -0.1, "flat", 0.002),
        ("leaning", 0.3, 0.2, "flat", 0.002),
    ],
)
def test_shape_itself_refuses_nonsense(values: tuple[str, float, float, str, float]) -> None:
    with pytest.raises(PhysicsError):
        Shape(*values)  # type: ignore[arg-type]


def test_depths_and_volumes_outside_the_tank_are_its_ends() -> None:
    shape = Shape("vertical", 0.3, 0.2, "ellipsoidal", 0.002)
    np.testing.assert_allclose(volume_above_m3(shape, [-1.0, 5.0]), [0.0, shape.volume_m3], atol=1e-15)
    np.testing.assert_allclose(depth_of_volume_above_m3(shape, [-1.0, 0.0, 9.0]), [0.0, 0.0, shape.height_m])


def test_outline_runs_from_pole_to_pole_in_even_steps() -> None:
    shape = Shape("vertical", 0.3, 0.2, "ellipsoidal", 0.002)
    line = meridian(shape, 101)
    assert line.axial_m[0] == pytest.approx(0.0, abs=1e-12)
    assert line.axial_m[-1] == pytest.approx(shape.height_m)
    assert line.radius_m[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert line.radius_m.max() == pytest.approx(0.15)
    np.testing.assert_allclose(np.diff(line.arc_m), line.arc_m[1], rtol=1e-9)
    with pytest.raises(PhysicsError):
        meridian(shape, 2)


@pytest.mark.parametrize("head", ["ellipsoidal", "hemispherical", "flat"])
def test_the_volume_tells_the_heads_where_they_were_not_given(head: HeadKind) -> None:
    true = Shape("vertical", 0.3, 0.35, head, 0.002)
    shape, notes = resolve_shape(volume_m3=1.01 * true.volume_m3, diameter_m=0.3, height_m=true.height_m, wall_m=0.002)
    assert shape.head == head
    assert HEAD_NAMES[head] in keys_of(notes)


def test_other_heads_are_those_of_like_volume_and_the_same_height() -> None:
    shape = Shape("vertical", 0.3, 0.2, "ellipsoidal", 0.002)
    (other,) = other_heads(shape, shape.volume_m3)
    assert other.head == "torispherical"
    assert other.height_m == pytest.approx(shape.height_m, abs=1e-9)
    assert other_heads(replace(shape, axis="horizontal"), shape.volume_m3) == []

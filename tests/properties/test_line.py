"""What must hold of the line's posterior whatever tank, level and noise: on made-up lines with hypothesis."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.line.boundary import Prior, read_line
from taptest.line.matched import MatchSettings
from taptest.line.records import BoundaryPosterior, LineReading, Point
from taptest.line.unlabelled import change_points
from taptest.shell.records import LevelSweep
from tests.made_lines import HEIGHT_M, made_points, made_sweep, made_tank, made_traits
from tests.samples import part

pytestmark = pytest.mark.sampled

SWEEP = made_sweep()
levels = st.one_of(st.none(), st.floats(0.05, HEIGHT_M - 0.05))
seeds = st.integers(0, 10_000)
few = settings(max_examples=part(25), deadline=None)


def all_mass(posterior: BoundaryPosterior) -> float:
    whole = posterior.p_all_air + posterior.p_all_water + posterior.p_inverted + posterior.p_two
    whole += posterior.p_no_contact
    return posterior.p_found + whole


def close(one: LineReading, other: LineReading, tolerance: float = 1e-6) -> None:
    assert one.state == other.state
    np.testing.assert_allclose(one.posterior.mass, other.posterior.mass, atol=tolerance)
    np.testing.assert_allclose(one.p_water, other.p_water, atol=tolerance)


def changed(points: list[Point], offset_db: np.ndarray) -> list[Point]:
    return [Point(p.depth_m, tuple(made_traits(t.band_level_db + offset_db) for t in p.traits), 3, 0) for p in points]


@few
@given(level=levels, seed=seeds, noise=st.floats(0.1, 10.0), with_model=st.booleans())
def test_posterior_sums_to_one_and_points_have_probabilities(
    level: float | None, seed: int, noise: float, with_model: bool
) -> None:
    points = made_points(level, np.random.default_rng(seed), noise_db=noise)
    reading = read_line(points, made_tank(), [SWEEP] if with_model else None)
    assert all_mass(reading.posterior) == pytest.approx(1.0, abs=1e-9)
    assert ((reading.p_water > 0) & (reading.p_water < 1)).all()


@few
@given(level=levels, seed=seeds)
def test_order_of_points_does_not_matter(level: float | None, seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = made_points(level, rng)
    shuffled = [points[i] for i in rng.permutation(len(points))]
    close(read_line(points, made_tank(), [SWEEP]), read_line(shuffled, made_tank(), [SWEEP]))


@few
@given(level=levels, seed=seeds, gain=st.floats(-30, 30), with_model=st.booleans())
def test_recording_gain_drops_out(level: float | None, seed: int, gain: float, with_model: bool) -> None:
    points = made_points(level, np.random.default_rng(seed))
    sweeps = [SWEEP] if with_model else None
    louder = changed(points, np.full(15, gain))
    close(read_line(points, made_tank(), sweeps), read_line(louder, made_tank(), sweeps), 1e-5)


@few
@given(level=levels, seed=seeds)
def test_colour_of_striker_and_microphone_drops_out_of_the_shapes(level: float | None, seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = made_points(level, rng)
    coloured = changed(points, 10.0 * rng.standard_normal(15))
    only_shapes = MatchSettings(absolute_weight=0.0)
    close(
        read_line(points, made_tank(), [SWEEP], settings=only_shapes),
        read_line(coloured, made_tank(), [SWEEP], settings=only_shapes),
        1e-5,
    )
    close(read_line(points, made_tank()), read_line(coloured, made_tank()), 1e-5)


@few
@given(level=levels, seed=seeds, with_model=st.booleans())
def test_a_mirrored_line_gives_the_mirrored_posterior(level: float | None, seed: int, with_model: bool) -> None:
    points = made_points(level, np.random.default_rng(seed))
    tank, turned = made_tank("bottom"), made_tank("top")
    height = tank.shape.height_m
    over = [Point(height - p.depth_m, p.traits, p.taps_used, 0) for p in points]
    swapped = LevelSweep(
        height - SWEEP.level_depth_m,
        height - SWEEP.depth_m[::-1],
        SWEEP.band_hz,
        SWEEP.level_db[:, ::-1],
    )
    # the same prior for both: gravity is not mirrored
    one = read_line(points, tank, [SWEEP] if with_model else None, prior=Prior())
    other = read_line(over, turned, [swapped] if with_model else None, prior=Prior())
    assert one.state == other.state
    np.testing.assert_allclose(one.posterior.mass, other.posterior.mass[::-1], atol=1e-6)
    np.testing.assert_allclose(one.p_water, other.p_water[::-1], atol=1e-6)


def test_more_noise_never_sharpens_on_average() -> None:
    spread = []
    for noise in (0.3, 3.0, 10.0):
        widths = []
        for seed in range(20):
            points = made_points(0.1 + 0.015 * seed, np.random.default_rng(seed), noise_db=noise)
            posterior = read_line(points, made_tank(), [SWEEP]).posterior
            cell = posterior.mass / posterior.p_found
            widths.append(-float((cell * np.log(cell + 1e-300)).sum()))
        spread.append(float(np.mean(widths)))
    assert spread[0] < spread[1] < spread[2]


@few
@given(seed=seeds, points=st.integers(6, 24), features=st.integers(1, 30))
def test_change_points_are_a_distribution_and_mirror(seed: int, points: int, features: int) -> None:
    values = np.random.default_rng(seed).standard_normal((points, features))
    found = change_points(values)
    turned = change_points(values[::-1])
    assert found.mass.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(found.cut_mass(0, 1), turned.cut_mass(0, 1)[::-1], atol=1e-8)
    np.testing.assert_allclose(found.p_boundaries(), turned.p_boundaries(), atol=1e-8)

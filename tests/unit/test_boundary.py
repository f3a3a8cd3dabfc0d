"""The reading of a line: states, intervals, and the sentences when nothing can be said."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.errors import LineError
from taptest.line.backing import p_water_at
from taptest.line.boundary import read_line, unread_line
from taptest.line.naming import why_open
from taptest.line.records import BoundaryPosterior, Point, Unreadable
from taptest.line.remarks import LineRemark, Remedy, Unread
from taptest.quantities import METRIC
from taptest.sound.traits import BAND_HZ
from taptest.statements import Statement
from taptest.tank.kinds import WaterEnd
from taptest.words.tell import tell
from tests.made_lines import HEIGHT_M, made_field, made_points, made_sweep, made_tank, made_traits
from tests.said import keys_of, texts, values_of

SWEEP = made_sweep()


def points_of(level_db: np.ndarray, depth_m: np.ndarray) -> list[Point]:
    return [Point(float(z), (made_traits(level),), 1, 0) for z, level in zip(depth_m, level_db, strict=True)]


@pytest.mark.parametrize("level_m", [0.08, 0.2, 0.31, 0.44])
@pytest.mark.parametrize("end", ["bottom", "top"])
def test_boundary_is_found_where_it_is(level_m: float, end: WaterEnd) -> None:
    points = made_points(level_m, np.random.default_rng(1), water_end=end)
    reading = read_line(points, made_tank(end), [made_sweep(end)])
    assert reading.state == "found"
    assert reading.depth_m is not None
    assert reading.depth_m == pytest.approx(level_m, abs=0.012)
    assert reading.interval90_m is not None
    assert reading.interval90_m[0] <= reading.depth_m <= reading.interval90_m[1]
    water_side = reading.point_depth_m > level_m if end == "bottom" else reading.point_depth_m < level_m
    far = np.abs(reading.point_depth_m - level_m) > 0.03
    assert ((reading.p_water > 0.5) == water_side)[far].all()


def test_whole_states_are_told_by_the_model() -> None:
    air = read_line(made_points(None, np.random.default_rng(2)), made_tank(), [SWEEP])
    water = read_line(made_points(None, np.random.default_rng(3), all_water=True), made_tank(), [SWEEP])
    assert air.state == "all air"
    assert water.state == "all water"
    assert air.depth_m is None
    assert air.interval90_m is None
    assert (air.p_water < 0.5).all()
    assert (water.p_water > 0.5).all()


def test_an_inverted_picture_is_found_with_the_water_on_the_wrong_side() -> None:
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 20)
    level = made_field(np.array([np.nan, 0.2, np.nan]), HEIGHT_M - depth)
    mirrored = points_of(level[1], depth)
    reading = read_line(mirrored, made_tank("bottom"), [SWEEP])
    assert reading.posterior.p_inverted > 0.6
    assert (reading.state, reading.inverted) == ("found", True)
    assert reading.depth_m == pytest.approx(HEIGHT_M - 0.2, abs=0.01)
    assert reading.interval90_m is not None
    assert reading.interval90_m[0] < HEIGHT_M - 0.2 < reading.interval90_m[1]
    assert LineRemark.INVERTED in keys_of(reading.notes)
    # water is where it rings in the picture: at the top
    assert reading.p_water[0] > 0.5 > reading.p_water[-1]


def test_a_bag_that_rings_all_over_is_not_taken_for_an_empty_one() -> None:
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 20)
    level = made_field(np.array([np.nan, 0.2, np.nan]), depth)
    ringing = points_of(level[0], depth)
    tank = replace(made_tank("bottom"), kind="bladder")
    reading = read_line(ringing, tank, [SWEEP])
    assert read_line(ringing, made_tank("bottom"), [SWEEP]).state == "all air"
    assert reading.state == "not found"
    assert not reading.narrows
    assert keys_of(reading.notes)[0] is LineRemark.RINGS_ALL_OVER
    assert reading.posterior.p_no_contact > 0.3
    # the water's height is left open then: more likely lower down
    assert (np.diff(reading.p_water) >= 0).all()
    assert reading.p_water[-1] > 0.3 > reading.p_water[0]
    wet = read_line(made_points(0.2, np.random.default_rng(1)), tank, [SWEEP])
    assert wet.state == "found"
    assert wet.posterior.p_no_contact < 0.05


def test_where_the_water_ends_stays_open_behind_a_bag_that_hardly_touches() -> None:
    """A trace of a boundary is no place of it, as long as a bag that touches nowhere is likelier."""
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 20)
    level = made_field(np.array([np.nan, 0.3, np.nan]), depth)
    traced = points_of(0.7 * level[0] + 0.3 * level[1], depth)
    bag = read_line(traced, replace(made_tank("bottom"), kind="bladder"), [SWEEP]).posterior
    diaphragm = read_line(traced, made_tank("bottom"), [SWEEP]).posterior
    assert bag.quantile_m(0.05) < 0.15 * HEIGHT_M
    assert bag.quantile_m(0.95) > 0.85 * HEIGHT_M
    assert diaphragm.quantile_m(0.95) - diaphragm.quantile_m(0.05) < 0.1 * HEIGHT_M


@pytest.mark.parametrize("water_end", ["top", "bottom"])
def test_air_or_a_little_water_is_not_named_and_yet_narrows_the_level(water_end: WaterEnd) -> None:
    at = 0.06 if water_end == "top" else HEIGHT_M - 0.06  # one or two of twenty marks have water behind them
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 20)
    level = made_field(np.array([np.nan, at, np.nan]), depth, water_end=water_end)
    scatter = np.random.default_rng(3).normal(0.0, 2.0, (20, 15))
    # as like all air as like that little water
    between = points_of(0.5 * level[0] + 0.5 * level[1] + scatter, depth)
    reading = read_line(between, made_tank(water_end), [made_sweep(water_end)])
    assert reading.state == "not found"
    assert reading.posterior.p_all_air > 0.1
    assert reading.narrows
    assert read_line(made_points(0.2, np.random.default_rng(1)), made_tank(), [SWEEP]).narrows


def test_noise_is_unlike_anything_the_model_makes() -> None:
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 20)
    for seed in range(10):
        rng = np.random.default_rng(seed)
        points = points_of(4 * rng.standard_normal((20, 15)), depth)
        reading = read_line(points, made_tank(), [SWEEP])
        assert reading.state == "not found"
        assert reading.misfit > 0.9
        assert reading.notes
        assert not reading.narrows


def test_two_boundaries_are_reported_without_a_model() -> None:
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 24)
    rng = np.random.default_rng(5)
    inside = ((depth > 0.17) & (depth < 0.34))[:, None]
    step = np.concatenate((np.full(5, 6.0), np.zeros(6), np.full(4, -6.0)))
    level = inside * step + 0.8 * rng.standard_normal((24, 15))
    reading = read_line(points_of(level, depth), made_tank())
    assert reading.state == "not found"
    assert reading.posterior.p_two > 0.3
    assert LineRemark.TWO_BOUNDARIES in keys_of(reading.notes)
    assert (reading.p_water[(depth > 0.19) & (depth < 0.32)] > 0.5).all()  # duller inside


def test_without_a_model_a_clear_step_is_found_and_no_contrast_is_said() -> None:
    depth = np.linspace(0.02, HEIGHT_M - 0.02, 20)
    rng = np.random.default_rng(6)
    step = np.concatenate((np.full(5, 5.0), np.zeros(6), np.full(4, -5.0)))
    level = (depth > 0.3)[:, None] * step + 0.7 * rng.standard_normal((20, 15))
    reading = read_line(points_of(level, depth), made_tank())
    assert reading.state == "found"
    assert reading.depth_m == pytest.approx(0.3, abs=0.03)
    flat = read_line(points_of(0.7 * rng.standard_normal((20, 15)), depth), made_tank())
    assert flat.state == "not found"
    assert flat.depth_m is None
    assert {LineRemark.NO_CONTRAST, LineRemark.LEFT_OPEN} & set(keys_of(flat.notes))


def test_too_few_points_and_too_much_noise_are_said() -> None:
    points = made_points(0.25, np.random.default_rng(7), count=4)
    few = read_line(points, made_tank(), [SWEEP])
    assert few.state == "not found"
    assert (
        few.notes[0]
        == Unreadable(Statement(Unread.FEW_POINTS, {"count": 4, "least": 5}), Statement(Remedy.MORE_POINTS)).sentence
    )
    assert tell(few.notes[0], METRIC).startswith("Only 4 points")
    many = [p if i == 3 else replace(p, traits=()) for i, p in enumerate(made_points(0.25, np.random.default_rng(7)))]
    drowned = read_line(many, made_tank(), [SWEEP]).notes[:1]
    assert values_of(Unread.FEW_USABLE, drowned) == {"count": 1, "points": 20, "least": 5}
    assert Remedy.LOUDER in keys_of(drowned)
    deaf = [
        Point(
            p.depth_m,
            tuple(replace(t, band_level_db=np.where(np.arange(15) < 12, np.nan, t.band_level_db)) for t in p.traits),
            3,
            0,
        )
        for p in made_points(0.25, np.random.default_rng(8))
    ]
    hidden = read_line(deaf, made_tank(), [SWEEP])
    assert hidden.state == "not found"
    assert values_of(Unread.NOISE, hidden.notes[:1])["hidden_share"] == pytest.approx(0.8)


def without_bands(points: list[Point], gone: np.ndarray) -> list[Point]:
    """The same points with some bands hidden in the noise."""
    return [
        replace(p, traits=tuple(replace(t, band_level_db=np.where(gone, np.nan, t.band_level_db)) for t in p.traits))
        for p in points
    ]


def test_a_soft_striker_is_said_and_told_from_noise() -> None:
    """Without the bands from 2 kHz on the striker is named; without those below 1 kHz it is not."""
    points = made_points(0.25, np.random.default_rng(8))
    soft = read_line(without_bands(points, BAND_HZ > 1900), made_tank(), [SWEEP])
    assert Unread.SOFT_STRIKER in keys_of(soft.notes)
    assert soft.method == "matched profiles"
    softer = read_line(without_bands(points, (BAND_HZ > 1200) | (BAND_HZ < 390)), made_tank(), [SWEEP])
    assert softer.state == "not found"
    assert Unread.SOFT_STRIKER in keys_of(softer.notes[:1])
    assert keys_of(softer.notes).count(Unread.SOFT_STRIKER) == 1
    for heard in (points, without_bands(points, BAND_HZ < 1000)):
        assert Unread.SOFT_STRIKER not in keys_of(read_line(heard, made_tank(), [SWEEP]).notes)


def test_no_contrast_is_said_with_a_model() -> None:
    posterior = replace(
        read_line(made_points(None, np.random.default_rng(2)), made_tank(), [SWEEP]).posterior,
        p_all_air=0.5,
        p_all_water=0.45,
    )
    said = why_open(replace(posterior, mass=0.05 * posterior.mass), 0.3, False, with_model=True)
    assert said == Statement(LineRemark.NO_CONTRAST_WITH_MODEL, {"air_share": 0.5, "water_share": 0.45})


def test_doubtful_and_silent_points_are_mentioned() -> None:
    points = made_points(0.25, np.random.default_rng(9))
    points[3] = replace(points[3], doubtful=True)
    points[5] = Point(points[5].depth_m, (), 0, 3)
    reading = read_line(points, made_tank(), [SWEEP])
    assert reading.point_depth_m.size == 19
    assert Statement(LineRemark.POINTS_LEFT_OUT, {"count": 1, "points": 20}) in reading.notes
    assert Statement(LineRemark.DOUBTFUL_POINTS, {"count": 1}) in reading.notes


def test_a_sweep_with_other_bands_is_refused() -> None:
    other = replace(SWEEP, band_hz=SWEEP.band_hz[:-1], level_db=SWEEP.level_db[..., :-1])
    with pytest.raises(LineError, match="compute the sweep again"):
        read_line(made_points(0.25, np.random.default_rng(10)), made_tank(), [other])


def test_a_wrong_variant_beside_the_right_one_does_no_harm() -> None:
    points = made_points(0.25, np.random.default_rng(11))
    alone = read_line(points, made_tank(), [SWEEP])
    beside = read_line(points, made_tank(), [made_sweep(seed=77), SWEEP])
    assert alone.depth_m is not None
    assert beside.state == "found"
    assert beside.depth_m == pytest.approx(alone.depth_m, abs=0.01)


def test_unread_line_is_the_prior() -> None:
    reading = unread_line(np.array([0.1, 0.2]), made_tank(), Unreadable("nothing was heard", ""))
    assert reading.state == "not found"
    assert texts(reading.notes) == ["Nothing was heard."]
    assert reading.p_water.shape == (2,)


def test_backing_follows_the_posterior() -> None:
    # half the mass at 0.2 m, a quarter all air, a quarter all water; water below
    grid = np.linspace(0.0, 0.4, 5)
    posterior = BoundaryPosterior(grid, np.array([0, 0, 0.5, 0, 0]), 0.25, 0.25)
    np.testing.assert_allclose(p_water_at(np.array([0.05, 0.35]), posterior, "bottom"), [0.25, 0.75])
    np.testing.assert_allclose(p_water_at(np.array([0.05, 0.35]), posterior, "top"), [0.75, 0.25])
    assert posterior.quantile_m(0.5) == pytest.approx(0.2)
    assert np.isnan(BoundaryPosterior(grid, np.zeros(5), 1.0, 0.0).quantile_m(0.5))

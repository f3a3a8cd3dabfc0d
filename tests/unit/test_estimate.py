"""The running estimate: what it says, what it proposes, and that it never holds anybody up."""

import re
import threading
import time
from collections.abc import Iterator, Sequence
from typing import Any, cast

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from taptest.capture import estimate
from taptest.capture.estimate import Estimator, HeardStop, advise, estimate_of
from taptest.capture.remarks import Estimate
from taptest.capture.round import Advice, Plan, Round, Stop
from taptest.errors import VisitError
from taptest.line.boundary import PLACE_SD_M, PLACE_TAIL, read_line
from taptest.line.next_point import ENOUGH_M, free_places_m
from taptest.line.records import BoundaryPosterior, LineReading, Point
from taptest.line.remarks import FirstAnswer
from taptest.quantities import METRIC, US
from taptest.shell.records import LevelSweep
from taptest.sound.traits import NoiseProfile
from taptest.statements import Statement
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from tests.made_lines import made_points, made_sweep, made_tank
from tests.properties.test_round import Driver
from tests.said import keys_of, texts
from tests.tapping import RATE_HZ, ring

SHAPE = Shape("vertical", 0.28, 0.24, "ellipsoidal", 0.0015)
TANK = Tank("diaphragm", "top", SHAPE, 0.018, seam_depth_m=0.19)
MARKS = tuple(0.03 + 0.025 * number for number in range(12))


def heard(depth_m: float, seed: int = 0) -> HeardStop:
    """A simulated stop: lower in pitch and shorter above 130 mm, where the water is."""
    rng = np.random.default_rng(round(1000 * depth_m) + seed)
    pitch = 0.6 if depth_m < 0.13 else 1.0
    windows = []
    for _ in range(3):
        sound = ring(RATE_HZ, 0.2 * rng.uniform(0.8, 1.2), pitch, 0.06)
        lead = rng.normal(0, 1e-4, round(0.001 * RATE_HZ))
        windows.append(np.concatenate((lead, sound + rng.normal(0, 1e-4, len(sound)))))
    return HeardStop(Stop("point", depth_m), tuple(windows), RATE_HZ, NoiseProfile.none())


POINTS = tuple(heard(depth).point() for depth in MARKS)


def test_the_estimate_and_the_proposal_lie_at_the_change() -> None:
    advice = advise(POINTS, (), TANK, (), 12)
    assert advice.results == 12
    assert keys_of([advice.sentence]) == [Estimate.CHANGE]
    if not advice.enough:
        assert advice.next_depth_m is not None
        assert 0.09 < advice.next_depth_m < 0.17


def test_no_mark_is_proposed_on_a_tapped_one_or_on_the_seam() -> None:
    for count in range(5, 12):
        advice = advise(POINTS[:count], (), TANK, (), count)
        if advice.next_depth_m is not None:
            assert min(abs(advice.next_depth_m - depth) for depth in MARKS[:count]) >= 0.004
            assert abs(advice.next_depth_m - 0.19) >= 0.03


def test_on_a_tape_in_inches_marks_are_proposed_on_its_quarters() -> None:
    tapped = np.array([0.0254 * number for number in range(2, 14)])
    places = free_places_m(tapped, TANK, US)
    assert len(places) >= 20
    # 25.4 mm to the inch; depths are kept to a tenth of a millimetre.
    assert np.abs(4 * places / 0.0254 - np.rint(4 * places / 0.0254)).max() < 0.01
    assert np.abs(places[:, None] - tapped[None, :]).min() >= 0.004
    assert np.abs(places - 0.19).min() >= 0.03
    assert tapped.min() < places.min() < places.max() < tapped.max()
    assert list(free_places_m(tapped, TANK, METRIC)) == list(free_places_m(tapped, TANK))
    place = advise(POINTS, (), TANK, (), 12, units=US).next_depth_m
    assert place is not None
    assert round(4 * place / 0.0254, 1).is_integer()


def test_too_few_points_are_told_and_end_nothing() -> None:
    advice = advise(POINTS[:1], (), TANK, (), 1)
    assert not advice.enough
    assert advice.sentence


SWEEP = made_sweep()


def told(state: str, depth_m: float | None, results: int) -> Advice:
    return Advice(results, "", state=state, depth_m=depth_m)  # type: ignore[arg-type]


def test_a_round_ends_only_on_an_estimate_that_holds_still() -> None:
    points = made_points(0.25, np.random.default_rng(3), count=40, noise_db=0.5)
    tank, sweeps = made_tank(), [SWEEP]
    depth = read_line(points, tank, sweeps).depth_m
    assert depth is not None

    def enough(*before: Advice) -> bool:
        return advise(points, (), tank, sweeps, 40, before).enough

    assert enough(told("found", depth, 38), told("found", depth, 39))
    assert not enough()
    assert not enough(told("found", depth, 39))
    assert not enough(told("found", depth, 38), told("found", depth + 0.1, 39))
    assert not enough(told("not found", None, 38), told("found", depth, 39))
    # what was said when there were as many results, before one was done again, says nothing of fewer
    assert not enough(told("found", depth, 39), told("found", depth, 40))


def test_a_wide_interval_ends_no_round_while_a_place_would_tell() -> None:
    points = made_points(0.25, np.random.default_rng(3), count=7, noise_db=6.0)
    sweeps = [SWEEP]
    before: list[Advice] = []
    for results in range(5, 8):
        before.append(advise(points, (), made_tank(), sweeps, results, before))
    assert before[0].state == before[-1].state
    assert before[-1].next_depth_m is not None
    assert not before[-1].enough


def sparing_round(level_m: float | None, seed: int) -> tuple[Round, list[Point], list[Advice]]:
    """A round with few taps on a made-up line, its marks 25 mm apart, each tap of another strength and noise."""
    line = made_points(level_m, np.random.default_rng(seed), count=93, noise_db=1.5)
    marks = tuple(0.02 + 0.025 * number for number in range(19))
    driver = Driver(Plan(marks, reference_depth_m=marks[0], sparing=True, practice_taps=0))
    advices: list[Advice] = []
    points: list[Point] = []
    while not driver.round.over:
        if driver.round.stage != "deciding":
            driver.tap()
            continue
        points = []
        for result in driver.round.results:
            if result.stop.kind in ("point", "finer"):
                there = min(line, key=lambda point: abs(point.depth_m - result.stop.depth_m))
                points.append(Point(there.depth_m, there.traits[: len(result.taps)], len(result.taps), 0))
        advices.append(advise(points, (), made_tank(), [SWEEP], len(driver.round.results), advices))
        driver.keep(driver.round.advise(advices[-1]))
    return driver.round, points, advices


@pytest.mark.parametrize("level_m", [0.16, 0.27, 0.37])
def test_a_round_with_few_taps_ends_itself_where_more_would_not_change_the_finding(level_m: float) -> None:
    round_, points, advices = sparing_round(level_m, seed=7)
    assert round_.stage == "done"
    assert advices[-1].enough
    assert [result.stop.kind for result in round_.results if result.stop.kind != "recheck"][-1] == "reference"
    assert sum(len(point.traits) for point in points) <= 0.6 * 3 * 19
    ended = read_line(points, made_tank(), [SWEEP])
    # all nineteen marks with three taps, and twice as many: the same state, and a place within the ended interval
    for count in (19, 38):
        every = made_points(level_m, np.random.default_rng(8), count=count, noise_db=1.5)
        whole = read_line(every, made_tank(), [SWEEP])
        assert whole.state == ended.state == "found"
        assert ended.interval90_m is not None
        assert whole.depth_m is not None
        assert ended.interval90_m[0] - 0.002 <= whole.depth_m <= ended.interval90_m[1] + 0.002


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_round_with_few_taps_that_found_nothing_taps_as_many_as_there_are_marks(seed: int) -> None:
    """Noise alone, in which the model finds nothing to tell by."""
    rng = np.random.default_rng(seed)
    marks = tuple(0.02 + 0.025 * number for number in range(16))
    driver = Driver(Plan(marks, sparing=True, practice_taps=0))
    advices: list[Advice] = []
    tapped: list[Point] = []
    while not driver.round.over:
        if driver.round.stage != "deciding":
            driver.tap()
            continue
        for result in driver.round.results[len(tapped) :]:
            (dull,) = made_points(None, rng, count=1, noise_db=12.0)
            tapped.append(Point(result.stop.depth_m, dull.traits[:2], 2, 0))
        advices.append(advise(tapped, (), made_tank(), [SWEEP], len(driver.round.results), advices))
        driver.keep(driver.round.advise(advices[-1]))
    nothing = [advice for advice in advices if advice.state == "not found"]
    assert nothing
    assert not any(advice.enough for advice in nothing)
    if advices[-1].state == "not found":
        assert len(driver.round.results) >= len(marks)


def reading(state: str, mass: np.ndarray, p_air: float = 0.0) -> LineReading:
    grid = np.linspace(0.0, 0.38, len(mass))
    posterior = BoundaryPosterior(grid, mass, p_air, 1 - p_air - float(mass.sum()))
    found = state == "found"
    interval = (posterior.quantile_m(0.05), posterior.quantile_m(0.95)) if found else None
    depth = posterior.quantile_m(0.5) if found else None
    return LineReading(state, posterior, depth, interval, np.zeros(1), np.zeros(1), 0.0)  # type: ignore[arg-type]


def test_each_state_has_its_sentence() -> None:
    narrow = np.zeros(191)
    narrow[75] = 1.0
    found = estimate_of(reading("found", narrow))
    assert found.key is Estimate.CHANGE
    depths = [found.values[name] for name in ("low_m", "place_m", "high_m")]
    np.testing.assert_allclose(np.array(depths, float), [0.149, 0.150, 0.151], atol=2e-4)
    rings = estimate_of(reading("all air", np.full(191, 0.0001), 0.97))
    assert rings == Statement(Estimate.ALL_AIR, {"air_share": 0.97})
    assert estimate_of(reading("all water", np.full(191, 0.0001), 0.01)).key is Estimate.ALL_WATER
    assert estimate_of(reading("not found", np.full(191, 1 / 191))).key is Estimate.UNKNOWN


def test_who_has_a_tape_in_inches_hears_of_no_millimetres() -> None:
    narrow = np.zeros(191)
    narrow[75] = 1.0
    # 149, 150 and 151 mm at 25.4 mm to the inch.
    assert re.findall(r"(5 \d+/\d+) in", texts([estimate_of(reading("found", narrow))], US)[0]) == [
        "5 7/8",
        "5 7/8",
        "5 15/16",
    ]
    assert "mm" not in texts([advise(POINTS, (), TANK, (), 12, units=US).sentence], US)[0]
    estimator = Estimator(TANK, units=US)
    estimator.ask([heard(depth) for depth in MARKS], 12)
    said = an_answer(estimator).sentence
    assert keys_of([said]) == [Estimate.CHANGE]
    assert "mm" not in texts([said], US)[0]
    estimator.close()


def test_what_is_narrow_enough_is_the_models_own_error_of_place() -> None:
    """No tap narrows an interval below that; the central 90 % of the mixture by scipy's normal distribution."""
    (near, far), tail = PLACE_SD_M, PLACE_TAIL

    def beyond(x_m: float) -> float:
        return float((1 - tail) * norm.sf(x_m / near) + tail * norm.sf(x_m / far)) - 0.05

    width_m = 2 * brentq(beyond, 0.0, 0.1)
    assert width_m < ENOUGH_M < 1.3 * width_m


def an_answer(estimator: Estimator) -> Advice:
    until = time.monotonic() + 20
    while time.monotonic() < until:
        advice = estimator.answer()
        if advice is not None:
            return advice
        time.sleep(0.01)
    raise AssertionError("no answer came")


def test_asking_never_waits_and_only_the_newest_question_is_answered() -> None:
    estimator = Estimator(TANK)
    stops = [heard(depth) for depth in MARKS]
    began = time.monotonic()
    for count in range(4, 13):
        estimator.ask(stops[:count], count)
    assert time.monotonic() - began < 0.5
    answers = [an_answer(estimator)]
    while answers[-1].results < 12:
        answers.append(an_answer(estimator))
    assert len(answers) < 9
    estimator.close()


def test_a_model_that_cannot_be_computed_is_told_and_stops_nothing() -> None:
    def broken() -> tuple[()]:
        raise VisitError("The wall is not known.")

    estimator = Estimator(TANK, broken)
    assert an_answer(estimator).sentence == "The wall is not known."
    estimator.ask([heard(depth) for depth in MARKS], 12)
    assert an_answer(estimator).results == 12
    estimator.close()


def test_no_round_ends_before_the_model_of_its_tank_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is said without the model may change once it is there."""
    computed = threading.Event()

    def slow() -> tuple[()]:
        computed.wait(20)
        return ()

    monkeypatch.setattr(estimate, "advise", lambda *given: Advice(given[4], "", enough=True))
    estimator = Estimator(TANK, slow)
    estimator.ask([heard(0.1)], 1)
    assert not an_answer(estimator).enough
    computed.set()
    until = time.monotonic() + 20
    for number in range(2, 10_000):
        estimator.ask([heard(0.1)], number)
        if an_answer(estimator).enough or time.monotonic() > until:
            break
    assert time.monotonic() <= until
    estimator.close()


def test_what_comes_first_is_used_until_the_whole_model_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    whole, used = threading.Event(), []

    def model() -> Iterator[Sequence[LevelSweep]]:
        yield cast("Sequence[LevelSweep]", ("early",))
        whole.wait(20)
        yield cast("Sequence[LevelSweep]", ("whole",))

    def told(*given: Any) -> Advice:
        used.append(given[3])
        return Advice(given[4], "", enough=True)

    monkeypatch.setattr(estimate, "advise", told)
    estimator = Estimator(TANK, model)
    for number in range(1, 10_000):
        estimator.ask([heard(0.1)], number)
        answer = an_answer(estimator)
        if used[-1] == ("early",):
            assert not answer.enough
            whole.set()
        if answer.enough:
            break
    assert used[-1] == ("whole",)
    assert ("early",) in used
    estimator.close()


def test_a_model_computed_ahead_says_nothing_of_its_troubles() -> None:
    done = threading.Event()

    def broken() -> Iterator[Sequence[LevelSweep]]:
        assert estimate.computing()
        done.set()
        raise VisitError("The wall is not known.")
        yield ()

    estimate.ahead(broken)
    assert done.wait(20)


def test_the_point_carries_its_refused_taps() -> None:
    stop = HeardStop(Stop("point", 0.1), heard(0.1).windows, RATE_HZ, NoiseProfile.none(), refused=2)
    point: Point = stop.point()
    assert (point.taps_used, point.taps_rejected) == (3, 2)
    assert point.depth_m == pytest.approx(0.1)


def test_the_first_answer_comes_again_once_the_model_is_there() -> None:
    ready = threading.Event()

    def model() -> Iterator[list[LevelSweep]]:
        assert ready.wait(20)
        yield [made_sweep("top")]

    marks = (*MARKS[:3], *MARKS[-3:])
    ends = [HeardStop(Stop("end", mark), heard(mark).windows[:1], RATE_HZ, NoiseProfile.none()) for mark in marks]
    estimator = Estimator(made_tank("top"), model)

    def answer() -> Advice:
        until = time.monotonic() + 20
        while time.monotonic() < until:
            found = estimator.answer()
            if found is not None:
                return found
            time.sleep(0.01)
        raise AssertionError("no answer came")

    estimator.ask(ends[:5], 5)
    estimator.ask(ends, 6)
    without = answer()
    assert (keys_of([without.sentence]), without.first) == ([FirstAnswer.NO_MODEL], True)
    ready.set()
    better = answer()
    assert better.first
    assert better.sentence != without.sentence
    estimator.close()

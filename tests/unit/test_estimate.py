"""The running estimate: what it says, what it proposes, and that it never holds anybody up."""

import time

import numpy as np
import pytest

from taptest.capture.estimate import ENOUGH_M, Estimator, HeardStop, advise, sentence_of
from taptest.capture.round import Advice, Stop
from taptest.errors import VisitError
from taptest.line.records import BoundaryPosterior, LineReading, Point
from taptest.sound.traits import NoiseProfile
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
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
    assert "the sound changes near" in advice.sentence
    if not advice.enough:
        assert advice.next_depth_m is not None
        assert 0.09 < advice.next_depth_m < 0.17


def test_no_mark_is_proposed_on_a_tapped_one_or_on_the_seam() -> None:
    for count in range(5, 12):
        advice = advise(POINTS[:count], (), TANK, (), count)
        if advice.next_depth_m is not None:
            assert min(abs(advice.next_depth_m - depth) for depth in MARKS[:count]) >= 0.004
            assert abs(advice.next_depth_m - 0.19) >= 0.03


def test_too_few_points_are_told_and_end_nothing() -> None:
    advice = advise(POINTS[:1], (), TANK, (), 1)
    assert not advice.enough
    assert advice.sentence


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
    assert "near 150 mm (between 149 and 151 mm)" in sentence_of(reading("found", narrow))
    assert "all of it rings" in sentence_of(reading("all air", np.full(191, 0.0001), 0.97))
    assert "all of it is dull" in sentence_of(reading("all water", np.full(191, 0.0001), 0.01))
    assert "cannot be told" in sentence_of(reading("not found", np.full(191, 1 / 191)))


def test_what_is_narrow_enough_moves_no_finding() -> None:
    """0.1 bar of gauge error moves the expected height by more than ENOUGH_M on an 18 litre tank.

    Isothermal: share = 1 - P0/P, from the gas law, at 1.0 bar pre-charge and 1.5 against 1.6 bar, all gauge.
    """
    shares = [1 - (1.0 + 1.01325) / (pressure + 1.01325) for pressure in (1.5, 1.6)]
    height_m = SHAPE.height_m * (shares[1] - shares[0])
    assert height_m > 0.8 * ENOUGH_M


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


def test_the_point_carries_its_refused_taps() -> None:
    stop = HeardStop(Stop("point", 0.1), heard(0.1).windows, RATE_HZ, NoiseProfile.none(), refused=2)
    point: Point = stop.point()
    assert (point.taps_used, point.taps_rejected) == (3, 2)
    assert point.depth_m == pytest.approx(0.1)

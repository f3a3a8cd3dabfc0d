"""Whatever hand, keys and devices do, the round keeps its order, and its journal leads back to the same place."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from taptest.capture.notes import note_of, results_from
from taptest.capture.round import Advice, Event, Plan, Round
from taptest.sound.records import Tap
from taptest.sound.remarks import WhyNot
from tests.samples import part

pytestmark = pytest.mark.sampled

RATE_HZ = 1000.0
MARKS = tuple(0.02 * number for number in range(1, 8))
PLANS = st.builds(
    Plan,
    st.just(MARKS),
    reference_depth_m=st.sampled_from([None, 0.3]),
    taps_per_point=st.integers(1, 4),
    finer_limit=st.sampled_from([0, 2]),
    practice_taps=st.sampled_from([0, 3]),
) | st.builds(
    Plan,
    st.just(MARKS),
    reference_depth_m=st.sampled_from([None, 0.3]),
    taps_per_point=st.integers(1, 4),
    finer_limit=st.just(2),
    sparing=st.just(True),
    practice_taps=st.just(0),
)
ACTIONS = st.lists(
    st.sampled_from(["tap", "tap", "tap", "tap", "double", "redo", "skip", "wait", "loss", "finer", "enough", "gap"]),
    max_size=150,
)


class Told:
    """A detector that is told what was tapped."""

    def __init__(self) -> None:
        self.taps: list[Tap] = []

    def feed(self, block: NDArray[np.float64]) -> Sequence[Tap]:
        taps, self.taps = self.taps, []
        return taps


class Driver:
    """A round, its journal, and what can happen to them."""

    def __init__(self, plan: Plan) -> None:
        self.round = Round(plan)
        self.noted: list[dict[str, object]] = []
        self.rng = np.random.default_rng(1)
        self.loss()

    def keep(self, events: Sequence[Event]) -> None:
        for event in events:
            note = note_of(event)
            if note is not None:
                self.noted.append({"n": len(self.noted) + 1, "what": note[0], **note[1]})

    def sound(self, seconds: float) -> None:
        self.keep(self.round.feed(self.rng.normal(0, 0.001, round(seconds * RATE_HZ))))

    def tap(self, why: WhyNot | None = None) -> None:
        self.sound(0.4)
        self.detector.taps.append(Tap(self.round.now_s, -13.5, 40.0, 1.0, why))
        self.sound(0.4)

    def loss(self) -> None:
        self.detector = Told()
        self.keep(self.round.listen(RATE_HZ, self.detector))
        self.sound(3.5)

    def advise(self, enough: bool) -> None:
        tapped = [result.stop.depth_m for result in self.round.results]
        free = next(depth for depth in np.arange(0.03, 0.3, 0.005) if all(abs(depth - t) > 0.004 for t in tapped))
        self.keep(self.round.advise(Advice(len(self.round.results), "", float(free), enough)))

    def do(self, action: str) -> None:
        if action == "tap":
            self.tap()
        elif action == "double":
            self.tap(WhyNot.DOUBLE_HIT)
        elif action == "wait":
            self.sound(11.0)
        elif action == "loss":
            self.loss()
        elif action in ("finer", "enough"):
            self.advise(action == "enough")
        else:
            self.keep({"redo": self.round.redo, "skip": self.round.skip, "gap": self.round.gap}[action]())


def check(driver: Driver) -> None:
    """What holds at every moment."""
    plan, results = driver.round.plan, driver.round.results
    for result in results:
        least = 1 if plan.sparing and result.stop.kind in ("point", "finer") else plan.taps_per_point
        assert result.skipped == (not result.taps)
        assert result.skipped or least <= len(result.taps) <= plan.taps_per_point
        assert len({tap.recording for tap in result.taps}) <= 1
    points = [result.stop.depth_m for result in results if result.stop.kind == "point"]
    assert points == list(plan.first_m[: len(points)])
    assert sum(result.stop.kind == "finer" for result in results) <= plan.most_added
    if driver.round.stage == "done" and plan.reference_depth_m is not None:
        # the check for drift comes after all points; a microphone found again last of all is checked once more
        order = [result.stop.kind for result in results if result.stop.kind != "recheck"]
        assert order[-1] == "reference"
        assert order.count("reference") >= 2
    assert results_from(driver.noted) == [
        type(result)(result.stop, result.taps, result.refused, result.skipped) for result in results
    ]


@settings(max_examples=part(60), deadline=None)
@given(PLANS, ACTIONS)
def test_order_and_journal_hold_whatever_happens(plan: Plan, actions: list[str]) -> None:
    driver = Driver(plan)
    for action in actions:
        driver.do(action)
        check(driver)
    # From any place a patient hand comes to the end.
    for _ in range(200):
        if driver.round.over:
            break
        driver.do("enough" if driver.round.stage == "deciding" else "tap")
    check(driver)
    assert driver.round.stage == "done"
    assert [r.stop.depth_m for r in driver.round.results if r.stop.kind == "point"] == list(plan.first_m)


@settings(max_examples=part(60), deadline=None)
@given(PLANS, ACTIONS)
def test_a_round_taken_up_asks_for_the_same_mark(plan: Plan, actions: list[str]) -> None:
    driver = Driver(plan)
    for action in actions:
        driver.do(action)
    before = driver.round
    again = Round(plan, results_from(driver.noted), recordings=before.recording + 1)
    if again.stop is None and before.stop is not None and before.stop.kind == "reference":
        # That no more marks are wanted is decided anew; then the last check follows as before.
        driver.round = again
        driver.loss()
        driver.do("skip")  # the check on a microphone that was away
        assert again.stage == "deciding"
        driver.do("skip")
    if before.stop is not None and before.stop.kind in ("point", "reference") and before.stage != "done":
        assert again.stop == before.stop

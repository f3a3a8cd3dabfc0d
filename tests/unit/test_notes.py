"""Events as journal entries, and the round read back from them."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from taptest.capture.notes import note_of, plan_from, plan_note, results_from
from taptest.capture.round import (
    Event,
    FinerAdded,
    KeptTap,
    Level,
    LevelSet,
    Plan,
    PointDone,
    PointReopened,
    PointSkipped,
    Result,
    Stop,
    TapIgnored,
)
from taptest.errors import VisitError

TAP = KeptTap(1, 12.345678, -13.25, 41.5)


def entries(*events: PointDone | PointSkipped | PointReopened) -> list[dict[str, object]]:
    """As they come back from the disk."""
    notes = [note_of(event) for event in events]
    kept = [{"n": n, "what": note[0], **note[1]} for n, note in enumerate(notes, 1) if note is not None]
    return [json.loads(json.dumps(entry)) for entry in kept]


@given(
    st.lists(st.integers(1, 5000), min_size=1, max_size=20, unique=True),
    st.none() | st.integers(1, 5000),
    st.integers(1, 20),
    st.integers(0, 9),
)
def test_a_plan_comes_back_as_it_was(marks: list[int], reference: int | None, taps: int, finer: int) -> None:
    plan = Plan(
        tuple(mark / 1000 for mark in marks),
        reference_depth_m=None if reference is None else reference / 1000,
        taps_per_point=taps,
        finer_limit=finer,
    )
    noted = json.loads(json.dumps({"n": 1, "what": "plan", **plan_note(plan)}))
    assert plan_from([noted]) == plan
    assert plan_from([]) is None


def test_results_come_back_and_what_was_done_again_does_not() -> None:
    first = Result(Stop("reference", 0.2), (TAP, TAP), 1)
    second = Result(Stop("point", 0.05), (), 3, skipped=True)
    third = Result(Stop("finer", 0.055), (TAP,))
    kept = entries(PointDone(first), PointDone(third), PointReopened(third), PointSkipped(second), PointDone(third))
    assert results_from(kept) == [first, second, third]


@pytest.mark.parametrize("key", ["stop", "taps", "refused", "position_mm"])
def test_a_damaged_entry_is_named(key: str) -> None:
    [entry] = entries(PointDone(Result(Stop("point", 0.05), (TAP,))))
    del entry[key]
    with pytest.raises(VisitError, match="Entry 1"):
        results_from([entry])


def test_an_unknown_kind_of_stop_is_refused() -> None:
    [entry] = entries(PointDone(Result(Stop("point", 0.05), (TAP,))))
    with pytest.raises(VisitError, match="Entry 1"):
        results_from([{**entry, "stop": "elsewhere"}])


def test_every_note_is_plain_json_and_the_level_meter_is_not_kept() -> None:
    events: list[Event] = [LevelSet(float("nan"), ""), FinerAdded(0.1234567, "why"), TapIgnored(1.0)]
    for event in events:
        note = note_of(event)
        assert note is not None
        json.dumps(note[1], allow_nan=False)
    assert note_of(Level(-60.0, -50.0)) is None

"""The picture of several rounds: both levels, the moves, and one mark at many pressures."""

from dataclasses import replace

import pytest

from taptest.finding.records import Expected, Interval, RoundFound
from taptest.report.rounds_figure import _onsets, _states, rounds_picture
from taptest.visit.result import OnsetReading, RoundResult, VisitResult
from tests.made_cases import heard
from tests.made_up import made_up
from tests.unit.test_onset import heard_at

NONE = Interval(0.0, 0.0, 0.0)


def with_rounds(*, same_air: bool = True, onset: bool = False) -> VisitResult:
    """A judged visit with a round at a higher pressure, and perhaps one mark at many pressures."""
    first = made_up()
    case = replace(first.case, readings=replace(first.case.readings, pressure_pa=1.8e5))
    line = heard(case.tank, "found", 0.12)
    later = RoundFound(Expected(Interval(0.13, 0.10, 0.16), NONE, NONE), None, line)
    rounds = [RoundResult("fill raised", "fill raised", same_air, case, (), (), later)]
    if onset:
        found = RoundFound(None, None, None, onset=heard_at(1.1e5))
        readings = (OnsetReading(1.4e5, 2, 0), OnsetReading(0.9e5, 2, 0))
        rounds.append(RoundResult("onset", "let down", True, case, (), (), found, mark_m=0.15, readings=readings))
    return replace(first, rounds=tuple(rounds))


@pytest.mark.long
def test_both_states_and_the_onset_are_drawn() -> None:
    result = with_rounds(onset=True)
    assert [state.name for state in _states(result)] == ["as found", "fill raised"]
    assert len(_onsets(result)) == 1
    picture = rounds_picture(result)
    assert picture is not None
    assert picture.png.startswith(b"\x89PNG")
    assert b"<svg" in picture.svg
    assert rounds_picture(result) == picture  # the same bytes each time


@pytest.mark.parametrize("result", [made_up(), with_rounds(same_air=False)], ids=["one round", "other air"])
def test_without_a_second_state_there_is_no_picture(result: VisitResult) -> None:
    assert rounds_picture(result) is None

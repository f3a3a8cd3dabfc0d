"""A handful of marks at two pressures: whether water moved past them."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.finding.judge import judge
from taptest.finding.records import Judgement, Round
from taptest.finding.still_likelihood import StillSaid, still_said
from taptest.line.records import Point
from taptest.line.still import StillEvidence, likelihood_ratio, still_evidence
from tests.made_cases import heard, made_case, made_tank
from tests.unit.test_onset import spectrum

DEPTHS = (0.1, 0.17, 0.24)


def marks(share: float, seed: int, depths: tuple[float, ...] = DEPTHS) -> list[Point]:
    """Marks of a shell with so much water, three taps each."""
    rng = np.random.default_rng(seed)
    return [Point(depth, tuple(spectrum(share, rng) for _ in range(3)), 3, 0) for depth in depths]


def test_marks_that_sound_the_same_speak_for_no_water_that_moved() -> None:
    found = still_evidence(marks(0.3, 1), marks(0.3, 2))
    assert found is not None
    assert found.marks == 3
    assert found.alike == pytest.approx(1.0, abs=0.1)
    assert found.ratio > 2.0
    said = still_said(found, "fill raised")
    assert said is not None
    assert said.key is StillSaid.SAME


def test_marks_that_changed_speak_for_water_that_moved_and_not_for_sure() -> None:
    found = still_evidence(marks(0.1, 1), marks(0.25, 2))
    assert found is not None
    assert found.alike < 0.6
    assert 0.1 < found.ratio < 0.5  # the microphone may have been moved


def test_too_few_marks_in_common_say_nothing() -> None:
    assert still_evidence(marks(0.3, 1), marks(0.3, 2, (0.1, 0.3, 0.4))) is None


def test_how_alike_two_rounds_sound_counts_for_more_the_more_alike_they_are() -> None:
    ratios = [likelihood_ratio(alike) for alike in (0.5, 0.8, 0.9, 0.95, 1.0, 1.1)]
    assert ratios == sorted(ratios)


def judged(still: StillEvidence | None) -> Judgement:
    tank = made_tank("diaphragm", "bottom")
    case = made_case(tank, pressure_pa=1.2e5)
    later = Round(replace(case.readings, pressure_pa=1.8e5), (), still=still, name="fill raised")
    return judge(case, heard(tank, "found", 0.25), rounds=[later])


def test_a_still_tank_is_likelier_full_or_shut() -> None:
    blind, same = judged(None), judged(StillEvidence(1.0, 3, likelihood_ratio(1.0)))
    other = judged(StillEvidence(0.3, 3, likelihood_ratio(0.3)))
    assert same.p_shut > 1.5 * max(blind.p_shut, 0.01)
    assert other.p_shut < 0.5 * same.p_shut
    assert any(not isinstance(each, str) and each.key is StillSaid.SAME for each in same.reasons)

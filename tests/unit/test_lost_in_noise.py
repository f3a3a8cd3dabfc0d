"""Taps that the noise swallows: said with the decibels that lack."""

import pytest

from taptest.quantities import METRIC
from taptest.sound.records import Tap
from taptest.sound.remarks import WhyNot
from taptest.visit.remarks import RoundRemark, lost_in_noise
from taptest.words.tell import tell


def tap(over_noise_db: float) -> Tap:
    return Tap(1.0, -30.0, over_noise_db, 0.5, None if over_noise_db >= 6.0 else WhyNot.TOO_WEAK)


def test_the_decibels_that_lack_are_said() -> None:
    said = lost_in_noise([[tap(2.0), tap(4.0)], [tap(3.0)], [], [tap(8.0)]])
    assert said is not None
    assert said.key is RoundRemark.LOST_IN_NOISE
    assert said.values == {"count": 3, "points": 4, "needed_db": 6.0, "heard_db": pytest.approx(3.5)}
    assert "stand about 4 dB above it" in tell(said, METRIC)


def test_where_nothing_is_heard_no_decibels_are_made_up() -> None:
    said = lost_in_noise([[], [], []])
    assert said is not None
    assert said.key is RoundRemark.NOTHING_BUT_NOISE


def test_a_tap_that_is_refused_for_another_reason_is_not_lost_in_noise() -> None:
    twice = Tap(1.0, -30.0, 20.0, 0.5, WhyNot.DOUBLE_HIT)
    assert lost_in_noise([[twice], [twice], [tap(12.0)]]) is None


def test_one_weak_point_of_many_is_not_worth_a_word() -> None:
    assert lost_in_noise([[tap(2.0)], *[[tap(20.0)]] * 11]) is None

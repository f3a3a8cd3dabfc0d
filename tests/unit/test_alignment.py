"""A walk's taps find their points although taps are missing, doubled or foreign."""

import numpy as np
import pytest

from taptest.errors import LineError
from taptest.sound.alignment import assign_taps
from taptest.sound.records import Tap
from taptest.sound.remarks import WalkRemark, WhyNot
from taptest.statements import Statement
from tests.said import keys_of


def tap(onset_s: float, why_not: WhyNot | None = None) -> Tap:
    return Tap(onset_s, -10.0, 30.0, 1.0, why_not)


def made_walk(
    seed: int, *, points: int = 20, count: int = 3, missing: float = 0.0, doubled: float = 0.0, foreign: float = 0.0
) -> tuple[list[Tap], list[int]]:
    rng = np.random.default_rng(seed)
    now, found = 0.0, []
    for p in range(points):
        for k in range(count):
            now += (0.5 * np.exp(rng.normal(0, 0.15))) if k else (1.6 * np.exp(rng.normal(0, 0.25)))
            if rng.random() < missing:
                continue
            found.append((now, p))
            if rng.random() < doubled:
                now += 0.5 * np.exp(rng.normal(0, 0.15))
                found.append((now, p))
        if rng.random() < foreign:
            found.append((now + 0.8, -1))
    found.sort()
    return [tap(t) for t, _ in found], [p for _, p in found]


@pytest.mark.parametrize("seed", range(5))
def test_a_clean_walk_is_certain(seed: int) -> None:
    taps, truth = made_walk(seed)
    got = assign_taps(taps, [3] * 20)
    assert list(got.point) == truth
    assert min(got.certainty) > 0.95
    assert not got.doubtful_points
    assert not got.notes


@pytest.mark.parametrize("lost", [0, 4, 29, 58, 59])
def test_a_missed_tap_shifts_nothing_and_is_said(lost: int) -> None:
    taps, truth = made_walk(7)
    del taps[lost], truth[lost]
    got = assign_taps(taps, [3] * 20)
    assert list(got.point) == truth
    assert Statement(WalkRemark.OTHER_COUNT, {"point": lost // 3 + 1, "count": 2, "wanted": 3}) in got.notes


def test_a_doubled_tap_shifts_nothing() -> None:
    taps, truth = made_walk(8)
    taps.insert(31, tap(taps[30].onset_s + 0.5 * (taps[31].onset_s - taps[30].onset_s)))
    truth.insert(31, truth[30])
    got = assign_taps(taps, [3] * 20)
    right = np.array(got.point) == np.array(truth)
    assert right.sum() >= 60
    assert list(got.point[:30]) == truth[:30]
    assert list(got.point[33:]) == truth[33:]


def test_noise_bursts_on_the_way_belong_to_no_point() -> None:
    taps, truth = made_walk(9)
    for at in (2, 17, 44):
        taps.append(tap(taps[at].onset_s + 0.7, WhyNot.NOISE_BURST))
        truth.append(-1)
    order = np.argsort([t.onset_s for t in taps])
    got = assign_taps([taps[i] for i in order], [3] * 20)
    assert list(got.point) == [truth[i] for i in order]


def test_weak_taps_fill_a_point_but_rustle_between_points_does_not() -> None:
    taps, truth = made_walk(10)
    taps[30] = tap(taps[30].onset_s, WhyNot.TOO_WEAK)
    got = assign_taps(taps, [3] * 20)
    assert list(got.point) == truth


def test_many_faults_at_once_stay_where_they_are() -> None:
    right = total = undoubted = 0
    for seed in range(12):
        taps, truth = made_walk(seed, missing=0.03, doubled=0.03)
        got = assign_taps(taps, [3] * 20)
        same = np.array(got.point) == np.array(truth)
        right += int(same.sum())
        total += len(truth)
        wrong = set(np.array(truth)[~same]) | set(np.array(got.point)[~same])
        undoubted += len(wrong - {-1} - set(got.doubtful_points))
    assert right / total > 0.99
    assert undoubted <= 2


def test_without_longer_pauses_a_missing_tap_is_said_to_be_doubtful() -> None:
    taps = [tap(0.5 * k) for k in range(29)]
    got = assign_taps(taps, [3] * 10)
    assert len(got.doubtful_points) >= 3
    assert WalkRemark.DOUBTFUL_POINTS in keys_of(got.notes)


def test_without_longer_pauses_but_with_the_right_number_the_count_decides() -> None:
    got = assign_taps([tap(0.5 * k) for k in range(30)], [3] * 10)
    assert list(got.point) == [k // 3 for k in range(30)]


def test_points_with_different_counts_and_with_one_tap() -> None:
    counts = [1, 3, 2, 4, 1, 3]
    now, taps, truth = 0.0, [], []
    for p, count in enumerate(counts):
        for k in range(count):
            now += 0.4 if k else 1.5
            taps.append(tap(now))
            truth.append(p)
    assert list(assign_taps(taps, counts).point) == truth
    singles = assign_taps([tap(float(k)) for k in range(8)], [1] * 8)
    assert list(singles.point) == list(range(8))


def test_too_few_taps_and_counts_below_one_are_refused() -> None:
    with pytest.raises(LineError, match="Only 4 taps were found in a walk of 20 points"):
        assign_taps([tap(float(k)) for k in range(4)], [3] * 20)
    with pytest.raises(LineError, match="at least 1"):
        assign_taps([tap(0.0)], [3, 0])
    with pytest.raises(LineError, match="at least 1"):
        assign_taps([tap(0.0)], [])

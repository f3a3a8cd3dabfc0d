"""Where to tap next, and drift of the reference point."""

import numpy as np
import pytest

from taptest.line.boundary import read_line
from taptest.line.drift import reference_drift
from taptest.line.next_point import backing_bits, next_point, taps_worthwhile
from taptest.line.points import profile_of
from taptest.line.records import BoundaryPosterior, Point
from taptest.line.remarks import LineRemark
from tests.made_lines import HEIGHT_M, made_points, made_sweep, made_tank, made_traits
from tests.said import keys_of, values_of

SWEEP = made_sweep()
CANDIDATES = np.linspace(0.01, HEIGHT_M - 0.01, 49)


def test_information_is_greatest_where_the_backing_is_most_open() -> None:
    grid = np.linspace(0.0, 0.5, 251)
    mass = np.exp(-0.5 * ((grid - 0.2) / 0.03) ** 2)
    posterior = BoundaryPosterior(grid, mass / mass.sum(), 0.0, 0.0)
    bits = backing_bits(posterior, CANDIDATES)
    assert CANDIDATES[int(np.argmax(bits))] == pytest.approx(0.2, abs=0.006)
    # a binary channel with error rate e tells at most 1 - H(e) bits (Shannon 1948)
    e = 0.14
    assert bits.max() == pytest.approx(1 + e * np.log2(e) + (1 - e) * np.log2(1 - e), abs=0.01)
    assert bits[0] < 0.01
    assert bits[-1] < 0.01


def test_a_known_boundary_leaves_nothing_to_learn() -> None:
    grid = np.linspace(0.0, 0.5, 251)
    mass = np.zeros(251)
    mass[100] = 1.0
    sure = BoundaryPosterior(grid, mass, 0.0, 0.0)
    profile = profile_of(made_points(0.2, np.random.default_rng(0)))
    assert next_point(sure, profile, CANDIDATES, [SWEEP]).information_bits < 1e-6


def test_points_already_tapped_are_not_proposed_again() -> None:
    points = made_points(0.25, np.random.default_rng(1), count=7, noise_db=4.0)
    tapped = np.array([p.depth_m for p in points])
    reading = read_line(points, made_tank(), [SWEEP])
    best = next_point(reading.posterior, profile_of(points), CANDIDATES, [SWEEP])
    assert tapped.min() < best.depth_m < tapped.max()
    assert np.abs(tapped - best.depth_m).min() > 0.01
    assert best.information_bits == pytest.approx(best.candidate_bits.max())


def test_a_proposed_point_narrows_more_than_one_far_away() -> None:
    """Far away: of the places that the proposal ranks, the one at the end of the lowest quarter.

    And more than the plain rule to fill the widest gap, here at the line's end.
    """
    gain_best: list[float] = []
    gain_far: list[float] = []
    gain_gap: list[float] = []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        level = float(rng.uniform(0.12, 0.38))
        every = made_points(level, np.random.default_rng(100 + seed), count=49, noise_db=3.5)
        tapped = every[3::8]
        before = read_line(tapped, made_tank(), [SWEEP]).posterior
        candidates = np.array([p.depth_m for p in every])
        best = next_point(before, profile_of(tapped), candidates, [SWEEP])
        order = np.argsort(best.candidate_bits)
        gap = np.abs(candidates[:, None] - candidates[3::8]).min(axis=1)
        for bag, choice in (
            (gain_best, order[-1]),
            (gain_far, order[len(order) // 4]),
            (gain_gap, int(np.argmax(gap))),
        ):
            after = read_line([*tapped, every[int(choice)]], made_tank(), [SWEEP]).posterior
            bag.append(entropy(before) - entropy(after))
    assert np.mean(gain_best) > np.mean(gain_far)
    assert np.mean(gain_best) > np.mean(gain_gap)


def entropy(posterior: BoundaryPosterior) -> float:
    """Entropy in bits over all states."""
    every = np.concatenate((posterior.mass, [posterior.p_all_air, posterior.p_all_water, posterior.p_two, 1e-300]))
    return -float((every * np.log2(every + 1e-300)).sum())


def test_taps_at_a_point_follow_the_scatter_between_them() -> None:
    """Optimum size of a subsample: ratio of the deviations times root of that of the times (Cochran 1977, 10.6).

    Scatter of 0.6 dB against the model's 2.5 dB asks for less than one tap, of 6 dB for nearly four: at most three.
    """
    steady = profile_of(made_points(0.25, np.random.default_rng(1), count=12, noise_db=0.6))
    rough = profile_of(made_points(0.25, np.random.default_rng(1), count=12, noise_db=6.0))
    assert taps_worthwhile(steady) == 1
    assert taps_worthwhile(rough) == 3


def test_drift_is_said_when_the_striker_changes_and_not_when_the_hand_is_uneven() -> None:
    rng = np.random.default_rng(2)
    shape = 6 * rng.standard_normal(15)

    def group(colour: np.ndarray, strength: float) -> Point:
        traits = tuple(
            made_traits(shape + colour + strength + 2 * rng.standard_normal() + 0.5 * rng.standard_normal(15))
            for _ in range(3)
        )
        return Point(0.05, traits, 3, 0)

    none = np.zeros(15)
    other_striker = np.linspace(6.0, -8.0, 15)
    assert reference_drift([group(none, 0), group(none, 3), group(none, -2)]) is None
    changed = reference_drift([group(none, 0), group(none, 0), group(other_striker, 0)])
    assert keys_of([changed]) == [LineRemark.REFERENCE_CHANGED]
    louder = reference_drift([group(none, 0), group(none, 14)])
    assert keys_of([louder]) == [LineRemark.REFERENCE_LOUDNESS]
    assert values_of(LineRemark.REFERENCE_LOUDNESS, [louder])["changed_db"] == pytest.approx(14, abs=2)
    assert reference_drift([group(none, 0)]) is None

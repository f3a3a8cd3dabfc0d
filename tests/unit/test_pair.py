"""The difference of two rounds on a made-up line: it finds the move of the level, whatever both rounds share."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.line.pair import PairEvidence, pair_evidence
from taptest.line.points import profile_of
from taptest.line.records import Profile
from taptest.shell.records import LevelSweep
from tests.made_lines import made_points, made_sweep


def profiles(first_m: float | None, second_m: float | None, shared_db: float = 0.0) -> tuple[Profile, Profile]:
    rng = np.random.default_rng(3)
    found = [profile_of(made_points(level, rng)) for level in (first_m, second_m)]
    shared = shared_db * np.random.default_rng(4).standard_normal(found[0].level_db.shape)
    return replace(found[0], level_db=found[0].level_db + shared), replace(
        found[1], level_db=found[1].level_db + shared
    )


def best(evidence: PairEvidence | None) -> tuple[float, float]:
    """Levels of the likeliest pair; NaN for a whole state."""
    assert evidence is not None
    row, column = np.unravel_index(int(np.argmax(evidence.log_likelihood)), evidence.log_likelihood.shape)
    places = [np.append(track.level_depth_m, [np.nan, np.nan]) for track in (evidence.first, evidence.second)]
    return float(places[0][row]), float(places[1][column])


@pytest.mark.parametrize(("first_m", "second_m"), [(0.40, 0.30), (0.35, 0.20), (0.25, 0.15)])
@pytest.mark.parametrize("shared_db", [0.0, 6.0])
def test_both_levels_are_found_though_the_rounds_share_an_error(
    first_m: float, second_m: float, shared_db: float
) -> None:
    sweep = made_sweep()
    found = best(pair_evidence(*_with(profiles(first_m, second_m, shared_db), sweep)))
    assert found == pytest.approx((first_m, second_m), abs=0.03)


def _with(
    pair: tuple[Profile, Profile], sweep: LevelSweep
) -> tuple[Profile, list[LevelSweep], Profile, list[LevelSweep]]:
    return pair[0], [sweep], pair[1], [sweep]


def test_nothing_that_moved_speaks_for_no_move() -> None:
    first, second = profiles(0.3, 0.3)
    evidence = pair_evidence(first, [made_sweep()], second, [made_sweep()])
    assert evidence is not None
    inner = evidence.log_likelihood[:-2, :-2]
    away = np.abs(np.subtract.outer(evidence.first.level_depth_m, evidence.second.level_depth_m)) > 0.08
    assert float(np.diag(inner).mean()) > float(inner[away].mean()) + 1.0


def test_a_shell_with_other_heads_has_its_levels_elsewhere() -> None:
    sweep = made_sweep()
    other = replace(sweep, level_depth_m=sweep.level_depth_m[:-2].copy(), level_db=sweep.level_db[:-2])
    other.level_depth_m[-1] = np.nan
    first, second = profiles(0.40, 0.25)
    found = pair_evidence(first, [sweep, other], second, [sweep, other])
    assert found is not None
    assert found.log_likelihood.shape == (found.first.size, found.second.size)
    assert best(found) == pytest.approx((0.40, 0.25), abs=0.03)


def test_only_marks_of_both_rounds_are_compared() -> None:
    first, second = profiles(0.40, 0.30)
    few = replace(second, depth_m=second.depth_m + np.where(np.arange(second.depth_m.size) < 3, 0.0, 0.011))
    assert pair_evidence(first, [made_sweep()], few, [made_sweep()]) is None
    assert pair_evidence(first, [], second, []) is None

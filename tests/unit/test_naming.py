"""The limits at which a line's state is named: each holds on both sides of its own number."""

import numpy as np
import pytest

from taptest.line import naming
from taptest.line.backing import NEVER_SURE, p_water_at
from taptest.line.records import BoundaryPosterior

GRID = np.linspace(0.0, 0.4, 201)


def posterior(**share: float) -> BoundaryPosterior:
    """What is left of one goes to a boundary in the middle."""
    mass = np.zeros(GRID.size)
    mass[100] = 1.0 - sum(share.values())
    air, water, inverted, two = (share.get(f"p_{name}", 0.0) for name in ("all_air", "all_water", "inverted", "two"))
    return BoundaryPosterior(GRID, mass, air, water, inverted, two)


@pytest.mark.parametrize(("state", "key"), [("all air", "p_all_air"), ("all water", "p_all_water")])
def test_a_whole_state_is_named_from_nine_tenths_on(state: str, key: str) -> None:
    """A failed tank taken for a sound one costs most, so the limit is higher than that of a boundary."""
    assert naming.state_of(posterior(**{key: 0.905}), 0.3, wide=False) == state
    assert naming.state_of(posterior(**{key: 0.895}), 0.3, wide=False) == "not found"


def test_one_boundary_is_named_from_seventeen_twentieths_on() -> None:
    assert naming.state_of(posterior(p_two=0.145), 0.3, wide=False) == "found"
    assert naming.state_of(posterior(p_two=0.155), 0.3, wide=False) == "not found"
    assert naming.state_of(posterior(p_two=0.1), 1.0, wide=False) == "not found"
    assert naming.state_of(posterior(p_two=0.1), 0.3, wide=True) == "not found"


def test_an_inverted_boundary_is_named_from_one_half_on() -> None:
    assert naming.state_of(posterior(p_inverted=0.51), 0.3, wide=False) == "found"
    assert naming.state_of(posterior(p_inverted=0.49, p_all_air=0.1), 0.3, wide=False) == "not found"


def test_no_point_is_surer_than_two_hundred_to_one() -> None:
    p = p_water_at(np.array([0.02, 0.38]), posterior(), "bottom")
    np.testing.assert_allclose(p, [0.005, 0.995])
    assert pytest.approx(0.005) == NEVER_SURE

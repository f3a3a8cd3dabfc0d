"""The contact force against Hertz's closed form and Zener's thin plates.

Sources: Hertz contact time T = 2.868 (m2 / (R E*2 v))^(1/5) (value from memory; Johnson 1985); lengths of contact
on thin plates for 20 g, 5 mm nose, 0.5 m/s: independent computation of Zener's equation (Phys. Rev. 59, 1941, 669).
"""

import numpy as np
import pytest

from taptest.simulate.strike import (
    Striker,
    contact_pulses,
    contact_stiffness,
    hertz_contact_time_s,
    plate_impedance,
)

LIGHT = Striker(0.020, 0.005)
SPEED = np.array([0.5])


def test_hertz_formula_gives_the_listed_75_microseconds() -> None:
    assert hertz_contact_time_s(LIGHT, 0.5) == pytest.approx(75e-6, rel=0.02)


def test_solved_contact_on_a_half_space_is_hertz_time() -> None:
    pulses = contact_pulses(LIGHT, SPEED, None)
    assert pulses.contact_s[0] == pytest.approx(hertz_contact_time_s(LIGHT, 0.5), rel=2e-3)


def test_half_space_returns_twice_the_momentum_and_hertz_peak_force() -> None:
    pulses = contact_pulses(LIGHT, SPEED, None)
    assert pulses.impulse_ns()[0] == pytest.approx(2 * 0.020 * 0.5, rel=1e-4)
    deepest = (
        5.0 * 0.020 * 0.5**2 / (4.0 * contact_stiffness(LIGHT))
    ) ** 0.4  # all energy stored: m v2 / 2 = 2/5 k a^(5/2)
    assert pulses.force_n.max() == pytest.approx(contact_stiffness(LIGHT) * deepest**1.5, rel=1e-4)


@pytest.mark.parametrize(("wall_mm", "microseconds"), [(3.0, 102), (2.0, 232), (1.5, 620), (1.0, 2180)])
def test_thin_walls_lengthen_the_pulse_as_listed(wall_mm: float, microseconds: float) -> None:
    pulses = contact_pulses(LIGHT, SPEED, plate_impedance(wall_mm / 1e3))
    assert pulses.contact_s[0] == pytest.approx(microseconds * 1e-6, rel=0.01)


@pytest.mark.parametrize("wall_mm", [1.5, 2.0])
def test_a_soft_wall_takes_the_striker_s_momentum_once(wall_mm: float) -> None:
    """Without rebound the wall takes m v, and the energy lost to it is the impulse's work (momentum balance)."""
    pulses = contact_pulses(LIGHT, SPEED, plate_impedance(wall_mm / 1e3))
    assert pulses.impulse_ns()[0] == pytest.approx(0.020 * 0.5, rel=0.02)

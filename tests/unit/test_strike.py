"""What the blow refuses, and that sampling loses nothing."""

import numpy as np
import pytest

from taptest.errors import PhysicsError
from taptest.shell.records import STEEL
from taptest.simulate.strike import (
    Hand,
    Striker,
    contact_pulses,
    draw_blows,
    hertz_contact_time_s,
    plate_impedance,
    pressing_s,
    sample_pulses,
    softened,
)

LIGHT = Striker(0.030, 0.006)


@pytest.mark.parametrize("rate_hz", [16000.0, 44100.0, 48000.0])
def test_sampling_keeps_the_impulse_whatever_the_rate_and_shift(rate_hz: float) -> None:
    pulses = contact_pulses(LIGHT, np.array([0.3, 0.6]), plate_impedance(0.002))
    sampled = sample_pulses(pulses, rate_hz, np.array([0.0, 0.3 / rate_hz]))
    np.testing.assert_allclose(sampled.sum(axis=1) / rate_hz, pulses.impulse_ns(), rtol=1e-9)


def test_a_later_touch_moves_the_pulse_s_centre_by_as_much() -> None:
    pulses = contact_pulses(LIGHT, np.array([0.4]), plate_impedance(0.002))
    rate_hz = 48000.0
    centre = []
    for shift in (0.0, 0.4 / rate_hz):
        force = sample_pulses(pulses, rate_hz, shift)[0]
        centre.append(np.sum(np.arange(force.size) * force) / force.sum())
    assert centre[1] - centre[0] == pytest.approx(0.4, abs=5e-3)


def test_water_behind_the_wall_stiffens_the_blow() -> None:
    dry, wet = plate_impedance(0.0015), plate_impedance(0.0015, water_kg_m3=998.0)
    assert wet > 1.1 * dry
    soft, hard = contact_pulses(LIGHT, np.array([0.4, 0.4]), np.array([dry, wet])).contact_s
    assert hard < soft


@pytest.mark.parametrize("contact_s", [0.0004, 0.0008])
def test_a_softened_nose_presses_as_long_as_asked(contact_s: float) -> None:
    """On a thin wall; and on one that hardly gives way the contact is Hertz's, 1 / 0.88 of the time above a tenth."""
    wall = plate_impedance(0.0015)
    soft = softened(LIGHT, contact_s, 0.4, wall)
    assert pressing_s(contact_pulses(soft, np.array([0.4]), wall))[0] == pytest.approx(contact_s, rel=0.05)
    firm = softened(LIGHT, contact_s, 0.4, 1e5)
    assert hertz_contact_time_s(firm, 0.4) * 0.88 == pytest.approx(contact_s, rel=0.05)
    assert firm.material.young_pa < 0.1 * STEEL.young_pa


def test_a_nose_is_never_made_harder_than_steel() -> None:
    assert softened(LIGHT, 3e-5, 0.4, 1e5).material == STEEL


@pytest.mark.parametrize(("mass", "nose"), [(0.0, 0.005), (0.02, -1.0)])
def test_impossible_strikers_are_refused(mass: float, nose: float) -> None:
    with pytest.raises(PhysicsError, match="must be above zero"):
        Striker(mass, nose)


def test_a_blow_without_speed_and_a_wall_without_thickness_are_refused() -> None:
    with pytest.raises(PhysicsError, match="speed"):
        contact_pulses(LIGHT, np.array([0.0]), None)
    with pytest.raises(PhysicsError, match="thick"):
        plate_impedance(0.0)


def test_the_hand_scatters_as_asked() -> None:
    rng = np.random.default_rng(5)
    blows = draw_blows(rng, 0.2, 2000, Hand(0.4, 0.2, 0.003, 0.1), 0.5, 0.5)
    depth = np.array([b.depth_m for b in blows])
    speed = np.array([b.speed_m_s for b in blows])
    assert np.std(depth) == pytest.approx(0.003, rel=0.08)
    assert np.std(np.log(speed)) == pytest.approx(0.2, rel=0.08)
    assert np.mean([b.again_s is not None for b in blows]) == pytest.approx(0.1, abs=0.025)
    assert np.all(np.diff([b.onset_s for b in blows]) > 0.4)

"""Radiation, reverberation and noise against closed forms.

Sources: a small pulsating ring is a monopole, p = i omega rho Q / (4 pi r); a ring of n lobes loses n more powers of ka
(both textbook acoustics); decay by 60 dB in T60 is its definition (ISO 3382-2 evaluates it from -5 to -25 dB).
"""

import numpy as np
import pytest
from scipy import special

from taptest.shell.lying import LyingModes
from taptest.shell.radiation import AIR_DENSITY, SOUND_SPEED, Place, Rings, heard_lying, heard_weights, radiation
from taptest.shell.records import WetModes
from taptest.simulate.rooms import Room, room_response, striker_click
from taptest.simulate.strike import Striker


def one_ring(radius_m: float) -> Rings:
    return Rings(np.array([0.0]), np.array([radius_m]), np.array([0.01]))


def at_distance(radius_m: float, reach_m: float) -> Place:
    return Place(reach_m - radius_m, 0.0, 0.0)


def test_a_small_pulsating_ring_radiates_like_a_monopole() -> None:
    radius, reach, frequency = 0.02, 1.0, 100.0
    heard = radiation(np.array([0]), np.array([frequency]), one_ring(radius), at_distance(radius, reach))[0, 0]
    flow = 2.0 * np.pi * radius * 0.01
    expected = 2.0 * np.pi * frequency * AIR_DENSITY * flow / (4.0 * np.pi * reach)
    assert abs(heard) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_lobed_rings_lose_n_more_powers_of_ka_than_the_pulsating_one(n: int) -> None:
    radius = 0.02
    place = at_distance(radius, 1.0)
    low, high = (np.abs(radiation(np.array([n]), np.array([f]), one_ring(radius), place))[0, 0] for f in (50.0, 100.0))
    assert high / low == pytest.approx(2.0 ** (n + 1), rel=0.02)


def test_a_wide_ring_at_high_frequency_gives_the_pressure_of_a_plane_wave_per_velocity() -> None:
    """|H_n'(x)| tends to sqrt(2 / (pi x)): all orders radiate alike far above coincidence of the lobes."""
    radius, frequency = 1.0, 8000.0
    x = 2.0 * np.pi * frequency / SOUND_SPEED * radius
    place = at_distance(radius, 5.0)
    heard = np.abs(radiation(np.array([0, 5]), np.array([frequency] * 2), one_ring(radius), place))[:, 0]
    expected = AIR_DENSITY * SOUND_SPEED / (np.pi * 5.0) * 0.01 * np.sqrt(np.pi * x / 2.0)
    np.testing.assert_allclose(heard, expected, rtol=0.01)
    assert np.abs(special.h2vp(5, x)) == pytest.approx(np.sqrt(2.0 / (np.pi * x)), rel=0.01)


def test_many_lobes_do_not_reach_the_microphone_and_are_never_nan() -> None:
    heard = radiation(np.array([2, 30, 60]), np.array([800.0] * 3), one_ring(0.15), at_distance(0.15, 0.8))[:, 0]
    assert np.isfinite(heard).all()
    assert abs(heard[1]) < 1e-6 * abs(heard[0])
    assert abs(heard[2]) == 0.0 or abs(heard[2]) < 1e-12 * abs(heard[0])


@pytest.mark.parametrize("t60_s", [0.3, 0.8])
def test_the_room_decays_by_sixty_decibels_in_t60(t60_s: float) -> None:
    rate = 16000.0
    tail = np.mean(
        [room_response(np.random.default_rng(s), Room(20.0, t60_s), 0.8, rate)[1:] ** 2 for s in range(40)], axis=0
    )
    backwards = 10.0 * np.log10(np.cumsum(tail[::-1])[::-1])
    backwards -= backwards[int(0.006 * rate)]
    start, end = (int(np.argmax(backwards < level)) for level in (-5.0, -25.0))
    assert 3.0 * (end - start) / rate == pytest.approx(t60_s, rel=0.15)


def test_echoes_and_direct_sound_are_equal_at_the_critical_distance() -> None:
    critical = 0.057 * np.sqrt(20.0 / 0.4)
    response = room_response(np.random.default_rng(1), Room(20.0, 0.4), critical, 48000.0)
    assert response[0] == 1.0
    assert np.sum(response[1:] ** 2) == pytest.approx(1.0, rel=1e-9)


def test_a_lying_mode_of_one_harmonic_is_heard_like_a_standing_one() -> None:
    """The same shape on the same cylinder: rings summed directly against the interpolated table."""
    radius, length, n, place = 0.15, 0.6, 2, Place(0.7, 0.3, 0.25)
    poles = -20.0 + 2j * np.pi * np.array([500.0, 900.0, 2300.0])
    amplitude = np.zeros((3, 4), dtype=complex)
    amplitude[:, n] = [1.0, 0.5 + 0.2j, 2.0]
    lying = LyingModes(1, "even", poles, amplitude)
    along = (np.arange(24) + 0.5) * length / 24
    rings = Rings(along, np.full(24, radius), np.full(24, length / 24))
    shape = amplitude[:, n][:, None] * np.sin(np.pi * along / length)
    standing = WetModes(poles, np.full(3, n), shape, along)
    direct = heard_weights(standing, slice(None), rings, place) * np.cos(n * place.angle_rad)
    np.testing.assert_allclose(heard_lying(lying, radius, length, place), direct, rtol=0.02)


def test_the_click_s_integral_vanishes_as_a_dipole_s_must() -> None:
    rate = 48000.0
    force = np.hanning(20) * 50.0
    force = np.concatenate([force, np.zeros(5)])
    click = striker_click(Striker(0.03, 0.006), force, rate, 0.7)
    assert abs(click.sum()) < 1e-12 * np.abs(click).sum()

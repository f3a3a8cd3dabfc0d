"""Simulated recordings keep what they promise: the seed, the noise ratio, the onsets, the physics that was switched."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy import signal

from taptest.shell.records import STEEL, Zone
from taptest.simulate import visits as simulate
from taptest.simulate.scene import draw_scene
from taptest.simulate.strike import contact_pulses, plate_impedance, pressing_s
from taptest.simulate.visits import (
    SOFT_CONTACT_S,
    WINDOW_S,
    SimulatedVisit,
    _audible,
    draw_session,
    heard_band,
    play,
    ring_sum,
    simulate_visit,
)

SMALL = 106
"""Seed of a small tank: the physics is the same and the model is quick."""


@pytest.fixture(autouse=True)
def _low_modes_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the modes above 3 kHz out: nothing here depends on them, and the model is quick without."""
    monkeypatch.setattr(simulate, "MAX_HZ", 3000.0)


@lru_cache(maxsize=8)
def visit(tap_to_noise_db: float = 30.0, moving: bool = False) -> SimulatedVisit:
    scene = draw_scene(SMALL, "easy", ())
    session = replace(draw_session(scene), tap_to_noise_db=tap_to_noise_db, moving=moving, rate_hz=16000.0)
    return play(scene, session)


@pytest.mark.long
def test_the_same_seed_gives_the_same_samples() -> None:
    scene = draw_scene(SMALL, "easy", ())
    assert simulate_visit(SMALL, "easy", ()).scene == scene
    session = replace(draw_session(scene), tap_to_noise_db=30.0, rate_hz=16000.0)
    again = play(scene, session)
    for one, other in zip(visit().points, again.points, strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
        assert one.onsets_s == other.onsets_s


@pytest.mark.parametrize("asked_db", [12.0, 30.0])
def test_the_tap_to_noise_ratio_is_the_one_asked_for(asked_db: float) -> None:
    """Energy of the ring window above the noise's, in the band that is heard, measured on the finished recordings."""
    made = visit(asked_db)
    band, window = heard_band(made.rate_hz), int(WINDOW_S * made.rate_hz)
    taps, quiet = [], []
    for point in made.points:
        heard = signal.sosfilt(band, point.samples)
        taps += [np.sum(heard[int(t * made.rate_hz) :][:window] ** 2) for t in point.onsets_s]
        quiet.append(np.mean(heard[int(0.02 * made.rate_hz) : int((point.onsets_s[0] - 0.02) * made.rate_hz)] ** 2))
    noise = float(np.mean(quiet)) * window
    measured = 10.0 * np.log10(np.median(taps) / noise - 1.0)
    assert measured == pytest.approx(asked_db, abs=2.5)


def test_every_tap_begins_at_its_onset_and_not_before() -> None:
    made = visit(60.0)
    for point in made.points:
        for onset in point.onsets_s:
            start = round(onset * made.rate_hz)
            before = np.abs(point.samples[start - 160 : start - 2]).max()
            after = np.abs(point.samples[start : start + 160]).max()
            assert after > 5.0 * before


def test_recordings_are_sixteen_bit_and_within_full_scale() -> None:
    for point in visit().points:
        assert point.samples.dtype == np.float32
        assert np.abs(point.samples).max() < 1.0
        steps = point.samples.astype(np.float64) * 32768.0
        np.testing.assert_array_equal(steps, np.round(steps))


def test_a_moving_microphone_is_said_and_changes_the_sound() -> None:
    fixed, moved = visit(), visit(moving=True)
    assert fixed.tables["line"]["microphone"] == "fixed"
    assert moved.tables["line"]["microphone"] == "moving"
    assert fixed.points[0].onsets_s == moved.points[0].onsets_s
    assert not np.array_equal(fixed.points[0].samples, moved.points[0].samples)


def test_soft_noses_press_as_long_as_they_should() -> None:
    """From 0.3 to 0.8 ms on the dry wall; without the switch the nose is steel."""
    for seed in range(6):
        soft, hard = (draw_session(draw_scene(seed, "field", each)) for each in (("soft-blows",), ()))
        wall = plate_impedance(draw_scene(seed, "field", ("soft-blows",)).spec.wall_m)
        pressed = pressing_s(contact_pulses(soft.striker, np.array([0.4]), wall))[0]
        assert 0.9 * SOFT_CONTACT_S[0] < pressed < 1.1 * SOFT_CONTACT_S[1]
        assert hard.striker.material == STEEL
        assert hard.striker.mass_kg == soft.striker.mass_kg


@pytest.mark.long
def test_a_ring_of_water_sounds_unlike_a_level_and_a_strap_unlike_none() -> None:
    scene = draw_scene(5, "easy", (), forms=("ring",))
    depth = np.array(scene.positions_m)
    level = replace(scene.wetted, zones=(Zone(0.0, scene.wetted.zones[0].bottom_m),))
    strapped = replace(scene, spec=replace(scene.spec, strap_depth_m=0.2, strap_kg_m2=4.0, strap_loss=0.2))
    heard = [_audible(each, depth).modes.pole_1_s for each in (scene, replace(scene, wetted=level), strapped)]
    own, of_level, of_strap = (np.sort_complex(poles.imag + 1j * -poles.real) for poles in heard)
    first = slice(0, 12)
    assert np.mean(of_level.real[first]) < 0.97 * np.mean(own.real[first]), "a thin ring carries less water"
    assert np.mean(of_strap.imag[:40]) > 1.1 * np.mean(own.imag[:40]), "a strap takes energy out"
    assert np.mean(of_strap.real[first]) < np.mean(own.real[first]), "and adds mass"


def test_ring_sum_is_the_sum_of_damped_cosines() -> None:
    """Against the plain sum written out."""
    rng = np.random.default_rng(6)
    poles = -rng.uniform(5.0, 200.0, 12) + 2j * np.pi * rng.uniform(200.0, 6000.0, 12)
    weights = rng.standard_normal((3, 12)) + 1j * rng.standard_normal((3, 12))
    time = np.arange(3000) / 48000.0
    plain = np.real(weights @ np.exp(poles[:, None] * time))
    np.testing.assert_allclose(ring_sum(poles, weights, 3000, 48000.0), plain, atol=3e-4 * np.abs(plain).max())

"""Signs of trouble in the sound: each is made by simulation, and its absence, too."""

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from taptest.capture.remarks import RoundWarning
from taptest.capture.signs import Signs
from taptest.simulate.rooms import automatic_gain as laptop_gain
from taptest.statements import Key, Statement
from tests.real_data import real_data
from tests.said import keys_of
from tests.tapping import RATE_HZ, Hand

FloatArray = NDArray[np.float64]


def heard(sound: FloatArray, onsets_s: list[float]) -> list[Key]:
    signs = Signs(RATE_HZ)
    said: list[Statement] = []
    waiting = list(onsets_s)
    for start in range(0, len(sound), 1024):
        said += signs.feed(sound[start : start + 1024])
        while waiting and waiting[0] + 0.25 < start / RATE_HZ:
            signs.tap(waiting.pop(0))
    return keys_of(said)


def automatic_gain(sound: FloatArray, target: float = 0.05, release_s: float = 3.0) -> FloatArray:
    """A plain automatic gain: down at once when it is loud, up slowly when it is not."""
    gain, out = 1.0, np.empty_like(sound)
    frame = 480
    for start in range(0, len(sound), frame):
        piece = sound[start : start + frame]
        loud = float(np.abs(piece).max())
        gain = min(gain * 10 ** (frame / RATE_HZ / release_s), 1.0, target / max(loud, 1e-9))
        out[start : start + frame] = gain * piece
    return out


def noise_gate(sound: FloatArray, onsets_s: list[float]) -> FloatArray:
    """A noise suppressor that shuts 120 ms after each tap and opens again a second later."""
    out = sound.copy()
    for onset in onsets_s:
        out[round((onset + 0.12) * RATE_HZ) : round((onset + 1.1) * RATE_HZ)] *= 0.02
    return out


def slow_tapping(noise: float) -> Hand:
    return Hand(noise=noise).quiet(3.0).taps(6, then_s=2.0)


@pytest.mark.parametrize("noise", [1e-4, 1e-3, 5e-3])
def test_honest_sound_raises_no_suspicion(noise: float) -> None:
    hand = slow_tapping(noise)
    assert heard(hand.sound(), hand.onsets_s) == []


@pytest.mark.parametrize("cadence_s", [0.4, 0.8, 1.3])
def test_quick_tapping_raises_no_suspicion(cadence_s: float) -> None:
    hand = Hand(noise=1e-4).quiet(3.0).taps(12, then_s=cadence_s).quiet(2.0)
    assert heard(hand.sound(), hand.onsets_s) == []


def test_automatic_gain_is_noticed() -> None:
    hand = slow_tapping(1e-3)
    [said] = heard(automatic_gain(hand.sound()), hand.onsets_s)
    assert said is RoundWarning.PROCESSED


@pytest.mark.parametrize("noise", [1e-4, 1e-3, 3e-3])
def test_the_automatic_gain_of_the_simulator_is_noticed(noise: float) -> None:
    """Written for another purpose, by what is common in laptops: down in about 10 ms, up in about 600 ms."""
    hand = slow_tapping(noise)
    [said] = heard(laptop_gain(hand.sound(), RATE_HZ), hand.onsets_s)
    assert said is RoundWarning.PROCESSED


@pytest.mark.parametrize("cadence_s", [0.7, 0.8, 1.1])
@pytest.mark.parametrize("noise", [1e-4, 1e-3])
def test_automatic_gain_is_noticed_without_any_pause(noise: float, cadence_s: float) -> None:
    hand = Hand(noise=noise).quiet(3.3).taps(10, then_s=cadence_s).quiet(0.5)
    [said] = heard(laptop_gain(hand.sound(), RATE_HZ), hand.onsets_s)
    assert said is RoundWarning.PROCESSED


@pytest.mark.slow
@pytest.mark.parametrize("cadence_s", [0.7, 1.1])
def test_the_noise_of_real_places_is_not_taken_for_automatic_gain(cadence_s: float) -> None:
    """Rain, clocks, crackling, machines, running water, by others; unsteady noise must not pass for a moving gain."""
    checked = 0
    for path in sorted(real_data("site_noise").glob("*.ogg")) + sorted(real_data("household_noise").glob("*.wav")):
        sound, rate_hz = soundfile.read(path, always_2d=True)
        if len(sound) < 4 * rate_hz or not sound.any():
            continue
        noise = np.interp(np.arange(16 * RATE_HZ) * rate_hz / RATE_HZ % len(sound), np.arange(len(sound)), sound[:, 0])
        hand = Hand(noise=1e-6).quiet(3.3).taps(10, then_s=cadence_s)
        mixed = hand.sound()
        mixed += 1e-3 * (noise / np.sqrt(np.mean(noise**2)))[: len(mixed)]
        assert not [said for said in heard(mixed, hand.onsets_s) if said is RoundWarning.PROCESSED], path.name
        checked += 1
    assert checked > 50


def test_noise_suppression_is_noticed() -> None:
    hand = slow_tapping(1e-3)
    [said] = heard(noise_gate(hand.sound(), hand.onsets_s), hand.onsets_s)
    assert said is RoundWarning.PROCESSED


def test_a_muted_input_is_noticed_once_and_again_after_it_was_open() -> None:
    hush, noise = np.zeros(3 * RATE_HZ), Hand().quiet(2.0).sound()
    said = heard(np.concatenate((hush, noise, hush)), [])
    assert said == [RoundWarning.MUTED, RoundWarning.HEARD_AGAIN, RoundWarning.MUTED]


def test_a_quiet_converter_is_not_muted() -> None:
    # One step of 16 bits now and then: the quietest that an open 16-bit input delivers.
    rng = np.random.default_rng(1)
    assert heard(np.rint(rng.normal(0, 0.4, 5 * RATE_HZ)) / 2**15, []) == []


def test_lasting_overload_is_noticed_and_a_loud_tap_is_not() -> None:
    rng = np.random.default_rng(1)
    assert heard(np.sign(rng.normal(size=3 * RATE_HZ)), []) == [RoundWarning.OVERLOADED]
    assert heard(Hand().quiet(1.0).clipped().quiet(1.0).sound(), []) == []

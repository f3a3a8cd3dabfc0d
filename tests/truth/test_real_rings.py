"""Decay and modes of real rings: cymbals, a bell, a ruler. Sources: the collection's README."""

import numpy as np
import pytest
from scipy import io as sio

from taptest.sound.modes import find_modes
from taptest.sound.recording import open_recording
from taptest.sound.records import Mode
from taptest.sound.traits import decay_time_s
from tests.real_data import real_data


def struck(name: str) -> tuple[np.ndarray, int]:
    """Samples from the onset on: where a third of the peak is first reached."""
    recording = open_recording(real_data("cymbals", f"{name}.wav"))
    samples = recording.read().astype(float)
    onset = int(np.argmax(np.abs(samples) > 0.3 * np.abs(samples).max()))
    return samples[onset:], recording.rate_hz


@pytest.mark.parametrize(("kind", "least_s", "most_s"), [("crash", 3.5, 7.0), ("ride_a", 3.0, 7.5)])
def test_ringing_and_choked_cymbals_are_told_apart_by_their_decay(kind: str, least_s: float, most_s: float) -> None:
    # README: crash T60 4.2 to 6.1 s ringing, 0.93 s choked; ride 4.5 to 7.1 s, 1.0 s choked.
    ringing = [decay_time_s(*struck(f"{kind}-{k}")) for k in (1, 3, 5)]
    choked = decay_time_s(*struck(f"{kind}-choked"))
    assert min(ringing) > least_s
    assert max(ringing) < most_s
    assert choked < 1.2
    assert min(ringing) > 3 * choked


def bell(strength: int) -> tuple[Mode, ...]:
    samples, rate_hz = struck(f"ride_a_bell-{strength}")
    start = int(0.1 * rate_hz)
    return find_modes(samples[start : start + int(0.4 * rate_hz)], rate_hz, low_hz=1000.0, high_hz=4500.0)


def test_a_bell_has_the_same_modes_at_every_strength() -> None:
    found = [np.array([mode.frequency_hz for mode in bell(k)]) for k in range(1, 6)]
    shared = [f for f in found[4] if all(np.abs(other - f).min() < 2.0 for other in found)]
    # Outside reference: the highest lines of a plain windowed transform of the middle strike.
    samples, rate_hz = struck("ride_a_bell-3")
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    frequency = np.fft.rfftfreq(samples.size, 1 / rate_hz)
    strongest = frequency[np.argmax(spectrum)]
    assert strongest == pytest.approx(1573.9, abs=1.0)
    assert len(shared) >= 4
    assert min(abs(f - strongest) for f in shared) < 1.0


def test_modes_of_a_ruler_are_those_of_its_measured_transfer_functions() -> None:
    # README: about 109, 212, 353 Hz; acceleration over force at ten points, 20 kHz.
    transfer = sio.loadmat(real_data("ruler_grid", "ruler_grid_acc_3.mat"))["yspec"]
    assert transfer.shape == (16385, 10)
    found = []
    for point in np.nan_to_num(transfer.T):
        response = np.fft.irfft(point)
        rate_hz = 20_000.0
        ring = response[int(0.002 * rate_hz) : int(0.8 * rate_hz)]
        found.append([mode.frequency_hz for mode in find_modes(ring, rate_hz, low_hz=80.0, high_hz=420.0)])
    for wanted in (109.0, 212.0, 353.0):
        hits = sum(any(abs(f - wanted) < 0.02 * wanted for f in modes) for modes in found)
        assert hits >= len(found) // 2, (wanted, found)

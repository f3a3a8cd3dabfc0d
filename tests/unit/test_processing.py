"""What was done to a recording is said, and nothing of one that was left alone."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, istft, sosfilt, stft

from taptest.simulate.rooms import automatic_gain
from taptest.sound.processing import processing_signs, traces_of
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.remarks import Processing
from taptest.sound.taps import detect_taps
from taptest.statements import Key
from tests.made_taps import walk
from tests.said import keys_of

RATE = 48_000


def signs(folder: Path, sound: np.ndarray) -> list[Key]:
    write_recording(folder / "walk.wav", sound, RATE)
    recording = open_recording(folder / "walk.wav")
    return keys_of(processing_signs([traces_of(recording, detect_taps(recording.blocks(), RATE))]))


@pytest.fixture(params=[1, 2])
def sound(request: pytest.FixtureRequest) -> np.ndarray:
    made, _ = walk(RATE, np.random.default_rng(request.param), taps=12, every_s=1.0, tap_to_noise_db=28)
    return made.astype(float)


def test_honest_sound_is_not_suspected(sound: np.ndarray, tmp_path: Path) -> None:
    assert signs(tmp_path, sound) == []


def test_automatic_gain_is_said(sound: np.ndarray, tmp_path: Path) -> None:
    assert Processing.GAIN in signs(tmp_path, automatic_gain(sound, RATE))


@pytest.mark.parametrize("left", [0.0, 0.1])
def test_a_gate_is_said(left: float, sound: np.ndarray, tmp_path: Path) -> None:
    frames = sound[: sound.size // 240 * 240].reshape(-1, 240)
    loud = np.abs(frames).max(axis=1) > 0.08
    held = np.convolve(loud, np.ones(20))[: loud.size] > 0
    assert Processing.GATE in signs(tmp_path, (frames * np.where(held, 1, left)[:, None]).ravel())


def test_noise_suppression_is_said(sound: np.ndarray, tmp_path: Path) -> None:
    """Spectral subtraction (Boll, IEEE Trans. Acoust. Speech Signal Process. 27, 1979, 113)."""
    _, _, spectrum = stft(sound, RATE, nperseg=1024)
    power = np.abs(spectrum) ** 2
    noise = 1.8 * np.quantile(power, 0.3, axis=1, keepdims=True)
    gain = np.sqrt(np.maximum(1 - 2 * noise / np.maximum(power, 1e-20), 0.01))
    assert Processing.SUPPRESSED in signs(tmp_path, istft(spectrum * gain, RATE, nperseg=1024)[1])


def test_a_telephone_is_said(sound: np.ndarray, tmp_path: Path) -> None:
    """300 to 3400 Hz is the telephone's band (ITU-T G.712)."""
    narrow = sosfilt(butter(8, [300, 3400], "bandpass", fs=RATE, output="sos"), sound)
    assert Processing.NARROW in signs(tmp_path, narrow)


def test_no_recording_shows_no_sign() -> None:
    assert processing_signs([]) == ()

"""Taps that hardly stand out from noise: F of what is used, beside a plain detector and librosa's.

Run: python -m tests.bench.low_signal

Finger taps of ../shared/real (30 a recording, their onsets taken from the quiet recording) are mixed with rain, running
water and an exercise bike so that the root mean square of the 60 ms after the median tap lies so many decibels over
that of the noise. The number of taps is told, as on a visit. A hit is matched within 30 ms. The others are run at each
of a dozen settings and shown at the best.
"""

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import butter, find_peaks, sosfilt

from taptest.sound.hearing import hear
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.taps import detect_taps
from tests.bench.foreign_sounds import RATE, REAL, FloatArray, load

TRAINS = ("Knuckle", "Nail_tap", "Nail_tip_tap", "Pad")
PLACES = {
    "rain": "site_noise/002_1-17367-A.ogg",
    "water": "household_noise/running_tap.wav",
    "bike": "household_noise/exercise_bike.wav",
}
OVER_DB = (12, 9, 6, 3, 0)


def ours(sound: FloatArray, taps: int) -> FloatArray:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        write_recording(path, sound, RATE)
        (heard,) = hear([("a", open_recording(path))], taps)
    return np.array([tap.onset_s for tap in heard.taps if tap.used])


def plain(sound: FloatArray, least: float) -> FloatArray:
    """Onsets by the envelope of the sound above 500 Hz: peaks so far over its median, 0.3 s apart."""
    frame = round(0.005 * RATE)
    high = sosfilt(butter(4, 500, "highpass", fs=RATE, output="sos"), sound)
    envelope = np.sqrt((high[: high.size // frame * frame].reshape(-1, frame) ** 2).mean(axis=1))
    peaks, _ = find_peaks(envelope, height=least * np.median(envelope), distance=60)
    return np.asarray(peaks * frame / RATE)


def librosa_onsets(sound: FloatArray) -> list[FloatArray]:
    """Onsets by librosa's detector at a dozen thresholds, at least 0.25 s apart."""
    import librosa

    onset: Any = librosa.onset
    strength = onset.onset_strength(y=sound.astype(np.float32), sr=RATE)
    thresholds = [float(delta) for delta in np.geomspace(0.01, 0.6, 12)]
    return [
        np.asarray(onset.onset_detect(onset_envelope=strength, sr=RATE, units="time", delta=delta, wait=25))
        for delta in thresholds
    ]


def f_score(found_s: FloatArray, true_s: FloatArray, near_s: float = 0.03) -> float:
    near = np.abs(found_s[:, None] - true_s[None, :]) < near_s if found_s.size else np.zeros((0, true_s.size), bool)
    return 2 * int(near.any(axis=0).sum()) / max(found_s.size + true_s.size, 1)


def best(tries: Sequence[FloatArray], true_s: FloatArray) -> float:
    return max(f_score(found_s, true_s) for found_s in tries)


def main() -> None:
    trains = [load(REAL / "tap_trains" / f"{name}.flac") for name in TRAINS]
    for place, file in PLACES.items():
        for over_db in OVER_DB:
            scores = []
            for clean in trains:
                taps = detect_taps([clean.astype(np.float32)], RATE).taps
                true_s = np.array([tap.onset_s for tap in taps if tap.used])
                loud = np.median([np.sqrt(np.mean(clean[round(t * RATE) :][:2880] ** 2)) for t in true_s])
                noise = np.resize(load(REAL / file), clean.size)
                sound = clean + noise * loud * 10 ** (-over_db / 20) / np.sqrt(np.mean(noise**2))
                sound *= 0.5 / np.abs(sound).max()
                plains = [plain(sound, least) for least in np.geomspace(1.5, 30, 16)]
                each = (ours(sound, true_s.size), true_s), best(plains, true_s), best(librosa_onsets(sound), true_s)
                scores.append((f_score(*each[0]), *each[1:]))
            mean = np.mean(scores, axis=0)
            print(
                f"{place:6s} {over_db:3d} dB: F of used taps {mean[0]:.2f}, plain {mean[1]:.2f}, librosa {mean[2]:.2f}"
            )


if __name__ == "__main__":
    main()

"""Taps in real recordings: counts as labelled, few false ones in noise, found under noise.

Sources: the collection's README names each recording's author and licence. The label times were made by a script; their
counts are sure.
"""

from pathlib import Path

import numpy as np
import pytest

from taptest.sound.recording import open_recording
from taptest.sound.records import TapTrain
from taptest.sound.taps import detect_taps
from tests.real_data import real_data

TRAINS = [f"{kind}{part}" for kind in ("Knuckle", "Nail_tap", "Nail_tip_tap", "Pad") for part in ("", "-test")]


def hear(path: Path) -> TapTrain:
    recording = open_recording(path)
    return detect_taps(recording.blocks(), recording.rate_hz)


def strikes_s(train: TapTrain) -> np.ndarray:
    return np.array([tap.onset_s for tap in train.taps if tap.why_not not in ("noise burst", "too weak")])


@pytest.mark.parametrize("name", TRAINS)
def test_finger_taps_are_counted_right_and_lie_where_the_labels_are(name: str) -> None:
    train = hear(real_data("tap_trains", f"{name}.flac"))
    lines = real_data("tap_trains", f"{name}.txt").read_text(encoding="utf-8").splitlines()
    labels_s = np.array([float(line.split()[0]) for line in lines])
    found_s = strikes_s(train)
    assert found_s.size == labels_s.size == (15 if name.endswith("-test") else 30)
    offset_s = found_s - labels_s
    assert np.abs(offset_s).max() < 0.05
    # The labels all begin the same time before the tap; what is left is the detector's and the script's scatter.
    # Finger pads land softly.
    assert np.abs(offset_s - np.median(offset_s)).max() < (0.004 if name.startswith("Pad") else 0.002)


@pytest.mark.parametrize(("kind", "most_a_minute"), [("002", 4.0), ("007", 1.0), ("008", 4.0), ("household", 1.0)])
def test_rain_machines_and_running_water_hold_few_false_taps(kind: str, most_a_minute: float) -> None:
    if kind == "household":
        paths = [real_data("household_noise", f"{name}.wav") for name in ("running_tap", "exercise_bike")]
    else:
        paths = sorted(real_data("site_noise").glob(f"{kind}_*.ogg"))
    trains = [hear(path) for path in paths]
    false = sum(strikes_s(train).size for train in trains)
    minutes = sum(train.duration_s for train in trains) / 60
    assert false / minutes <= most_a_minute, f"{false} in {minutes:.1f} min"


def castanet(rate_hz: int) -> np.ndarray:
    """(N,) the first hit of the dry castanets, 0.25 s from its onset."""
    recording = open_recording(real_data("room_response", "castanets_dry.wav"))
    samples = recording.read()
    train = detect_taps([samples], recording.rate_hz)
    first = round(train.taps[0].onset_s * recording.rate_hz)
    hit = samples[first - 20 : first + recording.rate_hz // 4].astype(float)
    hit *= np.linspace(1, 0, hit.size)
    wanted = np.arange(int(hit.size * rate_hz / recording.rate_hz)) * recording.rate_hz / rate_hz
    return np.asarray(np.interp(wanted, np.arange(hit.size), hit / np.abs(hit).max()))


@pytest.mark.parametrize(
    "noise", ["household_noise/running_tap.wav", "household_noise/exercise_bike.wav", "site_noise/007_1-172649-A.ogg"]
)
def test_castanet_hits_are_found_under_real_noise(noise: str) -> None:
    recording = open_recording(real_data(*noise.split("/")))
    sound = np.tile(recording.read().astype(float), 12)[: 40 * recording.rate_hz]
    rate_hz = recording.rate_hz
    hit = castanet(rate_hz)
    rms = np.sqrt(np.mean(sound**2))
    level = rms * 10 ** (20 / 20) / np.sqrt(np.mean(hit[: int(0.06 * rate_hz)] ** 2))
    onsets_s = 1.0 + 1.3 * np.arange(28)
    for onset in onsets_s:
        start = round(onset * rate_hz)
        sound[start : start + hit.size] += level * hit
    sound *= 0.5 / np.abs(sound).max()
    found_s = strikes_s(detect_taps([sound], rate_hz))
    missed = [onset for onset in onsets_s if np.abs(found_s - onset).min() > 0.005]
    assert not missed
    assert found_s.size <= onsets_s.size + 1


def test_cymbals_and_bells_are_used_hit_by_hit() -> None:
    """One hit each after a second of quiet: long rings that swell are no noise."""
    used: list[bool] = []
    for path in sorted(real_data("cymbals").glob("*.wav")):
        recording = open_recording(path)
        hit = recording.read().astype(float)[: 2 * recording.rate_hz]
        sound = 1e-4 * np.random.default_rng(len(used)).normal(size=hit.size + recording.rate_hz)
        sound[recording.rate_hz :] += 0.3 * hit / np.abs(hit).max()
        used.append(any(tap.used for tap in detect_taps([sound], recording.rate_hz).taps if tap.onset_s < 1.1))
    assert len(used) == 22
    assert sum(used) >= 0.95 * len(used)

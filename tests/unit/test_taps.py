"""Tap detection on made taps: times, and one case for every reason not to use a tap."""

from itertools import product

import numpy as np
import pytest

from taptest.errors import RecordingError
from taptest.sound.records import Tap, TapTrain
from taptest.sound.taps import OVERLAP_S, TapDetector, detect_taps, octave_energies, quiet_starts
from tests.made_taps import plant_noise, ring, walk
from tests.samples import every

RATE = 48_000


def scene(seed: int = 3, seconds: float = 6.0, noise: float = 1e-3) -> tuple[np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(seed)
    return plant_noise(int(seconds * RATE), RATE, rng) * noise, rng


def put(sound: np.ndarray, wave: np.ndarray, at_s: float, level: float = 0.3) -> None:
    start = round(at_s * RATE)
    part = wave[: sound.size - start]
    sound[start : start + part.size] += level * part


def hear(sound: np.ndarray) -> TapTrain:
    return detect_taps([sound.astype(np.float32)], RATE)


def only(train: TapTrain) -> Tap:
    assert len(train.taps) == 1, train.taps
    return train.taps[0]


@pytest.mark.parametrize(
    ("tap_to_noise_db", "rate_hz"), every(2, product([40, 20, 12], [8_000, 16_000, 44_100, 48_000, 96_000]))
)
def test_all_taps_are_found_within_two_milliseconds_and_nothing_else(tap_to_noise_db: float, rate_hz: int) -> None:
    sound, onsets_s = walk(rate_hz, np.random.default_rng(1), taps=20, tap_to_noise_db=tap_to_noise_db)
    train = detect_taps([sound], rate_hz)
    strikes = [tap for tap in train.taps if tap.why_not not in ("noise burst", "too weak")]
    assert abs(len(strikes) - 20) <= (0 if tap_to_noise_db > 12 else 1)
    found_s = np.array([tap.onset_s for tap in train.taps])
    error_s = np.array([np.abs(found_s - onset).min() for onset in onsets_s])
    assert np.quantile(error_s, 0.95) < 0.002


def test_a_clean_tap_is_used_and_measured() -> None:
    sound, rng = scene()
    put(sound, ring(RATE, rng), 2.0)
    train = hear(sound)
    tap = only(train)
    assert tap.used
    assert tap.onset_s == pytest.approx(2.0, abs=0.001)
    assert tap.peak_db == pytest.approx(20 * np.log10(0.3), abs=0.5)
    assert tap.free_s == pytest.approx(4.0, abs=0.001)
    assert train.duration_s == 6.0


@pytest.mark.parametrize("at_s", [0.05, 0.1, 0.15])
def test_a_tap_right_after_the_start_is_found(at_s: float) -> None:
    sound, rng = scene()
    put(sound, ring(RATE, rng, loss=0.004), at_s)
    tap = only(hear(sound))
    assert tap.used
    assert tap.onset_s == pytest.approx(at_s, abs=0.001)


@pytest.mark.parametrize("loss", [0.001, 0.004, 0.02])
@pytest.mark.parametrize("blocks", [1, 50])
def test_a_recording_that_begins_with_its_tap_is_heard(loss: float, blocks: int) -> None:
    sound, rng = scene(seconds=3.0)
    put(sound, ring(RATE, rng, loss=loss, seconds=2.0), 0.0)
    train = detect_taps(np.array_split(sound.astype(np.float32), blocks), RATE)
    tap = only(train)
    assert tap.used
    assert tap.onset_s < 0.001
    assert train.duration_s == pytest.approx(3.0)


def test_a_recording_that_begins_with_noise_begins_with_no_tap() -> None:
    rng = np.random.default_rng(2)
    assert not hear(0.05 * rng.normal(size=3 * RATE)).taps


def test_the_noise_floor_is_that_of_the_tap_band() -> None:
    rng = np.random.default_rng(0)
    white = (0.01 * rng.normal(size=10 * RATE)).astype(np.float32)
    train = detect_taps([white], RATE)
    share = (12_000 - 375) / 24_000  # octaves from 375 Hz to 12 kHz of white noise up to 24 kHz
    assert train.noise_db == pytest.approx(-40 + 10 * np.log10(share), abs=0.5)
    assert not [tap for tap in train.taps if tap.used]


@pytest.mark.parametrize("level", [0.3, 0.03])
def test_tap_to_noise_follows_the_noise(level: float) -> None:
    ratios = []
    for noise in (1e-4, 1e-3):
        sound, rng = scene(noise=noise)
        put(sound, ring(RATE, rng), 2.0, level)
        ratios.append(only(hear(sound)).tap_to_noise_db)
    assert ratios[0] - ratios[1] == pytest.approx(20.0, abs=1.0)


@pytest.mark.parametrize("after_s", [0.012, 0.03, 0.06, 0.078])
def test_a_bounce_makes_a_double_hit_of_one_tap(after_s: float) -> None:
    sound, rng = scene()
    wave = ring(RATE, rng, loss=0.02)
    put(sound, wave, 2.0)
    put(sound, wave, 2.0 + after_s, 0.2)
    assert only(hear(sound)).why_not == "double hit"


@pytest.mark.parametrize("seed", range(8))
def test_early_echoes_and_a_weak_late_one_make_no_double_hit(seed: int) -> None:
    # Floor and walls half a metre to two metres away send back a third within 12 ms; 20 ms are 7 m of way.
    sound, rng = scene(seed)
    wave = ring(RATE, rng, loss=0.02)
    put(sound, wave, 2.0)
    for after_s, share in ((rng.uniform(0.001, 0.005), 0.35), (rng.uniform(0.006, 0.011), 0.35), (0.02, 0.14)):
        put(sound, wave, 2.0 + after_s, 0.3 * share * rng.choice([-1, 1]))
    assert only(hear(sound)).used


def test_a_clipped_tap_is_said_so_at_full_scale_and_below() -> None:
    for limit in (1.0, 0.6):
        sound, rng = scene()
        put(sound, ring(RATE, rng), 2.0, 2.5 * limit)
        assert only(hear(np.clip(sound, -limit, limit))).why_not == "clipped"


def test_a_faint_tap_is_too_weak() -> None:
    sound, rng = scene(noise=0.01)
    put(sound, ring(RATE, rng), 2.0, 0.055)
    assert only(hear(sound)).why_not == "too weak"


def test_handling_noise_far_below_the_taps_is_too_weak() -> None:
    sound, rng = scene(seconds=12.0, noise=1e-4)
    wave = ring(RATE, rng)
    for k in range(8):
        put(sound, wave, 1.0 + k)
    put(sound, wave, 9.5, 0.3 * 10 ** (-30 / 20))
    train = hear(sound)
    assert [tap.why_not for tap in train.taps] == [None] * 8 + ["too weak"]


def test_a_tap_at_the_end_is_cut_off() -> None:
    sound, rng = scene()
    put(sound, ring(RATE, rng), 5.97)
    assert only(hear(sound)).why_not == "cut off"


def test_a_tap_too_soon_after_another_is_said() -> None:
    sound, rng = scene()
    wave = ring(RATE, rng, loss=0.002)
    put(sound, wave, 2.0)
    put(sound, wave, 2.12, 0.4)
    first, second = hear(sound).taps
    assert first.why_not == "ring overlaps the next tap"
    assert first.free_s == pytest.approx(0.12, abs=0.002)
    assert second.onset_s == pytest.approx(2.12, abs=0.002)


def test_a_far_softer_hit_after_the_ring_spoils_no_tap() -> None:
    sound, rng = scene(noise=1e-4)
    wave = ring(RATE, rng, loss=0.002)
    put(sound, wave, 2.0)
    put(sound, wave, 2.1, 0.03)
    assert hear(sound).taps[0].used


def test_a_blow_under_which_a_low_note_rings_on_is_a_tap() -> None:
    """As in bells and cymbals: the struck upper modes die away while a lower one, slow to begin, goes on."""
    sound, rng = scene(noise=1e-4)
    time_s = np.arange(2 * RATE) / RATE
    put(sound, ring(RATE, rng, low_hz=3000, high_hz=9000, loss=0.002), 2.0)
    put(sound, np.sin(2 * np.pi * 450 * time_s) * (np.exp(-time_s) - np.exp(-time_s / 0.008)), 2.0)
    assert only(hear(sound)).used


def test_a_voice_and_a_drill_are_noise_bursts_or_nothing() -> None:
    sound, rng = scene()
    time_s = np.arange(RATE // 2) / RATE
    rise = np.minimum(time_s / 0.06, 1.0) * np.minimum((0.5 - time_s) / 0.1, 1.0)
    voice = sum(np.sin(2 * np.pi * 140 * k * time_s + k) / k for k in range(1, 25)) * rise
    sound[RATE : RATE + time_s.size] += 0.1 * np.asarray(voice)
    sound[3 * RATE : 4 * RATE] += 0.05 * rng.normal(size=RATE)  # a drill, switched on and off at once
    assert not [tap for tap in hear(sound).taps if tap.why_not not in ("noise burst", "too weak")]


def test_a_click_in_the_cable_is_no_tap() -> None:
    sound, _ = scene(noise=1e-4)
    sound[2 * RATE : 2 * RATE + 4] = [0.3, -0.4, 0.2, -0.1]
    assert not [tap for tap in hear(sound).taps if tap.used]


def test_taps_under_hum_and_offset_are_found() -> None:
    sound, rng = scene(noise=1e-3)
    sound += 0.2 * np.sin(2 * np.pi * 50 * np.arange(sound.size) / RATE) + 0.1
    put(sound, ring(RATE, rng), 2.0, 0.1)
    tap = only(hear(sound))
    assert tap.used
    assert tap.onset_s == pytest.approx(2.0, abs=0.001)


def test_live_verdicts_come_within_the_horizon_and_equal_those_of_the_file() -> None:
    sound, _ = walk(RATE, np.random.default_rng(5), taps=12, tap_to_noise_db=25)
    detector = TapDetector(RATE)
    live = []
    for start in range(0, sound.size, 1024):
        for tap in detector.feed(sound[start : start + 1024]):
            live.append(tap)
            assert detector.duration_s - tap.onset_s < OVERLAP_S + 0.08
    live.extend(detector.finish())
    whole = detect_taps([sound], RATE).taps
    assert [(tap.onset_s, tap.why_not) for tap in live] == [(tap.onset_s, tap.why_not) for tap in whole]
    with pytest.raises(RecordingError, match="finished"):
        detector.feed(sound[:10])


def test_memory_of_the_detector_does_not_grow() -> None:
    detector = TapDetector(RATE)
    rng = np.random.default_rng(0)
    held = []
    for _ in range(40):
        detector.feed(rng.normal(size=RATE).astype(np.float32) * 0.01)
        held.append(detector._raw.size + detector._energy.size + detector._chunks.size)
    assert max(held[20:]) <= max(held[:20])


def test_silence_has_no_taps_and_nothing_is_refused() -> None:
    assert detect_taps([np.zeros(RATE, np.float32)], RATE).taps == ()
    assert detect_taps([np.zeros(100, np.float32)], RATE).taps == ()
    with pytest.raises(RecordingError, match="no samples"):
        detect_taps([], RATE)
    with pytest.raises(RecordingError, match="1000 Hz"):
        TapDetector(1_000)


def test_the_pyramid_keeps_the_energy_of_each_octave() -> None:
    # Parseval for an orthonormal transform: all details and the last smooth part together hold the mean square.
    x = np.random.default_rng(0).normal(size=4096).astype(np.float32)
    details = octave_energies(x, 128, [1, 2, 3, 4, 5, 6, 7])
    last = x.reshape(-1, 128).sum(axis=1) / np.sqrt(128)
    np.testing.assert_allclose(details.sum(axis=1) + last**2 / 128, (x.reshape(-1, 128) ** 2).mean(axis=1), rtol=1e-5)


def test_quiet_stretches_keep_clear_of_taps() -> None:
    sound, onsets_s = walk(RATE, np.random.default_rng(5), taps=12, every_s=0.6)
    train = detect_taps([sound], RATE)
    for start in quiet_starts(train):
        after = onsets_s[onsets_s > start]
        before = onsets_s[onsets_s <= start]
        assert not after.size or start + 0.06 < after[0]
        assert not before.size or start - before[-1] > 0.12
    assert quiet_starts(train).size > 20

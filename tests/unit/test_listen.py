"""Hearing the recordings of a visit: taps, noise between them, traits, and files that are of no use."""

from pathlib import Path

import numpy as np
import pytest

from taptest.errors import RecordingError
from taptest.sound.recording import write_recording
from taptest.visit.listen import listen
from tests.made_visits import RATE, tap_sound, write_taps


def test_taps_are_found_and_used_ones_measured(tmp_path: Path) -> None:
    write_taps(tmp_path / "a.wav", 3)
    (heard,) = listen([("sound/a.wav", tmp_path / "a.wav")])
    assert heard.trouble == ""
    assert [tap.onset_s for tap in heard.taps] == pytest.approx([0.6, 1.3, 2.0], abs=0.002)
    for tap, traits in zip(heard.taps, heard.traits, strict=True):
        assert (traits is not None) == tap.used
        if traits is not None:
            assert np.isfinite(traits.band_level_db).any()


def test_a_recording_without_quiet_borrows_the_noise_of_the_others(tmp_path: Path) -> None:
    write_taps(tmp_path / "long.wav", 4)
    write_recording(tmp_path / "short.wav", tap_sound([0.05], 0.16, seed=3), RATE)
    (alone,) = listen([("short", tmp_path / "short.wav")])
    _, together = listen([("long", tmp_path / "long.wav"), ("short", tmp_path / "short.wav")])
    (without,), (borrowed,) = alone.traits, together.traits
    assert without is not None
    assert borrowed is not None
    assert np.nanmax(without.band_level_sd_db) == 0.0
    assert np.nanmin(borrowed.band_level_sd_db) > 0.0


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.zeros(RATE), "is silent"),
        (np.sign(np.sin(np.arange(RATE) * 0.3)), "clipped from start to end"),
        (1e-3 * np.random.default_rng(5).standard_normal(2 * RATE), "No taps found"),
    ],
)
def test_a_file_of_no_use_says_why(tmp_path: Path, samples: np.ndarray, words: str) -> None:
    write_recording(tmp_path / "a.wav", samples.astype(np.float32), RATE)
    (heard,) = listen([("sound/a.wav", tmp_path / "a.wav")])
    assert words in heard.trouble
    assert heard.taps == ()


def test_a_file_that_is_no_sound_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_text("this is a text, not a sound\n" * 30)
    with pytest.raises(RecordingError, match=r"a\.wav"):
        listen([("sound/a.wav", tmp_path / "a.wav")])


def test_taps_measured_a_few_at_a_time_measure_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_taps(tmp_path / "a.wav", 5)
    (whole,) = listen([("a", tmp_path / "a.wav")])
    monkeypatch.setattr("taptest.sound.traits.TAPS_AT_ONCE", 2)
    (parted,) = listen([("a", tmp_path / "a.wav")])
    assert len(whole.traits) == 5
    for one, other in zip(whole.traits, parted.traits, strict=True):
        assert one is not None
        assert other is not None
        np.testing.assert_allclose(one.band_level_db, other.band_level_db, rtol=1e-9)

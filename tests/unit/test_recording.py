"""Recordings: read in blocks, the right channel, and a whole sentence for everything that is no recording."""

import struct
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptest.errors import RecordingError, StorageError
from taptest.sound import recording
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.remarks import RecordingRemark
from tests.said import keys_of, values_of


def sound(seconds: float = 1.0, rate_hz: int = 48_000, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.5, 0.5, int(seconds * rate_hz)).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("ending", [".wav", ".flac"])
def test_what_was_written_is_read_again(tmp_path: Path, rate_hz: int, ending: str) -> None:
    x = sound(0.5, rate_hz)
    write_recording(tmp_path / f"a{ending}", x, rate_hz)
    again = open_recording(tmp_path / f"a{ending}")
    assert again.rate_hz == rate_hz
    assert again.notes == ()
    np.testing.assert_allclose(again.read(), x, atol=1 / 32768)
    assert [p.name for p in tmp_path.iterdir()] == [f"a{ending}"]


def test_ogg_is_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.ogg", sound(), 48_000)
    assert open_recording(tmp_path / "a.ogg").read().size == 48_000


def test_blocks_do_not_depend_on_their_size_and_a_long_file_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    x = sound(3.0)
    write_recording(tmp_path / "a.wav", x, 48_000)
    whole = open_recording(tmp_path / "a.wav").read()
    monkeypatch.setattr(recording, "BLOCK", 1000)
    monkeypatch.setattr(recording, "KEEP_SAMPLES", 10)
    long = open_recording(tmp_path / "a.wav")
    blocks = list(long.blocks())
    assert max(block.size for block in blocks) == 1000
    np.testing.assert_array_equal(np.concatenate(blocks), whole)
    starts = [-300, 0, 50_000, whole.size - 100, whole.size + 5]
    np.testing.assert_array_equal(
        long.stretches(starts, 400), open_recording(tmp_path / "a.wav").stretches(starts, 400)
    )


def test_stretches_are_padded_with_zeros_outside_the_recording(tmp_path: Path) -> None:
    x = sound(0.1)
    write_recording(tmp_path / "a.wav", x, 48_000)
    early, late = open_recording(tmp_path / "a.wav").stretches([-10, x.size - 10], 20)
    assert not early[:10].any()
    assert not late[10:].any()
    np.testing.assert_allclose(early[10:], x[:10], atol=1e-4)
    np.testing.assert_allclose(late[:10], x[-10:], atol=1e-4)


def test_of_three_channels_the_loudest_that_is_not_clipped_is_used_and_said(tmp_path: Path) -> None:
    x = sound()
    clipped = np.clip(4 * x, -1, 1)
    write_recording(tmp_path / "a.wav", np.stack([0.1 * x, clipped, 0.8 * x], axis=1), 48_000)
    opened = open_recording(tmp_path / "a.wav")
    assert values_of(RecordingRemark.UNCLIPPED_CHANNEL, opened.notes)["channels"] == 3
    assert values_of(RecordingRemark.UNCLIPPED_CHANNEL, opened.notes)["channel"] == 3
    np.testing.assert_allclose(opened.read(), 0.8 * x, atol=1e-4)


def cut_wav(path: Path) -> None:
    write_recording(path, sound(), 48_000)
    path.write_bytes(path.read_bytes()[:20_000])


def cut_flac(path: Path) -> None:
    write_recording(path, sound(), 48_000)
    path.write_bytes(path.read_bytes()[:60_000])


def test_a_truncated_wav_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    cut_wav(tmp_path / "a.wav")
    opened = open_recording(tmp_path / "a.wav")
    assert opened.read().size == (20_000 - 44) // 2
    assert keys_of(opened.notes) == [RecordingRemark.BYTES_MISSING]


def test_a_truncated_flac_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    cut_flac(tmp_path / "a.flac")
    opened = open_recording(tmp_path / "a.flac")
    assert 10_000 < opened.read().size < 48_000
    assert keys_of(opened.notes) == [RecordingRemark.ENDS_EARLY]


def test_a_recording_broken_off_is_read_whole(tmp_path: Path) -> None:
    x = sound()
    write_recording(tmp_path / "a.wav", x, 48_000)
    content = bytearray((tmp_path / "a.wav").read_bytes())
    content[4:8], content[40:44] = bytes([8, 0, 0, 0]), bytes(4)  # The program died: the header knows of no sound yet.
    (tmp_path / "a.wav").write_bytes(content)
    broken = open_recording(tmp_path / "a.wav")
    np.testing.assert_allclose(broken.read(), x, atol=1e-4)
    assert keys_of(broken.notes) == [RecordingRemark.NOT_CLOSED]


def make_text(path: Path) -> None:
    path.write_text("this is a shopping list, not a sound\n" * 20)


def make_empty(path: Path) -> None:
    path.write_bytes(b"")


def make_header_only(path: Path) -> None:
    soundfile.write(path, np.zeros(0), 48_000)


def make_one_sample(path: Path) -> None:
    soundfile.write(path, np.array([0.5]), 48_000)


def make_nan(path: Path) -> None:
    x = sound()
    x[24_000] = np.nan
    soundfile.write(path, x, 48_000, subtype="FLOAT")


def make_silence(path: Path) -> None:
    soundfile.write(path, np.zeros(48_000), 48_000)


def make_offset_only(path: Path) -> None:
    soundfile.write(path, np.full(48_000, 0.3), 48_000)


def make_clipped(path: Path) -> None:
    soundfile.write(path, np.clip(20 * sound(), -1, 1), 48_000)


def make_slow(path: Path) -> None:
    soundfile.write(path, sound(), 4_000)


def make_torn_header(path: Path) -> None:
    path.write_bytes(b"RIFF" + struct.pack("<I", 100) + b"WAVEfmt ")


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (make_text, "not an audio file"),
        (make_empty, "is empty"),
        (make_header_only, "only 0 samples"),
        (make_one_sample, r"only 1 sample \("),
        (make_nan, r"not numbers, the first at 0.500 s"),
        (make_silence, "is silent"),
        (make_offset_only, "is silent"),
        (make_clipped, "clipped from start to end"),
        (make_slow, "4000 samples a second"),
        (make_torn_header, "not an audio file"),
    ],
)
def test_what_is_no_recording_is_refused_in_a_sentence(tmp_path: Path, make: Callable[[Path], None], says: str) -> None:
    path = tmp_path / "walk.wav"
    make(path)
    with pytest.raises(RecordingError, match=says) as caught:
        open_recording(path).read()
    assert "walk.wav" in str(caught.value)
    assert str(caught.value).endswith(".")


def test_missing_files_folders_and_foreign_names_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="Audio file not found"):
        open_recording(tmp_path / "none.wav")
    with pytest.raises(RecordingError, match="is a folder"):
        open_recording(tmp_path)
    with pytest.raises(RecordingError, match="ending"):
        write_recording(tmp_path / "a.mp3", sound(), 48_000)
    with pytest.raises(StorageError, match="cannot be written"):
        write_recording(tmp_path / "absent" / "a.wav", sound(), 48_000)


@pytest.mark.parametrize("ending", ["m4a", "3gp", "aac"])
def test_what_a_telephone_writes_is_read(ending: str, tmp_path: Path) -> None:
    av = pytest.importorskip("av")
    rate = 48_000
    tone = (0.5 * np.sin(2 * np.pi * 1000 * np.arange(2 * rate) / rate)).astype(np.float32)
    kind = {"aac": "adts", "m4a": "mp4"}.get(ending, ending)
    with av.open(str(tmp_path / f"a.{ending}"), "w", format=kind) as container:
        stream = container.add_stream("aac", rate=rate, layout="mono")
        frame = av.AudioFrame.from_ndarray(tone[None], format="fltp", layout="mono")
        frame.rate = rate
        for packet in (*stream.encode(frame), *stream.encode(None)):
            container.mux(packet)
    recording = open_recording(tmp_path / f"a.{ending}")
    assert recording.rate_hz == rate
    sound = recording.read()
    assert sound.size == pytest.approx(2 * rate, rel=0.05)
    spectrum = np.abs(np.fft.rfft(sound[rate // 2 : 3 * rate // 2]))
    assert int(np.argmax(spectrum)) == 1000
    np.testing.assert_array_equal(recording.stretches([rate], 100)[0], sound[rate : rate + 100])


def test_a_damaged_telephone_recording_is_said(tmp_path: Path) -> None:
    pytest.importorskip("av")
    (tmp_path / "a.m4a").write_bytes(b"\0\0\0\x18ftypM4A " + bytes(4000))
    with pytest.raises(RecordingError, match=r"a\.m4a is damaged"):
        open_recording(tmp_path / "a.m4a")


def test_without_the_library_a_telephone_recording_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    (tmp_path / "a.m4a").write_bytes(b"\0\0\0\x18ftypM4A " + bytes(4000))
    with pytest.raises(RecordingError, match="pip install"):
        open_recording(tmp_path / "a.m4a")

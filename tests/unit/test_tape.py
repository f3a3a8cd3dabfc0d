"""The WAV file that survives a crash, read by three programs that know nothing of it."""

import io
import os
import stat
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile
from numpy.typing import NDArray

from taptest.capture.tape import HEADER, Tape, mend, pack, read
from taptest.errors import StorageError

RATE = 48000


def sound(samples: int) -> NDArray[np.float64]:
    return np.random.default_rng(5).uniform(-0.9, 0.9, samples)


def test_soundfile_scipy_and_wave_read_it_alike(tmp_path: Path) -> None:
    expected = sound(RATE + 7)
    tape = Tape(tmp_path / "a.wav", RATE)
    for start in range(0, len(expected), 1000):
        tape.write(expected[start : start + 1000])
    tape.close()
    found, rate = soundfile.read(tmp_path / "a.wav")
    assert rate == RATE
    # Half a step of 24 bits.
    assert np.abs(found - expected).max() <= 0.5 / 2**23 + 1e-12
    assert np.array_equal(scipy.io.wavfile.read(tmp_path / "a.wav")[1] / 2**31, found)
    with wave.open(str(tmp_path / "a.wav")) as file:
        assert (file.getnframes(), file.getframerate(), file.getsampwidth()) == (RATE + 7, RATE, 3)


def test_extremes_stay_at_the_limit() -> None:
    packed = pack(np.array([2.0, 1.0, -1.0, -5.0, np.nan, np.inf]))
    values = [int.from_bytes(packed[i : i + 3], "little", signed=True) for i in range(0, 18, 3)]
    assert values == [2**23 - 1, 2**23 - 1, -(2**23), -(2**23), 0, 2**23 - 1]


def test_every_torn_copy_is_mended_to_the_last_whole_sample(tmp_path: Path) -> None:
    expected = sound(500)
    tape = Tape(tmp_path / "a.wav", RATE)
    tape.write(expected)
    content = (tmp_path / "a.wav").read_bytes()  # the header still says that nothing is there
    tape.close()
    for size in [0, 10, HEADER.size, HEADER.size + 1, HEADER.size + 3, 700, 701, 702, len(content)]:
        torn = tmp_path / f"torn{size}.wav"
        torn.write_bytes(content[:size])
        samples = mend(torn)
        assert samples == max(size - HEADER.size, 0) // 3
        if size >= HEADER.size:
            assert torn.stat().st_size == HEADER.size + 3 * samples  # the half sample is gone: nothing comes after it
            with wave.open(str(torn)) as file:
                assert file.getnframes() == samples
            found, _ = soundfile.read(torn)
            assert np.abs(found - expected[:samples]).max(initial=0.0) <= 0.5 / 2**23 + 1e-12


def test_the_header_is_true_after_a_second_without_any_close(tmp_path: Path) -> None:
    tape = Tape(tmp_path / "a.wav", RATE)
    for _ in range(60):
        tape.write(np.zeros(1024))
    with wave.open(str(tmp_path / "a.wav")) as file:
        assert file.getnframes() >= 60 * 1024 - RATE
    tape.close()


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    Tape(tmp_path / "a.wav", RATE).close()
    with pytest.raises(StorageError):
        Tape(tmp_path / "a.wav", RATE)


def test_a_stretch_is_read_back_while_the_tape_runs(tmp_path: Path) -> None:
    expected = sound(5000)
    tape = Tape(tmp_path / "a.wav", RATE)
    tape.write(expected)
    assert np.abs(read(tmp_path / "a.wav", 1000, 2000) - expected[1000:2000]).max() <= 0.5 / 2**23 + 1e-12
    assert len(read(tmp_path / "a.wav", 4990, 6000)) == 10
    assert len(read(tmp_path / "a.wav", 6000, 7000)) == 0
    tape.close()


def test_every_change_is_flushed_to_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is only in the system's memory is lost when the power goes: each step asks the disk to keep it."""
    asked: list[str] = []
    real = os.fsync

    def watched(handle: int) -> None:
        asked.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        real(handle)

    monkeypatch.setattr(os, "fsync", watched)
    tape = Tape(tmp_path / "a.wav", RATE)
    assert sorted(asked) == (["file"] if os.name == "nt" else ["file", "folder"])
    asked.clear()
    for _ in range(10):
        tape.write(np.zeros(RATE // 2))
    # Five seconds of sound, and a power cut may cost at most one.
    assert asked == ["file"] * 5
    content = (tmp_path / "a.wav").read_bytes()
    tape.close()
    (tmp_path / "torn.wav").write_bytes(content[:-1])
    asked.clear()
    mend(tmp_path / "torn.wav")
    assert asked == ["file"]


def test_a_disk_that_takes_a_piece_at_a_time_gets_all_of_it(tmp_path: Path) -> None:
    """An unbuffered write may take less than it is given, as POSIX write() and Python's RawIOBase.write() say."""

    class Slow(io.FileIO):
        def write(self, content: Any) -> int:
            return super().write(memoryview(content)[:100])

    expected = sound(5000)
    tape = Tape(tmp_path / "a.wav", RATE)
    tape._file.close()
    tape._file = Slow(tmp_path / "a.wav", "r+b")
    tape._file.seek(0, os.SEEK_END)
    tape.write(expected)
    tape.sync()
    tape.close()
    found, _ = soundfile.read(tmp_path / "a.wav")
    assert len(found) == len(expected)
    assert np.abs(found - expected).max() <= 0.5 / 2**23 + 1e-12

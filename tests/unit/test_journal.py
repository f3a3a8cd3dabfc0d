"""The journal: whatever ends a round, what was decided and heard is there at the next start."""

import errno
import io
import json
import os
import shutil
import sys
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from taptest.capture import journal as journal_module
from taptest.capture import tape as tape_module
from taptest.capture.journal import LOG, Journal, open_journal, read_log, recordings
from taptest.errors import StorageError, VisitError

RATE = 48000


def half_a_round(folder: Path) -> Journal:
    journal = open_journal(folder)
    journal.begin(RATE, "Test microphone")
    for second in range(3):
        journal.write(np.full(RATE, 0.1 * (second + 1)))
        journal.note("tap", onset_s=second + 0.5, accepted=True)
    return journal


def whats(folder: Path) -> list[str]:
    return [entry["what"] for entry in read_log(folder)]


def test_decisions_and_sound_are_there_without_any_close(tmp_path: Path) -> None:
    journal = half_a_round(tmp_path)
    assert whats(tmp_path) == ["journal", "recording", "tap", "tap", "tap"]
    with wave.open(str(tmp_path / "sound" / "round-01.wav")) as file:
        assert file.getnframes() == 3 * RATE
    journal.close()


def test_a_copy_at_any_moment_can_be_taken_up(tmp_path: Path) -> None:
    """The folder is copied at every step of a round, also with its last line half written: each copy is taken up."""
    origin = tmp_path / "origin"
    journal = open_journal(origin)
    journal.begin(RATE, "Test microphone")
    for step in range(12):
        journal.write(np.full(1000, 0.01 * step))
        journal.note("tap", onset_s=float(step))
        copy = tmp_path / f"copy{step}"
        shutil.copytree(origin, copy)
        log = copy / LOG
        log.write_bytes(log.read_bytes()[: -(step * 7 % 40)] if step * 7 % 40 else log.read_bytes())
        sound = copy / "sound" / "round-01.wav"
        sound.write_bytes(sound.read_bytes()[: -(step % 4)] if step % 4 else sound.read_bytes())
        again = open_journal(copy)
        taps = [entry for entry in again.entries if entry["what"] == "tap"]
        assert len(taps) == step + (1 if step * 7 % 40 == 0 else 0)
        assert recordings(copy)[0].samples >= 1000 * (step + 1) - 1
        again.begin(RATE, "Test microphone")
        again.note("tap", onset_s=99.0)
        again.close()
        entries = read_log(copy)
        assert [entry["n"] for entry in entries] == list(range(1, len(entries) + 1))
        assert [recording.file for recording in recordings(copy)] == ["sound/round-01.wav", "sound/round-02.wav"]
    journal.close()


def test_a_torn_recording_is_mended_as_soon_as_the_round_is_taken_up(tmp_path: Path) -> None:
    """Also where it is never finished: any player reads all of it. `wave` of Python knows nothing of taptest."""
    journal = half_a_round(tmp_path / "origin")
    journal.write(np.full(500, 0.1))  # not yet asked of the disk: the header does not know of it
    shutil.copytree(tmp_path / "origin", tmp_path / "copy")
    journal.close()
    tape = tmp_path / "copy" / "sound" / "round-01.wav"
    tape.write_bytes(tape.read_bytes()[:-1])
    open_journal(tmp_path / "copy").close()
    with wave.open(str(tape)) as file:
        assert file.getnframes() == 3 * RATE + 499
    assert tape.stat().st_size == 44 + 3 * (3 * RATE + 499)


def test_zeros_at_the_end_of_the_log_are_cut_off(tmp_path: Path) -> None:
    half_a_round(tmp_path).close()
    with (tmp_path / LOG).open("ab") as file:
        file.write(b"\0" * 4096)
    journal = open_journal(tmp_path)
    journal.note("tap")
    journal.close()
    assert whats(tmp_path)[-2:] == ["tap", "tap"]
    assert b"\0" not in (tmp_path / LOG).read_bytes()


def test_lines_after_a_damaged_one_are_set_aside_and_not_lost(tmp_path: Path) -> None:
    half_a_round(tmp_path).close()
    lines = (tmp_path / LOG).read_bytes().splitlines(keepends=True)
    (tmp_path / LOG).write_bytes(b"".join([*lines[:3], b"#" + lines[3], lines[4]]))
    open_journal(tmp_path).close()
    assert whats(tmp_path) == ["journal", "recording", "tap"]
    [aside] = tmp_path.glob("round-torn-*.txt")
    assert aside.read_bytes() == b"#" + lines[3] + lines[4]


def test_a_full_disk_is_told_and_what_was_written_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = half_a_round(tmp_path)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(tape_module.Tape, "_put", full)
    with pytest.raises(StorageError, match="the disk is full"):
        journal.write(np.zeros(1000))
    journal.close()
    monkeypatch.undo()
    assert recordings(tmp_path)[0].samples == 3 * RATE


def test_the_sound_is_kept_before_the_decision_that_rests_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = half_a_round(tmp_path)
    journal.write(np.zeros(500))
    order: list[str] = []
    real = os.fsync

    def watched(handle: int) -> None:
        order.append("log" if os.fstat(handle).st_size < 10_000 else "sound")
        real(handle)

    monkeypatch.setattr(os, "fsync", watched)
    journal.note("tap")
    assert order == ["sound", "log"]
    journal.close()


def test_a_disk_that_takes_a_piece_at_a_time_gets_the_whole_entry(tmp_path: Path) -> None:
    """An unbuffered write may take less than it is given, as POSIX write() and Python's RawIOBase.write() say."""

    class Slow(io.FileIO):
        def write(self, content: Any) -> int:
            return super().write(memoryview(content)[:10])

    journal = half_a_round(tmp_path)
    journal._log.close()
    journal._log = Slow(tmp_path / LOG, "ab")
    journal.note("warning", sentence="A sentence that is longer than the disk takes at once.")
    journal.close()
    assert read_log(tmp_path)[-1]["sentence"] == "A sentence that is longer than the disk takes at once."


def test_entries_are_plain_json_lines(tmp_path: Path) -> None:
    half_a_round(tmp_path).close()
    lines = (tmp_path / LOG).read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["n"] for line in lines] == [1, 2, 3, 4, 5]


def test_a_clock_that_jumps_changes_nothing(tmp_path: Path) -> None:
    times = iter(["2030-01-01T00:00:00+00:00", "1970-01-01T00:00:00+00:00", *["2020-01-01T00:00:00+00:00"] * 9])
    journal = open_journal(tmp_path, lambda: next(times))
    journal.note("tap")
    journal.note("tap")
    journal.close()
    assert [entry["n"] for entry in read_log(tmp_path)] == [1, 2, 3]


def test_a_journal_of_a_newer_version_is_refused_and_not_touched(tmp_path: Path) -> None:
    content = '{"n": 1, "at": "", "what": "journal", "format": 9}\n'
    (tmp_path / LOG).write_text(content, encoding="utf-8")
    with pytest.raises(VisitError, match="another version"):
        open_journal(tmp_path)
    assert (tmp_path / LOG).read_text(encoding="utf-8") == content


def test_only_one_program_at_a_time_writes_a_round(tmp_path: Path) -> None:
    first = half_a_round(tmp_path)
    before = (tmp_path / LOG).read_bytes()
    with pytest.raises(VisitError, match=r"is running in .* already"):
        open_journal(tmp_path)
    assert (tmp_path / LOG).read_bytes() == before
    first.note("tap")
    first.close()
    open_journal(tmp_path).close()
    assert whats(tmp_path)[-1] == "tap"


def test_on_windows_the_lock_lies_where_readers_do_not_come(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []

    class Console:
        LK_NBLCK = 2

        @staticmethod
        def locking(handle: int, mode: int, count: int) -> None:
            asked.append((os.lseek(handle, 0, os.SEEK_CUR), mode))

    monkeypatch.setitem(sys.modules, "msvcrt", Console)
    monkeypatch.setattr(journal_module, "WINDOWS", True)
    half_a_round(tmp_path).close()
    assert asked == [(2**40, 2)]
    assert (tmp_path / LOG).stat().st_size < 10_000
    assert whats(tmp_path)[0] == "journal"


def test_how_long_a_round_rested(tmp_path: Path) -> None:
    times = iter(["2030-01-01T00:00:00+00:00", "2030-01-01T02:00:00+00:00"])
    open_journal(tmp_path, lambda: next(times)).close()
    journal = open_journal(tmp_path, lambda: next(times))
    assert journal.age_s == 7200
    journal.close()
    odd = open_journal(tmp_path, lambda: "no time")
    assert odd.age_s == 0
    odd.close()


def test_an_empty_folder_has_no_log(tmp_path: Path) -> None:
    assert read_log(tmp_path) == ()
    assert recordings(tmp_path) == ()

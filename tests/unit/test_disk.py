"""Writing whole or not at all: full disk, read-only folder, no permission. Causes are the errno of POSIX.1-2017."""

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from taptest import disk
from taptest.errors import StorageError


def left_over(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "visit.json"
    disk.write_text(path, "old")
    disk.write_text(path, "new °")
    assert path.read_text(encoding="utf-8") == "new °"
    assert left_over(tmp_path) == ["visit.json"]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "no permission"),
        (errno.EIO, "a fault"),
        (errno.EBUSY, "Try again"),
    ],
)
def test_a_refusal_keeps_the_old_content(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    path = tmp_path / "visit.json"
    disk.write_text(path, "old")

    def refuse(_: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(StorageError, match=words) as caught:
        disk.write_text(path, "new")
    assert str(path) in str(caught.value)
    assert path.read_text() == "old"
    assert left_over(tmp_path) == ["visit.json"]


def test_a_folder_appears_whole(tmp_path: Path) -> None:
    with disk.new_folder(tmp_path / "visits" / "cellar") as working:
        (working / "a").write_text("1")
        assert not (tmp_path / "visits" / "cellar").exists()
    assert left_over(tmp_path / "visits") == ["cellar"]
    assert left_over(tmp_path / "visits" / "cellar") == ["a"]


def test_a_folder_that_fails_vanishes(tmp_path: Path) -> None:
    def fail_inside() -> None:
        with disk.new_folder(tmp_path / "cellar") as working:
            (working / "a").write_text("1")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_inside()
    assert left_over(tmp_path) == []


def test_the_old_folder_comes_back_when_the_last_step_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "cellar"
    target.mkdir()
    (target / "kept").write_text("1")
    rename = Path.rename

    def fail_for_the_new_one(self: Path, other: Path) -> Path:
        if self.name.endswith(".whole"):
            raise OSError(errno.EIO, "fault")
        return rename(self, other)

    monkeypatch.setattr(Path, "rename", fail_for_the_new_one)
    with pytest.raises(StorageError), disk.new_folder(target, tmp_path / "aside"):
        pass
    assert left_over(tmp_path) == ["cellar"]
    assert left_over(target) == ["kept"]


KILLED = """
import os, sys
from pathlib import Path
from taptest import disk

target, aside, steps = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
rename = Path.rename

def step(self, other):
    global steps
    if steps == 0:
        os.kill(os.getpid(), 9)
    steps -= 1
    return rename(self, other)

Path.rename = step
with disk.new_folder(target, aside) as working:
    (working / "a").write_text("new")
"""


@pytest.mark.skipif(os.name == "nt", reason="There is no such signal.")
@pytest.mark.parametrize("steps", [0, 1, 2])
def test_who_is_killed_while_a_folder_is_replaced_loses_sight_of_none(tmp_path: Path, steps: int) -> None:
    target, aside = tmp_path / "cellar", tmp_path / "aside"
    target.mkdir()
    (target / "a").write_text("old")
    killed = subprocess.run([sys.executable, "-c", KILLED, target, aside, str(steps)], check=False)
    assert killed.returncode == -signal.SIGKILL
    disk.settle(tmp_path)
    seen = {path.name: (path / "a").read_text() for path in tmp_path.iterdir() if not path.name.startswith(".")}
    assert seen == ({"cellar": "new", "aside": "old"} if steps == 2 else {"cellar": "old"})
    for left in tmp_path.iterdir():
        os.utime(left, (0, 0))
    disk.write_text(tmp_path / "anything", "")
    assert set(left_over(tmp_path)) == {*seen, "anything"}, "what is half written is cleared away a day later"


def test_what_another_program_still_writes_is_left_alone(tmp_path: Path) -> None:
    with disk.new_folder(tmp_path / "cellar") as working, disk.new_file(tmp_path / "list.csv") as file:
        file.write(b"1")
        disk.settle(tmp_path)
        assert working.is_dir()
    assert left_over(tmp_path) == ["cellar", "list.csv"]


@pytest.mark.parametrize("name", [".cellar.part", "cellar.0123abcd.part", ".cellar.0123abcd.wav", ".part", ".ssh"])
def test_what_somebody_else_calls_alike_is_never_cleared_away(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    os.utime(tmp_path / name, (0, 0))
    disk.settle(tmp_path)
    assert (tmp_path / name).read_text() == "mine"


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A real disk of 64 kB, where mounting is permitted."""
    place = tmp_path / "tiny"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        mounted = False
    if not mounted:
        pytest.skip("Mounting a small disk is not permitted here; the refusal is tried by an injected error instead.")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_really_full_disk(tiny_disk: Path) -> None:
    path = tiny_disk / "visit.json"
    disk.write_text(path, "old")
    with pytest.raises(StorageError, match="the disk is full"):
        disk.write_bytes(path, b"x" * 200_000)
    assert path.read_text() == "old"
    assert left_over(tiny_disk) == ["visit.json"]


def test_copying_onto_a_really_full_disk(tiny_disk: Path, tmp_path: Path) -> None:
    source = tmp_path / "long.wav"
    source.write_bytes(b"x" * 200_000)
    with pytest.raises(StorageError, match="the disk is full"), disk.new_folder(tiny_disk / "cellar") as working:
        disk.copy_file(source, working / "long.wav")
    assert left_over(tiny_disk) == []


def test_a_really_read_only_disk(tiny_disk: Path) -> None:
    disk.write_text(tiny_disk / "visit.json", "old")
    subprocess.run(["mount", "-o", "remount,ro", str(tiny_disk)], check=True)
    with pytest.raises(StorageError, match="the disk is read-only"):
        disk.write_text(tiny_disk / "visit.json", "new")
    assert (tiny_disk / "visit.json").read_text() == "old"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="Permissions do not bind this user.")
def test_a_really_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(StorageError, match="no permission"):
        disk.write_text(tmp_path / "visit.json", "new")
    tmp_path.chmod(0o700)


def test_copying_a_missing_file_names_it(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"gone\.wav: it does not exist"):
        disk.copy_file(tmp_path / "gone.wav", tmp_path / "copy.wav")

"""The fingerprint of the recordings is what the system's own sha256sum makes of the files."""

import shutil
import subprocess
from pathlib import Path

import pytest

from taptest.errors import VisitError
from taptest.visit import fingerprint
from taptest.visit.files import Visit
from taptest.visit.fingerprint import recordings_sha256
from tests.made_pages import made_document


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    (tmp_path / "sound").mkdir()
    (tmp_path / "sound" / "p1.wav").write_bytes(b"abc")
    (tmp_path / "sound" / "p2.wav").write_bytes(b"")
    return Visit(tmp_path, made_document())


def test_by_the_system_s_own_tool(visit: Visit) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum (GNU coreutils) is not installed here")
    names = ["sound/p1.wav", "sound/p2.wav"]
    listed = subprocess.run(["sha256sum", *names], cwd=visit.folder, capture_output=True, check=True).stdout
    whole = subprocess.run(["sha256sum"], input=listed, capture_output=True, check=True).stdout
    assert recordings_sha256(visit) == whole.decode().split()[0]
    # FIPS 180-2, appendix B.1: the digest of "abc".
    assert listed.startswith(b"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad")


def test_another_byte_another_fingerprint(visit: Visit) -> None:
    before = recordings_sha256(visit)
    (visit.folder / "sound" / "p2.wav").write_bytes(b"\0")
    assert recordings_sha256(visit) != before


def test_a_missing_recording_is_told(visit: Visit) -> None:
    (visit.folder / "sound" / "p2.wav").unlink()
    with pytest.raises(VisitError, match=r"sound/p2\.wav"):
        recordings_sha256(visit)


def test_recordings_that_stayed_as_they_were_are_read_once(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []

    def sha256(path: Path) -> str:
        read.append(path.name)
        return path.read_bytes().hex()

    monkeypatch.setattr(fingerprint, "_sha256", sha256)
    recordings_sha256(visit, trust_times=True)
    recordings_sha256(visit, trust_times=True)
    assert read == ["p1.wav", "p2.wav"] * 2  # written a moment ago: the clock of the disk is too coarse to trust
    monkeypatch.setattr(fingerprint, "SETTLED_S", -1.0)
    before = recordings_sha256(visit, trust_times=True)
    read.clear()
    assert recordings_sha256(visit, trust_times=True) == before
    assert read == []
    assert recordings_sha256(visit) == before
    assert read == ["p1.wav", "p2.wav"]  # a report is proof, so it reads them all
    (visit.folder / "sound" / "p1.wav").write_bytes(b"abcd")
    assert recordings_sha256(visit, trust_times=True) != before

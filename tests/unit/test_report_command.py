"""`taptest report`: which files it writes, in which paper and words, and what it finds of known levels."""

import io
import json
from pathlib import Path

import pytest
from pypdf import PdfReader

from taptest import preferences
from taptest.capture import known_levels as memory
from taptest.cli import main
from taptest.report import sources
from taptest.visit import analyse
from tests.made_visits import write_tables


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    tank, points = write_tables(folder / "from", 8)
    assert main(["import", str(folder / "cellar"), "--tank", str(tank), "--points", str(points)]) == 0
    return folder / "cellar"


@pytest.fixture(autouse=True)
def _no_model(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    monkeypatch.setenv(preferences.FOLDER_VARIABLE, str(tmp_path / "home"))


def test_files_paper_and_words(visit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "new" / "reports"
    options = ["--out", str(out), "--paper", "letter", "--wording", "uk", "--customer"]
    assert main(["report", str(visit), *options]) == 0
    pictures = [f"{which}.{form}" for which in ("boundary", "forecast") for form in ("pdf", "png", "svg")]
    names = sorted([*pictures, "customer.pdf", "report.pdf"])
    assert sorted(path.name for path in out.iterdir()) == [f"cellar-{name}" for name in names]
    assert (out / "cellar-boundary.png").read_bytes().startswith(b"\x89PNG")
    assert b"<svg" in (out / "cellar-boundary.svg").read_bytes()
    for name in ("report", "customer"):
        (page,) = PdfReader(out / f"cellar-{name}.pdf").pages
        assert float(page.mediabox.height) == pytest.approx(11 * 72, abs=0.1)
        assert "vessel" in page.extract_text()
        assert f"Wrote {out / f'cellar-{name}.pdf'}" in capsys.readouterr().out or name == "customer"


@pytest.mark.long
def test_the_picture_alone_is_a_vector_page_with_its_fonts(visit: Path, tmp_path: Path) -> None:
    assert main(["report", str(visit), "--out", str(tmp_path)]) == 0
    assert not (tmp_path / "cellar-customer.pdf").exists()
    pdf = (tmp_path / "cellar-boundary.pdf").read_bytes()
    assert len(PdfReader(io.BytesIO(pdf)).pages) == 1
    assert b"/FontFile2" in pdf
    assert b"/Type3" not in pdf


def test_known_level_of_the_microphone_that_recorded(visit: Path, tmp_path: Path) -> None:
    check = memory.KnownLevel("2025-03-01", memory.this_computer(), "good microphone", "ball", "drum", 160.0, 164.0)
    memory.keep_known_level(check)
    # Nothing says that an imported visit was recorded with that microphone.
    assert sources._known_level(visit) is None
    entry = {"n": 1, "what": "recording", "file": "sound/a.wav", "rate_hz": 48000, "device": check.microphone}
    (tmp_path / "round.jsonl").write_text(json.dumps(entry) + "\n", encoding="utf-8")
    assert sources._known_level(tmp_path) == check.sentence

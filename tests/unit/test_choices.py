"""What is chosen once for all pages: remembered by the computer, and harmless where the memory is gone or odd."""

from pathlib import Path

import pytest

from taptest.quantities import METRIC, US
from taptest.report.choices import choose, chosen_paper, usual_paper, usual_wording


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def test_nothing_chosen_is_us_words_and_the_paper_of_the_units() -> None:
    assert usual_wording() == "us"
    assert chosen_paper() is None
    assert (usual_paper(METRIC), usual_paper(US)) == ("a4", "letter")


def test_choices_are_remembered_and_taken_back() -> None:
    choose("uk", "a4")
    assert usual_wording() == "uk"
    assert (usual_paper(METRIC), usual_paper(US)) == ("a4", "a4")
    choose("us", None)
    assert usual_wording() == "us"
    assert (usual_paper(METRIC), usual_paper(US)) == ("a4", "letter")


@pytest.mark.parametrize("content", [b"klingon", b"\xff\xfe", b""])
def test_an_odd_memory_counts_as_none(home: Path, content: bytes) -> None:
    home.mkdir()
    for name in ("wording", "paper"):
        (home / f"{name}.txt").write_bytes(content)
    assert usual_wording() == "us"
    assert chosen_paper() is None

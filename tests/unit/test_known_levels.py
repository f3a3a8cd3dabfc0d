"""What a computer remembers between visits."""

from dataclasses import replace
from pathlib import Path

import pytest

from taptest import preferences
from taptest.capture import known_levels as memory
from taptest.capture.known_levels import KnownLevel


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path / "home"))


def a_check(found_mm: float | None, microphone: str = "USB") -> KnownLevel:
    return KnownLevel("2026-05-04", "laptop", microphone, "ball 30 g", "a drum", 160.0, found_mm, (150.0, 170.0))


def test_the_microphone_is_remembered() -> None:
    assert preferences.remembered_microphone() is None
    preferences.remember_microphone("USB Mikrofön")
    assert preferences.remembered_microphone() == "USB Mikrofön"


def test_known_levels_are_kept_in_order_and_survive_a_torn_line(tmp_path: Path) -> None:
    assert memory.known_levels() == ()
    memory.keep_known_level(a_check(163.0))
    memory.keep_known_level(a_check(None))
    with (tmp_path / "home" / memory.KNOWN_LEVELS).open("a") as file:
        file.write('{"on": "2026')
    assert memory.known_levels() == (a_check(163.0), a_check(None))


def test_the_newest_for_this_computer_and_microphone_is_quoted() -> None:
    assert memory.newest_known_level("laptop", "USB") is None
    for check in (a_check(170.0), a_check(158.0), a_check(100.0, "other")):
        memory.keep_known_level(check)
    assert memory.newest_known_level("laptop", "USB") == a_check(158.0)


def test_a_round_that_is_compared_again_replaces_what_it_gave(tmp_path: Path) -> None:
    """One round is one piece of evidence; what other rounds gave, and lines that cannot be read, stay."""
    first, other = replace(a_check(170.0), round="1"), replace(a_check(150.0), round="2")
    assert not memory.keep_known_level(first)
    assert not memory.keep_known_level(other)
    with (tmp_path / "home" / memory.KNOWN_LEVELS).open("a") as file:
        file.write('{"on": "2026\n')
    again = replace(first, true_mm=168.0)
    assert memory.keep_known_level(again)
    assert memory.known_levels() == (other, again)
    assert '{"on": "2026\n' in (tmp_path / "home" / memory.KNOWN_LEVELS).read_text()
    # Rounds that nothing tells apart, from before rounds were told apart, are never taken for one.
    assert not memory.keep_known_level(a_check(1.0))
    assert not memory.keep_known_level(a_check(1.0))


def test_who_measures_in_inches_is_told_in_inches() -> None:
    # 25.4 mm to the inch: NIST SP 811 (2008), appendix B.
    sentence = replace(a_check(165.08), unit="in").sentence
    assert "6.30 in below its top" in sentence
    assert "0.20 in too low" in sentence
    assert "mm" not in sentence


def test_a_microphone_without_a_telling_name_is_told_in_plain_words() -> None:
    assert "with the microphone chosen in the sound settings and the striker" in a_check(163.0, "default").sentence


@pytest.mark.parametrize("unit", ['"yard"', "5", "null"])
def test_a_unit_that_nobody_knows_is_a_line_that_cannot_be_read(unit: str, tmp_path: Path) -> None:
    memory.keep_known_level(a_check(163.0))
    path = tmp_path / "home" / memory.KNOWN_LEVELS
    path.write_text(path.read_text().replace('"unit": "mm"', f'"unit": {unit}'))
    assert memory.known_levels() == ()


@pytest.mark.parametrize(
    ("found_mm", "words"),
    [(163.0, "found 3 mm too low"), (158.0, "found 2 mm too high"), (160.2, "found exactly"), (None, "was not found")],
)
def test_the_sentence_says_how_far_off_it_was(found_mm: float | None, words: str) -> None:
    sentence = a_check(found_mm).sentence
    assert words in sentence
    assert "160 mm below its top" in sentence
    assert "USB and the striker ball 30 g" in sentence

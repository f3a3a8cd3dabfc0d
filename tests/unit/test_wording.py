"""US and UK words: the trade's words of both countries (common practice, no source), and nothing else touched."""

import pytest

from taptest.report.wording import UK, worded


@pytest.mark.parametrize(
    ("us", "uk"),
    [
        ("The tank is low on air.", "The vessel is low on air."),
        ("Tank without a name", "Vessel without a name"),
        ("The relief valve itself was not tested.", "The safety valve itself was not tested."),
        ("Dirt or wear at the relief valve's seat", "Dirt or wear at the safety valve's seat"),
        ("Shut the fill valve, fire up.", "Shut the filling loop, fire up."),
        ("Fill valve creeping, 25%", "Filling loop letting by, 25%"),
        ("Lost pre-charge, 77%", "Flat (lost pre-charge), 77%"),
        ("The open tank's float valve", "The open tank's float valve"),
        ("An expansion tank, isolated", "An expansion vessel, isolated"),
    ],
)
def test_words_of_the_country(us: str, uk: str) -> None:
    assert worded(us, "uk") == uk
    assert worded(us, "us") == us


@pytest.mark.parametrize("name", ["sound/tank.wav", "tank.wav", "old-tank.wav", "tank_2.flac", "C:\\tank\\p1.wav"])
def test_names_of_files_stay(name: str) -> None:
    assert worded(f"The file {name} ends early.", "uk") == f"The file {name} ends early."


@pytest.mark.parametrize("quoted", ["'tank of 5'", '"tank"', "“hit the relief valve”"])
def test_what_is_quoted_stays(quoted: str) -> None:
    assert worded(f"The tank's text {quoted} is of no tank.", "uk") == f"The vessel's text {quoted} is of no vessel."


def test_an_inch_mark_is_no_quotation() -> None:
    assert worded('A tank of 14" and a tank of 12"', "uk") == 'A vessel of 14" and a vessel of 12"'


def test_putting_twice_changes_nothing_more() -> None:
    for us, uk in UK:
        if us != "lost pre-charge":  # its UK words quote it
            assert worded(worded(us, "uk"), "uk") == uk

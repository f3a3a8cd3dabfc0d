"""Further rounds led on the pages: why and where, the gauge asked for, tapped on the live page, kept in the visit."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from taptest.desk.live import LiveRound
from taptest.desk.visits import ident_of
from taptest.visit import analyse
from taptest.visit.files import read_visit
from tests.made_desk import Arrays, Pages, make_shelf, pages
from tests.tapping import Hand
from tests.unit.test_desk_round import Endless

WHERE = f"/visit/{ident_of('cellar')}"


@pytest.fixture
def cellar(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(analyse, "sweeps_for", lambda *_: ((), ()))
    (tmp_path / "visits").mkdir()
    return make_shelf(tmp_path / "visits")


def opened(cellar: Path, *hands: Hand) -> Iterator[Pages]:
    waiting = [hand.quiet(0.5).sound() for hand in hands]
    with pages(cellar.parent, Arrays(lambda: Endless(waiting.pop(0)))) as client:
        yield client


def ended(client: Pages) -> LiveRound:
    (live,) = client.desk.rounds._rounds.values()
    assert live.wait(30)
    return live


def marks_tapped(marks: int) -> Hand:
    """Practice, then three taps a mark."""
    hand = Hand().quiet(2.5).taps(3).quiet(0.7)
    for _ in range(marks):
        hand.taps(3)
    return hand


def test_a_second_round_is_offered_with_its_reasons_led_and_kept(cellar: Path) -> None:
    for client in opened(cellar, marks_tapped(6)):
        page = client.get(f"{WHERE}/another").text
        assert "A few marks at another pressure" in page
        assert "fill valve" in page
        answer = client.send_form(f"{WHERE}/another", data={"kind": "again", "pressure": "1.9", "microphone": "array"})
        assert answer.headers["location"].endswith(f"{WHERE}/round")
        live = ended(client)
        assert (live.snapshot()["state"], live.snapshot()["points"]) == ("done", 6)
        (kept,) = read_visit(cellar).document.rounds
        assert (kept.readings.pressure, len(kept.points)) == ("1.9 bar", 6)
        over = client.get(f"{WHERE}/round").text
        assert "Another round" in over
        assert "Go on with the round" not in over


def test_one_mark_at_many_pressures_goes_on_from_reading_to_reading(cellar: Path) -> None:
    first, second = Hand().quiet(2.5).taps(3).quiet(0.7).taps(2), Hand().quiet(2.5).taps(2)
    for client in opened(cellar, first, second):
        wish = {"kind": "onset", "microphone": "array"}
        client.send_form(f"{WHERE}/another", data={**wish, "pressure": "1.50 bar"})
        ended(client)
        assert "1.45 bar" in " ".join(ended(client).snapshot()["said"])
        assert "Next pressure" in client.get(f"{WHERE}/round").text
        assert "1.45 bar" in client.get(f"{WHERE}/another").text
        client.send_form(f"{WHERE}/another", data={**wish, "pressure": "1.45"})
        ended(client)
        (kept,) = read_visit(cellar).document.rounds
        assert [each.pressure for each in kept.onset] == ["1.50 bar", "1.45 bar"]
        assert len({each.file for each in kept.onset}) == 2


def test_marks_as_left_are_other_air(cellar: Path) -> None:
    for client in opened(cellar, marks_tapped(6)):
        client.send_form(f"{WHERE}/another", data={"kind": "left", "microphone": "array"})
        ended(client)
        (kept,) = read_visit(cellar).document.rounds
        assert (kept.state, kept.same_air) == ("as left", False)


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"kind": "again", "pressure": ""}, "Type what the gauge shows now"),
        ({"kind": "again", "pressure": "much"}, "is not a pressure"),
        ({"kind": "third", "pressure": "1.5"}, "There is no such round"),
    ],
)
def test_what_cannot_be_begun_is_told_on_the_page(cellar: Path, form: dict[str, str], says: str) -> None:
    for client in opened(cellar):
        answer = client.send_form(f"{WHERE}/another", data={"microphone": "array", **form})
        assert answer.status_code == 422
        assert says in answer.text
        assert client.desk.rounds.running is None

"""The live round behind its page, fed from arrays: it runs by itself, whoever watches sees it, everything is kept."""

import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from taptest.capture.round import Advice
from taptest.capture.session import Estimated
from taptest.cli import main
from taptest.desk.live import LiveRound
from taptest.desk.visits import ident_of
from taptest.visit import analyse, sweeps
from taptest.visit.files import read_visit
from tests.made_desk import Arrays, Pages, pages
from tests.sources import ArraySource
from tests.tapping import Hand
from tests.unit.test_desk_pages import TYPED

WISH = {"microphone": "array", "first": "50 mm", "last": "150 mm", "every": "50 mm", "taps": "3", "reference": "yes"}
"""Reference, three points, reference: fifteen taps, after three seconds of noise."""


class Endless(ArraySource):
    """Goes on with quiet after its sound, as a microphone does."""

    def read(self, timeout_s: float) -> NDArray[np.float64] | None:
        if (self.read_blocks + 1) * 1024 < len(self._sound):
            return super().read(timeout_s)
        time.sleep(0.01)
        return np.random.default_rng(1).normal(0.0, 0.0005, 256)


def tapping(taps: int) -> NDArray[np.float64]:
    return Hand(seed=3).quiet(3.6).taps(taps, then_s=0.6).quiet(0.4).sound()


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sweeps, "sharpening", lambda case: iter(()))
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    (tmp_path / "visits").mkdir()
    return tmp_path / "visits"


def opened(root: Path, *sounds: int) -> Iterator[Pages]:
    waiting = [tapping(taps) for taps in sounds]
    with pages(root, Arrays(lambda: Endless(waiting.pop(0)))) as client:
        yield client


def new(client: Pages) -> str:
    return str(client.send_form("/new", data=TYPED).headers["location"]).partition("?")[0]


def ended(client: Pages) -> LiveRound:
    (live,) = client.desk.rounds._rounds.values()
    assert live.wait(20)
    return live


def until(live: LiveRound, **wanted: Any) -> dict[str, Any]:
    """Wait for a snapshot that has these values."""
    for _ in range(400):
        now = live.snapshot()
        if all(now[key] == value for key, value in wanted.items()):
            return now
        time.sleep(0.02)
    raise AssertionError(f"{wanted} did not come: {now}")


def test_a_round_runs_by_itself_and_becomes_a_finding(root: Path) -> None:
    for client in opened(root, 15):
        where = new(client)
        assert "Guided round" in client.get(f"{where}/round").text
        assert client.send_form(f"{where}/round", data=WISH).status_code == 303
        live = ended(client)
        now = live.snapshot()
        assert (now["state"], now["points"], now["big"]) == ("done", 3, "DONE")
        assert [mark["done"] for mark in now["marks"]] == [True] * 3
        visit = read_visit(root / "2025-03-14-mill-lane-4-cellar")
        assert [point.position_mm for point in visit.document.points] == [50, 100, 150]
        assert "To the finding" in client.get(f"{where}/round").text
        assert "Points and taps" in client.get(where).text


def test_who_watches_hears_of_everything_to_the_end(root: Path) -> None:
    for client in opened(root, 15):
        where = new(client)
        client.send_form(f"{where}/round", data=WISH)
        answer = client.get(f"{where}/round/events")
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        told = [json.loads(line.removeprefix("data: ")) for line in answer.text.splitlines() if 'data: {"' in line]
        assert told[-1]["state"] == "done"
        assert answer.text.rstrip().endswith("event: over\ndata: {}")
        again = client.get(f"{where}/round/events")
        assert again.text.count("data: ") == 2


def test_the_big_key_takes_the_last_point_back_and_stop_keeps_the_rest(root: Path) -> None:
    for client in opened(root, 6):  # the reference and the first point
        where = new(client)
        client.send_form(f"{where}/round", data=WISH)
        (live,) = client.desk.rounds._rounds.values()
        assert until(live, number="3 of 5")["big"] == "100 mm"
        press = f"{where}/round/key"
        assert client.send_form(press, data={"key": "redo"}).json() == {"pressed": "redo"}
        assert until(live, number="2 of 5")["big"] == "50 mm"
        assert client.send_form(press, data={"key": "skip"}).json() == {"pressed": "skip"}
        until(live, number="3 of 5")
        assert client.send_form(press, data={"key": "explode"}).json() == {"pressed": ""}
        assert client.send_form(press, data={"key": "stop", "plain": "yes"}).status_code == 303
        assert ended(client).snapshot()["state"] == "stopped"


def test_only_one_round_at_a_time_and_every_page_leads_to_it(root: Path) -> None:
    for client in opened(root, 1):
        where, other = new(client), new(client)
        client.send_form(f"{where}/round", data=WISH)
        refused = client.send_form(f"{other}/round", data=WISH)
        assert refused.status_code == 422
        assert "A round is running already" in refused.text
        assert f'href="{where}/round"' in client.get("/").text


def test_a_stopped_round_is_taken_up_where_it_was_even_by_another_server(root: Path) -> None:
    for client in opened(root, 6):
        where = new(client)
        client.send_form(f"{where}/round", data=WISH)
        (live,) = client.desk.rounds._rounds.values()
        until(live, number="3 of 5")
    for client in opened(root, 12):  # the reference again, the two points that are left, the reference
        assert "Go on with the round" in client.get(f"{where}/round").text
        client.send_form(f"{where}/round", data=WISH)
        now = ended(client).snapshot()
        assert (now["state"], now["points"]) == ("done", 3)


def test_a_microphone_that_is_missing_is_told_and_can_be_tried_again(root: Path) -> None:
    with pages(root, Arrays(None)) as client:
        where = new(client)
        assert "shows no microphone" in client.get(f"{where}/round").text
        answer = client.send_form(f"{where}/round", data=WISH)
        assert answer.status_code == 422
        assert "shows no microphone" in answer.text
        for path in ("round/events", "round/key"):
            missing = (
                client.get(f"{where}/{path}") if "events" in path else client.send_form(f"{where}/{path}", data={})
            )
            assert missing.status_code == 404


@pytest.mark.parametrize(
    "changed", [{"taps": "many"}, {"taps": "0"}, {"first": "up"}, {"last": "9 m"}, {"every": "0.1 mm"}]
)
def test_a_wish_that_makes_no_round_is_told(root: Path, changed: dict[str, str]) -> None:
    for client in opened(root):
        where = new(client)
        answer = client.send_form(f"{where}/round", data=WISH | changed)
        assert answer.status_code == 422
        assert 'role="alert"' in answer.text


def test_points_that_came_another_way_are_not_written_over(root: Path) -> None:
    from taptest.desk.visits import ident_of
    from tests.made_desk import make_shelf

    make_shelf(root)
    for client in opened(root):
        answer = client.send_form(f"/visit/{ident_of('cellar')}/round", data=WISH)
        assert answer.status_code == 422
        assert "not recorded by a round" in answer.text


def test_the_running_boundary_is_shown_among_the_marks(root: Path) -> None:
    for client in opened(root, 6):
        client.send_form(f"{new(client)}/round", data=WISH)
        (live,) = client.desk.rounds._rounds.values()
        until(live, number="3 of 5")
        assert live.snapshot()["change"] is None
        live._show(Estimated(Advice(2, "So far the sound changes near 75 mm.", change_m=(0.061, 0.092))))
        now = live.snapshot()
        assert now["estimate"] == "So far the sound changes near 75 mm."
        assert now["change"] == {"from": 0.061, "to": 0.092, "text": "change between 61 mm and 92 mm"}


def test_few_taps_begin_with_every_third_mark_and_need_the_estimate(root: Path) -> None:
    wish = {**WISH, "last": "350 mm", "sparing": "yes"}
    for client in opened(root, 1, 1):
        where = new(client)
        refused = client.send_form(f"{where}/round", data=wish)
        assert refused.status_code == 422
        assert "need the estimate" in refused.text
        assert client.send_form(f"{where}/round", data={**wish, "estimate": "yes"}).status_code == 303
        (live,) = client.desk.rounds._rounds.values()
        plan = live._session.round.plan
        assert plan.sparing
        assert [mark["text"] for mark in live.snapshot()["marks"]] == ["50 mm", "150 mm", "200 mm", "250 mm", "350 mm"]
        live.press("stop")
        assert live.wait(20)
        again = client.get(f"{where}/round?again=yes").text
        assert "keeps its marks" in again
        assert 'name="first"' not in again
        # Taken up without the estimate's tick, which the form does not show any more: the plan that was begun holds.
        assert client.send_form(f"{where}/round", data={"microphone": "array"}).status_code == 303
        (live,) = client.desk.rounds._rounds.values()
        assert live._session.round.plan == plan
        live.press("stop")
        assert live.wait(20)


def test_a_live_round_shows_its_points_and_no_finding(root: Path) -> None:
    for client in opened(root, 6):  # the reference and the first point
        where = new(client)
        client.send_form(f"{where}/round", data=WISH)
        (live,) = client.desk.rounds._rounds.values()
        until(live, number="3 of 5")
        page = client.get(where).text
        assert "The round is not finished: 2 marks are left to tap (100 mm, 150 mm)." in page
        assert "no taps yet" not in page
        assert "To the round" in page
        live.press("stop")
        ended(client)
        assert "2 marks are left to tap (100 mm, 150 mm)" in client.get(where).text


def test_a_round_whose_program_was_killed_shows_its_points_and_the_marks_left(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for client in opened(root, 6):
        client.send_form(f"{new(client)}/round", data=WISH)
        (live,) = client.desk.rounds._rounds.values()
        until(live, number="3 of 5")
        for name in ("desk", "terminal"):  # as the disk has it at this moment, without anybody who still writes
            shutil.copytree(root, tmp_path / name)
        live.press("stop")
    folder = "2025-03-14-mill-lane-4-cellar"
    assert read_visit(tmp_path / "desk" / folder).document.points == ()
    with pages(tmp_path / "desk") as client:
        page = client.get(f"/visit/{ident_of(folder)}").text
    assert "2 marks are left to tap (100 mm, 150 mm)" in page
    assert "Points and taps" in page
    assert [point.position_mm for point in read_visit(tmp_path / "desk" / folder).document.points] == [50]
    assert main(["judge", str(tmp_path / "terminal" / folder)]) == 0
    said = capsys.readouterr().out
    assert "NOT FINISHED" in said
    assert "2 marks are left to tap (100 mm, 150 mm)" in said
    visit = tmp_path / "terminal" / folder
    assert [point.position_mm for point in read_visit(visit).document.points] == [50]
    assert main(["judge", str(visit), "--json", str(tmp_path / "finding.json")]) == 0
    finding = json.loads((tmp_path / "finding.json").read_text(encoding="utf-8"))
    assert finding["marks_left_mm"] == [100.0, 150.0]
    assert finding["finding"]["code"] == "cannot tell"
    assert finding["finding"]["sentence"].startswith("The round is not finished")
    assert main(["report", str(visit), "--out", str(tmp_path / "out")]) == 0
    (pdf,) = (tmp_path / "out").glob("*report.pdf")
    text = "\n".join(page.extract_text() for page in PdfReader(pdf).pages)
    assert "Round not finished" in text
    assert "2 marks are left to tap" in text
    capsys.readouterr()
    assert main(["list", str(tmp_path / "terminal")]) == 0
    listed = capsys.readouterr().out
    assert "not finished" in listed
    assert "2 marks left to tap" in listed
    assert main(["list", str(tmp_path / "terminal"), "--finding", "cannot tell"]) == 0
    assert "0 visits" in capsys.readouterr().out


def test_a_round_that_is_over_goes_on_with_added_marks(root: Path) -> None:
    for client in opened(root, 15, 9):  # all of it; then the reference, the added mark, and no more
        where = new(client)
        client.send_form(f"{where}/round", data=WISH)
        ended(client)
        form = client.get(f"{where}/round?again=yes").text
        assert 'name="more"' in form
        refused = client.send_form(f"{where}/round", data={"microphone": "array", "more": "deep"})
        assert refused.status_code == 422
        assert "Add marks" in refused.text
        assert client.send_form(f"{where}/round", data={"microphone": "array", "more": "125 mm"}).status_code == 303
        ended(client)
        (folder,) = root.glob("2025-*")
        assert [point.position_mm for point in read_visit(folder).document.points] == [50, 100, 150, 125]


def test_a_tape_in_inches_is_read_as_it_stands(root: Path) -> None:
    for client in opened(root, 6):
        inches = {"tank.volume": "4.4 gal", "tank.diameter": '11"', "readings.pressure": "22 psi"}
        where = str(client.send_form("/new", data=TYPED | inches).headers["location"]).partition("?")[0]
        client.send_form(f"{where}/round", data=WISH | {"first": "2 1/4 in", "last": "5 1/2 in", "every": "1 5/8 in"})
        (live,) = client.desk.rounds._rounds.values()
        assert until(live, number="3 of 5")["big"] == '3 7/8"'
        assert [mark["text"] for mark in live.snapshot()["marks"]] == ["2 1/4 in", "3 7/8 in", "5 1/2 in"]

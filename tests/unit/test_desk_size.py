"""The sizing page: the same answers as `taptest size`, which is held to published examples elsewhere."""

import html
import re
from collections.abc import Iterator

import pytest

from taptest.cli import main
from taptest.desk.visits import ident_of
from tests.made_desk import Pages, make_shelf, pages

HOUSE = {"size.system_volume": "190 l", "size.hot": "80 C", "size.relief": "3 bar", "size.static_head": "7 m"}
OPTIONS = ["--system-volume", "190 l", "--hot", "80 C", "--relief", "3 bar", "--static-head", "7 m"]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    root = tmp_path_factory.mktemp("size") / "visits"
    make_shelf(root)
    with pages(root) as client:
        yield client


def lines(text: str) -> list[str]:
    return [html.unescape(line) for line in re.findall(r"<li>(.*?)</li>", text)]


def test_the_page_says_what_the_command_says(client: Pages, capsys: pytest.CaptureFixture[str]) -> None:
    sizes = ["8 l", "9 l of 18 l", "25 l"]
    form = {**HOUSE, "method.diaphragm": "yes", "method.en 12828": "yes", "sizes": "\r\n".join(sizes), "most": "2"}
    answer = client.send_form("/size", data=form)
    assert answer.status_code == 200
    more = [part for size in sizes for part in ("--size", size)]
    assert main(["size", *OPTIONS, "--method", "diaphragm", "--method", "en 12828", *more, "--most", "2"]) == 0
    printed = capsys.readouterr().out.splitlines()
    told = lines(answer.text)
    assert len(told) > 6
    assert all(line in printed for line in told)
    assert "EN 12828" in answer.text


def test_a_guess_of_the_volume_gives_a_band(client: Pages) -> None:
    guess = {k: v for k, v in HOUSE.items() if k != "size.system_volume"}
    guess |= {"size.output": "24 kW", "size.emitter": "panel radiator"}
    assert client.send_form("/size", data=guess).status_code == 200


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"size.hot": ""}, "Highest temperature is not given"),
        ({"size.relief": "3"}, "Relief valve opens at"),
        ({"size.system_volume": ""}, "Give Water in the system"),
        ({"sizes": "8 bananas"}, "Sizes, line 1"),
        ({"sizes": "8 l\n" * 100}, "100 sizes"),
        ({"size.hot": "5 C"}, "5"),
    ],
)
def test_what_is_wrong_is_said_and_what_was_typed_stays(client: Pages, changed: dict[str, str], sentence: str) -> None:
    answer = client.send_form("/size", data=HOUSE | changed)
    assert answer.status_code == 422
    error = re.search(r'role="alert">(.*?)</p>', answer.text)
    assert error
    assert sentence in html.unescape(error[1])
    assert 'value="7 m"' in answer.text


def test_sizes_that_do_not_serve_are_said(client: Pages) -> None:
    assert "None of these sizes is enough" in client.send_form("/size", data={**HOUSE, "sizes": "1 l"}).text


def test_a_visits_system_stands_in_the_form(client: Pages) -> None:
    client.desk.visits.search(refresh=True)
    page = client.get(f"/size?like={ident_of('cellar')}").text
    assert 'value="120 l"' in page
    assert 'value="6 m"' in page
    assert client.get("/size?like=nothing").status_code == 404

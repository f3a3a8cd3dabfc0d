"""The pages for a telephone in the same network: only when asked for, at one address, under no foreign name.

Which addresses belong to local networks: RFC 1918, and the special-purpose registry of RFC 6890 as `ipaddress` has it.
"""

import http.client
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from taptest.cli import main
from taptest.desk import guard, network, serve
from taptest.desk.access import Access
from taptest.desk.browser_sound import BROWSER
from taptest.errors import StorageError
from tests.made_desk import BASE, PORT, Arrays, Pages, make_shelf, pages
from tests.unit.test_desk_pages import TYPED

PHONE = "192.168.7.20"
SEEN = f"http://{PHONE}:{PORT}"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("network") / "visits"
    make_shelf(root)
    return root


@pytest.fixture
def opened(root: Path) -> Iterator[Pages]:
    with pages(root, names=(*guard.OWN_NAMES, PHONE)) as client:
        client.desk.reach = SEEN
        yield client


def ask(client: Pages, host: str, origin: str | None = None, cookie: str | None = None) -> int:
    headers = {"host": host, "cookie": client.cookie if cookie is None else f"taptest_{PORT}={cookie}"}
    if origin is None:
        return int(client.get("/new", headers=headers).status_code)
    return int(client.post("/new", headers={**headers, "origin": origin}, data={}).status_code)


def test_by_default_the_network_s_address_is_a_foreign_name(root: Path) -> None:
    with pages(root) as client:
        assert ask(client, f"{PHONE}:{PORT}") == 403
        assert ask(client, f"{PHONE}:{PORT}", SEEN) == 403
        assert "served to this computer only" in client.get("/").text


def test_when_asked_for_exactly_that_address_answers(opened: Pages) -> None:
    assert ask(opened, f"{PHONE}:{PORT}") == 200
    assert ask(opened, f"{PHONE}:{PORT}", SEEN) == 422, "a form that is incomplete, and not refused"
    assert ask(opened, f"127.0.0.1:{PORT}") == 200
    assert ask(opened, f"{PHONE}:{PORT}", cookie="wrong") == 403
    page = opened.get("/new").text
    assert f"open to the local network at {SEEN}, unencrypted" in page
    assert "this computer only" not in page


@pytest.mark.parametrize(
    "host",
    [
        "evil.example", f"evil.example:{PORT}", PHONE, f"{PHONE}:80", f"192.168.7.21:{PORT}", f"0.0.0.0:{PORT}",
        f"{PHONE}.evil.example:{PORT}", f"laptop.local:{PORT}", f"[::1]:{PORT}", "",
    ],
)  # fmt: skip
def test_a_foreign_name_that_points_there_is_refused(opened: Pages, host: str) -> None:
    assert ask(opened, host) == 403


@pytest.mark.parametrize(
    "origin", ["http://evil.example", f"http://127.0.0.1:{PORT}", f"https://{PHONE}:{PORT}", f"http://{PHONE}", "null"]
)
def test_another_page_changes_nothing_there(opened: Pages, origin: str) -> None:
    """Not even a page of this computer's own address: a page that is open there speaks to its own address."""
    assert ask(opened, f"{PHONE}:{PORT}", origin) == 403


def test_a_telephone_is_not_offered_a_microphone_that_it_does_not_give(root: Path) -> None:
    with pages(root, Arrays(None), names=(*guard.OWN_NAMES, PHONE)) as client:
        where = str(client.send_form("/new", data=TYPED).headers["location"]).partition("?")[0]
        headers = {"host": f"{PHONE}:{PORT}", "cookie": client.cookie}
        away = client.get(f"{where}/round", headers=headers).text
        assert BROWSER not in away
        assert "only at the computer itself" in away
        assert BROWSER in client.get(f"{where}/round").text


@pytest.mark.parametrize("wished", ["192.168.1.20", " 10.0.0.7", "172.16.3.4", "100.64.9.9"])
def test_addresses_of_local_networks_are_taken(wished: str) -> None:
    assert network.network_address(wished) == wished.strip()


@pytest.mark.parametrize(
    ("wished", "why"),
    [
        ("laptop", "not an address"), ("192.168.1", "not an address"), ("192.168.1.300", "not an address"),
        ("::1", "not an address"), ("127.0.0.1", "not an address where"), ("0.0.0.0", "not an address where"),
        ("169.254.3.3", "not an address where"), ("224.0.0.1", "not an address where"), ("8.8.8.8", "public address"),
    ],
)  # fmt: skip
def test_other_addresses_are_refused_with_a_reason(wished: str, why: str) -> None:
    with pytest.raises(StorageError, match=why):
        network.network_address(wished)


def test_a_computer_in_no_network_is_told(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def unreachable(self: socket.socket, address: object) -> None:
        raise OSError("Network is unreachable")

    monkeypatch.setattr(socket.socket, "connect", unreachable)
    assert main(["desk", "--no-browser", "--network"]) == 2
    assert "not on a network" in capsys.readouterr().err


def this_computer() -> str:
    try:
        return network.network_address()
    except StorageError as error:
        pytest.skip(str(error))


def test_without_being_asked_nothing_listens_at_the_network_s_address() -> None:
    outside = this_computer()
    with serve.open_port(0) as listening:
        port = listening.getsockname()[1]
        with pytest.raises(OSError, match="refused"):
            socket.create_connection((outside, port), 2)
    both = serve.open_ports(0, (serve.HOST, outside))
    assert [each.getsockname() for each in both] == [
        (serve.HOST, both[0].getsockname()[1]),
        (outside, both[0].getsockname()[1]),
    ]
    with pytest.raises(StorageError, match=re.escape(outside)):
        serve.open_ports(both[1].getsockname()[1], (outside, serve.HOST))
    for each in both:
        each.close()


def test_the_command_says_who_can_reach_it_and_serves_there(tmp_path: Path) -> None:
    outside = this_computer()
    command = [sys.executable, "-m", "taptest", "desk", "--shelf", str(tmp_path / "visits"), "--no-browser"]
    with subprocess.Popen([*command, "--network"], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = ""
        while "Stop with" not in said:
            line = process.stdout.readline()
            assert line, said
            said += line
        found = re.search(rf"http://{re.escape(outside)}:(\d+)(/\S+/\?ticket=\S+)", said)
        assert found, said
        for sentence in ("nothing is encrypted", "Everybody in that network", "give no microphone"):
            assert sentence in said
        assert "█" not in said, "no code where the output is no screen"
        port, address = int(found[1]), found[2]
        for host, status in ((f"evil.example:{port}", 403), (f"{outside}:{port}", 200)):
            connection = http.client.HTTPConnection(outside, port, timeout=10)
            connection.request("GET", address, headers={"host": host})
            assert connection.getresponse().status == status
            connection.close()
        process.terminate()
        process.wait(10)


def test_the_telephone_s_address_is_said_with_what_it_means_and_as_a_code_on_a_screen() -> None:
    said: list[str] = []
    access = Access()
    serve.say_addresses(access, BASE, SEEN, said.append, code=True)
    assert said[0].splitlines()[1].startswith(f"  {BASE}{access.path}/?ticket=")
    found = re.search(rf"{SEEN}{access.path}/\?ticket=\S+", said[1])
    assert found, said
    assert f"{found[0]}\n{network.WHO}" in said[1]
    assert said[2].endswith(network.code_lines(found[0]))


def test_the_square_code_has_its_finders_and_grows_with_the_address() -> None:
    """Three finder squares in a quiet zone of four modules (ISO/IEC 18004, 5.3; 75 bytes fit version 4, level L, of 33
    modules, and 80 do not: value from memory), light on dark."""
    lines = network.code_lines("http://192.168.1.20:8123/?token=" + "A" * 43).splitlines()
    assert {len(line) for line in lines if line} == {33 + 2 * 4}
    assert lines[0] == lines[1] == "█" * 41
    assert lines[2].startswith("████ ▄▄▄▄▄ █")
    assert lines[2].endswith("█ ▄▄▄▄▄ ████")
    assert lines[15].startswith("████ ▄▄▄▄▄ █")
    longer = network.code_lines("http://192.168.111.222:65535/?token=" + "A" * 43).splitlines()
    assert {len(line) for line in longer if line} == {37 + 2 * 4}

"""The safety frame of the pages: secret, Host, Origin, headers, limits.

Header names and values follow RFC 9110 (Host, Origin in RFC 6454), RFC 6265bis (SameSite), W3C Content Security Policy
level 3 and W3C Fetch Metadata.
"""

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

import httpx2
import pytest
from starlette.requests import Request
from starlette.responses import Response
from starlette.testclient import TestClient

from taptest.desk import guard, serve
from taptest.desk.access import MOST_TICKETS, TICKET_S, Access
from taptest.desk.app import make_app
from taptest.visit import analyse
from tests.made_desk import BASE, PORT, Arrays, Pages, make_shelf, pages

GETS = ("/", "/new", "/unpack", "/fresh", "/visits.csv", "/static/desk.css", "/static/desk.js", "/no-such-page")


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("guard") / "visits"
    make_shelf(root)
    return root


@pytest.fixture
def client(root: Path) -> Iterator[Pages]:
    with pages(root) as client:
        yield client


@pytest.mark.parametrize("path", GETS)
def test_nothing_is_shown_without_the_secret(root: Path, path: str) -> None:
    with pages(root, opened=False) as stranger:
        answer = stranger.get(path)
        assert answer.status_code == 403
        assert answer.text == guard.NOT_OPENED
        assert stranger.get(path, headers={"cookie": f"taptest_{PORT}=wrong"}).status_code == 403
        assert stranger.get("/?ticket=wrong").status_code == 403
        assert stranger.get(stranger.desk.access.address("", here=True).replace("/?", "/new?")).status_code == 403


def test_the_opened_address_gives_a_strict_cookie_and_hides_the_secret(root: Path) -> None:
    with pages(root, opened=False, path="/below") as client:
        address = client.desk.access.address("", here=True)
        answer = client.get(address)
        assert answer.status_code == 200
        assert 'content="0; url=/below/"' in answer.text
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert "Path=/below/;" in cookie
        assert address.partition("=")[2] not in cookie, "the session's secret is one of its own"
        assert client.get("/below/").status_code == 200
        assert client.get("/", headers={"cookie": client.cookie}).status_code == 403, "nothing lies beside the path"


def test_a_ticket_works_once(root: Path) -> None:
    with pages(root, opened=False) as client:
        thief = client.another()
        address = client.desk.access.address("", here=True)
        assert client.get(address).status_code == 200
        assert thief.get(address).status_code == 403
        assert thief.get("/").status_code == 403
        assert client.get(address).status_code == 200, "who is in already is led on"
        assert "set-cookie" not in client.get(address).headers


@pytest.mark.parametrize(
    "headers",
    [{"sec-fetch-mode": "no-cors"}, {"sec-fetch-mode": "cors"}, {"sec-purpose": "prefetch"}, {"host": "evil.example"}],
)
def test_a_ticket_is_used_up_by_looking_at_it_only(root: Path, headers: dict[str, str]) -> None:
    with pages(root, opened=False) as client:
        address = client.desk.access.address("", here=True)
        assert client.get(address, headers=headers).status_code in (403, 503)
        assert client.get(address, headers={"sec-fetch-site": "cross-site"}).status_code == 200


def test_a_ticket_grows_old_and_gives_way_to_many_new_ones() -> None:
    now = [0.0]
    access = Access(clock=lambda: now[0])
    tickets = [access.address("", here=True).partition("=")[2] for _ in range(MOST_TICKETS + 1)]
    assert access.admit(tickets[0], "", "") is None
    assert access.admit(tickets[1], "", "") is not None
    now[0] = TICKET_S + 1.0
    assert access.admit(tickets[2], "", "") is None


def test_secrets_are_long_and_never_the_same() -> None:
    access = [Access() for _ in range(100)]
    tickets = {each.address("", here=True).partition("=")[2] for each in access}
    sessions = {str(each.admit(each.address("", here=True).partition("=")[2], "", "")) for each in access}
    paths = {each.path for each in access}
    assert len(tickets) == len(sessions) == len(paths) == 100
    assert min(map(len, tickets)) >= 24
    assert min(map(len, sessions)) >= 40
    assert min(map(len, paths)) >= 17


@pytest.mark.parametrize(
    "odd",
    [
        "a", "=", ";;", "odd=a b", 'q="', "{x}=[y]", "caf\xe9=\xff", f"taptest_{PORT}=junk", f"taptest_{PORT}=",
        "a=1; $Version=0; b@c=d,e", "x" * 8000,
    ],
)  # fmt: skip
def test_a_foreign_cookie_locks_nobody_out(client: Pages, odd: str) -> None:
    """Programs at other ports of this computer set cookies for its name, too (RFC 6265, 8.5)."""
    for cookie in (f"{odd}; {client.cookie}", f"{client.cookie}; {odd}"):
        assert client.get("/new", headers=[(b"cookie", cookie.encode("latin-1"))]).status_code == 200
    twice = [(b"cookie", odd.encode("latin-1")), (b"cookie", client.cookie.encode())]
    assert client.get("/new", headers=twice).status_code == 200


def test_a_device_that_is_shut_out_is_out(root: Path) -> None:
    with pages(root) as client:
        phone = client.another()
        assert phone.enter().status_code == 200
        assert [each.number for each in client.desk.access.devices()] == [1, 2]
        assert client.send_form("/settings/devices/2/out").status_code == 303
        assert phone.get("/").status_code == 403
        assert client.get("/").status_code == 200
        assert client.send_form("/settings/devices/2/out").status_code == 303, "once more does no harm"


def test_a_device_of_the_network_lets_nobody_in_and_shuts_nobody_out(root: Path) -> None:
    with pages(root) as client:
        phone = client.another()
        phone.get(client.desk.access.address("", here=False))
        assert "Allow another browser" not in phone.get("/settings").text
        assert phone.send_form("/settings/devices/another").status_code == 403
        assert phone.send_form("/settings/devices/1/out").status_code == 403
        assert len(client.desk.access.devices()) == 2
        assert client.get("/").status_code == 200


def test_every_address_on_the_pages_lies_below_their_path(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    with pages(root, path="/below") as client:
        client.desk.visits.search(refresh=True)
        seen: set[str] = set()
        found = ["/below/"]
        while found:
            path = found.pop()
            answer = client.get(path)
            assert answer.status_code in (200, 422), path
            if not answer.headers["content-type"].startswith("text/html"):
                continue
            addresses = re.findall(r'[a-z-]+="(/[^"]*)"', answer.text)
            assert addresses
            assert not [each for each in addresses if not each.startswith("/below/")], path
            links = {each.partition("#")[0] for each in re.findall(r'href="([^"#]+)', answer.text)} - seen
            seen |= links
            found += sorted(each for each in links if ".pdf" not in each and "." not in each.rpartition("/")[2])
        assert any("/point/" in each for each in seen)
        moved = client.send_form("/below/settings", data={})
        assert moved.headers["location"].startswith("/below/settings?note=")


def test_what_starts_the_browser_carries_no_ticket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Everybody on the computer can read with what words a program was started (ps, POSIX.1-2017)."""
    access, opened = Access(), []

    def look(address: str) -> bool:
        path = Path(url2pathname(urlsplit(address).path))
        opened.append((address, path, path.read_text(encoding="utf-8"), path.parent.stat().st_mode & 0o777))
        access.used.set()
        return True

    monkeypatch.setattr("webbrowser.open", look)
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    for name, age_s in (("old", 1e5), ("new", 0.0)):
        (tmp_path / f"{serve.OPENS}{name}").mkdir()
        os.utime(tmp_path / f"{serve.OPENS}{name}", (time.time() - age_s,) * 2)
    serve.open_browser(access, BASE, tmp_path)
    address, path, text, mode = opened[0]
    ticket = re.search(r"ticket=([^\"]+)", text)
    assert ticket
    assert ticket[1] not in address
    assert access.path not in address
    assert mode == 0o700 or os.name == "nt"
    assert path.parent.parent == tmp_path
    assert [each.name for each in tmp_path.iterdir()] == [f"{serve.OPENS}new"], "it is gone when the pages are open"
    assert access.admit(ticket[1], "", "") is not None


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:80", f"127.0.0.1.evil.example:{PORT}", "", "\xff"],
)
def test_another_name_that_points_here_is_refused(client: Pages, host: str) -> None:
    answer = client.get("/", headers=[(b"host", host.encode("latin-1"))])
    assert answer.status_code == 403
    assert answer.text == guard.NOT_FROM_HERE


def test_both_names_of_this_computer_answer(client: Pages) -> None:
    for host in ("127.0.0.1", "localhost"):
        headers = {"host": f"{host}:{PORT}", "cookie": client.cookie}
        assert client.get("/new", headers=headers).status_code == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", f"https://127.0.0.1:{PORT}", "http://127.0.0.1:81", ""]
)
def test_a_request_from_another_page_is_refused(client: Pages, origin: str) -> None:
    assert client.post("/new", headers={"origin": origin}, data={}).status_code == 403
    assert client.get("/", headers={"origin": origin}).status_code == 403


def test_a_change_without_an_origin_is_refused(client: Pages) -> None:
    assert client.post("/new", data={}).status_code == 403
    assert client.post("/new", data={}, headers={"sec-fetch-site": "same-origin"}).status_code == 422
    assert client.post("/new", data={}, headers={"origin": BASE}).status_code == 422


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_link_on_another_site_does_not_open_a_page(client: Pages, site: str) -> None:
    assert client.get("/", headers={"sec-fetch-site": site}).status_code == 403
    assert client.get("/", headers={"sec-fetch-site": "none"}).status_code == 200


def test_a_header_given_twice_counts_as_none(client: Pages) -> None:
    headers = [("host", f"127.0.0.1:{PORT}"), ("host", "evil.example")]
    assert client.get("/", headers=headers).status_code == 403


@pytest.mark.parametrize("path", GETS)
def test_every_answer_carries_the_policy(client: Pages, path: str) -> None:
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["referrer-policy"] == "same-origin"


def test_no_page_has_a_script_or_a_style_of_its_own_or_a_foreign_address() -> None:
    here = Path(guard.__file__).parent
    for template in here.glob("templates/*.html"):
        text = template.read_text(encoding="utf-8")
        assert "<style" not in text, template
        assert " style=" not in text, template
        assert not re.search(r"\son[a-z]+=", text), template
        assert text.count("<script") == text.count('<script src="{{ at }}/static/'), template
        assert "://" not in text, template
        assert "|safe" not in text.replace(" ", ""), template
    for static in here.glob("static/*"):
        text = static.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "://" not in text, static
        assert "innerHTML" not in text, static


def test_more_than_is_taken_is_refused_before_it_is_read(client: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    announced = {"origin": BASE, "content-length": str(guard.MOST_UPLOAD_BYTES + 1)}
    assert client.post("/new", headers=announced, content=b"").status_code == 413
    monkeypatch.setattr(guard, "MOST_FORM_BYTES", 1000)
    answer = client.send_form("/visit/x/evidence", data={"a": "b" * 2000})
    assert answer.status_code == 413


def test_more_than_was_announced_is_noticed_while_it_comes(client: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "MOST_UPLOAD_BYTES", 5000)

    def stream() -> Iterator[bytes]:
        yield b"a=1"
        for _ in range(100):
            yield b"&b=" + b"x" * 1000

    headers = {"origin": BASE, "content-type": "application/x-www-form-urlencoded"}
    answer: httpx2.Response = client.post("/new", headers=headers, content=stream())
    assert answer.status_code == 413
    assert "MB were sent" in answer.text


@pytest.mark.parametrize("length", ["-1", "1e3", "0x10", "²"])
def test_a_length_that_is_no_number_is_refused(client: Pages, length: str) -> None:
    headers = [(b"origin", BASE.encode()), (b"content-length", length.encode("utf-8"))]
    assert client.post("/new", headers=headers, content=b"").status_code == 413


def test_the_port_is_that_of_this_computer_only() -> None:
    from taptest.desk.serve import open_port
    from taptest.errors import StorageError

    with open_port(0) as listening:
        host, port = listening.getsockname()
        assert host == "127.0.0.1"
        with pytest.raises(StorageError, match="cannot be used"):
            open_port(port)
    with pytest.raises(StorageError, match="--port"):
        open_port(99_999)


def test_what_nobody_foresaw_is_said_on_a_page_that_leads_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(request: Request) -> Response:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr("taptest.desk.size_pages.size_form", fail)
    guarded = make_app(tmp_path, Access(""), PORT, Arrays())
    with TestClient(guarded, base_url=BASE, raise_server_exceptions=False) as client:
        client.get(guarded.access.address("", here=True))
        answer = client.get("/size")
    assert answer.status_code == 500
    assert "taptest itself failed here" in answer.text
    assert "To the visits" in answer.text
    assert "a fault" not in answer.text
    assert "content-security-policy" in answer.headers

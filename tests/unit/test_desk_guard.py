"""The safety frame of the pages: secret, Host, Origin, headers, limits.

Header names and values follow RFC 9110 (Host, Origin in RFC 6454), RFC 6265bis (SameSite), W3C Content Security Policy
level 3 and W3C Fetch Metadata.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
from starlette.requests import Request
from starlette.responses import Response
from starlette.testclient import TestClient

from taptest.desk import guard
from taptest.desk.app import make_app
from tests.made_desk import BASE, PORT, TOKEN, Arrays, Pages, make_shelf, pages

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
        assert stranger.get("/?token=wrong").status_code == 403
        assert stranger.get("/new?token=" + TOKEN).status_code == 403


def test_the_opened_address_gives_a_strict_cookie_and_hides_the_secret(root: Path) -> None:
    with pages(root, opened=False) as client:
        answer = client.get(f"/?token={TOKEN}")
        assert answer.status_code == 303
        assert answer.headers["location"] == "/"
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert client.get("/").status_code == 200


def test_tokens_are_long_and_never_the_same() -> None:
    tokens = {guard.new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert all(len(token) >= 40 for token in tokens)


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
        headers = {"host": f"{host}:{PORT}", "cookie": f"taptest_{PORT}={TOKEN}"}
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
        assert text.count("<script") == text.count('<script src="/static/'), template
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
    guarded = make_app(tmp_path, TOKEN, PORT, Arrays())
    with TestClient(guarded, base_url=BASE, raise_server_exceptions=False) as client:
        client.get(f"/?token={TOKEN}")
        answer = client.get("/size")
    assert answer.status_code == 500
    assert "taptest itself failed here" in answer.text
    assert "To the visits" in answer.text
    assert "a fault" not in answer.text
    assert "content-security-policy" in answer.headers

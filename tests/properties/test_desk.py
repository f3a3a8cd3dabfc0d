"""Hostile requests: whatever is sent, no page fails, nothing outside the shelf is read out or written.

What is written is watched by the interpreter's own audit events (PEP 578), not by looking at the disk afterwards.
"""

import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from taptest.desk.app import ROUTES
from taptest.desk.browser_sound import BROWSER
from taptest.desk.fields import FIELDS
from taptest.desk.visits import ident_of
from taptest.report import figures
from taptest.visit import analyse
from taptest.visit.files import read_visit, save_document
from tests.made_desk import Arrays, Pages, make_shelf, pages
from tests.samples import part
from tests.unit.test_desk_pages import TYPED

pytestmark = pytest.mark.sampled

CANARY = "canary-that-no-page-may-show"
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
NASTY = (
    "..", "../../canary.txt", "..\\..\\canary.txt", "/etc/passwd", "%2e%2e%2fcanary.txt", "C:\\canary.txt", "con",
    "\0", "\r\nset-cookie: a=b", "'; DROP TABLE visits; --", "{{7*7}}", "${7*7}", "<script>", "a" * 5000, "NaN", "-1",
    "1e999", "99999999999999999999", "\ud800".encode("utf-16", "surrogatepass").decode("utf-16", "replace"), "١٢", " ",
)  # fmt: skip
KEYS = (
    *FIELDS, "mark", "onset", "verdict", "why", "position", "key", "plain", "microphone", "first", "last", "every",
    "taps", "walk.first", "walk.last", "walk.every", "walk.taps", "evidence.drips", "shown.drips", "files", "from",
    "like", "note", "text", "number", "count", "ticket", "site", "tank", "since", "until", "finding", "paper",
    "wording", "take", "look", "again",
)  # fmt: skip
HEARD_KEYS = ("label", "rate", "device-rate", "channels", "echo", "noise", "gain", "x")
GOOD = ("1.5 bar", "18 l", "270 mm", "diaphragm", "top", "vertical", "2025-01-31", "refuse", "use", "back", "hot", "3")
IDENT = ident_of("cellar")
PATHS = sorted({route.path for route in ROUTES if hasattr(route, "path") and "events" not in route.path})

texts = st.sampled_from(NASTY) | st.sampled_from(GOOD) | st.text(max_size=40)
forms = st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=10), texts, max_size=12)
contents = st.binary(max_size=300) | st.sampled_from(
    (b"position_mm,taps\n10,3\n", b"position_mm,file\n10,../canary.txt\n")
)
uploads = st.lists(st.tuples(texts, contents), max_size=3)

_watched: list[str] = []
_watching = False


def _audit(event: str, details: tuple[Any, ...]) -> None:
    if not _watching:
        return
    if event == "open" and isinstance(details[2], int) and details[2] & WRITING:
        _watched.append(str(details[0]))
    elif event in ("os.remove", "os.rmdir") and details[1] != -1:
        return  # below an open folder, whose number it gives: so temporary folders are emptied
    elif event in ("os.mkdir", "os.remove", "os.rmdir", "os.rename", "os.link", "os.symlink", "os.truncate"):
        _watched.extend(str(part) for part in details if isinstance(part, str | os.PathLike))


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "canary.txt").write_text(CANARY, encoding="utf-8")
    make_shelf(folder / "visits")
    assert figures is not None, "its libraries make folders of their own when they are first loaded"
    sys.addaudithook(_audit)
    with pytest.MonkeyPatch.context() as patch, pages(folder / "visits", Arrays(None)) as client:
        patch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
        patch.setenv("TAPTEST_HOME", str(folder / "home"))
        client.desk.visits.search(refresh=True)
        yield client


@pytest.fixture(scope="module")
def listening(client: Pages) -> Iterator[str]:
    """A visit whose round listens to a browser."""
    where = str(client.send_form("/new", data=TYPED).headers["location"]).partition("?")[0]
    begun = client.send_form(f"{where}/round", data={"microphone": BROWSER, "taps": "3"})
    assert begun.status_code == 303
    yield where
    client.send_form(f"{where}/round/key", data={"key": "stop"})


@pytest.fixture(autouse=True)
def _as_before(client: Pages) -> Iterator[None]:
    before = read_visit(client.desk.visits.root / "cellar").document
    yield
    save_document(client.desk.visits.root / "cellar", before)


def check(client: Pages, method: str, path: str, **more: Any) -> None:
    """Send a request and hold its answer and all that was written meanwhile to the rules."""
    global _watching  # noqa: PLW0603 - an audit hook cannot be taken away, only told not to look
    _watched.clear()
    _watching = True
    try:
        answer = client.request(method, path, headers={"origin": "http://127.0.0.1:8123"}, **more)
    finally:
        _watching = False
    assert answer.status_code < 500, (method, path, answer.status_code)
    assert CANARY not in answer.text
    assert "<script>" not in answer.text
    assert "set-cookie" not in answer.headers
    root = str(client.desk.visits.root)
    home = os.environ["TAPTEST_HOME"]  # where the settings are kept
    allowed = (root, home, str(Path(tempfile.gettempdir()) / "taptest-"), os.devnull)
    outside = [path for path in _watched if not path.startswith(allowed) and not _own(path)]
    assert not outside


def _own(path: str) -> bool:
    """Whether a path is the temporary name of an upload, or written by the interpreter or the test tools themselves."""
    spooled = Path(path).parent == Path(tempfile.gettempdir()) and Path(path).name.startswith("tmp")
    return spooled or "__pycache__" in path or ".hypothesis" in path or path.isdecimal()


def filled(path: str, ident: str, number: str, word: str) -> str:
    """Put values into the places of an address."""
    for place, value in (("{ident}", ident), ("{place:int}", number), ("{tap:int}", number), ("{form}", word),
                         ("{page}", word)):  # fmt: skip
        path = path.replace(place, value)
    return path


def quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


many = settings(
    max_examples=part(60), deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@many
@given(
    path=st.sampled_from(PATHS),
    ident=st.just(IDENT) | texts,
    number=st.sampled_from(("1", "3", "0", "-1", "99999999999999999999", "x", "١")),
    word=st.sampled_from(("svg", "report", "customer", "..", "x" * 300)),
    query=forms,
)
def test_no_address_fails(client: Pages, path: str, ident: str, number: str, word: str, query: dict[str, str]) -> None:
    query.pop("ticket", None)
    check(client, "GET", filled(path, quoted(ident), quoted(number), word), params=query)


@many
@given(path=st.sampled_from(PATHS), number=st.sampled_from(("1", "3", "7")), form=forms)
def test_no_form_fails(client: Pages, path: str, number: str, form: dict[str, str]) -> None:
    check(client, "POST", filled(path, IDENT, number, "report"), data=form)


@settings(many, max_examples=part(40))
@given(
    ident=st.just(IDENT) | texts,
    stream=st.just("") | texts,
    first=st.integers(-(10**20), 10**20).map(str) | texts,
    block=st.binary(max_size=64) | st.just(b"\0\0\x80\x7f") | st.just(b"\0" * 800_001),
    told=st.dictionaries(st.sampled_from(HEARD_KEYS), texts | st.sampled_from(("48000", "true", "1e400")), max_size=8),
)
def test_no_sound_fails(
    client: Pages, listening: str, ident: str, stream: str, first: str, block: bytes, told: dict[str, str]
) -> None:
    """Into a round that waits for a browser's microphone, and into visits that have none."""
    round_ = f"{listening}/round" if ident == IDENT else f"/visit/{quoted(ident)}/round"
    key = stream
    if ident == IDENT and stream == "":
        answer = client.send_form(f"{round_}/microphone", data={**told, "rate": "48000"})
        assert answer.status_code == 200
        key = answer.json()["stream"]
    check(client, "POST", f"{round_}/microphone", data=told)
    check(client, "POST", f"{round_}/heard", params={"stream": key, "first": first}, content=block)
    check(client, "POST", f"{round_}/microphone/leave", data={"stream": key, "why": first})
    live = client.desk.rounds.of(listening.rpartition("/")[2])
    assert live is not None
    assert live.running
    assert live.feed is not None
    if live.feed.told()["fed"]:
        assert live.feed._now is not None
        live.feed.leave(live.feed._now.key, "left")


@settings(many, max_examples=part(30))
@given(path=st.sampled_from(("/new", "/unpack", f"/visit/{IDENT}/sound")), form=forms, sent=uploads)
def test_no_upload_fails(client: Pages, path: str, form: dict[str, str], sent: list[tuple[str, bytes]]) -> None:
    good = {"tank.kind": "plain", "tank.volume": "18 l", "tank.diameter": "270 mm", "tank.axis": "vertical"}
    files = [("files", (name.replace("\0", "_") or "x", content, "audio/wav")) for name, content in sent]
    check(client, "POST", path, data={**form, **good}, files=files or None)


@settings(many, max_examples=part(30))
@given(
    body=st.binary(max_size=200),
    kind=st.sampled_from(
        (
            "application/x-www-form-urlencoded",
            "multipart/form-data",
            "multipart/form-data; boundary=x",
            "multipart/form-data; boundary=x; charset=raw_unicode_escape",
            "multipart/form-data; boundary=x; charset=no-such-thing",
            "application/json",
            "\xff",
        )
    ),
    method=st.sampled_from(("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD")),
)
def test_no_body_fails(client: Pages, body: bytes, kind: str, method: str) -> None:
    part = b'--x\r\ncontent-disposition: form-data; name="tank.name"\r\n\r\n' + body + b"\\ud800\r\n--x--\r\n"
    for content in (body, part):
        _check_raw(client, method, content, kind)


def _check_raw(client: Pages, method: str, content: bytes, kind: str) -> None:
    headers = [(b"origin", b"http://127.0.0.1:8123"), (b"content-type", kind.encode("latin-1"))]
    answer = client.request(method, "/new", headers=headers, content=content)
    assert answer.status_code < 500
    assert CANARY not in answer.text

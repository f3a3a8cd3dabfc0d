"""A flood of connections that say nothing: the pages go on answering, and little is written down of it.

The desk runs as a process of its own with 256 open files, as some systems allow by default (value from memory:
`ulimit -n` of a new shell on macOS). The flood stays on this computer.
"""

import asyncio
import contextlib
import http.client
import logging
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import pytest
from starlette.exceptions import HTTPException
from starlette.types import Message

from taptest.desk import connections, guard
from taptest.desk.connections import FewLines
from tests.desk_in_browser import served

resource = pytest.importorskip("resource", reason="This system has no limits of open files to set.")

HALF_OPEN = 1000
PAGE_S = 1.0
"""A page under such a flood, as a user waits for it."""
BEGUN = {
    "nothing": b"",
    "half a line": b"GET / HT",
    "half the headers": b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx-a: 1\r\n",
    "half a body": b"POST /new HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 1000\r\n\r\nabc",
    "no HTTP": b"\x16\x03\x01\x02\x00\r\n\r\n",
}


@dataclass
class Running:
    """A desk that runs."""

    process: "subprocess.Popen[str]"
    port: int
    path: str
    cookie: str
    log: Path

    def page_s(self) -> float:
        """Ask for a page over a new connection; returns how long it took."""
        began = time.perf_counter()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        connection.request("GET", f"{self.path}/new", headers={"cookie": self.cookie})
        answer = connection.getresponse()
        answer.read()
        connection.close()
        assert answer.status == 200
        return time.perf_counter() - began


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Running]:
    log = tmp_path / "log.txt"
    few_files = ("sh", "-c", 'ulimit -n 256; exec "$@"', "sh")
    command = [*few_files, sys.executable, "-m", "taptest", "desk", "--shelf", str(tmp_path / "visits"), "--no-browser"]
    with (
        log.open("wb") as written,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=written, text=True) as process,
    ):
        assert process.stdout is not None
        found = None
        while found is None:
            line = process.stdout.readline()
            assert line, log.read_text()
            found = re.search(r"http://127\.0\.0\.1:(\d+)(/\S+)/(\?ticket=\S+)", line)
        connection = http.client.HTTPConnection("127.0.0.1", int(found[1]), timeout=10)
        connection.request("GET", f"{found[2]}/{found[3]}")
        cookie = str(connection.getresponse().getheader("set-cookie")).partition(";")[0]
        connection.close()
        running = Running(process, int(found[1]), found[2], cookie, log)
        running.page_s()
        try:
            yield running
        finally:
            process.terminate()
            process.wait(10)


@contextlib.contextmanager
def flood(port: int, begun: bytes) -> Iterator[list[socket.socket]]:
    """Open connections, begin a request on each, and keep them."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < HALF_OPEN + 200:
        pytest.skip(f"This system allows {hard} open files.")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, HALF_OPEN + 200), hard))
    opened: list[socket.socket] = []
    try:
        for _ in range(HALF_OPEN):
            each = socket.create_connection(("127.0.0.1", port), 10)
            opened.append(each)
            with contextlib.suppress(ConnectionError):
                each.sendall(begun)
        yield opened
    finally:
        for each in opened:
            each.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.parametrize("begun", BEGUN)
def test_a_thousand_half_open_connections_leave_the_pages_answering(desk: Running, begun: str) -> None:
    with flood(desk.port, BEGUN[begun]):
        took = [desk.page_s() for _ in range(5)]
        assert max(took) < PAGE_S, took
        assert desk.process.poll() is None
        handles = Path(f"/proc/{desk.process.pid}/fd")
        if handles.is_dir():
            assert len(list(handles.iterdir())) < connections.MOST_CONNECTIONS + 60
    assert median(desk.page_s() for _ in range(3)) < PAGE_S
    assert desk.log.stat().st_size < 10_000, desk.log.read_text()[:2000]


def ended_s(port: int, begun: bytes, drip: bytes = b"") -> float:
    """Begin a request, and drip on; returns the seconds until the desk ends the connection."""
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", port), 10) as each:
        each.sendall(begun)
        each.settimeout(0.05)
        while time.monotonic() - began < 10:
            with contextlib.suppress(TimeoutError):
                if each.recv(65536) == b"":
                    break
            if drip:
                each.sendall(drip)
    return time.monotonic() - began


@pytest.mark.parametrize(
    ("begun", "drip"),
    [(b"", b""), (b"GET / HTTP/1.1\r\n", b"x: 1\r\n"), (BEGUN["half a body"], b""), (BEGUN["half a body"], b"a")],
)
def test_who_says_too_little_is_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begun: bytes, drip: bytes
) -> None:
    monkeypatch.setattr(connections, "SILENT_S", 0.4)
    monkeypatch.setattr(connections, "IDLE_S", 0.4)
    with served(tmp_path) as desk, contextlib.suppress(ConnectionError):
        assert 0.2 < ended_s(int(desk.base.split(":")[2].partition("/")[0]), begun, drip) < 5


def test_a_body_that_stops_half_way_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.1)

    async def stopping() -> Message:
        if not sent:
            sent.append(True)
            return {"type": "http.request", "body": b"a" * 10, "more_body": True}
        await asyncio.sleep(60)
        raise AssertionError

    async def read() -> None:
        receive = guard._counted(stopping, 1000)
        assert len((await receive())["body"]) == 10
        await receive()

    sent: list[bool] = []
    with pytest.raises(HTTPException, match="upload stopped") as caught:
        asyncio.run(read())
    assert caught.value.status_code == 408


def test_a_request_that_came_whole_may_be_answered_as_long_as_it_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.05)

    async def gone() -> Message:
        if not sent:
            sent.append(True)
            return {"type": "http.request", "body": b"", "more_body": False}
        await asyncio.sleep(0.2)
        return {"type": "http.disconnect"}

    async def read() -> Message:
        receive = guard._counted(gone, 1000)
        await receive()
        return await receive()

    sent: list[bool] = []
    assert asyncio.run(read())["type"] == "http.disconnect"


def test_little_is_written_down_and_what_is_new_still_is() -> None:
    now = [0.0]
    few = FewLines(lambda: now[0])

    def line(text: str) -> logging.LogRecord:
        return logging.LogRecord("uvicorn.error", logging.WARNING, "", 0, text, None, None)

    told = [record for record in (line("Invalid HTTP request received.") for _ in range(100_000)) if few.filter(record)]
    assert len(told) == connections.LINES
    assert "hidden" in told[-1].getMessage()
    assert few.filter(line("Exception in ASGI application"))
    now[0] = connections.LINES_S + 1
    assert few.filter(line("Invalid HTTP request received."))

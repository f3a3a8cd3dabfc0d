"""The desk's round over a real sound path: taps are played into a virtual microphone while the pages are open.

What is heard must be what was played: the peaks of the taps, at the marks that the page asked for.
"""

import http.client
import json
import math
import re
import subprocess
import sys
import urllib.parse
from pathlib import Path

import pytest

from taptest.visit.files import read_visit
from tests.live_round import LiveRound, plain_taps, tap_along
from tests.tapping import Hand
from tests.unit.test_desk_pages import TYPED
from tests.virtual_microphone import Player, Server, serving

WISH = {"first": "60 mm", "last": "180 mm", "every": "60 mm", "taps": "3"}
"""Neither reference nor practice, tones or estimate: three marks."""


class Desk(LiveRound):
    """`taptest desk` as a process on a virtual microphone, asked as a browser asks."""

    def __init__(self, server: Server, shelf: Path) -> None:
        environment = {**server.environment, "TAPTEST_HOME": str(shelf.parent / "home"), "OMP_NUM_THREADS": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "taptest", "desk", "--shelf", str(shelf), "--no-browser"],
            env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=False,
        )  # fmt: skip
        assert self.process.stdout is not None
        address = None
        while address is None:
            line = self.process.stdout.readline().decode()
            assert line, "the desk ended before it was open"
            address = re.search(r"http://([\d.]+):(\d+)(/\S+)/(\?ticket=\S+)", line)
        self.host, self.port, self.below, ticket = address[1], int(address[2]), address[3], address[4]
        connection = http.client.HTTPConnection(self.host, self.port, timeout=30)
        connection.request("GET", f"{self.below}/{ticket}")
        self.cookie = str(connection.getresponse().getheader("set-cookie")).partition(";")[0]
        connection.close()

    def ask(self, method: str, path: str, form: dict[str, str] | None = None) -> tuple[str, str]:
        """Send a request; returns where it leads, and its text."""
        connection = http.client.HTTPConnection(self.host, self.port, timeout=30)
        headers = {
            "cookie": self.cookie,
            "origin": f"http://{self.host}:{self.port}",
            "content-type": "application/x-www-form-urlencoded",
        }
        connection.request(
            method, f"{self.below}{path}", None if form is None else urllib.parse.urlencode(form), headers
        )
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
        assert answer.status in (200, 303), text
        return (answer.getheader("location") or "").partition("?")[0].removeprefix(self.below), text

    def close(self) -> None:
        super().close()
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.mark.slow
def test_a_round_from_the_page_hears_what_is_played(tmp_path: Path) -> None:
    with serving(tmp_path / "server") as server:
        player = Player(server, Hand().quiet(3.0).sound())
        desk = Desk(server, tmp_path / "visits")
        try:
            where, _ = desk.ask("POST", "/new", TYPED)
            _, page = desk.ask("GET", f"{where}/round")
            microphone = re.search(r'<option value="([^"]+)"', page)
            assert microphone, "the virtual microphone is not offered"
            desk.ask("POST", f"{where}/round", {**WISH, "microphone": microphone[1]})
            desk.folder = tmp_path / "visits" / "2025-03-14-mill-lane-4-cellar"
            assert tap_along(desk, player, plain_taps, 3) == 3
            _, stream = desk.ask("GET", f"{where}/round/events")
        finally:
            player.close()
            desk.close()
    told = [json.loads(line.removeprefix("data: ")) for line in stream.splitlines() if line.startswith('data: {"')]
    assert (told[-1]["state"], told[-1]["points"]) == ("done", 3)
    assert [point.position_mm for point in read_visit(desk.folder).document.points] == [60, 120, 180]
    accepted = [entry for entry in desk.entries("tap") if entry["accepted"]]
    # The virtual microphone hands samples on as they are: the peaks are those that were played, within 0.2 dB.
    assert [max(tap["peak_db"] for tap in accepted[3 * i : 3 * i + 3]) for i in range(3)] == pytest.approx(
        [20 * math.log10(abs(plain_taps(position)).max()) for position in (60, 120, 180)], abs=0.2
    )

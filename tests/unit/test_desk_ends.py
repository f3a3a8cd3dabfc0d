"""The end of `taptest desk`, asked for by signals while pages watch a round: in order, soon, and without a traceback.

Signals and the code 128 + 2 of a program that was interrupted: POSIX.1-2017 and the shell's convention.
"""

import http.client
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlencode

import pytest

from tests.unit.test_desk_pages import TYPED
from tests.unit.test_desk_round import WISH

DESK = """
import sys
from taptest import cli
from taptest.desk import render
from tests.made_desk import Arrays
from tests.unit.test_desk_round import Endless, tapping

render.Devices = lambda: Arrays(lambda: Endless(tapping(6)))
sys.argv = ["taptest", "desk", "--shelf", sys.argv[1], "--no-browser"]
cli.entry()
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signals.")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_a_desk_that_is_stopped_ends_its_round_and_lets_the_pages_go(tmp_path: Path, sent: signal.Signals) -> None:
    command = [sys.executable, "-c", DESK, str(tmp_path / "visits")]
    here = {**os.environ, "TAPTEST_HOME": str(tmp_path), "TAPTEST_CACHE": str(tmp_path / "cache")}
    root = str(Path(__file__).parents[2])
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=here, cwd=root
    ) as desk:
        assert desk.stdout is not None
        assert desk.stderr is not None
        found = None
        while found is None:
            line = desk.stdout.readline()
            assert line, desk.stderr.read()
            found = re.search(r"http://127\.0\.0\.1:(\d+)(/\S+)/(\?ticket=\S+)", line)
        connection = http.client.HTTPConnection("127.0.0.1", int(found[1]), timeout=30)
        connection.request("GET", f"{found[2]}/{found[3]}")
        opened = connection.getresponse()
        opened.read()
        headers = {
            "cookie": str(opened.getheader("set-cookie")).partition(";")[0],
            "origin": f"http://127.0.0.1:{found[1]}",
            "content-type": "application/x-www-form-urlencoded",
        }
        connection.request("POST", f"{found[2]}/new", urlencode(TYPED), headers)
        answer = connection.getresponse()
        answer.read()
        assert answer.status == 303
        where = str(answer.getheader("location")).partition("?")[0]
        connection.request("POST", f"{where}/round", urlencode(WISH), headers)
        connection.getresponse().read()
        connection.request("GET", f"{where}/round/events", headers=headers)
        stream = connection.getresponse()
        assert stream.readline().startswith(b"data: ")
        desk.send_signal(sent)
        told = stream.read().decode()
        connection.close()
        out, err = desk.stdout.read(), desk.stderr.read()
        assert desk.wait(20) == 130, err
    assert told.rstrip().endswith("event: over\ndata: {}")
    assert json.loads(told.split("data: ")[-2].partition("\n")[0])["state"] == "stopped"
    assert err == "taptest: stopped; what was saved before is kept.\n"
    assert "Traceback" not in out

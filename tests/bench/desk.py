"""How soon the first page is there after `taptest desk` is started, and what a live level costs.

Run by hand:  python -m tests.bench.desk
Each run is a process of its own, timed from its start to the last byte of the first page; beside it, in the same run,
the time of a Python that only loads the web libraries, so that a busy computer shows in both.
"""

import http.client
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median
from urllib.parse import parse_qs, urlencode, urlsplit

import numpy as np
from numpy.typing import NDArray

from taptest.desk.browser_sound import BROWSER, PIECE_SAMPLES
from tests.desk_in_browser import served
from tests.made_desk import Arrays, make_shelf
from tests.shots.desk import RealTime
from tests.tapping import Hand
from tests.unit.test_desk_pages import TYPED

RUNS = 9
TARGET_S = 0.300
WATCHED_S = 10.0
LIBRARIES = "import starlette.applications, uvicorn, uvicorn.protocols.http.h11_impl, jinja2"


def first_page(shelf: Path) -> tuple[float, float]:
    """Seconds until the address is printed and until the first page is whole."""
    started = time.perf_counter()
    command = [sys.executable, "-m", "taptest", "desk", "--shelf", str(shelf), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = None
        while address is None:
            address = re.search(r"http://([\d.]+):(\d+)(/\S+/)(\?ticket=\S+)", process.stdout.readline())
        printed = time.perf_counter() - started
        host, port, path, ticket = address.groups()
        connection = http.client.HTTPConnection(host, int(port))
        connection.request("GET", f"{path}{ticket}")
        opened = connection.getresponse()
        opened.read()
        connection.request("GET", path, headers={"cookie": str(opened.getheader("set-cookie")).partition(";")[0]})
        answer = connection.getresponse()
        content = answer.read()
        whole = time.perf_counter() - started
        assert answer.status == 200, answer.status
        assert b"Cellar" in content
        connection.close()
        process.terminate()
        process.wait(10)
    return printed, whole


def libraries() -> float:
    """Seconds that a Python takes that only loads the web libraries."""
    started = time.perf_counter()
    subprocess.run([sys.executable, "-c", LIBRARIES], check=True)
    return time.perf_counter() - started


def level(*, browser: bool) -> tuple[float, float]:
    """Snapshots a second that a watcher of a round gets, and the share of a core that all of it takes meanwhile.

    Everything runs in this process: the sound in real time, finding taps, keeping it on the disk, server and watcher;
    with `browser` also the sending of what a page would hear.
    """
    sound = Hand(seed=5).quiet(3.6).taps(40, then_s=0.6).sound()
    with tempfile.TemporaryDirectory() as place:
        shelf = Path(place) / "visits"
        shelf.mkdir()
        with served(shelf, Arrays(lambda: RealTime(sound))) as desk:
            address = urlsplit(desk.base)
            host, port, below = str(address.hostname), str(address.port), address.path
            session = desk.desk.access.admit(parse_qs(urlsplit(desk.opened).query)["ticket"][0], "", "")
            cookie = {"cookie": f"taptest_{port}={session}", "origin": f"http://{host}:{port}"}
            form = {**cookie, "content-type": "application/x-www-form-urlencoded"}
            connection = http.client.HTTPConnection(host, int(port))
            connection.request("POST", f"{below}/new", urlencode(TYPED), form)
            answer = connection.getresponse()
            where = str(answer.getheader("location")).partition("?")[0]
            answer.read()
            wish = {"taps": "3", "microphone": BROWSER if browser else "array"}
            connection.request("POST", f"{where}/round", urlencode(wish), form)
            connection.getresponse().read()
            over = threading.Event()
            if browser:
                threading.Thread(target=heard, args=(host, int(port), where, form, sound, over), daemon=True).start()
            connection.request("GET", f"{where}/round/events", headers=cookie)
            stream = connection.getresponse()
            time.sleep(2.0)
            until, used, came = time.perf_counter() + WATCHED_S, time.process_time(), 0
            while time.perf_counter() < until:
                came += stream.readline().startswith(b"data: ")
            share = (time.process_time() - used) / WATCHED_S
            over.set()
            connection.close()
    return came / WATCHED_S, share


def heard(
    host: str, port: int, where: str, form: dict[str, str], sound: NDArray[np.float64], over: threading.Event
) -> None:
    """Send a sound as a page sends what it hears: 48 ms a block, in real time."""
    connection = http.client.HTTPConnection(host, port)
    connection.request("POST", f"{where}/round/microphone", urlencode({"rate": "48000"}), form)
    stream = json.loads(connection.getresponse().read())["stream"]
    began = time.perf_counter()
    for first in range(0, len(sound), PIECE_SAMPLES):
        if over.wait(max(began + first / 48000 - time.perf_counter(), 0.0)):
            break
        block = sound[first : first + PIECE_SAMPLES].astype("<f4").tobytes()
        connection.request("POST", f"{where}/round/heard?stream={stream}&first={first}", block, form)
        connection.getresponse().read()
    connection.close()


def main() -> None:
    """Print the medians and their ratio."""
    with tempfile.TemporaryDirectory() as place:
        shelf = Path(place) / "visits"
        make_shelf(shelf, 30)
        from taptest.visit.shelf import Shelf

        with Shelf(shelf) as index:
            index.refresh()
        pages, bare, printed = [], [], []
        for _ in range(RUNS):
            bare.append(libraries())
            said, whole = first_page(shelf)
            printed.append(said)
            pages.append(whole)
    print(f"first page after the start   {1000 * median(pages):6.0f} ms (best {1000 * min(pages):.0f})")
    print(f"  of that, address printed   {1000 * median(printed):6.0f} ms (best {1000 * min(printed):.0f})")
    print(f"web libraries alone          {1000 * median(bare):6.0f} ms (best {1000 * min(bare):.0f})")
    print(f"ratio                        {median(pages) / median(bare):6.2f}")
    for browser, name in ((False, "round with one watcher"), (True, "from a browser's ears")):
        told, share = level(browser=browser)
        print(f"{name:<28} {told:6.1f} snapshots a second, {100 * share:.1f} % of a core (target 15 %)")
    for name, figure in (("best", min(pages)), ("median", median(pages))):
        print(f"target {1000 * TARGET_S:.0f} ms: {'met' if figure <= TARGET_S else 'missed'} by the {name}")


if __name__ == "__main__":
    main()

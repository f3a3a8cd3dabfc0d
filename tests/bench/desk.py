"""How soon the first page is there after `taptest desk` is started, and what a live level costs.

Run by hand:  python -m tests.bench.desk
Each run is a process of its own, timed from its start to the last byte of the first page; beside it, in the same run,
the time of a Python that only loads the web libraries, so that a busy computer shows in both.
"""

import http.client
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from tests.made_desk import make_shelf

RUNS = 9
TARGET_S = 0.300
LIBRARIES = "import starlette.applications, uvicorn, uvicorn.protocols.http.h11_impl, jinja2"


def first_page(shelf: Path) -> tuple[float, float]:
    """Seconds until the address is printed and until the first page is whole."""
    started = time.perf_counter()
    command = [sys.executable, "-m", "taptest", "desk", "--shelf", str(shelf), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = None
        while address is None:
            address = re.search(r"http://([\d.]+):(\d+)/\?token=(\S+)", process.stdout.readline())
        printed = time.perf_counter() - started
        host, port, token = address.groups()
        connection = http.client.HTTPConnection(host, int(port))
        connection.request("GET", "/", headers={"cookie": f"taptest_{port}={token}"})
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
    for name, figure in (("best", min(pages)), ("median", median(pages))):
        print(f"target {1000 * TARGET_S:.0f} ms: {'met' if figure <= TARGET_S else 'missed'} by the {name}")


if __name__ == "__main__":
    main()

"""How quickly many visits are listed: python -m tests.bench.shelf [VISITS]

Makes simulated visit folders (a document, two short files of sound) in a temporary folder, builds the index, refreshes
it without changes, and lists and searches it. The bound that is held up here: 10,000 visits listed in under 100 ms.
"""

import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from taptest.visit.shelf import Search, Shelf
from tests.made_visits import DOCUMENT


def made(root: Path, count: int) -> None:
    """Folders of visits in sites of fifty."""
    for number in range(count):
        folder = root / f"site{number // 50:04d}" / f"{number:05d}"
        (folder / "sound").mkdir(parents=True)
        day = f"{2015 + number % 10}-{1 + number % 12:02d}-{1 + number % 28:02d}"
        raw = {**DOCUMENT, "visited_on": day, "visit": {"site": f"Site {number // 50}"}}
        (folder / "visit.json").write_text(json.dumps(raw), encoding="utf-8")
        for name in ("a.wav", "b.wav"):
            (folder / "sound" / name).write_bytes(b"sound")


def milliseconds(work: Callable[[], object], times: int) -> float:
    """Median time of so many runs."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return 1e3 * sorted(taken)[times // 2]


def main(count: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        made(root, count)
        time.sleep(2.1)  # so that no file counts as just written
        with Shelf(root) as shelf:
            print(f"{count} visits")
            print(f"build the index      {milliseconds(shelf.refresh, 1):9.0f} ms")
            print(f"refresh, no changes  {milliseconds(shelf.refresh, 3):9.0f} ms")
            print(f"list all             {milliseconds(shelf.search, 9):9.1f} ms  (bound: 100 ms for 10,000)")
            print(f"search a site        {milliseconds(lambda: shelf.search(Search(site='site 17')), 9):9.1f} ms")
            found = len(shelf.search())
        start = time.perf_counter()
        with Shelf(root) as shelf:
            assert len(shelf.search()) == found == count
        print(f"open and list all    {1e3 * (time.perf_counter() - start):9.1f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)

"""The desk for tests: a shelf with made-up visits, pages without a browser, and sound without a device."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest
from starlette.testclient import TestClient

from taptest.capture.device import Source
from taptest.capture.session import Tones
from taptest.desk.access import Access
from taptest.desk.app import desk_behind, make_app
from taptest.desk.guard import OWN_NAMES
from taptest.desk.live import SoundWay
from taptest.desk.render import Desk
from taptest.errors import DeviceError
from taptest.visit import analyse
from taptest.visit.intake import Sources, import_visit
from tests.made_visits import write_tables

PORT = 8123
BASE = f"http://127.0.0.1:{PORT}"


class Arrays:
    """Sound from arrays instead of devices. Implements `SoundWay`."""

    def __init__(self, make: Callable[[], Source] | None = None) -> None:
        self.make = make

    def inputs(self) -> list[str]:
        if self.make is None:
            raise DeviceError("This computer shows no microphone. Plug one in.")
        return ["array", "another"]

    def opener(self, name: str) -> Callable[[], Source]:
        if self.make is None:
            raise DeviceError("This computer shows no microphone. Plug one in.")
        return self.make

    def tones(self, *, on: bool) -> Tones | None:
        return None


class Pages(TestClient):
    """A browser's requests, with the headers that it sends."""

    desk: Desk

    @property
    def cookie(self) -> str:
        """The session's cookie, as a header's value."""
        return f"taptest_{PORT}={self.cookies[f'taptest_{PORT}']}"

    def another(self) -> "Pages":
        """Another browser at the same desk, which was not let in yet."""
        other = Pages(self.app, base_url=BASE, follow_redirects=False)
        other.desk = self.desk
        return other

    def enter(self) -> httpx2.Response:
        """Open the pages by a fresh address."""
        return self.get(self.desk.access.address("", here=True))

    def send_form(self, path: str, **more: object) -> httpx2.Response:
        return self.post(path, headers={"origin": BASE}, **more)  # type: ignore[arg-type]


def make_shelf(root: Path, visits: int = 1) -> Path:
    """A shelf with visits made of made-up taps; returns the folder of the first."""
    tank, points = write_tables(root.parent / f"{root.name}-from", 6, spacing_mm=45.0, boundary=3)
    import_visit(root / "cellar", Sources(tank, points))
    for number in range(1, visits):
        shutil.copytree(root / "cellar", root / f"cellar-{number}")
    return root / "cellar"


@contextmanager
def pages(
    root: Path, way: SoundWay | None = None, *, opened: bool = True, names: tuple[str, ...] = OWN_NAMES, path: str = ""
) -> Iterator[Pages]:
    """Requests to the pages over a shelf; `opened` with the cookie that the address gives.

    The path below which the pages lie is left out of most tests, so that their addresses are short.
    """
    guarded = make_app(root, Access(path), PORT, way or Arrays(), names)
    client = Pages(guarded, base_url=BASE, follow_redirects=False)
    client.desk = desk_behind(guarded)
    if opened:
        assert client.enter().status_code == 200
    try:
        yield client
    finally:
        client.desk.rounds.close()
        client.desk.judge.close()
        client.close()


def copy_without_model(ready: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Copy ready visits into `folder`, with a home of its own beside them; tanks have no model there."""
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    monkeypatch.setenv("TAPTEST_HOME", str(folder / "home"))
    shutil.copytree(ready, folder / "visits")
    return folder / "visits"

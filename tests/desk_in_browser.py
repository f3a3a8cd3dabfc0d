"""A real browser at the real pages: the server in a thread, Debian's Chromium driven by Playwright."""

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright

from taptest.desk.access import Access
from taptest.desk.app import desk_behind, make_app
from taptest.desk.live import SoundWay
from taptest.desk.render import Desk
from taptest.desk.serve import HOST, open_port, server_of

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
DESKTOP, PHONE = (1366, 768), (390, 844)


@dataclass(frozen=True, slots=True)
class Served:
    """Pages that are being served."""

    base: str
    """Address of the first page, without the last slash."""
    desk: Desk
    server: uvicorn.Server

    def kill(self) -> None:
        """Answer nothing more, as a process that was killed."""
        connections = list(self.server.server_state.connections)
        loop = connections[0].loop
        for listening in self.server.servers:
            loop.call_soon_threadsafe(listening.close)
        for each in connections:
            loop.call_soon_threadsafe(each.transport.abort)

    @property
    def opened(self) -> str:
        """A fresh address with a ticket."""
        return self.desk.access.address(self.base.removesuffix(self.desk.access.path), here=True)

    def enter(self, page: Page) -> None:
        """Open the pages in a tab."""
        page.goto(self.opened)
        page.wait_for_url(f"{self.base}/")


def need_chromium() -> None:
    """Skip with a sentence where there is no Chromium."""
    if not CHROMIUM.is_file():
        pytest.skip(f"Chromium is not at {CHROMIUM}; on Debian: apt install chromium.")


@contextmanager
def served(root: Path, way: SoundWay | None = None) -> Iterator[Served]:
    """Serve the pages over a shelf."""
    with open_port(0) as listening:
        port: int = listening.getsockname()[1]
        guarded = make_app(root, Access(), port, way)
        server = server_of(guarded)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        try:
            yield Served(f"http://{HOST}:{port}{guarded.access.path}", desk_behind(guarded), server)
        finally:
            desk_behind(guarded).rounds.close()
            desk_behind(guarded).judge.close()
            server.should_exit = True
            thread.join(10)


def fake_microphone(sound: Path) -> tuple[str, ...]:
    """Arguments under which Chromium's microphone plays a WAV file once, and pages may use it without being asked."""
    return (
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={sound}%noloop",
    )


@contextmanager
def chromium(more: Sequence[str] = (), sound_server: Mapping[str, str] | None = None) -> Iterator[Browser]:
    """Start Chromium; with a sound server, given by its environment, it is heard and hears."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM),
            args=[*ARGUMENTS, *more],
            env=None if sound_server is None else dict(sound_server),
            ignore_default_args=None if sound_server is None else ["--mute-audio"],
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def tab(browser: Browser, size: tuple[int, int], scheme: str = "light") -> Iterator[tuple[Page, list[str]]]:
    """Open a tab; the list gathers what the browser complains of: errors of scripts, refused by policy, not found."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme="dark" if scheme == "dark" else "light"
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    try:
        yield page, complaints
    finally:
        context.close()

"""Serving the pages: a port of this computer, the address with its secret, and an end that loses nothing.

They are served to this computer only, unless the user asks for its network too: then at one more address, and all that
is said about them, in the terminal and on every page, says so.
"""

import asyncio
import os
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import uvicorn

from taptest.desk.access import Access
from taptest.desk.app import desk_behind, make_app
from taptest.desk.connections import ACCEPTED_AT_ONCE, IDLE_S, Connection, write_little
from taptest.desk.guard import OPENED, OWN_NAMES, Guard
from taptest.desk.live import Devices
from taptest.desk.network import NO_MICROPHONE, WHO, code_lines, network_address
from taptest.errors import StorageError

HOST = "127.0.0.1"
CLOSE_S = 2
"""Open pages are given so long when the server ends."""
WAITING = 512
"""Connections that the system holds until they are taken: with fewer, a flood of them turns new ones away."""
OPENING_S = 60.0
"""The browser is given so long to start."""
OPENS = "taptest-opens-"
"""What the folders begin with from which it is opened."""
ONCE = (
    "The address works once, in one browser of this computer, within half an hour. "
    "For another browser or device press Enter here."
)


def serve(
    root: Path, port: int, *, browser: bool, say: Callable[[str], None], network: str | None = None, code: bool = False
) -> None:
    """Serve the pages over the visits below `root` until stopped; `port` 0 takes any that is free.

    `network` opens them to the local network, too, at the address it names, "" for the usual one; None leaves them to
    this computer. `code` shows that address also as a square code. Raises `StorageError` where port or address cannot
    be had.
    """
    outside = None if network is None else network_address(network)
    listening = open_ports(port, (HOST,) if outside is None else (HOST, outside))
    number: int = listening[0].getsockname()[1]
    access = Access()
    guarded = make_app(root, access, number, names=(*OWN_NAMES, *([] if outside is None else [outside])))
    desk = desk_behind(guarded)
    desk.reach = None if outside is None else f"http://{outside}:{number}"
    server = server_of(guarded)

    def tell() -> None:
        say_addresses(access, f"http://{HOST}:{number}", desk.reach, say, code=code)

    tell()
    say("Stop with Ctrl+C; everything is kept.")
    if browser:
        opening = (access, f"http://{HOST}:{number}", root)
        threading.Thread(target=open_browser, args=opening, daemon=True, name="opening the browser").start()
    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=_tell_again, args=(sys.stdin, tell), daemon=True, name="fresh addresses").start()
    try:
        server.run(sockets=listening)
    finally:
        desk.rounds.close()
        desk.judge.close()
        for each in listening:
            each.close()
        if isinstance(desk.rounds.way, Devices) and desk.rounds.way.hangs:
            from taptest.capture.device import end_now

            end_now(0)


def say_addresses(access: Access, here: str, reach: str | None, say: Callable[[str], None], *, code: bool) -> None:
    """Say fresh addresses, each of which opens the pages once."""
    say(f"The pages are open at:\n  {access.address(here, here=True)}\n{ONCE}")
    if reach is not None:
        address = access.address(reach, here=False)
        say(f"Because of --network they are also open to your network, at:\n  {address}\n{WHO}\n{NO_MICROPHONE}")
        if code:
            say(f"For the telephone's camera:\n{code_lines(address)}")


def _tell_again(lines: Iterable[str], tell: Callable[[], None]) -> None:
    for _ in lines:
        tell()


def open_browser(access: Access, here: str, root: Path) -> None:
    """Open the pages in the usual browser, by a file that only this user can read.

    Everybody on a computer sees with what words a program is started, so no ticket stands in them. Browsers that are
    shut into a box of their own read only what lies open in the user's folders: there lies the file, if the shelf does.
    """
    import webbrowser

    place = root if root.is_relative_to(Path.home()) else None
    for left in Path(place or tempfile.gettempdir()).glob(f"{OPENS}*"):  # of a desk that was killed while it began
        if time.time() - left.stat().st_mtime > 60 * OPENING_S:
            shutil.rmtree(left, ignore_errors=True)
    folder = Path(tempfile.mkdtemp(prefix=OPENS, dir=place))  # 0700 on systems that know modes
    try:
        file = folder / "taptest.html"
        file.write_text(OPENED.format(target=access.address(here, here=True), icon="data:,"), encoding="utf-8")
        webbrowser.open(file.as_uri())
        access.used.wait(OPENING_S)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class Server(uvicorn.Server):
    """A server that lets more connections wait in the system than it takes at once, and ends a round before itself."""

    def __init__(self, config: uvicorn.Config, end_round: Callable[[], None]) -> None:
        super().__init__(config)
        self._end_round = end_round

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End in order: pages that watch a round are told that it is over, and let go."""
        await asyncio.to_thread(self._end_round)
        await super().shutdown(sockets)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to serve."""
        await super().startup(sockets)
        for each in sockets or []:
            each.listen(WAITING)


def server_of(guarded: Guard) -> uvicorn.Server:
    """Return a server for guarded pages, quiet, bounded and without anything that they do not need."""
    server = Server(
        uvicorn.Config(
            guarded,
            log_level="warning",
            access_log=False,
            lifespan="off",
            ws="none",
            loop="asyncio",
            server_header=False,
            timeout_graceful_shutdown=CLOSE_S,
            http=Connection,
            backlog=ACCEPTED_AT_ONCE,
            timeout_keep_alive=int(IDLE_S),
        ),
        desk_behind(guarded).rounds.close,
    )
    write_little()
    return server


def open_ports(port: int, hosts: Sequence[str]) -> list[socket.socket]:
    """Return sockets that listen at the same port of several addresses. Raises `StorageError`."""
    listening = [open_port(port, hosts[0])]
    try:
        for host in hosts[1:]:
            listening.append(open_port(listening[0].getsockname()[1], host))
    except StorageError:
        for each in listening:
            each.close()
        raise
    return listening


def open_port(port: int, host: str = HOST) -> socket.socket:
    """Return a socket that listens at one address, this computer's own if none is named. Raises `StorageError`."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # elsewhere the same setting would let another program take the port away
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(WAITING)
    except (OSError, OverflowError) as error:
        listening.close()
        raise StorageError(
            f"The port {port} of this computer cannot be used at {host} ({error}). "
            "Choose another one with --port, or leave it out to take any that is free."
        ) from error
    return listening

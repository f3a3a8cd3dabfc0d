"""Serving the pages: a port of this computer, the address with its secret, and an end that loses nothing.

They are served to this computer only, unless the user asks for its network too: then at one more address, and all that
is said about them, in the terminal and on every page, says so.
"""

import os
import socket
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn

from taptest.desk.app import desk_behind, make_app
from taptest.desk.guard import OWN_NAMES, Guard, new_token
from taptest.desk.network import NO_MICROPHONE, WHO, code_lines, network_address
from taptest.errors import StorageError

HOST = "127.0.0.1"
CLOSE_S = 2
"""Open pages are given so long when the server ends."""


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
    token = new_token()
    guarded = make_app(root, token, number, names=(*OWN_NAMES, *([] if outside is None else [outside])))
    desk = desk_behind(guarded)
    desk.reach = None if outside is None else f"http://{outside}:{number}"
    address = f"http://{HOST}:{number}/?token={token}"
    server = server_of(guarded)
    say(f"The pages are open at:\n  {address}\nThe address holds a secret; it works on this computer only.")
    if outside is not None:
        _say_network(say, f"http://{outside}:{number}/?token={token}", code=code)
    say("Stop with Ctrl+C; everything is kept.")
    if browser:
        threading.Thread(target=_open_browser, args=(address,), daemon=True, name="opening the browser").start()
    try:
        server.run(sockets=listening)
    finally:
        desk.rounds.close()
        desk.judge.close()
        for each in listening:
            each.close()
        device = sys.modules.get("taptest.capture.device")
        if device is not None:
            device.end_now_if_hanging(0)


def _say_network(say: Callable[[str], None], address: str, *, code: bool) -> None:
    say(f"As --network asks, they are open to your network, too, at:\n  {address}\n{WHO}\n{NO_MICROPHONE}")
    if code:
        say(f"For the telephone's camera:\n{code_lines(address)}")


def _open_browser(address: str) -> None:
    import webbrowser

    webbrowser.open(address)


def server_of(guarded: Guard) -> uvicorn.Server:
    """Return a server for guarded pages, quiet and without anything that they do not need."""
    return uvicorn.Server(
        uvicorn.Config(
            guarded,
            log_level="warning",
            access_log=False,
            lifespan="off",
            ws="none",
            loop="asyncio",
            server_header=False,
            timeout_graceful_shutdown=CLOSE_S,
            timeout_keep_alive=30,
        )
    )


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
        listening.listen(128)
    except (OSError, OverflowError) as error:
        listening.close()
        raise StorageError(
            f"The port {port} of this computer cannot be used at {host} ({error}). "
            "Choose another one with --port, or leave it out to take any that is free."
        ) from error
    return listening

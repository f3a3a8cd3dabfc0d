"""Serving the pages: a port of this computer, the address with its secret, and an end that loses nothing."""

import os
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from taptest.desk.app import desk_behind, make_app
from taptest.desk.guard import Guard, new_token
from taptest.errors import StorageError

HOST = "127.0.0.1"
CLOSE_S = 2
"""Open pages are given so long when the server ends."""


def serve(root: Path, port: int, *, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the pages over the visits below `root` until stopped; `port` 0 takes any that is free.

    Raises `StorageError` where the port cannot be had.
    """
    listening = open_port(port)
    number: int = listening.getsockname()[1]
    token = new_token()
    guarded = make_app(root, token, number)
    desk = desk_behind(guarded)
    address = f"http://{HOST}:{number}/?token={token}"
    server = server_of(guarded)
    say(f"The pages are open at:\n  {address}\nThe address holds a secret; it works on this computer only.")
    say("Stop with Ctrl+C; everything is kept.")
    if browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True, name="opening the browser").start()
    try:
        server.run(sockets=[listening])
    finally:
        desk.rounds.close()
        desk.judge.close()
        listening.close()
        device = sys.modules.get("taptest.capture.device")
        if device is not None:
            device.end_now_if_hanging(0)


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


def open_port(port: int) -> socket.socket:
    """Return a listening socket at this computer's own address only. Raises `StorageError`."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # elsewhere the same setting would let another program take the port away
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
        listening.listen(128)
    except (OSError, OverflowError) as error:
        listening.close()
        raise StorageError(
            f"The port {port} of this computer cannot be used ({error}). "
            "Choose another one with --port, or leave it out to take any that is free."
        ) from error
    return listening

"""`taptest desk`: the local pages for the whole job."""

import argparse
import gc
import sys
from pathlib import Path

DESCRIPTION = """\
Open the local pages: the shelf of visits, new visits, the guided round, review of every tap, the finding and its
report. They are served to this computer only, at an address that works once, and nothing leaves the computer;
--network opens them to the local network, too.
"""
EXAMPLES = """\
docs/desk.md shows each page.

examples:
  taptest desk
  taptest desk --shelf visits --port 8123
  taptest desk --no-browser
  taptest desk --network
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--shelf",
        type=Path,
        default=Path("visits"),
        metavar="FOLDER",
        help="folder with the visits, at any depth, made if need be (default: visits)",
    )
    parser.add_argument(
        "--port", type=int, default=0, metavar="N", help="port of this computer; any that is free if left out"
    )
    parser.add_argument(
        "--network",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="open the pages to the local network, too, as for a telephone: the connection is not encrypted, and "
        "everybody there who listens in can see and change all visits. ADDRESS is this "
        "computer's own in that network, where it has several",
    )
    parser.add_argument("--no-browser", action="store_true", help="print the address and open no browser")


def run(arguments: argparse.Namespace) -> int:
    """Serve until stopped."""
    gc.disable()  # it would look again and again through what is only just being loaded
    from taptest.desk.serve import serve
    from taptest.disk import make_folder

    gc.freeze()
    gc.enable()

    make_folder(arguments.shelf)
    serve(
        arguments.shelf.absolute(),
        arguments.port,
        browser=not arguments.no_browser,
        say=lambda line: print(line, flush=True),
        network=arguments.network,
        code=_can_show_code(),
    )
    return 0


def _can_show_code() -> bool:
    """Whether the output is a screen that has block letters."""
    try:
        "\N{FULL BLOCK}\N{UPPER HALF BLOCK}".encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return sys.stdout.isatty()

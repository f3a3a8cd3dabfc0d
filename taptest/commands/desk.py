"""`taptest desk`: the local pages for the whole job."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Open the local pages: the shelf of visits, new visits, the guided round, review of every tap, the finding and its
report. They are served to this computer only, at an address with a secret in it, and nothing leaves the computer.
"""
EXAMPLES = """\
docs/desk.md shows each page.

examples:
  taptest desk
  taptest desk --shelf visits --port 8123
  taptest desk --no-browser
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
    parser.add_argument("--no-browser", action="store_true", help="print the address and open no browser")


def run(arguments: argparse.Namespace) -> int:
    """Serve until stopped."""
    from taptest.desk.serve import serve
    from taptest.visit.disk import make_folder

    make_folder(arguments.shelf)
    serve(
        arguments.shelf.absolute(),
        arguments.port,
        browser=not arguments.no_browser,
        say=lambda line: print(line, flush=True),
    )
    return 0

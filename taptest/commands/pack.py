"""`taptest pack`: a visit as one zip file, to send or to keep."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Write a visit with all its files into one zip file.
"""
EXAMPLES = """\
A file of that name is written over.

examples:
  taptest pack visits/cellar cellar.zip
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder of the visit")
    parser.add_argument("file", type=Path, metavar="FILE", help="zip file to write")


def run(arguments: argparse.Namespace) -> int:
    """Pack, and say what was written."""
    from taptest.visit.files import read_visit
    from taptest.visit.parcel import pack_visit

    count = pack_visit(read_visit(arguments.visit), arguments.file)
    print(f"Wrote {arguments.file} with {count} files. Unpack it with: taptest unpack {arguments.file} VISIT")
    return 0

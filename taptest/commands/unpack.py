"""`taptest unpack`: a visit out of the zip file that it was packed into."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Make the folder of a visit out of a zip file. What is not a visit, or not to be trusted, is refused: names that lead
out of the folder, links, and more data than a visit can be or the disk has room for. What does not belong to a
visit is left out, and named.
"""
EXAMPLES = """\
Nothing that is there is written over.

examples:
  taptest unpack cellar.zip visits/cellar
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("file", type=Path, metavar="FILE", help="zip file of a visit")
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder to make for the visit")


def run(arguments: argparse.Namespace) -> int:
    """Unpack, and say what was made."""
    from taptest.commands.console import counted
    from taptest.report.choices import in_usual_words
    from taptest.visit.parcel import left_out_note, unpack_visit

    visit, left_out = unpack_visit(arguments.file, arguments.visit)
    print(f"Made the visit {arguments.visit} with {counted(len(visit.document.points), 'point')}.")
    if left_out:
        print(f"Note: {in_usual_words(left_out_note(left_out))}")
    print(f"Judge it with: taptest judge {arguments.visit}")
    return 0

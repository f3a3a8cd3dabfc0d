"""`taptest report`: the boundary picture of a visit, to attach to a service report."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Judge a visit and draw its boundary picture as PNG (300 dots to the inch) and SVG, to attach to a service report.
"""
EXAMPLES = """\
The pictures are named after the visit's folder. Files of that name in the output folder are written over.

examples:
  taptest report visits/cellar
  taptest report visits/cellar --out report
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder of the visit")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for the pictures, made if need be; the visit's own if left out"
    )


def run(arguments: argparse.Namespace) -> int:
    """Judge, draw, and say what was written."""
    from taptest.commands.console import Bar, write_picture
    from taptest.report.figures import boundary_picture
    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit

    visit = read_visit(arguments.visit)
    result = judge_visit(visit, Bar("computing the model of this tank"))
    stem = f"{visit.folder.absolute().name}-boundary"
    for path in write_picture(boundary_picture(result), arguments.out or arguments.visit, stem):
        print(f"Wrote {path}")
    print(result.judgement.sentence)
    return 0

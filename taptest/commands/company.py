"""`taptest company`: whose name and logo stand on the report."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Keep the company's name, the lines below it and its logo for the head of all reports made on this computer.
"""
EXAMPLES = """\
Without options it prints what is kept. A logo is a JPEG, PNG or WebP picture; it is stored small, without anything
else the file says. The desk's page Settings keeps the same.

examples:
  taptest company --line "Mill Lane Heating" --line "4 Mill Lane, Milltown" --line "555 0100" --logo logo.png
  taptest company --no-logo
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--line", action="append", metavar="TEXT", help="a line of the letterhead, the name first; give it again"
    )
    parser.add_argument("--no-lines", action="store_true", help="leave the texts away")
    parser.add_argument("--logo", type=Path, metavar="FILE", help="picture of the logo")
    parser.add_argument("--no-logo", action="store_true", help="leave the logo away")


def run(arguments: argparse.Namespace) -> int:
    """Keep what is given, and say what is kept."""
    from taptest.disk import storage_errors
    from taptest.report.letterhead import keep_company, keep_logo, kept_letterhead, remove_logo

    if arguments.line or arguments.no_lines:
        keep_company("\n".join(arguments.line or ()))
    if arguments.logo is not None:
        with storage_errors("read", arguments.logo):
            content = arguments.logo.read_bytes()
        keep_logo(content, str(arguments.logo))
    elif arguments.no_logo:
        remove_logo()
    kept = kept_letterhead()
    print(kept.text or "No company is kept.")
    print("With a logo." if kept.logo else "Without a logo.")
    return 0

"""`taptest list`: the visits below a folder, found by site, tank, day and finding."""

import argparse
from pathlib import Path

from taptest.commands.console import counted, day

DESCRIPTION = """\
List the visits below a folder, the latest first, with their findings; search by site, tank, day and finding; write
them as a table for spreadsheets.
"""
EXAMPLES = """\
Findings are those that are kept beside the visits; a visit that is not judged, or has changed since, says so. The
folder gets an index, .taptest-index.sqlite, which may be deleted at any time.

examples:
  taptest list visits
  taptest list visits --site "Mill Lane" --since 2024-01-01 --finding "low on air"
  taptest list visits --csv visits.csv
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("folder", type=Path, metavar="FOLDER", help="folder with the visits, at any depth")
    add("--site", default="", metavar="TEXT", help="visits whose site holds this text")
    add("--tank", default="", metavar="TEXT", help="visits whose tank's name holds this text")
    add("--since", type=day, metavar="YYYY-MM-DD", help="visits of this day or later")
    add("--until", type=day, metavar="YYYY-MM-DD", help="visits of this day or earlier")
    add(
        "--finding",
        default="",
        metavar="CODE",
        help='visits with this finding, or "not judged", "not finished", "unreadable"',
    )
    add("--csv", metavar="FILE", help='write the table as CSV into FILE; "-" prints it instead of the list')
    add("--rebuild", action="store_true", help="rebuild the index")


def run(arguments: argparse.Namespace) -> int:
    """Look, and print or write."""
    from taptest.commands.console import Bar, write_out
    from taptest.disk import plain
    from taptest.visit.shelf import Search, Shelf, table_csv

    wanted = Search(arguments.site, arguments.tank, arguments.since, arguments.until, arguments.finding)
    with Shelf(arguments.folder) as shelf:
        (shelf.rebuild if arguments.rebuild else shelf.refresh)(Bar("reading the visits"))
        entries = shelf.search(wanted)
    if arguments.csv:
        write_out(table_csv(entries), arguments.csv)
    if arguments.csv != "-":
        for entry in entries:
            day = "no date   " if entry.visited_on is None else entry.visited_on.isoformat()
            name = ", ".join(word for word in (entry.tank, entry.site) if word)
            print(f"{day}  {entry.state:<24}{plain(entry.folder)}{f'  ({name})' if name else ''}")
            if entry.marks_left:
                print(f"            The round is not finished: {counted(entry.marks_left, 'mark')} left to tap.")
            if entry.problem:
                print(f"            {entry.problem}")
        print(f"{counted(len(entries), 'visit')}.")
    return 0

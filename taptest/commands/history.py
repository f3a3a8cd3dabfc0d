"""`taptest history`: the visits of one tank over time, and the trend through them."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Tell the visits of one tank over time: as found and as left, the level at one pressure, the estimated charge, how fast
the tank loses air, and when the margin to the relief setting is gone.
"""
EXAMPLES = """\
A tank is known by its name and its site ([tank] name, [visit] site). Visits that are not judged yet are judged first;
findings are kept beside the visits. A one-sided estimate (water or air all over) counts as "at most" or "at least".

examples:
  taptest history visits --tank "Boiler room"
  taptest history visits --tank "Boiler room" --site "Mill Lane 4" --out report
  taptest history visits --json -
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="folder with the visits, at any depth")
    parser.add_argument(
        "--tank", default="", metavar="NAME", help="the tank's name; not needed where there is only one"
    )
    parser.add_argument("--site", default="", metavar="NAME", help="its site, where names occur at several")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for the picture, made if need be; none if left out"
    )
    parser.add_argument(
        "--json", metavar="FILE", help='write the history as JSON into FILE; "-" prints it instead of the text'
    )


def run(arguments: argparse.Namespace) -> int:
    """Read, fit, and print, write or draw."""
    from taptest.commands.console import Bar, write_json, write_picture
    from taptest.report.choices import usual_wording
    from taptest.report.trend_words import history_text
    from taptest.visit.history import history_json, read_history

    history = read_history(arguments.folder, arguments.tank, arguments.site, Bar("reading the visits"))
    if arguments.json:
        write_json(history_json(history), arguments.json)
    if arguments.json != "-":
        print(history_text(history, usual_wording()), end="")
    if arguments.out is not None:
        from taptest.report.trend_figure import history_picture

        for path in write_picture(history_picture(history), arguments.out, "history"):
            if arguments.json != "-":
                print(f"Wrote {path}")
    return 0

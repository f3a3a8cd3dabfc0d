"""`taptest import`: make a visit from tables and audio files."""

import argparse
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.commands.console import counted, day
from taptest.errors import VisitError

if TYPE_CHECKING:
    from taptest.statements import Statement
    from taptest.visit.intake import Sources

DESCRIPTION = """\
Make a visit from what was recorded by any means: tank.toml says what is known of tank, system and readings,
points.csv says where each point lies and where its taps are.
"""
EXAMPLES = """\
points.csv, one audio file a point:          points.csv, one recording of the whole walk (--sound):
  position_mm,file                             position_mm,taps
  25,p01.wav                                   25,3
  50,p02.wav                                   50,3

Positions are millimetres below the top of the shell; under position_in they are inches, as 11 1/4 or 11.25.
The rows of a walk stand in the order of tapping.

examples:
  taptest import visits/cellar --tank tank.toml --points points.csv
  taptest import visits/cellar --tank tank.toml --points points.csv --sound walk.wav --date 2025-03-14
  taptest import visits/cellar --add --tank second.toml --points second.csv

second.toml of a round that is added to a visit, the tank tapped again in another state:
  [round]
  name = "fill raised"
  state = "fill raised"        (cold, hot, fill raised, let down or as left)
  same_air = true              (nothing was pumped up or let out at the air valve in between)
  water_moved = "+1.0 l"       (let in, where it was measured; "-1.0 l" let out)
  [readings]
  pressure = "1.8 bar"

Where one mark was tapped at many pressures while the fill was slowly raised or let down, the round names the mark and
the table gives pressure,file (with --sound: pressure,taps) in place of positions:
  [round]
  name = "onset"
  state = "let down"
  mark = "210 mm"
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder to make for the visit")
    parser.add_argument("--tank", type=Path, required=True, metavar="FILE", help="what is known of the tank (TOML)")
    parser.add_argument("--points", type=Path, required=True, metavar="FILE", help="the points of the line (CSV)")
    parser.add_argument("--sound", type=Path, metavar="FILE", help="one recording of the whole walk")
    parser.add_argument(
        "--from",
        type=Path,
        action="append",
        default=[],
        dest="folders",
        metavar="FOLDER",
        help="another folder whose audio files the points may name; without it they lie in the folder of the points, "
        "or below it. May be given several times",
    )
    parser.add_argument(
        "--log", type=Path, metavar="FILE", help="a pressure log (CSV), where it is not in the tank file"
    )
    parser.add_argument(
        "--date",
        type=day,
        metavar="YYYY-MM-DD",
        help="day of the visit; else [visit] date in the tank file, or today",
    )
    parser.add_argument("--simulated", action="store_true", help="mark the visit as simulated data")
    parser.add_argument(
        "--add", action="store_true", help="add a round to the visit: the same tank, tapped again in another state"
    )
    parser.add_argument(
        "--replace", action="store_true", help="make the visit again; the earlier one is kept beside it, renamed"
    )


def run(arguments: argparse.Namespace) -> int:
    """Import, and say what was made and noticed."""
    from taptest.visit.intake import Sources, import_visit

    sources = Sources(
        tank=arguments.tank,
        points=arguments.points,
        sound=arguments.sound,
        visited_on=arguments.date,
        today=date.today(),
        log=arguments.log,
        folders=tuple(arguments.folders),
        simulated=arguments.simulated,
    )
    if arguments.add:
        return _add(arguments, sources)
    visit, notes = import_visit(arguments.visit, sources, replace=arguments.replace)
    points = counted(len(visit.document.points), "point")
    print(f"Made the visit {arguments.visit} with {points}, dated {visit.document.visited_on}.")
    _tell(notes, arguments.visit)
    return 0


def _add(arguments: argparse.Namespace, sources: "Sources") -> int:
    """Add a round to a visit that is there."""
    from taptest.visit.more_rounds import add_round

    for wrong in ("log", "visited_on"):
        if getattr(sources, wrong) is not None:
            raise VisitError("With --add there is no --log and no --date: they are the visit's. Leave them out.")
    if arguments.replace:
        raise VisitError("--add and --replace exclude each other: a round is added to a visit that stays.")
    visit, notes = add_round(arguments.visit, sources)
    added = visit.document.rounds[-1]
    what = counted(len(added.onset), "pressure") if added.onset else counted(len(added.points), "point")
    print(f'Added the round "{added.name}" with {what} to {arguments.visit}.')
    _tell(notes, arguments.visit)
    return 0


def _tell(notes: "tuple[Statement, ...]", folder: Path) -> None:
    from taptest.report.choices import in_usual_words

    for note in notes:
        print(f"Note: {in_usual_words(note)}")
    print(f"Judge it with: taptest judge {folder}")

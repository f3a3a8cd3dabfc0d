"""`taptest trial`: judge visits that carry their truth, and print the score table."""

import argparse
from pathlib import Path

from taptest.commands.console import add_where, where_of

DESCRIPTION = """\
Judge every visit below DIR that has a truth.json beside its visit.json, and print how well the judgements agree with
the truth: per difficulty and per fault, with the number of visits and bootstrap intervals.
"""
EXAMPLES = """\
Results do not depend on the number of processes. docs/simulation.md defines each line of the table.

examples:
  taptest simulate trials --seed 7 --visits 100 --difficulty field
  taptest trial trials
  taptest trial trials --json scores.json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("dir", type=Path, metavar="DIR", help="folder with the visits")
    parser.add_argument(
        "--json", metavar="FILE", help='write the scores as JSON into FILE; "-" prints them instead of the table'
    )
    add_where(parser)


def run(arguments: argparse.Namespace) -> int:
    """Judge, score and print."""
    from taptest.commands.console import Bar, write_json
    from taptest.simulate.trial import score_visits, trial_json, trial_text

    scores = score_visits(arguments.dir, Bar("judging visits"), where_of(arguments))
    if arguments.json:
        write_json(trial_json(scores), arguments.json)
    if arguments.json != "-":
        print(trial_text(scores), end="")
    return 0

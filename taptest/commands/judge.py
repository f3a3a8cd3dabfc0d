"""`taptest judge`: judge a visit for people or for other programs."""

import argparse
import sys
from pathlib import Path

DESCRIPTION = """\
Judge a visit: find the taps, read from them where the water ends, compare that with what pressure, pre-charge and
temperature say, and tell what follows, how sure that is and what to check next.
"""
EXAMPLES = """\
The first judgement of a tank computes what the model predicts for it, which takes up to a minute; later ones
find that on the disk and take a second or two. The environment variable TAPTEST_CACHE names another folder for it.
The finding is kept in the visit as judged.json, for "taptest list" and "taptest history".

examples:
  taptest judge visits/cellar
  taptest judge visits/cellar --full
  taptest judge visits/cellar --json finding.json
  taptest judge visits/cellar --json -
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder of the visit")
    parser.add_argument("--full", action="store_true", help="print all of it: reasons, causes, points, cautions")
    parser.add_argument(
        "--json", metavar="FILE", help='write the finding as JSON into FILE; "-" prints it instead of the text'
    )


def run(arguments: argparse.Namespace) -> int:
    """Judge, and print or write the finding."""
    from taptest.capture.unfinished import bring_in
    from taptest.commands.console import Bar, write_json
    from taptest.errors import TaptestError
    from taptest.report.choices import in_usual_words, usual_wording
    from taptest.report.words import brief_text, finding_text
    from taptest.visit.files import read_visit
    from taptest.visit.judged import judge_and_keep
    from taptest.visit.result import as_json

    notes = []
    try:
        bring_in(arguments.visit)
    except TaptestError as error:
        notes.append(str(error))
    result, not_kept = judge_and_keep(read_visit(arguments.visit), Bar("computing the model of this tank"))
    for note in filter(None, notes):
        print(f"Note: {note}", file=sys.stderr)
    if not_kept:
        print(f"taptest: {in_usual_words(not_kept)}", file=sys.stderr)
    if arguments.json:
        write_json(as_json(result), arguments.json)
    if arguments.json != "-":
        print((finding_text if arguments.full else brief_text)(result, usual_wording()), end="")
        if not arguments.full:
            print("Everything it rests on: --full")
    return 0

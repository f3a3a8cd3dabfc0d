"""`taptest judge`: judge a visit for people or for other programs."""

import argparse
import sys
from pathlib import Path

from taptest.commands.console import add_where, where_of

DESCRIPTION = """\
Judge a visit: find the taps, read from them where the water ends, compare that with what pressure, pre-charge and
temperature say, and tell what follows, how sure that is and what to check next.
"""
EXAMPLES = """\
The first judgement of a tank computes what the model predicts for it, which takes up to a minute; later ones
find that on the disk and take a second or two. The environment variable TAPTEST_CACHE names another folder for it.
Of a folder of visits, the models come first, each tank's once, then every visit that has no finding that still holds.
The finding is kept in the visit as judged.json, for "taptest list" and "taptest history".

examples:
  taptest judge visits/cellar
  taptest judge visits/cellar --full
  taptest judge visits/cellar --json finding.json
  taptest judge visits/cellar --json -
  taptest judge visits --workers 4
  taptest judge visits --models
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "visit", type=Path, metavar="VISIT", nargs="+", help="folder of the visit; several, or a folder of visits, too"
    )
    parser.add_argument("--full", action="store_true", help="print all of it: reasons, causes, points, cautions")
    parser.add_argument(
        "--json", metavar="FILE", help='write the finding as JSON into FILE; "-" prints it instead of the text'
    )
    parser.add_argument("--models", action="store_true", help="of many visits, compute the tanks' models only")
    add_where(parser)


def run(arguments: argparse.Namespace) -> int:
    """Judge, and print or write the finding."""
    from taptest.visit.files import DOCUMENT
    from taptest.visit.shelf import visit_folders

    first, *others = arguments.visit
    alone = not others and not arguments.models
    if alone and ((first / DOCUMENT).is_file() or not first.is_dir() or next(visit_folders(first), None) is None):
        return _judge_one(arguments, first)
    return _judge_many(arguments)


def _judge_one(arguments: argparse.Namespace, folder: Path) -> int:
    from taptest.capture.unfinished import bring_in
    from taptest.commands.console import model_bar, write_json
    from taptest.errors import TaptestError
    from taptest.report.choices import in_usual_words, usual_wording
    from taptest.report.words import brief_text, finding_text
    from taptest.visit.files import read_visit
    from taptest.visit.judged import judge_and_keep
    from taptest.visit.result import as_json

    notes = []
    try:
        bring_in(folder)
    except TaptestError as error:
        notes.append(str(error))
    result, not_kept = judge_and_keep(read_visit(folder), model_bar())
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


def _judge_many(arguments: argparse.Namespace) -> int:
    from taptest.capture.unfinished import bring_in
    from taptest.commands.console import Bar, counted
    from taptest.disk import plain
    from taptest.errors import TaptestError, VisitError
    from taptest.visit.judge_many import judge_many, visits_below

    if arguments.json:
        raise VisitError("--json writes one visit. For many, judge them first, then: taptest list FOLDER --csv FILE")
    folders = visits_below(arguments.visit)
    for folder in folders:
        try:
            bring_in(folder)
        except TaptestError as error:
            print(f"Note: {error}", file=sys.stderr)
    outcomes = judge_many(folders, where_of(arguments), Bar("judging visits"), arguments.models)
    for each in outcomes:
        if each.trouble:
            print(f"taptest: {plain(str(each.folder))}: {each.trouble}", file=sys.stderr)
        if each.code:
            print(f"{each.code:<24}{plain(str(each.folder))}")
    failed = sum(each.failed for each in outcomes)
    again = f", {failed} failed; the same command takes up those alone" if failed else ""
    print(f"{counted(len(outcomes), 'visit')}{again}.")
    return 2 if failed else 0

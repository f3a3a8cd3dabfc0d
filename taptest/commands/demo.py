"""`taptest demo`: judge the example visits that come with the project and set each finding beside its truth."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from taptest.finding.records import Judgement
    from taptest.simulate.truth import VisitTruth

DESCRIPTION = """\
Judge the simulated example visits that come with taptest, set each finding beside the truth, and write of each its
boundary picture (PNG, SVG) and its one-page report (PDF).
"""
EXAMPLES = """\
Exit code 1 says that a finding is not the true one. "Rightly left open" is "cannot tell" that says of a healthy tank
that nothing speaks against it, and of a failed one that something does.

examples:
  taptest demo
  taptest demo --out pictures
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("taptest-demo"),
        metavar="DIR",
        help="folder for pictures and reports (default: taptest-demo)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Judge each example visit, draw it, set its page and compare."""
    from taptest.commands.console import model_bar, write_files, write_picture
    from taptest.report.choices import in_usual_words
    from taptest.report.figures import boundary_picture
    from taptest.report.page import report_pdf
    from taptest.report.sources import sources_of
    from taptest.report.wording import told
    from taptest.report.words import boundary_of
    from taptest.simulate.truth import read_truth
    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit

    folders = demo_folders()
    wrong = 0
    print(f"{len(folders)} simulated visits to one tank; each finding is set beside the truth.\n")
    for folder in folders:
        truth = read_truth(folder)
        visit = read_visit(folder)
        result = judge_visit(visit, model_bar())
        write_picture(boundary_picture(result), arguments.out, folder.name)
        write_files({"report.pdf": report_pdf(result, sources_of(visit))}, arguments.out, folder.name)
        code, how = result.judgement.code, "WRONG" if truth is None else compared(result.judgement, truth)
        wrong += how == "WRONG"
        print(f"{folder.name}")
        print(f"  finding   {code}: {told(result.judgement.says, result.units, 'us')}")
        print(f"  boundary  {in_usual_words(boundary_of(result), result.units)}")
        if truth is not None:
            where = (
                truth.state if truth.boundary_mm is None else f"{result.units.show('length', truth.boundary_mm / 1000)}"
            )
            print(f"  truth     {truth.findings[0]} ({truth.fault}); boundary: {where}   {how}")
    right = f"{len(folders) - wrong} of {len(folders)} findings are right or rightly left open"
    print(f"\n{right}. Pictures and reports: {arguments.out}")
    return 1 if wrong else 0


def compared(judgement: "Judgement", truth: "VisitTruth") -> str:
    """Set a finding beside the truth.

    One that is left open is right as far as it goes where it says of a healthy tank alone that nothing speaks against
    it.
    """
    if judgement.code in truth.findings:
        return "right"
    open_ = judgement.code == "cannot tell" and judgement.speaks_against is ("as expected" not in truth.findings)
    return "rightly left open" if open_ else "WRONG"


def demo_folders() -> list[Path]:
    """Find the example visits: inside the installed package, or beside it in a checkout. Raises `VisitError`."""
    import taptest
    from taptest.errors import VisitError
    from taptest.visit.files import DOCUMENT

    package = Path(taptest.__file__).parent
    for place in (package / "recordings_demo", package.parent / "recordings_demo"):
        found = sorted(path.parent for path in place.glob(f"*/{DOCUMENT}"))
        if found:
            return found
    raise VisitError(f"The example visits are not in {package}. Install taptest again.")

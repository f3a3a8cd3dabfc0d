"""`taptest report`: the one-page report of a visit and its boundary picture, to file or to attach elsewhere."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from taptest.report.choices import Paper
    from taptest.report.wording import Wording

DESCRIPTION = """\
Judge a visit and write its one-page report (PDF), and alone its boundary picture and, where there is a forecast, the
picture of pressure against temperature (PNG with 300 dots to the inch, SVG, PDF). With --customer also a plainer page
to hand to the customer.
"""
EXAMPLES = """\
The files are named after the visit's folder: cellar-report.pdf, cellar-customer.pdf, cellar-boundary.png and so on.
Files of that name in the output folder are written over. Letters that the bundled font lacks (it has Latin, Greek and
Cyrillic) are taken from the fonts of this computer; where there are none, the page shows "?" and says so.

examples:
  taptest report visits/cellar
  taptest report visits/cellar --out reports --paper letter --customer
  taptest report visits/cellar --wording uk
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, metavar="VISIT", help="folder of the visit")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for the files, made if need be; the visit's own if left out"
    )
    parser.add_argument(
        "--paper",
        choices=("a4", "letter"),
        help="size of the page; if left out, as set on the desk, else letter for a visit in US units and a4 for others",
    )
    parser.add_argument(
        "--wording",
        choices=("us", "uk"),
        help="words of the trade: us (tank, relief valve) or uk (vessel, safety valve); if left out, as set on the "
        "desk, else us",
    )
    parser.add_argument("--customer", action="store_true", help="write the page for the customer too")


def run(arguments: argparse.Namespace) -> int:
    """Judge, draw and set, and say what was written."""
    from taptest.capture.unfinished import bring_in
    from taptest.commands.console import model_bar, write_files
    from taptest.report.choices import usual_paper, usual_wording
    from taptest.report.figures import boundary_picture
    from taptest.report.forecast_figure import forecast_picture
    from taptest.report.page import customer_pdf, report_pdf
    from taptest.report.rounds_figure import rounds_picture
    from taptest.report.sources import sources_of
    from taptest.report.wording import told
    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit

    bring_in(arguments.visit)
    visit = read_visit(arguments.visit)
    result = judge_visit(visit, model_bar())
    paper: Paper = arguments.paper or usual_paper(result.units)
    wording: Wording = arguments.wording or usual_wording()
    sources = sources_of(visit, wording, paper)
    picture = boundary_picture(result, sources.wording)
    files = {
        "report.pdf": report_pdf(result, sources),
        "boundary.png": picture.png,
        "boundary.svg": picture.svg,
        "boundary.pdf": picture.pdf,
    }
    forecast = forecast_picture(result, sources.wording)
    if forecast is not None:
        files |= {"forecast.png": forecast.png, "forecast.svg": forecast.svg, "forecast.pdf": forecast.pdf}
    rounds = rounds_picture(result, sources.wording)
    if rounds is not None:
        files |= {"rounds.png": rounds.png, "rounds.svg": rounds.svg, "rounds.pdf": rounds.pdf}
    if arguments.customer:
        files["customer.pdf"] = customer_pdf(result, sources)
    for path in write_files(files, arguments.out or arguments.visit, visit.folder.absolute().name):
        print(f"Wrote {path}")
    print(told(result.judgement.says, result.units, sources.wording))
    return 0

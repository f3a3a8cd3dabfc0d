"""`taptest known-level`: check laptop, microphone and striker on a vessel whose water level is known."""

import argparse
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.commands.record import Made, add_round_arguments, open_visit, record

if TYPE_CHECKING:
    from taptest.capture.known_levels import KnownLevel

DESCRIPTION = """\
Check this laptop, microphone and striker where the truth is known: any closed steel vessel of bucket size, filled with
water to a mark that was measured with a rule. The round is run as on a tank, the level that the taps say is compared
with the measured one, and the error is kept, so that later reports can quote it.
"""
EXAMPLES = """\
The vessel is described like a tank (kind = "plain", water_end = "bottom"). Fill it to about half, close it, and measure
the water level below its top.

examples:
  taptest known-level checks/drum --tank drum.toml --level "160 mm" --striker "steel ball 30 g"
  taptest known-level --list
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, nargs="?", metavar="VISIT", help="folder for the check's recordings")
    parser.add_argument("--tank", type=Path, metavar="FILE", help="the vessel, described like a tank (TOML)")
    parser.add_argument("--level", metavar="LENGTH", help="measured water level below the top of the vessel")
    parser.add_argument("--striker", default="", metavar="TEXT", help="what it is tapped with")
    parser.add_argument("--list", action="store_true", help="list the checks made so far and end")
    add_round_arguments(parser)


def run(arguments: argparse.Namespace) -> int:
    """Run the round, judge it, and keep the error."""
    from taptest.capture.known_levels import keep_known_level, known_levels

    if arguments.list:
        checks = known_levels()
        for check in checks:
            print(check.sentence)
        if not checks:
            print("No known level has been checked yet.")
        return 0
    from taptest.capture.device import end_now

    made, compared = _check(arguments)
    if compared is not None:
        replaced = keep_known_level(compared)
        print(compared.sentence)
        if replaced:
            print("This round was compared before; what it gave then is replaced.")
    if made.sound_hangs:
        end_now(0)
    return 0


def _check(arguments: argparse.Namespace) -> "tuple[Made, KnownLevel | None]":
    """Return what was recorded, and the comparison where the round is done."""
    from taptest.capture.journal import read_log
    from taptest.capture.known_levels import KnownLevel, this_computer
    from taptest.capture.notes import is_done
    from taptest.commands.console import Bar
    from taptest.errors import PhysicsError, QuantityError, VisitError
    from taptest.quantities import parse
    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit
    from taptest.visit.result import as_json

    if arguments.visit is None:
        raise VisitError("Say which folder the check goes into: taptest known-level VISIT --tank drum.toml --level ...")
    if arguments.level is None:
        raise QuantityError('Say how far below the top the water stands, measured with a rule: --level "160 mm".')
    level_m = parse("length", arguments.level, "--level").si
    vessel, _ = open_visit(arguments.tank, arguments.visit)
    height_m, units = vessel.case.tank.shape.height_m, vessel.units
    if not 0 < level_m < height_m:
        raise PhysicsError(
            f"The level {units.show('length', level_m)} below the top does not lie in the vessel, which is "
            f"{units.show('length', height_m)} high. Measure from the top of the vessel down to the water."
        )
    made = record(arguments, arguments.visit)
    entries = read_log(arguments.visit)
    if not is_done(entries):
        print("The round is not done yet, so nothing was compared. The same command takes it up again.")
        return made, None
    if not made.points:
        print("Every mark was skipped, so nothing was compared. Repeat the check in another folder.")
        return made, None
    result = judge_visit(read_visit(arguments.visit), Bar("computing the model of this vessel"))
    boundary = as_json(result)["boundary"]
    interval = boundary["interval90_mm"]
    check = KnownLevel(
        on=date.today().isoformat(),
        computer=this_computer(),
        microphone=next(str(entry["device"]) for entry in reversed(entries) if entry["what"] == "recording"),
        striker=arguments.striker,
        vessel=result.name or str(arguments.visit),
        true_mm=1000 * level_m,
        found_mm=boundary["position_mm"],
        interval90_mm=None if interval is None else (interval[0], interval[1]),
        round=f"{entries[0]['at']} {this_computer()}",
        unit=units.length,
    )
    return made, check

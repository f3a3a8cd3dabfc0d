"""`taptest simulate`: seeded visits with their truth, to try the tool and to measure it."""

import argparse
from pathlib import Path

from taptest.commands.console import add_where, where_of

DESCRIPTION = """\
Simulate visits: tanks, faults, taps and plant-room noise drawn from a seed, each with its truth in truth.json beside
visit.json. The same seed gives the same visits on one platform.
"""
EXAMPLES = """\
Difficulties: easy (quiet room, exact papers), field (a plant room, usual tolerances), hard (loud, and much that the
papers do not say). Each mismatch between the simulated physics and the papers can be switched on alone:
  other-heads  other-damping  stiff-ring  wall-off  uneven-edge  moving-microphone  striker-change  gain-riding
  split-modes  bag-barely-touches  bag-touches-partly  bag-stands-off  loose-rubber  lossy-strap  soft-blows
  height-with-fitting  microphone-moved  membrane-lags
Where the water touches the wall is drawn among forms; --form asks for one alone, or for those of "mechanics":
  level  dry  full  bag  flat  between  ring  short-ring  to-seam  past-seam  above-seam  gas-ring  first-filled
  drained  at-seam  shallow-cup  folded
docs/simulation.md tells what each is.

examples:
  taptest simulate trials/field --seed 7 --visits 100 --difficulty field
  taptest simulate trials/plain --seed 7 --visits 100 --mismatch none
  taptest simulate trials/ring --seed 7 --visits 100 --mismatch stiff-ring
  taptest simulate trials/loss --seed 1 --visits 5 --fault "slow loss"
  taptest simulate trials/rings --seed 1 --visits 5 --form ring
  taptest simulate trials/pairs --seed 1 --visits 5 --rounds raised
  taptest simulate trials/onset --seed 1 --visits 5 --rounds onset
  taptest simulate recordings_demo --scenario demo
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("out", type=Path, metavar="OUT", help="folder for the visits, made if need be")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="seed of the series (1)")
    parser.add_argument("--visits", type=int, default=1, metavar="N", help="how many visits (1)")
    parser.add_argument("--difficulty", choices=("easy", "field", "hard"), default="field", help="how hard (field)")
    parser.add_argument(
        "--mismatch",
        action="append",
        metavar="NAME",
        help='switch on this mismatch alone (repeat for several), "none" for none; left to the difficulty else',
    )
    parser.add_argument("--fault", metavar="NAME", help="simulate this fault only; left to the seed else")
    parser.add_argument("--form", metavar="NAME", help="let the water take this form only; left to the seed else")
    parser.add_argument(
        "--rounds",
        metavar="STEP",
        help="add a second round after a step: raised (the fill), let-down, or hot (heated; cooled where it was hot); "
        "onset taps one mark at many pressures, where the tank has a diaphragm",
    )
    parser.add_argument("--scenario", choices=("demo",), help="make the demonstration's visits and nothing else")
    add_where(parser)


def run(arguments: argparse.Namespace) -> int:
    """Simulate, and say what was made."""
    from taptest.commands.console import Bar, counted
    from taptest.simulate.staged import Series, simulate_scenario, simulate_visits

    bar = Bar("simulating visits")
    if arguments.scenario is not None:
        folders = simulate_scenario(arguments.out, bar, where_of(arguments))
    else:
        asked = None if arguments.mismatch is None else tuple(name for name in arguments.mismatch if name != "none")
        series = Series(
            seed=arguments.seed,
            visits=arguments.visits,
            difficulty=arguments.difficulty,
            switches=asked,
            fault=arguments.fault,
            form=arguments.form,
            step=arguments.rounds,
        )
        folders = simulate_visits(arguments.out, series, bar, where_of(arguments))
    print(f"Wrote {counted(len(folders), 'simulated visit')} into {arguments.out}, each with its truth in truth.json.")
    print(f"Judge them against it with: taptest trial {arguments.out}")
    return 0

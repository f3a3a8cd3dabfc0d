"""Write simulated visits of the second model: `python -m tests.bench.second_model OUT --seed 77 --visits 60`."""

import argparse
from functools import partial
from pathlib import Path

from taptest.commands.console import Bar
from taptest.visit.workers import Where, done, map_visits
from tests.bench.second_model.folder import folder_of, make_visit
from tests.bench.second_model.switches import CHANCES


def main() -> None:
    """Read the command line and write the visits that are not there yet, telling how far it has come."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.second_model", description=__doc__)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder for the visits")
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--visits", type=int, default=60)
    parser.add_argument("--only", choices=("none", *CHANCES), metavar="NAME", help=f"one of: {', '.join(CHANCES)}")
    parser.add_argument("--bags", action="store_true", help="bag tanks only")
    parser.add_argument("--raised", action="store_true", help="add a second round at another pressure")
    parser.add_argument("--workers", type=int, help="processes at once; one a core where left out")
    asked = parser.parse_args()
    todo = [number for number in range(asked.visits) if not folder_of(asked.out, asked.seed, number).is_dir()]
    made = map_visits(
        partial(make_visit, asked.out, asked.seed, asked.only, asked.bags, asked.raised),
        todo,
        Where(asked.workers),
        Bar("simulating visits"),
    )
    done(made)


if __name__ == "__main__":
    main()

"""How dear "as expected" is: failed tanks called fine against "cannot tell", with its costs times several factors.

Each line is read once; then the visit is judged again with every factor. Run by hand, on folders of simulated visits:

    taptest simulate trials/field --seed 9300 --visits 300 --difficulty field
    python -m tests.bench.costs trials/field
"""

import argparse
from collections import Counter
from pathlib import Path
from typing import Any
from unittest.mock import patch

from taptest.errors import TaptestError
from taptest.finding import judge as judging
from taptest.simulate.truth import read_truth
from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit
from tests.simulated_lines import folders_in

FACTORS = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path, nargs="+")
    counts: dict[float, Counter[str]] = {factor: Counter() for factor in FACTORS}
    failed = visits = 0
    for folder in [one for given in parser.parse_args().folder for one in folders_in(given)]:
        truth = read_truth(folder)
        assert truth is not None, f"{folder} carries no truth"
        visits += 1
        failed += truth.fault != "healthy"
        asked = what_is_judged(folder)
        for factor in FACTORS:
            said = "cannot tell" if asked is None else finding(asked, factor)
            counts[factor]["open"] += said == "cannot tell"
            counts[factor]["fine"] += said == "as expected" and truth.fault != "healthy"
            counts[factor]["right"] += said in truth.findings and said != "cannot tell"
    print(f"{visits} visits, {failed} of failed tanks")
    print(
        '| costs of "as expected" times | failed called fine | "cannot tell" | right when told |\n|---:|---:|---:|---:|'
    )
    for factor, count in counts.items():
        told = max(visits - count["open"], 1)
        print(
            f"| {factor:g} | {count['fine']} of {failed} | {100 * count['open'] / visits:.0f} % |"
            f" {100 * count['right'] / told:.0f} % |"
        )


def what_is_judged(folder: Path) -> tuple[Any, ...] | None:
    """Read a visit's line and return what its finding is judged from; None where the visit is refused."""
    taken: list[tuple[Any, ...]] = []

    def watched(*given: Any) -> Any:
        taken.append(given)
        return judging.judge(*given)

    with patch("taptest.visit.analyse.judge", watched):
        try:
            judge_visit(read_visit(folder))
        except TaptestError as error:
            print(f"{folder.name} is refused: {error}")
            return None
    return taken[0]


def finding(asked: tuple[Any, ...], factor: float) -> str:
    """Judge with the costs of "as expected" times a factor."""
    dearer = {state: factor * cost for state, cost in judging.COST["as expected"].items()}
    with patch.dict(judging.COST, {"as expected": dearer}):
        return str(judging.judge(*asked).code)


if __name__ == "__main__":
    main()

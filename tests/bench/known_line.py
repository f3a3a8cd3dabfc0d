"""What keeps a finding from being told when the water line is known: the share of "cannot tell" with an exact line.

Each simulated visit is judged by its own papers and readings: first by an ear that takes no mark's backing wrong and
knows nothing between two marks; then with a line that says the truth to 3 mm; then with the form of the membrane given
as well, which no tap shows; then with the true pressure and temperature of the tank. What is left of "cannot tell" in
the second row no better ear can mend. Run by hand, on a folder of simulated visits:

    taptest simulate trials/field --seed 9300 --visits 300 --difficulty field
    python -m tests.bench.known_line trials/field
"""

import argparse
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

from taptest.errors import TaptestError
from taptest.finding.judge import judge
from taptest.finding.records import Case
from taptest.line.boundary import prior_for
from taptest.line.records import BoundaryPosterior, LineReading
from taptest.simulate.truth import VisitTruth, read_truth
from taptest.tank.membrane import boundary_depth_m
from taptest.visit.files import read_visit
from taptest.visit.meaning import meaning_of
from tests.simulated_lines import folders_in

LINE_SD_M = 0.003
DOUBT = 0.003
"""Probability left to everything that the line does not say."""
GAUGE_SD_PA = 500.0
ROWS = ("all marks right", "exact line", "and the membrane's form", "and exact readings")


def between_marks(truth: VisitTruth, grid: np.ndarray, depth_m: np.ndarray) -> np.ndarray:
    """Where the boundary may lie, (G,) evenly, if the backing of the points (P,) is all that is known."""
    order = np.argsort(depth_m)
    water = np.array([each == "water" for each in truth.backing])[order]
    change = int(np.flatnonzero(water[1:] != water[:-1])[0])
    above, below = depth_m[order][change], depth_m[order][change + 1]
    return np.asarray((grid >= above) & (grid <= below), dtype=np.float64)


def at_truth(truth: VisitTruth, grid: np.ndarray, _depth_m: np.ndarray) -> np.ndarray:
    """Where the boundary lies, (G,), within a few millimetres."""
    assert truth.boundary_mm is not None
    return np.asarray(np.exp(-0.5 * ((grid - truth.boundary_mm / 1000) / LINE_SD_M) ** 2))


def exact_line(
    case: Case,
    truth: VisitTruth,
    depth_m: np.ndarray,
    place: Callable[[VisitTruth, np.ndarray, np.ndarray], np.ndarray] = at_truth,
) -> LineReading:
    """Make a reading that says what is true of the points (P,), and leaves open what sound cannot tell: a loose bag."""
    tank, prior = case.tank, prior_for(case.tank)
    grid = np.linspace(0.0, tank.shape.height_m, round(tank.shape.height_m / 0.001) + 1)
    chance = {"all air": DOUBT / 4, "all water": DOUBT / 4, "inverted": DOUBT / 50, "no contact": 0.0}
    mass = np.full(grid.size, DOUBT / 2 / grid.size)
    if truth.inverted:
        chance["inverted"] += 1 - DOUBT
    elif truth.boundary_mm is not None:
        bell = place(truth, grid, depth_m)
        mass += (1 - DOUBT) * bell / bell.sum()
    else:
        chance[truth.state] += 1 - DOUBT
        if truth.state == "all air":
            chance["no contact"] = chance["all air"] * prior.no_contact / (prior.all_air + prior.no_contact)
            chance["all air"] -= chance["no contact"]
    posterior = BoundaryPosterior(
        grid, mass, chance["all air"], chance["all water"], chance["inverted"], 0.0, chance["no contact"]
    )
    at = truth.boundary_mm / 1000 if truth.boundary_mm is not None else None
    return LineReading(
        state="not found" if chance["no contact"] > DOUBT else truth.state,  # type: ignore[arg-type]
        posterior=posterior,
        depth_m=at,
        interval90_m=None if at is None else (at - LINE_SD_M, at + LINE_SD_M),
        p_water=np.array([1.0 if each == "water" else 0.0 for each in truth.backing]),
        point_depth_m=depth_m,
        misfit=0.3,
        notes=(),
        inverted=truth.inverted,
    )


@contextmanager
def known_form(case: Case, truth: VisitTruth) -> Iterator[None]:
    """Let the finding draw only the form of the membrane that leaves the true level with the true share of water."""
    form = np.linspace(0.0, 1.0, 101)
    assert truth.water_share is not None
    assert truth.level_mm is not None
    level = np.asarray(boundary_depth_m(case.tank, truth.water_share, form))
    best = float(form[np.argmin(np.abs(level - truth.level_mm / 1000))])

    def draw(count: int, _rng: np.random.Generator) -> np.ndarray:
        return np.full(count, best)

    with patch("taptest.finding.draws.draw_mixing", draw), patch("taptest.finding.compare.draw_mixing", draw):
        yield


def exact_readings(case: Case, truth: VisitTruth) -> Case:
    """Put the true pressure and the tank's true temperature into the readings."""
    assert truth.pressure_bar is not None
    readings = replace(
        case.readings,
        pressure_pa=truth.pressure_bar * 1e5,
        pressure_sd_pa=GAUGE_SD_PA,
        tank_temperature_c=truth.tank_c,
    )
    return replace(case, readings=readings)


def told(folder: Path) -> tuple[VisitTruth, tuple[str, ...]]:
    """Judge one visit, once for each of the rows; "cannot tell" where its papers are refused."""
    visit, truth = read_visit(folder), read_truth(folder)
    assert truth is not None, f"{folder} carries no truth"
    try:
        case = meaning_of(visit.document, visit.source).case
    except TaptestError:
        return truth, ("cannot tell",) * len(ROWS)
    depth = np.array([entry.position_mm / 1000 for entry in visit.document.points])
    line = exact_line(case, truth, depth)
    heard = [judge(case, exact_line(case, truth, depth, between_marks)).code, judge(case, line).code]
    with known_form(case, truth):
        return truth, (*heard, judge(case, line).code, judge(exact_readings(case, truth), line).code)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="folder of simulated visits")
    rows = [told(folder) for folder in folders_in(parser.parse_args().folder)]
    failed = [truth.fault != "healthy" for truth, _ in rows]
    for name, codes in zip(ROWS, zip(*(said for _, said in rows), strict=True), strict=True):
        open_ = [code == "cannot tell" for code in codes]
        right = [code in truth.findings for (truth, _), code in zip(rows, codes, strict=True) if code != "cannot tell"]
        fine = sum(bad and code == "as expected" for bad, code in zip(failed, codes, strict=True))
        which = Counter(truth.fault for (truth, _), no in zip(rows, open_, strict=True) if no)
        print(
            f'{name:24} "cannot tell" {np.mean(open_):4.0%} of {len(rows)}; right when told {np.mean(right):4.0%}; '
            f"failed called fine {fine} of {sum(failed)}; open: {dict(which)}"
        )


if __name__ == "__main__":
    main()

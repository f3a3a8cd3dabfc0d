"""What keeps a finding from being told when the picture of the wetted wall is known: "cannot tell", failed called fine.

Each simulated visit is judged as it was heard; then by an ear that hears its true picture to 8 to 12 mm, rings and
their dry caps included; then with the true pressure and temperature as well. What is left open in the second row no
better ear can mend. Run by hand, on folders of simulated visits:

    taptest simulate trials/field --seed 9300 --visits 60 --difficulty field
    python -m tests.bench.known_line trials/field
"""

import argparse
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from taptest.errors import TaptestError
from taptest.finding.judge import judge
from taptest.finding.records import Case, Judgement
from taptest.line.records import LineReading
from taptest.simulate.truth import VisitTruth, read_truth
from taptest.tank.kinds import Tank
from taptest.tank.membrane import from_water_end
from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit
from taptest.visit.meaning import meaning_of
from tests.made_cases import heard, ring_heard
from tests.simulated_lines import folders_in

GAUGE_SD_PA = 500.0
ROWS = ("as heard", "exact picture", "and exact readings")


def exact_line(tank: Tank, truth: VisitTruth, depth_m: np.ndarray) -> LineReading:
    """Make a reading that hears what is true along the line of the points (P,)."""
    if truth.inverted:
        line = heard(tank, "inverted", None if truth.boundary_mm is None else truth.boundary_mm / 1000)
    elif tank.hanging and tank.kind == "diaphragm" and (cap_m := _dry_cap_m(tank, truth, depth_m)) is not None:
        line = ring_heard(tank, cap_m)
    else:
        line = heard(tank, truth.state, None if truth.boundary_mm is None else truth.boundary_mm / 1000)
    return replace(line, point_depth_m=np.sort(depth_m))


def _dry_cap_m(tank: Tank, truth: VisitTruth, depth_m: np.ndarray) -> float | None:
    """Distance of the dry cap's edge from the water end, midway between two marks; None where no mark is on one."""
    away = from_water_end(tank, depth_m)
    wet = [float(each) for each, backing in zip(away, truth.backing, strict=True) if backing == "water"]
    dry = [float(each) for each in away if wet and each < min(wet)]
    return 0.5 * (max(dry) + min(wet)) if dry else None


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


def judged(folder: Path, truth: VisitTruth) -> tuple[Judgement, ...] | None:
    """Judge one visit, once for each of the rows; None where its papers are refused."""
    visit = read_visit(folder)
    try:
        case, as_heard = meaning_of(visit.document, visit.source).case, judge_visit(visit).judgement
    except TaptestError as error:
        print(f"{folder.name} is refused: {error}")
        return None
    depth = np.array([entry.position_mm / 1000 for entry in visit.document.points])
    line = exact_line(case.tank, truth, depth)
    return as_heard, judge(case, line), judge(exact_readings(case, truth), line)


def counted(name: str, said: Iterable[tuple[VisitTruth, Judgement]]) -> str:
    """Return one line of the table."""
    said = list(said)
    healthy = [(truth, each) for truth, each in said if "as expected" in truth.findings]
    failed = [(truth, each) for truth, each in said if "as expected" not in truth.findings]
    left = sum(each.code == "cannot tell" for _, each in said)
    quiet = sum(each.code == "cannot tell" and each.speaks_against is False for _, each in healthy)
    named = sum(each.code in truth.findings for truth, each in healthy)
    fine = sum(each.code == "as expected" for _, each in failed)
    return (
        f'{name:20} "cannot tell" {left} of {len(said)}; healthy {len(healthy)}: named {named},'
        f" nothing against {quiet};"
        f" failed {len(failed)}: called fine {fine}"
    )


def main() -> None:
    """Print the table, by kind of tank and in all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="+", help="folder of simulated visits")
    rows: dict[str, list[tuple[VisitTruth, tuple[Judgement, ...]]]] = {}
    for folder in [one for given in parser.parse_args().folder for one in folders_in(given)]:
        truth = read_truth(folder)
        assert truth is not None, f"{folder} carries no truth"
        said = judged(folder, truth)
        if said is not None:
            tank = meaning_of(read_visit(folder).document, str(folder)).case.tank
            kind = tank.kind + (", hanging" if tank.kind == "diaphragm" and tank.hanging else "")
            rows.setdefault(kind, []).append((truth, said))
    for kind, each in [*sorted(rows.items()), ("all", [row for some in rows.values() for row in some])]:
        print(kind)
        for number, name in enumerate(ROWS):
            print(" ", counted(name, ((truth, said[number]) for truth, said in each)))


if __name__ == "__main__":
    main()

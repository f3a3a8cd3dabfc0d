"""What a handful of marks at two pressures tells: `python -m tests.bench.still FOLDER`.

FOLDER holds simulated visits of two rounds (`simulate --rounds raised`, or `tests.bench.second_model --raised`). Four
inner marks of each that both rounds have are heard. Told is how alike they sound by how much water moved, and whether
the probability that none did is right as often as it says. Visits with a microphone that is carried along are left
out, as in judging.
"""

import argparse
from pathlib import Path

import numpy as np

from taptest.line.records import Point
from taptest.line.still import StillEvidence, still_evidence
from taptest.simulate.truth import read_truth
from taptest.visit.files import Visit, inside, read_visit
from taptest.visit.listen import listen
from taptest.visit.record import PointEntry

MARKS = 4
MOVED = 0.02
"""Change of the water share that counts as moved."""


def heard(visit: Visit) -> StillEvidence | None:
    """Hear four inner marks of both rounds."""
    first, later = visit.document.points, {each.position_mm: each for each in visit.document.rounds[0].points}
    both = [(each, later[each.position_mm]) for each in first if each.position_mm in later]
    chosen = [both[i] for i in np.unique(np.linspace(0, len(both) - 1, MARKS + 2).round().astype(int))[1:-1]]
    names = [entry.file for pair in chosen for entry in pair]
    sounds = {one.file: one for one in listen([(name, inside(visit.folder, name)) for name in names])}

    def point(entry: PointEntry) -> Point:
        traits = tuple(each for each in sounds[entry.file].traits if each is not None)
        return Point(entry.position_mm / 1000, traits, len(traits), 0)

    return still_evidence([point(one) for one, _ in chosen], [point(other) for _, other in chosen])


def main() -> None:
    """Tell each pair, then the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.still", description=__doc__)
    parser.add_argument("folder", type=Path)
    rows = []
    for path in sorted(each.parent for each in parser.parse_args().folder.rglob("truth.json")):
        visit, truth = read_visit(path), read_truth(path)
        if (
            truth is None
            or not truth.rounds
            or not visit.document.rounds[0].points
            or "moving-microphone" in truth.switches
        ):
            continue
        found = heard(visit)
        if found is None or truth.water_share is None or truth.rounds[0].water_share is None:
            continue
        moved = abs(truth.rounds[0].water_share - truth.water_share)
        rows.append((moved, found.alike, found.ratio))
        print(
            f"{path.name}: moved {moved:.3f}, alike {found.alike:.2f}, {found.ratio:.2f} times as likely still",
            flush=True,
        )
    table = np.array(rows)
    for low, high in ((0.0, MOVED), (MOVED, 0.06), (0.06, 0.12), (0.12, 1.0)):
        those = table[(table[:, 0] >= low) & (table[:, 0] < high)]
        if those.size:
            spread = np.quantile(those[:, 1], (0.1, 0.5, 0.9)).round(2)
            print(f"moved {low:.2f} to {high:.2f}: {len(those)} pairs, alike {spread}")
    still = table[:, 0] < MOVED
    odds = table[:, 2] * still.mean() / (1 - still.mean())
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 1.01)):
        those = (odds / (1 + odds) >= low) & (odds / (1 + odds) < high)
        if those.any():
            said, was = (odds / (1 + odds))[those].mean(), still[those].mean()
            print(f"said to be still with {said:.2f}: {those.sum()} pairs, still {was:.2f}")


if __name__ == "__main__":
    main()

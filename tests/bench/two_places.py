"""How often the first answer of a round is right: `python -m tests.bench.two_places FOLDER ...`.

Each folder holds simulated visits with their truth. Of each visit's line the three marks near both ends are heard, one
tap each, as at the beginning of a round, and the answer is held against the backing of the outermost marks. Visits with
even and with odd numbers are counted apart: the thresholds were looked at on the even ones.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from taptest.errors import TaptestError
from taptest.line.records import Point
from taptest.line.two_places import SAID, Ends, end_marks, two_places
from taptest.simulate.truth import read_truth
from taptest.visit.files import inside, read_visit
from taptest.visit.listen import listen
from taptest.visit.meaning import meaning_of
from taptest.visit.record import PointEntry
from taptest.visit.sweeps import sweeps_for
from tests.simulated_lines import folders_in


def answered(folder: Path) -> tuple[Ends, str] | None:
    """Return what a visit's two ends say, and what is true of them; None where its line is too short."""
    visit, truth = read_visit(folder), read_truth(folder)
    case = meaning_of(visit.document, visit.source).case
    entries = {round(each.position_mm / 1000, 4): each for each in visit.document.points}
    marks = [round(mark, 4) for mark in end_marks(tuple(entries), case.tank)]
    if truth is None or not marks:
        return None
    backing = dict(zip(entries, truth.backing, strict=True))
    outer = sorted(marks, reverse=not case.tank.hanging)
    true = {
        ("water", "air"): "differ",
        ("air", "air"): "both ring",
        ("water", "water"): "both dull",
        ("air", "water"): "inverted",
    }[backing[outer[0]], backing[outer[-1]]]
    points = list(_heard(visit.folder, [entries[mark] for mark in marks]))
    return two_places(points, case.tank, sweeps_for(case)[0]).ends, true


def _heard(folder: Path, entries: list[PointEntry]) -> Iterator[Point]:
    """Hear the first good tap of each mark."""
    sounds = {one.file: one for one in listen([(each.file, inside(folder, each.file)) for each in entries])}
    for each in entries:
        traits = tuple(one for one in sounds[each.file].traits if one is not None)[:1]
        if traits:
            yield Point(each.position_mm / 1000, traits, 1, 0)


def main() -> None:
    """Tell each folder, then all of them."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.two_places", description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    whole: Counter[tuple[Ends, bool]] = Counter()
    for root in parser.parse_args().folders:
        for half in (0, 1):
            count: Counter[tuple[Ends, bool]] = Counter()
            for folder in folders_in(root):
                if int(folder.name.replace("_", "-").rsplit("-", 1)[-1]) % 2 != half:
                    continue
                try:
                    found = answered(folder)
                except TaptestError:
                    continue
                if found is not None:
                    count[found[0], found[0] == found[1]] += 1
            print(f"{root.name}, {'odd' if half else 'even'} numbers: {_told(count)}", flush=True)
            whole += count
    print(f"all: {_told(whole)}")


def _told(count: Counter[tuple[Ends, bool]]) -> str:
    named = {ends: (count[ends, True], count[ends, True] + count[ends, False]) for ends in SAID}
    right, of = (sum(pair[each] for pair in named.values()) for each in (0, 1))
    each = ", ".join(f"{ends} {pair[0]}/{pair[1]}" for ends, pair in named.items())
    return f"named {of} of {count.total()}, right {right} ({right / max(of, 1):.0%}): {each}"


if __name__ == "__main__":
    main()

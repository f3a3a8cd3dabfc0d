"""Lines of simulated visits for benches and frozen scores: points, tank and truth from a visit's folder."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.finding.records import Case
from taptest.line.records import Point
from taptest.simulate.truth import TRUTH, VisitTruth, read_truth
from taptest.visit.files import inside, read_visit, sound_files
from taptest.visit.listen import listen
from taptest.visit.meaning import meaning_of


@dataclass(frozen=True)
class Line:
    """One visit's line with its truth; one sound file a point."""

    name: str
    points: list[Point]
    case: Case
    truth: VisitTruth
    positions_mm: NDArray[np.float64]

    @property
    def spacing_mm(self) -> float:
        """Usual distance of neighbouring points."""
        return float(np.median(np.diff(np.sort(self.positions_mm))))

    @property
    def bounded(self) -> bool:
        """Whether its points have one boundary, with the water at its own end."""
        return self.truth.boundary_mm is not None and not self.truth.inverted


def line_of(folder: Path) -> Line:
    """Hear one simulated visit."""
    visit, truth = read_visit(folder), read_truth(folder)
    assert truth is not None, f"{folder} carries no truth"
    heard = listen([(name, inside(visit.folder, name)) for name in sound_files(visit.document)])
    traits = {one.file: one.traits for one in heard}
    points = []
    for entry in visit.document.points:
        used = tuple(trait for trait in traits[entry.file] if trait is not None)
        points.append(Point(entry.position_mm / 1000, used, len(used), len(traits[entry.file]) - len(used)))
    positions = np.array([entry.position_mm for entry in visit.document.points])
    return Line(folder.name, points, meaning_of(visit.document, visit.source).case, truth, positions)


def folders_in(folder: Path) -> list[Path]:
    """Visits with a truth, in order of their names."""
    return sorted(path.parent for path in folder.rglob(TRUTH))

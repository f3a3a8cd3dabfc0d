"""A small fixed set of simulated lines, kept as numbers in tests/data, and the scores that the estimator reached on it.

Kept of each visit: its taps' traits band by band, the tank, the model's sweeps at the line's own points, and the truth.
The scores are refreshed by

    python -m tests.frozen_lines

and the lines themselves are made again, which takes some minutes, by

    taptest simulate trials/easy --seed 1001 --visits 4 --difficulty easy
    taptest simulate trials/field --seed 1000 --visits 10 --difficulty field
    taptest simulate trials/hard --seed 1002 --visits 6 --difficulty hard
    python -m tests.frozen_lines --lines trials

Depths are metres below the top of the shell.
"""

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.line.boundary import read_line
from taptest.line.matched import along_line
from taptest.line.records import LineReading, Point
from taptest.shell.records import LevelSweep
from taptest.sound.records import TapTraits
from taptest.sound.traits import BAND_HZ
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from taptest.visit.sweeps import sweeps_for
from tests.simulated_lines import Line, folders_in, line_of

FloatArray = NDArray[np.float64]
DATA = Path(__file__).parent / "data"
LINES, SCORES = DATA / "lines.npz", DATA / "lines-scores.json"
FLOOR = 1e-3
"""Added to a density or probability before its logarithm is taken, so that one miss cannot rule the mean."""
_TRAITS = ("band_level_db", "band_level_sd_db")


@dataclass(frozen=True)
class Frozen:
    """One line as kept."""

    name: str
    points: list[Point]
    tank: Tank
    sweeps: list[LevelSweep]
    state: str
    boundary_m: float | None
    spacing_m: float


@dataclass(frozen=True)
class Score:
    """What the estimator makes of one line."""

    log_score: float
    """Logarithm of the posterior's density (per height of the shell) at the true boundary, or of the true state."""
    error_spacings: float | None
    covered: bool | None


def load() -> list[Frozen]:
    """Read the kept lines."""
    with np.load(LINES, allow_pickle=False) as kept:
        arrays = {name: kept[name].astype(np.float64) for name in kept.files if name != "about"}
        about = json.loads(str(kept["about"]))
    return [_unpacked(entry, arrays) for entry in about]


def _unpacked(entry: dict[str, object], arrays: dict[str, FloatArray]) -> Frozen:
    name = str(entry["name"])
    depth, owner = arrays[f"{name}/depth"], arrays[f"{name}/owner"].astype(int)
    bands = [arrays[f"{name}/{trait}"] for trait in _TRAITS]
    traits = [TapTraits(level, level_sd, np.zeros(1)) for level, level_sd in zip(*bands, strict=True)]
    points = []
    for number, at in enumerate(depth):
        mine = tuple(trait for trait, of in zip(traits, owner, strict=True) if of == number)
        points.append(Point(float(at), mine, len(mine), 0))
    level = arrays[f"{name}/sweep_level_db"]
    rows = arrays[f"{name}/sweep_rows"].astype(int)
    ends = np.cumsum(rows)
    sweeps = [
        LevelSweep(arrays[f"{name}/sweep_levels"][e - n : e], depth, BAND_HZ, level[e - n : e])
        for n, e in zip(rows, ends, strict=True)
    ]
    tank = dict(entry["tank"])  # type: ignore[call-overload]
    shape = Shape(**tank.pop("shape"))
    boundary = entry["boundary_m"]
    return Frozen(
        name,
        points,
        Tank(shape=shape, volume_m3=shape.volume_m3, **tank),
        sweeps,
        str(entry["state"]),
        None if boundary is None else float(str(boundary)),
        float(str(entry["spacing_m"])),
    )


def scored(line: Frozen) -> Score:
    """Read one line and score it."""
    reading = read_line(line.points, line.tank, line.sweeps)
    height = line.tank.shape.height_m
    error = covered = None
    if line.boundary_m is None:
        sure = reading.posterior.p_all_air if line.state == "all air" else reading.posterior.p_all_water
    else:
        sure = _density(reading, line.boundary_m) * height
        error = abs(reading.posterior.quantile_m(0.5) - line.boundary_m) / line.spacing_m
        low, high = reading.posterior.quantile_m(0.05), reading.posterior.quantile_m(0.95)
        covered = bool(low <= line.boundary_m <= high)
    return Score(float(np.log(sure + FLOOR)), error, covered)


def _density(reading: LineReading, depth_m: float) -> float:
    """Probability of one boundary per metre at a depth."""
    posterior = reading.posterior
    nearest = int(np.argmin(np.abs(posterior.depth_m - depth_m)))
    return float(posterior.mass[nearest] / (posterior.depth_m[1] - posterior.depth_m[0]))


def main() -> None:
    """Refresh the scores, and the lines where a folder of visits is given."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--lines", type=Path, help="folder of simulated visits to keep")
    asked = parser.parse_args()
    if asked.lines is not None:
        DATA.mkdir(exist_ok=True)
        keep([line for folder in folders_in(asked.lines) if (line := line_of(folder)) and keepable(line)])
    scores = {line.name: scored(line) for line in load()}
    SCORES.write_text(
        json.dumps(
            {
                name: {
                    "log_score": round(score.log_score, 3),
                    "error_spacings": None if score.error_spacings is None else round(score.error_spacings, 3),
                }
                for name, score in scores.items()
            },
            indent=1,
        )
        + "\n"
    )
    print(f"{len(scores)} lines, mean log score {np.mean([s.log_score for s in scores.values()]):.3f}")


def keepable(line: Line) -> bool:
    """Lines with all points heard and no inverted picture are kept."""
    return not line.truth.inverted and all(point.traits for point in line.points)


def keep(lines: list[Line]) -> None:
    """Write the lines with the model's sweeps at their points."""
    arrays: dict[str, NDArray[np.generic]] = {}
    about = []
    for line in lines:
        points = sorted(line.points, key=lambda point: point.depth_m)
        depth = np.array([point.depth_m for point in points])
        sweeps, _ = sweeps_for(line.case)
        name, tank = line.name, line.case.tank
        arrays[f"{name}/depth"] = depth
        arrays[f"{name}/owner"] = np.repeat(np.arange(len(points)), [len(p.traits) for p in points]).astype(np.int16)
        for trait in _TRAITS:
            every = np.array([getattr(tap, trait) for point in points for tap in point.traits])
            arrays[f"{name}/{trait}"] = np.round(every, 2).astype(np.float16)
        arrays[f"{name}/sweep_rows"] = np.array([len(s.level_depth_m) for s in sweeps])
        arrays[f"{name}/sweep_levels"] = np.concatenate([s.level_depth_m for s in sweeps])
        at = np.concatenate([along_line(s.level_db, s.depth_m, depth) for s in sweeps])
        arrays[f"{name}/sweep_level_db"] = np.round(at, 1).astype(np.float16)
        boundary = line.truth.boundary_mm
        about.append(
            {
                "name": name,
                "tank": {
                    "kind": tank.kind,
                    "water_end": tank.water_end,
                    "seam_depth_m": tank.seam_depth_m,
                    "shape": {
                        key: getattr(tank.shape, key) for key in ("axis", "diameter_m", "straight_m", "head", "wall_m")
                    },
                },
                "state": line.truth.state,
                "boundary_m": None if boundary is None else boundary / 1000,
                "spacing_m": line.spacing_mm / 1000,
            }
        )
    np.savez_compressed(LINES, about=np.array(json.dumps(about)), **arrays)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()

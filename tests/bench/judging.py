"""Time of the sampling of one judgement, beside a plain sort of as many numbers: python -m tests.bench.judging."""

import statistics
import time
from collections.abc import Callable

import numpy as np

from taptest.finding.compare import compare
from taptest.finding.draws import DRAWS
from taptest.finding.judge import judge
from taptest.tank.shape import depth_of_volume_above_m3
from tests.made_cases import HOT, heard, level_for, made_case, made_tank


def median_ms(work: Callable[[], object], times: int = 15) -> float:
    """Median processor time of a call, in milliseconds."""
    work()
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(1000 * (time.process_time() - start))
    return statistics.median(taken)


def main() -> None:
    """Print processor times in milliseconds."""
    tank = made_tank()
    case, line = made_case(tank, **HOT), heard(tank, "found", level_for(tank, 1e5, HOT))
    volume = np.random.default_rng(0).uniform(0, tank.shape.volume_m3, DRAWS)
    works: dict[str, Callable[[], object]] = {
        "one sort": lambda: np.sort(volume),
        "depth of volume": lambda: depth_of_volume_above_m3(tank.shape, volume),
        "compare": lambda: compare(case, line, np.random.default_rng(0)),
        "judge, all of it": lambda: judge(case, line),
    }
    print(f"{DRAWS} draws, processor time in ms")
    for name, work in works.items():
        print(f"{name:20s}{median_ms(work):8.2f}")


if __name__ == "__main__":
    main()

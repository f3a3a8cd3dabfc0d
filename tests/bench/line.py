"""Time of reading a 20-point, 60-tap line with one, three and six variants of a sweep, and of proposing the next point.

Run by hand: python -m tests.bench.line
"""

import time
from collections.abc import Callable

import numpy as np

from taptest.line.boundary import read_line
from taptest.line.next_point import next_point
from taptest.line.points import profile_of
from tests.made_lines import HEIGHT_M, made_field, made_points, made_sweep, made_tank


def median_ms(work: Callable[[], object], times: int = 15) -> float:
    """Median time of one call in milliseconds, after one call to warm up."""
    work()
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return 1000 * float(np.median(taken))


def main() -> None:
    """Print the times."""
    points = made_points(0.23, np.random.default_rng(1))
    tank = made_tank()
    sweeps = [made_sweep(seed=seed, positions=60) for seed in (5, 6, 7)]
    reading = read_line(points, tank, sweeps)
    profile = profile_of(points)
    level = np.array([np.nan, 0.2, np.nan])
    candidates = np.linspace(0.01, HEIGHT_M - 0.01, 97)
    numpy_work = np.random.default_rng(2).standard_normal((400, 400))
    unit = median_ms(lambda: np.linalg.inv(numpy_work))
    rows = {
        "inverse of a 400 x 400 matrix (unit)": unit,
        "profile of 60 taps": median_ms(lambda: profile_of(points)),
        "reading without a sweep": median_ms(lambda: read_line(points, tank)),
        "reading, one variant": median_ms(lambda: read_line(points, tank, sweeps[:1])),
        "reading, three variants": median_ms(lambda: read_line(points, tank, sweeps)),
        "reading, six variants (a diaphragm tank's)": median_ms(lambda: read_line(points, tank, sweeps + sweeps)),
        "next point, three variants": median_ms(lambda: next_point(reading.posterior, profile, candidates, sweeps)),
        "made-up field (for comparison)": median_ms(lambda: made_field(level, profile.depth_m)),
    }
    for name, value in rows.items():
        print(f"{name:44s} {value:8.1f} ms   {value / unit:6.2f} units")


if __name__ == "__main__":
    main()

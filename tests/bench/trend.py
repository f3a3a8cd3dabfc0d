"""How well the loss of air is told: python -m tests.bench.trend [HISTORIES]

Draws histories of tanks that lose air on a straight line, seen three to five times within four years with an error of
0.08 bar, and only as "at least 1.0 bar" above 1.1 bar; prints how often the 90 % interval, one-sided
where it says so, holds the true loss, and how long one fit takes.
"""

import sys
import time

import numpy as np

from taptest.finding.records import Interval
from taptest.visit.trend import Estimate, fit_trend


def main(count: int) -> None:
    """Measure and print."""
    rng = np.random.default_rng(5)
    told = held = one_sided = 0
    start = time.perf_counter()
    for _ in range(count):
        rate = min(abs(float(rng.standard_cauchy())) * 0.15, 2.0)
        years = np.sort(rng.uniform(0, 4, int(rng.integers(3, 6))))
        trend = fit_trend([seen(float(year), 1.2 - rate * year, rng) for year in years], [], float(years[-1]), rng)
        loss = trend.loss_pa_per_year
        if loss is None:
            continue
        told += 1
        one_sided += trend.bound is not None
        above = trend.bound == "upper" or loss.low <= 1e5 * rate
        held += above and (trend.bound == "lower" or 1e5 * rate <= loss.high)
    print(f"{count} histories, {told} with a loss told, {one_sided} of these one-sided")
    print(f"90 % interval holds the true loss: {100 * held / told:.0f} %")
    print(f"one fit: {1e3 * (time.perf_counter() - start) / count:.0f} ms")


def seen(year: float, bar: float, rng: np.random.Generator) -> Estimate:
    """Return what a visit tells of a charge."""
    if bar > 1.1:
        return Estimate(year, Interval(1.0e5, 0.9e5, 1.1e5), "lower")
    told = max(bar, -1.0) + 0.08 * float(rng.standard_normal())
    return Estimate(year, Interval(1e5 * told, 1e5 * (told - 0.13), 1e5 * (told + 0.13)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)

"""Time and memory of the model of whole tanks, each in a Python of its own, against a fixed piece of linear algebra.

Run by hand: python -m tests.bench.shell [ROUNDS]. Prints seconds until all sweeps of a tank are there with nothing
kept, processor seconds, the same over the time of a fixed piece of linear algebra measured beside it (a busy machine
slows both), peak memory, and what was estimated beforehand. Medians of the rounds.
"""

import json
import statistics
import subprocess
import sys

TANKS = {
    "18 l, wall noted": (0.018, 0.27, True),
    "18 l, wall not noted": (0.018, 0.27, False),
    "200 l, wall noted": (0.2, 0.55, True),
    "200 l, wall not noted": (0.2, 0.55, False),
    "1,000 l, wall noted": (1.0, 0.8, True),
    "1,000 l, wall not noted": (1.0, 0.8, False),
}
"""Volume in m3, diameter in m, and whether the wall was noted; hanging diaphragm tanks, the dearest."""

ONE = """
import json, os, sys, tempfile, time
os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["TAPTEST_CACHE"] = tempfile.mkdtemp()
import resource
import numpy as np
from taptest.finding.records import Case, Readings, SystemFacts
from taptest.tank.kinds import Tank
from taptest.tank.shape import resolve_shape
from taptest.visit.sweeps import seconds_left, sweeps_for
from taptest.water.fluids import WATER
volume, diameter, known = json.loads(sys.argv[1])
shape, _ = resolve_shape(axis="vertical", volume_m3=volume, diameter_m=diameter)
tank = Tank("diaphragm", "top", shape, volume, wall_known=known)
case = Case(tank, SystemFacts(WATER), Readings(pressure_pa=1.2e5))
square = np.random.default_rng(0).normal(size=(300, 40, 40))
square = square + square.swapaxes(1, 2)
def fixed():
    start = time.process_time()
    np.linalg.eigh(square)
    return time.process_time() - start
before, told = fixed(), seconds_left(case)
wall, work = time.perf_counter(), time.process_time()
sweeps_for(case)
wall, work = time.perf_counter() - wall, time.process_time() - work
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([wall, work, work / (0.5 * (before + fixed())), peak, told]))
"""


def main(rounds: int) -> None:
    """Print the table."""
    print(f"{'tank':26}{'wall s':>8}{'work s':>8}{'ratio':>8}{'MB':>6}{'told s':>8}")
    for name, asked in TANKS.items():
        found = [
            json.loads(
                subprocess.run([sys.executable, "-c", ONE, json.dumps(asked)], check=True, capture_output=True).stdout
            )
            for _ in range(rounds)
        ]
        wall, work, ratio, peak, told = (statistics.median(column) for column in zip(*found, strict=True))
        print(f"{name:26}{wall:8.1f}{work:8.1f}{ratio:8.0f}{peak:6.0f}{told:8.1f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)

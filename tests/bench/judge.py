"""How long the commands take: run by hand, from the project's root: python -m tests.bench.judge [VISIT].

Prints, in one run on one machine: the start of `taptest --help` against that of `python -c "import numpy"`; judging a
visit cold (a new Python, the tank's sweep on the disk) and warm (in a running one); and what each import costs.
On a busy machine the work (processor time) tells more than the wall time. Targets: help under twice numpy; 20 points
"""

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROUNDS = 7


def seconds(command: list[str]) -> tuple[float, float]:
    """Median wall time and mean processor time of a command, after one round that warms the disk."""
    times: list[float] = []
    spent = os.times()
    for _ in range(ROUNDS + 1):
        begin = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - begin)
        if len(times) == 1:
            spent = os.times()
    now = os.times()
    work = now.children_user + now.children_system - spent.children_user - spent.children_system
    return statistics.median(times[1:]), work / ROUNDS


def main(visit: Path) -> None:
    """Measure and print."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # as the commands do themselves
    python = sys.executable
    numpy, numpy_work = seconds([python, "-c", "import numpy"])
    start, start_work = seconds([python, "-m", "taptest", "--help"])
    print(f"import numpy      {numpy:6.3f} s   {numpy_work:.3f} s of work")
    print(
        f"taptest --help    {start:6.3f} s   {start_work:.3f} s of work; {start / numpy:.2f} x numpy (target: under 2)"
    )

    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit

    read = read_visit(visit)
    judge_visit(read)  # computes the sweep where it is not on the disk yet
    points = len(read.document.points)
    cold, cold_work = seconds([python, "-m", "taptest", "judge", str(visit)])
    warm, warm_spent = [], time.process_time()
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        result = judge_visit(read)
        warm.append(time.perf_counter() - begin)
    warm_work = (time.process_time() - warm_spent) / ROUNDS
    size = f"{points} points, {len(result.taps)} taps"
    print(f"judge, cold       {cold:6.3f} s   {cold_work:.3f} s of work; {size} (target: under 2 s)")
    print(f"judge, warm       {statistics.median(warm):6.3f} s   {warm_work:.3f} s of work (target: under 0.3 s)")

    from taptest.report.figures import boundary_picture

    begin = time.perf_counter()
    boundary_picture(result)
    print(f"picture, warm     {time.perf_counter() - begin:6.3f} s   PNG and SVG")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parents[2] / "recordings_demo" / "1-healthy-hot"))

"""Write simulated visits of the second model: `python -m tests.bench.second_model OUT --seed 77 --visits 60`."""

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path


def main() -> None:
    """Read the command line and write the visits that are not there yet, telling how far it has come."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.second_model", description=__doc__)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder for the visits")
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--visits", type=int, default=60)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    # One thread a process, and always the same, so that a seed gives the same visits however many processes there are.
    os.environ.update({"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"})
    from tests.bench.second_model.folder import make_visit

    todo = [n for n in range(chosen.visits) if not (chosen.out / f"second-{chosen.seed}-{n:04d}").is_dir()]
    began = time.monotonic()
    with ProcessPoolExecutor(chosen.workers) as pool:
        waiting = [pool.submit(make_visit, chosen.out, chosen.seed, number) for number in todo]
        for count, done in enumerate(as_completed(waiting), start=1):
            spent = time.monotonic() - began
            print(f"{count}/{len(todo)}  {done.result()}  {spent:.0f} s", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()

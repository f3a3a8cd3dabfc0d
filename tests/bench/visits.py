"""How much faster many visits are judged by several processes: python -m tests.bench.visits DIR [VISITS]

DIR holds simulated visits with their truth (`taptest simulate`). Their models are computed beforehand; then the first
VISITS are scored in this process, by two processes (joblib) and by a Dask cluster of two, in one run. Targets: two
against one 1.8; Dask against joblib 0.9.
"""

import sys
import time
from functools import partial
from pathlib import Path

from distributed import LocalCluster

from taptest.simulate.trial import score_visit
from taptest.simulate.truth import TRUTH
from taptest.visit.workers import Where, done, map_visits


def score(base: Path, folder: Path) -> tuple[str, float | None]:
    """Name and error of a visit: what must not depend on where it was judged."""
    got = score_visit(folder, base)
    return got.name, got.error_mm


def main(base: Path, count: int) -> None:
    """Measure and print."""
    folders = sorted(path.parent for path in base.rglob(TRUTH))[:count]
    if not folders:
        raise SystemExit(f"{base} holds no visits with their truth.")
    first = done(map_visits(partial(score, base), folders))  # computes the models where they are not kept
    took = {}
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:  # type: ignore[no-untyped-call]
        places = {"here": Where(1), "joblib, 2": Where(2), "Dask, 2": Where(cluster=cluster.scheduler_address)}
        for name, where in places.items():
            map_visits(partial(score, base), folders[:2], where)  # starts the processes
            start = time.perf_counter()
            assert done(map_visits(partial(score, base), folders, where)) == first
            took[name] = time.perf_counter() - start
            print(f"{name:10}{took[name]:8.1f} s for {len(folders)} visits", flush=True)
    print(f"two against one {took['here'] / took['joblib, 2']:.2f}; Dask against joblib ", end="")
    print(f"{took['joblib, 2'] / took['Dask, 2']:.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 200)

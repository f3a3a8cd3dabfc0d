"""Many visits at once: a pool of processes whose results do not depend on how many there are.

Each process computes with one thread, always, also where there is only one process: a matrix product split over threads
rounds differently, and results must not change with the number of workers. Processes are started afresh (spawn), which
works alike on Linux, macOS and Windows.
"""

import contextlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from taptest.errors import VisitError

Item = TypeVar("Item")
Result = TypeVar("Result")

_THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def usual_workers() -> int:
    """Return the number of processes used where none is asked for: one a core."""
    return max(os.cpu_count() or 1, 1)


def map_visits(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    workers: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[Result]:
    """Apply `work`, a function at the top level of a module, to each item; results come in the items' order.

    `progress` is told the share done. Raises what `work` raises, for the first item that fails to finish; `VisitError`
    where a process died.
    """
    tell = progress or _say_nothing
    results: dict[int, Result] = {}
    tell(0.0)
    with _one_thread_each():
        count = min(workers or usual_workers(), max(len(items), 1))
        pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"))
        try:
            numbers = {pool.submit(work, item): number for number, item in enumerate(items)}
            for future in as_completed(numbers):
                results[numbers[future]] = future.result()
                tell(len(results) / len(items))
        except BrokenProcessPool as error:
            raise VisitError(
                "A process that worked on the visits died, most likely for want of memory. "
                "Try again with fewer of them, for example --workers 1."
            ) from error
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
    return [results[number] for number in range(len(items))]


def _say_nothing(_share: float) -> None:
    """Tell nobody."""


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes started inside the block compute with one thread; they read these variables when they start."""
    before = {name: os.environ.get(name) for name in _THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(_THREAD_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value

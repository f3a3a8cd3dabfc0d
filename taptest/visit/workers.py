"""Many visits at once: in this process, on all cores (joblib), or on a cluster of machines (Dask).

Results come in the order of the visits and are the same to the letter wherever they were computed: each task computes
with one thread, because a matrix product split over threads rounds differently. A task that fails costs its visit
alone and comes back as a `Failure` that says why; one whose process dies is tried once more by itself. Machines of a
cluster must see the visits' folders under the same paths and have the same version of this program.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Generic, TypeVar

from taptest.errors import TaptestError, VisitError

Item = TypeVar("Item")
Result = TypeVar("Result")
DIED = "The process working on it died, most likely because memory ran out. Run it again with fewer workers."


@dataclass(frozen=True, slots=True)
class Where:
    """Where tasks run."""

    workers: int | None = None
    """Processes on this machine; None for one a core, 1 for this process."""
    cluster: str | None = None
    """Address of a Dask scheduler, such as tcp://10.0.0.5:8786, instead."""


ALL_CORES = Where()


@dataclass(frozen=True, slots=True)
class Failure(Generic[Item]):
    """A task that gave no result."""

    item: Item
    sentence: str
    error: TaptestError | None = None
    """What was raised, where it is one of this program's own errors."""


def map_visits(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    where: Where = ALL_CORES,
    progress: Callable[[float], None] | None = None,
) -> list[Result | Failure[Item]]:
    """Apply `work`, a function at the top level of a module, to each item; results come in the items' order.

    `progress` is told the share done. Raises `VisitError` for a cluster that cannot be reached.
    """
    tell = progress or _say_nothing
    tell(0.0)
    results: dict[int, Result | Failure[Item]] = {}
    for number, result in _runner(where, len(items))(partial(_guarded, work), items):
        results[number] = result
        tell(len(results) / len(items))
    return [results[number] for number in range(len(items))]


def done(results: Sequence[Result | Failure[Any]]) -> list[Result]:
    """Return the results where none failed. Raises the first failure's own error, or `VisitError` for a dead process.

    Where several failed, the error's sentence counts them; what the others made is there all the same.
    """
    failed = [each for each in results if isinstance(each, Failure)]
    if failed:
        first = failed[0]
        count = "" if len(failed) == 1 else f" {len(failed)} of {len(results)} failed; the others are there."
        if first.error is not None and not count:
            raise first.error
        raise VisitError(first.sentence + count)
    return [each for each in results if not isinstance(each, Failure)]


Numbered = Iterator[tuple[int, Any]]
_Runner = Callable[[Callable[[Any], Any], Sequence[Any]], Numbered]


def _runner(where: Where, count: int) -> _Runner:
    if where.cluster is not None:
        return partial(_on_cluster, where.cluster)
    if where.workers == 1 or count <= 1:
        return _here
    return partial(_on_cores, where.workers)


def _guarded(work: Callable[[Any], Any], item: Any) -> Any:
    """Do one task with one thread; what it raises becomes a `Failure`, so that it costs this visit alone."""
    from taptest.shell.sweep import on_one_core

    with on_one_core():
        try:
            return work(item)
        except TaptestError as error:
            return Failure(item, str(error), error)
        except Exception as error:
            return Failure(item, f"{type(error).__name__}: {error}")


def _here(work: Callable[[Any], Any], items: Sequence[Any]) -> Numbered:
    for number, item in enumerate(items):
        yield number, work(item)


def _on_cores(workers: int | None, work: Callable[[Any], Any], items: Sequence[Any]) -> Numbered:
    """Yield numbered results from processes of this machine; what dies is tried once more by itself."""
    left = dict(enumerate(items))
    try:
        for number, result in _pooled(workers or -1, work, left):
            del left[number]
            yield number, result
    except _dead_worker():
        for number, item in left.items():
            try:
                yield from _pooled(2, work, {number: item})
            except _dead_worker():
                yield number, Failure(item, DIED)


def _pooled(jobs: int, work: Callable[[Any], Any], items: dict[int, Any]) -> Numbered:
    import joblib

    with joblib.parallel_config("loky", inner_max_num_threads=1):
        pool = joblib.Parallel(n_jobs=jobs, return_as="generator_unordered", batch_size=1, pre_dispatch="2*n_jobs")
        yield from pool(joblib.delayed(_numbered)(number, work, item) for number, item in list(items.items()))


def _numbered(number: int, work: Callable[[Any], Any], item: Any) -> tuple[int, Any]:
    return number, work(item)


def _dead_worker() -> type[BaseException]:
    from concurrent.futures.process import BrokenProcessPool

    return BrokenProcessPool


def _on_cluster(address: str, work: Callable[[Any], Any], items: Sequence[Any]) -> Numbered:
    """Yield numbered results from a Dask cluster, which gives the tasks of a lost worker to another."""
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise VisitError(
            'A cluster needs the library distributed; install it with: pip install "taptest[cluster]"'
        ) from error
    try:
        client = Client(address, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise VisitError(
            f"No Dask scheduler answers at {address}. Check the address, like tcp://10.0.0.5:8786, and that it runs."
        ) from error
    with client:  # leaves the cluster running
        numbers = {client.submit(work, item, pure=False): number for number, item in enumerate(items)}
        for future in as_completed(list(numbers)):  # type: ignore[no-untyped-call]
            number = numbers.pop(future)
            yield number, Failure(items[number], DIED) if future.status != "finished" else future.result()
            future.release()


def _say_nothing(_share: float) -> None:
    """Tell nobody."""

"""The level sweep of a tank, kept on the disk: what the model predicts for each level is computed once a tank.

A sweep is found by a fingerprint of everything that it depends on: the shell as the model sees it and the version of
the model (`taptest.versions`). Files lie in the platform's cache folder, or in the folder that the environment variable
TAPTEST_CACHE names; they can be deleted at any time. A file that cannot be read is computed again; a folder that cannot
be written costs only the time of computing.
"""

import contextlib
import hashlib
import io
import json
import os
import threading
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest import disk, versions
from taptest.errors import StorageError
from taptest.finding.records import Case
from taptest.shell.from_tank import ring_pictures
from taptest.shell.records import FloatArray, LevelSweep, ShellSpec, SweepTask
from taptest.shell.variants import variants
from taptest.statements import Statement
from taptest.visit.remarks import ModelRemark

FOLDER_VARIABLE = "TAPTEST_CACHE"
MOST_BYTES = 2_000_000_000
"""The files that were not used for longest are deleted beyond this; a tank takes a third of a megabyte to five."""
MOST_SECONDS = 900.0
"""No model is computed that would take longer on one core: a wall ten times too thin was typed, or a size in other
units."""
EARLY_SECONDS = 8.0
"""Where a model takes longer than this on one core, that of the tank as noted alone comes first, at a third of the
time."""
WAIT_SECONDS = 0.1
LEVEL_DIGITS = 2
"""Levels are kept to a hundredth of a decibel: they are compared with a residual of 3 dB."""
_ARRAYS = ("level_depth_m", "depth_m", "band_hz", "level_db", "cap_depth_m", "cap_db", "foot_depth_m", "foot_db")
_DECIBELS = tuple(name for name in _ARRAYS if name.endswith("_db"))
PRESSURE_CLASS_PA = 0.5e5
"""Pressures of one class share a model. The profiles along the line hardly feel the pressure (1 % from 1 to 2 bar on a
300 mm tank), but the frequencies do, and with classes of 2 bar the level was missed by a fifth more."""
USUAL_PRESSURE_PA = 1e5
POSITION_STEP_M = 0.008
END_ROOM_M = 0.004
"""The sweep's positions begin and end so far from the poles."""
Sweeps = tuple[LevelSweep, ...]
Progress = Callable[[float], None]


def sweeps_for(case: Case, progress: Progress | None = None) -> tuple[Sweeps, tuple[Statement, ...]]:
    """Return the level sweeps of a visit's tank, one for each wall, lining, ring and head that it may have, and notes.

    Empty for a lying diaphragm tank, whose water does not end at a depth: its line is read without. So is that of a
    shell whose model would take longer than `MOST_SECONDS`, and a note says so. `progress` is told the share done where
    the sweeps have to be computed; what it raises ends the work.
    """
    seconds = seconds_left(case)
    if seconds > MOST_SECONDS:
        return (), (_too_dear(case, seconds),)
    tasks = _tasks(case)
    with _alone(tasks, progress) as tell:

        def compute(missing: Sequence[SweepTask]) -> Sequence[Sequence[LevelSweep]]:
            from taptest.shell.sweep import sweep_all

            return sweep_all(missing, tell)

        return kept_sweeps(tasks, compute)


def sharpening(case: Case) -> Iterator[Sweeps]:
    """Give the level sweeps as they come: where they take long, first that of the tank as noted alone, then all."""
    if EARLY_SECONDS < seconds_left(case) <= MOST_SECONDS:
        from taptest.shell.sweep import sweep_all

        noted = _tasks(case)[0]
        yield sweep_all([replace(noted, changes=noted.changes[:1])])[0]
    yield sweeps_for(case)[0]


@dataclass(slots=True)
class _UnderWay:
    """A tank whose model is asked for in this program, perhaps by a round and by a page at the same time."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    share: float = 0.0


_UNDER_WAY: dict[tuple[Path, ...], _UnderWay] = {}


@contextmanager
def _alone(tasks: Sequence[SweepTask], progress: Progress | None) -> Iterator[Progress]:
    """Wait until no one else in this program computes the same model, telling how far that has come.

    Gives a function to tell progress by. What `progress` raises ends the wait as it ends the work.
    """
    tell = progress or (lambda _share: None)
    model = _UNDER_WAY.setdefault(tuple(_path(task) for task in tasks), _UnderWay())
    waited = False
    while not model.lock.acquire(timeout=WAIT_SECONDS):
        waited = True
        tell(min(model.share, 0.99))

    def both(share: float) -> None:
        model.share = share
        tell(share)

    try:
        yield both
        if waited:
            tell(1.0)
    finally:
        model.share = 0.0
        model.lock.release()


def kept_sweeps(
    tasks: Sequence[SweepTask], compute: Callable[[Sequence[SweepTask]], Sequence[Sequence[LevelSweep]]]
) -> tuple[Sweeps, tuple[Statement, ...]]:
    """Return the sweeps of shells from the disk; compute and keep what is missing, all of it at once.

    The second value tells where they could not be kept.
    """
    paths = [_path(task) for task in tasks]
    found = [_read(path) for path in paths]
    missing = [number for number, sweeps in enumerate(found) if sweeps is None]
    notes: list[Statement] = []
    computed = compute([tasks[number] for number in missing]) if missing else []
    for number, sweeps in zip(missing, computed, strict=True):
        found[number], said = _kept(paths[number], sweeps)
        notes.extend(said)
    return tuple(sweep for sweeps in found for sweep in sweeps or ()), tuple(dict.fromkeys(notes))


def missing_models(case: Case) -> tuple[str, ...]:
    """Return the names of the models of a visit's tank that are not kept yet."""
    return tuple(path.stem for path in map(_path, _tasks(case)) if not path.exists())


def seconds_left(case: Case) -> float:
    """Estimate how many seconds of one core the model of a visit's tank still takes; 0 where it is kept."""
    missing = [task for task in _tasks(case) if not _path(task).exists()]
    if not missing:
        return 0.0
    from taptest.shell.sweep import sweep_seconds

    return sweep_seconds(missing)


def _too_dear(case: Case, seconds: float) -> Statement:
    """Say why there is no model, and what to do."""
    shape = case.tank.shape
    sizes = {"diameter_m": shape.diameter_m, "wall_m": shape.wall_m}
    return Statement(ModelRemark.TAKES_TOO_LONG, {**sizes, "minutes": round(seconds / 60)})


def _tasks(case: Case) -> list[SweepTask]:
    """Return what has to be computed of a visit's tank: it as noted, and with the heads it may have instead."""
    if case.tank.sideways:
        return []
    return [
        SweepTask(spec, _positions(tank.shape.height_m), changes, ring_pictures(tank))
        for tank, spec, changes in variants(case.tank, _pressure_class(case))
    ]


def _positions(height_m: float) -> FloatArray:
    """Return the positions along the line that are computed."""
    count = max(round((height_m - 2 * END_ROOM_M) / POSITION_STEP_M) + 1, 12)
    return np.linspace(END_ROOM_M, height_m - END_ROOM_M, count)


def _path(task: SweepTask) -> Path:
    """Return where a shell's sweeps are kept."""
    return cache_folder() / f"{fingerprint(task.spec, f'{task.changes} {len(task.depth_m)} {task.rings}')}.npz"


def _pressure_class(case: Case) -> float:
    """Pressure for the model: of the visit, else as the system is filled, taken to the middle of its class."""
    known = (case.readings.pressure_pa, case.system.fill_pa, case.readings.precharge_pa, USUAL_PRESSURE_PA)
    pressure = next(value for value in known if value is not None)
    return (max(pressure, 0.0) // PRESSURE_CLASS_PA + 0.5) * PRESSURE_CLASS_PA


def _kept(path: Path, computed: Sequence[LevelSweep]) -> tuple[Sweeps, tuple[Statement, ...]]:
    """Return sweeps as they are kept, having kept them; a statement tells where they could not be."""
    sweeps = tuple(replace(sweep, **{name: _as_kept(getattr(sweep, name)) for name in _DECIBELS}) for sweep in computed)
    try:
        disk.make_folder(path.parent)
        disk.write_bytes(path, _packed(sweeps))
        _drop_unused(path.parent)
    except StorageError as error:
        return sweeps, (Statement(ModelRemark.NOT_KEPT, {"sentence": str(error)}),)
    return sweeps, ()


def cache_folder() -> Path:
    """Return the folder for computed models."""
    named = os.environ.get(FOLDER_VARIABLE, "").strip()
    if named:
        return Path(named).expanduser()
    from platformdirs import user_cache_path

    return user_cache_path("taptest", appauthor=False) / "sweeps"


def fingerprint(spec: ShellSpec, variants: str = "") -> str:
    """Return a name for everything that a sweep depends on: the shell, its variants and the model's version."""
    described = json.dumps(asdict(spec), sort_keys=True) + variants
    return hashlib.sha256(f"{described}|{versions.MODEL}".encode()).hexdigest()[:32]


def _as_kept(level_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round levels to what is kept of them, so that the first judgement of a tank is the same as the later ones."""
    return np.round(level_db, LEVEL_DIGITS).astype(np.float32).astype(np.float64)


def _packed(sweeps: Sequence[LevelSweep]) -> bytes:
    arrays = {f"{name}{number}": getattr(sweep, name) for number, sweep in enumerate(sweeps) for name in _ARRAYS}
    short = {name: array.astype(np.float32) if "_db" in name else array for name, array in arrays.items()}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, count=np.array(len(sweeps)), **short)
    return buffer.getvalue()


def _read(path: Path) -> Sweeps | None:
    """Read kept sweeps; None where there are none, or the file is damaged and will be written again."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            sweeps = tuple(
                LevelSweep(**{name: np.asarray(arrays[f"{name}{number}"], dtype=np.float64) for name in _ARRAYS})
                for number in range(int(arrays["count"]))
            )
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
    with contextlib.suppress(OSError):
        os.utime(path)  # it was used, and stays
    return sweeps


def _drop_unused(folder: Path) -> None:
    """Delete the files that were not used for longest until the rest fits; one that is gone already does not matter."""
    files = []
    for path in folder.glob("*.npz"):
        with contextlib.suppress(FileNotFoundError):
            status = path.stat()
            files.append((status.st_mtime, status.st_size, path))
    left = sum(size for _, size, _ in files)
    for _, size, path in sorted(files):
        if left <= MOST_BYTES:
            break
        path.unlink(missing_ok=True)
        left -= size

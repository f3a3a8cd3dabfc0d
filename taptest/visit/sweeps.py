"""The level sweep of a tank, kept on the disk: what the model predicts for each level is computed once a tank.

A sweep is found by a fingerprint of everything that it depends on: the shell as the model sees it and the version of
the model (`taptest.versions`). Files lie in the platform's cache folder, or in the folder that the environment variable
TAPTEST_CACHE names; they can be deleted at any time. A file that cannot be read is computed again; a folder that cannot
be written costs only the time of computing.
"""

import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest import disk, versions
from taptest.errors import StorageError
from taptest.finding.records import Case
from taptest.shell.from_tank import ring_pictures
from taptest.shell.records import LevelSweep, RingPictures, ShellSpec
from taptest.shell.response import Change
from taptest.shell.variants import variants

FOLDER_VARIABLE = "TAPTEST_CACHE"
MOST_FILES = 400
"""The oldest files beyond this number are deleted; each takes up to three megabytes, and a tank has up to two."""
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


def sweeps_for(case: Case, progress: Callable[[float], None] | None = None) -> tuple[Sweeps, tuple[str, ...]]:
    """Return the level sweeps of a visit's tank, one for each wall, lining, ring and head that it may have, and notes.

    Empty for a lying diaphragm tank, whose water does not end at a depth: its line is read without. `progress` is
    told the share done where the sweeps have to be computed.
    """
    tank = case.tank
    if tank.sideways:
        return (), ()
    pressure = _pressure_class(case)
    shells = variants(tank, pressure)
    sweeps: list[LevelSweep] = []
    notes: list[str] = []
    for number, (each, spec, changes) in enumerate(shells):
        done = _part_of(progress, number, len(shells))
        got, said = kept_sweeps(*_job(spec, each.shape.height_m, changes, ring_pictures(each), done))
        sweeps.extend(got)
        notes.extend(said)
    return tuple(sweeps), tuple(dict.fromkeys(notes))


def _job(
    spec: ShellSpec,
    height_m: float,
    changes: tuple[Change, ...],
    rings: RingPictures | None,
    progress: Callable[[float], None] | None,
) -> tuple[ShellSpec, Callable[[], Sequence[LevelSweep]], str]:
    """Return a shell, how its sweeps are computed, and what they depend on besides."""
    count = max(round((height_m - 2 * END_ROOM_M) / POSITION_STEP_M) + 1, 12)
    positions = np.linspace(END_ROOM_M, height_m - END_ROOM_M, count)

    def compute() -> Sequence[LevelSweep]:
        from taptest.shell.sweep import level_sweeps

        return level_sweeps(spec, positions, changes, progress=progress, rings=rings)

    return spec, compute, f"{changes} {count} {rings}"


def _part_of(progress: Callable[[float], None] | None, number: int, of: int) -> Callable[[float], None] | None:
    """Return a progress for one of several jobs."""
    if progress is None:
        return None
    return lambda share: progress((number + share) / of)


def _pressure_class(case: Case) -> float:
    """Pressure for the model: of the visit, else as the system is filled, taken to the middle of its class."""
    known = (case.readings.pressure_pa, case.system.fill_pa, case.readings.precharge_pa, USUAL_PRESSURE_PA)
    pressure = next(value for value in known if value is not None)
    return (max(pressure, 0.0) // PRESSURE_CLASS_PA + 0.5) * PRESSURE_CLASS_PA


def kept_sweeps(
    spec: ShellSpec, compute: Callable[[], Sequence[LevelSweep]], variants: str = ""
) -> tuple[Sweeps, tuple[str, ...]]:
    """Return the sweeps of a shell from the disk, or compute and keep them.

    `variants` describes what else they depend on. The second value tells, in whole sentences, where they could not be
    kept.
    """
    folder = cache_folder()
    path = folder / f"{fingerprint(spec, variants)}.npz"
    found = _read(path)
    if found is not None:
        return found, ()
    sweeps = tuple(
        replace(sweep, **{name: _as_kept(getattr(sweep, name)) for name in _DECIBELS}) for sweep in compute()
    )
    try:
        disk.make_folder(folder)
        disk.write_bytes(path, _packed(sweeps))
        _drop_oldest(folder)
    except StorageError as error:
        return sweeps, (f"The model of this tank will have to be computed again next time: {error}",)
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
    """Read kept sweeps; None where there are none, or the file is damaged and will be written anew."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            return tuple(
                LevelSweep(**{name: np.asarray(arrays[f"{name}{number}"], dtype=np.float64) for name in _ARRAYS})
                for number in range(int(arrays["count"]))
            )
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def _drop_oldest(folder: Path) -> None:
    """Delete the files that were not used for longest; a file that is gone already is no matter."""
    files = [(path.stat().st_mtime, path) for path in folder.glob("*.npz") if path.exists()]
    for _, path in sorted(files)[: max(len(files) - MOST_FILES, 0)]:
        path.unlink(missing_ok=True)

"""The level sweep: what the tap line sounds like for every candidate level, in third octaves.

Goal: the profiles along the line that measured taps are compared with, for all levels of one tank in one go.

Method: the shell's dry modes and the water's added mass come once for all levels (`response`). Each level's modes ring
after a unit blow at every position; each is heard through the radiation of its whole shape (`rooms.radiation`), its
power averaged over usual places of a microphone. In a third octave the modes' energies are added, not their pressures:
how modes interfere at one place hangs on frequencies to a few hertz, which no plate tells. On simulated visits with a
wall a few per cent off, adding energies finds the level better than adding pressures does, even with the place known.
A mode's energy is the one that `sound.traits` measures: the same window, the same definition.

A lying tank goes by the approximation of `lying`, along its belly.

Conventions: levels run from all air through boundaries ever farther from the water end to all water; L levels, P
positions, Q microphone places, K modes, R rings.
"""

import os
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from taptest.errors import PhysicsError
from taptest.shell.lying import LyingModes, LyingTank, lying_line
from taptest.shell.radiation import SOUND_SPEED, Place, Rings, radiation
from taptest.shell.records import (
    Change,
    ComplexArray,
    FloatArray,
    LevelSweep,
    RingPictures,
    ShellSpec,
    SweepTask,
    Wetting,
    Zone,
)
from taptest.shell.response import (
    SINGLE,
    WEAK,
    Pictures,
    Resolution,
    Tank3D,
    build,
    ends_of,
    in_range,
    one_thread_each,
    pictures_of,
    reduce_harmonic,
    solve_changes,
    some_pictures,
    up_to,
)
from taptest.shell.wall import bending_wave_number
from taptest.sound.spectra import WINDOW_S, ring_window
from taptest.sound.traits import BAND_EDGE_HZ, BAND_HZ

MAX_HZ = 7100.0
"""Modes up to the top of the highest band."""
STEPS_HZ = 8000.0
"""Rate of the time steps over which a mode's decaying energy is summed."""
FREQUENCY_SD = 0.03
"""Relative standard deviation of a mode's true frequency about the computed one: wall, shape and water are known to a
few per cent. On 16 simulated lines with a wall up to a tenth off, 3 % missed the level less than none or 6 %."""
WINDOW_HZ = 8.0
"""Half width of the line of a mode that hardly decays, seen through the ring window."""
COARSE = Resolution(per_wavelength=4.0, basis_reach=1.25, growth=2.0)
"""Coarser than for single levels, at half the time: third octaves change by 0.15 dB at most (root mean square), and
`FREQUENCY_SD` is larger than what it moves the modes by."""
FEWEST_LEVELS = 24
LEVEL_STEP_M = 0.015
"""Levels are no farther apart than this while there are fewer than `MOST_LEVELS`."""
MOST_LEVELS = 48
RINGS = 40
PLACES = ((0.5, 0.3), (0.7, 0.7), (1.0, 0.5))
"""Distances from the wall in metres and heights as shares of the shell's height."""
TABLE_HZ = np.linspace(50.0, MAX_HZ, 283)
"""Frequencies at which radiation is tabulated; linear between them."""
AT_ONCE = 8
"""Pictures solved together: neighbours have about as many modes, and few fit into the processor's own memory."""
FLOOR = 1e-30

MOST_MB, BASE_MB = 380.0, 110.0
"""Megabytes that a sweep may take, and what Python and its libraries take of them."""
THREAD_MB = 70.0
"""What one thread takes with 64 pictures on 150 modes. Measured."""
SOLVE_S, DRY_S = 9e-8, 3e-8
"""Seconds of a solution for each squared, and of a basis for each cubed, number of modes. Measured, roughly."""

COMPUTING = "level sweep"
"""Name of the threads that compute."""
_ONE_CORE: ContextVar[bool] = ContextVar("one core", default=False)
Progress = Callable[[float], None]


def usual_levels(height_m: float) -> FloatArray:
    """Distances from the water end where a boundary is computed: even steps, half a step from the ends."""
    count = int(np.clip(np.ceil(height_m / LEVEL_STEP_M), FEWEST_LEVELS, MOST_LEVELS))
    return np.asarray((np.arange(count) + 0.5) * height_m / count)


def level_sweep(
    spec: ShellSpec, depth_m: FloatArray, levels: FloatArray | None = None, progress: Progress | None = None
) -> LevelSweep:
    """Return what the model predicts along the tap line (P,) for every level of one tank; see `sweep_all`."""
    return level_sweeps(spec, depth_m, (Change(),), levels, progress)[0]


def level_sweeps(
    spec: ShellSpec,
    depth_m: FloatArray,
    changes: Sequence[Change],
    levels: FloatArray | None = None,
    progress: Progress | None = None,
    workers: int | None = None,
    rings: RingPictures | None = None,
) -> tuple[LevelSweep, ...]:
    """Return sweeps of several variants of one tank; see `sweep_all`."""
    return sweep_all([SweepTask(spec, depth_m, changes, rings, levels)], progress, workers)[0]


def sweep_all(
    tasks: Sequence[SweepTask], progress: Progress | None = None, workers: int | None = None
) -> list[tuple[LevelSweep, ...]]:
    """Return the sweeps of every variant of each shell, the harmonics of all of them shared out among the cores.

    `progress` is told the share done, 0..1; what it raises ends the work. `workers` are threads; None takes as many as
    there are cores and memory for. Results do not depend on their number. Raises PhysicsError for a shell or positions
    that cannot be.
    """
    ready = [_ready(task) for task in tasks]
    report = _Steps(progress, sum(one.work for one in ready))
    threads = workers or _threads_for(max(one.thread_mb for one in ready))
    with one_thread_each(), ThreadPoolExecutor(threads, COMPUTING) as pool:
        try:
            parts = [deque(pool.submit(part) for part in one.parts) for one in ready]
            return [_gathered(one, waiting, report) for one, waiting in zip(ready, parts, strict=True)]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def computing() -> bool:
    """Whether a sweep is still being computed: Python's end would wait for all of it."""
    return any(thread.name.startswith(COMPUTING) for thread in threading.enumerate())


@dataclass(frozen=True, slots=True)
class _Ready:
    """A shell whose work is cut into parts that do not need each other."""

    task: SweepTask
    boundaries: FloatArray
    parts: Sequence[Callable[[], FloatArray]]
    """Each gives band energies (V, L, P, B): of one harmonic, or (1, L, P, B) of one variant of a lying tank."""
    weights: Sequence[float]
    """How long each takes, against each other."""
    thread_mb: float
    """Memory that one of them takes while it is worked on."""

    @property
    def work(self) -> float:
        """All of it."""
        return float(sum(self.weights))


def _ready(task: SweepTask) -> _Ready:
    """Check a task and cut its work into parts."""
    depth = np.asarray(task.depth_m, dtype=np.float64)
    if depth.ndim != 1 or depth.size < 2 or not np.all(np.isfinite(depth)):
        raise PhysicsError("A tap line needs at least two positions, each a depth in metres.")
    if task.spec.axis == "horizontal":
        return _lying_ready(task, depth)
    boundaries = _boundaries(task.spec, task.levels)
    more = _ring_pictures(task.rings) if task.rings is not None else []
    wettings = [(), *(up_to(task.spec, float(b)) for b in boundaries), (Zone(0.0, np.inf),), *more]
    tank = _prepared(task.spec, ends_of(wettings), task.changes)
    pictures = pictures_of(tank, [tank.wall_of(wetting) for wetting in wettings])
    line = _line_of(tank, depth)
    parts = [partial(_one_harmonic, tank, n, line, pictures, task.changes) for n in tank.harmonics()]
    unknowns = basis_size(task.spec, task.changes)
    weights = (1.0 + np.arange(len(parts))[::-1]).tolist()  # low harmonics have most modes
    return _Ready(task, boundaries, parts, weights, THREAD_MB * len(wettings) / 64 * (unknowns / 150) ** 2 + 30.0)


def _gathered(ready: _Ready, parts: "deque[Future[FloatArray]]", report: "_Steps") -> tuple[LevelSweep, ...]:
    """Add up the parts of one shell in their order, so that sums round alike however many work on them."""
    task = ready.task
    depth = np.asarray(task.depth_m, dtype=np.float64)
    lying = task.spec.axis == "horizontal"
    total: FloatArray | float = FLOOR
    found = []
    for weight in ready.weights:
        energy = parts.popleft().result()  # and let go of it
        if lying:
            found.append(energy[0])
        else:
            total = energy + total
        report.done(weight)
    of_variants = found if lying else list(np.asarray(total))
    return tuple(_sweep_of(10.0 * np.log10(e), ready.boundaries, depth, task.rings) for e in of_variants)


@contextmanager
def on_one_core() -> Iterator[None]:
    """Let sweeps inside the block take one thread: other tasks have the other cores."""
    before = _ONE_CORE.set(True)
    try:
        with one_thread_each():
            yield
    finally:
        _ONE_CORE.reset(before)


def _threads_for(thread_mb: float) -> int:
    """Return how many threads the cores and `MOST_MB` allow, each with that much memory."""
    return max(1, min(1 if _ONE_CORE.get() else os.cpu_count() or 1, int((MOST_MB - BASE_MB) / thread_mb)))


def basis_size(spec: ShellSpec, changes: Sequence[Change]) -> int:
    """Estimate the modes of a pattern's basis: half waves of the thinnest wall's bending along the meridian."""
    thinnest = min([1.0, *(change.wall_factor for change in changes)])
    k = bending_wave_number(spec, MAX_HZ, water=True) * COARSE.basis_reach * thinnest**-0.6
    return int(k * (spec.straight_m + spec.diameter_m) / np.pi) + 6


def sweep_seconds(tasks: Sequence[SweepTask]) -> float:
    """Estimate how many seconds of one core sweeps take, within a factor of two; 0 for a quick, lying tank."""
    total = 0.0
    for task in tasks:
        if task.spec.axis == "vertical":
            pictures = len(_boundaries(task.spec, task.levels)) + 2
            pictures += 0 if task.rings is None else task.rings.cap_m.size + task.rings.foot_m.size
            modes = basis_size(task.spec, task.changes)
            patterns = bending_wave_number(task.spec, MAX_HZ, water=True) * 0.5 * task.spec.diameter_m + 3
            solves = pictures * len(task.changes)
            total += patterns * (solves * (2e-4 + SOLVE_S * modes**2) + DRY_S * modes**3)
    return total


def _sweep_of(energy: FloatArray, boundaries: FloatArray, depth: FloatArray, rings: RingPictures | None) -> LevelSweep:
    """Part the pictures' band levels (L, P, B): levels with the two whole states, rings of water, rings of gas."""
    whole = np.concatenate([[np.nan], boundaries, [np.nan]])
    sweep = LevelSweep(whole, depth, BAND_HZ.copy(), energy[: whole.size])
    if rings is None:
        return sweep
    caps = whole.size + rings.cap_m.size
    return replace(
        sweep,
        cap_depth_m=rings.cap_m,
        cap_db=energy[whole.size : caps],
        foot_depth_m=rings.foot_m,
        foot_db=energy[caps:],
    )


def _boundaries(spec: ShellSpec, levels: FloatArray | None) -> FloatArray:
    """Return boundary depths in order from the water end; None asks for the usual ones."""
    if levels is not None:
        depths = np.unique(np.asarray(levels, dtype=np.float64))
        return depths if spec.water_end == "top" else depths[::-1]
    total = build(spec, np.zeros(0), 500.0).height_m + spec.wall_m
    away = usual_levels(total)
    return away if spec.water_end == "top" else total - away


def _ring_pictures(rings: RingPictures) -> list[Wetting]:
    """Return the rings of water under a dry cap, then water down to the seam with the far end wet as well."""
    water = [
        (Zone(float(cap), rings.seam_m, float(thick)),)
        for cap, thick in zip(rings.cap_m, rings.thickness_m, strict=True)
    ]
    gas = [(Zone(0.0, rings.seam_m), Zone(float(foot), np.inf)) for foot in rings.foot_m]
    return [*water, *gas]


def _lying_ready(task: SweepTask, depth: FloatArray) -> _Ready:
    """Cut the sweeps of a lying tank, along its belly, by variants; the water lies at the bottom."""
    tank = LyingTank(task.spec, MAX_HZ)
    width = task.spec.diameter_m
    away = usual_levels(width) if task.levels is None else width - np.unique(task.levels)[::-1]
    boundaries = width - away
    radiated = _lying_tables(tank)
    parts = [partial(_lying_variant, tank, depth, boundaries, radiated, change) for change in task.changes]
    return _Ready(task, boundaries, parts, [1.0] * len(parts), 30.0)


def _lying_variant(
    tank: LyingTank, depth: FloatArray, boundaries: FloatArray, radiated: dict[int, ComplexArray], change: Change
) -> FloatArray:
    """Return band energies (1, L, P, B) of one variant of a lying tank at every level."""
    rows = []
    for level in (None, *boundaries.tolist(), 0.0):
        groups = tank.modes(level, change.losses, change.wall_factor)
        parts = (_lying_energy(group, tank, depth, radiated) for group in groups if group.pole_1_s.size)
        rows.append(sum(parts, start=np.full((depth.size, len(BAND_HZ)), FLOOR)))
    return np.stack(rows)[None]


def _table(n: int, rings: Rings, places: Sequence[Place]) -> ComplexArray:
    """Return (Q, F, R) the pressure of harmonic n on every ring at the frequencies of `TABLE_HZ`.

    Zero where the harmonic is too high to be heard: n beyond 1.5 k a + 8 is 50 dB and more below n = 0.
    """
    k_a = 2 * np.pi * TABLE_HZ / SOUND_SPEED * rings.radius_m.max()
    heard = n <= 1.5 * k_a + 8
    out = np.zeros((len(places), len(TABLE_HZ), len(rings.depth_m)), dtype=np.complex64)
    some = TABLE_HZ[heard]
    for place, row in zip(places, out, strict=True):
        row[heard] = radiation(np.full(len(some), n, dtype=np.int64), some, rings, place)
    return np.asarray(out)


def _between(table: ComplexArray, pole_1_s: ComplexArray) -> ComplexArray:
    """Return (Q, K, R) a table (Q, F, R) at the frequencies of the poles."""
    at = np.interp(pole_1_s.imag / (2 * np.pi), TABLE_HZ, np.arange(len(TABLE_HZ)))
    low = np.minimum(at.astype(np.int64), len(TABLE_HZ) - 2)
    share = (at - low)[None, :, None].astype(np.float32)
    return np.asarray((1 - share) * table[:, low] + share * table[:, low + 1])


def _lying_tables(tank: LyingTank) -> dict[int, ComplexArray]:
    """Return for each sine along the axis (Q, F, N+1) the pressure of every harmonic, in the direction of its lobe."""
    edges = np.linspace(0.0, tank.length_m, RINGS + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    rings = Rings(middle, np.full(RINGS, tank.radius_m), np.diff(edges))
    count = int(tank.top_wave_number_1_m * tank.radius_m) + 3
    half = np.array(tank.half_waves())
    sines = np.sin(half * np.pi * middle[:, None] / tank.length_m)
    places = [Place(away, 0.0, share * tank.length_m) for away, share in PLACES]
    each = np.stack([_table(n, rings, places) @ sines for n in range(count)], axis=2)
    return {int(m): each[..., i] for i, m in enumerate(half)}


def _lying_energy(
    group: LyingModes, tank: LyingTank, depth: FloatArray, radiated: dict[int, ComplexArray]
) -> FloatArray:
    """Return band energies (P, B) of modes of a lying tank as heard at the side, at the usual places."""
    table = radiated[group.half_waves][..., : group.amplitude.shape[1]]
    each = _between(table, group.pole_1_s)
    n = np.arange(group.amplitude.shape[1])
    side = np.cos(n * np.pi / 2) if group.family == "even" else np.sin(n * np.pi / 2)
    weight = np.einsum("kn,qkn->kq", group.amplitude * side, each)
    power = np.mean(np.abs(weight) ** 2, axis=1)
    return band_energies(group.pole_1_s, lying_line(group, tank.angles(depth)), power)


@dataclass(slots=True)
class _Steps:
    """Turns finished pieces of work into a share."""

    progress: Progress | None
    work: float
    finished: float = 0.0

    def done(self, work: float) -> None:
        """Add what was done and tell."""
        self.finished += work
        if self.progress is not None:
            self.progress(min(self.finished / self.work, 1.0))


def _prepared(spec: ShellSpec, ends_m: FloatArray, changes: Sequence[Change]) -> Tank3D:
    """Return the tank's model with a line of its mesh at the ends of all zones."""
    thinnest = min([1.0, *(change.wall_factor for change in changes)])
    coarse = replace(COARSE, basis_reach=COARSE.basis_reach * thinnest**-0.6)
    return build(spec, ends_m, MAX_HZ, coarse)


@dataclass(frozen=True, slots=True)
class _Line:
    """Where the shell is tapped and where it is heard from: the same for every harmonic."""

    points: int
    """Number of positions."""
    arcs_m: FloatArray
    """(P+R,) arc lengths of the positions, then of the middles of the shell's rings."""
    rings: Rings
    places: Sequence[Place]


def _line_of(tank: Tank3D, depth_m: FloatArray) -> _Line:
    """Return the tap line and the shell as rings that radiate."""
    meridian = tank.shell.mesh.meridian
    edges = np.linspace(0.0, meridian.length_m, RINGS + 1)
    arcs = 0.5 * (edges[1:] + edges[:-1])
    there = meridian.geometry(arcs)
    depth = there.height_m if tank.spec.water_end == "top" else tank.height_m - there.height_m
    rings = Rings(depth + 0.5 * tank.spec.wall_m, np.maximum(there.radius_m, 1e-4), np.diff(edges))
    places = [Place(away, 0.0, share * tank.height_m) for away, share in PLACES]
    return _Line(depth_m.size, np.concatenate([tank.arcs(depth_m), arcs]), rings, places)


def _one_harmonic(tank: Tank3D, n: int, line: _Line, pictures: Pictures, changes: Sequence[Change]) -> FloatArray:
    """Return band energies (V, L, P, B) of one harmonic for every variant and picture of the wetted wall."""
    reduced = reduce_harmonic(tank, n, pictures, line.arcs_m, SINGLE)
    table = _table(n, line.rings, line.places)
    count = len(pictures.walls)
    out = np.zeros((len(changes), count, line.points, len(BAND_HZ)), dtype=np.float32)
    for first in range(0, count, AT_ONCE):
        some = slice(first, first + AT_ONCE)
        for variant, (pole, shape, mix) in enumerate(
            solve_changes(tank, some_pictures(reduced, some), MAX_HZ, changes, WEAK)
        ):
            heard = in_range(pole, MAX_HZ)
            square = _squares(shape[:, : line.points], mix)
            at_rings = np.swapaxes(shape[:, line.points :] @ mix, 1, 2)[heard]
            poles = pole[heard]
            power = np.mean(np.abs(np.einsum("kr,qkr->kq", at_rings, _between(table, poles))) ** 2, axis=1)
            share = np.zeros((*pole.shape, len(BAND_HZ)), dtype=np.float32)
            share[heard] = (band_shares(poles) * power).T
            out[variant, some] = square @ share
    return np.asarray(out)


def _squares(shape: FloatArray, mix: ComplexArray) -> FloatArray:
    """Return squared sizes (L, P, j) of damped modes from undamped shapes (L, P, j) and their mix (L, j, j)."""
    return np.asarray((shape @ mix.real) ** 2 + (shape @ mix.imag) ** 2)


def band_energies(
    pole_1_s: ComplexArray, line: ComplexArray, power: FloatArray, frequency_sd: float = FREQUENCY_SD
) -> FloatArray:
    """Energy (P, B) of modes (K,) with shapes (K, P) and powers (K,) in each third octave, energies added."""
    return np.asarray((band_shares(pole_1_s, frequency_sd) * power @ np.abs(line) ** 2).T)


def band_shares(pole_1_s: ComplexArray, frequency_sd: float = FREQUENCY_SD) -> FloatArray:
    """Energy (B, K) that a mode of unit size leaves in each third octave within the ring window.

    It is shared among the bands as that of a damped line is (Lorentz), no narrower than the window allows and averaged
    over where the line may lie, `frequency_sd` (relative, Gaussian) from where it is computed.
    """
    decay = -pole_1_s.real
    hertz = pole_1_s.imag / (2 * np.pi)
    width = np.hypot(decay / (2 * np.pi), WINDOW_HZ)
    node, part = _normal_nodes()
    place = (1.0 + frequency_sd * node)[:, None] * hertz
    below = np.arctan((BAND_EDGE_HZ[:, None, None] - place) / width)
    share = np.diff(np.einsum("eik,i->ek", below, part / (np.pi * part.sum())), axis=0)
    return np.asarray(share * _ring_energy(decay))


@lru_cache(maxsize=1)
def _normal_nodes() -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights that integrate over a standard normal."""
    return np.polynomial.hermite_e.hermegauss(9)


def _ring_energy(decay_1_s: FloatArray) -> FloatArray:
    """Return the energy of an oscillation of unit size within the ring window, by its decay."""
    decays, energies = _ring_energies()
    return np.asarray(np.exp(np.interp(np.log(np.maximum(decay_1_s, decays[0])), np.log(decays), np.log(energies))))


@lru_cache(maxsize=1)
def _ring_energies() -> tuple[FloatArray, FloatArray]:
    """Return a table of decays (1/s) and of the energies that they leave in the ring window."""
    window = ring_window(round(WINDOW_S * STEPS_HZ), 0)
    time = np.arange(window.size) / STEPS_HZ
    decays = np.geomspace(1e-3, 2e4, 400)
    square = np.exp(-2.0 * decays[:, None] * (time + 0.5 / STEPS_HZ)) * window**2 / STEPS_HZ
    return decays, 0.5 * square.sum(axis=1)

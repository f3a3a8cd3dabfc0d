"""Computed models kept on the disk: found again, computed again where damaged, never in the way."""

import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest import versions
from taptest.finding.records import Case, Readings, SystemFacts
from taptest.shell import sweep as sweep_module
from taptest.shell.records import Change, LevelSweep, ShellSpec, SweepTask
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from taptest.visit import sweeps
from taptest.visit.remarks import ModelRemark
from taptest.visit.sweeps import cache_folder, fingerprint, kept_sweeps, seconds_left, sharpening, sweeps_for
from taptest.water.fluids import WATER
from tests.made_up import HANGING, LYING
from tests.said import keys_of, values_of

FloatArray = NDArray[np.float64]

SPEC = ShellSpec("vertical", 0.3, 0.2, "ellipsoidal", 0.0015, 1e5)
TASK = SweepTask(SPEC, np.linspace(0.01, 0.3, 12), (Change(),))


def sweep(seed: int = 0) -> LevelSweep:
    rng = np.random.default_rng(seed)
    return LevelSweep(
        level_depth_m=np.array([np.nan, 0.1, 0.2, np.nan]),
        depth_m=np.linspace(0, 0.3, 5),
        band_hz=np.array([500.0, 1000.0]),
        level_db=rng.normal(size=(4, 5, 2)),
    )


class Model:
    """Counts how often it is asked."""

    def __init__(self) -> None:
        self.asked = 0

    def __call__(self, tasks: Sequence[SweepTask]) -> list[tuple[LevelSweep, ...]]:
        self.asked += 1
        return [(sweep(1), sweep(2)) for _ in tasks]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TAPTEST_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def assert_same(some: tuple[LevelSweep, ...], other: tuple[LevelSweep, ...]) -> None:
    assert len(some) == len(other)
    for a, b in zip(some, other, strict=True):
        for name in ("level_depth_m", "depth_m", "band_hz"):
            np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
        np.testing.assert_allclose(a.level_db, b.level_db, atol=0.0051)


def test_a_sweep_is_computed_once(folder: Path) -> None:
    model = Model()
    first, notes = kept_sweeps([TASK], model)
    second, _ = kept_sweeps([TASK], model)
    assert model.asked == 1
    assert notes == ()
    assert_same(first, second)
    for fresh, kept in zip(first, second, strict=True):  # so that a first judgement is the same as the next one
        np.testing.assert_array_equal(fresh.level_db, kept.level_db)
    assert [path.suffix for path in folder.iterdir()] == [".npz"]


@pytest.mark.parametrize("damage", [b"", b"not a zip file", None])
def test_a_damaged_file_is_computed_again(folder: Path, damage: bytes | None) -> None:
    model = Model()
    first, _ = kept_sweeps([TASK], model)
    (path,) = folder.iterdir()
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2] if damage is None else damage)
    assert_same(kept_sweeps([TASK], model)[0], first)
    assert model.asked == 2
    assert_same(kept_sweeps([TASK], model)[0], first)
    assert model.asked == 2


def test_a_folder_that_cannot_be_written_costs_only_time(folder: Path) -> None:
    folder.write_text("a file in the way")
    model = Model()
    found, notes = kept_sweeps([TASK], model)
    assert_same(found, *model([TASK]))
    assert keys_of(notes) == [ModelRemark.NOT_KEPT]


def test_what_a_sweep_depends_on_is_in_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    name = fingerprint(SPEC)
    assert name == fingerprint(replace(SPEC))
    for change in ({"wall_m": 0.0016}, {"seam_depth_m": 0.1}, {"water_end": "top"}):
        assert fingerprint(replace(SPEC, **change)) != name
    monkeypatch.setattr(versions, "MODEL", versions.MODEL + 1)
    assert fingerprint(SPEC) != name


def test_what_was_not_used_for_longest_goes_when_the_files_grow_too_large(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tasks = [replace(TASK, spec=replace(SPEC, diameter_m=0.3 + 0.1 * number)) for number in range(3)]
    files: list[Path] = []
    for number, task in enumerate(tasks):
        kept_sweeps([task], Model())
        [new] = set(folder.iterdir()) - set(files)
        files.append(new)
        os.utime(new, (1000 + number, 1000 + number))
    kept_sweeps([tasks[0]], Model())  # used again, so the second one is the oldest now
    monkeypatch.setattr(sweeps, "MOST_BYTES", int(3.5 * files[0].stat().st_size))
    kept_sweeps([replace(TASK, spec=replace(SPEC, diameter_m=0.9))], Model())
    left = set(folder.iterdir())
    assert len(left) == 3
    assert files[0] in left
    assert files[1] not in left


def test_a_shell_that_would_take_too_long_is_told_and_its_line_is_read_without(folder: Path) -> None:
    """A tank of 5,000 l with a wall of 1 mm: nothing of it is computed."""
    shape = Shape("vertical", 1.5, 2.4, "ellipsoidal", 0.0003)
    case = Case(Tank("plain", "bottom", shape, shape.volume_m3), SystemFacts(WATER), Readings())
    found, notes = sweeps_for(case)
    assert found == ()
    values = values_of(ModelRemark.TAKES_TOO_LONG, notes)
    assert (values["diameter_m"], values["wall_m"]) == (1.5, 0.0003)
    assert not folder.exists()
    usual = replace(case, tank=HANGING)
    assert 0.1 < seconds_left(usual) < 60


def test_what_the_progress_raises_ends_the_work(folder: Path) -> None:
    def enough(_share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sweeps_for(Case(HANGING, SystemFacts(WATER), Readings()), enough)
    assert not folder.exists()


def test_two_who_ask_for_one_model_at_once_share_it(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page opened while a round computes: it waits, tells how far that has come, and reads what was kept."""
    case = Case(HANGING, SystemFacts(WATER), Readings())
    begun, waiting, asked = threading.Event(), threading.Event(), []

    def sweep_all(tasks: list[SweepTask], progress: Callable[[float], None]) -> list[tuple[LevelSweep, ...]]:
        asked.append(len(tasks))
        progress(0.4)
        begun.set()
        assert waiting.wait(20)
        return [Model()([task])[0] for task in tasks]

    monkeypatch.setattr(sweep_module, "sweep_all", sweep_all)
    told: list[float] = []

    def tell(share: float) -> None:
        told.append(share)
        waiting.set()

    first = threading.Thread(target=sweeps_for, args=(case,))
    first.start()
    assert begun.wait(20)
    found, _ = sweeps_for(case, tell)
    first.join(20)
    assert len(asked) == 1
    assert found
    assert told[0] == 0.4
    assert told[-1] == 1.0


def test_a_long_model_comes_early_and_then_whole(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def sweep_all(tasks: list[SweepTask], progress: object = None) -> list[tuple[LevelSweep, ...]]:
        asked.append([len(task.changes) for task in tasks])
        return [Model()([task])[0] for task in tasks]

    monkeypatch.setattr(sweep_module, "sweep_all", sweep_all)
    monkeypatch.setattr(sweeps, "EARLY_SECONDS", 0.0)
    case = Case(HANGING, SystemFacts(WATER), Readings())
    early, whole = sharpening(case)
    assert asked[0] == [1]
    assert asked[1][0] > 1
    assert len(whole) >= len(early) > 0
    assert len(list(sharpening(case))) == 1, "it is kept now"


def test_without_the_variable_the_platform_says_where(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TAPTEST_CACHE")
    assert "taptest" in str(cache_folder())
    assert cache_folder().is_absolute()


def forms(changes: tuple[Change, ...]) -> list[tuple[float, float, bool]]:
    """Wall and rubber of each variant, over the nominal ones, and whether it has one more ring."""
    return [(c.wall_factor, c.rubber_factor, c.more_ring_kg_m > 0) for c in changes]


def test_the_model_is_asked_for_every_shell_that_the_tank_may_have(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[ShellSpec, FloatArray, tuple[Change, ...]]] = []

    def sweep_all(tasks: Sequence[SweepTask], progress: object) -> list[tuple[LevelSweep, ...]]:
        asked.extend((task.spec, task.depth_m, tuple(task.changes)) for task in tasks)
        return [(sweep(),) for _ in tasks]

    monkeypatch.setattr("taptest.shell.sweep.sweep_all", sweep_all)
    sweeps_for(Case(HANGING, SystemFacts(WATER), Readings(pressure_pa=1.2e5)))
    (spec, positions, changes), (other, _, nominal) = asked
    assert forms(changes) == [
        (1, 0.5, False),
        (0.93, 0.5, False),
        (1.07, 0.5, False),
        (1, 0, False),
        (1, 0, True),
        (1, 1, True),
        (1, 1.25, True),
    ], "rubber and ring vary together"
    assert nominal == (Change(rubber_factor=0.5),)
    assert changes[5].more_ring_kg_m > 5 * spec.ring_mass_kg_m > 0
    assert changes[4].more_ring_kg_m == pytest.approx(0.5 * changes[5].more_ring_kg_m)
    assert spec.more_ring_depth_m == spec.seam_depth_m == HANGING.seam_depth_m
    assert {spec.head, other.head} == {"ellipsoidal", "torispherical"}, "volume and tape do not tell these two apart"
    assert spec.pressure_pa == 1.25e5
    assert positions[0] > 0
    assert positions[-1] < HANGING.shape.height_m
    asked.clear()
    sweeps_for(Case(HANGING, SystemFacts(WATER), Readings(pressure_pa=1.4e5)))
    assert not asked, "a pressure of the same class asks for no new model"
    bladder = replace(HANGING, kind="bladder", seam_depth_m=None, volume_m3=2 * HANGING.volume_m3)
    sweeps_for(Case(bladder, SystemFacts(WATER), Readings()))
    ((spec, _, changes),) = asked  # no other head explains twice the volume
    touching = [change for change in changes if change.water_factor == 1]
    assert forms(tuple(touching)) == [(1, 1, False), (0.93, 1, False), (1.07, 1, False), (1, 1, True)]
    assert sorted(change.water_factor for change in changes)[:2] == [0.3, 0.55], "a bag may touch here and there"
    assert spec.ring_mass_kg_m == 0
    assert spec.more_ring_depth_m == bladder.shape.height_m / 2
    asked.clear()
    guessed = replace(HANGING, wall_known=False)
    sweeps_for(Case(guessed, SystemFacts(WATER), Readings(pressure_pa=1.2e5)))
    first, second = ([form for form in forms(changes) if form[1:] == (0.5, False)] for _, _, changes in asked)
    assert all(min(some)[0] < 0.75 and max(some)[0] > 1.4 for some in (first, second)), "an unknown wall may be far off"
    assert np.all(np.diff(np.log(sorted(form[0] for form in first))) < 0.2), "and so near one of them that it is found"
    for other_form in ((1, True), (0, False)):
        walls = [form[0] for form in forms(asked[0][2]) if form[1:] == other_form]
        assert min(walls) < 0.75, "less likely forms are computed for more than one wall as well"
        assert max(walls) > 1.4
    asked.clear()
    sweeps_for(Case(LYING, SystemFacts(WATER), Readings()))
    assert not any(form[2] for _, _, changes in asked for form in forms(changes)), "a lying tank's model has no ring"


def test_a_lying_diaphragm_tank_is_read_without_a_sweep() -> None:
    sideways = replace(LYING, kind="diaphragm", seam_depth_m=None)
    assert sweeps_for(Case(sideways, SystemFacts(WATER), Readings())) == ((), ())

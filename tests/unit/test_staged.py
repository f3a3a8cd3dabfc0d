"""Simulated visits on the disk, the pool that makes them, and the truth beside them."""

import json
import os
import signal
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from taptest.errors import PhysicsError, VisitError
from taptest.shell.records import Zone
from taptest.simulate import visits as simulate
from taptest.simulate.scenario import CHAPTERS, MARKS_M, chapter_scene
from taptest.simulate.scene import draw_scene
from taptest.simulate.staged import Order, Series, simulate_visits, truth_of, visit_seed, write_visit
from taptest.simulate.truth import VisitTruth, read_truth, write_truth
from taptest.simulate.visits import SimulatedPoint, SimulatedVisit, backing_at, draw_session, simulate_visit
from taptest.simulate.wetted import FORMS, MECHANICS, Wetted
from taptest.sound.recording import open_recording
from taptest.visit.files import read_visit
from taptest.visit.meaning import meaning_of
from taptest.visit.workers import Failure, Where, done, map_visits

SMALL = 106
"""Seed of a small tank: the model is quick."""


def square_with_threads(number: int) -> tuple[int, str]:
    return number * number, os.environ["OMP_NUM_THREADS"]


def fail_on_three(number: int) -> int:
    if number == 3:
        raise VisitError("The third one fails.")
    return number


def die_on_three(number: int) -> int:
    if number == 3:
        os._exit(1)
    return number


def square(number: int) -> int:
    time.sleep(0.05)
    return number * number


@pytest.fixture
def low_modes_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(simulate, "MAX_HZ", 2500.0)


def test_results_come_in_order_with_one_thread_each_and_progress_is_told() -> None:
    told: list[float] = []
    results = map_visits(square_with_threads, list(range(7)), Where(workers=2), told.append)
    assert results == [(n * n, "1") for n in range(7)]
    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert told == sorted(told)


def test_a_failure_costs_its_own_task_and_is_raised_as_itself() -> None:
    found = map_visits(fail_on_three, [1, 2, 3, 4], Where(workers=1))
    assert [each for each in found if not isinstance(each, Failure)] == [1, 2, 4]
    with pytest.raises(VisitError, match="third one"):
        done(found)


@pytest.mark.long
def test_a_process_that_dies_costs_its_own_task() -> None:
    """The others that were under way are done again."""
    *others, last = map_visits(die_on_three, [0, 1, 2, 4, 5, 3], Where(workers=2))
    assert others == [0, 1, 2, 4, 5]
    assert isinstance(last, Failure)
    assert last.item == 3
    with pytest.raises(VisitError, match="died"):
        done([last])


@pytest.mark.slow
def test_a_cluster_gives_the_same_and_loses_nothing_with_a_worker() -> None:
    from distributed import LocalCluster

    killed: list[int] = []
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:  # type: ignore[no-untyped-call]
        where = Where(cluster=cluster.scheduler_address)

        def kill_one(share: float) -> None:
            if share > 0.2 and not killed:
                killed.append(next(iter(cluster.workers.values())).process.pid)
                os.kill(killed[0], signal.SIGKILL)

        assert map_visits(square, list(range(40)), where, kill_one) == [n * n for n in range(40)]
        assert killed


def test_a_cluster_that_does_not_answer_is_told() -> None:
    with pytest.raises(VisitError, match="No Dask scheduler answers"):
        map_visits(fail_on_three, [1, 2], Where(cluster="nonsense"))


@pytest.mark.usefixtures("low_modes_only")
@pytest.mark.parametrize("layout", ["points", "walk"])
def test_a_written_visit_reads_back_with_sound_and_truth(tmp_path: Path, layout: str) -> None:
    made = simulate_visit(SMALL, "easy", ())
    order = Order(tmp_path / "v", SMALL, "easy", (), layout=layout)  # type: ignore[arg-type]
    write_visit(order, made)
    visit, truth = read_visit(order.folder), read_truth(order.folder)
    assert truth is not None
    assert visit.document.simulated
    assert len(truth.backing) == len(visit.document.points) == len(made.points)
    assert meaning_of(visit.document, "here").case.tank.kind == made.scene.tank.kind
    first = next(iter(truth.onsets_s))
    recording = open_recording(order.folder / first)
    assert recording.rate_hz == made.rate_hz
    taps = sum(len(times) for times in truth.onsets_s.values())
    assert taps == sum(len(point.onsets_s) for point in made.points)
    assert max(truth.onsets_s[first]) < recording.duration_s
    if layout == "walk":
        assert len(truth.onsets_s) == 1
        assert all(point.taps == 3 for point in visit.document.points)


@pytest.mark.usefixtures("low_modes_only")
def test_walk_onsets_point_at_the_same_sound_as_those_of_single_files(tmp_path: Path) -> None:
    made = simulate_visit(SMALL, "easy", ())
    write_visit(Order(tmp_path / "w", SMALL, "easy", (), layout="walk"), made)
    truth = read_truth(tmp_path / "w")
    assert truth is not None
    (name, onsets), *_ = truth.onsets_s.items()
    walk = np.concatenate(list(open_recording(tmp_path / "w" / name).blocks()))
    rate = made.rate_hz
    for number, point in enumerate(made.points):
        own, there = round(point.onsets_s[0] * rate), round(onsets[3 * number] * rate)
        np.testing.assert_allclose(walk[there : there + 500], point.samples[own : own + 500], atol=1e-4)


@pytest.mark.long
def test_results_do_not_depend_on_the_number_of_workers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("taptest.simulate.staged.visit_seed", lambda seed, number: (106, 287)[number])
    series = Series(1, 2, "easy", ())
    for workers in (1, 2):
        simulate_visits(tmp_path / str(workers), series, where=Where(workers=workers))
    for file in (tmp_path / "1").rglob("*.*"):
        other = tmp_path / "2" / file.relative_to(tmp_path / "1")
        if file.is_file():
            assert file.read_bytes() == other.read_bytes(), file


def test_nothing_is_written_over(tmp_path: Path) -> None:
    series = Series(1, 1)
    (tmp_path / "field-1-0000").mkdir()
    with pytest.raises(VisitError, match="nothing is written over"):
        simulate_visits(tmp_path, series)


@pytest.mark.parametrize(
    ("wrong", "error", "said"),
    [
        ({"visits": 0}, VisitError, "ask for 1 to"),
        ({"seed": -1}, VisitError, "from 0 up"),
        ({"difficulty": "cruel"}, PhysicsError, "known are: easy"),
        ({"switches": ("walls",)}, PhysicsError, "wall-off"),
        ({"fault": "rust"}, PhysicsError, "waterlogged"),
        ({"form": "egg"}, PhysicsError, "known are: level, .*mechanics"),
    ],
)
def test_impossible_series_are_refused(wrong: dict[str, object], error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        Series(**({"seed": 1, "visits": 1} | wrong))  # type: ignore[arg-type]


def test_seeds_of_a_series_do_not_depend_on_its_length() -> None:
    few, many = Series(5, 2).orders(Path()), Series(5, 9).orders(Path())
    assert [order.seed for order in few] == [order.seed for order in many[:2]] == [visit_seed(5, 0), visit_seed(5, 1)]


def test_a_series_asks_for_one_form_for_those_of_mechanics_or_for_all() -> None:
    for form, expected in ((None, FORMS), ("mechanics", MECHANICS), ("gas-ring", ("gas-ring",))):
        assert Series(1, 1, form=form).orders(Path())[0].forms == expected


@pytest.mark.usefixtures("low_modes_only")
def test_the_truth_of_a_ring_says_its_dry_cap_its_seam_and_its_form(tmp_path: Path) -> None:
    scene = replace(draw_scene(3, "easy", (), forms=("ring",)), positions_m=(0.03, 0.09, 0.12, 0.2, 0.3))
    ring = Wetted("ring", (Zone(0.05, 0.15, 0.01),), 0.15, (0.05,))
    for tape_error, level in ((0.0, 150.0), (0.002, 148.0)):
        scene = replace(scene, wetted=ring, tape_error_m=tape_error)
        points = [
            SimulatedPoint(position, np.zeros(9, np.float32), (0.1,), (False,), backing_at(scene, position))
            for position in scene.positions_m
        ]
        truth = truth_of(SimulatedVisit(scene, draw_session(scene), 16000.0, tuple(points), {}), {})
        assert truth.backing == ("air", "water", "water", "air", "air")
        assert (truth.state, truth.boundary_mm, truth.form, truth.touch) == ("found", level, "ring", None)
        write_truth(tmp_path, truth)
        assert read_truth(tmp_path) == truth
        whole = truth_of(SimulatedVisit(scene, draw_session(scene), 16000.0, tuple(points[1:3]), {}), {})
        assert (whole.state, whole.boundary_mm) == ("all water", None)


def test_truth_round_trip(tmp_path: Path) -> None:
    truth = VisitTruth("found", 120.5, ("air", "water"), "slow loss", ("low on air",), {"a.wav": (0.3, 0.9)})
    write_truth(tmp_path, truth)
    assert read_truth(tmp_path) == truth
    assert read_truth(tmp_path / "elsewhere") is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"schema": 9}, "schema"),
        ({"state": "half"}, "must be one of"),
        ({"boundary_mm": None}, "null where it is not"),
        ({"backing": ["steam"]}, "water"),
        ({"colour": "red"}, "not known"),
        ({"fault": None, "findings": None}, '"fault" is missing'),
    ],
)
def test_wrong_truths_are_refused_with_the_key(tmp_path: Path, change: dict[str, object], said: str) -> None:
    good = {
        "schema": 1, "state": "found", "boundary_mm": 1.0, "backing": ["air"], "fault": "healthy", "findings": ["x"],
    }  # fmt: skip
    content = good | change
    for key, value in change.items():
        if value is None and key != "boundary_mm":
            del content[key]
    (tmp_path / "truth.json").write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(VisitError, match=said):
        read_truth(tmp_path)


def test_the_demonstration_s_story_is_the_one_told() -> None:
    scenes = [chapter_scene(number)[0] for number in range(len(CHAPTERS))]
    told = {chapter.name: scene.truth for chapter, scene in zip(CHAPTERS, scenes, strict=True)}
    assert told["2-healthy-cold"].water_share == 0.0
    assert told["1-healthy-hot"].water_share == pytest.approx(0.29, abs=0.01)
    assert told["3-low-on-air"].water_share == pytest.approx(0.41, abs=0.01)
    assert told["4-waterlogged"].water_share == pytest.approx(0.90, abs=0.01)
    assert told["6-too-noisy"].findings == ("cannot tell",)
    for scene in scenes:
        if 0.0 < scene.truth.water_share < 1.0:
            assert MARKS_M[0] < scene.wetted.level_depth_m < MARKS_M[-1]


def test_the_demonstration_s_charges_fall_by_one_bar_a_year_between_what_was_left() -> None:
    """The story fits together: from one day to the next, what was left less 1 bar a year is what is found."""
    before = CHAPTERS[0]
    for chapter in CHAPTERS[1:]:
        left = before.left.get("precharge")
        charge_bar = before.charge_pa / 1e5 if left is None else float(left.removesuffix(" bar"))
        years = (chapter.day - before.day).days / 365.25
        assert chapter.charge_pa / 1e5 == pytest.approx(charge_bar - 1.0 * years, abs=0.03), chapter.name
        before = chapter


@pytest.mark.parametrize("number", range(len(CHAPTERS)), ids=[chapter.name for chapter in CHAPTERS])
def test_the_demonstration_s_documents_are_those_of_the_story(number: int) -> None:
    chapter = CHAPTERS[number]
    text = (Path(__file__).parents[2] / "recordings_demo" / chapter.name / "visit.json").read_text(encoding="utf-8")
    kept = json.loads(text)
    assert kept["visited_on"] == chapter.day.isoformat()
    for section, papers in chapter_scene(number)[0].tables.items():
        shown = {key: text for key, text in kept.get(section, {}).items() if text}
        assert shown == papers, section

"""Simulated visits on the disk: the folder of a visit with `truth.json` beside `visit.json`.

`truth.json` holds what no technician can know; `simulate.trial` judges against it. Its form: docs/simulation.md.
Positions are millimetres below the top of the shell, pressures gauge bar, volumes litres, times seconds. Everything is
marked as simulated, and the same seed writes the same files.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np

from taptest import disk
from taptest.errors import VisitError
from taptest.simulate.later_round import STEPS, Step, later_scene
from taptest.simulate.onset_round import OnsetRound, play_onset
from taptest.simulate.scenario import CHAPTERS, play_chapter
from taptest.simulate.scene import DIFFICULTIES, FAULTS, SWITCHES, Difficulty, Fault, Switch, known
from taptest.simulate.truth import RoundTruth, VisitTruth, write_truth
from taptest.simulate.visits import SimulatedPoint, SimulatedVisit, line_level_m, play, simulate_visit
from taptest.simulate.wetted import FORMS, MECHANICS, Form
from taptest.sound.recording import write_recording
from taptest.visit.files import SOUND, save_document
from taptest.visit.record import SCHEMA, Document, document_from
from taptest.visit.workers import ALL_CORES, Where, done, map_visits

FIRST_DAY = date(2025, 1, 6)
"""Simulated visits are dated from here on, one a day."""
Layout = Literal["points", "walk"]
BETWEEN_POINTS_S = 1.2
"""Extra pause between the points of a walk recorded in one file."""


@dataclass(frozen=True, slots=True)
class Order:
    """One visit to simulate and where to put it."""

    folder: Path
    seed: int
    difficulty: Difficulty
    switches: tuple[Switch, ...] | None
    fault: Fault | None = None
    forms: tuple[Form, ...] = FORMS
    layout: Layout = "points"
    sound: Literal["wav", "flac"] = "flac"
    visited_on: date = FIRST_DAY
    step: Step | None = None
    """What is done before a second round; None for one round."""


@dataclass(frozen=True, slots=True)
class Series:
    """A series of simulated visits; the names are checked when it is made (`PhysicsError`, `VisitError`)."""

    seed: int
    visits: int
    difficulty: str = "field"
    switches: tuple[str, ...] | None = None
    """Mismatches that are on, all others being off; None leaves them to the difficulty."""
    fault: str | None = None
    form: str | None = None
    """The form that the water behind the wall takes, or "mechanics" for any that follows from the rubber's mechanics;
    None for all."""
    step: str | None = None
    """What is done before a second round ("raised", "let-down", "hot"); None for one round."""

    def __post_init__(self) -> None:
        if not 1 <= self.visits <= 100_000:
            raise VisitError(f"{self.visits} visits were asked for; ask for 1 to 100,000.")
        if self.seed < 0:
            raise VisitError(f"The seed is {self.seed}; give a whole number from 0 up.")
        known(self.difficulty, DIFFICULTIES, "difficulty")
        for name in self.switches or ():
            known(name, SWITCHES, "mismatch")
        if self.fault is not None:
            known(self.fault, FAULTS, "fault")
        if self.form is not None:
            known(self.form, (*FORMS, "mechanics"), "form")
        if self.step is not None:
            known(self.step, STEPS, "step between rounds")

    def orders(self, out: Path) -> list[Order]:
        """Return what is to be made. The n-th visit does not depend on how many there are."""
        return [
            Order(
                folder=out / f"{self.difficulty}-{self.seed}-{number:04d}",
                seed=visit_seed(self.seed, number),
                difficulty=known(self.difficulty, DIFFICULTIES, "difficulty"),
                switches=None
                if self.switches is None
                else tuple(known(s, SWITCHES, "mismatch") for s in self.switches),
                fault=None if self.fault is None else known(self.fault, FAULTS, "fault"),
                forms=self._forms(),
                visited_on=FIRST_DAY + timedelta(days=number % 3000),
                step=None if self.step is None else known(self.step, STEPS, "step between rounds"),
            )
            for number in range(self.visits)
        ]

    def _forms(self) -> tuple[Form, ...]:
        if self.form == "mechanics":
            return MECHANICS
        return FORMS if self.form is None else (known(self.form, FORMS, "form"),)


def simulate_visits(
    out: Path, series: Series, progress: Callable[[float], None] | None = None, where: Where = ALL_CORES
) -> tuple[Path, ...]:
    """Write a series of simulated visits into new folders of `out` and return them in order.

    Raises `VisitError` where a folder is there already, `StorageError`.
    """
    orders = series.orders(out)
    there = next((order.folder for order in orders if order.folder.exists()), None)
    if there is not None:
        raise VisitError(f"{there} is there already, and nothing is written over. Choose another folder or seed.")
    disk.make_folder(out)
    return tuple(done(map_visits(fulfil, orders, where, progress)))


def simulate_scenario(
    out: Path, progress: Callable[[float], None] | None = None, where: Where = ALL_CORES
) -> tuple[Path, ...]:
    """Write the demonstration's visits (`simulate.scenario`) into new folders of `out` and return them in order."""
    folders = [out / chapter.name for chapter in CHAPTERS]
    there = next((folder for folder in folders if folder.exists()), None)
    if there is not None:
        raise VisitError(f"{there} is there already, and nothing is written over. Choose another folder.")
    disk.make_folder(out)
    return tuple(done(map_visits(_write_chapter, list(enumerate(folders)), where, progress)))


def _write_chapter(numbered: tuple[int, Path]) -> Path:
    """Simulate one visit of the demonstration and write it."""
    number, folder = numbered
    visit = play_chapter(number)
    chapter = CHAPTERS[number]
    layout: Layout = "walk" if chapter.one_walk else "points"
    write_visit(Order(folder, visit.scene.seed, "field", (), layout=layout, visited_on=chapter.day), visit)
    return folder


def visit_seed(seed: int, number: int) -> int:
    """Return the seed of one visit of a series."""
    return seed * 100_000 + number


def fulfil(order: Order) -> Path:
    """Simulate one visit and write it."""
    visit = simulate_visit(order.seed, order.difficulty, order.switches, order.fault, order.forms)
    later = None
    if order.step == "onset":
        write_visit(order, visit, onset=play_onset(visit.scene, visit.session))
        return order.folder
    if order.step is not None:
        scene, state = later_scene(visit.scene, order.step)
        later = (play(scene, visit.session), state)
    write_visit(order, visit, later)
    return order.folder


def write_visit(
    order: Order,
    visit: SimulatedVisit,
    later: tuple[SimulatedVisit, str] | None = None,
    onset: OnsetRound | None = None,
) -> None:
    """Write a simulated visit as a folder, there whole or not at all.

    `later` is a second round and its state, `onset` one in which one mark was tapped at many pressures.
    """
    names, sounds, onsets = _laid_out(order, visit)
    document, truth = _document(order, visit, names), truth_of(visit, onsets)
    if later is not None:
        again, state = later
        their_names, their_sounds, their_onsets = _laid_out(order, again, "round2-")
        sounds = {**sounds, **their_sounds}
        document = _with_round(order, document, again, their_names, state)
        truth = replace(truth, rounds=(RoundTruth.of(truth_of(again, their_onsets), state),))
    if onset is not None:
        files = [f"{SOUND}/onset{number:02d}.{order.sound}" for number in range(1, len(onset.points) + 1)]
        sounds = {**sounds, **{file: point.samples for file, point in zip(files, onset.points, strict=True)}}
        document = _with_section(order, document, onset.section(files))
        times = {file: point.onsets_s for file, point in zip(files, onset.points, strict=True)}
        truth = replace(truth, rounds=(onset.truth(times),))
    with disk.new_folder(order.folder) as working:
        disk.make_folder(working / SOUND)
        for name, samples in sounds.items():
            write_recording(working.joinpath(*name.split("/")), samples, round(visit.rate_hz))
        save_document(working, document)
        write_truth(working, truth)


def _laid_out(
    order: Order, visit: SimulatedVisit, before: str = ""
) -> tuple[list[str], dict[str, np.ndarray[Any, np.dtype[np.float32]]], dict[str, list[float]]]:
    """File name of each point, samples of each file, and true onsets of each file."""
    if order.layout == "points":
        names = [f"{SOUND}/{before}point{number:02d}.{order.sound}" for number in range(1, len(visit.points) + 1)]
        pairs = list(zip(names, visit.points, strict=True))
        return (
            names,
            {name: point.samples for name, point in pairs},
            {name: list(point.onsets_s) for name, point in pairs},
        )
    name = f"{SOUND}/{before}walk.{order.sound}"
    parts, onsets, begin = [], [], 0.0
    for point in visit.points:
        parts.append(_with_pause(point, visit.rate_hz))
        onsets += [begin + onset for onset in point.onsets_s]
        begin += parts[-1].size / visit.rate_hz
    return [name] * len(visit.points), {name: np.concatenate(parts)}, {name: onsets}


def _with_pause(point: SimulatedPoint, rate_hz: float) -> np.ndarray[Any, np.dtype[np.float32]]:
    """Return a point's recording and a pause filled with its own noise before the first tap, run back and forth."""
    quiet = point.samples[: int((point.onsets_s[0] - 0.03) * rate_hz)]
    needed = int(BETWEEN_POINTS_S * rate_hz)
    both = np.concatenate([quiet[::-1], quiet])
    return np.concatenate([point.samples, np.resize(both, needed)])


def _points(order: Order, visit: SimulatedVisit, names: list[str]) -> list[dict[str, Any]]:
    walk = order.layout == "walk"
    return [
        {"position_mm": round(point.position_m * 1000.0, 1), "file": name}
        | ({"taps": len(point.onsets_s)} if walk else {})
        for point, name in zip(visit.points, names, strict=True)
    ]


def _document(order: Order, visit: SimulatedVisit, names: list[str]) -> Document:
    raw = {
        "schema": SCHEMA,
        "visited_on": order.visited_on.isoformat(),
        "simulated": True,
        **visit.tables,
        "points": _points(order, visit, names),
    }
    return document_from(raw, str(order.folder))


def _with_round(order: Order, document: Document, again: SimulatedVisit, names: list[str], state: str) -> Document:
    added = {
        "name": state,
        "state": state,
        "readings": again.tables["readings"],
        "line": again.tables["line"],
        "points": _points(order, again, names),
    }
    return _with_section(order, document, added)


def _with_section(order: Order, document: Document, added: dict[str, Any]) -> Document:
    raw = document.model_dump(mode="json", by_alias=True, exclude_none=True)
    return document_from({**raw, "rounds": [added]}, str(order.folder))


def truth_of(visit: SimulatedVisit, onsets: dict[str, list[float]]) -> VisitTruth:
    """Return the truth of a simulated visit; `onsets` are those of each file."""
    truth, scene = visit.truth, visit.scene
    backing = tuple(point.backing for point in visit.points)
    mixed = len(set(backing)) > 1
    return VisitTruth(
        state="found" if mixed else f"all {backing[0]}",
        boundary_mm=round((line_level_m(scene) - scene.tape_error_m) * 1000.0, 1) if mixed else None,
        backing=backing,
        fault=truth.fault,
        findings=truth.findings,
        onsets_s={name: tuple(round(onset, 6) for onset in times) for name, times in onsets.items()},
        precharge_bar=round(truth.precharge_pa / 1e5, 4),
        water_l=round(truth.water_m3 * 1000.0, 3),
        level_mm=round(scene.wetted.level_depth_m * 1000.0, 1),
        water_share=round(truth.water_share, 5),
        pressure_bar=round(truth.pressure_pa / 1e5, 4),
        tank_c=round(truth.tank_c, 2),
        volume_l=round(scene.tank.volume_m3 * 1000.0, 3),
        inverted=truth.water_end != scene.tank.water_end,
        double_hits=sum(sum(point.double_hits) for point in visit.points),
        tap_to_noise_db=round(visit.session.tap_to_noise_db, 2),
        difficulty=scene.difficulty,
        switches=scene.switches,
        seed=scene.seed,
        form=scene.wetted.form,
        touch=round(scene.wetted.bag.touch, 3) if scene.tank.kind == "bladder" else None,
        standoff_mm=round(scene.wetted.bag.standoff_m * 1000.0, 1) if scene.tank.kind == "bladder" else None,
        kept_air=round(truth.kept_air, 4),
    )

"""What scripts and notebooks use, offered as `import taptest`: from arrays, files or visits to a finding.

Units are SI and positions metres below the top of the shell, but what a plate or a gauge says is given as it is written
there, texts with units under the keys of `tank.toml`. A walk through it: docs/tutorial.md. Every error is a
`TaptestError` whose sentence says what is wrong and what to do.
"""

import html
import os
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from taptest.errors import RecordingError
from taptest.finding.judge import judge
from taptest.line.boundary import read_line
from taptest.line.points import profile_of
from taptest.line.records import Point
from taptest.shell.records import LevelSweep
from taptest.sound.hearing import MeasuredTaps
from taptest.sound.hearing import hear as hear_recordings
from taptest.sound.recording import Recording, open_recording, recording_of
from taptest.visit.analyse import judge_visit as judge_recorded
from taptest.visit.files import Visit, read_visit
from taptest.visit.meaning import Meaning, meaning_of
from taptest.visit.record import SCHEMA, document_from
from taptest.visit.result import PointResult, VisitResult
from taptest.visit.sweeps import sweeps_for

if TYPE_CHECKING:
    from taptest.report.figures import Picture

Sound = NDArray[np.floating] | str | os.PathLike[str]
"""Samples (N,) of one channel at full scale 1, or the path of a audio file."""
Progress = Callable[[float], None]


class JudgedVisit(VisitResult):
    """A judged line of taps with its finding; a notebook shows its picture and its words."""

    __slots__ = ()

    @property
    def text(self) -> str:
        """The finding as `taptest judge` prints it."""
        from taptest.report.words import finding_text

        return finding_text(self)

    @property
    def picture(self) -> "Picture":
        """The boundary picture as PNG, SVG and PDF."""
        from taptest.report.figures import boundary_picture

        return boundary_picture(self)

    def _repr_html_(self) -> str:
        return f"<div>{self.picture.svg.decode()}<pre>{html.escape(self.text)}</pre></div>"


def open_visit(folder: str | os.PathLike[str]) -> Visit:
    """Open a visit's folder. Raises `VisitError`, `StorageError`."""
    return read_visit(Path(folder))


def judge_visit(visit: Visit, progress: Progress | None = None) -> JudgedVisit:
    """Judge a visit; `progress` is told the share done (0..1) of the tank's model, which is kept for next time.

    Nothing is written into the visit. Raises `TaptestError`.
    """
    return _shown(judge_recorded(visit, progress))


def describe(
    tank: Mapping[str, str],
    system: Mapping[str, str] | None = None,
    readings: Mapping[str, str] | None = None,
    observations: Mapping[str, str] | None = None,
) -> Meaning:
    """Describe tank, system and readings by the keys of `tank.toml` (docs/visit-format.md), values with their units.

    `Meaning.case` holds them in SI units, `Meaning.notes` what had to be assumed. Raises `TaptestError`.
    """
    sections = {"system": system, "readings": readings, "observations": observations}
    given = {name: dict(section) for name, section in sections.items() if section}
    document = document_from({"schema": SCHEMA, "tank": dict(tank), **given}, "describe")
    return meaning_of(document, "describe")


def hear(
    sounds: Mapping[str, Sound], rate_hz: int | None = None, expected: int | None = None
) -> tuple[MeasuredTaps, ...]:
    """Find and measure the taps of named sounds that one striker made on one tank.

    `rate_hz` is the sampling rate of arrays; files know their own. `expected` is how many taps there are in all, None
    where that is not known. Raises `RecordingError`, `StorageError`.
    """
    return hear_recordings([(name, _recording(name, sound, rate_hz)) for name, sound in sounds.items()], expected)


def points_of(sounds: Mapping[float, Sound], rate_hz: int | None = None) -> tuple[Point, ...]:
    """Return the points of a line from one sound a point, by depth in metres below the top of the shell.

    Raises `RecordingError` where no sound holds a tap that can be used, and as `hear` does.
    """
    heard = hear({f"{1000 * depth_m:g} mm": sound for depth_m, sound in sounds.items()}, rate_hz)
    if heard and all(each.trouble for each in heard):
        raise RecordingError(heard[0].trouble)
    points = []
    for depth_m, each in zip(sounds, heard, strict=True):
        traits = tuple(trait for trait in each.traits if trait is not None)
        points.append(Point(float(depth_m), traits, len(traits), len(each.traits) - len(traits)))
    return tuple(points)


def level_model(described: Meaning, progress: Progress | None = None) -> tuple[LevelSweep, ...]:
    """Return what the model predicts along the line for every water level, for each shell that the tank may have.

    Computed once a tank, kept on the disk. Raises `PhysicsError`.
    """
    return sweeps_for(described.case, progress)[0]


def judge_line(
    described: Meaning, points: tuple[Point, ...], name: str = "", progress: Progress | None = None
) -> JudgedVisit:
    """Read a line of points with the tank's model and judge it; `name` heads the picture. Raises `TaptestError`."""
    case = described.case
    reading = read_line(points, case.tank, level_model(described, progress))
    near = [int(np.argmin(np.abs(reading.point_depth_m - point.depth_m))) for point in points]
    results = [
        PointResult(
            point.depth_m, float(reading.p_water[at]) if point.traits else None, point.taps_used, point.taps_rejected
        )
        for point, at in zip(points, near, strict=True)
    ]
    return JudgedVisit(
        name=name,
        visited_on=None,
        simulated=False,
        case=case,
        units=described.units,
        points=tuple(sorted(results, key=lambda result: result.depth_m)),
        taps=(),
        profile=profile_of(points),
        judgement=judge(case, reading),
        assumptions=described.notes,
        remarks=(),
    )


def _shown(result: VisitResult) -> JudgedVisit:
    return JudgedVisit(**{each.name: getattr(result, each.name) for each in fields(result)})


def _recording(name: str, sound: Sound, rate_hz: int | None) -> Recording:
    if isinstance(sound, str | os.PathLike):
        return open_recording(Path(sound))
    if rate_hz is None:
        raise RecordingError(f"The sound {name} is an array, and nothing says its sampling rate: give rate_hz.")
    return recording_of(sound, rate_hz, name)

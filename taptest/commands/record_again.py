"""`taptest record VISIT --again`: a second round of the same tank at another pressure, led from the end of the first.

The step and the few marks are those that tell most (`finding.planner`). The round has its own raw sound below
VISIT/again; its points are in the visit once it ends.
"""

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.commands.led_round import asked_pressure, with_microphone
from taptest.errors import VisitError

if TYPE_CHECKING:
    from taptest.capture.device import Source
    from taptest.capture.session import Tones
    from taptest.finding.planner import Leading
    from taptest.quantities import Units
    from taptest.visit.record import PointEntry

FOLDER = "again"


def run_again(arguments: argparse.Namespace, folder: Path) -> int:
    """Lead a second round with the microphone and the keyboard."""

    def lead(open_source: "Callable[[], Source]", tones: "Tones") -> None:
        record_again(folder, open_source, input, tones)
        print(f"Judge both rounds with: taptest judge {folder}")

    return with_microphone(arguments, lead)


def record_again(
    folder: Path, open_source: "Callable[[], Source]", ask: Callable[[str], str], tones: "Tones | None" = None
) -> int:
    """Lead a second round; returns how many points it has. Raises `VisitError`, `DeviceError`, `StorageError`."""
    from taptest.report.choices import in_usual_words
    from taptest.visit.files import read_visit
    from taptest.visit.meaning import meaning_of

    visit = read_visit(folder)
    if not visit.document.points:
        raise VisitError(f"{visit.source} has no points yet. Record its first round before a second one.")
    units = meaning_of(visit.document, visit.source).units
    lead = _leading(folder)
    for said in lead.said:
        print(in_usual_words(said, units))
    shown = asked_pressure(ask, units)
    if shown is None:
        return 0
    number = len(visit.document.rounds) + 2
    points = _tapped(folder, number, lead.marks_m, open_source, tones, units)
    state = "fill raised" if lead.change_pa > 0 else "let down"
    if points:
        _keep(folder, {"state": state, "readings": {"pressure": shown[0]}}, points)
    print(in_usual_words(lead.after, units))
    return len(points)


def retap(
    folder: Path,
    marks_m: "tuple[float, ...]",
    open_source: "Callable[[], Source]",
    tones: "Tones | None" = None,
) -> int:
    """Tap a few marks of the tank as it was left; returns how many. Raises as `record_again`."""
    from taptest.visit.files import read_visit
    from taptest.visit.meaning import meaning_of

    document = read_visit(folder).document
    units = meaning_of(document, str(folder)).units
    points = _tapped(folder, len(document.rounds) + 2, marks_m, open_source, tones, units)
    if points:
        left = document.as_left
        readings = {"pressure": left.pressure, "water_temperature": left.water_temperature}
        _keep(folder, {"state": "as left", "same_air": False, "readings": readings}, points)
    return len(points)


def _leading(folder: Path) -> "Leading":
    """Judge the first round and choose the step and its marks. Raises `VisitError` where no second round may be led."""
    import numpy as np

    from taptest.finding.compare import compare
    from taptest.finding.judge import COST
    from taptest.finding.planner import lead_round
    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit

    result = judge_visit(read_visit(folder))
    comparison = compare(result.case, result.judgement.line, np.random.default_rng(0))
    lead = lead_round(result.case, comparison, COST, [point.depth_m for point in result.points])
    if lead is None:
        raise VisitError(
            "No second round is led here: the system is hot, no pressure was read, a change would come too near to "
            "the relief setting or under the head of the system, or the tank's line does not show its water."
        )
    return lead


def _tapped(
    folder: Path,
    number: int,
    marks_m: "tuple[float, ...]",
    open_source: "Callable[[], Source]",
    tones: "Tones | None",
    units: "Units",
) -> "list[PointEntry]":
    """Let the marks be tapped and write their sound into the visit."""
    from taptest import disk
    from taptest.capture.excerpt import Excerpts
    from taptest.capture.round import Plan
    from taptest.capture.session import open_session
    from taptest.capture.terminal import Lines
    from taptest.visit.files import SOUND

    own = folder / FOLDER / str(number)
    disk.make_folder(own)
    disk.make_folder(folder / SOUND)
    session = open_session(own, Plan(marks_m, None, finer_limit=0, noise_s=2.0), open_source, tones=tones)
    view = Lines(units)
    try:
        for event in session.run():
            view.show(event)
        excerpts = Excerpts(session.journal)
        results = [result for result in session.round.results if result.taps]
        return [excerpts.write_point(folder, f"round{number}", result) for result in results]
    finally:
        session.journal.close()


def _keep(folder: Path, told: "Mapping[str, Any]", points: "list[PointEntry]") -> None:
    """Add the round to the visit's document, named by its state; one name is given once."""
    from taptest.visit.files import read_visit, save_document
    from taptest.visit.record import RoundSection

    document = read_visit(folder).document
    same = sum(each.state == told["state"] for each in document.rounds)
    name = told["state"] if not same else f"{told['state']} {same + 1}"
    added = RoundSection.model_validate({"name": name, **told, "points": tuple(points)})
    save_document(folder, document.model_copy(update={"rounds": (*document.rounds, added)}))

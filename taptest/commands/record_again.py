"""`taptest record VISIT --again`: a second round of the same tank at another pressure, led from the end of the first.

The step and the few marks are those that tell most (`finding.planner`); `capture.led_rounds` says how it is kept.
"""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.commands.led_round import asked_pressure, tapped, with_microphone
from taptest.errors import VisitError

if TYPE_CHECKING:
    from taptest.capture.device import Source
    from taptest.capture.session import Tones
    from taptest.finding.planner import Leading


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
    from taptest.capture.led_rounds import second_round
    from taptest.capture.terminal import Lines
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
    led = second_round(folder, lead, shown[0])
    count = tapped(led, open_source, tones, Lines(units))
    for told in led.after():
        print(in_usual_words(told, units))
    return count


def _leading(folder: Path) -> "Leading":
    """Judge the first round and choose the step and its marks. Raises `VisitError` where no second round may be led."""
    from taptest.capture.led_rounds import leading
    from taptest.visit.analyse import judge_visit
    from taptest.visit.files import read_visit

    return leading(judge_visit(read_visit(folder)))

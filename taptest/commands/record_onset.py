"""`taptest record VISIT --onset`: one mark tapped at many pressures, led step by step.

Each reading is a small round of its own with its own raw sound below VISIT/onset; its taps and its pressure are in the
visit as soon as it is done.
"""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.commands.led_round import asked_pressure, tapped, with_microphone
from taptest.errors import VisitError

if TYPE_CHECKING:
    from taptest.capture.device import Source
    from taptest.capture.onset_lead import Way
    from taptest.capture.session import Tones


def run_onset(arguments: argparse.Namespace, folder: Path) -> int:
    """Lead an onset round with the microphone and the keyboard."""

    def lead(open_source: "Callable[[], Source]", tones: "Tones") -> None:
        record_onset(folder, arguments.onset, open_source, input, tones)
        print(f"Judge it with: taptest judge {folder}")

    return with_microphone(arguments, lead)


def record_onset(
    folder: Path,
    way: str,
    open_source: "Callable[[], Source]",
    ask: Callable[[str], str],
    tones: "Tones | None" = None,
) -> int:
    """Lead an onset round; `way` is "down", "up" or "auto"; returns how many readings were taken.

    `ask` shows a question and returns what was typed. Raises `VisitError`, `LineError`, `DeviceError`, `StorageError`;
    what was tapped until then is in the visit, and the same command goes on with it.
    """
    from taptest.capture.led_rounds import onset_reading, onset_under_way
    from taptest.capture.terminal import Lines
    from taptest.report.choices import in_usual_words
    from taptest.visit.files import read_visit
    from taptest.visit.meaning import meaning_of

    visit = read_visit(folder)
    if not visit.document.points:
        raise VisitError(
            f"{visit.source} has no points yet. Record its line first, then tap one mark at many pressures."
        )
    units = meaning_of(visit.document, visit.source).units
    lead = onset_under_way(folder, _way(folder, way))
    view = Lines(units)
    view.say(in_usual_words(lead.before(), units))
    done = 0
    while True:
        shown = asked_pressure(ask, units)
        if shown is None:
            view.say(in_usual_words(lead.after(), units))
            return done
        led = onset_reading(folder, lead, shown)
        if not tapped(led, open_source, tones, view):
            raise VisitError("The round was stopped before the mark was tapped. The readings before it are kept.")
        done += 1
        for said in led.after():
            view.say(in_usual_words(said, units))
        if done > 1 and lead.next_pa() is None:
            return done


def _way(folder: Path, way: str) -> "Way":
    """Choose the way: up where the shell rang all over as it was found, else down."""
    if way in ("down", "up"):
        return "up" if way == "up" else "down"
    from taptest.visit.files import read_visit
    from taptest.visit.judged import read_judged

    kept = read_judged(read_visit(folder))
    return "up" if kept is not None and kept["boundary"]["state"] == "all air" else "down"

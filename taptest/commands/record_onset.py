"""`taptest record VISIT --onset`: one mark tapped at many pressures, led step by step.

Each reading is a small round of its own with its own raw sound below VISIT/onset; its taps and its pressure are in the
visit as soon as it is done.
"""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.commands.led_round import asked_pressure, with_microphone
from taptest.errors import VisitError

if TYPE_CHECKING:
    from taptest.capture.device import Source
    from taptest.capture.onset_lead import OnsetLead, Way
    from taptest.capture.session import Tones
    from taptest.capture.terminal import Lines
    from taptest.sound.records import TapTraits

TAPS = 2
"""Good taps a reading."""
FOLDER = "onset"


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
    """Lead an onset round; `way` is "down", "up" or "auto"; returns how many readings it has.

    `ask` shows a question and returns what was typed. Raises `VisitError`, `LineError`, `DeviceError`, `StorageError`;
    what was tapped until then is in the visit.
    """
    from taptest.capture.onset_lead import OnsetLead
    from taptest.capture.terminal import Lines
    from taptest.report.choices import in_usual_words
    from taptest.visit.files import read_visit
    from taptest.visit.meaning import meaning_of

    visit = read_visit(folder)
    if not visit.document.points:
        raise VisitError(
            f"{visit.source} has no points yet. Record its line first, then tap one mark at many pressures."
        )
    meaning = meaning_of(visit.document, visit.source)
    lead = OnsetLead(meaning.case, _way(folder, way))
    view = Lines(meaning.units)
    view.say(in_usual_words(lead.before(), meaning.units))
    number = len(visit.document.rounds) + 2
    done = 0
    while True:
        shown = asked_pressure(ask, meaning.units)
        if shown is None:
            break
        text, pressure_pa = shown
        done += 1
        traits, file = _tapped(folder, (number, done), lead, open_source, tones, view)
        _keep(folder, number, lead, text, file)
        lead.add(pressure_pa, traits)
        for said in lead.advice():
            view.say(in_usual_words(said, meaning.units))
        if done > 1 and lead.next_pa() is None:
            break
    view.say(in_usual_words(lead.after(), meaning.units))
    return done


def _way(folder: Path, way: str) -> "Way":
    """Choose the way: up where the shell rang all over as it was found, else down."""
    if way in ("down", "up"):
        return "up" if way == "up" else "down"
    from taptest.visit.files import read_visit
    from taptest.visit.judged import read_judged

    kept = read_judged(read_visit(folder))
    return "up" if kept is not None and kept["boundary"]["state"] == "all air" else "down"


def _tapped(
    folder: Path,
    place: tuple[int, int],
    lead: "OnsetLead",
    open_source: "Callable[[], Source]",
    tones: "Tones | None",
    view: "Lines",
) -> "tuple[list[TapTraits], str]":
    """Let the mark be tapped at one pressure, write its sound into the visit, and return its good taps and the file."""
    from taptest import disk
    from taptest.capture.excerpt import Excerpts
    from taptest.capture.round import Plan
    from taptest.capture.session import open_session
    from taptest.sound.recording import recording_of
    from taptest.sound.taps import detect_taps
    from taptest.sound.traits import traits_of
    from taptest.visit.files import SOUND

    number, step = place
    own = folder / FOLDER / f"{number}-{step:02d}"
    disk.make_folder(own)
    practice = 3 if step == 1 else 0
    plan = Plan((lead.mark_m,), None, TAPS, finer_limit=0, practice_taps=practice, noise_s=2.0)
    session = open_session(own, plan, open_source, tones=tones)
    try:
        for event in session.run():
            view.show(event)
        results = [result for result in session.round.results if result.taps]
        if not results:
            raise VisitError("The round was stopped before the mark was tapped. The readings before it are kept.")
        name = f"{SOUND}/round{number}-onset-{step:02d}.wav"
        disk.make_folder(folder / SOUND)
        sound, rate_hz = Excerpts(session.journal).write(folder, name, results[-1])
    finally:
        session.journal.close()
    train = detect_taps([sound], rate_hz)
    return [each for each in traits_of(recording_of(sound, round(rate_hz)), train) if each is not None], name


def _keep(folder: Path, number: int, lead: "OnsetLead", text: str, file: str) -> None:
    """Write one reading into the visit's round."""
    from taptest.visit.files import read_visit, save_document
    from taptest.visit.record import OnsetEntry, RoundSection

    document = read_visit(folder).document
    rounds = list(document.rounds)
    entry = OnsetEntry(pressure=text, file=file)
    if len(rounds) < number - 1:
        state = "let down" if lead.way == "down" else "fill raised"
        mark = f"{lead.mark_m * 1000:.0f} mm"
        rounds.append(RoundSection.model_validate({"name": "onset", "state": state, "mark": mark}))
    rounds[-1] = rounds[-1].model_copy(update={"onset": (*rounds[-1].onset, entry)})
    save_document(folder, document.model_copy(update={"rounds": tuple(rounds)}))

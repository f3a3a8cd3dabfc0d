"""`taptest record`: the guided round, recorded on site with one hand."""

import argparse
import sys
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from taptest.capture.plans import Wanted
    from taptest.visit.meaning import Meaning
    from taptest.visit.record import Document

TAKEN = ("tank", "system", "readings", "line")
"""Sections of a tank's file that a visit takes again when it is given again."""
DESCRIPTION = """\
Record a visit: the round says where to tap next, listens, says whether the tap counts, and goes on by itself. Every
tap is on the disk at once; after a crash or a break the same command goes on where it was.
"""
EXAMPLES = """\
Read docs/on-site.md before the first use. Keys during the round: space = the last point again, s = skip,
t = tones on or off, q = stop.

examples:
  taptest record --list-inputs
  taptest record visits/cellar --tank tank.toml
  taptest record visits/cellar --tank tank.toml --from "30 mm" --to "330 mm" --every "25 mm" --input USB
  taptest record visits/cellar                       (goes on with a round that was stopped)
  taptest record visits/cellar --marks "150,160"     (adds marks to it, also when it was done)
  taptest record visits/cellar --onset               (then: one mark at many pressures)
  taptest record visits/cellar --again               (then: a few marks at another pressure)
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("visit", type=Path, nargs="?", metavar="VISIT", help="folder of the visit, made if need be")
    parser.add_argument("--tank", type=Path, metavar="FILE", help="what is known of the tank (TOML)")
    parser.add_argument(
        "--onset",
        nargs="?",
        const="auto",
        choices=("auto", "down", "up"),
        help="tap one mark of a recorded visit at many pressures, let down or raised by hand: the pressure at which "
        "its sound begins to change is the tank's pre-charge",
    )
    parser.add_argument(
        "--again",
        action="store_true",
        help="lead a second round of a recorded visit at another pressure: by how much, at which few marks, and why",
    )
    add_round_arguments(parser)


def add_round_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that every round has."""
    parser.add_argument(
        "--marks",
        metavar="LIST",
        help='marks below the top: millimetres like "30,60,90", or with units like "2 in, 3 in"',
    )
    parser.add_argument("--from", dest="first", metavar="LENGTH", help="first mark below the top of the shell")
    parser.add_argument("--to", dest="last", metavar="LENGTH", help="last mark below the top of the shell")
    parser.add_argument("--every", metavar="LENGTH", help="distance between the marks (25 mm on most tanks)")
    parser.add_argument(
        "--reference", metavar="LENGTH", help='mark tapped first, midway and last; "none" to do without'
    )
    parser.add_argument("--taps", type=int, default=3, metavar="N", help="good taps a point (3)")
    parser.add_argument(
        "--finer", type=int, default=6, metavar="N", help="most points added around the change (6); 0: no estimate"
    )
    parser.add_argument(
        "--few-taps",
        action="store_true",
        help="tap every third mark, once, and after that only where one more tap tells most, until more would not "
        "change the estimate: about half the taps",
    )
    parser.add_argument("--no-practice", action="store_true", help="leave the practice taps out")
    parser.add_argument("--no-tones", action="store_true", help="begin without tones; t switches them on")
    parser.add_argument("--plain", action="store_true", help="one line for each thing that happens, no screen")
    parser.add_argument("--input", metavar="NAME", help="microphone: its number in the list, or a part of its name")
    parser.add_argument("--list-inputs", action="store_true", help="list the microphones and end")


def run(arguments: argparse.Namespace) -> int:
    """Record, and say what was made."""
    if arguments.list_inputs:
        return _list_inputs()
    if arguments.visit is None:
        from taptest.errors import VisitError

        raise VisitError("Say which folder the visit goes into: taptest record VISIT --tank tank.toml.")
    if arguments.onset is not None:
        from taptest.commands.record_onset import run_onset

        return run_onset(arguments, arguments.visit)
    if arguments.again:
        from taptest.commands.record_again import run_again

        return run_again(arguments, arguments.visit)
    from taptest.capture.device import end_now
    from taptest.commands.console import counted

    talks = sys.stdin.isatty()
    if talks and _is_imported(arguments.visit) and not arguments.marks:
        _, changed = open_visit(arguments.tank, arguments.visit, recorded=False)
        print(changed, end="\n" if changed else "")
        _stay_open(arguments, marks=False)
        return 0
    while True:
        made = record(arguments, arguments.visit)
        print(f"{arguments.visit} has {counted(made.points, 'point')}.")
        if made.left:
            print(
                f"The round is not finished, with {counted(made.left, 'mark')} left to tap; the same command goes on."
            )
        if made.sound_hangs:
            end_now(0)
        mark_m = _stay_open(arguments) if talks and made.points and not made.left else None
        if mark_m is None:
            break
        arguments.marks = f"{1000 * mark_m:g}"
    if made.points and not talks:
        print(f"Judge {'what is there' if made.left else 'it'} with: taptest judge {arguments.visit}")
    if made.points and not made.left and not talks:
        print(f"Left open? A second round at another pressure: taptest record {arguments.visit} --again")
    return 0


def _is_imported(folder: Path) -> bool:
    """Whether a folder holds a visit whose points came in another way than by a round."""
    from taptest.capture.journal import LOG
    from taptest.visit.files import DOCUMENT

    return (folder / DOCUMENT).exists() and not (folder / LOG).exists()


def _stay_open(arguments: argparse.Namespace, *, marks: bool = True) -> float | None:
    """Talk about what was found; return a mark that is to be tapped first, None for none."""
    from taptest.commands.led_round import sound_when_needed
    from taptest.commands.open_round import Talk

    with sound_when_needed(arguments) as sound:
        return Talk(arguments.visit, input, print, sound, marks).run()


@dataclass(frozen=True, slots=True)
class Made:
    """What a run of the round made."""

    points: int
    left: int = 0
    """Marks of the line that are still to be tapped."""
    sound_hangs: bool = False
    """Whether the sound system hangs, so that only an abrupt end ends the program."""


def record(arguments: argparse.Namespace, folder: Path) -> Made:
    """Begin a round or take it up, run it, and write what it gave into the visit."""
    from taptest.capture.device import SoundSystem, Speaker
    from taptest.capture.estimate import Estimator, ahead
    from taptest.capture.excerpt import save_points
    from taptest.capture.journal import open_journal, read_log
    from taptest.capture.notes import is_done, plan_from, results_from
    from taptest.capture.opening import missing, opener
    from taptest.capture.plans import plan_of
    from taptest.capture.session import open_session
    from taptest.capture.terminal import Lines, Screen, TonesOut, can_draw, play_round, quiet_libraries
    from taptest.capture.unfinished import left_of
    from taptest.visit.sweeps import sharpening

    meaning, changed = open_visit(arguments.tank, folder)
    added = _added(arguments, meaning, folder)
    entries = read_log(folder)
    if is_done(entries):
        print(f"{changed} The round in {folder} is done; to tap more of its line, add marks: --marks LIST.".strip())
        journal = open_journal(folder)
        points = save_points(folder, journal, results_from(entries))
        journal.close()
        return Made(points)
    system = SoundSystem()
    remarks = [
        _caution(meaning),
        changed,
        added,
        _kept(arguments, meaning, folder),
        _unread(meaning, folder),
        "" if arguments.input else missing(system),
    ]
    open_source = opener(system, arguments.input)
    plan = plan_from(entries) or plan_of(_wanted(arguments), meaning.case.tank, meaning.units)
    model = partial(sharpening, meaning.case)
    estimator = Estimator(meaning.case.tank, model, meaning.units) if plan.finer_limit else None
    if estimator is None:
        ahead(model)
    speaker = Speaker(system)
    tones = TonesOut(speaker, on=not arguments.no_tones)
    session = open_session(folder, plan, open_source, estimator=estimator, tones=tones)
    drawn = not arguments.plain and can_draw(sys.stdout)
    view: Lines | Screen = Screen(meaning.units) if drawn else Lines(meaning.units)
    try:
        for remark in remarks:
            view.say(remark)
        with quiet_libraries():
            play_round(session, view, tones)
    finally:
        view.close()
        speaker.close()
        journal = open_journal(folder)
        points = save_points(folder, journal, session.round.results)
        journal.close()
    drift = session.drift()
    if drift:
        from taptest.report.choices import in_usual_words

        print(f"Note: {in_usual_words(drift)}")
    return Made(points, len(left_of(folder)), system.hangs)


def _caution(meaning: "Meaning") -> str:
    """Say what to mind before the first tap."""
    from taptest.capture.remarks import RoundWarning
    from taptest.report.choices import in_usual_words
    from taptest.statements import Statement

    return in_usual_words(Statement(RoundWarning.BEFORE), meaning.units)


def _kept(arguments: argparse.Namespace, meaning: "Meaning", folder: Path) -> str:
    """Say what of the arguments does not count because the round or the visit already exists, "" for nothing."""
    from taptest.capture.journal import read_log
    from taptest.capture.notes import plan_from
    from taptest.capture.plans import plan_of

    noted = plan_from(read_log(folder))
    typed = (arguments.first, arguments.last, arguments.every, arguments.reference)
    if noted is not None and any(typed):
        wanted = plan_of(_wanted(arguments), meaning.case.tank, meaning.units)
        if (wanted.depths_m, wanted.reference_depth_m) != (noted.depths_m, noted.reference_depth_m):
            return "This round keeps the marks it began with; add others with --marks."
    return ""


def _added(arguments: argparse.Namespace, meaning: "Meaning", folder: Path) -> str:
    """Add marks that were typed to a round that was begun before, and say so, "" for none."""
    from taptest.capture.journal import read_log
    from taptest.capture.notes import plan_from
    from taptest.capture.plans import plan_of
    from taptest.capture.session import add_marks

    if not arguments.marks or plan_from(read_log(folder)) is None:
        return ""
    new = add_marks(folder, plan_of(_wanted(arguments), meaning.case.tank, meaning.units).depths_m)
    named = ", ".join(meaning.units.show("length", mark) for mark in new)
    return f"Added to the line: {named}." if new else ""


def _list_inputs() -> int:
    from taptest.capture.device import SoundSystem, choose

    inputs = SoundSystem().inputs()
    choose(inputs)
    for number, entry in enumerate(inputs, start=1):
        print(f"{number}: {entry.sentence}")
    return 0


def open_visit(tank: Path | None, folder: Path, *, recorded: bool = True) -> "tuple[Meaning, str]":
    """Return what the visit's document means, and what of it was changed by the tank's file, as a sentence.

    The visit is made if it does not exist. One that was not recorded by a round is refused where `recorded` asks for
    it. Raises `VisitError`.
    """
    from taptest.capture.journal import LOG, open_journal
    from taptest.disk import make_folder
    from taptest.errors import VisitError
    from taptest.visit.files import DOCUMENT, read_visit, save_document
    from taptest.visit.meaning import meaning_of

    if (folder / DOCUMENT).exists():
        if recorded and not (folder / LOG).exists():
            raise VisitError(
                f"{folder} holds a visit that was not recorded by a round. Choose another folder for this one."
            )
        visit = read_visit(folder)
        document, changed = (visit.document, "") if tank is None else _taken(visit.document, _document(tank))
        meaning = meaning_of(document, visit.source if tank is None else str(tank))
        if changed:
            save_document(folder, document)
        return meaning, changed
    if tank is None:
        raise VisitError(f"{folder} holds no visit yet. Say what is known of the tank: --tank tank.toml.")
    document = _document(tank)
    meaning = meaning_of(document, str(tank))
    make_folder(folder)
    save_document(folder, document)
    open_journal(folder).close()  # from now on it is known as a visit of a round, even where no microphone is found
    return meaning, ""


def _taken(document: "Document", new: "Document") -> "tuple[Document, str]":
    """Return a visit's document with what its tank's file says now, and a sentence that names what has changed."""
    update, named = {}, []
    for section in TAKEN:
        before, now = getattr(document, section), getattr(new, section)
        given = now.model_dump(exclude_unset=True)
        changed = {key: text for key, text in given.items() if text != getattr(before, key)}
        if changed:
            update[section] = before.model_copy(update=changed)
            named += [f"{key.replace('_', ' ')} {text}" for key, text in changed.items()]
    return document.model_copy(update=update), f"Taken from the tank's file: {', '.join(named)}." if named else ""


def _document(tank: Path) -> "Document":
    """Return the document of a new visit as a tank's file has it. Raises `VisitError`, `StorageError`."""
    from taptest.visit.intake import dated, read_tank
    from taptest.visit.record import SCHEMA, document_from

    day, sections = dated(read_tank(tank), today=date.today())
    return document_from({"schema": SCHEMA, "visited_on": day, **sections}, str(tank))


def _unread(meaning: "Meaning", folder: Path) -> str:
    """Say what a finding will lack because nobody read it, "" for nothing."""
    if meaning.case.readings.pressure_pa is not None:
        return ""
    return (
        "No pressure was read: the round will tell where the water ends, and nothing of what follows from it. Read the "
        f"gauge now, before anything is drained, and write it down: in {folder}, visit.json, under readings, or on the "
        "visit's page Details of taptest desk."
    )


def _wanted(arguments: argparse.Namespace) -> "Wanted":
    """Return what the arguments want of a round."""
    from taptest.capture.plans import Wanted

    return Wanted(
        marks=arguments.marks or "",
        first=arguments.first or "",
        last=arguments.last or "",
        every=arguments.every or "",
        reference=arguments.reference or "",
        taps=str(arguments.taps),
        finer=str(arguments.finer),
        practice=not arguments.no_practice,
        sparing=arguments.few_taps,
    )

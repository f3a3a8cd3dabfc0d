"""What the rounds that are led beside the first one share: the microphone, and the question for the gauge."""

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from taptest.errors import QuantityError

if TYPE_CHECKING:
    from taptest.capture.device import Source
    from taptest.capture.led_rounds import LedRound
    from taptest.capture.session import Tones
    from taptest.capture.terminal import Lines
    from taptest.quantities import Units

    Opened = tuple[Callable[[], Source], Tones | None]
    Sound = Callable[[], Opened]


def with_microphone(arguments: argparse.Namespace, lead: "Callable[[Callable[[], Source], Tones], None]") -> int:
    """Lead a round with the microphone and the loudspeaker that the command line names; return the exit code."""
    from taptest.capture.device import SoundSystem, Speaker, end_now
    from taptest.capture.opening import opener
    from taptest.capture.terminal import TonesOut, quiet_libraries

    system = SoundSystem()
    speaker = Speaker(system)
    try:
        with quiet_libraries():
            lead(opener(system, arguments.input), TonesOut(speaker, on=not arguments.no_tones))
    finally:
        speaker.close()
    if system.hangs:
        end_now(0)
    return 0


def tapped(led: "LedRound", open_source: "Callable[[], Source]", tones: "Tones | None", view: "Lines") -> int:
    """Let a led round be tapped and keep it; returns how many points or readings it has."""
    from taptest import disk
    from taptest.capture.session import open_session

    disk.make_folder(led.folder)
    session = open_session(led.folder, led.plan, open_source, tones=tones)
    try:
        for event in session.run():
            view.show(event)
        return led.keep(session)
    finally:
        session.journal.close()


@contextmanager
def sound_when_needed(arguments: argparse.Namespace) -> "Iterator[Sound]":
    """Give a function that gives microphone and tones; nothing of the sound system is touched before it is called."""
    from taptest.capture.device import SoundSystem, Speaker, end_now
    from taptest.capture.opening import opener
    from taptest.capture.terminal import TonesOut, quiet_libraries

    made: list[tuple[SoundSystem, Speaker]] = []

    def sound() -> "Opened":
        if not made:
            system = SoundSystem()
            made.append((system, Speaker(system)))
        system, speaker = made[0]
        open_source = opener(system, arguments.input)

        def quietly() -> "Source":
            with quiet_libraries():
                return open_source()

        return quietly, TonesOut(speaker, on=not arguments.no_tones)

    try:
        yield sound
    finally:
        for _, speaker in made:
            speaker.close()
    if any(system.hangs for system, _ in made):
        end_now(0)


def asked_pressure(ask: Callable[[str], str], units: "Units") -> tuple[str, float] | None:
    """Ask for the gauge until it is understood: what was typed with its unit, and pascals; None at the end."""
    from taptest.quantities import parse

    question = f"What does the gauge show now, in {units.pressure}? (Enter alone ends) "
    while True:
        try:
            typed = ask(question).strip()
        except EOFError:
            return None
        if not typed:
            return None
        text = units.with_unit("pressure", typed)
        try:
            return text, parse("pressure", text, "gauge").si
        except QuantityError as error:
            question = f"{error} "

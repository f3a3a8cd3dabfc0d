"""Open the microphone that the user wants, and open it again after it vanished.

Which input was wanted last is remembered on this computer.
"""

from collections.abc import Callable, Sequence

from taptest.capture.device import Input, Microphone, SoundSystem, choose, plain_name, subject
from taptest.errors import DeviceError
from taptest.preferences import remember_microphone, remembered_microphone


def opener(system: SoundSystem, wanted: str | None = None) -> Callable[[], Microphone]:
    """Choose an input by its number or a part of its name, else the remembered one, else the system's usual one.

    Returns what opens that input, again and again: from the second time on the list of devices is read again, since an
    input that vanished may have come back under another number. Raises `DeviceError`, here and when opening.
    """
    inputs = system.inputs()
    chosen = choose(inputs, wanted or None, remembered_microphone())
    twin = _called(inputs, chosen.name).index(chosen)
    if wanted:
        remember_microphone(chosen.name)
    opened = False

    def open_source() -> Microphone:
        nonlocal opened
        if opened:
            system.refresh()
        opened = True
        found = _called(system.inputs(), chosen.name)
        if not found:
            raise DeviceError(
                f"{subject(chosen.name)} is not there yet. Plug it in again; the round goes on by itself."
            )
        return system.open(found[min(twin, len(found) - 1)])

    return open_source


def missing(system: SoundSystem) -> str:
    """Say in a sentence that the remembered input is not there and another one is taken, "" where it is there.

    Raises `DeviceError`.
    """
    name, inputs = remembered_microphone(), system.inputs()
    if name is None or _called(inputs, name):
        return ""
    return (
        f"{subject(name)}, which was chosen last, is not there: this round listens to "
        f"{plain_name(choose(inputs).name)}. Stop it, plug the other one in and begin again if that is not wanted."
    )


def _called(inputs: Sequence[Input], name: str) -> list[Input]:
    """Return the inputs of a name: two microphones of one make may share it."""
    return [entry for entry in inputs if entry.name == name]

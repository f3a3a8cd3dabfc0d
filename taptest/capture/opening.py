"""Open the microphone that the user wants, and open it again after it vanished.

Which input was wanted last is remembered on this computer.
"""

from collections.abc import Callable

from taptest.capture.device import Microphone, SoundSystem, choose
from taptest.capture.memory import remember_microphone, remembered_microphone


def opener(system: SoundSystem, wanted: str | None = None) -> Callable[[], Microphone]:
    """Choose an input by its number or a part of its name, else the remembered one, else the system's usual one.

    Returns what opens that input, again and again: from the second time on the list of devices is read anew, since an
    input that vanished may have come back under another number. Raises `DeviceError`, here and when opening.
    """
    name = choose(system.inputs(), wanted or None, remembered_microphone()).name
    if wanted:
        remember_microphone(name)
    opened = False

    def open_source() -> Microphone:
        nonlocal opened
        if opened:
            system.refresh()
        opened = True
        return system.open(choose(system.inputs(), name))

    return open_source

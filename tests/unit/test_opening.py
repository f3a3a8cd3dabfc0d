"""Which microphone is opened, and opened again, with a stand-in for the sound system."""

from pathlib import Path

import pytest

from taptest.capture.device import Input
from taptest.capture.opening import missing, opener
from taptest.errors import DeviceError
from taptest.preferences import remember_microphone, remembered_microphone

BUILT_IN = Input(0, "Array", "A", 1, 48000, True)
TWIN_1, TWIN_2 = (Input(number, "USB Audio", "A", 1, 48000, False) for number in (3, 4))


class System:
    """Inputs that come and go."""

    def __init__(self, *inputs: Input) -> None:
        self.there = inputs
        self.opened: list[int] = []
        self.looked_anew = 0

    def inputs(self) -> tuple[Input, ...]:
        return self.there

    def refresh(self) -> None:
        self.looked_anew += 1

    def open(self, entry: Input) -> None:
        self.opened.append(entry.index)


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path))


def test_the_second_of_two_microphones_with_one_name_is_opened_again_and_again() -> None:
    system = System(BUILT_IN, TWIN_1, TWIN_2)
    open_source = opener(system, "3")  # type: ignore[arg-type]
    open_source()
    assert system.looked_anew == 0
    open_source()
    assert system.opened == [4, 4]
    # What came back after a loss may lie under another number: the list of before is never used again.
    assert system.looked_anew == 1
    assert remembered_microphone() == "USB Audio"
    system.there = (BUILT_IN, TWIN_1)
    open_source()
    assert system.opened[-1] == 3


def test_a_microphone_that_was_pulled_out_is_waited_for_in_plain_words() -> None:
    system = System(BUILT_IN, TWIN_1)
    open_source = opener(system, "usb")  # type: ignore[arg-type]
    open_source()
    system.there = (BUILT_IN,)
    with pytest.raises(DeviceError, match=r"The microphone USB Audio is not there yet. Plug it in again"):
        open_source()
    assert system.opened == [3]


def test_another_microphone_than_the_last_is_never_taken_silently() -> None:
    system = System(BUILT_IN)
    assert missing(system) == ""  # type: ignore[arg-type]
    remember_microphone("USB Audio")
    assert "USB Audio, which was chosen last, is not there: this round listens to Array" in missing(system)  # type: ignore[arg-type]
    system.there = (BUILT_IN, TWIN_1)
    assert missing(system) == ""  # type: ignore[arg-type]

"""Sound sources for the tests of live capture that are no device: an array, with whatever trouble a device makes."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptest.capture.tones import Tone, tone
from taptest.errors import DeviceError

FloatArray = NDArray[np.float64]


class ArraySource:
    """Delivers an array block by block, then fails like an unplugged device; sound is lost at the blocks `lost_at`."""

    def __init__(
        self,
        sound: FloatArray,
        rate_hz: float = 48000,
        block: int = 1024,
        lost_at: Sequence[int] = (),
        name: str = "array",
    ) -> None:
        self.name, self.rate_hz, self.latency_s = name, float(rate_hz), 0.0
        self.closed = False
        self.read_blocks = 0
        self._sound, self._block, self._lost_at = sound, block, set(lost_at)
        self._lost = 0

    @property
    def lost(self) -> int:
        return self._lost

    def read(self, timeout_s: float) -> FloatArray | None:
        start = self.read_blocks * self._block
        if start >= len(self._sound):
            raise DeviceError("The microphone array has gone.")
        self._lost += self.read_blocks in self._lost_at
        self.read_blocks += 1
        return self._sound[start : start + self._block]

    def close(self) -> None:
        self.closed = True


class Room(ArraySource):
    """An array in a room with a loudspeaker: tones that are played come back so many seconds later."""

    def __init__(self, sound: FloatArray, tone_later_s: float, **settings: Any) -> None:
        super().__init__(sound.copy(), **settings)
        self.played: list[str] = []
        self._later = round(tone_later_s * self.rate_hz)

    def play(self, name: Tone) -> float:
        """Play a tone; says what a loudspeaker with a latency of 0.2 s says."""
        self.played.append(name)
        sound = tone(name, self.rate_hz)
        start = self.read_blocks * self._block + self._later
        self._sound[start : start + len(sound)] += sound[: max(len(self._sound) - start, 0)]
        return 0.2 + len(sound) / self.rate_hz


def one_after_the_other(*sources: ArraySource) -> Callable[[], ArraySource]:
    """An opener that gives one source after the other; a test that asks for more fails instead of waiting for ever."""
    waiting = list(sources)

    def open_next() -> ArraySource:
        if not sources:
            raise DeviceError("There is no microphone.")
        if not waiting:
            raise AssertionError("the sources are used up")
        return waiting.pop(0)

    return open_next

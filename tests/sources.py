"""Sound sources for the tests of live capture that are no device: an array, with whatever trouble a device makes."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

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

"""Signs of trouble in the sound itself: a muted or overloaded input, automatic gain, noise suppression.

Conventions: blocks (N,) of samples in -1..1 in order of time, any length; levels in decibels relative to full scale.

Automatic gain and noise suppression falsify levels and decays, and no system tells a program for sure that they are
on. The sound tells: after a tap the quiet can be as quiet as before it, or louder (the room still rings), but never
quieter, unless something turned the gain down because of the tap. Two ways of looking: single taps with enough quiet
before them, and, at any cadence, whether the quiet between taps swells again and again until the next one, more than
the room's own noise does by itself. Gain that takes many seconds to come back shows in neither.
"""

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from taptest.capture.remarks import RoundWarning
from taptest.statements import Statement

FloatArray = NDArray[np.float64]

FRAME_S = 0.05
MUTED_DB = -110.0
"""Below the rounding noise of a 16-bit converter (-98 dB): only a switched-off input is as quiet."""
MUTED_FOR_S = 2.0
FULL = 0.999
OVERLOADED_SHARE = 0.2
"""Share of samples at full scale in a second; single overloaded taps stay far below it."""
DUCKED_DB = 5.0
"""Drop of the quiet after a tap, against before it, that counts; chance moves a 50 ms frame by about 1 dB."""
DUCKED_TAPS = 2
"""Taps that must show the drop, out of the last three that could be weighed."""
ALONE_S = 1.2
"""A tap is weighed only this long after the one before it: sooner, the quiet before it is that one's ring."""
SWELL_DB = 2.0
"""Swell of the quiet from one hit to the next that counts; steady noise swells by 0.2 dB."""
SWELL_OF_ROOM = 2.0
"""A swell counts only where it is so many times that of the room's noise before the first tap."""
SWELL_SHARE = 0.75
"""Quantile of the room's own swells. With 75 recordings of noise by others at three cadences, no false warning in 225;
the automatic gain of the simulator is found in steady noise at 0.7 s a tap and slower."""
SWELLS = (5, 6)
"""So many of the last so many gaps must swell."""
SWELL_WINDOW_S = 0.6
RUNG_S = 0.12
"""Not before so long after a hit is it looked at."""
BEFORE_S = (0.35, 0.05)
AFTER_S = (0.15, 0.8)


def decibels(value: float) -> float:
    """Return 20 log10 of an amplitude, at least -200."""
    return 20.0 * math.log10(max(value, 1e-10))


class Frames:
    """Cuts blocks of any length into frames of 50 ms and keeps the last seconds of their levels."""

    def __init__(self, rate_hz: float, keep_s: float = 4.0) -> None:
        self.frame = round(FRAME_S * rate_hz)
        self._rate_hz = rate_hz
        self._rest: FloatArray = np.zeros(0)
        self._levels: deque[float] = deque(maxlen=round(keep_s / FRAME_S))
        self.count = 0

    def feed(self, block: FloatArray) -> list[tuple[float, float, float]]:
        """Return root mean square in dB, peak in dB and share of samples at full scale of each frame now complete."""
        sound = np.concatenate((self._rest, block)) if len(self._rest) else block
        whole = len(sound) // self.frame
        self._rest = sound[whole * self.frame :].copy()
        found = []
        for frame in sound[: whole * self.frame].reshape(whole, self.frame):
            size = np.abs(frame)
            level = decibels(math.sqrt(float(np.mean(frame * frame))))
            found.append((level, decibels(float(size.max())), float(np.mean(size >= FULL))))
            self._levels.append(level)
            self.count += 1
        return found

    def quiet_db(self, from_s: float, to_s: float) -> float | None:
        """Return the level of the second quietest frame between two times; None where too few are kept."""
        first, last = math.ceil(from_s / FRAME_S), math.floor(to_s / FRAME_S)
        oldest = self.count - len(self._levels)
        if last - first < 2 or first < oldest or last > self.count:
            return None
        return sorted(list(self._levels)[first - oldest : last - oldest])[1]

    def swell_db(self, from_s: float, to_s: float) -> float | None:
        """Return how far the level rises from its lowest to its last three frames; None where too few are kept."""
        first, last = math.ceil(from_s / FRAME_S), math.floor(to_s / FRAME_S)
        oldest = self.count - len(self._levels)
        if last - first < 6 or first < oldest or last > self.count:
            return None
        smooth = np.convolve(list(self._levels)[first - oldest : last - oldest], np.ones(3) / 3, "valid")
        return float(smooth[-1] - smooth.min())


class Signs:
    """Listens along and tells each trouble once while it lasts."""

    def __init__(self, rate_hz: float) -> None:
        self._frames = Frames(rate_hz)
        self._muted_frames = 0
        self._full: deque[float] = deque(maxlen=round(1.0 / FRAME_S))
        self._taps: deque[float] = deque(maxlen=8)
        self._drops: deque[float] = deque(maxlen=3)
        self._last_tap = -math.inf
        self._swells: deque[float] = deque(maxlen=SWELLS[1])
        self._room_swell_db: float | None = None
        self._said: set[RoundWarning] = set()
        self.muted = False
        self.overloaded = False

    def feed(self, block: FloatArray) -> list[Statement]:
        """Tell what came to light with this block."""
        for level, _, full in self._frames.feed(block):
            self._muted_frames = self._muted_frames + 1 if level < MUTED_DB else 0
            self._full.append(full)
        was_muted, self.muted = self.muted, self._muted_frames * FRAME_S >= MUTED_FOR_S
        filled = len(self._full) == self._full.maxlen
        self.overloaded = filled and sum(self._full) / len(self._full) > OVERLOADED_SHARE
        found = []
        if was_muted and not self.muted:
            found.append(RoundWarning.HEARD_AGAIN)
        if self.muted:
            found.append(RoundWarning.MUTED)
        if self.overloaded:
            found.append(RoundWarning.OVERLOADED)
        self._weigh_taps()
        if sum(drop >= DUCKED_DB for drop in self._drops) >= DUCKED_TAPS or self._swelling():
            found.append(RoundWarning.PROCESSED)
        fresh = [Statement(warning) for warning in found if warning not in self._said]
        self._said = set(found)
        return fresh

    def tap(self, onset_s: float) -> None:
        """Tell of a tap, in seconds since the first block, so that the quiet before and after it is compared."""
        if onset_s - self._last_tap >= ALONE_S:
            self._taps.append(onset_s)
        end = onset_s - FRAME_S
        if self._room_swell_db is None:
            self._room_swell_db = self._swell_of_room(max(self._last_tap, 0.0) + ALONE_S / 4, end)
        else:
            swell = self._frames.swell_db(self._last_tap + RUNG_S, end)
            if swell is not None:
                self._swells.append(swell)
        self._last_tap = onset_s

    def _swell_of_room(self, from_s: float, to_s: float) -> float | None:
        """Return how far the noise swells by itself in stretches as long as a gap between taps; None if it is short."""
        starts = np.arange(max(from_s, to_s - 3.0), to_s - SWELL_WINDOW_S, 2 * FRAME_S)
        swells = [self._frames.swell_db(start, start + SWELL_WINDOW_S + FRAME_S) for start in starts]
        known = [swell for swell in swells if swell is not None]
        return float(np.quantile(known, SWELL_SHARE)) if len(known) >= 5 else None

    def _swelling(self) -> bool:
        if self._room_swell_db is None:
            return False
        least = max(SWELL_DB, SWELL_OF_ROOM * self._room_swell_db)
        return sum(swell >= least for swell in self._swells) >= SWELLS[0]

    def _weigh_taps(self) -> None:
        now = self._frames.count * FRAME_S
        while self._taps and now >= self._taps[0] + AFTER_S[1] + FRAME_S:
            onset = self._taps.popleft()
            before = self._frames.quiet_db(onset - BEFORE_S[0], onset - BEFORE_S[1])
            after = self._frames.quiet_db(onset + AFTER_S[0], onset + AFTER_S[1])
            if before is not None and after is not None:
                self._drops.append(before - after)

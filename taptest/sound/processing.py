"""Signs in recordings that something worked on the sound before it was stored: gain, gate, suppression, a telephone.

Goal: one statement a visit for each kind of processing that falsifies levels and decays, from the sound alone, and none
for sound that was left alone.

How: after a tap the sound falls steadily into the noise of the room and stays there. A gain that was turned down swells
up again from gap to gap; a gate falls in one step; suppression leaves of the noise single tones that come and go; and a
telephone leaves nothing of the upper bands. Each sign is weighed over all gaps between the taps of a visit.

Conventions: samples (N,) at full scale 1; levels are of the sound's first difference, which hum hardly moves, in
decibels relative to full scale, in frames of 10 ms; G gaps, Q quiet windows of `traits.quiet_windows`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taptest.sound.recording import Recording
from taptest.sound.records import TapTrain
from taptest.sound.remarks import Processing
from taptest.sound.traits import quiet_windows
from taptest.statements import Statement

FloatArray = NDArray[np.float64]

FRAME_S = 0.010
RUNG_S = 0.15
"""From so long after a tap on its gap is looked at for a swell."""
LEAST_GAP_S, LONGEST_GAP_S = 0.4, 2.0
BEFORE_NEXT_S = 0.03
FEWEST_GAPS = 5
SWELL_DB, SWELL_SHARE = 0.6, 0.7
"""Gain rides where the end of so many gaps is so much louder than their middle; a room's own noise swells and sinks
alike, and what still rings only sinks."""
STEP_DB, STEP_TIMES, STEP_SHARE = 12.0, 2.5, 0.5
"""A gate shuts where the level falls so far within 30 ms, so many times as far as just before, in so many gaps."""
LOWEST_DB = -120.0
TONAL = 2.02
"""Fourth moment of quiet spectra over the square of the second, among neighbouring bins, above which single lines stand
out: noise, whose lines are exponentially distributed, has 1.80 to 1.87 (2 with endlessly many). Rooms with a hum or
two reach 1.98 in the median of a recording, what spectral subtraction leaves of them 2.07 and more."""
LEAST_TOP_HZ = 6000.0
"""What ends below carries too little of the bands that tell water from air."""
CLIFF_DB = 25.0


@dataclass(frozen=True, slots=True)
class Traces:
    """What one recording shows of how it was processed."""

    swells_db: FloatArray
    """(G,) level at the end of each gap over that in its middle."""
    steps: NDArray[np.bool_]
    """(G,) whether the level falls in one step."""
    tonal: FloatArray
    """(Q,) how much the spectrum of each quiet window consists of single lines; 2 for noise."""
    top_hz: float
    """Highest frequency that the taps reach; infinite where the recording just ends with its sampling rate."""


def traces_of(recording: Recording, train: TapTrain) -> Traces:
    """Look at one recording and its taps."""
    level_db = _levels_db(recording)
    gaps = []
    for tap in train.taps:
        begin, length = round(tap.onset_s / FRAME_S), round((min(tap.free_s, LONGEST_GAP_S) - BEFORE_NEXT_S) / FRAME_S)
        if tap.used and LEAST_GAP_S / FRAME_S <= length <= level_db.size - begin:
            gaps.append(level_db[begin : begin + length])
    windows = quiet_windows(recording, train)
    return Traces(
        swells_db=np.array([_swell_db(gap) for gap in gaps]),
        steps=np.array([_falls_in_a_step(gap) for gap in gaps], bool),
        tonal=_tonality(windows, train.rate_hz),
        top_hz=_top_hz(recording, train),
    )


def processing_signs(traces: Sequence[Traces]) -> tuple[Statement, ...]:
    """Say what was done to the recordings of a visit; nothing where nothing shows."""
    said = []
    swells = np.concatenate([one.swells_db for one in traces]) if traces else np.zeros(0)
    steps = np.concatenate([one.steps for one in traces]) if traces else np.zeros(0, bool)
    tonal = np.concatenate([one.tonal for one in traces]) if traces else np.zeros(0)
    if swells.size >= FEWEST_GAPS and np.mean(swells >= SWELL_DB) >= SWELL_SHARE:
        said.append(Statement(Processing.GAIN))
    if steps.size >= FEWEST_GAPS and steps.mean() >= STEP_SHARE:
        said.append(Statement(Processing.GATE))
    elif tonal.size >= FEWEST_GAPS and np.median(tonal) > TONAL:
        said.append(Statement(Processing.SUPPRESSED))
    top_hz = float(np.median([one.top_hz for one in traces])) if traces else np.inf
    if top_hz < LEAST_TOP_HZ:
        said.append(Statement(Processing.NARROW, {"top_hz": top_hz}))
    return tuple(said)


def _levels_db(recording: Recording) -> FloatArray:
    """(L,) level of each frame of 10 ms."""
    frame = round(FRAME_S * recording.rate_hz)
    rest = np.zeros(0, np.float32)
    levels = []
    for block in recording.blocks():
        sound = np.concatenate((rest, block))
        whole = sound.size // frame
        parts = sound[: whole * frame].reshape(whole, frame)
        rest = sound[whole * frame :]
        step = np.diff(parts)
        levels.append(np.einsum("ij,ij->i", step, step) / (frame - 1))
    power = np.concatenate(levels) if levels else np.zeros(0)
    return np.asarray(10 * np.log10(np.maximum(power, 10 ** (LOWEST_DB / 10))), dtype=np.float64)


def _swell_db(gap: FloatArray) -> float:
    """Level of the last third of a gap, since its tap had rung out, over that of the third before."""
    late = gap[round(RUNG_S / FRAME_S) :]
    third = late.size // 3
    return float(np.mean(late[-third:]) - np.mean(late[-2 * third : -third]))


def _falls_in_a_step(gap: FloatArray) -> bool:
    """Whether the level falls within 30 ms far more than in the 30 ms before."""
    means = np.convolve(gap, np.ones(3) / 3, "valid")
    fall = means[6:-4] - means[10:]
    before = np.maximum(means[2:-8] - means[6:-4], 0.0)
    return bool(((fall >= STEP_DB) & (fall >= STEP_TIMES * before)).any())


def _tonality(windows: NDArray[np.float32], rate_hz: float) -> FloatArray:
    """(Q,) fourth moment of each window's spectrum over the square of its second, among neighbouring bins."""
    if not len(windows) or windows.shape[1] < 64:
        return np.zeros(0)
    power = np.abs(np.fft.rfft(windows * np.hanning(windows.shape[1]), axis=1)) ** 2
    frequency = np.fft.rfftfreq(windows.shape[1], 1 / rate_hz)
    power = power[:, (frequency > 400.0) & (frequency < min(7000.0, 0.45 * rate_hz))]
    groups = power.shape[1] // 24
    parts = power[:, : groups * 24].reshape(len(power), groups, 24)
    second = np.maximum(parts.mean(axis=2), 1e-30)
    return np.asarray(np.median((parts**2).mean(axis=2) / second**2, axis=1), dtype=np.float64)


def _top_hz(recording: Recording, train: TapTrain) -> float:
    """Highest frequency that taps reach before a cliff; infinite where there is none below `LEAST_TOP_HZ`."""
    rate_hz = train.rate_hz
    if rate_hz / 2 < LEAST_TOP_HZ:
        return rate_hz / 2
    length = round(0.03 * rate_hz)
    taps = recording.stretches([round(tap.onset_s * rate_hz) for tap in train.taps[:64]], length)
    power = (np.abs(np.fft.rfft(taps * np.hanning(length), axis=1)) ** 2).mean(axis=0)
    frequency = np.fft.rfftfreq(length, 1 / rate_hz)
    edges = 1000.0 * 2.0 ** (np.arange(0, 19) / 6)
    edges = edges[edges < rate_hz / 2]
    cells = np.array([power[(frequency >= low) & (frequency < high)].mean() for low, high in pairwise(edges)])
    level_db = 10 * np.log10(np.maximum(cells, 1e-30))
    for cell in range(1, np.count_nonzero(edges < LEAST_TOP_HZ)):
        beyond_db = float(level_db[cell + 1 :].max(initial=-np.inf))
        if beyond_db < min(level_db[:cell].max() - 2 * CLIFF_DB, level_db[cell - 1] - CLIFF_DB):
            return float(edges[cell])
    return float(np.inf)

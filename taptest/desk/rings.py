"""What one tap rings at, in plain words: its strongest modes with frequency, ring time and what the noise leaves open.

Worked out for one tap at a time, when somebody asks for it. Frequencies are hertz, times seconds; a ring time is that
of a fall by 60 dB, 3 ln(10) = 6.91 over the decay in 1/s; intervals hold 90 % and count the noise alone.

Modes that lie close together are told as one, as "double" or "triple": a shell's mode is split in two where its seam or
a weld disturbs it, and a mode that does not die away evenly is fitted with two; to a person either is one tone.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from taptest.sound.records import Mode, Tap

CONTACT_S = 0.002
"""Until then the striker still touches the shell."""
LEAST_S, MOST_S = 0.050, 0.500
"""Length of ring that the modes are looked for in."""
BEFORE_NEXT_S = 0.005
SHOWN = 5
FALL_60_DB = 3 * math.log(10)
NINETY = 1.645
"""Standard deviations to each side that hold 90 % of a normal distribution."""
NEARLY_ENDLESS_S = 30.0
"""No shell of a tank rings this long; such a mode is a hum."""
TWIN_SHARE = 0.015
"""Modes nearer to their neighbour than this share of their frequency are told as one: own judgement, no source."""
FAINT_SHARE = 0.03
"""A twin with less than this share of their energy is not told."""
MULTIPLE = {2: "double", 3: "triple"}


@dataclass(frozen=True, slots=True)
class Rings:
    """What a tap rings at: a line each of the strongest modes, or why there is none."""

    lines: tuple[str, ...]
    sentence: str = ""


def rings_of(path: Path, tap: "Tap") -> Rings:
    """Find what a tap of a recording rings at, the strongest first. Raises `RecordingError`."""
    from taptest.sound.modes import find_modes
    from taptest.sound.recording import open_recording

    length_s = min(tap.free_s - CONTACT_S - BEFORE_NEXT_S, MOST_S)
    if length_s < LEAST_S:
        return Rings(
            (), "The tap is cut off by the next one or by the end of the recording, so its ringing can't be measured."
        )
    recording = open_recording(path)
    rate = recording.rate_hz
    ring = recording.stretches([round((tap.onset_s + CONTACT_S) * rate)], round(length_s * rate))[0]
    modes = strongest(find_modes(ring, rate))
    if not modes:
        return Rings((), "No ringing can be heard above the noise.")
    return Rings(tuple(words_of_twins(twins) for twins in modes))


def strongest(modes: "Sequence[Mode]") -> "list[tuple[Mode, ...]]":
    """Return the modes of most energy, the strongest first, twins together; hum that does not die away is left out.

    Twins stand in order of frequency, without those that are faint beside the others.
    """
    dying = sorted(
        (mode for mode in modes if FALL_60_DB / mode.decay_1_s < NEARLY_ENDLESS_S), key=lambda mode: mode.frequency_hz
    )
    groups: list[list[Mode]] = []
    for mode in dying:
        if groups and mode.frequency_hz < groups[-1][-1].frequency_hz * (1 + TWIN_SHARE):
            groups[-1].append(mode)
        else:
            groups.append([mode])
    groups.sort(key=lambda group: -sum(map(_energy, group)))
    return [
        tuple(mode for mode in group if _energy(mode) >= FAINT_SHARE * sum(map(_energy, group)))
        for group in groups[:SHOWN]
    ]


def _energy(mode: "Mode") -> float:
    """Energy of a mode, A^2 / (4 decay)."""
    return float(mode.amplitude**2 / (4 * mode.decay_1_s))


def words_of_twins(twins: "Sequence[Mode]") -> str:
    """Say what modes that lie close together ring at, and for how long the longest of them."""
    if len(twins) == 1:
        return words_of(twins[0])
    tones = [_frequency(mode) for mode in twins]
    listed = f"{', '.join(tones[:-1])} and {tones[-1]} Hz"
    most = "longer" if len(twins) == 2 else "longest"
    return f"{MULTIPLE.get(len(twins), 'several')}: {listed}, the {most} {_time(min(twins, key=lambda m: m.decay_1_s))}"


def words_of(mode: "Mode") -> str:
    """Say what a mode rings at and for how long: "812.0 ± 0.3 Hz for 0.31 s (0.28 to 0.34 s)"."""
    return f"{_frequency(mode)} Hz {_time(mode)}"


def _frequency(mode: "Mode") -> str:
    half = NINETY * mode.frequency_sd_hz
    digits = min(max(math.ceil(-math.log10(max(2 * half, 1e-9))), 0), 2)
    off = max(half, 0.5 * 10**-digits)
    return f"{mode.frequency_hz:.{digits}f} ± {math.ceil(off * 10**digits) / 10**digits:.{digits}f}"


def _time(mode: "Mode") -> str:
    slow, quick = mode.decay_1_s - NINETY * mode.decay_sd_1_s, mode.decay_1_s + NINETY * mode.decay_sd_1_s
    shortest = FALL_60_DB / quick
    if slow <= FALL_60_DB / NEARLY_ENDLESS_S:
        return f"for {shortest:.2f} s at least"
    longest = FALL_60_DB / slow
    places = min(max(math.ceil(-math.log10(max((longest - shortest) / 4, 1e-9))), 2), 4)
    # Both ends are rounded outwards, so that what is shown holds at least what was found.
    unit = 10.0**-places
    low, high = math.floor(shortest / unit) * unit, math.ceil(longest / unit) * unit
    return f"for {FALL_60_DB / mode.decay_1_s:.{places}f} s ({low:.{places}f} to {high:.{places}f} s)"

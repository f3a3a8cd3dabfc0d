"""Whether a line's taps are good enough to be read, and what to mind where they are: sentences on the taps alone.

Shapes: P points, B bands.
"""

from collections.abc import Sequence

import numpy as np

from taptest.line.drift import reference_drift
from taptest.line.matched import FEWEST_POINTS
from taptest.line.records import Point, Profile, Unreadable
from taptest.quantities import percent
from taptest.sound.traits import BAND_HZ

HIDDEN_SHARE = 0.6
"""Share of hidden bands beyond which the line is too weak to read."""
LOUDER = "tap harder, move the microphone nearer, or switch off what makes the noise"
FEW_NOTE = 8
"""Fewer points than this are said to be few."""
DEEP_HZ, CLEAR_HZ = (400.0, 1250.0), (1900.0, 4100.0)
"""Bands that any blow excites, and those that only a hard striker does: a soft one stays on the wall for a millisecond
and more, and a pulse carries little beyond one over its length (Hertz contact, see `simulate.strike`)."""
HEARD_DEEP, HEARD_CLEAR = 0.7, 0.3
"""A striker is soft where at least that share of the deep bands is heard and at most that share of the clear ones."""
SOFT = Unreadable(
    "the striker is too soft to be heard from 2 to 4 kHz, where water and air differ most, or the recorder takes high "
    "tones for noise",
    "tap with a small hard thing, such as a steel rod or a coin, and switch noise suppression off",
)


def too_poor(profile: Profile, points: Sequence[Point]) -> Unreadable | None:
    """Say why a profile of these points cannot be read at all, and what to do; None where it can."""
    count = profile.depth_m.size
    if count < FEWEST_POINTS:
        silent = len(points) >= FEWEST_POINTS
        of, carry = (f" of {len(points)}" if silent else "", "carries" if count == 1 else "carry")
        what = "points" if silent or count != 1 else "point"
        return Unreadable(
            f"only {count}{of} {what} {carry} usable taps, and at least {FEWEST_POINTS} are needed",
            LOUDER if silent else "tap more points",
        )
    hidden = 1.0 - float(np.isfinite(profile.level_db).mean())
    if hidden <= HIDDEN_SHARE:
        return None
    if _soft(profile):
        return SOFT
    return Unreadable(f"the noise hides {percent(hidden)} of what the taps should tell", LOUDER)


def _soft(profile: Profile) -> bool:
    """Whether the deep bands are heard and the clear ones are not."""
    heard = np.isfinite(profile.level_db).mean(axis=0)
    deep, clear = (float(heard[(low <= BAND_HZ) & (high >= BAND_HZ)].mean()) for low, high in (DEEP_HZ, CLEAR_HZ))
    return deep >= HEARD_DEEP and clear <= HEARD_CLEAR


def striker_caution(profile: Profile) -> list[str]:
    """Say of a line that can be read where its striker is too soft; nothing where it is not."""
    return [SOFT.sentence] if _soft(profile) else []


def cautions(profile: Profile, points: Sequence[Point], reference: Sequence[Point]) -> list[str]:
    """Sentences on the line's own quality."""
    said: list[str] = []
    drift = reference_drift(reference)
    if drift:
        said.append(drift)
    silent = sum(1 for point in points if not point.traits)
    if silent:
        has, was = ("has", "was") if silent == 1 else ("have", "were")
        said.append(f"{silent} of {len(points)} points {has} no usable tap and {was} left out.")
    if FEWEST_POINTS <= profile.depth_m.size < FEW_NOTE:
        said.append(f"{profile.depth_m.size} points are few: eight or more make the answer surer.")
    doubtful = int(profile.doubtful.sum())
    if doubtful:
        at, them = ("1 point", "it") if doubtful == 1 else (f"{doubtful} points", "them")
        said.append(f"At {at} it is doubtful which taps belong to {them}.")
    return said

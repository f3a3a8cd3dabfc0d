"""Whether a line's taps are good enough to be read, and what to mind where they are: statements on the taps alone.

Shapes: P points, B bands.
"""

from collections.abc import Sequence

import numpy as np

from taptest.line.drift import reference_drift
from taptest.line.matched import FEWEST_POINTS
from taptest.line.records import Point, Profile, Unreadable
from taptest.line.remarks import LineRemark, Remedy, Unread
from taptest.sound.traits import BAND_HZ
from taptest.statements import Statement

HIDDEN_SHARE = 0.6
"""Share of hidden bands beyond which the line is too weak to read."""
LOUDER = Statement(Remedy.LOUDER)
FEW_NOTE = 8
"""With fewer points than this the reading says that more would help."""
DEEP_HZ, CLEAR_HZ = (400.0, 1250.0), (1900.0, 4100.0)
"""Bands that any blow excites, and those that only a hard striker does: a soft one stays on the wall for a millisecond
and more, and a pulse carries little beyond one over its length (Hertz contact, see `simulate.strike`)."""
HEARD_DEEP, HEARD_CLEAR = 0.7, 0.3
"""A striker is soft where at least that share of the deep bands is heard and at most that share of the clear ones."""
SOFT = Unreadable(Statement(Unread.SOFT_STRIKER), Statement(Remedy.HARD_STRIKER))


def too_poor(profile: Profile, points: Sequence[Point]) -> Unreadable | None:
    """Say why a profile of these points cannot be read at all, and what to do; None where it can."""
    count = profile.depth_m.size
    if count < FEWEST_POINTS:
        needed = {"count": count, "least": FEWEST_POINTS}
        if len(points) >= FEWEST_POINTS:
            return Unreadable(Statement(Unread.FEW_USABLE, {**needed, "points": len(points)}), LOUDER)
        return Unreadable(Statement(Unread.FEW_POINTS, needed), Statement(Remedy.MORE_POINTS))
    hidden = 1.0 - float(np.isfinite(profile.level_db).mean())
    if hidden <= HIDDEN_SHARE:
        return None
    if _soft(profile):
        return SOFT
    return Unreadable(Statement(Unread.NOISE, {"hidden_share": hidden}), LOUDER)


def _soft(profile: Profile) -> bool:
    """Whether the deep bands are heard and the clear ones are not."""
    heard = np.isfinite(profile.level_db).mean(axis=0)
    deep, clear = (float(heard[(low <= BAND_HZ) & (high >= BAND_HZ)].mean()) for low, high in (DEEP_HZ, CLEAR_HZ))
    return deep >= HEARD_DEEP and clear <= HEARD_CLEAR


def striker_caution(profile: Profile) -> list[Statement]:
    """Say of a line that can be read where its striker is too soft; nothing where it is not."""
    return [SOFT.sentence] if _soft(profile) else []


def cautions(profile: Profile, points: Sequence[Point], reference: Sequence[Point]) -> list[Statement]:
    """Tell of the line's own quality."""
    drift = reference_drift(reference)
    said = [] if drift is None else [drift]
    silent = sum(1 for point in points if not point.traits)
    if silent:
        said.append(Statement(LineRemark.POINTS_LEFT_OUT, {"count": silent, "points": len(points)}))
    if FEWEST_POINTS <= profile.depth_m.size < FEW_NOTE:
        said.append(Statement(LineRemark.FEW_POINTS, {"count": profile.depth_m.size}))
    doubtful = int(profile.doubtful.sum())
    if doubtful:
        said.append(Statement(LineRemark.DOUBTFUL_POINTS, {"count": doubtful}))
    return said

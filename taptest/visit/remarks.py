"""What is to be said of one point of the line and of one mark at many pressures: statements for `taptest.words`."""

from collections import Counter
from collections.abc import Sequence

from taptest.sound.records import Tap, WhyNot
from taptest.statements import Key, Statement


class PointRemark(Key):
    """Why a point is in doubt or has no usable tap."""

    USELESS_RECORDING = "point.useless recording", "sentence"
    NO_TAP = "point.no tap"
    NO_USABLE_TAP = "point.no usable tap", "rejected"
    DOUBTFUL = "point.doubtful"


class Rejected(Key):
    """How many taps were rejected for one reason."""

    DOUBLE_HIT = "rejected.double hit", "count"
    CLIPPED = "rejected.clipped", "count"
    TOO_WEAK = "rejected.too weak", "count"
    CUT_OFF = "rejected.cut off", "count"
    OVERLAPS = "rejected.overlaps", "count"
    NOISE_BURST = "rejected.noise burst", "count"
    NOT_THIS_STRIKER = "rejected.not this striker", "count"
    TOO_REGULAR = "rejected.too regular", "count"
    BY_HAND = "rejected.by hand", "count"


class RoundRemark(Key):
    """What was done in a round."""

    ONSET = "round.onset", "name", "mark_m", "first_pa", "last_pa", "readings", "count"


REJECTED: dict[WhyNot, Rejected] = {
    "double hit": Rejected.DOUBLE_HIT,
    "clipped": Rejected.CLIPPED,
    "too weak": Rejected.TOO_WEAK,
    "cut off": Rejected.CUT_OFF,
    "ring overlaps the next tap": Rejected.OVERLAPS,
    "noise burst": Rejected.NOISE_BURST,
    "not this striker": Rejected.NOT_THIS_STRIKER,
    "too regular": Rejected.TOO_REGULAR,
    "refused by hand": Rejected.BY_HAND,
}


def rejected_taps(taps: Sequence[Tap]) -> tuple[Statement, ...]:
    """Count the rejected taps by reason, the commonest first."""
    reasons = Counter(tap.why_not for tap in taps if tap.why_not is not None)
    return tuple(Statement(REJECTED[reason], {"count": count}) for reason, count in reasons.most_common())


def remark_on_point(taps: Sequence[Tap], trouble: str, doubtful: bool) -> Statement | None:
    """Say why a point has no usable tap, or is in doubt; None where all is well.

    `taps` are all hits that belong to the point; `trouble` is why its recording cannot be used, "" where it can.
    """
    if trouble:
        return Statement(PointRemark.USELESS_RECORDING, {"sentence": trouble})
    if not taps:
        return Statement(PointRemark.NO_TAP)
    if not any(tap.used for tap in taps):
        return Statement(PointRemark.NO_USABLE_TAP, {"rejected": rejected_taps(taps)})
    return Statement(PointRemark.DOUBTFUL) if doubtful else None


def onset_round_said(name: str, mark_m: float, shown_pa: Sequence[float], taps: int) -> Statement:
    """Say which mark was tapped at which pressures (gauge, in order of time), and how often in all."""
    values = {"mark_m": mark_m, "first_pa": shown_pa[0], "last_pa": shown_pa[-1], "readings": len(shown_pa)}
    return Statement(RoundRemark.ONSET, {"name": name, "count": taps, **values})

"""What is to be said of a visit's points and of how it was read: statements for `taptest.words`."""

from collections import Counter
from collections.abc import Sequence
from statistics import median

from taptest.sound.records import Tap
from taptest.sound.remarks import WhyNot
from taptest.sound.taps import WEAK_DB
from taptest.statements import Key, Statement, Value


class PointRemark(Key):
    """Why a point is in doubt or has no usable tap."""

    USELESS_RECORDING = "point.useless recording", "sentence"
    NO_TAP = "point.no tap"
    NO_USABLE_TAP = "point.no usable tap", "rejected"
    DOUBTFUL = "point.doubtful"


class ByHand(Key):
    """What was decided by hand about a tap; `why` is what was typed."""

    REFUSED = "by hand.refused", "onset_s", "name", "why"
    USED = "by hand.used", "onset_s", "name", "why"
    NO_SUCH_TAP = "by hand.no such tap", "onset_s", "name"


class ModelRemark(Key):
    """What is to be known of the model of the tank's shell."""

    TAKES_TOO_LONG = "model.takes too long", "diameter_m", "wall_m", "minutes"
    NOT_KEPT = "model.not kept", "sentence"


class VisitRemark(Key):
    """What is to be known of a visit's document and of what was kept of it."""

    DRAIN_NOT_USED = "visit.drain not used", "missing"
    FINDING_NOT_KEPT = "visit.finding not kept", "sentence"
    ADD_A_MARK = "visit.add a mark", "depth_m", "count"
    FILES_LEFT_OUT = "visit.files left out", "names"
    MORE_FILES_LEFT_OUT = "visit.more files left out", "names", "count"
    TAPPED_UPWARDS = "visit.tapped upwards", "table"
    TAPPED_UNORDERED = "visit.tapped unordered", "table"
    LISTED_UPWARDS = "visit.listed upwards", "table"
    LISTED_UNORDERED = "visit.listed unordered", "table"
    EARLIER_KEPT = "visit.earlier kept", "place"


class HistoryRemark(Key):
    """What could not be done of a tank's history, and why."""

    LEFT_OUT = "history.left out", "folder", "sentence"
    NO_DATE = "history.no date", "folder"
    NO_FINDING = "history.no finding", "folder", "sentence"
    NO_ESTIMATE = "history.no estimate"
    NO_TREND = "history.no trend"
    LOSS_UNKNOWN = "history.loss unknown"
    MARGIN_LACKS = "history.margin lacks", "missing"
    NO_MARGIN = "history.no margin", "sentence"


class Lacking(Key):
    """What has to be known to tell when the relief margin is gone, as parts of a list."""

    SYSTEM_VOLUME = "lacking.system volume"
    HIGHEST_TEMPERATURE = "lacking.highest temperature"
    RELIEF_SETTING = "lacking.relief setting"
    COLD_PRESSURE = "lacking.cold pressure"


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
    LOST_IN_NOISE = "round.lost in noise", "count", "points", "needed_db", "heard_db"
    NOTHING_BUT_NOISE = "round.nothing but noise", "count", "points", "needed_db"


LOST_SHARE = 0.25
"""From this share of points on whose taps are lost in the noise, that is said with its decibels."""
LOST_TAPS = (RoundRemark.LOST_IN_NOISE, RoundRemark.NOTHING_BUT_NOISE)
LOST: tuple[WhyNot | None, ...] = (WhyNot.TOO_WEAK, WhyNot.NOISE_BURST)
"""Why a tap is refused where noise is all that ails it."""
REJECTED: dict[WhyNot, Rejected] = {
    WhyNot.DOUBLE_HIT: Rejected.DOUBLE_HIT,
    WhyNot.CLIPPED: Rejected.CLIPPED,
    WhyNot.TOO_WEAK: Rejected.TOO_WEAK,
    WhyNot.CUT_OFF: Rejected.CUT_OFF,
    WhyNot.OVERLAPS: Rejected.OVERLAPS,
    WhyNot.NOISE_BURST: Rejected.NOISE_BURST,
    WhyNot.NOT_THIS_STRIKER: Rejected.NOT_THIS_STRIKER,
    WhyNot.TOO_REGULAR: Rejected.TOO_REGULAR,
    WhyNot.BY_HAND: Rejected.BY_HAND,
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


def lost_in_noise(points: Sequence[Sequence[Tap]]) -> Statement | None:
    """Say by how much the taps, given point by point, fall short of the noise; None where they hardly do.

    `heard_db` is the median of what taps stood above the noise, used ones and those that are too weak.
    """
    lost = sum(all(tap.why_not in LOST for tap in taps) for taps in points)
    if lost < max(LOST_SHARE * len(points), 2):
        return None
    values: dict[str, Value] = {"count": lost, "points": len(points), "needed_db": WEAK_DB}
    heard = [tap.tap_to_noise_db for taps in points for tap in taps if tap.used or tap.why_not is WhyNot.TOO_WEAK]
    if not heard:
        return Statement(RoundRemark.NOTHING_BUT_NOISE, values)
    return Statement(RoundRemark.LOST_IN_NOISE, values | {"heard_db": median(heard)})


def onset_round_said(name: str, mark_m: float, shown_pa: Sequence[float], taps: int) -> Statement:
    """Say which mark was tapped at which pressures (gauge, in order of time), and how often in all."""
    values = {"mark_m": mark_m, "first_pa": shown_pa[0], "last_pa": shown_pa[-1], "readings": len(shown_pa)}
    return Statement(RoundRemark.ONSET, {"name": name, "count": taps, **values})

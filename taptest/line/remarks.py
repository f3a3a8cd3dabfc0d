"""What is to be said of a line: statements for `taptest.words`."""

from taptest.statements import Key


class LineRemark(Key):
    """Why no state is named, what one boundary cannot explain, and what to mind of the taps; whole sentences."""

    UNLIKE_MODEL = "line.unlike model"
    NOT_ONE_BOUNDARY = "line.not one boundary"
    RINGS_ALL_OVER = "line.rings all over"
    NOT_PLACED = "line.not placed"
    LEFT_OPEN = "line.left open", "boundary_share", "air_share", "water_share"
    NO_CONTRAST = "line.no contrast"
    NO_CONTRAST_WITH_MODEL = "line.no contrast with model", "air_share", "water_share"
    INVERTED = "line.inverted", "inverted_share"
    TWO_BOUNDARIES = "line.two boundaries", "two_share"
    REFERENCE_CHANGED = "line.reference changed", "changed_db"
    REFERENCE_LOUDNESS = "line.reference loudness", "changed_db"
    POINTS_LEFT_OUT = "line.points left out", "count", "points"
    FEW_POINTS = "line.few points", "count"
    DOUBTFUL_POINTS = "line.doubtful points", "count"


class FirstAnswer(Key):
    """What the two ends of a line say before the line is tapped; whole sentences."""

    DIFFER = "first answer.differ", "wrong", "of"
    BOTH_RING = "first answer.both ring", "wrong", "of"
    BAG_RINGS = "first answer.bag rings", "wrong", "of"
    BOTH_DULL = "first answer.both dull", "wrong", "of"
    OPEN = "first answer.open"
    NO_MODEL = "first answer.no model"


class Unread(Key):
    """Why taps cannot be read: clauses without a capital and a full stop."""

    FEW_POINTS = "unread.few points", "count", "least"
    FEW_USABLE = "unread.few usable", "count", "points", "least"
    NOISE = "unread.noise", "hidden_share"
    SOFT_STRIKER = "unread.soft striker"
    CLIPPED = "unread.clipped", "count", "taps"
    ALL_REJECTED = "unread.all rejected", "count", "rejected"


class Remedy(Key):
    """What to do about taps that cannot be read: clauses in the imperative without a capital and a full stop."""

    MORE_POINTS = "remedy.more points"
    LOUDER = "remedy.louder"
    HARD_STRIKER = "remedy.hard striker"
    LESS_LEVEL = "remedy.less level"
    CLEANER = "remedy.cleaner"


class Reading(Key):
    """How such clauses make sentences."""

    WHY_AND_REMEDY = "reading.why and remedy", "why", "remedy"
    WHY = "reading.why", "why"
    STEP = "reading.step", "remedy"

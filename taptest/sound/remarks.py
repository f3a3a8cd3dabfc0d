"""What is to be said of taps and recordings: statements for `taptest.words`."""

from taptest.statements import Key


class WhyNot(Key):
    """Why a tap was not used: the first six are found by the detector, the next two by comparing the hits of a visit.

    Clauses; in the JSON of a judged visit they stand as they are here.
    """

    DOUBLE_HIT = "double hit"
    CLIPPED = "clipped"
    TOO_WEAK = "too weak"
    CUT_OFF = "cut off"
    OVERLAPS = "ring overlaps the next tap"
    NOISE_BURST = "noise burst"
    NOT_THIS_STRIKER = "not this striker"
    TOO_REGULAR = "too regular"
    BY_HAND = "refused by hand"


class WalkRemark(Key):
    """What is unsure of how the taps of a walk belong to its points; points are counted from 1."""

    OTHER_COUNT = "walk.other count", "point", "count", "wanted"
    DOUBTFUL_POINT = "walk.doubtful point", "points"
    DOUBTFUL_POINTS = "walk.doubtful points", "points"


class PointSpan(Key):
    """One point, or several that follow each other, as a part of a list."""

    ONE = "points.one", "point"
    SEVERAL = "points.several", "first", "last"


class RecordingRemark(Key):
    """What is to be known of how a recording was read; `name` is that of its file."""

    ENDS_EARLY = "recording.ends early", "name", "promised_s", "read_s"
    BYTES_MISSING = "recording.bytes missing", "name", "there", "promised"
    NOT_CLOSED = "recording.not closed", "name"
    LOUDEST_CHANNEL = "recording.loudest channel", "name", "channels", "channel"
    UNCLIPPED_CHANNEL = "recording.unclipped channel", "name", "channels", "channel"
    SAME_WITH_OTHERS = "recording.same with others", "first", "count"


class Processing(Key):
    """What was done to the sound before it was stored."""

    GAIN = "processing.gain"
    GATE = "processing.gate"
    SUPPRESSED = "processing.suppressed"
    NARROW = "processing.narrow", "top_hz"

"""What the terminal, the page and the desk say of a judged visit besides its finding: keys for `taptest.words`."""

from taptest.statements import Key


class FindingText(Key):
    """Headings, names and lines of the finding as the terminal shows it."""

    NO_NAME = "text.no name"
    SIMULATED = "text.simulated", "title"
    DANGER = "text.danger"
    CHECK_FIRST = "text.check first"
    CONFIDENCE = "text.confidence", "confidence"
    ROUNDS = "text.rounds"
    WHY = "text.why"
    CAUSES = "text.causes"
    NEXT = "text.next"
    NEXT_IS = "text.next is", "check"
    CHECKS = "text.checks"
    NOT_CHECKED = "text.not checked"
    POINTS = "text.points"
    CAUTION = "text.caution"
    TAPS = "text.taps", "count"
    TAPS_REJECTED = "text.taps rejected", "taps", "rejected"
    WATER = "text.water", "water_share"


class Sure(Key):
    """How sure a finding is: one word."""

    HIGH = "sure.high"
    FAIR = "sure.fair"
    LOW = "sure.low"


class CauseText(Key):
    """The possible causes and what speaks for them."""

    NAMES = "cause.names", "causes"
    IF_IT_OPENS = "cause.if it opens", "causes"
    WEIGHED = "cause.weighed", "cause", "weight_share"
    FOR_THESE = "cause.for these", "causes", "because"
    NO_OTHER = "cause.no other", "causes"
    NONE_YET = "cause.none yet", "causes"


class RowName(Key):
    """Names of the figures of a visit."""

    BOUNDARY = "row.boundary"
    EXPECTED = "row.expected"
    WATER_HELD = "row.water held"
    PRE_CHARGE = "row.pre-charge"
    AIR_CHARGE = "row.air charge"
    WHEN_HOT = "row.when hot"


class Figure(Key):
    """The figures of a visit: parts of a line."""

    DEPTH = "figure.depth", "median_m", "ends_m"
    VOLUME = "figure.volume", "median_m3", "ends_m3"
    PRESSURE = "figure.pressure", "median_pa", "ends_pa"
    NO_WATER = "figure.no water"
    BELOW_TOP = "figure.below top", "depth"
    INVERTED = "figure.inverted", "depth"
    SOMEWHERE = "figure.somewhere", "ends_m"
    ALL_AIR = "figure.all air"
    ALL_WATER = "figure.all water"
    RINGS_ALL_OVER = "figure.rings all over"
    UNKNOWN = "figure.unknown"
    HARDLY_ANY = "figure.hardly any"
    AT_LEAST_ABOUT = "figure.at least about", "low_pa"
    AT_MOST_ABOUT = "figure.at most about", "high_pa"
    BY_LEVEL = "figure.by level", "charge"
    FROM_OPEN_AIR = "figure.from open air", "charge"
    AT_LEAST = "figure.at least", "low_pa"
    FAR_ABOVE_RELIEF = "figure.far above relief"
    HOT = "figure.hot", "pressure", "relief"


class RoundText(Key):
    """One round of several."""

    AS_FOUND = "round.as found"
    AT_PRESSURE = "round.at pressure", "name", "pressure_pa"
    NOT_TAPPED = "round.not tapped"
    HEARD = "round.heard", "boundary"
    LINE = "round.line", "name", "heard"
    LINE_EXPECTED = "round.line expected", "name", "heard", "expected"
    BY_ITSELF = "round.by itself", "name", "finding"


class TrendText(Key):
    """A tank's history: its visits, the trend and when the relief margin is gone."""

    LEVELS_AT_FILL = "trend.levels at fill", "pressure_pa"
    LEVELS_AT_COLD = "trend.levels at cold", "pressure_pa"
    LEVELS_AT_USUAL = "trend.levels at usual", "pressure_pa"
    NONE_YET = "trend.none yet"
    NO_TREND = "trend.no trend"
    CHARGE_NOW = "trend.charge now", "day", "charge"
    OTHER_TANKS = "trend.other tanks", "count"
    LOSS_UNKNOWN = "trend.loss unknown"
    NO_CERTAIN_LOSS = "trend.no certain loss", "gained_pa", "lost_pa", "losing_share"
    LOSES = "trend.loses", "loss"
    AT_LEAST = "trend.at least", "low_pa"
    AT_MOST = "trend.at most", "high_pa"
    BELOW_CHARGE = "trend.below charge", "charge_pa"
    ONCE_EMPTY = "trend.once empty"
    MARGIN_GONE = "trend.margin gone", "when"
    MARGIN_LASTS = "trend.margin lasts", "when", "years"
    NOT_BEFORE = "trend.not before", "when", "first", "years", "within_share"
    ABOUT = "trend.about", "when", "month", "first", "until"
    ABOUT_OR_GONE = "trend.about or gone", "when", "month", "first", "until", "gone_share"
    UNTIL = "trend.until", "last"
    UNTIL_LATER = "trend.until later", "years"
    NOT_DONE = "trend.not done"
    FOUND = "trend.found", "found"
    LEFT = "trend.left", "left"
    CHARGE = "trend.charge", "charge"
    BY_SOURCE = "trend.by source", "source", "charge"
    LEVEL = "trend.level", "depth_m"
    CHARGE_SET = "trend.charge set", "charge_pa"
    READING = "trend.reading", "pressure_pa"
    WARM_READING = "trend.warm reading", "pressure_pa", "water_c"
    NEARLY_GONE = "trend.nearly gone"

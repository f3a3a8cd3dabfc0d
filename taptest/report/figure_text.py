"""What stands in the figures: keys for `taptest.words`, and how a figure asks for their texts.

Values without a unit in their name are shown as they are given: `unit` as the user writes it, `at` and `span` a depth
with as many decimals as the figure's scale needs.
"""

from dataclasses import dataclass

from taptest.quantities import Units
from taptest.report.wording import LANGUAGE, Wording
from taptest.statements import Key, Statement, Value
from taptest.words.tell import tell


class FigureText(Key):
    """Labels, legends and titles of the figures."""

    NO_NAME = "label.no name"
    SIMULATED = "label.simulated"
    SIMULATED_BADGE = "label.simulated badge"
    NO_DATE = "label.no date"
    AS_FOUND = "label.as found", "readings"
    COLD = "label.cold"
    HOT = "label.hot"
    READ_PRESSURE = "label.read pressure", "pressure_pa"
    READ_WATER = "label.read water", "water_c"
    READ_PRECHARGE = "label.read pre-charge", "precharge_pa"
    READ_TANK = "label.read tank", "volume_m3"
    SECTION = "label.section"
    BELOW_TOP_OF_SHELL = "label.below the top of the shell", "unit"
    BELOW_TOP = "label.below the top", "unit"
    WATER = "label.water"
    AIR = "label.air"
    WET_WALL = "label.wet wall"
    RINGS = "label.rings all over"
    DULL = "label.dull all over"
    NOT_TOLD = "label.not told"
    FREQUENCY = "label.frequency"
    FREQUENCY_NARROW = "label.frequency narrow"
    NO_TAPS = "label.no taps"
    WATER_BEHIND = "label.water behind"
    POINT_WATER = "label.point water"
    POINT_AIR = "label.point air"
    POINT_UNSURE = "label.point unsure"
    POINT_NO_TAP = "label.point no tap"
    BOUNDARY = "label.boundary"
    BOUNDARY_AT = "label.boundary at", "at"
    BOUNDARY_WITHIN = "label.boundary within", "at", "span"
    INVERTED_AT = "label.inverted at", "at"
    INVERTED_WITHIN = "label.inverted within", "at", "span"
    NO_BOUNDARY_AIR = "label.no boundary air"
    NO_BOUNDARY_WATER = "label.no boundary water"
    NO_BOUNDARY_RINGS = "label.no boundary rings"
    NO_BOUNDARY = "label.no boundary"
    EXPECTED = "label.expected"
    EXPECTED_WITHIN = "label.expected within", "span"
    EXPECTED_NOT_KNOWN = "label.expected not known"
    EXPECTED_NO_WATER = "label.expected no water"
    PLAIN_FOUND = "label.plain found"
    PLAIN_AIR = "label.plain air"
    PLAIN_WATER = "label.plain water"
    PLAIN_NOT_FOUND = "label.plain not found"
    PLAIN_EXPECTED = "label.plain expected"
    PLAIN_EXPECTED_NONE = "label.plain expected none"
    PLAIN_EXPECTED_NOT_KNOWN = "label.plain expected not known"
    RUBBER = "label.rubber"
    INSIDE_NOT_HEARD = "label.inside not heard"
    POSSIBLE = "label.possible"
    FORECAST = "label.forecast"
    AS_READ = "label.as read"
    RELIEF = "label.relief"
    TEMPERATURE = "label.temperature", "unit"
    PRESSURE = "label.pressure", "unit"
    UP_TO = "label.up to", "hottest_c"
    UP_TO_RELIEF = "label.up to relief", "hottest_c", "outlook"
    FOUND_BY_TAPS = "label.found by taps"
    EXPECTED_LINE = "label.expected line"
    ROUNDS_TITLE = "label.rounds title"
    LIKENESS = "label.likeness"
    LIKENESS_TITLE = "label.likeness title"
    CHARGE = "label.charge", "unit"
    TREND = "label.trend"
    BY_TAPS = "label.by taps"
    BOUND = "label.bound"
    BY_OTHERS = "label.by others"
    AS_LEFT = "label.as left"
    MARGIN_GONE = "label.margin gone"
    NO_CHARGE = "label.no charge"
    LEVEL_AT = "label.level at", "pressure_pa", "unit"


@dataclass(frozen=True, slots=True)
class Labels:
    """Texts of a figure in one user's units and words."""

    units: Units
    wording: Wording

    def __call__(self, key: FigureText, **values: Value) -> str:
        """Return the text of a key with its values."""
        return tell(Statement(key, values), self.units, LANGUAGE[self.wording])

"""Keys of what a finding is told by besides its own sentence: reasons, what was not checked, steps, and their parts.

Values are SI; a name in the plural holds both ends of a span. A key whose docstring calls it a part has a text that
stands inside another one and so begins small and has no full stop.
"""

from taptest.statements import Key


class Why(Key):
    """Why the taps cannot tell, or what a failed membrane shows itself by: a part."""

    OPEN_TANK = "why.open tank"
    WATER_AT_VALVE = "why.water at the air valve"
    LEVEL_ON_LYING_TANK = "why.level on a lying tank"
    TWO_BOUNDARIES = "why.two boundaries"
    LYING_TANK = "why.lying tank"
    INVERTED = "why.inverted"
    INVERTED_NO_LEVEL = "why.inverted, no level"
    INVERTED_OR_PIPE = "why.inverted, or the pipe"
    LIKELIEST_TOGETHER = "why.likeliest together", "picture"
    UNLIKE_ANYTHING = "why.unlike anything"
    NO_PRESSURE_READ = "why.no pressure read"
    NO_PRESSURE = "why.no pressure"
    NO_PRESSURE_PLAIN = "why.no pressure, plain tank"
    NO_REFERENCE = "why.no reference"
    AIR_CONTRADICTS = "why.air contradicts"
    END_NOT_SHOWN = "why.end not shown"
    END_NOT_SHOWN_BAG = "why.end not shown, bag"
    UNREADABLE = "why.unreadable", "taps"
    SHUT_OFF = "why.shut off"
    BUT = "why.right place, but", "seen"
    NOT_FULL = "why.not full"
    UNDER_CHARGE = "why.under the charge"
    BAG_RINGS = "why.bag rings"
    HEAVY_BAG_RINGS = "why.heavy bag rings"
    RINGS_EITHER_WAY = "why.rings either way"
    OPEN_BETWEEN = "why.open between", "first", "first_share", "second", "second_share"
    DANGER_FIRST = "why.danger first"
    ENTRY_FIRST = "why.entry first"


class Contradiction(Key):
    """What was seen that forbids calling a tank fine: a part."""

    HEAVY = "seen.heavy"
    FAR_ABOVE_FORECAST = "seen.far above the forecast"
    LEVEL_STAYS = "seen.level stays"
    GAUGES_DISAGREE = "seen.gauges disagree"
    GAUGE_NOT_ZERO = "seen.gauge not zero"


class Level(Key):
    """Where the water ends by the taps: a part."""

    RINGS = "level.rings all over"
    DULL = "level.dull all over"
    NOT_FOUND = "level.not found"
    AT = "level.at", "depth_m"
    BETWEEN = "level.between", "ends_m"
    AT_MOST_DOWN = "level.at most down to", "depth_m"
    AT_LEAST_DOWN = "level.at least down to", "depth_m"
    AT_MOST_UP = "level.at most up to", "depth_m"
    AT_LEAST_UP = "level.at least up to", "depth_m"
    INVERTED = "level.inverted", "depth_m"
    RING = "level.ring", "wet_m"
    GAS_RING = "level.gas ring", "depth_m"


class Should(Key):
    """Where the water should end: a part."""

    END = "should.end", "ends_m"
    BE_NONE = "should.be none"
    BE_NONE_AT = "should.be none at", "pressure_pa"


class Charge(Key):
    """The pre-charge that is compared with: a part."""

    STATED = "charge.stated", "charge_pa"
    NEEDED = "charge.needed", "charge_pa"
    FILL = "charge.fill pressure", "charge_pa"
    OPEN_AIR = "charge.open air"
    UNKNOWN = "charge.unknown"


class Amount(Key):
    """The pre-charge that the level speaks for: a part."""

    AT_LEAST = "amount.at least", "charge_pa"
    AT_MOST = "amount.at most", "charge_pa"
    WITHIN = "amount.within", "charge_pa", "ends_pa"
    ABOVE_OPEN_AIR = "amount.above open air", "charge_pa", "ends_pa"
    NEARLY_NOTHING = "amount.nearly nothing", "most_pa"
    ZERO = "amount.zero"


class FoundCharge(Key):
    """What the level says of the pre-charge: a part."""

    IS = "found.is", "amount"
    NO_FIGURE = "found.no figure"


class HotPressure(Key):
    """The forecast pressure: a part."""

    WITHIN = "hot.within", "ends_pa"
    AND_MORE = "hot.and more", "low_pa"
    AND_MORE_UNLESS = "hot.and more unless", "low_pa"
    TWICE_RELIEF = "hot.twice the relief setting"


class Hot(Key):
    """When the forecast pressure is reached, as the beginning of a sentence."""

    AT = "hot.at", "hot_c"
    AT_TOGETHER = "hot.at, together", "hot_c", "tanks", "tanks_m3"


class Reason(Key):
    """What the finding rests on, in whole sentences."""

    LEVEL = "reason.level", "level"
    LEVEL_WITHIN = "reason.level within", "level", "ends_m"
    BELOW_HEAD = "reason.below the head", "pressure_pa", "needed_pa"
    ABOVE_FILL = "reason.above the fill pressure", "pressure_pa", "fill_pa"
    SHOULD_HOLD = "reason.should hold", "pressure_pa", "charge", "ends_m3", "ends_share", "should"
    SHOULD_HOLD_NONE = "reason.should hold none", "pressure_pa", "charge"
    AIR_TEMPERATURE = "reason.air temperature assumed"
    CHARGE_TEMPERATURE = "reason.charge temperature assumed"
    CHARGE_BY_LEVEL = "reason.charge by the level", "amount"
    LOST_AIR = "reason.lost air", "lost_share", "ends_share", "lost_m3"
    CHARGE_NOT_STATED = "reason.charge not stated", "needed_pa"
    CHARGE_BELOW_NEED = "reason.charge below the need", "stated_pa", "needed_pa"
    UNDER_CHARGE = "reason.under the charge", "pressure_pa"
    AIR_TOGETHER = "reason.air together", "ways", "charge_pa", "ends_pa"
    RISEN = "reason.risen", "fill_pa", "ends_pa", "charge", "pressure_pa"
    FORECAST = "reason.forecast", "hot", "pressure"
    FORECAST_RELIEF = "reason.forecast with relief", "hot", "pressure", "relief_pa", "relief"
    UNSEEN = "reason.unseen", "ends_pa"
    UNSEEN_AIR = "reason.unseen, plain tank", "less_share", "more_share"
    OTHER_FINDINGS = "reason.other findings", "findings"
    CHANCE = "reason.chance", "name", "chance_share"


class Unchecked(Key):
    """What the finding leaves open, in whole sentences."""

    TOO_MUCH_AIR = "unchecked.too much air"
    LIGHT_BAG = "unchecked.light bag"
    LOOSE_BAG = "unchecked.loose bag"
    OTHER_TANK = "unchecked.other tank", "tank_m3", "charge_pa"
    SECOND_GAUGE = "unchecked.second gauge"
    RELIEF_VALVE = "unchecked.relief valve"
    FORECAST_UNKNOWN = "unchecked.forecast, not known", "missing"
    FORECAST_WATER = "unchecked.forecast, water"
    FORECAST_AIR = "unchecked.forecast, air"
    FORECAST_NO_PRESSURE = "unchecked.forecast, no pressure"
    FORECAST_NO_BASIS = "unchecked.forecast, no basis"
    RELIEF_SETTING = "unchecked.relief setting"
    CHARGE_UNKNOWN = "unchecked.charge unknown"
    CHARGE_NOT_MEASURED = "unchecked.charge not measured"


class Missing(Key):
    """What a forecast needs and nobody entered: a part."""

    SYSTEM_VOLUME = "missing.system volume"
    HIGHEST_TEMPERATURE = "missing.highest temperature"
    PRESSURE = "missing.pressure"


class Step(Key):
    """What to do next, in whole sentences."""

    STOP_HEATING = "step.stop heating", "step", "stop_pa"
    OPEN_TANK = "step.open tank"
    OPEN_FLOAT = "step.open tank, float"
    OPEN_FROST = "step.open tank, frost"
    OPEN_DEBRIS = "step.open tank, debris"
    ALONG_AIR_HALF = "step.along the air half"
    SECOND_LINE = "step.second line"
    ALONG_LYING_TANK = "step.along the lying tank"
    CHECK_ORDER = "step.check the order"
    CHECK_PIPE = "step.check the pipe"
    CHECK_TANK = "step.check the tank"
    READ_PRESSURE = "step.read the pressure"
    FILL_AND_TAP = "step.fill and tap"
    FILL_ABOVE_AND_TAP = "step.fill above and tap"
    NOTE_CHARGE = "step.note the charge"
    REPEAT_DRAIN = "step.repeat the drain"
    TAP_AGAIN = "step.tap again"
    SEE_VALVE_TAP_BOTH = "step.see the valve, tap both rounds"
    RECHARGE = "step.recharge", "right_pa"
    RECHARGE_AS_BEFORE = "step.recharge as before"
    LET_AIR_OUT = "step.let air out", "right_pa"
    DRAIN_PLAIN = "step.drain the plain tank"
    TAP_HOT = "step.tap hot"
    REPLACE = "step.replace"
    SEE_VALVE = "step.see the valve"
    READ_CHARGE = "step.read the charge"
    CHECK_SYSTEM = "step.check the system"
    WORK_OUT_SIZE = "step.work out the size"

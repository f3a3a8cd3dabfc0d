"""A finding in the past tense: what a tank was before work was done on it."""

from taptest.finding.keys import FoundCharge, Level, Should
from taptest.finding.wording import Told
from taptest.statements import Key, Said, Statement, Value


class Past(Key):
    """Findings and their parts as they were; each name is that of the key in the present tense."""

    AS_EXPECTED = "past.as expected", "level", "pressure_pa", "charge", "ends_m"
    AS_EXPECTED_RINGS = "past.as expected, rings", "level", "pressure_pa", "charge", "ends_m"
    AS_EXPECTED_DRY = "past.as expected, dry", "level", "pressure_pa", "charge"
    LOW_ON_AIR = "past.low on air", "level", "charge", "should", "found"
    LOW_FOR_SYSTEM = "past.low on air for the system", "charge", "head_pa", "needed_pa"
    WATERLOGGED = "past.waterlogged", "level"
    WATERLOGGED_SHOULD = "past.waterlogged, should hold", "level", "pressure_pa", "charge", "water_m3", "tank_m3"
    MORE_AIR = "past.more air than expected", "level", "pressure_pa", "charge", "water_m3"
    HIGH_FOR_SYSTEM = "past.more air than the system needs", "charge", "right_pa"
    TOO_SMALL = "past.too small", "hot_c", "hot_pa", "relief_pa"
    TOO_SMALL_TOGETHER = "past.too small together", "tanks", "tanks_m3", "hot_c", "hot_pa", "relief_pa"
    MEMBRANE_WATER = "past.membrane failed, water"
    MEMBRANE_HEARD = "past.membrane failed, heard"
    CANNOT_TELL = "past.cannot tell"
    NOTHING_AGAINST = "past.nothing against"
    NOTHING_YET = "past.nothing yet"


class PastPart(Key):
    """Parts of them: a part."""

    RINGS = "past.level rings all over"
    DULL = "past.level dull all over"
    NOT_FOUND = "past.level not found"
    AT = "past.level at", "depth_m"
    BETWEEN = "past.level between", "ends_m"
    AT_MOST_DOWN = "past.level at most down to", "depth_m"
    AT_LEAST_DOWN = "past.level at least down to", "depth_m"
    AT_MOST_UP = "past.level at most up to", "depth_m"
    AT_LEAST_UP = "past.level at least up to", "depth_m"
    INVERTED = "past.level inverted", "depth_m"
    RING = "past.level ring", "wet_m"
    GAS_RING = "past.level gas ring", "depth_m"
    END = "past.should end", "ends_m"
    BE_NONE = "past.should be none"
    BE_NONE_AT = "past.should be none at", "pressure_pa"
    IS = "past.found is", "amount"
    NO_FIGURE = "past.found no figure"


_PARTS = (*Level, *Should, *FoundCharge)
PAST: dict[Key, Key] = {key: Past[key.name] for key in Told} | {key: PastPart[key.name] for key in _PARTS}


def in_the_past(said: Said) -> Said:
    """Return what was said of a tank as it was; what has no past, such as an error's sentence, stays as it is."""
    if not isinstance(said, Statement) or said.key not in PAST:
        return said
    key = PAST[said.key]
    return Statement(key, {name: _value(said.values[name]) for name in key.needs})


def _value(value: Value) -> Value:
    return in_the_past(value) if isinstance(value, Statement) else value

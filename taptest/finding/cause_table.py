"""The table of causes of a relief valve that opens: how common each is, and how likely each answer is under each.

Three readable tables: `PRIORS` (one figure a cause), `TANK` (what is true of the tank under each cause) and `EVIDENCE`
(one row of likelihoods a cause and answer); docs/causes.md prints them. All figures are common practice or our own
judgement, no source. None is so small that one answer rules a cause out. Numbers without a unit are probabilities.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.finding.cause_keys import Fact, Get
from taptest.finding.records import FindingCode

FloatArray = NDArray[np.float64]

PRIORS: dict[str, float] = {
    "waterlogged tank": 0.17,
    "lost pre-charge": 0.18,
    "over-charged tank": 0.03,
    "tank too small": 0.09,
    "tank isolated or its line plugged": 0.03,
    "fill valve creeping": 0.08,
    "fill pressure set too high": 0.05,
    "leaking coil or plate": 0.04,
    "mains expansion through the fill": 0.03,
    "high-limit fault": 0.03,
    "dirt or wear at the relief valve's seat": 0.08,
    "gauge error": 0.03,
    "pump location": 0.02,
    "relief valve weak or of the wrong rating": 0.02,
    "check, zone or flow valve before the tank": 0.02,
    "kettling in the boiler": 0.02,
    "fill left open or connected": 0.02,
    "too little room under the relief setting": 0.02,
    "filled below the pre-charge": 0.01,
    "system extended or refilled": 0.03,
}
"""How common each cause is before anything is known: own judgement, no source."""


WRONG_ANSWER = 0.03
"""Probability that an answer is a slip and may be any: no answer alone rules a cause out. Own judgement, no source."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece of evidence: its answers, what they say, how to get it, and how likely each is under each cause."""

    name: str
    says: Mapping[str, Fact]
    """Answer -> what it says, a part of a "because"."""
    check: Get
    """What to do to get it."""
    minutes: float
    """Work it takes: own judgement."""
    usual: tuple[float, ...]
    """Likelihood of the answers under every cause that `under` does not name."""
    under: Mapping[str, tuple[float, ...]]
    risk_minutes: float = 0.0
    """What its danger is worth in minutes of work: heat, pressure, air let out; own judgement, no source."""
    of_the_valve: bool = False
    """Whether it is of the relief valve itself, so that a worn seat shows in it beside any other cause."""

    @property
    def answers(self) -> tuple[str, ...]:
        """The allowed answers, in the order of the likelihoods."""
        return tuple(self.says)

    @property
    def price(self) -> float:
        """Minutes of work with the danger counted in."""
        return self.minutes + self.risk_minutes

    def likelihoods(self) -> FloatArray:
        """(causes, answers) in the order of `PRIORS` and `answers`."""
        rows = np.array([self.under.get(cause, self.usual) for cause in PRIORS])
        return np.asarray((1 - WRONG_ANSWER) * rows + WRONG_ANSWER / rows.shape[1])


_WATERLOGGED, _LOST, _OVER, _SMALL, _ISOLATED, _CREEP, _FILL, _COIL, _MAINS, _LIMIT, *_OTHERS = PRIORS
_DIRT, _GAUGE, _PUMP, _WEAK, _BETWEEN, _KETTLING, _LEFT_OPEN, _NO_ROOM, _UNDER, _CHANGED = _OTHERS
"""The causes by short names."""

WORN_SEAT = _DIRT
"""The cause that comes on top of others: a valve that has lifted may not reseat."""

TANK_STATES: tuple[FindingCode, ...] = (
    "as expected",
    "low on air",
    "waterlogged",
    "more air than expected",
    "membrane failed",
)
"""What may be true of the tank, in the order of the rows of `TANK`; one too small has the right charge."""

USUAL_TANK = (0.79, 0.11, 0.03, 0.05, 0.02)
"""What is true of the tank where a cause has nothing to do with it; own judgement, no source."""

TANK: Mapping[str, tuple[float, ...]] = {
    _WATERLOGGED: (0.02, 0.12, 0.71, 0.01, 0.14),
    _LOST: (0.08, 0.82, 0.07, 0.01, 0.02),
    _OVER: (0.08, 0.02, 0.01, 0.87, 0.02),
    _ISOLATED: (0.30, 0.08, 0.04, 0.56, 0.02),
    _BETWEEN: (0.70, 0.10, 0.03, 0.15, 0.02),
    _UNDER: (0.60, 0.05, 0.02, 0.31, 0.02),
}
"""What is true of the tank under a cause, where that is not the usual; own judgement, no source."""

SOUND = ("sound when cold", "sound when hot")
"""What the taps say where somebody enters it by hand; a judged visit enters `TANK` by its probabilities instead."""

_SOUNDS = {
    "dull all over": Fact.SOUND_DULL_ALL_OVER,
    "more water than expected": Fact.SOUND_MORE_WATER_THAN_EXPECTED,
    "as expected": Fact.SOUND_AS_EXPECTED,
    "less water than expected": Fact.SOUND_LESS_WATER_THAN_EXPECTED,
    "inverted": Fact.SOUND_INVERTED,
}
_USUAL_SOUND = (0.03, 0.08, 0.83, 0.05, 0.01)
"""Probabilities of what the taps say where a cause does not touch the tank; own judgement, no source."""

EVIDENCE: tuple[Evidence, ...] = (
    Evidence(
        "drips",
        {
            "hot": Fact.DRIPS_HOT,
            "cold": Fact.DRIPS_COLD,
            "after topping up": Fact.DRIPS_AFTER_TOPPING_UP,
            "when the pump starts": Fact.DRIPS_WHEN_THE_PUMP_STARTS,
            "all the time": Fact.DRIPS_ALL_THE_TIME,
        },
        Get.DRIPS,
        1,
        (0.85, 0.02, 0.06, 0.02, 0.05),
        {
            _CREEP: (0.15, 0.35, 0.10, 0.02, 0.38),
            _FILL: (0.45, 0.12, 0.25, 0.03, 0.15),
            _COIL: (0.12, 0.38, 0.05, 0.02, 0.43),
            _MAINS: (0.20, 0.40, 0.05, 0.02, 0.33),
            _DIRT: (0.30, 0.15, 0.05, 0.02, 0.48),
            _GAUGE: (0.50, 0.10, 0.10, 0.05, 0.25),
            _PUMP: (0.25, 0.03, 0.04, 0.63, 0.05),
            _WEAK: (0.70, 0.06, 0.08, 0.02, 0.14),
            _LEFT_OPEN: (0.15, 0.22, 0.40, 0.02, 0.21),
            _NO_ROOM: (0.80, 0.04, 0.11, 0.02, 0.03),
            _CHANGED: (0.70, 0.04, 0.20, 0.02, 0.04),
        },
        of_the_valve=True,
    ),
    Evidence(
        "pressure rises",
        {
            "only with heat": Fact.PRESSURE_RISES_ONLY_WITH_HEAT,
            "heat off, fill open": Fact.PRESSURE_RISES_HEAT_OFF_FILL_OPEN,
            "heat off, fill closed": Fact.PRESSURE_RISES_HEAT_OFF_FILL_CLOSED,
            "not at all": Fact.PRESSURE_RISES_NOT_AT_ALL,
        },
        Get.PRESSURE_RISES,
        20,
        (0.93, 0.03, 0.01, 0.03),
        {
            _CREEP: (0.05, 0.88, 0.02, 0.05),
            _FILL: (0.60, 0.08, 0.02, 0.30),
            _COIL: (0.04, 0.06, 0.86, 0.04),
            _MAINS: (0.15, 0.75, 0.02, 0.08),
            _DIRT: (0.25, 0.03, 0.02, 0.70),
            _GAUGE: (0.30, 0.03, 0.02, 0.65),
            _PUMP: (0.30, 0.03, 0.02, 0.65),
            _LEFT_OPEN: (0.05, 0.85, 0.02, 0.08),
            _WEAK: (0.70, 0.03, 0.02, 0.25),
        },
    ),
    Evidence(
        "cold pressure",
        {
            "normal": Fact.COLD_PRESSURE_NORMAL,
            "high": Fact.COLD_PRESSURE_HIGH,
            "low": Fact.COLD_PRESSURE_LOW,
        },
        Get.COLD_PRESSURE,
        2,
        (0.85, 0.08, 0.07),
        {
            _CREEP: (0.35, 0.62, 0.03),
            _FILL: (0.05, 0.93, 0.02),
            _COIL: (0.35, 0.62, 0.03),
            _MAINS: (0.50, 0.47, 0.03),
            _GAUGE: (0.40, 0.35, 0.25),
            _LEFT_OPEN: (0.30, 0.67, 0.03),
            _UNDER: (0.40, 0.03, 0.57),
            _CHANGED: (0.65, 0.20, 0.15),
        },
    ),
    Evidence(
        "hot pressure",
        {
            "as forecast": Fact.HOT_PRESSURE_AS_FORECAST,
            "as forecast with the estimated pre-charge": Fact.HOT_PRESSURE_AS_FORECAST_WITH_THE_ESTIMATED_PRE_CHARGE,
            "far above the forecast": Fact.HOT_PRESSURE_FAR_ABOVE_THE_FORECAST,
        },
        Get.HOT_PRESSURE,
        25,
        (0.85, 0.08, 0.07),
        {
            _WATERLOGGED: (0.05, 0.13, 0.82),
            _LOST: (0.12, 0.75, 0.13),
            _OVER: (0.20, 0.50, 0.30),
            _ISOLATED: (0.05, 0.05, 0.90),
            _CREEP: (0.50, 0.10, 0.40),
            _COIL: (0.45, 0.10, 0.45),
            _MAINS: (0.50, 0.10, 0.40),
            _GAUGE: (0.30, 0.20, 0.50),
            _PUMP: (0.70, 0.10, 0.20),
            _BETWEEN: (0.10, 0.05, 0.85),
            _KETTLING: (0.55, 0.08, 0.37),
            _LEFT_OPEN: (0.45, 0.10, 0.45),
            _CHANGED: (0.60, 0.10, 0.30),
            _LIMIT: (0.70, 0.08, 0.22),
        },
        risk_minutes=10,
    ),
    Evidence(
        "sound when cold",
        _SOUNDS,
        Get.SOUND_WHEN_COLD,
        6,
        _USUAL_SOUND,
        {
            _WATERLOGGED: (0.80, 0.10, 0.02, 0.02, 0.06),
            _LOST: (0.06, 0.77, 0.13, 0.03, 0.01),
            _OVER: (0.01, 0.03, 0.90, 0.05, 0.01),
            _ISOLATED: (0.04, 0.10, 0.80, 0.05, 0.01),
            _BETWEEN: (0.03, 0.08, 0.83, 0.05, 0.01),
        },
    ),
    Evidence(
        "sound when hot",
        _SOUNDS,
        Get.SOUND_WHEN_HOT,
        25,
        _USUAL_SOUND,
        {
            _WATERLOGGED: (0.80, 0.10, 0.02, 0.02, 0.06),
            _LOST: (0.06, 0.80, 0.09, 0.04, 0.01),
            _OVER: (0.01, 0.03, 0.15, 0.80, 0.01),
            _ISOLATED: (0.04, 0.10, 0.35, 0.50, 0.01),
            _BETWEEN: (0.03, 0.08, 0.55, 0.33, 0.01),
            _UNDER: (0.03, 0.08, 0.50, 0.38, 0.01),
        },
        risk_minutes=10,
    ),
    Evidence(
        "water at the air valve",
        {"yes": Fact.WATER_AT_THE_AIR_VALVE_YES, "no": Fact.WATER_AT_THE_AIR_VALVE_NO},
        Get.WATER_AT_THE_AIR_VALVE,
        5,
        (0.02, 0.98),
        {_WATERLOGGED: (0.75, 0.25)},
        risk_minutes=20,
    ),
    Evidence(
        "weight",
        {"heavy": Fact.WEIGHT_HEAVY, "light": Fact.WEIGHT_LIGHT},
        Get.WEIGHT,
        1,
        (0.10, 0.90),
        {_WATERLOGGED: (0.90, 0.10), _LOST: (0.35, 0.65)},
    ),
    Evidence(
        "level from cold to hot",
        {"moves": Fact.LEVEL_FROM_COLD_TO_HOT_MOVES, "stays": Fact.LEVEL_FROM_COLD_TO_HOT_STAYS},
        Get.LEVEL_FROM_COLD_TO_HOT,
        25,
        (0.92, 0.08),
        {_WATERLOGGED: (0.15, 0.85), _OVER: (0.40, 0.60), _ISOLATED: (0.04, 0.96), _BETWEEN: (0.30, 0.70)},
        risk_minutes=10,
    ),
    Evidence(
        "warm-up",
        {
            "even rise": Fact.WARM_UP_EVEN_RISE,
            "sharp at once": Fact.WARM_UP_SHARP_AT_ONCE,
            "steep, then slow": Fact.WARM_UP_STEEP_THEN_SLOW,
        },
        Get.WARM_UP,
        20,
        (0.86, 0.09, 0.05),
        {
            _WATERLOGGED: (0.30, 0.62, 0.08),
            _OVER: (0.12, 0.10, 0.78),
            _ISOLATED: (0.04, 0.91, 0.05),
            _BETWEEN: (0.15, 0.80, 0.05),
            _UNDER: (0.25, 0.05, 0.70),
        },
        risk_minutes=10,
    ),
    Evidence(
        "forecast",
        {
            "stays below": Fact.FORECAST_STAYS_BELOW,
            "reaches the relief setting": Fact.FORECAST_REACHES_THE_RELIEF_SETTING,
        },
        Get.FORECAST,
        3,
        (0.88, 0.12),
        {
            _SMALL: (0.05, 0.95),
            _FILL: (0.40, 0.60),
            _LIMIT: (0.80, 0.20),
            _NO_ROOM: (0.12, 0.88),
            _CHANGED: (0.25, 0.75),
        },
    ),
    Evidence(
        "fill set too high",
        {"yes": Fact.FILL_SET_TOO_HIGH_YES, "no": Fact.FILL_SET_TOO_HIGH_NO},
        Get.FILL_SET_TOO_HIGH,
        3,
        (0.06, 0.94),
        {_FILL: (0.85, 0.15), _CREEP: (0.20, 0.80), _LEFT_OPEN: (0.20, 0.80)},
    ),
    Evidence(
        "potable supply shut",
        {
            "rise stops": Fact.POTABLE_SUPPLY_SHUT_RISE_STOPS,
            "rise goes on": Fact.POTABLE_SUPPLY_SHUT_RISE_GOES_ON,
        },
        Get.POTABLE_SUPPLY_SHUT,
        15,
        (0.06, 0.94),
        {_COIL: (0.92, 0.08), _MAINS: (0.50, 0.50), _CREEP: (0.20, 0.80), _LEFT_OPEN: (0.20, 0.80)},
        risk_minutes=5,
    ),
    Evidence(
        "domestic heating or draw",
        {
            "pressure moves with it": Fact.DOMESTIC_HEATING_OR_DRAW_PRESSURE_MOVES_WITH_IT,
            "no change": Fact.DOMESTIC_HEATING_OR_DRAW_NO_CHANGE,
        },
        Get.DOMESTIC_HEATING_OR_DRAW,
        10,
        (0.03, 0.97),
        {_MAINS: (0.92, 0.08), _COIL: (0.25, 0.75), _CREEP: (0.15, 0.85)},
    ),
    Evidence(
        "temperature",
        {
            "within the limit": Fact.TEMPERATURE_WITHIN_THE_LIMIT,
            "above the limit": Fact.TEMPERATURE_ABOVE_THE_LIMIT,
        },
        Get.TEMPERATURE,
        2,
        (0.98, 0.02),
        {_LIMIT: (0.04, 0.96), _KETTLING: (0.75, 0.25)},
    ),
    Evidence(
        "valve drips at",
        {
            "near its setting": Fact.VALVE_DRIPS_AT_NEAR_ITS_SETTING,
            "well below its setting": Fact.VALVE_DRIPS_AT_WELL_BELOW_ITS_SETTING,
        },
        Get.VALVE_DRIPS_AT,
        2,
        (0.93, 0.07),
        {_DIRT: (0.06, 0.94), _GAUGE: (0.35, 0.65), _PUMP: (0.50, 0.50), _WEAK: (0.10, 0.90)},
        of_the_valve=True,
    ),
    Evidence(
        "second gauge",
        {"agrees": Fact.SECOND_GAUGE_AGREES, "disagrees": Fact.SECOND_GAUGE_DISAGREES},
        Get.SECOND_GAUGE,
        5,
        (0.97, 0.03),
        {_GAUGE: (0.05, 0.95)},
        risk_minutes=2,
    ),
    Evidence(
        "gauge when open",
        {"zero": Fact.GAUGE_WHEN_OPEN_ZERO, "not zero": Fact.GAUGE_WHEN_OPEN_NOT_ZERO},
        Get.GAUGE_WHEN_OPEN,
        8,
        (0.97, 0.03),
        {_GAUGE: (0.25, 0.75)},
        risk_minutes=10,
    ),
    Evidence(
        "pump start",
        {
            "pressure jumps": Fact.PUMP_START_PRESSURE_JUMPS,
            "no change": Fact.PUMP_START_NO_CHANGE,
        },
        Get.PUMP_START,
        3,
        (0.03, 0.97),
        {_PUMP: (0.95, 0.05)},
    ),
    Evidence(
        "valve before the tank",
        {"open": Fact.VALVE_BEFORE_THE_TANK_OPEN, "shut": Fact.VALVE_BEFORE_THE_TANK_SHUT},
        Get.VALVE_BEFORE_THE_TANK,
        2,
        (0.98, 0.02),
        {_ISOLATED: (0.35, 0.65)},
    ),
    Evidence(
        "valve between boiler and tank",
        {
            "none": Fact.VALVE_BETWEEN_BOILER_AND_TANK_NONE,
            "may shut": Fact.VALVE_BETWEEN_BOILER_AND_TANK_MAY_SHUT,
        },
        Get.VALVE_BETWEEN_BOILER_AND_TANK,
        5,
        (0.93, 0.07),
        {_BETWEEN: (0.04, 0.96), _ISOLATED: (0.85, 0.15)},
    ),
    Evidence(
        "relief valve's rating",
        {
            "as the papers ask": Fact.RELIEF_VALVES_RATING_AS_THE_PAPERS_ASK,
            "lower or none to read": Fact.RELIEF_VALVES_RATING_LOWER_OR_NONE_TO_READ,
        },
        Get.RELIEF_VALVES_RATING,
        2,
        (0.97, 0.03),
        {_WEAK: (0.40, 0.60), _NO_ROOM: (0.85, 0.15)},
        of_the_valve=True,
    ),
    Evidence(
        "room under the relief setting",
        {
            "enough": Fact.ROOM_UNDER_THE_RELIEF_SETTING_ENOUGH,
            "little": Fact.ROOM_UNDER_THE_RELIEF_SETTING_LITTLE,
        },
        Get.ROOM_UNDER_THE_RELIEF_SETTING,
        2,
        (0.95, 0.05),
        {_NO_ROOM: (0.06, 0.94)},
    ),
    Evidence(
        "boiler's noise",
        {"quiet": Fact.BOILERS_NOISE_QUIET, "bangs or rumbles": Fact.BOILERS_NOISE_BANGS_OR_RUMBLES},
        Get.BOILERS_NOISE,
        1,
        (0.97, 0.03),
        {_KETTLING: (0.04, 0.96), _LIMIT: (0.55, 0.45)},
    ),
    Evidence(
        "fill between top-ups",
        {"shut": Fact.FILL_BETWEEN_TOP_UPS_SHUT, "open": Fact.FILL_BETWEEN_TOP_UPS_OPEN},
        Get.FILL_BETWEEN_TOP_UPS,
        1,
        (0.93, 0.07),
        {_LEFT_OPEN: (0.03, 0.97), _CREEP: (0.60, 0.40), _MAINS: (0.60, 0.40), _FILL: (0.80, 0.20)},
    ),
    Evidence(
        "fill against the pre-charge",
        {
            "at or above it": Fact.FILL_AGAINST_THE_PRE_CHARGE_AT_OR_ABOVE_IT,
            "below it": Fact.FILL_AGAINST_THE_PRE_CHARGE_BELOW_IT,
        },
        Get.FILL_AGAINST_THE_PRE_CHARGE,
        2,
        (0.94, 0.06),
        {_UNDER: (0.04, 0.96), _OVER: (0.35, 0.65), _GAUGE: (0.80, 0.20)},
    ),
    Evidence(
        "pressure against the fill setting",
        {
            "at it": Fact.PRESSURE_AGAINST_THE_FILL_SETTING_AT_IT,
            "above it": Fact.PRESSURE_AGAINST_THE_FILL_SETTING_ABOVE_IT,
            "below it": Fact.PRESSURE_AGAINST_THE_FILL_SETTING_BELOW_IT,
        },
        Get.PRESSURE_AGAINST_THE_FILL_SETTING,
        2,
        (0.84, 0.08, 0.08),
        {
            _CREEP: (0.22, 0.75, 0.03),
            _COIL: (0.30, 0.67, 0.03),
            _MAINS: (0.42, 0.55, 0.03),
            _LEFT_OPEN: (0.25, 0.72, 0.03),
            _GAUGE: (0.45, 0.30, 0.25),
            _CHANGED: (0.65, 0.20, 0.15),
        },
    ),
    Evidence(
        "work on the system",
        {
            "none lately": Fact.WORK_ON_THE_SYSTEM_NONE_LATELY,
            "extended": Fact.WORK_ON_THE_SYSTEM_EXTENDED,
            "drained and refilled": Fact.WORK_ON_THE_SYSTEM_DRAINED_AND_REFILLED,
        },
        Get.WORK_ON_THE_SYSTEM,
        1,
        (0.84, 0.03, 0.13),
        {
            _CHANGED: (0.04, 0.56, 0.40),
            _ISOLATED: (0.40, 0.08, 0.52),
            _LEFT_OPEN: (0.45, 0.05, 0.50),
            _FILL: (0.60, 0.08, 0.32),
            _OVER: (0.55, 0.05, 0.40),
        },
    ),
    Evidence(
        "water is added",
        {
            "hardly ever": Fact.WATER_IS_ADDED_HARDLY_EVER,
            "every few months": Fact.WATER_IS_ADDED_EVERY_FEW_MONTHS,
            "every week or two": Fact.WATER_IS_ADDED_EVERY_WEEK_OR_TWO,
        },
        Get.WATER_IS_ADDED,
        1,
        (0.35, 0.45, 0.20),
        {
            _WATERLOGGED: (0.14, 0.43, 0.43),
            _LOST: (0.22, 0.48, 0.30),
            _CREEP: (0.88, 0.09, 0.03),
            _COIL: (0.90, 0.08, 0.02),
            _MAINS: (0.82, 0.13, 0.05),
            _LEFT_OPEN: (0.84, 0.10, 0.06),
            _DIRT: (0.22, 0.38, 0.40),
        },
    ),
)
"""The likelihood table: common practice or own judgement, no source."""

BY_NAME = {evidence.name: evidence for evidence in EVIDENCE}

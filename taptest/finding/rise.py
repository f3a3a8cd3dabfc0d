"""What a hot visit's pressure says of the air charge: how far it has risen since the system was filled cold.

A closed system that was filled cold to the fill valve's setting and heated since shows the pressure that its water's
expansion makes in the tank: little where the charge is right, much where air is missing, and at least its own charge
where a tank is over-charged. Each draw forecasts the present pressure from the cold filling; how near the reading comes
is the likelihood of its charge. The rise counts with care: water may have been added or let out since, and a tank may
have failed only lately, so a pressure as forecast is a weak comfort and one off the forecast a strong sign, but never
proof.

Pressures are gauge pascals at the gauge, temperatures degrees Celsius; D draws. All spreads and probabilities here are
own judgement, no source.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.finding.draws import DRAWS, Draws, interval_of, is_hot, spread_volume_m3
from taptest.finding.parallel import draw_cushions
from taptest.finding.records import Case, Interval
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, relief_tolerance_pa

FloatArray = NDArray[np.float64]

FILL_SD_PA = 10_000.0
"""Spread of the pressure at which the system stood cold, about the fill valve's setting."""
COLD_C, COLD_SD_C = 15.0, 4.0
"""Temperature of the water at the cold filling."""
LEAST_WARMING_C = 15.0
"""A rise after less warming says too little."""
FORECAST_SD_PA = 8_000.0
"""Spread of the forecast that no draw covers, such as unequal temperatures along the pipes."""
OTHERWISE = 0.1
"""Probability that the rise follows from something else than filling and charge, and may be any."""
LATELY = 0.2
"""Probability that a tank which is not right shows the rise of a right one: it failed lately, or other air helps."""
OTHERWISE_SPAN_PA = 250_000.0
"""Span over which a pressure that may be any lies."""


@dataclass(frozen=True, slots=True)
class Filling:
    """The cold filling of a hot visit, D draws of each; the same for every charge that is asked for."""

    case: Case
    draws: Draws
    water_c: float
    state: SystemState
    cold_gas_c: FloatArray
    others: tuple[Cushion, ...]


def filling_of(case: Case, draws: Draws, rng: np.random.Generator) -> Filling | None:
    """Draw the cold filling; None where the visit was cold or fill pressure, system volume or temperature lack.

    A pressure log tells of the same rise at first hand (`finding.air`); then the filling is not asked.
    """
    system, water_c = case.system, case.readings.water_temperature_c
    if case.log or not is_hot(case) or water_c is None or system.fill_pa is None or system.volume_m3 is None:
        return None
    lowest, highest = system.fluid.range_c
    if not max(lowest, COLD_C + LEAST_WARMING_C) <= water_c <= highest:
        return None
    cold = np.clip(rng.normal(COLD_C, COLD_SD_C, DRAWS), max(lowest, 2.0), COLD_C + LEAST_WARMING_C)
    volume = spread_volume_m3(system.volume_m3, system.volume_rel_sd, rng.standard_normal(DRAWS))
    fill = system.fill_pa + FILL_SD_PA * rng.standard_normal(DRAWS)
    state = SystemState(
        volume,
        np.maximum(fill, 1_000.0 - draws.atmospheric_pa),
        cold,
        system.fluid,
        atmospheric_pa=draws.atmospheric_pa,
    )
    cold_gas = cold + rng.uniform(0.0, 5.0, DRAWS)
    others = draw_cushions(case, cold_gas, draws.gas_t_c, draws.atmospheric_pa, rng)
    return Filling(case, draws, water_c, state, cold_gas, tuple(others))


def risen_pa(filling: Filling, precharge_abs_pa: FloatArray) -> FloatArray:
    """(D,) pressure to which the system must have risen with these charges (absolute, at the charge temperature)."""
    case, draws = filling.case, filling.draws
    tank = Cushion(
        draws.volume_m3,
        precharge_abs_pa - draws.atmospheric_pa,
        draws.charge_t_c,
        filling.cold_gas_c,
        draws.gas_t_c,
        case.tank.most_water_share,
        above_gauge_m=case.readings.tank_above_gauge_m,
    )
    return hot_pressure_pa(filling.state, [tank, *filling.others], filling.water_c)


def rise_likelihood(filling: Filling, risen: FloatArray) -> FloatArray:
    """(D,) likelihood of the pressure read where it must have `risen` so far (D,); 1 on average over all pressures."""
    relief = filling.case.system.relief_pa
    spread = np.full(DRAWS, FORECAST_SD_PA)
    if relief is not None:
        # The relief valve opens somewhere near its setting and holds the pressure there.
        spread = np.where(risen > relief, relief_tolerance_pa(relief) / 2, spread)
        risen = np.minimum(risen, relief)
    off = (filling.draws.gauge_pa - risen) / spread
    return np.asarray(OTHERWISE_SPAN_PA * np.exp(-0.5 * off**2) / (np.sqrt(2 * np.pi) * spread))


@dataclass(frozen=True, slots=True)
class Rise:
    """What the rise says of every charge; without a filling it says nothing, and all is 1."""

    filling: Filling | None
    right: FloatArray
    """(D,) likelihood of the right charges."""
    expected_pa: Interval | None
    """Pressure to which a system with the right charge must have risen."""

    @classmethod
    def of(cls, filling: Filling | None, right_abs_pa: FloatArray) -> "Rise":
        """Compare with the right charges (D,), absolute."""
        if filling is None:
            return cls(None, np.ones(DRAWS), None)
        risen = risen_pa(filling, right_abs_pa)
        right = (1 - OTHERWISE) * rise_likelihood(filling, risen) + OTHERWISE
        relief = filling.case.system.relief_pa
        return cls(filling, right, interval_of(risen if relief is None else np.minimum(risen, relief)))

    def wrong(self, precharge_abs_pa: FloatArray) -> FloatArray:
        """(D,) likelihood of charges that are not right, absolute."""
        if self.filling is None:
            return self.right
        own = rise_likelihood(self.filling, risen_pa(self.filling, precharge_abs_pa))
        return (1 - OTHERWISE - LATELY) * own + LATELY * self.as_right + OTHERWISE

    @property
    def cut_off(self) -> float:
        """Likelihood where the tank is cut off and takes up nothing: heated, the water rises to the relief setting.

        As of a right tank where other tanks help or no setting is known: then the rise does not tell.
        """
        if self.filling is None or self.filling.others or self.filling.case.system.relief_pa is None:
            return self.as_right
        own = float(rise_likelihood(self.filling, np.full(DRAWS, np.inf)).mean())
        return (1 - OTHERWISE - LATELY) * own + LATELY * self.as_right + OTHERWISE

    @property
    def as_right(self) -> float:
        """Likelihood that the pressure is what a right tank shows."""
        return float(self.right.mean())

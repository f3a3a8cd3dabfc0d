"""The air cushion: gas law with absolute pressures, air pressure at altitude, water columns, and the drain check.

Conventions: names ending `_abs_pa` are absolute pascals, `_pa` gauge pascals; temperatures are degrees Celsius;
volumes m3; shares 0 to 1. All functions take numbers or numpy arrays and broadcast them; a number in gives a number
out. Air is an ideal gas: at 4 bar and room temperature it differs by 0.1 % (value from memory), far below any gauge.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import PhysicsError
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.water.fluids import WATER, Fluid, density

FloatArray = NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
ZERO_C_IN_K = 273.15
AIR_GAS_CONSTANT = 287.05287
"""J/(kg K), International Standard Atmosphere (ISO 2533)."""
ALTITUDE_RANGE_M = (-500.0, 6000.0)
"""Where heating systems stand."""


def _checked(name: str, value: ArrayLike, low: float, high: float, advice: str) -> FloatArray:
    """`value` as float64 array; PhysicsError that names the first entry outside (low, high], NaN included."""
    array = np.asarray(value, dtype=np.float64)
    good = (array > low) & (array <= high)
    if not bool(np.all(good)):
        wrong = float(np.ravel(array)[int(np.argmin(np.ravel(good)))])
        raise PhysicsError(f"{name} is {wrong:g}; {advice}.")
    return array


def _absolute(name: str, value: ArrayLike) -> FloatArray:
    return _checked(
        f"The {name} (absolute, Pa)",
        value,
        0.0,
        1e8,
        "an absolute pressure is above zero and below 1000 bar; add the air pressure to a gauge reading",
    )


def kelvin(t_c: ArrayLike) -> FloatArray:
    """Absolute temperature in K. Raises PhysicsError at or below absolute zero."""
    t = _checked(
        "The temperature (°C)",
        t_c,
        -ZERO_C_IN_K,
        1000.0,
        "it must lie above absolute zero and below 1000 °C; check the unit",
    )
    return t + ZERO_C_IN_K


def atmospheric_pressure_pa(altitude_m: ArrayLike = 0.0) -> FloatArray:
    """Air pressure (absolute Pa) at an altitude in m, by the International Standard Atmosphere, ISO 2533, troposphere.

    p = 101325 (1 - 0.0065 h / 288.15)^5.25588. Weather moves it by about +-2 kPa.
    """
    low, high = ALTITUDE_RANGE_M
    altitude = _checked(
        "The altitude (m)", altitude_m, low, high, f"it must lie between {low:g} and {high:g} m; check the unit"
    )
    exponent = STANDARD_GRAVITY / (AIR_GAS_CONSTANT * 0.0065)
    return STANDARD_ATMOSPHERE_PA * (1 - 0.0065 * altitude / 288.15) ** exponent


def static_head_pa(height_m: ArrayLike, fluid: Fluid = WATER, t_c: ArrayLike = 15.0) -> FloatArray:
    """Pressure of a column of the fluid `height_m` high at `t_c`: rho g h (Pa, negative for a negative height)."""
    height = np.asarray(height_m, dtype=np.float64)
    return density(fluid, t_c) * STANDARD_GRAVITY * height


def pressure_at_tank_pa(
    gauge_pa: ArrayLike, tank_above_gauge_m: ArrayLike, fluid: Fluid = WATER, t_c: ArrayLike = 15.0
) -> FloatArray:
    """Pressure (gauge Pa) at a tank that hangs `tank_above_gauge_m` above the gauge, less the column between them."""
    return np.asarray(gauge_pa, dtype=np.float64) - static_head_pa(tank_above_gauge_m, fluid, t_c)


def water_share(
    precharge_abs_pa: ArrayLike, pressure_abs_pa: ArrayLike, gas_t_c: ArrayLike = 20.0, charge_t_c: ArrayLike = 20.0
) -> FloatArray:
    """Share of the tank that water fills: w = max(0, 1 - (P0 / P) (Tg / T0)).

    `precharge_abs_pa` was set at `charge_t_c` with the tank empty of water; the tank now stands at `pressure_abs_pa`
    with its gas at `gas_t_c`.
    """
    p0 = _absolute("pre-charge", precharge_abs_pa)
    p = _absolute("pressure", pressure_abs_pa)
    return np.maximum(0.0, 1 - p0 / p * (kelvin(gas_t_c) / kelvin(charge_t_c)))


def precharge_abs_pa(
    share: ArrayLike, pressure_abs_pa: ArrayLike, gas_t_c: ArrayLike = 20.0, charge_t_c: ArrayLike = 20.0
) -> FloatArray:
    """Pre-charge (absolute Pa at `charge_t_c`) that leaves this water share: P0 = P (1 - w) T0 / Tg.

    At a share of zero this is only the least possible pre-charge; at full acceptance only the greatest.
    """
    w = np.asarray(share, dtype=np.float64)
    if not bool(np.all((w >= 0) & (w <= 1))):
        wrong = float(np.ravel(w[~((w >= 0) & (w <= 1))])[0])
        raise PhysicsError(
            f"The water share is {wrong:g}; it must lie between 0 and 1: "
            "the tank cannot hold more water than its volume."
        )
    return _absolute("pressure", pressure_abs_pa) * (1 - w) * (kelvin(charge_t_c) / kelvin(gas_t_c))


def pressure_abs_pa(
    share: ArrayLike, precharge_abs_pa: ArrayLike, gas_t_c: ArrayLike = 20.0, charge_t_c: ArrayLike = 20.0
) -> FloatArray:
    """Pressure (absolute Pa) of the gas when water fills `share` of the tank: P = P0 (Tg / T0) / (1 - w)."""
    w = np.asarray(share, dtype=np.float64)
    if not bool(np.all((w >= 0) & (w < 1))):
        wrong = float(np.ravel(w[~((w >= 0) & (w < 1))])[0])
        raise PhysicsError(
            f"The water share is {wrong:g}; it must be at least 0 and below 1, or no room is left for the air."
        )
    return _absolute("pre-charge", precharge_abs_pa) * (kelvin(gas_t_c) / kelvin(charge_t_c)) / (1 - w)


def lost_air_share(precharge_abs_pa: ArrayLike, estimated_abs_pa: ArrayLike) -> FloatArray:
    """Share of the original air that is gone, from the pre-charge as set and as it is now (at one temperature).

    Times the tank's volume it is the lost air at the state of charging. Negative where there is more air than was said.
    """
    return 1 - _absolute("estimated pre-charge", estimated_abs_pa) / _absolute("pre-charge", precharge_abs_pa)


def drained_air_volume_m3(drained_m3: ArrayLike, before_abs_pa: ArrayLike, after_abs_pa: ArrayLike) -> FloatArray:
    """Air volume (m3) before a measured drain: V p2 / (p1 - p2), isothermal, fill valve shut.

    `drained_m3` was drawn while the pressure fell from `before_abs_pa` to `after_abs_pa`. Air trapped elsewhere in
    the system counts too. Raises PhysicsError where the pressure did not fall.
    """
    drained = _checked("The drained volume (m3)", drained_m3, 0.0, 1e3, "it must be above zero; measure what was drawn")
    before = _absolute("pressure before draining", before_abs_pa)
    after = _absolute("pressure after draining", after_abs_pa)
    if not bool(np.all(before > after)):
        raise PhysicsError(
            "The pressure did not fall while water was drawn, so no air volume follows from it; "
            "shut the fill valve, draw more, and read the gauge before and after."
        )
    return drained * after / (before - after)

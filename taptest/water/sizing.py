"""What tank a system needs, by several standards, and which tanks of a given list serve.

Conventions: pressures are gauge pascals at the tank, temperatures degrees Celsius, volumes m3. A system's volume is a
`Band` (low, likely, high), because it is seldom known; an entered volume is a band of no width. Results carry
`lines`, the working in whole sentences in the user's units.

One formula lies under all of them. A tank of volume V, charged to P0, filled cold to Pf and allowed Pm (absolute) takes
    V (P0 / Pf - P0 / Pm)
of water between cold and hot, hence V = taken / (P0/Pf - P0/Pm).

Sources
    ASHRAE Handbook - HVAC Systems and Equipment, chapter on hydronic systems: closed (plain) tank with P0 the air
    pressure, diaphragm tank with P0 = Pf, open tank twice the expansion; expansion net of the pipes, 3 a dt. EN 12828
    annex D: water reserve 0.5 % of the system, at least 3 l (20 % of the tank up to 15 l), pre-charge, fill and end
    pressures (values from memory). Model code formula (0.00041 T - 0.0466) Vs / (Pa/Pf - Pa/Po), T in degrees F: 13
    NCAC 13 .0412(d), Mich. Admin. Code R 408.4272.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import PhysicsError
from taptest.quantities import METRIC, STANDARD_ATMOSPHERE_PA, Units, convert, parse
from taptest.water.fluids import WATER, Fluid, Metal, expansion, net_expansion
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, relief_tolerance_pa

FloatArray = NDArray[np.float64]

SizingMethod = Literal["closed", "diaphragm", "open", "en 12828", "model code closed", "model code diaphragm"]
Emitter = Literal["convector", "baseboard", "panel radiator", "column radiator", "underfloor"]

MARGIN_PA = 30_000.0
"""Kept above the static head at the highest point, so that air can be vented: 0.3 bar, 4 to 5 psi; common practice."""
MODEL_CODE_LOWEST_C = parse("temperature", "175 F").si
"""Below this the model-code factor falls short of the true expansion (10 % at 160 F)."""
EN_RESERVE_SHARE = 0.005
EN_LEAST_RESERVE_M3 = 0.003
EN_SMALL_TANK_M3 = 0.015
EN_SMALL_TANK_RESERVE_SHARE = 0.2

LITRES_PER_KW: dict[Emitter, tuple[float, float]] = {
    "convector": (4.0, 8.0),
    "baseboard": (4.0, 8.0),
    "panel radiator": (8.0, 13.0),
    "column radiator": (12.0, 20.0),
    "underfloor": (15.0, 25.0),
}
"""Water of the whole system for each kW of heat output: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Band:
    """A value known only within limits."""

    low: float
    likely: float
    high: float

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.likely <= self.high < float("inf"):
            raise PhysicsError(
                f"A band cannot run from {self.low:g} over {self.likely:g} to {self.high:g}; "
                "give 0 <= low <= likely <= high."
            )

    def each(self, function: Callable[[float], float]) -> "Band":
        """Carry an increasing function through the band."""
        return Band(function(self.low), function(self.likely), function(self.high))


@dataclass(frozen=True, slots=True)
class SizingTask:
    """The system that a tank is sized for; pressures are gauge, at the tank."""

    system_m3: Band
    hot_c: float
    relief_pa: float
    """Setting of the relief valve, as felt at the tank's height."""
    static_head_pa: float | None = None
    """Water column from the tank to the highest point of the system; needed unless the fill pressure is given."""
    fill_pa: float | None = None
    """Cold fill pressure; recommended from the static head where None."""
    max_pa: float | None = None
    """Highest pressure wanted; from the relief valve's setting where None."""
    cold_c: float = 10.0
    fluid: Fluid = WATER
    metal: Metal = "steel"
    atmospheric_pa: float = STANDARD_ATMOSPHERE_PA


@dataclass(frozen=True, slots=True)
class SizingResult:
    """What one method asks for."""

    method: SizingMethod
    expansion_m3: Band
    """Water that the tank has to take between cold and hot."""
    volume_m3: Band
    """Least total volume of the tank or of several together."""
    acceptance_m3: Band
    """Water in a tank of just that volume at the highest pressure; the membrane must allow it."""
    reserve_m3: Band
    """Water that the tank is to hold cold."""
    precharge_pa: float | None
    """Recommended charge with the tank empty; 0 for a plain tank; None for an open one."""
    fill_pa: float | None
    """Recommended cold fill pressure at the tank; None for an open one."""
    max_pa: float | None
    lines: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TankSize:
    """One size of a list from which the user can buy."""

    volume_m3: float
    acceptance_m3: float | None = None
    """Most water its membrane takes; None where unknown."""
    name: str = ""


@dataclass(frozen=True, slots=True)
class TankChoice:
    """One tank or several in parallel that serve, with the pressures that result."""

    sizes: tuple[TankSize, ...]
    volume_m3: float
    precharge_pa: float | None
    fill_pa: float | None
    hot_pressure_pa: Band | None
    """Pressure at the highest temperature over the band of the system's volume; None for open tanks."""
    lines: tuple[str, ...]
    warnings: tuple[str, ...]


def entered_volume(volume_m3: float) -> Band:
    """Return the band of a system volume that is known, which has no width; `PhysicsError` unless it is above zero."""
    if not volume_m3 > 0:
        raise PhysicsError(f"A system volume of {1e3 * volume_m3:g} l cannot be; give one above zero.")
    return Band(volume_m3, volume_m3, volume_m3)


def rule_of_thumb_volume(power_w: float, emitter: Emitter, store_m3: float = 0.0) -> Band:
    """System volume (m3) from the heat output (W) and the kind of emitter, as a band; `store_m3` is added exactly.

    Common practice, no source; the likely value is the geometric mean of the limits.
    """
    if emitter not in LITRES_PER_KW:
        raise PhysicsError(f"There is no rule of thumb for {emitter!r}; use one of {', '.join(LITRES_PER_KW)}.")
    if not (0 < power_w < 1e9 and 0 <= store_m3 < 1e6):
        raise PhysicsError(
            f"An output of {power_w:g} W with a store of {store_m3:g} m3 cannot be; give an output above zero."
        )
    low, high = (power_w / 1e3 * litres / 1e3 for litres in LITRES_PER_KW[emitter])
    return Band(low + store_m3, (low * high) ** 0.5 + store_m3, high + store_m3)


def tank_volume_m3(
    taken_m3: ArrayLike, precharge_abs_pa: ArrayLike, fill_abs_pa: ArrayLike, max_abs_pa: ArrayLike
) -> FloatArray:
    """Tank volume that takes `taken_m3` between fill and highest pressure: taken / (P0/Pf - P0/Pm), absolute pressures.

    ASHRAE's closed tank with P0 the air pressure; its diaphragm tank with P0 = Pf; with Pf > P0 a tank that already
    holds water cold. Raises PhysicsError where no room is left between the two pressures.
    """
    p0, pf, pm = (np.asarray(v, dtype=np.float64) for v in (precharge_abs_pa, fill_abs_pa, max_abs_pa))
    if not bool(np.all((p0 > 0) & (pf >= p0) & (pm > pf))):
        raise PhysicsError(
            "A tank needs pre-charge <= fill pressure < highest pressure (all absolute and above zero), but they are "
            f"{np.min(p0):g}, {np.min(pf):g} and {np.min(pm):g} Pa; check the static head against the relief setting."
        )
    return np.asarray(np.asarray(taken_m3, dtype=np.float64) / (p0 / pf - p0 / pm))[()]


def open_tank_m3(system_m3: ArrayLike, net: ArrayLike) -> FloatArray:
    """Open tank: twice the net expansion (ASHRAE, equation 13; number from memory)."""
    return np.asarray(2 * np.asarray(system_m3, dtype=np.float64) * np.asarray(net, dtype=np.float64))[()]


def model_code_factor(hot_c: float) -> float:
    """Net expansion factor of the model codes: 0.00041 T - 0.0466, T in degrees F; meant for 175 F and above."""
    factor = 0.00041 * convert("temperature", hot_c, "F") - 0.0466
    if factor <= 0:
        raise PhysicsError(
            f"At {hot_c:g} °C the model-code factor is not above zero, so it says nothing; "
            "it is meant for 175 °F (79 °C) and above."
        )
    return factor


def saturation_abs_pa(t_c: float) -> float:
    """Vapour pressure of water (absolute Pa), 0 to 373 C.

    Saturation equation of Wagner and Pruss (IAPWS SR1-86, revised 1992); coefficients from memory, held to CoolProp
    by a test.
    """
    if not 0 <= t_c < 373:
        raise PhysicsError(
            f"The vapour pressure of water is known from 0 to 373 °C, but {t_c:g} °C was asked for; check it."
        )
    critical_k, critical_pa = 647.096, 22.064e6
    t_k = t_c + 273.15
    v = 1 - t_k / critical_k
    series = sum(a * v**power for a, power in zip(_SATURATION, (1, 1.5, 3, 3.5, 4, 7.5), strict=True))
    return float(critical_pa * np.exp(critical_k / t_k * series))


_SATURATION = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)


def needed_precharge_pa(
    static_head_pa: float,
    hot_c: float = 0.0,
    atmospheric_pa: float = STANDARD_ATMOSPHERE_PA,
    margin_pa: float = MARGIN_PA,
) -> float:
    """Pre-charge (gauge) that the system needs: static head, overpressure of steam above boiling, and a margin."""
    if not static_head_pa >= 0:
        raise PhysicsError(
            f"A static head of {static_head_pa / 1e5:.2f} bar at the tank cannot be; give the height of the system"
            " above the tank, 0 or more."
        )
    steam = max(0.0, saturation_abs_pa(hot_c) - atmospheric_pa)
    return static_head_pa + steam + margin_pa


def highest_pressure_pa(relief_pa: float, method: SizingMethod) -> float:
    """Highest pressure (gauge) to design for under a relief valve set to `relief_pa`.

    EN 12828: 0.5 bar below the setting up to 5 bar, else 90 % of it (value from memory). Otherwise the setting less
    the tolerance from which it may weep.
    """
    if method == "en 12828":
        return relief_pa - 50_000.0 if relief_pa <= 500_000.0 else 0.9 * relief_pa
    return relief_pa - relief_tolerance_pa(relief_pa)


def en_fill_range_pa(
    tank_m3: float, expansion_m3: float, reserve_m3: float, precharge_abs_pa: float, max_abs_pa: float
) -> tuple[float, float]:
    """Least and greatest cold fill pressure (absolute Pa) of a chosen tank, EN 12828 annex D (from memory).

    The least leaves the reserve in the tank cold; the greatest just reaches the highest pressure hot.
    """
    if not tank_m3 > reserve_m3:
        raise PhysicsError(
            f"A tank of {1e3 * tank_m3:g} l cannot hold a reserve of {1e3 * reserve_m3:g} l and air; "
            "choose a larger one."
        )
    least = tank_m3 * precharge_abs_pa / (tank_m3 - reserve_m3)
    greatest = max_abs_pa / (1 + expansion_m3 * max_abs_pa / (tank_m3 * precharge_abs_pa))
    return least, greatest


def en_reserve_m3(system_m3: float, tank_m3: float) -> float:
    """Water reserve by EN 12828 (from memory): 20 % of a tank up to 15 l, else 0.5 % of the system, at least 3 l."""
    if tank_m3 <= EN_SMALL_TANK_M3:
        return EN_SMALL_TANK_RESERVE_SHARE * tank_m3
    return max(EN_RESERVE_SHARE * system_m3, EN_LEAST_RESERVE_M3)


def en_tank_m3(
    system_m3: float, expansion_m3: float, precharge_abs_pa: float, max_abs_pa: float
) -> tuple[float, float]:
    """Tank volume and water reserve (m3) by EN 12828 annex D (from memory): (Ve + Vwr) Pe / (Pe - P0)."""
    if not max_abs_pa > precharge_abs_pa > 0:
        raise PhysicsError(
            f"The highest pressure ({max_abs_pa:g} Pa absolute) does not exceed the pre-charge ({precharge_abs_pa:g} "
            "Pa), so the tank could take no water; a higher relief setting or a tank mounted higher is needed."
        )
    ratio = max_abs_pa / (max_abs_pa - precharge_abs_pa)
    left_for_small = 1 - EN_SMALL_TANK_RESERVE_SHARE * ratio
    if left_for_small > 0:
        small = expansion_m3 * ratio / left_for_small
        if small <= EN_SMALL_TANK_M3:
            return small, en_reserve_m3(system_m3, small)
    reserve = max(EN_RESERVE_SHARE * system_m3, EN_LEAST_RESERVE_M3)
    return max((expansion_m3 + reserve) * ratio, EN_SMALL_TANK_M3), reserve


def size(task: SizingTask, method: SizingMethod, units: Units = METRIC) -> SizingResult:
    """Size a tank for a system by one method.

    Raises PhysicsError where the pressures leave no room, where neither static head nor fill pressure is known, or
    where a temperature is outside the fluid's range.
    """
    if method not in get_args(SizingMethod):
        raise PhysicsError(f"There is no sizing method {method!r}; use one of {', '.join(get_args(SizingMethod))}.")
    if not task.hot_c > task.cold_c:
        raise PhysicsError(
            f"The hot temperature ({task.hot_c:g} °C) is not above the cold one ({task.cold_c:g} °C); check both."
        )
    _refuse_unsafe(task, units)
    share = _expansion_share(task, method)
    swell = task.system_m3.each(lambda volume: share * volume)
    lines = [_volume_line(task, units), _expansion_line(task, method, share, swell, units)]
    if method == "open":
        volume = task.system_m3.each(lambda system: float(open_tank_m3(system, share)))
        lines.append(f"An open tank has twice the expansion: {_band(volume, units)}.")
        return SizingResult(method, swell, volume, swell, _NO_RESERVE, None, None, None, tuple(lines), ())
    precharge, fill, highest = _pressures(task, method, lines, units)
    absolute = [pressure + task.atmospheric_pa for pressure in (precharge, fill, highest)]
    if method == "en 12828":
        volume = task.system_m3.each(lambda system: en_tank_m3(system, share * system, absolute[0], absolute[2])[0])
        reserve = _en_reserve(task.system_m3, share, absolute)
        fill = (
            en_fill_range_pa(volume.likely, swell.likely, reserve.likely, absolute[0], absolute[2])[0]
            - task.atmospheric_pa
        )
        lines.append(
            f"Reserve held cold: {_band(reserve, units)} "
            "(0.5 % of the system, at least 3 l; 20 % of a tank up to 15 l); "
            f"it sets the fill pressure to {units.show('pressure', fill)}."
        )
    else:
        volume, reserve = swell.each(lambda taken: float(tank_volume_m3(taken, *absolute))), _NO_RESERVE
    acceptance = volume.each(lambda tank: tank * (1 - absolute[0] / absolute[2]))
    lines.append(
        f"Least tank volume: {_band(volume, units)}; "
        f"at the highest pressure it holds {_band(acceptance, units)} of water."
    )
    warnings = _method_warnings(task, method, units)
    return SizingResult(method, swell, volume, acceptance, reserve, precharge, fill, highest, tuple(lines), warnings)


def _refuse_unsafe(task: SizingTask, units: Units) -> None:
    """Refuse a highest pressure above the relief setting, and a fill that does not reach the top of the system."""
    if task.max_pa is not None and task.max_pa > task.relief_pa:
        raise PhysicsError(
            f"The highest pressure of {units.show('pressure', task.max_pa)} lies above the relief setting of "
            f"{units.show('pressure', task.relief_pa)}, so the relief valve would open before; give one below the "
            "setting, or leave it out."
        )
    if task.static_head_pa is not None and task.fill_pa is not None and task.fill_pa < task.static_head_pa:
        needed = needed_precharge_pa(task.static_head_pa, task.hot_c, task.atmospheric_pa)
        raise PhysicsError(
            f"The fill pressure of {units.show('pressure', task.fill_pa)} does not reach the top of the system, where "
            f"{units.show('pressure', task.static_head_pa)} of water stand, so the highest point draws air; fill to "
            f"{units.show('pressure', needed)} or more."
        )


_NO_RESERVE = Band(0.0, 0.0, 0.0)
_PLAIN = ("closed", "model code closed")
"""Methods for tanks without a membrane: charge from open air, no limit of acceptance."""


def _expansion_share(task: SizingTask, method: SizingMethod) -> float:
    if method.startswith("model code"):
        return model_code_factor(task.hot_c)
    if method == "en 12828":
        return float(expansion(task.fluid, task.cold_c, task.hot_c))
    return float(net_expansion(task.fluid, task.cold_c, task.hot_c, task.metal))


def _en_reserve(system: Band, share: float, absolute: Sequence[float]) -> Band:
    return system.each(lambda volume: en_tank_m3(volume, share * volume, absolute[0], absolute[2])[1])


def _pressures(task: SizingTask, method: SizingMethod, lines: list[str], units: Units) -> tuple[float, float, float]:
    """Pre-charge, fill and highest pressure (gauge), each with its sentence."""
    highest = highest_pressure_pa(task.relief_pa, method) if task.max_pa is None else task.max_pa
    if task.static_head_pa is not None:
        needed = needed_precharge_pa(task.static_head_pa, task.hot_c, task.atmospheric_pa)
        fill = needed if task.fill_pa is None else task.fill_pa
    elif task.fill_pa is not None:
        needed = fill = task.fill_pa
    else:
        raise PhysicsError(
            "Neither the static head nor the fill pressure is known; give the height of the system above the tank."
        )
    if method in _PLAIN:
        precharge = 0.0
    elif method == "en 12828":
        precharge = needed
    else:
        precharge = fill
    shown = [units.show("pressure", value) for value in (precharge, fill, highest, task.relief_pa)]
    if not fill < highest:
        raise PhysicsError(
            f"The fill pressure {shown[1]} is not below the highest pressure {shown[2]} under a relief setting of "
            f"{shown[3]}, so no tank serves; a higher relief rating (if the boiler's rating allows it) or a tank "
            "mounted higher is needed."
        )
    filled = "" if method == "en 12828" else f"fill pressure {shown[1]}, "
    charged = "Filled from open air" if method in _PLAIN else f"Pre-charge {shown[0]}"
    lines.append(f"{charged}, {filled}highest pressure {shown[2]} under a relief valve of {shown[3]}.")
    return precharge, fill, highest


def _method_warnings(task: SizingTask, method: SizingMethod, units: Units) -> tuple[str, ...]:
    warnings = []
    if method.startswith("model code"):
        if task.hot_c < MODEL_CODE_LOWEST_C:
            true = float(net_expansion(WATER, 4.4, task.hot_c, task.metal))
            warnings.append(
                "The model-code factor is meant for 175 °F (79 °C) and above; at "
                f"{units.show('temperature', task.hot_c)} it is "
                f"{100 * (1 - model_code_factor(task.hot_c) / true):.0f} % below the expansion of water, so the tank "
                "comes out too small."
            )
        if task.fluid.share > 0:
            warnings.append(
                f"The model-code factor is for water; {task.fluid} expands more, so the tank comes out too small."
            )
    if method == "en 12828" and task.fill_pa is not None and task.static_head_pa is not None:
        warnings.append(
            f"The fill pressure of {units.show('pressure', task.fill_pa)} was not used: the water reserve sets it."
        )
    return tuple(warnings)


def _band(band: Band, units: Units) -> str:
    if band.low == band.high:
        return units.show("volume", band.likely)
    return f"{units.show('volume', band.low)} to {units.show('volume', band.high)}"


def _volume_line(task: SizingTask, units: Units) -> str:
    if task.system_m3.low == task.system_m3.high:
        return f"System volume {units.show('volume', task.system_m3.likely)}, as entered."
    return f"System volume {_band(task.system_m3, units)}, by a rule of thumb (common practice, no source)."


def _expansion_line(task: SizingTask, method: SizingMethod, share: float, swell: Band, units: Units) -> str:
    hot, cold = units.show("temperature", task.hot_c), units.show("temperature", task.cold_c)
    if method.startswith("model code"):
        return f"Model-code factor at {hot}: {100 * share:.2f} %, which is {_band(swell, units)}."
    pipes = "gross" if method == "en 12828" else f"less that of {task.metal}"
    return (
        f"Expansion of {task.fluid} from {cold} to {hot}, {pipes}: {100 * share:.2f} %, which is {_band(swell, units)}."
    )


def choose_tanks(
    task: SizingTask, result: SizingResult, sizes: Sequence[TankSize], most: int = 3, units: Units = METRIC
) -> tuple[TankChoice, ...]:
    """Pick from a list of sizes, for each number of tanks up to `most` in parallel, the smallest total that serves.

    Fewest tanks come first. Serving means, at the high end of the system's band: enough total volume, and every
    membrane able to take its part of the water. Tanks in parallel get one pre-charge. Empty where nothing on the list
    serves. Several small tanks are told beside a big one even where they need more volume: they may be at hand, carried
    in by one, or under a limit of approval. None of them could be left out.
    """
    if not sizes or not 1 <= most <= 6:
        raise PhysicsError(
            "Choosing tanks needs at least one size and a number of tanks between 1 and 6; give the sizes you can buy."
        )
    for tank in sizes:
        limit = tank.volume_m3 if tank.acceptance_m3 is None else tank.acceptance_m3
        if not 0 < limit <= tank.volume_m3:
            raise PhysicsError(
                f"A tank of {1e3 * tank.volume_m3:g} l that takes {1e3 * limit:g} l cannot be; the acceptance is at "
                "most the volume."
            )
    found: list[TankChoice] = []
    for number in range(1, most + 1):
        combinations = combinations_with_replacement(sorted(sizes, key=_volume), number)
        best = next((c for c in sorted(combinations, key=_total) if _just_serves(task, result, c)), None)
        if best is not None:
            found.append(_choice(task, result, best, units))
    return tuple(found)


def _volume(tank: TankSize) -> float:
    return tank.volume_m3


def _total(tanks: Sequence[TankSize]) -> float:
    return sum(map(_volume, tanks))


def _just_serves(task: SizingTask, result: SizingResult, tanks: tuple[TankSize, ...]) -> bool:
    """Whether the tanks serve, and would not with the smallest one left out."""
    fewer = tuple(sorted(tanks, key=_volume))[1:]
    return _serves(task, result, tanks) and not (fewer and _serves(task, result, fewer))


def _serves(task: SizingTask, result: SizingResult, tanks: tuple[TankSize, ...]) -> bool:
    """Whether the total suffices and, at the pressure that results at the high end, no membrane is at its limit."""
    total = _total(tanks)
    if total < result.volume_m3.high * (1 - 1e-9):
        return False
    if result.max_pa is None or result.precharge_pa is None:
        return True
    pressure = _hot_pressures(task, result, tanks).high
    share = 1 - (result.precharge_pa + task.atmospheric_pa) / (pressure + task.atmospheric_pa)
    plain = result.method in _PLAIN
    fits = plain or all(tank.acceptance_m3 is None or share * tank.volume_m3 <= tank.acceptance_m3 for tank in tanks)
    return fits and pressure <= result.max_pa * (1 + 1e-6)


def _hot_pressures(task: SizingTask, result: SizingResult, tanks: tuple[TankSize, ...]) -> Band:
    """Pressure at the highest temperature for the low, likely and high system volume, membranes without limit.

    A water content equal to the limit would be met exactly by a limited membrane, hence the limits are judged by the
    caller.
    """
    fill = _fill_for(task, result, _total(tanks))
    metal = None if result.method == "en 12828" else task.metal
    systems = np.array([task.system_m3.low, task.system_m3.likely, task.system_m3.high])
    state = SystemState(systems, fill, task.cold_c, task.fluid, metal, task.atmospheric_pa)
    cushions = [Cushion(tank.volume_m3, result.precharge_pa or 0.0) for tank in tanks]
    low, likely, high = np.maximum(fill, hot_pressure_pa(state, cushions, task.hot_c)).tolist()
    return Band(low, likely, high)


def _fill_for(task: SizingTask, result: SizingResult, total_m3: float) -> float:
    """Fill pressure for the chosen total: with EN 12828 the one that leaves the reserve, else the result's own."""
    if result.precharge_pa is None or result.fill_pa is None or result.max_pa is None:
        raise PhysicsError("An open tank has no fill pressure; choose it by volume alone.")
    if result.method != "en 12828":
        return result.fill_pa
    absolute = [pressure + task.atmospheric_pa for pressure in (result.precharge_pa, result.max_pa)]
    reserve = en_reserve_m3(task.system_m3.high, total_m3)
    return en_fill_range_pa(total_m3, result.expansion_m3.high, reserve, *absolute)[0] - task.atmospheric_pa


def _choice(task: SizingTask, result: SizingResult, tanks: tuple[TankSize, ...], units: Units) -> TankChoice:
    total = _total(tanks)
    names = " + ".join(tank.name or units.show("volume", tank.volume_m3) for tank in tanks)
    how = "one tank" if len(tanks) == 1 else f"{len(tanks)} tanks in parallel"
    lines = [f"{names}: {how}, {units.show('volume', total)} in all, where {_band(result.volume_m3, units)} is needed."]
    if result.precharge_pa is None or result.fill_pa is None:
        return TankChoice(tanks, total, None, None, None, tuple(lines), ())
    fill, hot = _fill_for(task, result, total), _hot_pressures(task, result, tanks)
    low, high = units.show("pressure", hot.low), units.show("pressure", hot.high)
    which = "each" if len(tanks) > 1 else "it"
    charge = f"Charge {which} to {units.show('pressure', result.precharge_pa)} with its water side empty, fill"
    if result.method in _PLAIN:
        charge = f"Fill {which} from open air,"
    lines.append(
        f"{charge} cold to {units.show('pressure', fill)}; hot the pressure reaches "
        f"{low if low == high else f'{low} to {high}'}."
    )
    unknown = [tank for tank in tanks if tank.acceptance_m3 is None]
    warnings = []
    if unknown and result.method not in _PLAIN:
        warnings.append(
            f"The acceptance of {len(unknown)} of the chosen tanks is not known; ask for at least "
            f"{units.show('volume', _water_hot(task, result, total, hot.high))} in all, "
            "because a membrane takes less than the total volume."
        )
    return TankChoice(tanks, total, result.precharge_pa, fill, hot, tuple(lines), tuple(warnings))


def _water_hot(task: SizingTask, result: SizingResult, total_m3: float, hot_pa: float) -> float:
    charge = (result.precharge_pa or 0.0) + task.atmospheric_pa
    return total_m3 * (1 - charge / (hot_pa + task.atmospheric_pa))

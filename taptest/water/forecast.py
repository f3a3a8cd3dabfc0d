"""Pressure against temperature, from the visit's state to the highest temperature, with one tank or several.

Conventions: pressures are gauge pascals at the place of the gauge, temperatures degrees Celsius, volumes m3. Every
number of a `Cushion` or a `SystemState` may be an array of draws of one common shape (D,); a curve then has the shape
(D, T), else (T,).

Model: the water that the system loses room for goes into the tanks; each tank i, at its own height, holds
    w_i(P) = V_i clip(1 - K_i / (P - d_i), 0, a_i),   K_i = P0_i Tg / T0
with absolute pressures, d_i the water column from gauge to tank and a_i the share that its membrane accepts (gas law,
see `water.pressure`). What no tank takes (all empty below their pre-charge, or full) meets only the squeeze of the
water itself, so that the pressure climbs stiffly there:
    sum w_i(P2) + c (P2 - P1) = sum w_i(P1) + V_s e(t1, t2),   c = V_s beta
with e the net expansion and beta the compressibility of water, 4.5e-10 per Pa (value from memory, near 45 C). The
equation is increasing in P2 and concave between the pressures at which a tank starts to fill or is full, so Newton's
method from the left end of the right piece converges from one side.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import PhysicsError
from taptest.quantities import STANDARD_ATMOSPHERE_PA, parse
from taptest.water.fluids import WATER, Fluid, Metal, expansion, net_expansion
from taptest.water.pressure import kelvin, static_head_pa

FloatArray = NDArray[np.float64]

WATER_COMPRESSIBILITY_PER_PA = 4.5e-10
"""Value from memory; near its minimum around 45 C, 5.1e-10 at 0 C."""
LEAST_RELIEF_TOLERANCE_PA = parse("pressure", "3 psi").si
"""Set-pressure tolerance of small heating relief valves (value from memory)."""
RELIEF_TOLERANCE_SHARE = 0.1
"""A 3 bar valve must lift within 0.3 bar of its setting (boiler manual); weeping from 10 % below: common practice."""

_VACUUM_PA = 1e-3
"""A tank far above its gauge may find less than nothing; it then holds no water."""

ReliefVerdict = Literal["stays shut", "may weep", "opens"]


@dataclass(frozen=True, slots=True)
class Cushion:
    """One tank as the forecast sees it; every number may be an array of draws."""

    volume_m3: ArrayLike
    precharge_pa: ArrayLike
    """Gauge pressure of the air at `charge_t_c` with the tank empty of water. A plain tank filled from open air: 0."""
    charge_t_c: ArrayLike = 20.0
    gas_t_c: ArrayLike = 20.0
    """Temperature of the air at the visit."""
    hot_gas_t_c: ArrayLike | None = None
    """Temperature of the air at the end of the forecast; as at the visit where None."""
    acceptance_share: ArrayLike = 1.0
    """Largest share of the volume that the water may take."""
    above_gauge_m: ArrayLike = 0.0
    """Height of the tank above the gauge."""


@dataclass(frozen=True, slots=True)
class SystemState:
    """The system at the visit; every number may be an array of draws."""

    volume_m3: ArrayLike
    pressure_pa: ArrayLike
    """Gauge reading."""
    temperature_c: ArrayLike
    """Mean temperature of the water."""
    fluid: Fluid = WATER
    metal: Metal | None = "steel"
    """Metal whose expansion is credited; None gives the gross expansion of the fluid."""
    atmospheric_pa: ArrayLike = STANDARD_ATMOSPHERE_PA
    compressibility_per_pa: float = WATER_COMPRESSIBILITY_PER_PA


@dataclass(frozen=True, slots=True)
class PressureCurve:
    """Pressure against water temperature; the leading axis, where there is one, holds draws."""

    temperature_c: FloatArray
    """(T,) for one state, (D, T) for draws; from the visit's temperature to the last one."""
    pressure_pa: FloatArray
    """(T,) or (D, T), gauge, at the gauge."""
    water_m3: FloatArray
    """(N, T) or (N, D, T): water in each of the N tanks."""
    full: NDArray[np.bool_]
    """(T,) or (D, T): whether every tank is at its largest acceptance."""
    empty: NDArray[np.bool_]
    """(T,) or (D, T): whether no tank holds water, so that the pressure moves stiffly."""
    not_taken_m3: FloatArray
    """(T,) or (D, T): expansion that no tank took and that only squeezes the water."""

    @property
    def hot_pressure_pa(self) -> FloatArray:
        """() or (D,): pressure at the last temperature."""
        return np.asarray(self.pressure_pa[..., -1])[()]


@dataclass(frozen=True, slots=True)
class ReliefOutlook:
    """What a pressure curve means for the relief valve."""

    verdict: ReliefVerdict
    weeps_from_c: float | None
    """Water temperature at which the setting minus the tolerance is reached: median of the draws that do; else None."""
    opens_at_c: float | None
    """Water temperature at which it reaches the setting itself."""
    share_may_weep: float
    """Share of the draws that reach the setting minus the tolerance."""
    share_opens: float
    """Share of the draws that reach the setting."""


def relief_tolerance_pa(relief_pa: float) -> float:
    """Pressure below its setting from which a relief valve may weep: 10 % of the setting, at least 3 psi.

    That is 3 psi at 30 psi and 0.3 bar at 3 bar. Sources: see the constants of this module.
    """
    return max(LEAST_RELIEF_TOLERANCE_PA, RELIEF_TOLERANCE_SHARE * relief_pa)


@dataclass(frozen=True, slots=True)
class _Tanks:
    """Stacked cushions (N, B): volume, absolute charge over its temperature, acceptance, column from the gauge."""

    volume: FloatArray
    charge_per_k: FloatArray
    acceptance: FloatArray
    column: FloatArray

    def starts(self, gas_k: FloatArray) -> FloatArray:
        """(N, B) absolute pressure at the tank at which it starts to take water."""
        return self.charge_per_k * gas_k

    def water(self, pressure_abs: FloatArray, gas_k: FloatArray) -> FloatArray:
        """(N, B) water in each tank at an absolute pressure at the gauge."""
        at_tank = np.maximum(pressure_abs - self.column, _VACUUM_PA)
        free = 1 - np.minimum(self.starts(gas_k) / at_tank, 1.0)
        held: FloatArray = self.volume * np.minimum(free, self.acceptance)
        return held


def pressure_after(
    state: SystemState, tanks: Sequence[Cushion], added_m3: ArrayLike, gas_is_hot: bool = False
) -> FloatArray:
    """Gauge pressure after `added_m3` of water was added (negative: drawn off), at an unchanged water temperature.

    With `gas_is_hot` the air has moved to its hot temperature meanwhile. A pressure that falls to vacuum is returned
    as vacuum.
    """
    added = np.asarray(added_m3, dtype=np.float64)
    setup = _Setup.of(state, tanks, added.shape)
    gas = setup.gas_hot if gas_is_hot else setup.gas
    pressure = _solve(setup, gas, setup.tanks.water(setup.start_abs, setup.gas).sum(axis=0) + added)
    return np.asarray(pressure - setup.atmospheric)[()]


def hot_pressure_pa(state: SystemState, tanks: Sequence[Cushion], hot_c: ArrayLike) -> FloatArray:
    """Gauge pressure (at the gauge) when the water is at `hot_c` and the air at its hot temperature; () or (D,)."""
    hot = np.asarray(hot_c, dtype=np.float64)
    setup = _Setup.of(state, tanks, hot.shape)
    water = setup.tanks.water(setup.start_abs, setup.gas).sum(axis=0) + _swelling(state, hot)
    return np.asarray(_solve(setup, setup.gas_hot, water) - setup.atmospheric)[()]


def pressure_curve(state: SystemState, tanks: Sequence[Cushion], hot_c: ArrayLike, steps: int = 41) -> PressureCurve:
    """Pressure from the visit's temperature to `hot_c` in `steps` temperatures; the air warms in step with the water.

    Raises PhysicsError for values that cannot be, and for temperatures outside the fluid's range.
    """
    if steps < 2:
        raise PhysicsError(f"A curve needs at least 2 temperatures, not {steps}.")
    way = np.linspace(0.0, 1.0, steps)
    hot = np.asarray(hot_c, dtype=np.float64)
    setup = _Setup.of(state, tanks, hot.shape, trailing=True)
    start_c = np.asarray(state.temperature_c, dtype=np.float64)[..., None]
    temperature = start_c + (hot[..., None] - start_c) * way
    gas = setup.gas + (setup.gas_hot - setup.gas) * way
    held = setup.tanks.water(setup.start_abs, setup.gas).sum(axis=0)
    pressure = _solve(setup, gas, held + _swelling(state, temperature, trailing=True))
    water = setup.tanks.water(pressure, gas)
    full = np.all(water >= setup.tanks.volume * setup.tanks.acceptance, axis=0)
    empty = np.all(water <= 0, axis=0)
    shape = pressure.shape
    return PressureCurve(
        np.broadcast_to(temperature, shape),
        pressure - setup.atmospheric,
        water,
        full,
        empty,
        setup.compliance * (pressure - setup.start_abs),
    )


def crossing_c(curve: PressureCurve, threshold_pa: ArrayLike) -> FloatArray:
    """Lowest water temperature at which the curve reaches `threshold_pa`, linear between its points; NaN where never.

    () or (D,). A curve that starts at or above the threshold crosses at its first temperature.
    """
    threshold = np.asarray(threshold_pa, dtype=np.float64)
    t, p = np.atleast_2d(curve.temperature_c), np.atleast_2d(curve.pressure_pa)
    reached = p >= threshold[..., None]
    after = np.argmax(reached, axis=-1)
    before = np.maximum(after - 1, 0)
    rows = np.arange(p.shape[0])
    p0, p1, t0, t1 = p[rows, before], p[rows, after], t[rows, before], t[rows, after]
    part = np.divide(threshold - p0, p1 - p0, out=np.zeros_like(p0), where=p1 > p0)
    crossing = np.where(reached.any(axis=-1), t0 + (t1 - t0) * np.where(after > 0, part, 0.0), np.nan)
    return np.asarray(crossing.reshape(curve.pressure_pa.shape[:-1]))[()]


def relief_outlook(
    curve: PressureCurve, relief_pa: float, tolerance_pa: float | None = None, relief_above_gauge_pa: float = 0.0
) -> ReliefOutlook:
    """Say whether the relief valve stays shut, may weep or opens along a curve.

    `relief_above_gauge_pa` is the water column from the gauge up to the valve, which the valve does not feel. Without
    `tolerance_pa` that of `relief_tolerance_pa` holds. Over draws, the verdict is that of most draws.
    """
    tolerance = relief_tolerance_pa(relief_pa) if tolerance_pa is None else tolerance_pa
    if not (relief_pa > 0 and tolerance >= 0):
        raise PhysicsError(
            f"A relief setting of {relief_pa:g} Pa with a tolerance of {tolerance:g} Pa cannot be; "
            "give the rating on the valve's plate."
        )
    weeps = np.atleast_1d(crossing_c(curve, relief_pa - tolerance + relief_above_gauge_pa))
    opens = np.atleast_1d(crossing_c(curve, relief_pa + relief_above_gauge_pa))
    share_weeps, share_opens = float(np.mean(np.isfinite(weeps))), float(np.mean(np.isfinite(opens)))
    verdict: ReliefVerdict = "opens" if share_opens > 0.5 else "may weep" if share_weeps > 0.5 else "stays shut"
    return ReliefOutlook(verdict, _median(weeps), _median(opens), share_weeps, share_opens)


def _median(values: FloatArray) -> float | None:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else None


@dataclass(frozen=True, slots=True)
class _Setup:
    """Everything that the equation needs, checked and stacked: tanks (N, B), the rest (B)."""

    tanks: _Tanks
    gas: FloatArray
    gas_hot: FloatArray
    start_abs: FloatArray
    atmospheric: FloatArray
    compliance: FloatArray

    @classmethod
    def of(
        cls, state: SystemState, cushions: Sequence[Cushion], also: tuple[int, ...] = (), trailing: bool = False
    ) -> "_Setup":
        if not cushions:
            raise PhysicsError("No tank is given, so nothing takes up the water's expansion; give at least one tank.")
        shape = _draws(state, cushions, also)

        def array(value: ArrayLike) -> FloatArray:
            found = np.broadcast_to(np.asarray(value, dtype=np.float64), shape)
            return found[..., None] if trailing else found

        atmospheric = array(state.atmospheric_pa)
        start_abs = array(state.pressure_pa) + atmospheric
        volume = array(state.volume_m3)
        _require(atmospheric > 0, "The air pressure on site (Pa)", atmospheric, "it is above zero; check the altitude")
        _require(
            start_abs > 0, "The absolute pressure of the system (Pa)", start_abs, "it is above zero; check the gauge"
        )
        _require(volume > 0, "The system's volume (m3)", volume, "it is above zero; check the volume")
        if not state.compressibility_per_pa > 0:
            raise PhysicsError(
                f"A compressibility of {state.compressibility_per_pa:g} per Pa cannot be; it is above zero."
            )
        for cushion in cushions:
            _check_cushion(cushion, state)
        rows = [
            (
                array(c.volume_m3),
                (array(c.precharge_pa) + atmospheric) / kelvin(array(c.charge_t_c)),
                array(c.acceptance_share),
                static_head_pa(array(c.above_gauge_m), state.fluid, array(state.temperature_c)),
            )
            for c in cushions
        ]
        gas = np.stack([kelvin(array(c.gas_t_c)) for c in cushions])
        hot = np.stack([kelvin(array(c.gas_t_c if c.hot_gas_t_c is None else c.hot_gas_t_c)) for c in cushions])
        tanks = _Tanks(*(np.stack(column) for column in zip(*rows, strict=True)))
        return cls(tanks, gas, hot, start_abs, atmospheric, volume * state.compressibility_per_pa)


def _draws(state: SystemState, cushions: Sequence[Cushion], also: tuple[int, ...]) -> tuple[int, ...]:
    """Shape common to all numbers: () or (D,)."""
    values = [state.volume_m3, state.pressure_pa, state.temperature_c, state.atmospheric_pa]
    for c in cushions:
        values += [c.volume_m3, c.precharge_pa, c.charge_t_c, c.gas_t_c, c.acceptance_share, c.above_gauge_m]
        values += [] if c.hot_gas_t_c is None else [c.hot_gas_t_c]
    shapes = [also, *(np.shape(value) for value in values)]
    try:
        return np.broadcast_shapes(*shapes)
    except ValueError as error:
        found = ", ".join(str(shape) for shape in sorted(set(shapes)))
        raise PhysicsError(f"The draws differ in number ({found}); give arrays of one length.") from error


def _check_cushion(cushion: Cushion, state: SystemState) -> None:
    volume = np.asarray(cushion.volume_m3, dtype=np.float64)
    _require(volume > 0, "The tank's volume (m3)", volume, "it is above zero")
    charge = np.asarray(cushion.precharge_pa, dtype=np.float64) + np.asarray(state.atmospheric_pa, dtype=np.float64)
    _require(charge > 0, "The tank's absolute pre-charge (Pa)", charge, "it is above zero; check the pre-charge")
    share = np.asarray(cushion.acceptance_share, dtype=np.float64)
    _require(
        (share > 0) & (share <= 1), "The share of the tank that water may take", share, "it lies above 0 and up to 1"
    )


def _require(good: NDArray[np.bool_], name: str, values: FloatArray, advice: str) -> None:
    if not bool(np.all(good)):
        wrong = float(np.ravel(values)[int(np.argmin(np.ravel(good)))])
        raise PhysicsError(f"{name} is {wrong:g}; {advice}.")


def _swelling(state: SystemState, t_c: FloatArray, trailing: bool = False) -> FloatArray:
    """Volume (m3) for which the system has no room at `t_c`."""
    start, volume = (np.asarray(v, dtype=np.float64) for v in (state.temperature_c, state.volume_m3))
    if trailing:
        start, volume = start[..., None], volume[..., None]
    if state.metal is None:
        return volume * expansion(state.fluid, start, t_c)
    return volume * net_expansion(state.fluid, start, t_c, state.metal)


_MOST_ITERATIONS = 80
_RELATIVE_STEP = 1e-13


def _solve(setup: _Setup, gas_k: FloatArray, water: FloatArray) -> FloatArray:
    """Absolute pressure (B) at the gauge at which the tanks and the squeezed water hold `water` (B) in all."""
    tanks, begins = setup.tanks, setup.tanks.starts(gas_k)
    volume, column, acceptance = tanks.volume, tanks.column, tanks.acceptance
    compliance, start = setup.compliance, setup.start_abs
    room = 1 - acceptance
    full_at = np.divide(begins, room, out=np.full_like(begins, np.inf), where=room > 0) + column
    begins_at = begins + column

    # the piece: its left end is the last kink at which the system still holds too little
    left = np.full(water.shape, -np.inf)
    for kink in (*begins_at, *full_at):
        finite = np.where(np.isfinite(kink), kink, 1.0)
        held = tanks.water(finite, gas_k).sum(axis=0)
        short = np.isfinite(kink) & (held + compliance * (finite - start) <= water)
        left = np.where(short, np.maximum(left, kink), left)
    active = (begins_at <= left) & (left < full_at)
    full = left >= full_at

    constant = np.where(full, volume * acceptance, 0.0).sum(axis=0) - compliance * start - water
    stiff = ~active.any(axis=0)
    volume = np.where(active, volume, 0.0)
    pressure = np.where(stiff, -constant / compliance, left)
    if len(volume) == 1:  # one tank: a quadratic equation, its roots without cancellation
        linear, product = volume[0] + compliance * column[0] + constant, volume[0] * begins[0]
        away = np.abs(linear) + np.sqrt(linear**2 + 4 * compliance * product)
        small = np.divide(2 * product, away, out=np.zeros(away.shape), where=away > 0)
        root = np.where(linear > 0, small, away / (2 * compliance)) + column[0]
        pressure = np.where(stiff, pressure, np.maximum(root, left))
    # a step that rounding alone could make is no step: the balance is a difference of these amounts
    rounding = 8 * np.finfo(np.float64).eps * (volume.sum(axis=0) + np.abs(constant))
    for _ in range(_MOST_ITERATIONS):
        at_tank = np.where(active, pressure - column, 1.0)
        ratio = begins / at_tank
        excess = (volume * (1 - ratio)).sum(axis=0) + compliance * pressure + constant
        slope = (volume * ratio / at_tank).sum(axis=0) + compliance
        step = np.where(stiff, 0.0, excess / slope)
        pressure = pressure - step
        if not np.any(np.abs(step) > _RELATIVE_STEP * np.abs(pressure) + rounding / slope):
            return np.maximum(pressure, 0.0)
    raise PhysicsError(
        "The pressure that balances the tanks was not found; check the volumes, the pre-charges and the temperatures."
    )


def pressure_band(curve: PressureCurve, shares: Sequence[float] = (0.05, 0.5, 0.95)) -> tuple[FloatArray, FloatArray]:
    """Temperatures (S,) and the pressures (len(shares), S) under which those shares of the draws lie.

    The draws may start and end at different temperatures; the band runs from the median start to the median end, and a
    draw is held at its ends beyond them.
    """
    t, p = np.atleast_2d(curve.temperature_c), np.atleast_2d(curve.pressure_pa)
    common = np.linspace(float(np.median(t[:, 0])), float(np.median(t[:, -1])), t.shape[1])
    span = t[:, -1:] - t[:, :1]
    way = np.divide(common - t[:, :1], span, out=np.zeros_like(t), where=span != 0)
    position = np.clip(way, 0, 1) * (t.shape[1] - 1)
    below = np.minimum(position.astype(np.intp), t.shape[1] - 2)
    rows = np.arange(t.shape[0])[:, None]
    pressure = p[rows, below] + (position - below) * (p[rows, below + 1] - p[rows, below])
    return common, np.quantile(pressure, shares, axis=0)

"""What the readings of a visit leave open, as draws: gauge error, weather, temperatures, volumes, the membrane's form.

One set of seeded draws goes through everything that is compared. Units are SI, pressures gauge unless `_abs`; D draws.
Spreads that no reading gives are common practice or own judgement, no source.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.finding.records import Case, Interval, ReferenceSource
from taptest.tank.contact import Forms, draw_forms
from taptest.tank.kinds import Tank
from taptest.water.pressure import atmospheric_pressure_pa, static_head_pa
from taptest.water.sizing import MARGIN_PA as NEED_MARGIN_PA
from taptest.water.sizing import needed_precharge_pa as needed_charge_pa

FloatArray = NDArray[np.float64]

DRAWS = 10_000
"""Draws of what is not known for sure."""
STATED_SD_PA = 7_000.0
"""Spread of a stated pre-charge: how exactly it is set and read."""
NEEDED_SD_PA = 20_000.0
"""Spread of a charge that is only inferred from the height or the fill pressure."""
FACTORY_CHARGES_PA = (50_000.0, 75_000.0, 82_700.0, 100_000.0, 150_000.0)
"""Usual charges from the factory: 0.5, 0.75, 1.0 and 1.5 bar, 12 psi; common practice, no source."""
AS_DELIVERED = 0.5
"""Probability that a charge that nobody stated is still the factory's."""
ABOVE_FILL_PA = 20_000.0
"""A cold pressure by this much above the fill setting, 0.2 bar, is not the fill valve's doing alone: own judgement."""
COOL_ENOUGH_C = 90.0
"""A system whose highest temperature is not known is not taken to make steam."""
DEPTH_SD = 0.01
"""Spread of a predicted level from the shell's own measures, as a share of its height."""


@dataclass(frozen=True, slots=True)
class Reference:
    """The pre-charge that the expectation rests on, gauge, and its spread."""

    pressure_pa: float
    sd_pa: float
    source: ReferenceSource


@dataclass(frozen=True, slots=True)
class Draws:
    """What the readings leave open, D draws of each."""

    pressure_abs_pa: FloatArray
    """At the tank."""
    gauge_pa: FloatArray
    """At the gauge."""
    atmospheric_pa: FloatArray
    gas_t_c: FloatArray
    charge_t_c: FloatArray
    forms: Forms
    """Of the membrane."""
    volume_m3: FloatArray
    depth_error_m: FloatArray

    def picked(self, which: NDArray[np.int64]) -> "Draws":
        """Return some of these draws (D,), by number; the forms stay as they are."""
        names = ("pressure_abs_pa", "gauge_pa", "atmospheric_pa", "gas_t_c", "charge_t_c", "volume_m3", "depth_error_m")
        return replace(self, **{name: getattr(self, name)[which] for name in names})


def is_hot(case: Case) -> bool | None:
    """Whether the visit was made hot: as said, else by the water's temperature; None where neither is known."""
    readings = case.readings
    if readings.state is not None:
        return readings.state == "hot"
    return None if readings.water_temperature_c is None else readings.water_temperature_c > 40.0


def column_pa(case: Case) -> float:
    """Pressure of the water column from the gauge up to the tank, negative where the tank lies below it."""
    return float(static_head_pa(case.readings.tank_above_gauge_m, case.system.fluid))


def stands_above_fill(case: Case) -> bool:
    """Whether the cold pressure stands above the fill valve's setting: then water came in from elsewhere."""
    pressure, fill = case.readings.pressure_pa, case.system.fill_pa
    if pressure is None or fill is None or is_hot(case) is not False:
        return False
    return pressure > fill + ABOVE_FILL_PA + 2 * case.readings.pressure_sd_pa


def needed_precharge_pa(case: Case) -> float | None:
    """Pre-charge (gauge) that the system needs, as `taptest size` computes it; None where the height is not known."""
    head, system = case.system.static_head_pa, case.system
    if head is None:
        return None
    hot = system.max_temperature_c
    air = float(atmospheric_pressure_pa(system.altitude_m))
    return needed_charge_pa(head, COOL_ENOUGH_C if hot is None else hot, air, NEED_MARGIN_PA)


def right_charge_pa(case: Case, needed_pa: float | None) -> float | None:
    """Return the charge to set (gauge): what the height needs, else the stated one or the fill's.

    A stated charge above the need is kept as long as the fill pressure lies above it. None where nothing is known.
    """
    stated, fill = case.readings.precharge_pa, case.system.fill_pa
    if not case.tank.has_membrane:
        stated = None
    most = stated if fill is None or stated is None else min(stated, fill)
    known = [value for value in (needed_pa, most) if value is not None]
    return max(known) if known else fill


def reference_charge(case: Case) -> Reference | None:
    """Choose the charge to compare with: the stated one, else what the system needs, else its fill pressure."""
    if not case.tank.charged:
        return None
    if case.readings.precharge_pa is not None:
        return Reference(case.readings.precharge_pa, STATED_SD_PA, "stated")
    if not case.tank.has_membrane:
        return Reference(0.0, STATED_SD_PA, "open air")
    needed = needed_precharge_pa(case)
    if needed is not None:
        return Reference(needed, NEEDED_SD_PA, "what the system needs")
    if case.system.fill_pa is not None:
        return Reference(case.system.fill_pa, NEEDED_SD_PA, "fill pressure")
    return None


def spread_volume_m3(volume_m3: float, rel_sd: float, normal: FloatArray) -> FloatArray:
    """Volumes about the one that is known, for standard normal draws of any shape; never below a fifth of it."""
    return np.asarray(volume_m3 * np.maximum(0.2, 1 + rel_sd * normal))


def draw_tank_volume(tank: Tank, rng: np.random.Generator) -> FloatArray:
    """(D,) volumes of the tank, within what its plate says of it."""
    return spread_volume_m3(tank.volume_m3, tank.volume_rel_sd, rng.standard_normal(DRAWS))


def draw(case: Case, rng: np.random.Generator) -> Draws:
    """Draw what the readings leave open; the pressure must have been read."""
    readings, system = case.readings, case.system
    assert readings.pressure_pa is not None
    weather = 1_000.0 * rng.standard_normal(DRAWS)
    atmospheric = atmospheric_pressure_pa(system.altitude_m) + weather
    gauge = readings.pressure_pa + readings.pressure_sd_pa * rng.standard_normal(DRAWS)
    column = column_pa(case)
    charged = readings.charged_at_c
    charge_t = rng.normal(18.0 if charged is None else charged, 5.0 if charged is None else 2.0, DRAWS)
    return Draws(
        pressure_abs_pa=np.maximum(gauge - column + atmospheric, 2_000.0),
        gauge_pa=np.maximum(gauge, 1_000.0 - atmospheric),
        atmospheric_pa=np.asarray(atmospheric),
        gas_t_c=draw_gas_temperature(case, rng),
        charge_t_c=charge_t,
        forms=draw_forms(DRAWS, rng),
        volume_m3=draw_tank_volume(case.tank, rng),
        depth_error_m=rng.normal(0.0, DEPTH_SD * case.tank.shape.height_m, DRAWS),
    )


def draw_gas_temperature(case: Case, rng: np.random.Generator) -> FloatArray:
    """Temperature of the air: that of the shell where it was read, else between the room's and the water's."""
    readings = case.readings
    if readings.tank_temperature_c is not None:
        return np.asarray(rng.normal(readings.tank_temperature_c, 2.0, DRAWS))
    room = rng.normal(20.0, 3.0, DRAWS)
    if readings.water_temperature_c is not None:
        return np.asarray(room + rng.uniform(0.05, 0.6, DRAWS) * (readings.water_temperature_c - room))
    return np.asarray(room + (rng.uniform(0.0, 25.0, DRAWS) if is_hot(case) else 0.0))


def draw_reference(reference: Reference, draws: Draws, rng: np.random.Generator) -> FloatArray:
    """(D,) absolute pre-charges of a tank that is right.

    Where nobody stated the charge, it is as the system needs it or, as often, still what the factory set.
    """
    charge = reference.pressure_pa + draws.atmospheric_pa + rng.normal(0.0, reference.sd_pa, DRAWS)
    if reference.source in ("what the system needs", "fill pressure"):
        factory = rng.choice(FACTORY_CHARGES_PA, DRAWS) + rng.normal(0.0, STATED_SD_PA, DRAWS) + draws.atmospheric_pa
        charge = np.where(rng.uniform(size=DRAWS) < AS_DELIVERED, factory, charge)
    return np.asarray(np.maximum(charge, 2_000.0))


def interval_of(values: FloatArray) -> Interval:
    """Median and central 90 % of draws."""
    low, median, high = (float(v) for v in np.quantile(values, (0.05, 0.5, 0.95)))
    return Interval(median, low, high)


def taken(tank: Tank, share: FloatArray) -> FloatArray:
    """Water shares held back by the membrane's acceptance."""
    return share if tank.acceptance_share is None else np.minimum(share, tank.acceptance_share)

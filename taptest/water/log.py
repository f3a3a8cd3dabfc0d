"""A log of pressures and a measured drain as evidence for the air in the tank, beside the sound.

Conventions: pressures are gauge pascals at the tank, temperatures degrees Celsius, times seconds from the first
entry. Amounts of air are given as *free air*: the volume (m3) that the air would fill at one atmosphere and 20 C. It
does not change while the tank fills or warms, so estimates made at different pressures can be laid side by side.
Uncertainties are standard deviations.

A log as text is CSV with a header: `time`, `pressure`, and where known `temperature`, `tank_temperature`, `heat`
(on/off), `fill` (open/shut). Values carry their units in the cell ("1.5 bar") or in the header ("pressure [bar]").
Times are 14:30, 14:30:10, 2026-01-31 14:30, "12 min", "90 s" or "1.5 h". With semicolons between the columns a
decimal comma needs no quotes.
"""

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError, VisitError
from taptest.quantities import STANDARD_ATMOSPHERE_PA, parse
from taptest.statements import Key, Said, Statement
from taptest.water.fluids import WATER, Fluid, Metal, expansion, net_expansion
from taptest.water.pressure import kelvin

FloatArray = NDArray[np.float64]
AirSource = Literal["sound", "drain", "pressure rise"]

FREE_AIR_T_C = 20.0
CONTRADICTION_LEVEL = 0.05
"""Estimates that would differ this much by chance in fewer than 1 of 20 cases contradict each other."""


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One reading; None where it was not taken."""

    time_s: float
    pressure_pa: float
    water_t_c: float | None = None
    tank_t_c: float | None = None
    heat_on: bool | None = None
    fill_open: bool | None = None


@dataclass(frozen=True, slots=True)
class DrainTest:
    """A measured drain: cold, fill valve shut, water drawn into a measure."""

    drained_m3: float
    before_pa: float
    after_pa: float
    drained_rel_sd: float = 0.03
    reading_sd_pa: float = 3000.0
    """How well one reading is repeated; the two readings of the drain differ by this."""
    gauge_bias_sd_pa: float = 6000.0
    """How far the gauge is off altogether; both readings share it."""
    gas_t_c: float = 20.0


@dataclass(frozen=True, slots=True)
class AirEstimate:
    """Free air in the tank by one way of measuring."""

    source: AirSource
    free_air_m3: float
    sd_m3: float
    notes: tuple[Said, ...] = ()


class AirWay(Key):
    """A way of finding the air, as a part."""

    SOUND = "way.sound"
    DRAIN = "way.drain"
    RISE = "way.pressure rise"


WAY: dict[AirSource, AirWay] = {"sound": AirWay.SOUND, "drain": AirWay.DRAIN, "pressure rise": AirWay.RISE}


class AirSays(Key):
    """What is to be known of the estimates of the air, in whole sentences."""

    ELSEWHERE = "air.elsewhere"
    MORE_THAN_TANK = "air.more than the tank", "air_m3", "tank_m3"
    NO_SINGLE_CUSHION = "air.no single cushion"
    ONE_WAY = "air.one way", "way"
    AGREE = "air.agree", "ways"
    CONTRADICT = "air.contradict", "more", "more_m3", "less", "less_m3", "too_much", "too_little"


class NoAir(Key):
    """Why a drain or a log gives no estimate of the air, in whole sentences; what the errors raised here carry."""

    DRAIN_READINGS = "no air.drain readings"
    SMALL_FALL = "no air.small fall", "fall_pa"
    LOG_BELOW_VACUUM = "no air.log below vacuum"
    NO_RISE = "no air.no rise"
    NO_WARM_UP = "no air.no warm-up"


class AirHint(Key):
    """Why a way may find too much or too little air, as a part."""

    SOUND_TOO_MUCH = "air hint.sound, too much"
    DRAIN_TOO_MUCH = "air hint.drain, too much"
    RISE_TOO_MUCH = "air hint.pressure rise, too much"
    SOUND_TOO_LITTLE = "air hint.sound, too little"
    DRAIN_TOO_LITTLE = "air hint.drain, too little"
    RISE_TOO_LITTLE = "air hint.pressure rise, too little"


@dataclass(frozen=True, slots=True)
class CombinedAir:
    """Independent estimates laid together.

    Where they contradict each other there is no common value: `free_air_m3` and `sd_m3` are None, and what is said
    names the two that differ most.
    """

    free_air_m3: float | None
    sd_m3: float | None
    chi_square: float
    p_value: float
    """Chance that sound estimates differ this much; 1 where there is only one."""
    contradiction: bool
    says: Statement
    estimates: tuple[AirEstimate, ...]


@dataclass(frozen=True, slots=True)
class Drift:
    """How the pressure moved while heat and fill valve stayed as they were."""

    heat_on: bool | None
    fill_open: bool | None
    start_s: float
    duration_s: float
    slope_pa_per_h: float
    slope_sd_pa_per_h: float
    warming_c: float | None
    """Change of the water's temperature meanwhile; None where not read."""
    readings: int


# ---------------------------------------------------------------- reading a log

_COLUMNS = ("time", "pressure", "temperature", "tank_temperature", "heat", "fill")
_YES_NO = {
    "heat": {"on": True, "yes": True, "true": True, "1": True, "off": False, "no": False, "false": False, "0": False},
    "fill": {"open": True, "yes": True, "1": True, "shut": False, "closed": False, "no": False, "0": False},
}
_STATES = {"heat": "on or off", "fill": "open or shut"}
_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_SPAN = re.compile(r"(\d+(?:[.,]\d+)?)\s*(s|sec|min|h|hr)", re.ASCII)
_SECONDS = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0, "hr": 3600.0}
_DAY_S = 86400.0


def parse_log(text: str, where: str = "log", atmospheric_pa: float = STANDARD_ATMOSPHERE_PA) -> tuple[LogEntry, ...]:
    """Read a log from CSV text; `where` names the file for errors, `atmospheric_pa` serves absolute readings.

    Raises VisitError for a text that is not a log and QuantityError for a value that is not a quantity, with row and
    column.
    """
    return read_records(log_records(text, where), where, atmospheric_pa)


def log_records(text: str, where: str = "log") -> list[dict[str, str]]:
    """Split CSV text into records as they were typed, each value with its unit; empty cells are left out.

    Raises VisitError for a text that is not a log.
    """
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise VisitError(
            f"{where}: the log is empty; write a header (time, pressure, ...) and one line for each reading."
        )
    delimiter = next((mark for mark in (";", "\t") if mark in lines[0]), ",")
    rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter, skipinitialspace=True))
    header = [cell.strip() for cell in rows[0]]
    records = []
    for number, row in enumerate(rows[1:], start=1):
        if len(row) != len(header):
            raise VisitError(
                f"{where}, reading {number}: {len(row)} columns where the header has {len(header)}; "
                'put values with a decimal comma in quotes ("1,5 bar") or use semicolons between the columns.'
            )
        cells, units = _cells(dict(zip(header, row, strict=True)), f"{where}, reading {number}")
        records.append({name: _with_unit(name, cell, units[name]) for name, cell in cells.items() if cell})
    return records


def _with_unit(name: str, cell: str, unit: str) -> str:
    """Write the header's unit behind a value; a time of day and a state have none, whatever the header says."""
    bare = not any(letter.isalpha() or letter == ":" for letter in cell)
    return f"{cell} {unit}" if unit and bare and name not in _YES_NO else cell


def read_records(
    records: Sequence[Mapping[str, str]], where: str = "log", atmospheric_pa: float = STANDARD_ATMOSPHERE_PA
) -> tuple[LogEntry, ...]:
    """Read a log from records: one mapping a reading, keys as in the CSV header. Errors as in `parse_log`."""
    if not records:
        raise VisitError(f"{where}: the log has no readings; write one line for each reading.")
    entries: list[LogEntry] = []
    clock_offset, first = 0.0, None
    for number, record in enumerate(records, start=1):
        place = f"{where}, reading {number}"
        cells, units = _cells(record, place)
        time, by_clock = _time_s(cells.get("time", ""), place)
        if by_clock and entries and first is not None and time + clock_offset - first < entries[-1].time_s:
            clock_offset += _DAY_S  # past midnight
        first = time if first is None else first
        entry = _entry(cells, units, time + clock_offset - first, place, atmospheric_pa)
        if entries and not entries[-1].time_s <= entry.time_s <= entries[-1].time_s + _DAY_S:
            raise VisitError(
                f"{place}: the time {cells['time']!r} does not follow the reading before; put the readings "
                "in order of time."
            )
        entries.append(entry)
    return tuple(entries)


def _cells(record: Mapping[str, str], place: str) -> tuple[dict[str, str], dict[str, str]]:
    """Cells by column name, and the unit that a header gives."""
    cells: dict[str, str] = {}
    units: dict[str, str] = {}
    for key, value in record.items():
        match = re.fullmatch(r"\s*([A-Za-z_ ]+?)\s*(?:[\[(](.+)[\])])?\s*", key or "")
        name = match[1].strip().lower().replace(" ", "_") if match else ""
        if not match or name not in _COLUMNS:
            raise VisitError(
                f"{place}: the column {key!r} is not known; use {', '.join(_COLUMNS)} "
                "(with units as in 'pressure [bar]')."
            )
        if name in cells:
            raise VisitError(f"{place}: the column {name!r} appears twice; leave one out.")
        cells[name] = str(value).strip()
        units[name] = (match[2] or "").strip()
    for needed in ("time", "pressure"):
        if not cells.get(needed):
            raise VisitError(f"{place}: there is no {needed}; every reading needs a time and a pressure.")
    return cells, units


def _entry(
    cells: Mapping[str, str], units: Mapping[str, str], time_s: float, place: str, atmospheric_pa: float
) -> LogEntry:
    def value(name: str, kind: Literal["pressure", "temperature"]) -> float | None:
        text = cells.get(name, "")
        if not text:
            return None
        quantity = parse(kind, f"{text} {units[name]}".strip(), f"{place}, {name}")
        return quantity.gauge_pa(atmospheric_pa) if kind == "pressure" else quantity.si

    def state(name: str) -> bool | None:
        text = cells.get(name, "").lower()
        if text and text not in _YES_NO[name]:
            raise VisitError(f"{place}: {name} is {text!r}; write {_STATES[name]}, or leave it empty.")
        return _YES_NO[name][text] if text else None

    pressure = value("pressure", "pressure")
    if pressure is None:
        raise VisitError(f"{place}: there is no pressure; every reading needs a time and a pressure.")
    return LogEntry(
        time_s,
        pressure,
        value("temperature", "temperature"),
        value("tank_temperature", "temperature"),
        state("heat"),
        state("fill"),
    )


def _time_s(text: str, place: str) -> tuple[float, bool]:
    """Time in seconds from some zero, and whether it is a time of day that starts again at midnight."""
    if match := _CLOCK.fullmatch(text):
        hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3] or 0)
        if hours < 24:
            return 3600.0 * hours + 60.0 * minutes + seconds, True
    if match := _SPAN.fullmatch(text.lower()):
        return float(match[1].replace(",", ".")) * _SECONDS[match[2]], False
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise VisitError(
            f"{place}: the time {text!r} is unclear; write 14:30, 14:30:10, 2026-01-31 14:30, 12 min, 90 s or 1.5 h."
        ) from None
    return (moment.replace(tzinfo=None) - datetime(2000, 1, 1)).total_seconds(), False


# ---------------------------------------------------------------- estimates of the air


def free_air_m3(
    volume_m3: float, pressure_pa: float, gas_t_c: float, atmospheric_pa: float = STANDARD_ATMOSPHERE_PA
) -> float:
    """Free air (m3 at one atmosphere and 20 C) of a volume at a gauge pressure: V (P + Pa) / 101325 x 293.15 / Tg."""
    if not (volume_m3 >= 0 and pressure_pa + atmospheric_pa > 0):
        raise PhysicsError(
            f"Air of {volume_m3:g} m3 at {pressure_pa + atmospheric_pa:g} Pa absolute cannot be; "
            "check the volume and the pressure."
        )
    return float(volume_m3 * (pressure_pa + atmospheric_pa) / STANDARD_ATMOSPHERE_PA * _free_air_k() / kelvin(gas_t_c))


def precharge_from_air_pa(
    air_m3: float, tank_m3: float, charge_t_c: float = FREE_AIR_T_C, atmospheric_pa: float = STANDARD_ATMOSPHERE_PA
) -> float:
    """Pre-charge (gauge) that `air_m3` of free air makes in the tank empty of water at `charge_t_c`."""
    if not tank_m3 > 0:
        raise PhysicsError(f"A tank of {tank_m3:g} m3 cannot be; give its volume.")
    return float(air_m3 * STANDARD_ATMOSPHERE_PA / tank_m3 * kelvin(charge_t_c) / _free_air_k() - atmospheric_pa)


def _free_air_k() -> float:
    return float(kelvin(FREE_AIR_T_C))


@dataclass(frozen=True, slots=True)
class Level:
    """The water level by sound, as shares of the tank, and the readings that belong to it."""

    share: float
    share_sd: float
    tank_m3: float
    pressure_pa: float
    tank_rel_sd: float = 0.03
    pressure_sd_pa: float = 6000.0
    gas_t_c: float = 20.0


def air_from_sound(level: Level, atmospheric_pa: float = STANDARD_ATMOSPHERE_PA) -> AirEstimate:
    """Free air from the level that the taps found: V (1 - w) at the pressure read.

    The standard deviation adds those of share, volume and gauge by first-order propagation.
    """
    if not (0 <= level.share <= 1 and level.share_sd >= 0):
        raise PhysicsError(
            f"A water share of {level.share:g} +- {level.share_sd:g} cannot be; shares lie between 0 and 1."
        )
    air = free_air_m3(level.tank_m3 * (1 - level.share), level.pressure_pa, level.gas_t_c, atmospheric_pa)
    whole = free_air_m3(level.tank_m3, level.pressure_pa, level.gas_t_c, atmospheric_pa)
    relative = math.hypot(level.tank_rel_sd, level.pressure_sd_pa / (level.pressure_pa + atmospheric_pa))
    return AirEstimate("sound", air, math.hypot(whole * level.share_sd, air * relative))


def air_from_drain(
    drain: DrainTest, tank_m3: float | None = None, atmospheric_pa: float = STANDARD_ATMOSPHERE_PA
) -> AirEstimate:
    """Free air from a measured drain: V p1 p2 / (p1 - p2) with absolute pressures, isothermal.

    First-order propagation; the gauge's bias is common to both readings, its repeatability is not. Raises
    PhysicsError where the pressure did not fall by at least three standard deviations of the difference, since no
    upper limit would follow.
    """
    p1, p2, reading = drain.before_pa + atmospheric_pa, drain.after_pa + atmospheric_pa, drain.reading_sd_pa
    if not (p2 > 0 and drain.drained_m3 > 0):
        raise PhysicsError(
            "A drain needs a volume above zero and pressures above vacuum; check the amount drawn and the gauge.",
            Statement(NoAir.DRAIN_READINGS),
        )
    fall = p1 - p2
    if fall < 3 * math.sqrt(2) * reading:
        raise PhysicsError(
            f"The pressure fell by {fall / 1e5:.3f} bar, which the gauge can hardly tell from nothing; "
            "with the fill valve shut draw more water and read again.",
            Statement(NoAir.SMALL_FALL, {"fall_pa": fall}),
        )
    product = drain.drained_m3 * p1 * p2 / fall
    sd = math.hypot(
        drain.drained_m3 * (p2 / fall) ** 2 * reading,
        drain.drained_m3 * (p1 / fall) ** 2 * reading,
        drain.drained_m3 * (p1 + p2) / fall * drain.gauge_bias_sd_pa,
        product * drain.drained_rel_sd,
    )
    to_free = float(_free_air_k() / kelvin(drain.gas_t_c)) / STANDARD_ATMOSPHERE_PA
    notes = [Statement(AirSays.ELSEWHERE)]
    if tank_m3 is not None and product / p2 > tank_m3 * 1.05:
        notes.append(Statement(AirSays.MORE_THAN_TANK, {"air_m3": product / p2, "tank_m3": tank_m3}))
    return AirEstimate("drain", product * to_free, sd * to_free, tuple(notes))


@dataclass(frozen=True, slots=True)
class RisingSystem:
    """What the pressure rise needs to know of the system."""

    volume_m3: float
    volume_rel_sd: float = 0.15
    fluid: Fluid = WATER
    metal: Metal | None = "steel"
    reading_sd_pa: float = 3000.0
    gauge_bias_sd_pa: float = 6000.0
    temperature_sd_c: float = 1.5
    """How far one reading of the water's temperature is from the mean of the system."""
    gas_t_c: float = 20.0
    """Temperature of the air where the log does not give it."""


def air_from_rise(
    log: Sequence[LogEntry], system: RisingSystem, atmospheric_pa: float = STANDARD_ATMOSPHERE_PA
) -> AirEstimate:
    """Free air from the pressure rise of a warm-up: the more air, the flatter.

    While the tank holds water, gas law and expansion give  Tg / P = (Tg1 / P1) (1 - E / V1),  so y = Tg / (Tg1 P) is
    a straight line in the expansion E and its slope is 1 / (P1 V1): the amount of air without knowing the tank.
    Weighted least squares, errors in both pressure and temperature; the system's volume and the gauge's bias are
    added as common errors. Used are the readings of the longest stretch with the fill valve not open and the heat not
    off. Raises PhysicsError where they do not suffice.
    """
    run = _warm_up(log)
    pressure = np.array([entry.pressure_pa for entry in run]) + atmospheric_pa
    water_c = np.array([entry.water_t_c for entry in run], dtype=np.float64)
    gas_k = kelvin(np.array([system.gas_t_c if entry.tank_t_c is None else entry.tank_t_c for entry in run]))
    if not bool(np.all(pressure > 0)):
        raise PhysicsError(
            "The log has a pressure below vacuum; check the readings and their unit.", Statement(NoAir.LOG_BELOW_VACUUM)
        )
    swell = system.volume_m3 * _growth(system, water_c[0], water_c)
    per_c = system.volume_m3 * (_growth(system, water_c[0], water_c + 0.5) - _growth(system, water_c[0], water_c - 0.5))
    slope, slope_sd, chi_square = _fit(pressure, gas_k, swell, per_c * system.temperature_sd_c, system.reading_sd_pa)
    if not slope > 3 * slope_sd:
        raise PhysicsError(
            "The pressure hardly rose with the temperature, so the log sets no upper limit to the air; "
            "log a longer warm-up with the fill valve shut.",
            Statement(NoAir.NO_RISE),
        )
    shifted, _, _ = _fit(
        pressure + system.gauge_bias_sd_pa, gas_k, swell, per_c * system.temperature_sd_c, system.reading_sd_pa
    )
    product = 1 / slope
    sd = math.hypot(slope_sd / slope**2, product * system.volume_rel_sd, 1 / shifted - product)
    to_free = float(_free_air_k() / gas_k[0]) / STANDARD_ATMOSPHERE_PA
    notes: tuple[Statement, ...] = ()
    degrees = len(run) - 2
    if degrees > 0 and _chance(chi_square, degrees) < CONTRADICTION_LEVEL:
        notes = (Statement(AirSays.NO_SINGLE_CUSHION),)
    return AirEstimate("pressure rise", product * to_free, sd * to_free, notes)


def _growth(system: RisingSystem, cold_c: float, t_c: FloatArray) -> FloatArray:
    if system.metal is None:
        return expansion(system.fluid, cold_c, t_c)
    return net_expansion(system.fluid, cold_c, t_c, system.metal)


def _warm_up(log: Sequence[LogEntry]) -> list[LogEntry]:
    """Find the longest stretch of readings with temperature, the fill valve not open and the heat not off."""
    best: list[LogEntry] = []
    run: list[LogEntry] = []
    for entry in log:
        usable = entry.water_t_c is not None and entry.heat_on is not False and entry.fill_open is not True
        run = [*run, entry] if usable else []
        best = run if len(run) > len(best) else best
    temperatures = [entry.water_t_c for entry in best if entry.water_t_c is not None]
    if len(best) < 3 or max(temperatures) - min(temperatures) < 10:
        raise PhysicsError(
            "The log has no warm-up to judge: it needs at least 3 readings of temperature and pressure over 10 °C or "
            "more with the heat on and the fill valve shut.",
            Statement(NoAir.NO_WARM_UP),
        )
    return best


def _fit(
    pressure: FloatArray, gas_k: FloatArray, swell: FloatArray, swell_sd: FloatArray, reading_sd_pa: float
) -> tuple[float, float, float]:
    """Slope of y = Tg / (Tg1 P) against -E, its standard deviation, and chi-square; errors in both, two rounds."""
    warmth = gas_k / gas_k[0]
    y = warmth / pressure
    variance_y = (warmth * reading_sd_pa / pressure**2) ** 2
    slope, slope_sd, chi_square = 0.0, 0.0, 0.0
    for _ in range(3):
        weight = 1 / (variance_y + (slope * swell_sd) ** 2)
        mean_y, mean_e = np.average(y, weights=weight), np.average(swell, weights=weight)
        spread = float(np.sum(weight * (swell - mean_e) ** 2))
        slope = -float(np.sum(weight * (swell - mean_e) * (y - mean_y))) / spread
        slope_sd = spread**-0.5
        chi_square = float(np.sum(weight * (y - mean_y + slope * (swell - mean_e)) ** 2))
    return slope, slope_sd, chi_square


def combine(estimates: Sequence[AirEstimate]) -> CombinedAir:
    """Lay independent estimates together: the mean weighted by precision, unless they contradict each other.

    Chi-square of the estimates about that mean, with one degree of freedom less than estimates; below a chance of 5 %
    they are said to contradict each other and no mean is given. Raises PhysicsError for no estimate or one without
    uncertainty.
    """
    if not estimates:
        raise PhysicsError(
            "There is no estimate of the air to combine; measure by sound, by a drain or by a warm-up log."
        )
    if not all(math.isfinite(e.free_air_m3) and 0 < e.sd_m3 < math.inf for e in estimates):
        raise PhysicsError("An estimate of the air lacks its uncertainty; give a standard deviation above zero.")
    value = np.array([e.free_air_m3 for e in estimates])
    weight = np.array([e.sd_m3 for e in estimates]) ** -2.0
    mean = float(np.sum(weight * value) / np.sum(weight))
    chi_square = float(np.sum(weight * (value - mean) ** 2))
    chance = _chance(chi_square, len(estimates) - 1)
    kept = tuple(estimates)
    if chance < CONTRADICTION_LEVEL:
        return CombinedAir(None, None, chi_square, chance, True, _contradiction(kept), kept)
    ways = tuple(Statement(WAY[e.source]) for e in estimates)
    says = Statement(AirSays.AGREE, {"ways": ways}) if len(ways) > 1 else Statement(AirSays.ONE_WAY, {"way": ways[0]})
    return CombinedAir(mean, float(np.sum(weight) ** -0.5), chi_square, chance, False, says, kept)


_TOO_MUCH: dict[AirSource, AirHint] = {
    "sound": AirHint.SOUND_TOO_MUCH,
    "drain": AirHint.DRAIN_TOO_MUCH,
    "pressure rise": AirHint.RISE_TOO_MUCH,
}
_TOO_LITTLE: dict[AirSource, AirHint] = {
    "sound": AirHint.SOUND_TOO_LITTLE,
    "drain": AirHint.DRAIN_TOO_LITTLE,
    "pressure rise": AirHint.RISE_TOO_LITTLE,
}


def _contradiction(estimates: tuple[AirEstimate, ...]) -> Statement:
    pairs = [(a, b) for i, a in enumerate(estimates) for b in estimates[i + 1 :]]
    more, less = max(pairs, key=lambda pair: _apart(*pair))
    if more.free_air_m3 < less.free_air_m3:
        more, less = less, more
    return Statement(
        AirSays.CONTRADICT,
        {
            "more": Statement(WAY[more.source]),
            "more_m3": more.free_air_m3,
            "less": Statement(WAY[less.source]),
            "less_m3": less.free_air_m3,
            "too_much": Statement(_TOO_MUCH[more.source]),
            "too_little": Statement(_TOO_LITTLE[less.source]),
        },
    )


def _apart(a: AirEstimate, b: AirEstimate) -> float:
    return abs(a.free_air_m3 - b.free_air_m3) / math.hypot(a.sd_m3, b.sd_m3)


def _chance(chi_square: float, degrees: int) -> float:
    """Upper tail of the chi-square distribution; 1 without degrees of freedom."""
    if degrees < 1:
        return 1.0
    from scipy.special import gammaincc

    return float(gammaincc(degrees / 2, chi_square / 2))


# ---------------------------------------------------------------- how the pressure moves


def drifts(log: Sequence[LogEntry], reading_sd_pa: float = 3000.0) -> tuple[Drift, ...]:
    """Slope of the pressure over each stretch in which heat and fill valve stayed as they were (two readings or more).

    Least squares with equal errors. A rise with the heat off and the fill valve open points to the fill valve; with
    it shut, to water from the potable side.
    """
    found: list[Drift] = []
    stretch: list[LogEntry] = []
    for entry in (*log, None):
        same = entry is not None and (
            not stretch or (entry.heat_on, entry.fill_open) == (stretch[0].heat_on, stretch[0].fill_open)
        )
        if same and entry is not None:
            stretch.append(entry)
            continue
        if len(stretch) > 1 and stretch[-1].time_s > stretch[0].time_s:
            found.append(_drift(stretch, reading_sd_pa))
        stretch = [] if entry is None else [entry]
    return tuple(found)


def _drift(stretch: Sequence[LogEntry], reading_sd_pa: float) -> Drift:
    hours = np.array([entry.time_s for entry in stretch]) / 3600
    pressure = np.array([entry.pressure_pa for entry in stretch])
    centred = hours - hours.mean()
    spread = float(centred @ centred)
    warm = [entry.water_t_c for entry in stretch if entry.water_t_c is not None]
    return Drift(
        heat_on=stretch[0].heat_on,
        fill_open=stretch[0].fill_open,
        start_s=stretch[0].time_s,
        duration_s=stretch[-1].time_s - stretch[0].time_s,
        slope_pa_per_h=float(centred @ pressure) / spread,
        slope_sd_pa_per_h=reading_sd_pa / spread**0.5,
        warming_c=warm[-1] - warm[0] if len(warm) > 1 else None,
        readings=len(stretch),
    )


def early_rise_share(log: Sequence[LogEntry]) -> float:
    """Share of a warm-up's pressure rise that comes in the first quarter of its warming.

    About 0.15 for a tank that takes the water; near 1 where the pressure jumps at once, as with an isolated or
    over-charged tank. Raises PhysicsError where the log has no warm-up or the pressure did not rise in it.
    """
    run = _warm_up(log)
    temperature = np.array([entry.water_t_c for entry in run], dtype=np.float64)
    pressure = np.array([entry.pressure_pa for entry in run])
    order = np.argsort(temperature, kind="stable")
    temperature, pressure = temperature[order], pressure[order]
    rise = float(pressure[-1] - pressure[0])
    if rise <= 0:
        raise PhysicsError(
            "The pressure did not rise in the warm-up; check that heat was on and the readings are in order."
        )
    quarter = temperature[0] + 0.25 * (temperature[-1] - temperature[0])
    return float(np.interp(quarter, temperature, pressure) - pressure[0]) / rise

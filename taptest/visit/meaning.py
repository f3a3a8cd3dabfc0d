"""What the texts of a visit mean: the case in SI units, the points of the line, and the units to answer in.

Every text goes through `taptest.quantities`, and every refusal names the file, the section, the key and the value.
Units of the answer are those that the user typed: for each kind the most frequent one, and where none was typed the
usual one of the same system.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import get_args

from taptest import quantities
from taptest.errors import PhysicsError, QuantityError, VisitError
from taptest.finding.causes import checked_observations
from taptest.finding.records import Case, Readings, SystemFacts
from taptest.line.onset import refuse_without_onset
from taptest.quantities import METRIC, STANDARD_ATMOSPHERE_PA, US, Kind, Quantity, Units
from taptest.statements import Said, Statement
from taptest.tank.kinds import TANK_KINDS, Tank, WaterEnd
from taptest.tank.shape import resolve_shape
from taptest.visit.parallel import acceptance_share, parallel_tanks
from taptest.visit.record import Document, RoundSection, RoundState, TankSection, as_documents, nearest
from taptest.visit.remarks import VisitRemark
from taptest.water.fluids import WATER, Fluid, parse_fluid
from taptest.water.log import DrainTest, LogEntry, read_records
from taptest.water.pressure import atmospheric_pressure_pa, static_head_pa

GAUGE_ERROR_OVER_SD = 2.0
"""A stated gauge error is read as +- two standard deviations: common practice, no source."""
POSITION_SLACK_M = 0.010
"""How far beyond the tank a position may lie: a tape on a shell of which only nominal sizes are known."""

KINDS: dict[str, dict[str, Kind]] = {
    "tank": {
        "volume": "volume",
        "diameter": "length",
        "height": "length",
        "wall": "length",
        "straight_length": "length",
        "seam": "length",
        "precharge": "pressure",
        "charged_at": "temperature",
    },
    "system": {
        "volume": "volume",
        "relief": "pressure",
        "fill": "pressure",
        "max_temperature": "temperature",
        "altitude": "length",
    },
    "readings": {
        "pressure": "pressure",
        "water_temperature": "temperature",
        "tank_temperature": "temperature",
        "gauge_error": "pressure",
        "tank_above_gauge": "length",
    },
    "line": {"microphone_distance": "length"},
    "drain": {"volume": "volume", "pressure_before": "pressure", "pressure_after": "pressure"},
    "as_left": {"pressure": "pressure", "water_temperature": "temperature", "precharge": "pressure"},
}
"""Kind of quantity of each key that holds one; those that may be of two kinds (`static_head`: a height or a pressure,
`acceptance`: a volume or a percentage) are read apart.
"""
HEIGHTS = {("system", "altitude"), ("readings", "tank_above_gauge")}
"""Heights in buildings say nothing of the unit in which positions on the tank are shown."""

Values = dict[tuple[str, str], Quantity]


@dataclass(frozen=True, slots=True)
class AsLeft:
    """How the system was left: gauge pascals at the gauge, degrees Celsius; None where not known."""

    pressure_pa: float | None = None
    water_temperature_c: float | None = None
    precharge_pa: float | None = None
    """The charge as it was set, with the tank empty of water."""


@dataclass(frozen=True, slots=True)
class RoundMeaning:
    """A further round of a visit, understood."""

    name: str
    state: RoundState
    document: Document
    """The round as a document of its own."""
    case: Case
    """The same tank and system with the readings of this round."""
    same_air: bool
    water_moved_m3: float | None
    """Water let in (above zero) or out since the round before; None where it was not measured."""
    mark_m: float | None = None
    """Depth of the one mark that was tapped at many pressures; None where none was."""
    shown_pa: tuple[float, ...] = ()
    """Those pressures (gauge, as shown), one for each of the round's onset entries."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """A visit's document, understood."""

    case: Case
    units: Units
    notes: tuple[Said, ...]
    """Assumptions made where something was left out, in whole sentences."""
    as_left: AsLeft = AsLeft()
    rounds: tuple[RoundMeaning, ...] = ()


def meaning_of(document: Document, source: str, points_source: str = "", marked_to_m: float = 0.0) -> Meaning:
    """Understand the document, in SI units.

    `marked_to_m` is how far below its top other rounds of the visit have marks on the shell. Raises `QuantityError`,
    `PhysicsError`, `VisitError`, each naming `source` (for points `points_source` where they came from another file),
    key, value and cure.
    """
    values = _values(document, source)
    air_pa = _air_pressure_pa(values, source)
    points = (*document.points, *(point for each in document.rounds for point in each.points))
    marked_to_m = max([marked_to_m, *(point.position_mm / 1000 for point in points)])
    tank, notes = _tank(document.tank, values, marked_to_m, source)
    fluid = _fluid(document, source)
    system = SystemFacts(
        fluid=fluid,
        volume_m3=_si(values, "system", "volume"),
        relief_pa=_relief_pa(values, air_pa, source),
        fill_pa=_gauge(values, "system", "fill", air_pa),
        max_temperature_c=_si(values, "system", "max_temperature"),
        static_head_pa=static_head_of(document.system.static_head, fluid, f"{source}, [system] static_head", air_pa),
        altitude_m=_si(values, "system", "altitude") or 0.0,
    )
    readings = Readings(
        pressure_pa=_gauge(values, "readings", "pressure", air_pa),
        **_gauge_sd(values, source),
        water_temperature_c=_si(values, "readings", "water_temperature"),
        tank_temperature_c=_si(values, "readings", "tank_temperature"),
        state=document.readings.state,
        precharge_pa=_gauge(values, "tank", "precharge", air_pa),
        charged_at_c=_si(values, "tank", "charged_at"),
        tank_above_gauge_m=_si(values, "readings", "tank_above_gauge") or 0.0,
    )
    drain, drain_notes = _drain(values, readings, fluid, air_pa, source)
    _check_points(document, tank, points_source or source)
    others, others_typed = parallel_tanks(document, source, air_pa)
    case = Case(
        tank,
        system,
        readings,
        _observations(document, source),
        drain,
        _log(document, readings, fluid, air_pa, source),
        others,
    )
    as_left = AsLeft(
        _gauge(values, "as_left", "pressure", air_pa),
        _si(values, "as_left", "water_temperature"),
        _gauge(values, "as_left", "precharge", air_pa),
    )
    units = units_of([value for place, value in values.items() if place not in HEIGHTS] + others_typed)
    rounds = tuple(
        _round(each, alone, marked_to_m, f'{source}, round {number} "{each.name}"')
        for number, (each, alone) in enumerate(zip(document.rounds, as_documents(document), strict=True), start=2)
    )
    return Meaning(case, units, notes + drain_notes, as_left, rounds)


def _round(section: RoundSection, alone: Document, marked_to_m: float, source: str) -> RoundMeaning:
    """Understand a further round."""
    moved = section.water_moved
    litres = None
    if moved is not None and moved.strip():
        sign = -1.0 if moved.strip().startswith("-") else 1.0
        litres = sign * quantities.parse("volume", moved.strip().lstrip("+-").strip(), f"{source}, water_moved").si
    case = meaning_of(alone, source, marked_to_m=marked_to_m).case
    mark, shown = _onset(section, case, source)
    return RoundMeaning(section.name, section.state, alone, case, section.same_air, litres, mark, shown)


def _onset(section: RoundSection, case: Case, source: str) -> tuple[float | None, tuple[float, ...]]:
    """Understand the mark that was tapped at many pressures: its depth and those pressures."""
    if not section.onset:
        return None, ()
    refuse_without_onset(case.tank)
    if section.mark is None or not section.mark.strip():
        raise VisitError(
            f'{source} has taps at many pressures, but no mark. Write where they were, as mark = "210 mm".'
        )
    mark = quantities.parse("length", section.mark, f"{source}, mark").si
    if not 0.0 <= mark <= case.tank.shape.height_m:
        raise VisitError(
            f"{source}, mark is {section.mark}, which lies off the tank: its shell reaches from 0 to "
            f"{case.tank.shape.height_m * 1000:.0f} mm. Correct the mark, or the tank's height."
        )
    air_pa = float(atmospheric_pressure_pa(case.system.altitude_m))
    return mark, tuple(
        quantities.parse("pressure", each.pressure, f"{source}, onset, entry {number}, pressure").gauge_pa(air_pa)
        for number, each in enumerate(section.onset, start=1)
    )


def _values(document: Document, source: str) -> Values:
    """Every quantity that was typed; empty texts count as not known."""
    found: Values = {}
    for section, keys in KINDS.items():
        for key, kind in keys.items():
            text = getattr(getattr(document, section), key)
            if text is not None and text.strip():
                found[section, key] = quantities.parse(kind, text, f"{source}, [{section}] {key}")
    return found


def _si(values: Values, section: str, key: str) -> float | None:
    value = values.get((section, key))
    return None if value is None else value.si


def _gauge(values: Values, section: str, key: str, air_pa: float) -> float | None:
    value = values.get((section, key))
    return None if value is None else value.gauge_pa(air_pa)


def _air_pressure_pa(values: Values, source: str) -> float:
    """Air pressure on site (absolute Pa), by the altitude where it was typed."""
    try:
        return float(atmospheric_pressure_pa(_si(values, "system", "altitude") or 0.0))
    except PhysicsError as error:
        raise PhysicsError(f"{source}, [system] altitude: {error}") from error


def _relief_pa(values: Values, air_pa: float, source: str) -> float | None:
    relief = _gauge(values, "system", "relief", air_pa)
    if relief is not None and relief <= 0:
        raise PhysicsError(
            f'{source}, [system] relief: "{values["system", "relief"]}" cannot be the setting of a relief valve, '
            'which is above zero. Read it on the valve ("3 bar", "30 psi"), or leave it out.'
        )
    return relief


def _gauge_sd(values: Values, source: str) -> dict[str, float]:
    value = values.get(("readings", "gauge_error"))
    if value is None:
        return {}
    if value.absolute or value.si <= 0:
        raise QuantityError(
            f'{source}, [readings] gauge_error: "{value}" is not how far a gauge may be off; '
            'write it as a small positive pressure, for example "0.1 bar" or "1.5 psi".'
        )
    return {"pressure_sd_pa": value.si / GAUGE_ERROR_OVER_SD}


def _tank(section: TankSection, values: Values, marked_to_m: float, source: str) -> tuple[Tank, tuple[Statement, ...]]:
    volume, wall = _si(values, "tank", "volume"), _si(values, "tank", "wall")
    try:
        shape, notes = resolve_shape(
            volume_m3=volume,
            diameter_m=_si(values, "tank", "diameter"),
            height_m=_si(values, "tank", "height"),
            wall_m=wall,
            head=section.head,
            straight_length_m=_si(values, "tank", "straight_length"),
            axis=section.axis,
            reaches_m=marked_to_m - POSITION_SLACK_M,
        )
    except PhysicsError as error:
        raise PhysicsError(f"{source}, [tank]: {error}") from error
    seam = _si(values, "tank", "seam")
    if seam is not None and not 0 < seam < shape.height_m:
        raise PhysicsError(
            f'{source}, [tank] seam: "{section.seam}" is beyond the tank, {shape.height_m * 1000:.0f} mm high. '
            "Give its distance below the top of the shell."
        )
    tank = Tank(
        kind=section.kind,
        water_end=_water_end(section, source),
        shape=shape,
        volume_m3=shape.volume_m3 if volume is None else volume,
        seam_depth_m=seam,
        acceptance_share=_acceptance_share(section, shape.volume_m3 if volume is None else volume, source),
        wall_known=wall is not None,
        name=section.name.strip(),
    )
    return tank, notes


def _water_end(section: TankSection, source: str) -> WaterEnd:
    if TANK_KINDS[section.kind].membrane is None:
        if section.water_end == "top":
            raise VisitError(
                f'{source}, [tank], the key "water_end" is "top", but in a tank of the kind "{section.kind}" '
                'the water lies below. Write "bottom", or correct the kind.'
            )
        return "bottom"
    if TANK_KINDS[section.kind].membrane == "bag":
        if section.water_end == "top":
            raise VisitError(
                f'{source}, [tank], the key "water_end" is "top", but a tank with a bag (kind "bladder") stands on the '
                "floor and takes its water from below; how a hanging bag would sound is not known. "
                'Write "bottom", or kind = "diaphragm" if it hangs from its pipe.'
            )
        return "bottom"
    if section.water_end is not None:
        return section.water_end
    raise VisitError(
        f'{source}, [tank], the key "water_end" is missing. Write "top" where the water pipe enters at the top of the '
        'tank as it hangs or stands, "bottom" where it enters below.'
    )


def _acceptance_share(section: TankSection, tank_m3: float, source: str) -> float | None:
    """Read the most water that the membrane takes, typed as a volume ("8 l") or as a percentage ("45 %")."""
    text = section.acceptance
    where = f"{source}, [tank] acceptance"
    if text is None or not text.strip():
        return None
    if TANK_KINDS[section.kind].membrane is None:
        raise VisitError(
            f'{where} is "{text}", but a tank of the kind "{section.kind}" has no membrane that could limit its water. '
            "Leave it out, or correct the kind."
        )
    return acceptance_share(text, tank_m3, where)


def _observations(document: Document, source: str) -> dict[str, str]:
    """Evidence for the causes in its own spelling; empty answers count as not known."""
    typed = {name: answer for name, answer in document.observations.items() if answer.strip()}
    try:
        return checked_observations(typed)
    except VisitError as error:
        raise VisitError(f"{source}, [observations]: {error}") from error


def _column_pa(readings: Readings, fluid: Fluid) -> float:
    """Pressure that the column between gauge and tank takes off on the way to the tank."""
    return float(static_head_pa(readings.tank_above_gauge_m, fluid))


def _drain(
    values: Values, readings: Readings, fluid: Fluid, air_pa: float, source: str
) -> tuple[DrainTest | None, tuple[Said, ...]]:
    """Understand the measured drain, its pressures carried to the tank; one that is not whole is not used and said."""
    keys = ("volume", "pressure_before", "pressure_after")
    missing = [key for key in keys if ("drain", key) not in values]
    if len(missing) == len(keys):
        return None, ()
    if missing:
        return None, (Statement(VisitRemark.DRAIN_NOT_USED, {"missing": ", ".join(missing)}),)
    drawn, column = values["drain", "volume"], _column_pa(readings, fluid)
    before, after = (_gauge(values, "drain", key, air_pa) or 0.0 for key in keys[1:])
    if not (drawn.si > 0 and before > after):
        raise PhysicsError(
            f"{source}, [drain]: {drawn} drawn with the pressure going from {values['drain', 'pressure_before']} to "
            f"{values['drain', 'pressure_after']} is not a drain: the pressure has to fall. Check the three values."
        )
    gas = readings.tank_temperature_c if readings.tank_temperature_c is not None else 20.0
    return DrainTest(
        drawn.si, before - column, after - column, gauge_bias_sd_pa=readings.pressure_sd_pa, gas_t_c=gas
    ), ()


def _log(document: Document, readings: Readings, fluid: Fluid, air_pa: float, source: str) -> tuple[LogEntry, ...]:
    """Understand the pressure log, its pressures carried to the tank."""
    if not document.log:
        return ()
    records = [{k: v for k, v in entry.model_dump().items() if v is not None} for entry in document.log]
    column = _column_pa(readings, fluid)
    entries = read_records(records, f"{source}, [[log]]", air_pa)
    return tuple(replace(entry, pressure_pa=entry.pressure_pa - column) for entry in entries)


def _fluid(document: Document, source: str) -> Fluid:
    text = document.system.fluid
    if text is None or not text.strip():
        return WATER
    try:
        return parse_fluid(text)
    except (QuantityError, PhysicsError) as error:
        raise type(error)(f"{source}, [system] fluid: {error}") from error


def static_head_of(text: str | None, fluid: Fluid, where: str, air_pa: float = STANDARD_ATMOSPHERE_PA) -> float | None:
    """Read the static head (Pa), typed as a height ("8 m", "25 ft") or as a pressure ("0.8 bar"); None if left out."""
    if text is None or not text.strip():
        return None
    try:
        head = float(static_head_pa(quantities.parse("length", text, where).si, fluid))
    except QuantityError:
        # It is no height, so it must be a pressure; if it is neither, the sentence below names both.
        try:
            head = quantities.parse("pressure", text, where).gauge_pa(air_pa)
        except QuantityError as error:
            raise QuantityError(
                f"{where}: {text!r} is neither a height nor a pressure; "
                'write the height above the tank, like "8 m" or "25 ft", or its pressure, like "0.8 bar".'
            ) from error
    if head < 0:
        raise PhysicsError(
            f"{where}: {text!r} is below zero; write how far the system reaches above the tank, "
            '"0 m" where the tank is its highest part.'
        )
    return head


def _check_points(document: Document, tank: Tank, source: str) -> None:
    """Every point lies on the tank, and no two of a line at one place. Raises `VisitError`."""
    seen: dict[tuple[str | None, float], int] = {}
    for number, point in enumerate(document.points, start=1):
        depth, place = point.position_mm / 1000, (point.line, point.position_mm)
        if not -POSITION_SLACK_M <= depth <= tank.shape.height_m + POSITION_SLACK_M:
            raise VisitError(
                f"{source}, point {number} at {point.position_mm:g} mm is beyond the tank, which reaches from 0 to "
                f"{tank.shape.height_m * 1000:.0f} mm below the top of its shell. "
                "Correct the position, or the tank's height."
            )
        if place in seen:
            raise VisitError(
                f"{source}, points {seen[place]} and {number} both lie at {point.position_mm:g} mm. "
                "Give each point its own position, and put all taps of one position into one point."
            )
        seen[place] = number
        if point.taps is None and sum(other.file == point.file for other in document.points) > 1:
            raise VisitError(
                f'{source}, point {number} shares the file "{point.file}" with another point, but does not say '
                "how many taps of it are its own. Add its taps, or give it a file of its own."
            )
    known = {each.name for each in document.lines}
    for point in document.points:
        if known and point.line is not None and point.line not in known:
            raise VisitError(
                f'{source}, the point at {point.position_mm:g} mm belongs to the line "{point.line}", which [[lines]] '
                f"does not name. {nearest(point.line, known)}"
            )


def units_of(values: Iterable[Quantity]) -> Units:
    """Choose the units that the user typed most, kind by kind; the rest from the system that most of them belong to."""
    typed: dict[Kind, Counter[str]] = {kind: Counter() for kind in get_args(Kind)}
    for value in values:
        typed[value.kind][value.answer_unit] += 1
    american = sum(count for counter in typed.values() for unit, count in counter.items() if unit in _AMERICAN)
    base = US if 2 * american > sum(counter.total() for counter in typed.values()) else METRIC
    chosen = {kind: typed[kind].most_common(1)[0][0] if typed[kind] else base.unit(kind) for kind in get_args(Kind)}
    if chosen["length"] in ("m", "cm"):
        chosen["length"] = "mm"
    if chosen["length"] in ("ft", quantities.FEET_AND_INCHES):
        chosen["length"] = "in"
    return Units(name=base.name, height=base.height, **chosen)


_AMERICAN = {"psi", "gal", "ft3", "in", "ft", quantities.FEET_AND_INCHES, "°F", "lb", "oz", "Btu/h"}

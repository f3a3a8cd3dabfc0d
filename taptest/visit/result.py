"""A judged visit: everything that the picture, the page and the JSON for other programs are made from.

`as_json` is the contract with other programs: its keys and units never change without a new schema number and a note.
What is not known is null there. Positions are millimetres below the top of the shell, pressures gauge bar, volumes
litres. Sentences are in US English and the units of the user; as keys and values they stand beside it, in SI units.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from taptest.finding.records import (
    Case,
    CauseCheck,
    Expected,
    Forecast,
    Interval,
    Judgement,
    PrechargeEstimate,
    RoundFound,
)
from taptest.line.records import LineReading, Profile
from taptest.quantities import Units
from taptest.sound.records import Tap
from taptest.statements import Said, Statement, said_as_json
from taptest.visit.record import HandDecision
from taptest.water.log import CombinedAir
from taptest.words.tell import tell

JSON_SCHEMA = 1
"""Number of the form of `as_json`."""
AS_FOUND = "as found"
"""Name of the first round of every visit."""


@dataclass(frozen=True, slots=True)
class TapResult:
    """One tap of one recording."""

    file: str
    tap: Tap
    depth_m: float | None
    """Depth of the point that the tap belongs to; None where it belongs to none."""
    by_hand: HandDecision | None = None
    """The decision by hand that holds for this tap; None where the detector's holds."""


@dataclass(frozen=True, slots=True)
class PointResult:
    """One point of the line."""

    depth_m: float
    p_water: float | None
    """Probability that water backs the wall; None where the point has no tap to judge by."""
    taps_used: int
    taps_rejected: int
    remark: Statement | None = None
    """Why the point is in doubt or has no usable tap; None where all is well."""
    line: str = ""
    """Name of its line, on a round with several."""


@dataclass(frozen=True, slots=True)
class OnsetReading:
    """One reading of the gauge in an onset round."""

    pressure_pa: float
    """As shown, gauge."""
    taps_used: int
    taps_rejected: int


@dataclass(frozen=True, slots=True)
class RoundResult:
    """A further round of a visit, judged with the others."""

    name: str
    state: str
    same_air: bool
    case: Case
    """The tank and the system with the readings of this round."""
    points: tuple[PointResult, ...]
    taps: tuple[TapResult, ...]
    found: RoundFound
    remarks: tuple[Said, ...] = ()
    mark_m: float | None = None
    """Depth of the one mark that was tapped at many pressures; None where none was."""
    readings: tuple[OnsetReading, ...] = ()


@dataclass(frozen=True, slots=True)
class VisitResult:
    """A visit, judged."""

    name: str
    visited_on: date | None
    simulated: bool
    case: Case
    units: Units
    """The units of the user, for people; the JSON keeps its own."""
    points: tuple[PointResult, ...]
    """From the top down."""
    taps: tuple[TapResult, ...]
    """By file in order of the document, then by time."""
    profile: Profile | None
    """The line as measured; None where nothing could be measured."""
    judgement: Judgement
    assumptions: tuple[Said, ...]
    """What was assumed because it was not given, in whole sentences."""
    remarks: tuple[Said, ...]
    """What is to be known of the recordings, in whole sentences."""
    reference: tuple[TapResult, ...] = ()
    """Taps of the reference mark, in order of time; they belong to no point of the line."""
    rounds: tuple[RoundResult, ...] = ()
    """Further rounds in order of time; what stands above is the tank as it was found."""
    marks_left_m: tuple[float, ...] = ()
    """Marks that the guided round still wants tapped; with any, the judgement is no finding (`visit.unfinished`)."""

    @property
    def headline(self) -> str:
        """The finding's code or, where the round is not finished, that."""
        return "not finished" if self.marks_left_m else self.judgement.code


def as_json(result: VisitResult) -> dict[str, Any]:
    """Return the judged visit as plain data, by the contract in docs/commands.md; every number is finite or null."""
    found = result.judgement
    return {
        "schema": JSON_SCHEMA,
        "finding": _finding(result),
        "boundary": _boundary(found.line),
        "points": _points(result.points),
        "marks_left_mm": [_scaled(mark, 1000, 1) for mark in result.marks_left_m],
        "taps": _taps(result.taps),
        "expected": _expected(found.expected),
        "water_l": _median_and_ends(found.water_m3, 1000, 2),
        "precharge_bar": None
        if found.precharge is None
        else {**_interval(found.precharge.pressure_pa, 1e-5, 3), "bound": found.precharge.bound},
        "forecast": _forecast(found.forecast, result.units),
        "probabilities": {code: _number(chance, 4) for code, chance in found.probabilities.items()},
        "needed_precharge_bar": _scaled(found.needed_precharge_pa, 1e-5, 3),
        "reference_precharge": None
        if found.reference_precharge_pa is None
        else {"bar": _scaled(found.reference_precharge_pa, 1e-5, 3), "source": found.reference_source},
        "lost_air": _lost_air(found.precharge),
        "air": _air(found.air, result.units),
        "rounds": [_as_found(result), *(_round(each, result.units) for each in result.rounds)],
    }


def _points(points: Sequence[PointResult]) -> list[dict[str, Any]]:
    """Tell the points of a round."""
    return [
        {
            "position_mm": _scaled(point.depth_m, 1000, 1),
            "p_water": _number(point.p_water, 4),
            "taps_used": point.taps_used,
            "taps_rejected": point.taps_rejected,
            "remark": None if point.remark is None else point.remark.as_json(),
        }
        | ({"line": point.line} if point.line else {})
        for point in points
    ]


def _taps(taps: Sequence[TapResult]) -> list[dict[str, Any]]:
    """Tell the taps of a round."""
    return [
        {"file": tap.file, "onset_s": _number(tap.tap.onset_s, 5), "used": tap.tap.used, "why_not": tap.tap.why_not}
        for tap in taps
    ]


def _as_found(result: VisitResult) -> dict[str, Any]:
    """Tell the first round, as the tank was found."""
    found = result.judgement
    return {
        "name": AS_FOUND,
        "state": result.case.readings.state,
        "same_air": True,
        "boundary": _boundary(found.line),
        "points": _points(result.points),
        "expected": _expected(found.expected),
        "water_l": _median_and_ends(found.water_m3, 1000, 2),
        "taps": _taps(result.taps),
    }


def _round(each: RoundResult, units: Units) -> dict[str, Any]:
    """Tell a further round; one that holds other air has a finding of its own."""
    found = each.found
    return {
        "name": each.name,
        "state": each.state,
        "same_air": each.same_air,
        "boundary": None if found.line is None else _boundary(found.line),
        "points": _points(each.points),
        "expected": _expected(found.expected),
        "water_l": _median_and_ends(found.water_m3, 1000, 2),
        "taps": _taps(each.taps),
        "finding": None
        if found.code is None or found.says is None
        else {"code": found.code, **_told_one("sentence", found.says, units)},
        "onset": None if each.mark_m is None else _onset(each),
    }


def _onset(each: RoundResult) -> dict[str, Any]:
    """Tell what one mark's taps at many pressures say; the figures are null where they say nothing."""
    evidence = each.found.onset
    low, middle, high = (None, None, None) if evidence is None else evidence.interval90_pa
    return {
        "mark_mm": _scaled(each.mark_m, 1000, 1),
        "pressure_bar": None
        if evidence is None
        else {"median": _scaled(middle, 1e-5, 3), "interval90": [_scaled(low, 1e-5, 3), _scaled(high, 1e-5, 3)]},
        "p_within": None if evidence is None else _number(evidence.p_within, 4),
        "p_below": None if evidence is None else _number(evidence.p_below, 4),
        "p_no_change": None if evidence is None else _number(evidence.p_no_change, 4),
        "readings": [
            {
                "pressure_bar": _scaled(reading.pressure_pa, 1e-5, 3),
                "taps_used": reading.taps_used,
                "taps_rejected": reading.taps_rejected,
            }
            for reading in each.readings
        ],
    }


def _finding(result: VisitResult) -> dict[str, Any]:
    """Tell the finding; remarks on the recordings are reasons, assumptions are things not checked."""
    found = result.judgement
    return {
        "code": found.code,
        **_told_one("sentence", found.says, result.units),
        "confidence": found.confidence,
        "speaks_against": found.speaks_against,
        "unseen_bar": None if found.unseen_pa is None else [_scaled(end, 1e-5, 3) for end in found.unseen_pa],
        "p_shut": _number(found.p_shut, 4) if result.rounds else None,
        "red_flags": [
            {
                "key": flag.key,
                "level": flag.level,
                **_told_one("sentence", flag.says, result.units),
                **_told_one("step", flag.step, result.units),
            }
            for flag in found.red_flags
        ],
        **_told("reasons", (*found.reasons, *result.remarks), result.units),
        **_told("not_checked", (*found.not_checked, *result.assumptions), result.units),
        **_told("next_checks", found.next_checks, result.units),
        "causes": [
            {
                "cause": cause.cause,
                "weight": _number(cause.weight, 4),
                **_told_one("because", cause.because, result.units),
                "check": _cause_check(cause.check, result.units),
            }
            for cause in found.causes
        ],
        "cause_notes": [note.as_json() for note in found.cause_notes],
    }


def _cause_check(check: CauseCheck | None, units: Units) -> dict[str, Any] | None:
    """Tell a cause's own check with the probability that the cause would have after each answer."""
    if check is None:
        return None
    after = {answer: _number(chance, 4) for answer, chance in check.outcomes}
    told = _told_one("sentence", check.step, units)
    return {"evidence": check.evidence, **told, "minutes": check.minutes, "after": after}


def _told_one(name: str, said: Said, units: Units) -> dict[str, Any]:
    """Tell a statement as a sentence or a clause and, beside it, as key and values in SI units."""
    return {name: tell(said, units), f"{name}_as_statement": said_as_json(said)}


def _told(name: str, said: Sequence[Said], units: Units) -> dict[str, Any]:
    """Tell statements as sentences and, beside them, as keys and values in SI units."""
    return {
        name: [tell(each, units) for each in said],
        f"{name}_as_statements": [said_as_json(each) for each in said],
    }


def _boundary(reading: LineReading) -> dict[str, Any]:
    """Tell where the water ends by the taps of one line alone."""
    ends = reading.interval90_m
    return {
        "state": reading.state,
        "position_mm": _scaled(reading.depth_m, 1000, 1),
        "interval90_mm": None if ends is None else [_scaled(depth, 1000, 1) for depth in ends],
        "p_all_air": _number(reading.posterior.p_all_air, 4),
        "p_all_water": _number(reading.posterior.p_all_water, 4),
        "p_inverted": _number(reading.posterior.p_inverted, 4),
        "p_two": _number(reading.posterior.p_two, 4),
        "p_no_contact": _number(reading.posterior.p_no_contact, 4),
        "inverted": reading.inverted,
        "narrows": reading.narrows,
    }


def _expected(expected: Expected | None) -> dict[str, Any] | None:
    """Tell where it should end by pressure, pre-charge and temperature; null where that is not known."""
    if expected is None:
        return None
    depth = expected.depth_m
    return {
        "position_mm": None if depth is None else _scaled(depth.median, 1000, 1),
        "interval90_mm": None if depth is None else _ends(depth, 1000, 1),
        "water_l": _scaled(expected.water_m3.median, 1000, 2),
        "water_share": _number(expected.water_share.median, 4),
    }


def _forecast(forecast: Forecast | None, units: Units) -> dict[str, Any] | None:
    """Tell the pressure at the highest temperature, and what the relief valve will do."""
    if forecast is None:
        return None
    return {
        "hot_pressure_bar": _interval(forecast.hot_pressure_pa, 1e-5, 3),
        **_told_one("relief", forecast.relief, units),
        "temperature_c": _number(forecast.temperature_c, 2),
        "p_may_weep": _number(forecast.p_may_weep, 4),
        "p_opens": _number(forecast.p_opens, 4),
    }


def _lost_air(charge: PrechargeEstimate | None) -> dict[str, Any] | None:
    """Air that the stated charge had more; null without a stated one."""
    if charge is None or charge.lost_air_share is None or charge.lost_air_m3 is None:
        return None
    return {"share": _interval(charge.lost_air_share, 1.0, 4), "litres": _interval(charge.lost_air_m3, 1000, 2)}


def _air(air: CombinedAir | None, units: Units) -> dict[str, Any] | None:
    """Free air (litres at one atmosphere and 20 C) by sound, drain and pressure rise; null with sound alone."""
    if air is None:
        return None
    return {
        "free_air_l": _scaled(air.free_air_m3, 1000, 2),
        "sd_l": _scaled(air.sd_m3, 1000, 2),
        "contradiction": air.contradiction,
        **_told_one("sentence", air.says, units),
        "estimates": [
            {
                "source": estimate.source,
                "free_air_l": _scaled(estimate.free_air_m3, 1000, 2),
                "sd_l": _scaled(estimate.sd_m3, 1000, 2),
            }
            for estimate in air.estimates
        ],
    }


def _number(value: float | None, digits: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def _scaled(value: float | None, factor: float, digits: int) -> float | None:
    return None if value is None else _number(value * factor, digits)


def _ends(interval: Interval, factor: float, digits: int) -> list[float | None]:
    return [_scaled(interval.low, factor, digits), _scaled(interval.high, factor, digits)]


def _interval(interval: Interval, factor: float, digits: int) -> dict[str, Any]:
    return {"median": _scaled(interval.median, factor, digits), "interval90": _ends(interval, factor, digits)}


def _median_and_ends(interval: Interval | None, factor: float, digits: int) -> dict[str, Any] | None:
    return None if interval is None else _interval(interval, factor, digits)

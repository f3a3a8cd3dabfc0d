"""The history of one tank: its visits in order of time, what each found and left, and the trend through them.

Of each visit the estimated charge is taken from its finding (kept beside it, or judged now), and where a drain or a
warm-up measured the air as well, that counts as a second estimate. The level is told at one reference pressure, so
that visits at different pressures can be compared. Other tanks on the system take part in the margin with their stated
charges, as if those stayed. Depths are metres below the top of the shell, pressures gauge.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np

from taptest.errors import TaptestError, VisitError
from taptest.finding.draws import spread_volume_m3
from taptest.finding.parallel import draw_cushions
from taptest.finding.records import Bound, Case, Interval
from taptest.quantities import Units
from taptest.statements import Said, Statement, said_as_json
from taptest.tank.kinds import line_shows_share
from taptest.tank.membrane import boundary_depth_m
from taptest.visit.files import read_visit
from taptest.visit.judged import JUDGED, judged
from taptest.visit.meaning import AsLeft, meaning_of
from taptest.visit.remarks import HistoryRemark, Lacking
from taptest.visit.shelf import Entry, Search, Shelf
from taptest.visit.trend import (
    HORIZON_YEARS,
    Estimate,
    Margin,
    Setting,
    Trend,
    critical_charge_pa,
    fit_trend,
    margin_of,
)
from taptest.water.forecast import Cushion, SystemState
from taptest.water.log import precharge_from_air_pa
from taptest.water.pressure import atmospheric_pressure_pa, pressure_at_tank_pa, water_share
from taptest.words.tell import tell

COLD_C = 15.0
"""Water as filled, for the margin's forecast."""
CHARGED_AT_C = 18.0
GAS_C = 20.0
DAYS_A_YEAR = 365.25
MARGIN_DRAWS = 400
PRESSURE_SD_PA = 6_000.0
HISTORY_SCHEMA = 1

ReferenceSource = Literal["fill valve's setting", "usual cold pressure", "usual pressure"]


@dataclass(frozen=True, slots=True)
class PastVisit:
    """One visit of the history; None where not known."""

    folder: str
    day: date
    finding: str
    """A finding's code, "not judged" or "not finished"."""
    pressure_pa: float | None
    water_temperature_c: float | None
    charge_pa: Interval | None
    charge_bound: Bound | None
    level_m: Interval | None
    """Where the water would end at the reference pressure with this charge."""
    hot_pressure_pa: Interval | None
    """As forecast then."""
    other_charges: tuple[tuple[str, Interval], ...]
    """Charge by a drain or a warm-up, with the name of its source."""
    as_left: AsLeft
    work: str
    simulated: bool


@dataclass(frozen=True, slots=True)
class History:
    """The visits of one tank, the earliest first, and what follows from them together."""

    site: str
    tank: str
    units: Units
    case: Case
    """As of the last visit."""
    visits: tuple[PastVisit, ...]
    reference_pa: float | None
    """At the gauge."""
    reference_source: ReferenceSource | None
    trend: Trend | None
    margin: Margin | None
    notes: tuple[Said, ...]
    """What could not be done and why, in whole sentences."""

    @property
    def first_day(self) -> date:
        """Day from which the trend's years are counted."""
        return self.visits[0].day

    def day_of(self, year: float) -> date:
        """Return the day that is this many years after the first visit."""
        return self.first_day + timedelta(days=round(year * DAYS_A_YEAR))


def read_history(
    root: Path, tank: str = "", site: str = "", progress: Callable[[float], None] | None = None, seed: int = 0
) -> History:
    """Read the history of a tank from the visits below `root`; what is not judged yet is judged.

    `tank` and `site` need not be given where there is only one. Raises `VisitError` where there is none or they leave
    several, `StorageError`.
    """
    with Shelf(root) as shelf:
        shelf.refresh()
        entries = shelf.search(Search(site=site, tank=tank))
    mine, notes = _one_tank(entries, root, tank)
    trouble: TaptestError | None = None
    visits: list[PastVisit] = []
    cases: list[tuple[Case, Units]] = []
    for number, entry in enumerate(mine):
        try:
            past, case, units, said = _past(root / entry.folder, entry, _part(progress, number, len(mine)))
        except TaptestError as error:
            notes.append(Statement(HistoryRemark.LEFT_OUT, {"folder": entry.folder, "sentence": str(error)}))
            trouble = error
            continue
        visits.append(past)
        cases.append((case, units))
        notes += said
    if not visits:
        raise VisitError(f"None of the visits to this tank can be read. The last one: {trouble}")
    case, units = cases[-1]
    reference, source = _reference([each for each, _ in cases])
    if reference is not None:
        visits = [_with_level(past, each, reference) for past, (each, _) in zip(visits, cases, strict=True)]
    trend = _trend(visits, np.random.default_rng(seed))
    if trend is None:
        notes.append(Statement(HistoryRemark.NO_ESTIMATE))
    margin, why_not = _margin(trend, case, reference, np.random.default_rng(seed + 1))
    notes += why_not
    return History(
        mine[-1].site, mine[-1].tank, units, case, tuple(visits), reference, source, trend, margin, tuple(notes)
    )


def _one_tank(entries: Sequence[Entry], root: Path, tank: str) -> tuple[list[Entry], list[Said]]:
    """Return the dated visits of the one tank that is meant, the earliest first."""
    notes: list[Said] = [
        Statement(HistoryRemark.LEFT_OUT, {"folder": entry.folder, "sentence": entry.problem})
        for entry in entries
        if entry.problem
    ]
    readable = [entry for entry in entries if not entry.problem]
    exact = [entry for entry in readable if entry.tank.casefold() == tank.strip().casefold()]
    readable = exact if tank and exact else readable
    if not readable:
        what = f' of a tank named "{tank}"' if tank else ""
        raise VisitError(f"{root} holds no visits{what} that can be read. Check the folder, --tank and --site.")
    names = sorted({(entry.site, entry.tank) for entry in readable}, key=lambda pair: (pair[0].casefold(), pair[1]))
    if len({(place.casefold(), name.casefold()) for place, name in names}) > 1:
        listed = "; ".join(f'"{name}"' + (f" at {place}" if place else "") for place, name in names[:12])
        raise VisitError(
            f"{root} holds visits of several tanks: {listed}. Name one with --tank, and --site if need be."
        )
    dated = [entry for entry in readable if entry.visited_on is not None]
    undated = [entry for entry in readable if entry.visited_on is None]
    notes += [Statement(HistoryRemark.NO_DATE, {"folder": entry.folder}) for entry in undated]
    if not dated:
        raise VisitError(f"None of the {len(readable)} visits has a date, so they have no order. Date them.")
    return sorted(dated, key=lambda entry: (entry.visited_on or date.min, entry.folder)), notes


def _part(progress: Callable[[float], None] | None, number: int, count: int) -> Callable[[float], None] | None:
    """Tell of one visit's judging as a part of the whole."""
    if progress is None:
        return None
    return lambda share: progress((number + share) / count)


def _past(
    folder: Path, entry: Entry, progress: Callable[[float], None] | None
) -> tuple[PastVisit, Case, Units, list[Said]]:
    """Read one visit and its finding; a visit that cannot be judged keeps its place and says why."""
    visit = read_visit(folder)
    meaning = meaning_of(visit.document, visit.source)
    case = meaning.case
    notes: list[Said] = []
    content: Mapping[str, Any] = {}
    try:
        if not visit.document.marks_left:
            told = judged(visit, progress)
            content, notes = told.content, [told.note] if told.note else []
    except TaptestError as error:
        notes.append(Statement(HistoryRemark.NO_FINDING, {"folder": entry.folder, "sentence": str(error)}))
    without = "not finished" if visit.document.marks_left else "not judged"
    charge, bound, hot, others = _told(content, case, folder)
    assert entry.visited_on is not None
    past = PastVisit(
        folder=entry.folder,
        day=entry.visited_on,
        finding=content["finding"]["code"] if content else without,
        pressure_pa=case.readings.pressure_pa,
        water_temperature_c=case.readings.water_temperature_c,
        charge_pa=charge,
        charge_bound=bound,
        level_m=None,
        hot_pressure_pa=hot,
        other_charges=others,
        as_left=meaning.as_left,
        work=(visit.document.as_left.work or "").strip(),
        simulated=visit.document.simulated,
    )
    return past, case, meaning.units, notes


_BOUNDS: dict[str | None, Bound | None] = {None: None, "lower": "lower", "upper": "upper"}


def _told(
    content: Mapping[str, Any], case: Case, folder: Path
) -> tuple[Interval | None, Bound | None, Interval | None, tuple[tuple[str, Interval], ...]]:
    """Return charge, its bound, hot pressure and the charges by other ways, from a finding's JSON."""
    if not content:
        return None, None, None, ()
    try:
        charge, forecast, air = content["precharge_bar"], content["forecast"], content.get("air")
        bound = _BOUNDS[charge["bound"]] if charge else None
        others: tuple[tuple[str, Interval], ...] = ()
        if air and not air["contradiction"]:
            others = tuple(
                (str(each["source"]), _charge_of_air(each["free_air_l"] / 1e3, each["sd_l"] / 1e3, case))
                for each in air["estimates"]
                if each["source"] != "sound"
            )
        return _interval(charge), bound, _interval(forecast and forecast["hot_pressure_bar"]), others
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise VisitError(f"{folder / JUDGED} is damaged. Delete it; the visit is then judged again.") from error


def _interval(told: Mapping[str, Any] | None) -> Interval | None:
    if told is None:
        return None
    low, high = told["interval90"]
    return Interval(1e5 * float(told["median"]), 1e5 * float(low), 1e5 * float(high))


def _charge_of_air(free_air_m3: float, sd_m3: float, case: Case) -> Interval:
    """Return the charge that an amount of free air makes in the tank; the tank's own volume is uncertain too."""
    air_pa = float(atmospheric_pressure_pa(case.system.altitude_m))
    charged = case.readings.charged_at_c
    charge_t = CHARGED_AT_C if charged is None else charged
    charge = precharge_from_air_pa(free_air_m3, case.tank.volume_m3, charge_t, air_pa)
    sd = (charge + air_pa) * np.hypot(sd_m3 / max(free_air_m3, 1e-9), case.tank.volume_rel_sd)
    return Interval(charge, charge - 1.645 * float(sd), charge + 1.645 * float(sd))


def _reference(cases: Sequence[Case]) -> tuple[float | None, ReferenceSource | None]:
    """Choose the pressure (at the gauge) at which levels are compared."""
    for case in reversed(cases):
        if case.system.fill_pa is not None:
            return case.system.fill_pa, "fill valve's setting"
    read = [case.readings for case in cases if case.readings.pressure_pa is not None]
    cold = [each for each in read if each.state == "cold"]
    pressures = [each.pressure_pa for each in cold or read if each.pressure_pa is not None]
    if not pressures:
        return None, None
    return float(np.median(pressures)), "usual cold pressure" if cold else "usual pressure"


def _with_level(past: PastVisit, case: Case, reference_pa: float) -> PastVisit:
    """Tell where the water would end at the reference pressure, the form of the membrane being the same each time."""
    tank, charge = case.tank, past.charge_pa
    if charge is None or not line_shows_share(tank):
        return past
    air_pa = float(atmospheric_pressure_pa(case.system.altitude_m))
    at_tank = float(pressure_at_tank_pa(reference_pa, case.readings.tank_above_gauge_m, case.system.fluid)) + air_pa
    if at_tank <= 0:
        return past
    ends = np.maximum(np.array([charge.median, charge.low, charge.high]) + air_pa, 1.0)
    share = np.minimum(water_share(ends, at_tank), tank.most_water_share)
    median, one, other = (float(depth) for depth in boundary_depth_m(tank, share, 0.5))
    return replace(past, level_m=Interval(median, min(one, other), max(one, other)))


def _years(visits: Sequence[PastVisit], day: date) -> float:
    return (day - visits[0].day).days / DAYS_A_YEAR


def _trend(visits: Sequence[PastVisit], rng: np.random.Generator) -> Trend | None:
    estimates: list[Estimate] = []
    settings: list[Setting] = []
    for past in visits:
        year = _years(visits, past.day)
        if past.charge_pa is not None:
            estimates.append(Estimate(year, past.charge_pa, past.charge_bound))
        estimates += [Estimate(year, charge) for _, charge in past.other_charges]
        if past.as_left.precharge_pa is not None:
            settings.append(Setting(year, past.as_left.precharge_pa))
    if not estimates and not settings:
        return None
    return fit_trend(estimates, settings, _years(visits, visits[-1].day), rng)


def _margin(
    trend: Trend | None, case: Case, reference_pa: float | None, rng: np.random.Generator
) -> tuple[Margin | None, list[Said]]:
    """When the relief margin is gone, or what is missing to tell."""
    if trend is None:
        return None, []
    if not trend.fits:
        return None, [Statement(HistoryRemark.NO_TREND)]
    if trend.loss_pa_per_year is None:
        return None, [Statement(HistoryRemark.LOSS_UNKNOWN)]
    system = case.system
    wanted = {
        Lacking.SYSTEM_VOLUME: system.volume_m3,
        Lacking.HIGHEST_TEMPERATURE: system.max_temperature_c,
        Lacking.RELIEF_SETTING: system.relief_pa,
        Lacking.COLD_PRESSURE: reference_pa,
    }
    missing = tuple(Statement(name) for name, value in wanted.items() if value is None)
    if missing:
        return None, [Statement(HistoryRemark.MARGIN_LACKS, {"missing": missing})]
    assert system.volume_m3 is not None
    assert system.max_temperature_c is not None
    assert system.relief_pa is not None
    assert reference_pa is not None
    spread = rng.standard_normal((3, MARGIN_DRAWS))
    air_pa = float(atmospheric_pressure_pa(system.altitude_m))
    state = SystemState(
        spread_volume_m3(system.volume_m3, system.volume_rel_sd, spread[0]),
        np.maximum(reference_pa + PRESSURE_SD_PA * spread[1], 0.0),
        COLD_C,
        system.fluid,
        atmospheric_pa=air_pa,
    )
    tank = Cushion(
        spread_volume_m3(case.tank.volume_m3, case.tank.volume_rel_sd, spread[2]),
        0.0,
        CHARGED_AT_C if case.readings.charged_at_c is None else case.readings.charged_at_c,
        GAS_C,
        acceptance_share=case.tank.most_water_share,
        above_gauge_m=case.readings.tank_above_gauge_m,
    )
    gas_c = np.full(MARGIN_DRAWS, GAS_C)
    try:
        others = draw_cushions(case, gas_c, gas_c, np.full(MARGIN_DRAWS, air_pa), rng)
        critical = critical_charge_pa(state, tank, max(system.max_temperature_c, COLD_C), system.relief_pa, others)
    except TaptestError as error:
        return None, [Statement(HistoryRemark.NO_MARGIN, {"sentence": str(error)})]
    return margin_of(trend, critical, rng), []


def history_json(history: History) -> dict[str, Any]:
    """Return the history as plain data: gauge bar, millimetres below the top, ISO dates, null if unknown."""
    trend, margin = history.trend, history.margin
    loss = None if trend is None else trend.loss_pa_per_year
    return {
        "schema": HISTORY_SCHEMA,
        "site": history.site,
        "tank": history.tank,
        "simulated": any(past.simulated for past in history.visits),
        "reference_pressure": None
        if history.reference_pa is None
        else {"bar": _bar(history.reference_pa), "source": history.reference_source},
        "visits": [_visit_json(past) for past in history.visits],
        "loss_bar_per_year": None
        if loss is None or trend is None
        else {**_spread(loss, 1e-5, 4), "bound": trend.bound, "p_losing": round(trend.p_losing, 4)},
        "charge_now_bar": None
        if trend is None or not trend.fits
        else {**_spread(trend.charge_now_pa, 1e-5, 3), "bound": trend.charge_bound},
        "margin": None if margin is None else _margin_json(history, margin),
        "notes": [tell(note, history.units) for note in history.notes],
        "notes_as_statements": [said_as_json(note) for note in history.notes],
    }


def _visit_json(past: PastVisit) -> dict[str, Any]:
    left = past.as_left
    return {
        "folder": past.folder,
        "visited_on": past.day.isoformat(),
        "finding": past.finding,
        "pressure_bar": _bar(past.pressure_pa),
        "water_temperature_c": past.water_temperature_c,
        "charge_bar": None
        if past.charge_pa is None
        else {**_spread(past.charge_pa, 1e-5, 3), "bound": past.charge_bound},
        "other_charges_bar": [{"source": source, **_spread(charge, 1e-5, 3)} for source, charge in past.other_charges],
        "level_mm": None if past.level_m is None else _spread(past.level_m, 1000, 1),
        "hot_pressure_bar": None if past.hot_pressure_pa is None else _spread(past.hot_pressure_pa, 1e-5, 3),
        "as_left": {
            "pressure_bar": _bar(left.pressure_pa),
            "water_temperature_c": left.water_temperature_c,
            "precharge_bar": _bar(left.precharge_pa),
            "work": past.work,
        },
    }


def _margin_json(history: History, margin: Margin) -> dict[str, Any]:
    assert history.trend is not None
    last = history.trend.last_year
    low, median, high = (None if years is None else history.day_of(last + years).isoformat() for years in margin.years)
    return {
        "critical_charge_bar": _spread(margin.critical_pa, 1e-5, 3),
        "p_gone": round(margin.p_gone, 4),
        "p_within_years": {"years": HORIZON_YEARS, "p": round(margin.p_within, 4)},
        "gone_on": {"median": median, "interval90": [low, high]},
    }


def _spread(interval: Interval, factor: float, digits: int) -> dict[str, Any]:
    return {
        "median": round(interval.median * factor, digits),
        "interval90": [round(interval.low * factor, digits), round(interval.high * factor, digits)],
    }


def _bar(pressure_pa: float | None) -> float | None:
    return None if pressure_pa is None else round(pressure_pa / 1e5, 4)

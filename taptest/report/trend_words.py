"""The history of a tank in words, for the terminal: its visits, the trend, and when the relief margin is gone."""

import textwrap

from taptest.finding.records import Bound, Interval
from taptest.quantities import Kind, Units
from taptest.report.wording import Wording, told, worded
from taptest.report.words import WIDTH, spread
from taptest.statements import Said
from taptest.visit.history import History, PastVisit
from taptest.visit.trend import HORIZON_YEARS

SURE = 0.9


def history_text(history: History, wording: Wording = "us") -> str:
    """Return the whole history in the user's units and the words of their country, ending in a line break."""

    def said(sentence: Said, mark: str = "") -> list[str]:
        return _wrapped(told(sentence, history.units, wording), mark)

    place = f", {history.site}" if history.site else ""
    simulated = " (simulated data)" if any(past.simulated for past in history.visits) else ""
    lines = [f"{history.tank or worded('Tank without a name', wording)}{place}{simulated}", ""]
    if reference := reference_sentence(history):
        lines += [*said(reference), ""]
    for past in history.visits:
        lines += _visit(past, history.units, wording)
    lines += ["", *(line for sentence in trend_sentences(history) for line in said(sentence))]
    if history.notes:
        lines += ["", "Not done", *(line for note in history.notes for line in said(note, "- "))]
    return "\n".join(lines) + "\n"


def reference_sentence(history: History) -> str:
    """Say at which pressure the levels are told, "" where none are."""
    if history.reference_pa is None:
        return ""
    return (
        f"Levels are those at {history.units.show('pressure', history.reference_pa)}, the {history.reference_source}."
    )


def trend_sentences(history: History) -> tuple[str, ...]:
    """Say the trend, the charge now and the margin, each in a sentence."""
    trend, units = history.trend, history.units
    if trend is None:
        return ("There is no trend yet.",)
    if not trend.fits:
        return ("The visits show no trend: their charges lie on no line.",)
    last = history.visits[-1].day.isoformat()
    charge = one_sided(units, trend.charge_now_pa, trend.charge_bound)
    said = [_loss(history), f"Charge by the trend after the last visit, {last}: {charge}."]
    if history.margin is not None:
        said.append(_margin(history))
        if count := len(history.case.parallel):
            others = (
                "the other tank on the system counts" if count == 1 else f"the {count} other tanks on the system count"
            )
            said.append(f"In this {others} as stated, as if no air were lost there.")
    return tuple(said)


def one_sided(units: Units, interval: Interval, bound: Bound | None, kind: Kind = "pressure") -> str:
    """Say an estimate: with its 90 % interval, or "at least" and "at most" the end that holds."""
    if bound == "lower":
        return f"at least {units.show(kind, interval.low)}"
    if bound == "upper":
        return f"at most {units.show(kind, interval.high)}"
    return spread(units, kind, interval)


def _loss(history: History) -> str:
    trend, units = history.trend, history.units
    assert trend is not None
    loss = trend.loss_pa_per_year
    if loss is None:
        return "How fast the tank loses air cannot be told from these visits."
    if trend.bound is None and loss.low <= 0:
        return (
            f"No loss of air is certain: between {units.show('pressure', -loss.low)} gained and "
            f"{units.show('pressure', loss.high)} lost a year (probability of a loss {100 * trend.p_losing:.0f} %)."
        )
    return f"The tank loses air: {one_sided(units, loss, trend.bound)} a year."


def _margin(history: History) -> str:
    margin, trend = history.margin, history.trend
    assert margin is not None
    assert trend is not None
    critical_pa = margin.critical_pa.median
    # A charge below zero is one that nobody could read: less air than fills the tank at no pressure.
    below = (
        f"below a charge of about {history.units.show('pressure', critical_pa)}"
        if critical_pa > 0
        else "once hardly any air is left"
    )
    if margin.p_gone > SURE:
        return f"The margin to the relief setting is gone ({below})."
    if margin.p_within < 1 - SURE:
        return f"The margin to the relief setting lasts beyond {HORIZON_YEARS:.0f} years at this rate ({below})."
    low, median, high = (
        None if years is None else history.day_of(trend.last_year + years).isoformat()[:7] for years in margin.years
    )
    if median is None:
        return (
            f"The margin to the relief setting is gone ({below}) not before {low}; within {HORIZON_YEARS:.0f} years "
            f"with a probability of {100 * margin.p_within:.0f} %."
        )
    until = f"and {high}" if high else f"and later than in {HORIZON_YEARS:.0f} years"
    already = f"; gone already with a probability of {100 * margin.p_gone:.0f} %" if margin.p_gone >= 0.05 else ""
    return (
        f"The margin to the relief setting is gone ({below}) about {median}, with 90 % probability between {low} "
        f"{until}{already}."
    )


def _visit(past: PastVisit, units: Units, wording: Wording) -> list[str]:
    """Say one visit: what was found, and what was left where that differs."""
    found = "; ".join([past.finding, *found_words(past, units)])
    lines = _hanging(past.day.isoformat(), "as found: " + worded(found, wording))
    said = ([past.work.rstrip(".")] if past.work else []) + left_words(past, units)
    return lines + (_hanging("", "as left: " + "; ".join(said)) if said else [])


def found_words(past: PastVisit, units: Units) -> list[str]:
    """Say what a visit found besides its finding."""
    found = _reading(units, past.pressure_pa, past.water_temperature_c)
    if past.charge_pa is not None:
        found.append(f"charge {_estimate(units, past.charge_pa, past.charge_bound)}")
    found += [f"by the {source} {spread(units, 'pressure', charge)}" for source, charge in past.other_charges]
    if past.level_m is not None and past.charge_bound is None:
        found.append(f"level {units.show('length', past.level_m.median)} below the top")
    return found


def left_words(past: PastVisit, units: Units) -> list[str]:
    """Say what a visit left besides the work that was typed."""
    left = past.as_left
    said = [] if left.precharge_pa is None else [f"charge set to {units.show('pressure', left.precharge_pa)}"]
    return said + _reading(units, left.pressure_pa, left.water_temperature_c)


def _reading(units: Units, pressure_pa: float | None, temperature_c: float | None) -> list[str]:
    if pressure_pa is None:
        return []
    warm = "" if temperature_c is None else f" at {units.show('temperature', temperature_c)}"
    return [f"{units.show('pressure', pressure_pa)}{warm}"]


def _estimate(units: Units, interval: Interval, bound: Bound | None) -> str:
    """Say a visit's own estimate, whose median is the bound where it is one-sided."""
    if interval.median <= 0 and bound != "lower":
        # Less air than fills the tank at no pressure: a charge below zero is no charge that anybody could read.
        return "gone but for hardly any air"
    if bound is None:
        return spread(units, "pressure", interval)
    return f"at {'least' if bound == 'lower' else 'most'} about {units.show('pressure', interval.median)}"


def _hanging(mark: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=f"{mark:<12}", subsequent_indent=" " * 22)


def _wrapped(text: str, mark: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))

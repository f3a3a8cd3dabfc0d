"""The history of a tank in words, for the terminal: its visits, the trend, and when the relief margin is gone."""

import textwrap

from taptest.finding.records import Bound, Interval
from taptest.report.remarks import Figure, FindingText, TrendText
from taptest.report.wording import Wording, told
from taptest.report.words import WIDTH, pressure_of
from taptest.statements import Said, Statement, Value
from taptest.visit.history import History, PastVisit, ReferenceSource
from taptest.visit.trend import HORIZON_YEARS
from taptest.water.log import WAY

SURE = 0.9
LEVELS_AT: dict[ReferenceSource, TrendText] = {
    "fill valve's setting": TrendText.LEVELS_AT_FILL,
    "usual cold pressure": TrendText.LEVELS_AT_COLD,
    "usual pressure": TrendText.LEVELS_AT_USUAL,
}


def history_text(history: History, wording: Wording = "us") -> str:
    """Return the whole history in the user's units and the words of their country, ending in a line break."""

    def one(said: Said) -> str:
        return told(said, history.units, wording)

    title = history.tank or one(FindingText.NO_NAME)
    title = f"{title}, {history.site}" if history.site else title
    if any(past.simulated for past in history.visits):
        title = one(Statement(FindingText.SIMULATED, {"title": title}))
    lines = [title, ""]
    reference = reference_sentence(history)
    if reference is not None:
        lines += [*_wrapped(one(reference)), ""]
    for past in history.visits:
        said_found: tuple[Said, ...] = (past.finding, *found_words(past))
        found = "; ".join(map(one, said_found))
        lines += _hanging(past.day.isoformat(), one(Statement(TrendText.FOUND, {"found": found})))
        left = "; ".join(map(one, ((past.work.rstrip("."),) if past.work else ()) + left_words(past)))
        lines += _hanging("", one(Statement(TrendText.LEFT, {"left": left}))) if left else []
    lines += ["", *(line for said in trend_sentences(history) for line in _wrapped(one(said)))]
    if history.notes:
        lines += ["", one(TrendText.NOT_DONE)]
        lines += [line for note in history.notes for line in _wrapped(one(note), "- ")]
    return "\n".join(lines) + "\n"


def reference_sentence(history: History) -> Statement | None:
    """Say at which pressure the levels are told, None where none are."""
    if history.reference_pa is None or history.reference_source is None:
        return None
    return Statement(LEVELS_AT[history.reference_source], {"pressure_pa": history.reference_pa})


def trend_sentences(history: History) -> tuple[Statement, ...]:
    """Say the trend, the charge now and the margin, each in a sentence."""
    trend = history.trend
    if trend is None:
        return (Statement(TrendText.NONE_YET),)
    if not trend.fits:
        return (Statement(TrendText.NO_TREND),)
    charge = one_sided(trend.charge_now_pa, trend.charge_bound)
    day = history.visits[-1].day.isoformat()
    said = [_loss(history), Statement(TrendText.CHARGE_NOW, {"day": day, "charge": charge})]
    if history.margin is not None:
        said.append(_margin(history))
        if count := len(history.case.parallel):
            said.append(Statement(TrendText.OTHER_TANKS, {"count": count}))
    return tuple(said)


def one_sided(interval: Interval, bound: Bound | None) -> Statement:
    """Say a pressure: with its 90 % interval, or "at least" and "at most" the end that holds."""
    if bound == "lower":
        return Statement(TrendText.AT_LEAST, {"low_pa": interval.low})
    if bound == "upper":
        return Statement(TrendText.AT_MOST, {"high_pa": interval.high})
    return pressure_of(interval)


def _loss(history: History) -> Statement:
    trend = history.trend
    assert trend is not None
    loss = trend.loss_pa_per_year
    if loss is None:
        return Statement(TrendText.LOSS_UNKNOWN)
    if trend.bound is None and loss.low <= 0:
        values = {"gained_pa": -loss.low, "lost_pa": loss.high, "losing_share": trend.p_losing}
        return Statement(TrendText.NO_CERTAIN_LOSS, values)
    return Statement(TrendText.LOSES, {"loss": one_sided(loss, trend.bound)})


def _margin(history: History) -> Statement:
    margin, trend = history.margin, history.trend
    assert margin is not None
    assert trend is not None
    critical_pa, years = margin.critical_pa.median, round(HORIZON_YEARS)
    # A charge below zero is one that nobody could read: less air than fills the tank at no pressure.
    when = Statement(TrendText.ONCE_EMPTY)
    if critical_pa > 0:
        when = Statement(TrendText.BELOW_CHARGE, {"charge_pa": critical_pa})
    if margin.p_gone > SURE:
        return Statement(TrendText.MARGIN_GONE, {"when": when})
    if margin.p_within < 1 - SURE:
        return Statement(TrendText.MARGIN_LASTS, {"when": when, "years": years})
    first, median, last = (
        None if past is None else history.day_of(trend.last_year + past).isoformat()[:7] for past in margin.years
    )
    if median is None:
        within: dict[str, Value] = {"first": str(first), "years": years, "within_share": margin.p_within}
        return Statement(TrendText.NOT_BEFORE, {"when": when, **within})
    until = Statement(TrendText.UNTIL, {"last": last}) if last else Statement(TrendText.UNTIL_LATER, {"years": years})
    about: dict[str, Value] = {"when": when, "month": median, "first": str(first), "until": until}
    if margin.p_gone < 0.05:
        return Statement(TrendText.ABOUT, about)
    return Statement(TrendText.ABOUT_OR_GONE, {**about, "gone_share": margin.p_gone})


def found_words(past: PastVisit) -> tuple[Statement, ...]:
    """Say what a visit found besides its finding."""
    found = _reading(past.pressure_pa, past.water_temperature_c)
    if past.charge_pa is not None:
        found.append(Statement(TrendText.CHARGE, {"charge": _estimate(past.charge_pa, past.charge_bound)}))
    for source, charge in past.other_charges:
        way = next((Statement(key) for name, key in WAY.items() if name == source), source)
        found.append(Statement(TrendText.BY_SOURCE, {"source": way, "charge": pressure_of(charge)}))
    if past.level_m is not None and past.charge_bound is None:
        found.append(Statement(TrendText.LEVEL, {"depth_m": past.level_m.median}))
    return tuple(found)


def left_words(past: PastVisit) -> tuple[Statement, ...]:
    """Say what a visit left besides the work that was typed."""
    left = past.as_left
    said = _reading(left.pressure_pa, left.water_temperature_c)
    if left.precharge_pa is not None:
        said.insert(0, Statement(TrendText.CHARGE_SET, {"charge_pa": left.precharge_pa}))
    return tuple(said)


def _reading(pressure_pa: float | None, temperature_c: float | None) -> list[Statement]:
    if pressure_pa is None:
        return []
    if temperature_c is None:
        return [Statement(TrendText.READING, {"pressure_pa": pressure_pa})]
    return [Statement(TrendText.WARM_READING, {"pressure_pa": pressure_pa, "water_c": temperature_c})]


def _estimate(interval: Interval, bound: Bound | None) -> Statement:
    """Say a visit's own estimate, whose median is the bound where it is one-sided."""
    if interval.median <= 0 and bound != "lower":
        # Less air than fills the tank at no pressure: a charge below zero is no charge that anybody could read.
        return Statement(TrendText.NEARLY_GONE)
    if bound is None:
        return pressure_of(interval)
    if bound == "lower":
        return Statement(Figure.AT_LEAST_ABOUT, {"low_pa": interval.median})
    return Statement(Figure.AT_MOST_ABOUT, {"high_pa": interval.median})


def _hanging(mark: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=f"{mark:<12}", subsequent_indent=" " * 22)


def _wrapped(text: str, mark: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))

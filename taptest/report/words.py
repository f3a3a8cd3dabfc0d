"""A judged visit in words, for the terminal: the finding first, then what it rests on, then what was not checked."""

import textwrap
from collections.abc import Iterable, Sequence

from taptest.finding.causes import said_check
from taptest.finding.records import Bound, Cause, Expected, Forecast, Interval, Readings, RedFlag
from taptest.finding.weigh import rings_all_over
from taptest.line.naming import level_span_m
from taptest.line.records import LineReading
from taptest.quantities import Units
from taptest.report.remarks import CauseText, Figure, FindingText, RoundText, RowName, Sure
from taptest.report.wording import LANGUAGE, Wording, told, worded
from taptest.statements import Said, Statement
from taptest.tank.kinds import Tank
from taptest.visit.remarks import LOST_TAPS, onset_round_said
from taptest.visit.result import PointResult, VisitResult
from taptest.words.tell import tell

WIDTH = 100
MOST_CAUSES = 6
MOST_CHECKED = 3
"""Causes whose own check is told on the terminal."""
LEAST_WEIGHT = 0.03
"""Causes less likely than this are left to the JSON."""
OPEN_ENDED_PA = 2e6
"""A pressure beyond this stands for "anything": no heating system holds it."""

FLAG_NAMES: dict[str, FindingText] = {"danger": FindingText.DANGER, "doubt": FindingText.CHECK_FIRST}
SURE: dict[str, Sure] = {"high": Sure.HIGH, "fair": Sure.FAIR, "low": Sure.LOW}
CAUTION = FindingText.CAUTION


def brief_text(result: VisitResult, wording: Wording = "us") -> str:
    """Return the finding in about ten lines, dangers first: what it is, how sure, what to do next."""
    judgement, units = result.judgement, result.units
    lines = [*flag_lines(judgement.red_flags, units, wording), *_headline(result, wording)]
    for remark in result.remarks:
        if isinstance(remark, Statement) and remark.key in LOST_TAPS:
            lines += _wrapped(told(remark, units, wording))
    lines += [
        "",
        *(f"{told(name, units, wording):<12}{told(text, units, wording)}" for name, text in figure_rows(result)[:2]),
    ]
    likely, _ = causes_together(judgement.causes, wording)
    if likely:
        lines += _wrapped(told(Statement(CauseText.IF_IT_OPENS, {"causes": likely[0][0]}), units, wording))
    check = told(judgement.next_checks[0], units, wording) if judgement.next_checks else ""
    if check and check[1:].rstrip(".") not in " ".join(lines):  # the finding's sentence may end with it
        lines += _wrapped(told(Statement(FindingText.NEXT_IS, {"check": check}), units, wording))
    return "\n".join(lines) + "\n"


def _headline(result: VisitResult, wording: Wording) -> list[str]:
    """Name the tank, say the finding and how sure it is."""

    def one(said: Said) -> str:
        return told(said, result.units, wording)

    judgement = result.judgement
    day = f", {result.visited_on.isoformat()}" if result.visited_on else ""
    title = f"{result.name or one(FindingText.NO_NAME)}{day}"
    if result.simulated:
        title = one(Statement(FindingText.SIMULATED, {"title": title}))
    lines = [title, "", result.headline.upper(), *_wrapped(one(judgement.says))]
    if judgement.code != "cannot tell":
        sure = SURE.get(judgement.confidence)
        confidence = judgement.confidence if sure is None else Statement(sure)
        lines += _wrapped(one(Statement(FindingText.CONFIDENCE, {"confidence": confidence})))
    return lines


def finding_text(result: VisitResult, wording: Wording = "us") -> str:
    """Return the whole finding in the user's units and the words of their country, ending in a line break."""

    def one(said: Said) -> str:
        return told(said, result.units, wording)

    def section(title: FindingText, said: Iterable[Said]) -> list[str]:
        lines = [line for each in said for line in _wrapped(one(each), "- ")]
        return ["", one(title), *lines] if lines else []

    judgement = result.judgement
    lines = [*flag_lines(judgement.red_flags, result.units, wording), *_headline(result, wording), ""]
    lines += [f"{one(name):<12}{one(text)}" for name, text in figure_rows(result)]
    lines += section(FindingText.ROUNDS, round_lines(result))
    lines += section(FindingText.WHY, (*judgement.reasons, *result.remarks))
    lines += section(FindingText.CAUSES, (*judgement.cause_notes, *cause_lines(judgement.causes, wording)))
    lines += section(FindingText.CHECKS, check_lines(judgement.causes, result.units, wording))
    lines += section(FindingText.NEXT, judgement.next_checks)
    lines += section(FindingText.NOT_CHECKED, (*judgement.not_checked, *result.assumptions))
    lines += ["", one(FindingText.POINTS), *_points(result, wording), "", *_wrapped(one(CAUTION))]
    return "\n".join(lines) + "\n"


def flag_lines(flags: Sequence[RedFlag], units: Units, wording: Wording) -> list[str]:
    """Say what comes before everything else: dangers and doubts, each with what to do."""
    lines: list[str] = []
    for flag in flags:
        name, says, step = (told(each, units, wording) for each in (FLAG_NAMES[flag.level], flag.says, flag.step))
        lines += [*_wrapped(f"{name}: {says} {step}"), ""]
    return lines


def cause_lines(causes: Sequence[Cause], wording: Wording) -> list[Statement]:
    """Tell the causes with what speaks for them, those with the same reason together; then name the others.

    Only the likelier ones are told. Where nothing speaks for any cause, one sentence says so.
    """
    with_reason, rest = causes_together(causes, wording)
    lines = [Statement(CauseText.FOR_THESE, {"causes": names, "because": because}) for names, because in with_reason]
    return [*lines, rest] if rest is not None else lines


def check_lines(causes: Sequence[Cause], units: Units, wording: Wording) -> list[Statement]:
    """Say for the likeliest causes the check of each, and what its answers would make of it."""
    return [
        Statement(
            CauseText.FOR_THESE, {"causes": (_weighed(cause, wording),), "because": cause_check(cause, units, wording)}
        )
        for cause in causes[:MOST_CHECKED]
        if cause.check is not None
    ]


def cause_check(cause: Cause, units: Units, wording: Wording) -> str:
    """Say a cause's own check with what each answer would make of it; "" where it has none."""
    return "" if cause.check is None else worded(tell(said_check(cause.check), units, LANGUAGE[wording]), wording)


def causes_together(
    causes: Sequence[Cause], wording: Wording
) -> tuple[list[tuple[tuple[Statement, ...], Said]], Statement | None]:
    """Return causes with the same reason together, (names with weights, reason), and a sentence on all the others."""
    shown = [cause for cause in causes[:MOST_CAUSES] if cause.weight >= LEAST_WEIGHT]
    together: dict[Said, list[Statement]] = {}
    for cause in shown:
        if cause.supported:
            because = cause.because if isinstance(cause.because, Statement) else worded(cause.because, wording)
            together.setdefault(because, []).append(_weighed(cause, wording))
    with_reason = [(tuple(names), because) for because, names in together.items()]
    others = tuple(_weighed(cause, wording) for cause in shown if not cause.supported)
    if not others:
        return with_reason, None
    return with_reason, Statement(CauseText.NO_OTHER if with_reason else CauseText.NONE_YET, {"causes": others})


def _weighed(cause: Cause, wording: Wording) -> Statement:
    return Statement(CauseText.WEIGHED, {"cause": worded(cause.cause, wording), "weight_share": cause.weight})


def depth_of(interval: Interval) -> Statement:
    """Say a depth with its 90 % interval."""
    return Statement(Figure.DEPTH, {"median_m": interval.median, "ends_m": (interval.low, interval.high)})


def pressure_of(interval: Interval) -> Statement:
    """Say a pressure with its 90 % interval: "0.45 bar (0.20 to 0.70 bar)"."""
    return Statement(Figure.PRESSURE, {"median_pa": interval.median, "ends_pa": (interval.low, interval.high)})


def round_lines(result: VisitResult) -> list[Said]:
    """Say for each round, where there are several, what was read, heard and expected."""
    if not result.rounds:
        return []
    judgement = result.judgement
    name: Said = Statement(RoundText.AS_FOUND)
    lines: list[Said] = [_round_line(result, name, result.case.readings, judgement.line, judgement.expected)]
    for each in result.rounds:
        name = each.name[:1].upper() + each.name[1:]
        if each.mark_m is not None:
            shown = [reading.pressure_pa for reading in each.readings]
            taps = sum(reading.taps_used for reading in each.readings)
            lines.append(onset_round_said(name, each.mark_m, shown, taps))
        if each.mark_m is None or each.points:
            lines.append(_round_line(result, name, each.case.readings, each.found.line, each.found.expected))
        if each.found.says is not None:
            lines.append(Statement(RoundText.BY_ITSELF, {"name": name, "finding": each.found.says}))
        lines += each.remarks
    return lines


def _round_line(
    result: VisitResult, name: Said, readings: Readings, line: LineReading | None, expected: Expected | None
) -> Statement:
    if readings.pressure_pa is not None:
        name = Statement(RoundText.AT_PRESSURE, {"name": name, "pressure_pa": readings.pressure_pa})
    heard = Statement(RoundText.NOT_TAPPED)
    if line is not None:
        heard = Statement(RoundText.HEARD, {"boundary": boundary_of_line(line, result.case.tank)})
    if expected is None:
        return Statement(RoundText.LINE, {"name": name, "heard": heard})
    return Statement(RoundText.LINE_EXPECTED, {"name": name, "heard": heard, "expected": _where(expected)})


def _where(expected: Expected) -> Statement:
    return Statement(Figure.NO_WATER) if expected.depth_m is None else depth_of(expected.depth_m)


def boundary_of(result: VisitResult) -> Statement:
    """Say where the boundary of the first round lies, or that there is none."""
    return boundary_of_line(result.judgement.line, result.case.tank)


def boundary_of_line(line: LineReading, tank: Tank) -> Statement:
    """Say where the boundary of a line lies, or that there is none."""
    if line.state == "found" and line.depth_m is not None and line.interval90_m is not None:
        depth = depth_of(Interval(line.depth_m, *line.interval90_m))
        return Statement(Figure.INVERTED if line.inverted else Figure.BELOW_TOP, {"depth": depth})
    span = level_span_m(line.posterior, tank) if line.narrows and line.state == "not found" else None
    if span is not None:
        return Statement(Figure.SOMEWHERE, {"ends_m": span})
    whole = {"all air": Figure.ALL_AIR, "all water": Figure.ALL_WATER}
    open_ = Figure.RINGS_ALL_OVER if rings_all_over(line) else Figure.UNKNOWN
    return Statement(whole.get(line.state, open_))


def figure_rows(result: VisitResult) -> list[tuple[RowName, Statement]]:
    """Name and say the figures of the visit: boundary, expected, water held, pre-charge, hot pressure."""
    judgement = result.judgement
    rows = [(RowName.BOUNDARY, boundary_of(result))]
    if judgement.expected is not None:
        rows.append((RowName.EXPECTED, _where(judgement.expected)))
    if judgement.boundary_state == "not found":
        return rows
    if judgement.water_m3 is not None:
        held = judgement.water_m3
        volume = Statement(Figure.VOLUME, {"median_m3": held.median, "ends_m3": (held.low, held.high)})
        rows.append((RowName.WATER_HELD, volume))
    if judgement.precharge is not None:
        charge = judgement.precharge
        row = (RowName.PRE_CHARGE, _one_sided(charge.pressure_pa, charge.bound))
        if not result.case.tank.has_membrane and charge.bound is None:
            found = pressure_of(charge.pressure_pa)
            row = (RowName.AIR_CHARGE, Statement(Figure.FROM_OPEN_AIR, {"charge": found}))
        rows.append(row)
    if judgement.forecast is not None:
        rows.append((RowName.WHEN_HOT, _when_hot(judgement.forecast, result.case.system.relief_pa)))
    return rows


def _when_hot(forecast: Forecast, relief_pa: float | None) -> Statement:
    pressure = forecast.hot_pressure_pa
    hot = pressure_of(pressure)
    if pressure.high > OPEN_ENDED_PA:
        hot = Statement(Figure.AT_LEAST, {"low_pa": pressure.low})
    if relief_pa is not None and pressure.low > 2 * relief_pa:
        hot = Statement(Figure.FAR_ABOVE_RELIEF)  # no system gets there, so a figure would only mislead
    return Statement(Figure.HOT, {"pressure": hot, "relief": forecast.relief})


def _one_sided(interval: Interval, bound: Bound | None) -> Statement:
    if interval.median <= 0 and bound != "lower":
        return Statement(Figure.HARDLY_ANY)
    if bound == "lower":
        return Statement(Figure.AT_LEAST_ABOUT, {"low_pa": interval.median})
    if bound == "upper":
        return Statement(Figure.AT_MOST_ABOUT, {"high_pa": interval.median})
    found = pressure_of(Interval(interval.median, max(interval.low, 0.0), interval.high))
    return Statement(Figure.BY_LEVEL, {"charge": found})


def _points(result: VisitResult, wording: Wording) -> list[str]:
    """Draw the line of points: position, probability of water, taps, and what is to be said of the point."""
    return [_point(point, result.units.show("length", point.depth_m), result.units, wording) for point in result.points]


def remark_on(point: PointResult, units: Units, wording: Wording) -> str:
    """Say why a point is in doubt or has no usable tap; "" where all is well."""
    return "" if point.remark is None else tell(point.remark, units, LANGUAGE[wording])


def _point(point: PointResult, position: str, units: Units, wording: Wording) -> str:
    taps = Statement(FindingText.TAPS, {"count": point.taps_used})
    if point.taps_rejected:
        taps = Statement(FindingText.TAPS_REJECTED, {"taps": taps, "rejected": point.taps_rejected})
    said = f"{told(taps, units, wording)}  {remark_on(point, units, wording)}"
    if point.p_water is None:
        return f"{position:>9}   --            {'':10}  {said}".rstrip()
    filled = round(10 * point.p_water)
    bar = "#" * filled + "." * (10 - filled)
    water = told(Statement(FindingText.WATER, {"water_share": point.p_water}), units, wording)
    return f"{position:>9}   {water:>11}  {bar}  {said}".rstrip()


def _wrapped(text: str, mark: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))

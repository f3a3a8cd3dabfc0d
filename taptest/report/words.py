"""A judged visit in words, for the terminal: the finding first, then what it rests on, then what was not checked."""

import textwrap
from collections.abc import Iterable, Sequence

from taptest.finding.causes import said_check
from taptest.finding.records import Bound, Cause, Expected, Interval, Readings, RedFlag
from taptest.finding.weigh import rings_all_over
from taptest.line.naming import level_span_m
from taptest.line.records import LineReading
from taptest.quantities import Kind, Units
from taptest.report.wording import LANGUAGE, Wording, told, worded
from taptest.statements import Said
from taptest.tank.kinds import Tank
from taptest.visit.remarks import onset_round_said
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

FLAG_NAMES = {"danger": "DANGER", "doubt": "CHECK THIS FIRST"}

CAUTION = (
    "Hot water under pressure scalds: let it cool and lock out power and fuel before opening anything. Set a "
    "pre-charge only with the tank isolated and drained to zero. This finding supports a decision and does not "
    "replace a pressure check."
)


def brief_text(result: VisitResult, wording: Wording = "us") -> str:
    """Return the finding in about ten lines, dangers first: what it is, how sure, what to do next."""
    judgement = result.judgement
    lines = [*flag_lines(judgement.red_flags, result.units, wording), *_headline(result, wording), ""]
    lines += [told(row, result.units, wording) for row in _figures(result, wording)[:2]]
    likely, _ = causes_together(judgement.causes, result.units, wording)
    if likely:
        lines += _wrapped(worded(f"If the relief valve opens: {likely[0][0]}.", wording))
    check = told(judgement.next_checks[0], result.units, wording) if judgement.next_checks else ""
    if check and check[1:].rstrip(".") not in " ".join(lines):  # the finding's sentence may end with it
        lines += _wrapped(f"Next: {check}")
    return "\n".join(lines) + "\n"


def _headline(result: VisitResult, wording: Wording) -> list[str]:
    """Name the tank, say the finding and how sure it is."""
    judgement = result.judgement
    day = f", {result.visited_on.isoformat()}" if result.visited_on else ""
    simulated = " (simulated data)" if result.simulated else ""
    name = result.name or worded("Tank without a name", wording)
    lines = [
        f"{name}{day}{simulated}",
        "",
        result.headline.upper(),
        *_wrapped(told(judgement.says, result.units, wording)),
    ]
    if judgement.code != "cannot tell":
        lines += _wrapped(f"Confidence: {judgement.confidence.rstrip('.')}.")
    return lines


def finding_text(result: VisitResult, wording: Wording = "us") -> str:
    """Return the whole finding in the user's units and the words of their country, ending in a line break."""

    def said(texts: Iterable[Said]) -> list[str]:
        return [told(text, result.units, wording) for text in texts]

    judgement = result.judgement
    head = flag_lines(judgement.red_flags, result.units, wording)
    lines = [*head, *_headline(result, wording), "", *said(_figures(result, wording))]
    lines += _section("Rounds", said(round_lines(result, wording)))
    lines += _section("Why", said((*judgement.reasons, *result.remarks)))
    causes = worded("Possible causes if the relief valve opens, likeliest first", wording)
    checks = check_lines(judgement.causes, result.units, wording)
    lines += _section(causes, said((*judgement.cause_notes, *cause_lines(judgement.causes, result.units, wording))))
    lines += _section("What would settle a cause", said(checks))
    lines += _section("Next", said(judgement.next_checks))
    lines += _section("Not checked", said((*judgement.not_checked, *result.assumptions)))
    lines += ["", "Points", *said(_points(result, wording)), "", *_wrapped(worded(CAUTION, wording))]
    return "\n".join(lines) + "\n"


def flag_lines(flags: Sequence[RedFlag], units: Units, wording: Wording) -> list[str]:
    """Say what comes before everything else: dangers and doubts, each with what to do."""
    lines: list[str] = []
    for flag in flags:
        text = f"{told(flag.says, units, wording)} {told(flag.step, units, wording)}"
        lines += [*_wrapped(f"{FLAG_NAMES[flag.level]}: {text}"), ""]
    return lines


def cause_lines(causes: Sequence[Cause], units: Units, wording: Wording) -> list[str]:
    """Tell the causes with what speaks for them, those with the same reason together; then name the others.

    Only the likelier ones are told. Where nothing speaks for any cause, one sentence says so.
    """
    with_reason, rest = causes_together(causes, units, wording)
    lines = [f"{names}: {because}" for names, because in with_reason]
    return [*lines, rest] if rest else lines


def check_lines(causes: Sequence[Cause], units: Units, wording: Wording) -> list[str]:
    """Say for the likeliest causes the check of each, and what its answers would make of it."""
    told = [(_begun(_named(cause)), cause_check(cause, units, wording)) for cause in causes[:MOST_CHECKED]]
    return [f"{name}: {check}" for name, check in told if check]


def cause_check(cause: Cause, units: Units, wording: Wording) -> str:
    """Say a cause's own check with what each answer would make of it; "" where it has none."""
    return "" if cause.check is None else worded(tell(said_check(cause.check), units, LANGUAGE[wording]), wording)


def causes_together(causes: Sequence[Cause], units: Units, wording: Wording) -> tuple[list[tuple[str, str]], str]:
    """Return causes with the same reason together, (names with weights, reason), and a sentence on all the others."""
    shown = [cause for cause in causes[:MOST_CAUSES] if cause.weight >= LEAST_WEIGHT]
    together: dict[str, list[str]] = {}
    for cause in shown:
        if cause.supported:
            together.setdefault(told(cause.because, units, wording), []).append(_named(cause))
    with_reason = [(_begun(", ".join(names)), because) for because, names in together.items()]
    rest = ", ".join(_named(cause) for cause in shown if not cause.supported)
    which = "the others" if with_reason else "any one cause; the commonest are"
    return with_reason, f"Nothing observed so far speaks for {which}: {rest}." if rest else ""


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _named(cause: Cause) -> str:
    return f"{cause.cause} {100 * cause.weight:.0f} %"


def spread(units: Units, kind: Kind, interval: Interval) -> str:
    """Say a median with its 90 % interval: "0.45 bar (0.20 to 0.70 bar)"."""
    return f"{units.show(kind, interval.median)} ({units.span(kind, interval.low, interval.high)})"


def round_lines(result: VisitResult, wording: Wording) -> list[Said]:
    """Say for each round, where there are several, what was read, heard and expected."""
    if not result.rounds:
        return []
    judgement = result.judgement
    lines: list[Said] = [_round_line(result, "As found", result.case.readings, judgement.line, judgement.expected)]
    for each in result.rounds:
        name = each.name[:1].upper() + each.name[1:]
        if each.mark_m is not None:
            shown = [reading.pressure_pa for reading in each.readings]
            taps = sum(reading.taps_used for reading in each.readings)
            lines.append(onset_round_said(name, each.mark_m, shown, taps))
        if each.mark_m is None or each.points:
            lines.append(_round_line(result, name, each.case.readings, each.found.line, each.found.expected))
        if each.found.says is not None:
            own = told(each.found.says, result.units, wording)
            lines.append(f"{name}, by itself because its air is other air: {own}")
        lines += each.remarks
    return lines


def _round_line(
    result: VisitResult, name: str, readings: Readings, line: LineReading | None, expected: Expected | None
) -> str:
    units = result.units
    read = "" if readings.pressure_pa is None else f" at {units.show('pressure', readings.pressure_pa)}"
    heard = "not tapped" if line is None else f"boundary {line_words(line, result.case.tank, units)}"
    where = ""
    if expected is not None:
        at = "no water" if expected.depth_m is None else spread(units, "length", expected.depth_m)
        where = f"; expected {at}"
    return f"{name}{read}: {heard}{where}."


def boundary_words(result: VisitResult) -> str:
    """Say where the boundary of the first round lies, or that there is none."""
    return line_words(result.judgement.line, result.case.tank, result.units)


def line_words(line: LineReading, tank: Tank, units: Units) -> str:
    """Say where the boundary of a line lies, or that there is none."""
    state = line.state
    if state == "found" and line.depth_m is not None and line.interval90_m is not None:
        interval = Interval(line.depth_m, *line.interval90_m)
        place = f"{spread(units, 'length', interval)} below the top of the shell"
        return f"{place}, inverted: the water on the wrong side" if line.inverted else place
    span = level_span_m(line.posterior, tank) if line.narrows and state == "not found" else None
    if span is not None:
        return f"not told closely: somewhere from {units.span('length', *span)} below the top of the shell"
    whole = {"all air": "none: air all over", "all water": "none: water all over"}
    open_ = "none heard: the shell rings all over" if rings_all_over(line) else "could not be told"
    return whole.get(state, open_)


def _figures(result: VisitResult, wording: Wording) -> list[str]:
    """Lay out the figures of the visit, one a line."""
    return [f"{name:<12}{text}" for name, text in figure_rows(result, wording)]


def figure_rows(result: VisitResult, wording: Wording) -> list[tuple[str, str]]:
    """Name and say the figures of the visit: boundary, expected, water held, pre-charge, hot pressure."""
    judgement, units = result.judgement, result.units
    rows = [("Boundary", boundary_words(result))]
    expected = judgement.expected
    if expected is not None:
        where = "no water" if expected.depth_m is None else spread(units, "length", expected.depth_m)
        rows.append(("Expected", where))
    level_known = judgement.boundary_state != "not found"
    if judgement.water_m3 is not None and level_known:
        rows.append(("Water held", spread(units, "volume", judgement.water_m3)))
    if judgement.precharge is not None and level_known:
        charge = judgement.precharge
        row = ("Pre-charge", _one_sided(units, charge.pressure_pa, charge.bound))
        if not result.case.tank.has_membrane and charge.bound is None:
            row = ("Air charge", f"{spread(units, 'pressure', charge.pressure_pa)}; 0 is a filling from open air")
        rows.append(row)
    if judgement.forecast is not None and level_known:
        pressure, relief = judgement.forecast.hot_pressure_pa, result.case.system.relief_pa
        hot = spread(units, "pressure", pressure)
        if pressure.high > OPEN_ENDED_PA:
            hot = f"at least {units.show('pressure', pressure.low)}"
        if relief is not None and pressure.low > 2 * relief:
            hot = "far above the relief setting"  # no system gets there, so a figure would only mislead
        rows.append(("When hot", f"{hot}; relief valve: {told(judgement.forecast.relief, units, wording)}"))
    return rows


def _one_sided(units: Units, interval: Interval, bound: Bound | None) -> str:
    if interval.median <= 0 and bound != "lower":
        return "hardly any is left, by the level"
    if bound == "lower":
        return f"at least about {units.show('pressure', interval.median)}"
    if bound == "upper":
        return f"at most about {units.show('pressure', interval.median)}"
    shown = Interval(interval.median, max(interval.low, 0.0), interval.high)
    return f"{spread(units, 'pressure', shown)} by the level"


def _points(result: VisitResult, wording: Wording) -> list[str]:
    """Draw the line of points: position, probability of water, taps, and what is to be said of the point."""
    return [
        _point(point, result.units.show("length", point.depth_m), remark_on(point, result.units, wording))
        for point in result.points
    ]


def remark_on(point: PointResult, units: Units, wording: Wording) -> str:
    """Say why a point is in doubt or has no usable tap; "" where all is well."""
    return "" if point.remark is None else tell(point.remark, units, LANGUAGE[wording])


def _point(point: PointResult, position: str, remark: str) -> str:
    taps = f"{point.taps_used} tap{'' if point.taps_used == 1 else 's'}"
    taps += f", {point.taps_rejected} rejected" if point.taps_rejected else ""
    if point.p_water is None:
        return f"{position:>9}   --            {'':10}  {taps}  {remark}".rstrip()
    filled = round(10 * point.p_water)
    bar = "#" * filled + "." * (10 - filled)
    return f"{position:>9}   {100 * point.p_water:3.0f} % water  {bar}  {taps}  {remark}".rstrip()


def _section(title: str, sentences: Iterable[str]) -> list[str]:
    lines = [line for sentence in sentences for line in _wrapped(sentence, "- ")]
    return ["", title, *lines] if lines else []


def _wrapped(text: str, mark: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))

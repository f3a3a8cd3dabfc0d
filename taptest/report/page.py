"""The report's pages as PDF, one page each: for the service file, and a plainer one for the customer.

A page more shows before and after where the tank was tapped again as it was left, and photographs where there are some.

What is said is put together here from the judged visit and from the texts of `taptest.report.page_text`; `page.typ`
sets it. Data goes there as JSON, so that nothing typed is ever read as markup. Typed texts stay as typed, in their own
units. The PDF follows PDF/A-2u: every letter is embedded with its font. Letters that the bundled font lacks are taken
from the fonts of the computer, and where those lack them too, a question mark stands and the page says so.
"""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst

from taptest import __version__
from taptest.errors import TaptestError
from taptest.finding.keys import Step
from taptest.quantities import Units
from taptest.report import page_text as texts
from taptest.report.choices import Paper
from taptest.report.figures import ON_PAGE, TANK_ONLY, Sheet, vector_picture
from taptest.report.further_pages import Photographs, before_and_after, drawn_in, photographs_shown, round_left
from taptest.report.letterhead import EMPTY, Letterhead
from taptest.report.page_text import CustomerText, PageText
from taptest.report.past import in_the_past
from taptest.report.remarks import CauseText
from taptest.report.typed import LONGEST_TEXT, SHORT, Typed, wrappable
from taptest.report.wording import LANGUAGE, Wording, told
from taptest.report.words import FLAG_NAMES, boundary_of, causes_together, figure_rows, round_lines
from taptest.simulate.truth import VisitTruth
from taptest.statements import Key, Said, Statement, Value
from taptest.tank.kinds import TANK_KINDS
from taptest.visit.files import sound_files
from taptest.visit.record import Document
from taptest.visit.result import VisitResult
from taptest.words.tell import text_of

HERE = Path(__file__).parent
TEMPLATE = HERE / "page.typ"
FONTS = HERE / "fonts"
AIR_VALVE = "water at the air valve"
"""The observation that shows a failed membrane without any sound."""
MOST_TRIES = 40
CHARGED_BY = frozenset((Step.RECHARGE, Step.RECHARGE_AS_BEFORE, Step.LET_AIR_OUT, Step.READ_CHARGE, Step.NOTE_CHARGE))
"""Steps that are done once the pre-charge was set and noted."""
_NOT_SHOWN = re.compile(r"the text `\"(.*?)\"` could not be displayed", re.DOTALL)
_ESCAPED = re.compile(r"\\u\{([0-9a-fA-F]+)\}")
_PAPERS = {"a4": "a4", "letter": "us-letter"}

Rows = list[list[Said]]
"""Names and what stands beside them; keys and statements are told when the page is finished."""


@dataclass(frozen=True, slots=True)
class Sources:
    """What the pages are made from besides the judged visit."""

    document: Document
    fingerprint: str
    """SHA-256 of the recordings, see `taptest.visit.fingerprint`."""
    made_at: datetime
    """When the page is made, with its time zone."""
    truth: VisitTruth | None = None
    known_level: str | None = None
    """What is remembered of a known level tapped with this computer, a sentence of its own."""
    wording: Wording = "us"
    paper: Paper = "a4"
    letterhead: Letterhead = EMPTY
    photographs: Photographs = ()


def report_pdf(result: VisitResult, sources: Sources) -> bytes:
    """Return the one-page report for the service file. Raises `TaptestError` where it cannot be set."""
    return _set(_technical(result, sources), _pictures(result, ON_PAGE, sources, sources.photographs), sources)


def customer_pdf(result: VisitResult, sources: Sources) -> bytes:
    """Return the page for the customer. Raises `TaptestError` where it cannot be set."""
    return _set(_customer(result, sources), _pictures(result, TANK_ONLY, sources), sources)


def _pictures(result: VisitResult, sheet: Sheet, sources: Sources, photographs: Photographs = ()) -> dict[str, str]:
    """Draw or wrap the pictures of the pages, by the names under which `page.typ` looks for them; all as SVG."""
    pictures = {"picture": vector_picture(result, sheet, sources.wording).decode()}
    left = round_left(result)
    if left is not None:
        pictures |= {
            "before": vector_picture(result, TANK_ONLY, sources.wording).decode(),
            "after": vector_picture(left, TANK_ONLY, sources.wording).decode(),
        }
    if sources.letterhead.logo is not None:
        pictures["logo"] = drawn_in(sources.letterhead.logo, "png")
    shown = [picture for _, picture in photographs]
    return pictures | {f"photo{at}": drawn_in(jpeg, "jpeg") for at, jpeg in enumerate(shown) if jpeg is not None}


# --- setting ---


@lru_cache(maxsize=2)
def _fonts(of_computer: bool) -> typst.Fonts:
    """Look up the bundled font, and those of the computer where they are asked for, once."""
    return typst.Fonts(include_system_fonts=of_computer, include_embedded_fonts=False, font_paths=[str(FONTS)])


def _set(content: dict[str, Any], pictures: dict[str, str], sources: Sources) -> bytes:
    """Set a page; letters that no font shows are replaced, and the page says so."""
    template = TEMPLATE.read_bytes()
    made_at = sources.made_at.astimezone(UTC)
    fonts = _fonts(of_computer=True)
    for _ in range(MOST_TRIES):
        try:
            return typst.compile(
                template,
                format="pdf",
                font_paths=fonts,
                sys_inputs={"data": json.dumps(content), **pictures},
                pdf_standards=["a-2u"],
                timestamp=int(made_at.timestamp()),
            )
        except typst.TypstError as error:
            missing = _letters_not_shown(str(error.diagnostic))
            if not missing and fonts is not _fonts(of_computer=False):
                # A font of the computer may be damaged, or may not be embedded: do without them.
                fonts = _fonts(of_computer=False)
                continue
            if not missing:
                raise TaptestError(f"The page could not be set: {error.message}. Please report this.") from error
            content = _without(content, missing)
            letters = text_of(PageText.LETTERS, LANGUAGE[sources.wording])
            if letters not in content["small"]:
                content["small"] = [*content["small"], letters]
    raise TaptestError("The page could not be set: too many letters of it are in no font of this computer.")


def _letters_not_shown(diagnostic: str) -> set[str]:
    """Return the letters that no font shows, out of typst's own words; there they stand as in its source."""
    letters: set[str] = set()
    for quoted in _NOT_SHOWN.findall(diagnostic):
        letters |= {chr(int(code, 16)) for code in _ESCAPED.findall(quoted)} | set(_ESCAPED.sub("", quoted))
    return {letter for letter in letters if not letter.isascii()}


def _without(content: Any, letters: set[str]) -> Any:
    """Put a question mark in place of some letters, all through the data of a page."""
    if isinstance(content, str):
        return "".join("?" if letter in letters else letter for letter in content)
    if isinstance(content, list):
        return [_without(each, letters) for each in content]
    return {key: _without(each, letters) for key, each in content.items()} if isinstance(content, dict) else content


# --- what both pages say ---


def _common(result: VisitResult, sources: Sources, typed: Typed) -> dict[str, Any]:
    """Return what every page carries."""
    visit = sources.document.visit
    day = result.visited_on.isoformat() if result.visited_on else PageText.NOT_GIVEN
    count = len(sound_files(sources.document))
    simulated: list[Said] = [PageText.SIMULATED_KEYWORD] if result.simulated else []
    files = Statement(PageText.FILES, {"count": count})
    fingerprint = Statement(PageText.FINGERPRINT, {"files": files, "fingerprint": sources.fingerprint})
    return {
        "paper": _PAPERS[sources.paper],
        "region": {"us": "us", "uk": "gb"}[sources.wording],
        "title": _titled(_name(result)),
        "author": typed(visit.technician, "taptest"),
        "keywords": [f"sha256:{sources.fingerprint}", f"taptest {__version__}", *simulated],
        "description": fingerprint,
        "badge": PageText.SIMULATED if result.simulated else "",
        "flags": [
            [
                FLAG_NAMES[flag.level],
                " ".join(told(each, result.units, sources.wording) for each in (flag.says, flag.step)),
            ]
            for flag in result.judgement.red_flags
        ],
        "head": [
            *_given(typed, (PageText.CUSTOMER, visit.customer)),
            [PageText.SITE, typed(visit.site, PageText.NOT_GIVEN)],
            [PageText.DATE, day],
            [PageText.TANK, _tank_words(sources.document, typed, sources.wording, result.units)],
            [PageText.TECHNICIAN, typed(visit.technician, PageText.NOT_GIVEN)],
            *_given(typed, (PageText.JOB, visit.job), (PageText.NEXT_VISIT, visit.next_visit)),
        ],
        "foot": {
            "left": fingerprint,
            "right": Statement(PageText.MADE_BY, {"version": __version__}),
        },
        "picture": PageText.PICTURE_ALT,
        "letterhead": _letterhead(sources.letterhead, typed),
        "signatures": [PageText.SIGNED_TECHNICIAN, PageText.SIGNED_CUSTOMER],
        "where": [
            *([typed(visit.site)] if visit.site else []),
            *([typed(sources.document.tank.name)] if sources.document.tank.name else []),
            day,
        ],
        "compared": before_and_after(result, sources.document, typed),
        "photographs": [],
        "small": [PageText.SIMULATED_NOTE] if result.simulated else [],
    }


def _letterhead(head: Letterhead, typed: Typed) -> dict[str, Any]:
    """Lay out whose page it is; the logo is told in words by the company's name."""
    name = typed(head.name)
    company = Statement(PageText.LOGO, {"company": name}) if name else PageText.LOGO_ALONE
    return {"name": name, "lines": [typed(line) for line in head.lines], "logo": company if head.logo else ""}


def _titled(finding: PageText) -> Statement:
    return Statement(PageText.TITLE_WITH_FINDING, {"title": Statement(PageText.TITLE), "finding": Statement(finding)})


def _name(result: VisitResult) -> PageText:
    """Name the finding, or say that there is none yet."""
    return PageText.NOT_FINISHED if result.marks_left_m else texts.FINDING[result.judgement.code]


def _given(typed: Typed, *rows: tuple[PageText, str | None]) -> Rows:
    """Return the rows of which something was typed."""
    return [[name, typed(text)] for name, text in rows if text and text.strip()]


def _worked(document: Document) -> bool:
    """Whether something was changed, so that the finding is that of before."""
    left = document.as_left
    return any(text and text.strip() for text in (left.work, left.precharge, left.pressure))


def _tank_words(document: Document, typed: Typed, wording: Wording, units: Units) -> str:
    """Say which tank it is: its name as typed, kind, size, water end, number."""

    def said(*keys: PageText | None) -> str:
        return " ".join(text_of(key, LANGUAGE[wording]) for key in keys if key is not None)

    tank = document.tank
    kind = said(texts.AXIS.get(tank.axis or ""), texts.KIND[tank.kind])
    end = said(texts.WATER_END[tank.water_end]) if tank.water_end and TANK_KINDS[tank.kind].membrane else ""
    serial = tank.serial.strip() if tank.serial else ""
    parts = [
        typed(tank.name),
        " ".join(typed(text, most=30) for text in (tank.maker, tank.model) if text and text.strip()),
        f"{typed(tank.volume, most=20)} {kind}".strip(),
        end,
        told(Statement(PageText.SERIAL, {"serial": typed(serial, most=30)}), units, wording) if serial else "",
    ]
    return ", ".join(part for part in parts if part)


def _finish(content: dict[str, Any], typed: Typed, units: Units, wording: Wording) -> dict[str, Any]:
    """Say that texts were cut where they were, and tell every key and statement; what was typed stays."""
    if typed.cut:
        content["small"] = [*content["small"], PageText.CUT]
    finished: dict[str, Any] = _told(content, units, wording)
    return finished


def _told(content: Any, units: Units, wording: Wording) -> Any:
    match content:
        case Key() | Statement():
            return told(content, units, wording)
        case dict():
            return {key: _told(each, units, wording) for key, each in content.items()}
        case list() | tuple():
            return [_told(each, units, wording) for each in content]
        case _:
            return content


# --- the page for the service file ---


def _technical(result: VisitResult, sources: Sources) -> dict[str, Any]:
    judgement, typed, wording = result.judgement, Typed(), sources.wording
    worked = _worked(sources.document)

    def said(*texts: Said) -> list[str]:
        return [told(text, result.units, wording) for text in texts]

    content = _common(result, sources, typed) | {
        "form": "technical",
        "heading": PageText.TITLE,
        "finding": {
            "name": Statement(PageText.FINDING_AS_FOUND, {"finding": Statement(_name(result))})
            if worked
            else _name(result),
            "sentence": told(in_the_past(judgement.says) if worked else judgement.says, result.units, wording),
            "now": _now(result, sources.document, typed) if worked else [],
            "confidence": [
                Statement(PageText.LABEL, {"label": Statement(PageText.CONFIDENCE)}),
                PageText.CONFIDENCE_SEEN
                if _seen_broken(result)
                else texts.CONFIDENCE_WORDS.get(judgement.confidence, judgement.confidence),
            ],
        },
        "results": [*(list(row) for row in figure_rows(result)), [PageText.TAPS, _taps(result)]],
        "reasons": [wrappable(text) for text in said(*round_lines(result), *judgement.reasons, *result.remarks)],
        "next": said(*_open_checks(judgement.next_checks, sources.document)),
        "causes": [*said(*judgement.cause_notes), *_causes(result, wording)],
        "unchecked": said(*judgement.not_checked, *result.assumptions, *_no_known_level(result, sources)),
        "cautions": list(texts.CAUTIONS),
        "labels": {
            "results": PageText.RESULTS,
            "readings": PageText.READINGS,
            "system": PageText.SYSTEM,
            "next": PageText.NEXT_AS_FOUND if worked else PageText.NEXT,
            "causes": PageText.CAUSES,
            "why": PageText.WHY,
            "unchecked": PageText.UNCHECKED,
            "cautions": PageText.CAUTION,
            "more": PageText.MORE,
            "photographs": PageText.PHOTOGRAPHS,
        },
    }
    content["readings"] = _readings(sources.document, typed)
    content["system"] = _system(sources.document, typed)
    content["extras"] = _extras(result, sources, typed)
    content["photographs"] = photographs_shown(sources.photographs, typed)
    return _finish(content, typed, result.units, wording)


def _now(result: VisitResult, document: Document, typed: Typed) -> Rows:
    """Say what was done and how the tank stands now: name and text of each line."""
    left = document.as_left
    keys = (
        (PageText.NOW_CHARGE, "charge", left.precharge),
        (PageText.NOW_PRESSURE, "pressure", left.pressure),
        (PageText.NOW_TEMPERATURE, "temperature", left.water_temperature),
    )
    state = tuple(Statement(key, {name: typed(text, most=SHORT)}) for key, name, text in keys if text and text.strip())
    lines: Rows = [[PageText.WORK, typed(left.work, most=LONGEST_TEXT)]] if left.work else []
    lines += [[PageText.NOW, Statement(PageText.NOW_STATE, {"state": state})]] if state else []
    again = round_left(result)
    return lines if again is None else [*lines, [PageText.TAPPED_AGAIN, boundary_of(again)]]


def _open_checks(checks: Sequence[Said], document: Document) -> list[Said]:
    """Leave out the checks that the work has done: once the charge was set, it need not be read or set again."""
    done = CHARGED_BY if _charged(document) else frozenset[Key]()
    return [check for check in checks if not (isinstance(check, Statement) and check.key in done)]


def _taps(result: VisitResult) -> Statement:
    used = sum(point.taps_used for point in result.points)
    rejected = sum(point.taps_rejected for point in result.points)
    points = Statement(PageText.POINT_COUNT, {"count": len(result.points)})
    return Statement(PageText.TAPS_WORDS, {"used": used, "rejected": rejected, "points": points})


def _seen_broken(result: VisitResult) -> bool:
    """Tell whether the finding was seen at the air valve rather than heard."""
    return result.judgement.code == "membrane failed" and result.case.observations.get(AIR_VALVE) == "yes"


def _causes(result: VisitResult, wording: Wording) -> list[list[Said] | Statement]:
    """List the causes with what speaks for them, then a sentence on those that nothing speaks for."""
    with_reason, rest = causes_together(result.judgement.causes, wording)
    rows: list[list[Said] | Statement] = [
        [Statement(CauseText.NAMES, {"causes": names}), because] for names, because in with_reason
    ]
    return rows if rest is None else [*rows, rest]


def _no_known_level(result: VisitResult, sources: Sources) -> list[Said]:
    none = sources.known_level is None and sources.truth is None and not result.simulated
    return [Statement(PageText.NO_KNOWN_LEVEL)] if none else []


def _readings(document: Document, typed: Typed) -> dict[str, Any]:
    """Lay out the readings as found, and as left where anything was noted."""
    found, left, charge = document.readings, document.as_left, typed(document.tank.precharge, most=30)
    stated = Statement(PageText.STATED, {"charge": charge}) if charge else PageText.NOT_KNOWN
    rows: Rows = [
        [PageText.PRESSURE, typed(found.pressure, PageText.NOT_READ, 30), typed(left.pressure, texts.UNCHANGED, 30)],
        [
            PageText.WATER_TEMPERATURE,
            typed(found.water_temperature, PageText.NOT_READ, 30),
            typed(left.water_temperature, texts.UNCHANGED, 30),
        ],
        [PageText.TANK_TEMPERATURE, typed(found.tank_temperature, PageText.NOT_READ, 30), texts.UNCHANGED],
        [PageText.CHARGE, stated, typed(left.precharge, texts.UNCHANGED, 30)],
    ]
    has_left = any(text and text.strip() for text in (left.pressure, left.water_temperature, left.precharge))
    if not has_left:
        rows = [row[:2] for row in rows]
    state = {"cold": PageText.AS_FOUND_COLD, "hot": PageText.AS_FOUND_HOT}.get(found.state or "", PageText.AS_FOUND)
    return {"rows": rows, "head": ["", state, PageText.AS_LEFT] if has_left else ["", state]}


def _system(document: Document, typed: Typed) -> Rows:
    """Lay out the system as stated."""
    system = document.system
    rows = (
        (PageText.RELIEF, system.relief, True),
        (PageText.FILL, system.fill, False),
        (PageText.HEAD, system.static_head, True),
        (PageText.VOLUME, system.volume, True),
        (PageText.HIGHEST, system.max_temperature, True),
        (PageText.FLUID, system.fluid, False),
        (PageText.GAUGE_ERROR, document.readings.gauge_error, False),
    )
    return [
        [name, typed(text, PageText.NOT_KNOWN, 30)] for name, text, always in rows if always or (text and text.strip())
    ]


def _extras(result: VisitResult, sources: Sources, typed: Typed) -> Rows:
    """Lay out what is there on some visits only: observations, drain, log, work, notes, known level."""
    document = sources.document
    rows: Rows = []
    if document.observations:
        said = "; ".join(f"{name}: {answer}" for name, answer in document.observations.items())
        rows.append([PageText.OBSERVED, typed(said, most=LONGEST_TEXT)])
    drain = document.drain
    if drain.volume:
        pressures = {"before": drain.pressure_before, "after": drain.pressure_after}
        values: dict[str, Value] = {
            name: typed(pressure, most=20) or Statement(PageText.NOT_READ) for name, pressure in pressures.items()
        }
        drawn = typed(drain.volume, most=20)
        rows.append([PageText.DRAIN, Statement(PageText.DRAIN_WORDS, {"volume": drawn, **values})])
    if document.parallel:
        tanks = tuple(
            Statement(
                PageText.OTHER_WORDS,
                {"volume": typed(each.volume, most=20), "charge": typed(each.precharge, most=20)},
            )
            for each in document.parallel
        )
        rows.append([PageText.OTHERS, Statement(PageText.OTHERS_WORDS, {"tanks": tanks})])
    if document.log:
        first, last = document.log[0], document.log[-1]
        ends: dict[str, Value] = {
            "first": typed(first.pressure, most=20),
            "last": typed(last.pressure, most=20),
        }
        rows.append([PageText.LOG, Statement(PageText.LOG_WORDS, {"count": len(document.log), **ends})])
    if document.by_hand:
        verdicts = [decision.verdict for decision in document.by_hand]
        reasons = "; ".join(dict.fromkeys(" ".join(decision.why.split()) for decision in document.by_hand))
        refused = Statement(PageText.TAP_COUNT, {"count": verdicts.count("refuse")})
        decided: dict[str, Value] = {"refused": refused, "used": verdicts.count("use")}
        said_why = typed(reasons, most=LONGEST_TEXT)
        rows.append([PageText.BY_HAND, Statement(PageText.BY_HAND_WORDS, {**decided, "reasons": said_why})])
    rows.append([PageText.NOTES, typed(document.readings.notes, most=LONGEST_TEXT)])
    known = [typed(sources.known_level, most=LONGEST_TEXT)] if sources.known_level and not result.simulated else []
    known += [told(_truth(result, sources.truth), result.units, sources.wording)] if sources.truth else []
    rows.append([PageText.TRUTH if result.simulated else PageText.KNOWN_LEVEL, " ".join(known)])
    return [row for row in rows if row[1]]


def _truth(result: VisitResult, truth: VisitTruth) -> Statement:
    """Say what is known of the level from elsewhere."""
    whole = texts.TRUTH_WHOLE.get(truth.state)
    said: Said = "" if whole is None else Statement(whole)
    if truth.boundary_mm is not None:
        said = Statement(PageText.TRUTH_FOUND, {"depth_m": truth.boundary_mm / 1000})
    simulated = truth.simulated or result.simulated
    return Statement(PageText.TRUTH_SIMULATED if simulated else PageText.TRUTH_MEASURED, {"truth": said})


# --- the page for the customer ---


def _customer(result: VisitResult, sources: Sources) -> dict[str, Any]:
    judgement, typed = result.judgement, Typed()
    found, means, steps = _plain_words(result, sources.document)
    head = _common(result, sources, typed)
    content = head | {
        "form": "customer",
        "heading": CustomerText.TITLE,
        "intro": "" if not result.case.tank.charged else CustomerText.INTRO,
        "finding": {
            "name": found,
            "sentence": CustomerText.SURE_SEEN
            if _seen_broken(result)
            else texts.SURE_WORDS.get(judgement.confidence, ""),
            "confidence": ["", ""],
            "now": [],
        },
        "means": means,
        "done": typed(sources.document.as_left.work, most=LONGEST_TEXT),
        "next": list(steps),
        "unchecked": _plain_unchecked(result, sources.document),
        "cautions": list(texts.CUSTOMER_CAUTIONS),
        "labels": {
            "found": CustomerText.FOUND_TITLE,
            "means": CustomerText.MEANS_TITLE,
            "done": CustomerText.DONE_TITLE,
            "next": CustomerText.HAPPENS_TITLE,
            "unchecked": CustomerText.LEFT_OPEN_TITLE,
            "cautions": CustomerText.CARE_TITLE,
            "more": PageText.MORE,
        },
    }
    return _finish(content, typed, result.units, sources.wording)


def _plain_words(result: VisitResult, document: Document) -> tuple[CustomerText, CustomerText, Sequence[CustomerText]]:
    """Say what was found, what it means and what happens next."""
    code, case = result.judgement.code, result.case
    if not case.tank.charged:
        return CustomerText.FOUND_OPEN, CustomerText.MEANS_OPEN, texts.CUSTOMER_NEXT_OPEN
    found, means, steps = texts.CUSTOMER_FOUND[code], texts.CUSTOMER_MEANS[code], texts.CUSTOMER_NEXT[code]
    if code == "too small" and case.parallel:
        found, means = CustomerText.FOUND_SMALL_TOGETHER, CustomerText.MEANS_SMALL_TOGETHER
    if _seen_broken(result):
        return CustomerText.FOUND_BROKEN, CustomerText.MEANS_BROKEN, texts.CUSTOMER_NEXT_BROKEN
    if code in ("low on air", "waterlogged") and not case.tank.has_membrane:
        means, steps = CustomerText.MEANS_PLAIN, texts.CUSTOMER_NEXT_PLAIN
    elif case.observations.get(AIR_VALVE) == "no":
        steps = texts.CUSTOMER_NEXT_NO_WATER.get(code, steps)
    if code in texts.CUSTOMER_FOUND_BEFORE and _charged(document):
        found = texts.CUSTOMER_FOUND_BEFORE[code]
        steps = texts.CUSTOMER_NEXT_CHARGED
        means = means if code == "more air than expected" else CustomerText.MEANS_CHARGED
    return found, means, steps


def _charged(document: Document) -> bool:
    """Tell whether the air was set during the visit, which shows what it was."""
    return bool(document.as_left.precharge and document.as_left.precharge.strip())


def _plain_unchecked(result: VisitResult, document: Document) -> list[CustomerText]:
    """Say in plain words what was not checked."""
    case, words = result.case, texts.CUSTOMER_NOT_CHECKED
    if not case.tank.charged:
        return []
    seen = case.observations
    left = [words["membrane"]] if case.tank.has_membrane and AIR_VALVE not in seen else []
    left += [words["charge"]] if case.tank.has_membrane and not _charged(document) else []
    left += [words["relief"]] if "valve drips at" not in seen else []
    left += [words["gauge"]] if "second gauge" not in seen else []
    return left + ([words["others"]] if case.parallel else [])

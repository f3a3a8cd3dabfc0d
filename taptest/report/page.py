"""The report's pages as PDF, one page each: for the service file, and a plainer one for the customer.

What is said is put together here from the judged visit and from the texts of `taptest.report.page_text`; `page.typ`
sets it. Data goes there as JSON, so that nothing typed is ever read as markup. Typed texts stay as typed, in their own
units. The PDF follows PDF/A-2u: every letter is embedded with its font. Letters that the bundled font lacks are taken
from the fonts of the computer, and where those lack them too, a question mark stands and the page says so.
"""

import json
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst

from taptest import __version__
from taptest.errors import TaptestError
from taptest.report import page_text as texts
from taptest.report.choices import Paper
from taptest.report.figures import ON_PAGE, TANK_ONLY, vector_picture
from taptest.report.wording import Wording, told, worded
from taptest.report.words import FLAG_NAMES, causes_together, figure_rows, round_lines
from taptest.simulate.truth import VisitTruth
from taptest.statements import Said
from taptest.tank.kinds import TANK_KINDS
from taptest.visit.files import sound_files
from taptest.visit.record import Document
from taptest.visit.result import VisitResult

HERE = Path(__file__).parent
TEMPLATE = HERE / "page.typ"
FONTS = HERE / "fonts"
AIR_VALVE = "water at the air valve"
"""The observation that shows a failed membrane without any sound."""
LONGEST_LINE = 90
LONGEST_TEXT = 420
"""Letters of a typed text that the page shows; the visit holds the rest."""
SHORT = 30
"""A text of at most so many letters is a quantity, whose number and unit stay on one line."""
LONGEST_WORD = 24
"""A longer typed word may be broken anywhere."""
MOST_TRIES = 40
_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")
_NOT_SHOWN = re.compile(r"the text `\"(.*?)\"` could not be displayed", re.DOTALL)
_ESCAPED = re.compile(r"\\u\{([0-9a-fA-F]+)\}")
_PAPERS = {"a4": "a4", "letter": "us-letter"}

Rows = list[list[str]]


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


def report_pdf(result: VisitResult, sources: Sources) -> bytes:
    """Return the one-page report for the service file. Raises `TaptestError` where it cannot be set."""
    return _set(_technical(result, sources), vector_picture(result, ON_PAGE, sources.wording), sources)


def customer_pdf(result: VisitResult, sources: Sources) -> bytes:
    """Return the page for the customer. Raises `TaptestError` where it cannot be set."""
    return _set(_customer(result, sources), vector_picture(result, TANK_ONLY, sources.wording), sources)


# --- setting ---


@lru_cache(maxsize=2)
def _fonts(of_computer: bool) -> typst.Fonts:
    """Look up the bundled font, and those of the computer where they are asked for, once."""
    return typst.Fonts(include_system_fonts=of_computer, include_embedded_fonts=False, font_paths=[str(FONTS)])


def _set(content: dict[str, Any], picture: bytes, sources: Sources) -> bytes:
    """Set a page; letters that no font shows are replaced, and the page says so."""
    template, drawn = TEMPLATE.read_bytes(), picture.decode()
    made_at = sources.made_at.astimezone(UTC)
    fonts = _fonts(of_computer=True)
    for _ in range(MOST_TRIES):
        try:
            return typst.compile(
                template,
                format="pdf",
                font_paths=fonts,
                sys_inputs={"data": json.dumps(content), "picture": drawn},
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
            letters = worded(texts.LETTERS, sources.wording)
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


@dataclass(slots=True)
class _Typed:
    """Makes typed texts fit for the page, and remembers whether one was cut."""

    cut: bool = False

    def __call__(self, text: str | None, missing: str = "", most: int = LONGEST_LINE) -> str:
        """Return a typed text on one line, cut to `most` letters; `missing` where nothing was typed."""
        clean = " ".join("".join(_printable(letter) for letter in (text or "")[: 4 * most]).split())
        if not clean:
            return missing
        if len(clean) > most or len(text or "") > 4 * most:
            self.cut = True
            clean = clean[: most - 1].rstrip() + " …"
        if most <= SHORT:
            return "\u00a0".join(_breakable(word) for word in clean.split(" "))
        return _wrappable(clean)


def _printable(letter: str) -> str:
    """Return a space for what controls and does not print, a question mark for half a letter.

    Signs that turn the direction of what follows are left out: they could make a line differ from what was typed.
    """
    category = unicodedata.category(letter)
    if letter in _TURNS:
        return ""
    return "?" if category == "Cs" else " " if category in ("Cc", "Zl", "Zp") else letter


def _wrappable(text: str) -> str:
    """Let long words of a text be broken: names of files may be as long as lines."""
    return " ".join(_breakable(word) for word in text.split(" "))


def _breakable(word: str) -> str:
    if len(word) <= LONGEST_WORD:
        return word
    return "\u200b".join(word[start : start + 8] for start in range(0, len(word), 8))


# --- what both pages say ---


def _common(result: VisitResult, sources: Sources, typed: _Typed) -> dict[str, Any]:
    """Return what every page carries."""
    visit = sources.document.visit
    day = result.visited_on.isoformat() if result.visited_on else texts.NOT_GIVEN
    count = len(sound_files(sources.document))
    files = texts.FILES[count != 1].format(n=count)
    simulated = [texts.SIMULATED.lower()] if result.simulated else []
    return {
        "paper": _PAPERS[sources.paper],
        "region": {"us": "us", "uk": "gb"}[sources.wording],
        "title": f"{texts.TITLE}: {_name(result)}",
        "author": typed(visit.technician, "taptest"),
        "keywords": [f"sha256:{sources.fingerprint}", f"taptest {__version__}", *simulated],
        "description": texts.FINGERPRINT.format(count=files, fingerprint=sources.fingerprint),
        "badge": texts.SIMULATED if result.simulated else "",
        "flags": [
            [
                FLAG_NAMES[flag.level],
                " ".join(told(each, result.units, sources.wording) for each in (flag.says, flag.step)),
            ]
            for flag in result.judgement.red_flags
        ],
        "head": [
            *_given(typed, (texts.CUSTOMER, visit.customer)),
            [texts.SITE, typed(visit.site, texts.NOT_GIVEN)],
            [texts.DATE, day],
            [texts.TANK, _tank_words(sources.document, typed, sources.wording)],
            [texts.TECHNICIAN, typed(visit.technician, texts.NOT_GIVEN)],
            *_given(typed, (texts.JOB, visit.job), (texts.NEXT_VISIT, visit.next_visit)),
        ],
        "foot": {
            "left": texts.FINGERPRINT.format(count=files, fingerprint=sources.fingerprint),
            "right": texts.MADE_BY.format(version=__version__),
        },
        "picture": texts.PICTURE_ALT,
        "small": [texts.SIMULATED_NOTE] if result.simulated else [],
    }


def _name(result: VisitResult) -> str:
    """Name the finding, or say that there is none yet."""
    return texts.NOT_FINISHED if result.marks_left_m else texts.FINDING[result.judgement.code]


def _given(typed: _Typed, *rows: tuple[str, str | None]) -> Rows:
    """Return the rows of which something was typed."""
    return [[name, typed(text)] for name, text in rows if text and text.strip()]


def _worked(document: Document) -> bool:
    """Whether something was changed, so that the finding is that of before."""
    left = document.as_left
    return any(text and text.strip() for text in (left.work, left.precharge, left.pressure))


def _tank_words(document: Document, typed: _Typed, wording: Wording) -> str:
    """Say which tank it is: its name as typed, kind, size, water end, number."""
    tank = document.tank
    kind = worded(f"{texts.AXIS[tank.axis]} {texts.KIND[tank.kind]}".strip(), wording)
    end = texts.WATER_END[tank.water_end] if tank.water_end and TANK_KINDS[tank.kind].membrane else ""
    parts = [
        typed(tank.name),
        " ".join(typed(text, most=30) for text in (tank.maker, tank.model) if text and text.strip()),
        f"{typed(tank.volume, most=20)} {kind}".strip(),
        end,
        texts.SERIAL.format(serial=typed(tank.serial, most=30)) if tank.serial and tank.serial.strip() else "",
    ]
    return ", ".join(part for part in parts if part)


def _finish(content: dict[str, Any], typed: _Typed, own: Iterable[str], wording: Wording) -> dict[str, Any]:
    """Say that texts were cut where they were, and put our own texts, under the keys `own`, into the wording."""
    if typed.cut:
        content["small"] = [*content["small"], texts.CUT]
    for key in ("title", "badge", "small", "picture", *own):
        content[key] = _worded(content[key], wording)
    content["head"] = [[worded(name, wording), value] for name, value in content["head"]]
    return content


def _worded(content: Any, wording: Wording) -> Any:
    if isinstance(content, str):
        return worded(content, wording)
    if isinstance(content, list):
        return [_worded(each, wording) for each in content]
    return {key: _worded(each, wording) for key, each in content.items()} if isinstance(content, dict) else content


# --- the page for the service file ---


def _technical(result: VisitResult, sources: Sources) -> dict[str, Any]:
    worked = _worked(sources.document)
    judgement, typed, wording = result.judgement, _Typed(), sources.wording

    def said(*texts: Said) -> list[str]:
        return [told(text, result.units, wording) for text in texts]

    content = _common(result, sources, typed) | {
        "form": "technical",
        "heading": texts.TITLE,
        "finding": {
            "name": texts.FINDING_AS_FOUND.format(finding=_name(result)) if worked else _name(result),
            "sentence": told(judgement.says, result.units, wording),
            "confidence": [
                f"{texts.CONFIDENCE}: ",
                texts.CONFIDENCE_SEEN
                if _seen_broken(result)
                else texts.CONFIDENCE_WORDS.get(judgement.confidence, judgement.confidence),
            ],
        },
        "results": [*(list(row) for row in figure_rows(result, wording)), [texts.TAPS, _taps(result)]],
        "reasons": [
            _wrappable(text) for text in said(*round_lines(result, wording), *judgement.reasons, *result.remarks)
        ],
        "next": said(*judgement.next_checks),
        "causes": [*said(*judgement.cause_notes), *_causes(result, wording)],
        "unchecked": said(*judgement.not_checked, *result.assumptions, *_no_known_level(result, sources)),
        "cautions": list(texts.CAUTIONS),
        "labels": {
            "results": texts.RESULTS,
            "readings": texts.READINGS,
            "system": texts.SYSTEM,
            "next": texts.NEXT_AS_FOUND if worked else texts.NEXT,
            "causes": texts.CAUSES,
            "why": texts.WHY,
            "unchecked": texts.UNCHECKED,
            "cautions": texts.CAUTION,
            "more": texts.MORE,
        },
    }
    # What follows holds typed texts beside our own names, so only the names are put into the wording.
    content["readings"] = _readings(sources.document, typed)
    content["system"] = _system(sources.document, typed)
    content["extras"] = _extras(result, sources, typed)
    for rows in (content["readings"]["rows"], content["system"], content["extras"]):
        for row in rows:
            row[0] = worded(row[0], sources.wording)
    own = ("heading", "finding", "results", "reasons", "next", "causes", "unchecked", "cautions", "labels")
    return _finish(content, typed, own, sources.wording)


def _taps(result: VisitResult) -> str:
    used = sum(point.taps_used for point in result.points)
    rejected = sum(point.taps_rejected for point in result.points)
    return texts.TAPS_WORDS.format(used=used, rejected=rejected, points=_counted(len(result.points), "point"))


def _counted(count: int, what: str) -> str:
    return (texts.ONE if count == 1 else texts.MANY)[what].format(count=count)


def _seen_broken(result: VisitResult) -> bool:
    """Tell whether the finding was seen at the air valve rather than heard."""
    return result.judgement.code == "membrane failed" and result.case.observations.get(AIR_VALVE) == "yes"


def _causes(result: VisitResult, wording: Wording) -> list[list[str] | str]:
    """List the causes with what speaks for them, then a sentence on those that nothing speaks for."""
    with_reason, rest = causes_together(result.judgement.causes, result.units, wording)
    return [*([names, because] for names, because in with_reason), *([rest] if rest else [])]


def _no_known_level(result: VisitResult, sources: Sources) -> list[str]:
    none = sources.known_level is None and sources.truth is None and not result.simulated
    return [texts.NO_KNOWN_LEVEL] if none else []


def _readings(document: Document, typed: _Typed) -> dict[str, Any]:
    """Lay out the readings as found, and as left where anything was noted."""
    found, left, charge = document.readings, document.as_left, typed(document.tank.precharge, most=30)
    stated = texts.STATED.format(charge=charge) if charge else texts.NOT_KNOWN
    rows = [
        [texts.PRESSURE, typed(found.pressure, texts.NOT_READ, 30), typed(left.pressure, texts.UNCHANGED, 30)],
        [
            texts.WATER_TEMPERATURE,
            typed(found.water_temperature, texts.NOT_READ, 30),
            typed(left.water_temperature, texts.UNCHANGED, 30),
        ],
        [texts.TANK_TEMPERATURE, typed(found.tank_temperature, texts.NOT_READ, 30), texts.UNCHANGED],
        [texts.CHARGE, stated, typed(left.precharge, texts.UNCHANGED, 30)],
    ]
    has_left = any(text and text.strip() for text in (left.pressure, left.water_temperature, left.precharge))
    if not has_left:
        rows = [row[:2] for row in rows]
    state = f"{texts.AS_FOUND}, {found.state}" if found.state else texts.AS_FOUND
    return {"rows": rows, "head": ["", state, texts.AS_LEFT] if has_left else ["", state]}


def _system(document: Document, typed: _Typed) -> Rows:
    """Lay out the system as stated."""
    system = document.system
    rows = (
        (texts.RELIEF, system.relief, True),
        (texts.FILL, system.fill, False),
        (texts.HEAD, system.static_head, True),
        (texts.VOLUME, system.volume, True),
        (texts.HIGHEST, system.max_temperature, True),
        (texts.FLUID, system.fluid, False),
        (texts.GAUGE_ERROR, document.readings.gauge_error, False),
    )
    return [
        [name, typed(text, texts.NOT_KNOWN, 30)] for name, text, always in rows if always or (text and text.strip())
    ]


def _extras(result: VisitResult, sources: Sources, typed: _Typed) -> Rows:
    """Lay out what is there on some visits only: observations, drain, log, work, notes, known level."""
    document = sources.document
    rows: Rows = []
    if document.observations:
        said = "; ".join(f"{name}: {answer}" for name, answer in document.observations.items())
        rows.append([texts.OBSERVED, typed(said, most=LONGEST_TEXT)])
    drain = document.drain
    if drain.volume:
        words = texts.DRAIN_WORDS.format(
            volume=typed(drain.volume, most=20),
            before=typed(drain.pressure_before, texts.NOT_READ, 20),
            after=typed(drain.pressure_after, texts.NOT_READ, 20),
        )
        rows.append([texts.DRAIN, words])
    if document.parallel:
        tanks = "; ".join(
            texts.OTHER_WORDS.format(volume=typed(each.volume, most=20), charge=typed(each.precharge, most=20))
            for each in document.parallel
        )
        rows.append([texts.OTHERS, typed(texts.OTHERS_WORDS.format(tanks=tanks), most=LONGEST_TEXT)])
    if document.log:
        first, last = document.log[0], document.log[-1]
        words = texts.LOG_WORDS.format(
            count=len(document.log), first=typed(first.pressure, most=20), last=typed(last.pressure, most=20)
        )
        rows.append([texts.LOG, words])
    if document.by_hand:
        verdicts = [decision.verdict for decision in document.by_hand]
        reasons = "; ".join(dict.fromkeys(" ".join(decision.why.split()) for decision in document.by_hand))
        words = texts.BY_HAND_WORDS.format(
            refused=_counted(verdicts.count("refuse"), "tap"),
            used=verdicts.count("use"),
            reasons=typed(reasons, most=LONGEST_TEXT),
        )
        rows.append([texts.BY_HAND, words])
    rows.append([texts.WORK, typed(document.as_left.work, most=LONGEST_TEXT)])
    rows.append([texts.NOTES, typed(document.readings.notes, most=LONGEST_TEXT)])
    known = [typed(sources.known_level, most=LONGEST_TEXT)] if sources.known_level and not result.simulated else []
    known += [_truth_words(result, sources.truth)] if sources.truth else []
    rows.append([texts.TRUTH if result.simulated else texts.KNOWN_LEVEL, " ".join(known)])
    return [row for row in rows if row[1]]


def _truth_words(result: VisitResult, truth: VisitTruth) -> str:
    """Say what is known of the level otherwise."""
    words = texts.TRUTH_WHOLE.get(truth.state, "")
    if truth.boundary_mm is not None:
        words = texts.TRUTH_FOUND.format(position=result.units.show("length", truth.boundary_mm / 1000))
    simulated = truth.simulated or result.simulated
    return (texts.TRUTH_SIMULATED if simulated else texts.TRUTH_MEASURED).format(truth=words)


# --- the page for the customer ---


def _customer(result: VisitResult, sources: Sources) -> dict[str, Any]:
    judgement, typed = result.judgement, _Typed()
    found, means, steps = _plain_words(result, sources.document)
    head = _common(result, sources, typed)
    content = head | {
        "form": "customer",
        "heading": texts.CUSTOMER_TITLE,
        "intro": "" if not result.case.tank.charged else texts.CUSTOMER_INTRO,
        "finding": {
            "name": found,
            "sentence": texts.SURE_SEEN if _seen_broken(result) else texts.SURE_WORDS.get(judgement.confidence, ""),
            "confidence": ["", ""],
        },
        "means": means,
        "done": typed(sources.document.as_left.work, most=LONGEST_TEXT),
        "next": list(steps),
        "unchecked": _plain_unchecked(result, sources.document),
        "cautions": list(texts.CUSTOMER_CAUTIONS),
        "labels": {
            "found": texts.FOUND_TITLE,
            "means": texts.MEANS_TITLE,
            "done": texts.DONE_TITLE,
            "next": texts.HAPPENS_TITLE,
            "unchecked": texts.LEFT_OPEN_TITLE,
            "cautions": texts.CARE_TITLE,
            "more": texts.MORE,
        },
    }
    own = ("heading", "intro", "finding", "means", "next", "unchecked", "cautions", "labels")
    return _finish(content, typed, own, sources.wording)


def _plain_words(result: VisitResult, document: Document) -> tuple[str, str, Sequence[str]]:
    """Say what was found, what it means and what happens next."""
    code, case = result.judgement.code, result.case
    if not case.tank.charged:
        return texts.CUSTOMER_FOUND_OPEN, texts.CUSTOMER_MEANS_OPEN, texts.CUSTOMER_NEXT_OPEN
    found, means, steps = texts.CUSTOMER_FOUND[code], texts.CUSTOMER_MEANS[code], texts.CUSTOMER_NEXT[code]
    if code == "too small" and case.parallel:
        found, means = texts.CUSTOMER_FOUND_SMALL_TOGETHER, texts.CUSTOMER_MEANS_SMALL_TOGETHER
    if _seen_broken(result):
        return texts.CUSTOMER_FOUND_BROKEN, texts.CUSTOMER_MEANS_BROKEN, texts.CUSTOMER_NEXT_BROKEN
    if code in ("low on air", "waterlogged") and not case.tank.has_membrane:
        means, steps = texts.CUSTOMER_MEANS_PLAIN, texts.CUSTOMER_NEXT_PLAIN
    elif case.observations.get(AIR_VALVE) == "no":
        steps = texts.CUSTOMER_NEXT_NO_WATER.get(code, steps)
    if code in texts.CUSTOMER_FOUND_BEFORE and _charged(document):
        found = texts.CUSTOMER_FOUND_BEFORE[code]
        steps = texts.CUSTOMER_NEXT_CHARGED
        means = means if code == "more air than expected" else texts.CUSTOMER_MEANS_CHARGED
    return found, means, steps


def _charged(document: Document) -> bool:
    """Tell whether the air was set during the visit, which shows what it was."""
    return bool(document.as_left.precharge and document.as_left.precharge.strip())


def _plain_unchecked(result: VisitResult, document: Document) -> list[str]:
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

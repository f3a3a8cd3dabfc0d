"""One visit: its finding and all that it rests on, its details, the evidence for the causes, its history."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from taptest.desk.arrivals import add_sound, as_walk
from taptest.desk.drafts import MARK
from taptest.desk.fields import FIELDS, groups_for, in_order, read_form, typed_of
from taptest.desk.judging import Judging
from taptest.desk.live import round_began
from taptest.desk.marks import first_shown, panel
from taptest.desk.mend_pages import broken_page
from taptest.desk.render import Desk, Posted, desk_of
from taptest.desk.section import section_of
from taptest.desk.shelf_pages import picks
from taptest.desk.visits import ChangedMeanwhileError, Found, ident_of
from taptest.errors import TaptestError, VisitError
from taptest.quantities import METRIC
from taptest.report.choices import PAPERS, WORDINGS, Paper, in_usual_words, usual_paper, usual_wording
from taptest.report.wording import LANGUAGE, worded
from taptest.report.wording import told as in_words
from taptest.report.words import remark_on
from taptest.statements import Said, Statement
from taptest.tank.kinds import TANK_KINDS

if TYPE_CHECKING:
    from taptest.visit.record import Document
    from taptest.visit.result import VisitResult

WAIT_S = 4.0
"""So long a page waits for its judgement before it shows that one is under way."""
FOLLOWING = (
    *("sound when cold", "sound when hot", "forecast", "cold pressure", "temperature", "fill against the pre-charge"),
    *("room under the relief setting", "pressure against the fill setting"),
)
"""Evidence that follows from a judged visit where nobody answers (see docs/causes.md)."""


def visit(request: Request) -> Response:
    """Show a visit: the finding where it can be judged, else what is missing."""
    desk = desk_of(request)
    try:
        found = desk.visits.read(request.path_params["ident"])
    except VisitError:
        return broken_page(request, status=422)
    if round_began(found.visit.folder):
        found = _brought_in(desk, found)
    if not found.visit.document.points:
        return _without_points(request, found, "")
    judging = desk.judge.ask(found.visit, WAIT_S)
    if judging.state == "working":
        return waiting(request, found)
    document = found.visit.document
    shown = panel(judging, document, _place(request.query_params.get("mark", "")))
    shown = shown or panel(judging, document, first_shown(judging))
    questions = evidence_rows(document)
    return desk.page(
        "visit.html", **heading(found), **banner(judging), points=point_rows(judging),
        section=None if judging.result is None else section_of(judging.result), panel=shown,
        mark_remark=_remark_here(judging, shown), modelled=_has_model(judging),
        asked=asked_next(judging, document, questions),
        evidence=questions, note=desk.note(request), told=told(judging), mark=found.mark,
        by_hand=len(found.visit.document.by_hand), others=count_others(judging),
        words=WORDINGS[usual_wording()], paper=papers_of(judging), unfinished=unfinished_of(found),
    )  # fmt: skip


def _place(text: str) -> int:
    """Return the number of a mark, 0 for any other text."""
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 4 else 0


def _remark_here(judging: Judging, shown: dict[str, Any] | None) -> str:
    if shown is None or shown["point"] is None or judging.result is None:
        return ""
    return remark_on(shown["point"], judging.result.units, usual_wording())


def _has_model(judging: Judging) -> bool:
    """Whether the tank has a model whose sound can be heard."""
    return judging.result is not None and not judging.result.case.tank.sideways


def asked_next(judging: Judging, document: "Document", questions: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the next check, the question with its answers, and the reading that is missing.

    The question is that of the check itself, or else the first one of the checks that follow.
    """
    from taptest.visit.record import ASKED

    checks = told(judging)["next"]
    open_ = [row for row in questions if not row["given"]]
    asked = next(((row, check) for check in checks for row in open_ if row["check"] in check), (None, ""))
    missing = next((name for name in ASKED if not typed_of(document)[name].strip()), None)
    if missing == "tank.precharge" and not TANK_KINDS[document.tank.kind].charged:
        missing = None
    return {
        "check": checks[0] if checks else "",
        "question": asked[0],
        "same": bool(checks) and asked[1] == checks[0],
        "reading": None if missing is None else FIELDS[missing],
    }


def reading(request: Request, form: Posted) -> Response:
    """Take a reading that was missing; the finding follows."""
    from taptest.visit.record import ASKED

    desk = desk_of(request)
    ident = request.path_params["ident"]
    name = form.texts.get("key", "")
    if name not in ASKED:
        raise VisitError("This reading can't be entered here. Enter it on the page Details.")
    typed = " ".join(form.texts.get("value", "").split())[:100]

    def read(document: "Document") -> "Document":
        item = FIELDS[name]
        section = getattr(document, item.section).model_copy(update={item.key: typed})
        return document.model_copy(update={item.section: section})

    try:
        desk.visits.change(ident, read)
    except TaptestError as error:
        return desk.go(f"/visit/{ident}", f"Not kept. {error}")
    return desk.go(f"/visit/{ident}", f"Kept: {FIELDS[name].label} {typed}.")


def _brought_in(desk: Desk, found: Found) -> Found:
    """Return a visit with the points of a round that runs, or was killed."""
    from taptest.capture.unfinished import bring_in

    try:
        return desk.visits.read(found.ident) if bring_in(found.visit.folder) else found
    except TaptestError:
        return found  # the round's own page says what is wrong with it


def unfinished_of(found: Found) -> str:
    """Say which marks of a visit's round are left, "" for none."""
    from taptest.capture.unfinished import left_of
    from taptest.visit.meaning import meaning_of
    from taptest.visit.unfinished import marks_left_said
    from taptest.words.tell import tell

    try:
        left_m = left_of(found.visit.folder)
        units = meaning_of(found.visit.document, found.visit.source).units
    except TaptestError as error:
        return str(error)
    return tell(marks_left_said(left_m), units, LANGUAGE[usual_wording()]) if left_m else ""


def state(request: Request) -> Response:
    """Say how far the judgement has come."""
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    if not found.visit.document.points:
        return JSONResponse({"state": "done", "share": 1.0})
    judging = desk.judge.ask(found.visit)
    return JSONResponse({"state": judging.state, "share": round(judging.share, 3)})


def details_form(request: Request) -> Response:
    """Show what was typed of a visit, to correct it; what is wrong with it already stands beside its field."""
    found = desk_of(request).visits.read(request.path_params["ident"])
    kept = typed_of(found.visit.document)
    texts = desk_of(request).drafts.read(found.ident)
    mark = texts.pop(MARK, found.mark)  # a document that changed since is not overwritten unseen
    typed = kept | texts
    errors = read_form(typed, found.visit.document).errors
    return _details(request, found, typed, errors, found.mark if typed == kept else mark, drafted=typed != kept)


def draft(request: Request, form: Posted) -> Response:
    """Keep what is typed in the details so far."""
    desk = desk_of(request)
    ident = desk.visits.read(request.path_params["ident"]).ident
    desk.drafts.keep(ident, form.texts)
    return Response(status_code=204)


def start_anew(request: Request) -> Response:
    """Show the details as the visit has them."""
    desk = desk_of(request)
    ident = desk.visits.read(request.path_params["ident"]).ident
    desk.drafts.forget(ident)
    return desk.go(f"/visit/{ident}/details")


def details(request: Request, form: Posted) -> Response:
    """Take corrected details; the finding follows."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    found = desk.visits.read(ident)
    read = read_form(form.texts, found.visit.document)
    new = read.document
    if new is None:
        return _details(request, found, read.typed, read.errors, form.texts.get("mark", ""), 422)
    try:
        desk.visits.change(ident, lambda _: new, form.texts.get("mark", ""))
    except ChangedMeanwhileError as error:
        return _details(request, found, read.typed, {"": str(error)}, found.mark, 409)
    except TaptestError as error:
        return _details(request, found, read.typed, {"": str(error)}, form.texts.get("mark", ""), 422)
    desk.drafts.forget(ident)
    return desk.go(f"/visit/{ident}", "Details saved.")


def evidence(request: Request, form: Posted) -> Response:
    """Take what else was seen; the causes follow."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    notes = ["Answers saved. The causes have been ranked again."]

    def answered(document: "Document") -> "Document":
        answers = _answers(document)
        for name, (shown, given) in _changes(form).items():
            before = answers.pop(name, "")
            if given:
                answers[name] = given
            if before not in (shown, given):
                notes.append(
                    f"“{name.capitalize()}” was answered “{before or 'not known'}” in another tab meanwhile, "
                    f"and now “{given or 'not known'}”."
                )
        return document.model_copy(update={"observations": answers})

    desk.visits.change(ident, answered)
    place = "" if form.texts.get("from") == "visit" else "#causes"
    return desk.go(f"/visit/{ident}{place}", " ".join(notes))


def _changes(form: Posted) -> dict[str, tuple[str, str]]:
    """Return the answers that were changed on the page, each as it was shown there and as it is now.

    The others are left as they are: the page may have been open since before they were given in another tab.
    """
    from taptest.finding.cause_table import EVIDENCE

    both = {
        each.name: (form.texts.get(f"shown.{each.name}", "").strip(), form.texts[f"evidence.{each.name}"].strip())
        for each in EVIDENCE
        if f"evidence.{each.name}" in form.texts
    }
    return {name: (shown, given) for name, (shown, given) in both.items() if shown != given}


def sound(request: Request, form: Posted) -> Response:
    """Take points and sound files into a visit that has none yet."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    try:
        notes = add_sound(desk.visits, ident, form.files.get("files", []), as_walk(form.texts))
    except TaptestError as error:
        return _without_points(request, desk.visits.read(ident), str(error), 422)
    return desk.go(f"/visit/{ident}", " ".join(["The audio is now in the visit.", *notes]))


def history(request: Request) -> Response:
    """Tell the tank's visits over time; those that are not judged yet are judged first."""
    from taptest.report.trend_words import found_words, left_words, reference_sentence, trend_sentences

    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    past = desk.histories.ask(*tank_of(found), wait_s=WAIT_S)
    if past.state == "working":
        return desk.page(
            "judging.html", **heading(found), note="", look=f"/visit/{found.ident}/history/state",
            what="Reading the visits to this tank. Those without a finding are judged first.",
        )  # fmt: skip
    if past.history is None:
        raise VisitError(past.sentence)
    units, reference = past.history.units, reference_sentence(past.history)

    def said(texts: Iterable[Said]) -> list[str]:
        return [in_usual_words(text, units) for text in texts]

    visits = [
        {
            "ident": ident_of(each.folder), "day": each.day.isoformat(), "finding": each.finding,
            "found": said(found_words(each)), "work": each.work, "left": said(left_words(each)),
            "here": each.folder == found.visit.folder.relative_to(desk.visits.root).as_posix(),
        }
        for each in reversed(past.history.visits)
    ]  # fmt: skip
    return desk.page(
        "history.html", **heading(found), sentences=said(trend_sentences(past.history)), visits=visits,
        reference="" if reference is None else in_usual_words(reference, units), notes=said(past.history.notes),
        drawable=past.history.trend is not None,
    )  # fmt: skip


def history_state(request: Request) -> Response:
    """Say how far the reading of the tank's visits has come."""
    desk = desk_of(request)
    past = desk.histories.latest(*tank_of(desk.visits.read(request.path_params["ident"])))
    return JSONResponse({"state": past.state if past else "done", "share": round(past.share, 3) if past else 1.0})


def tank_of(found: Found) -> tuple[str, str]:
    """Return the name and the site by which a visit's tank is known."""
    return found.visit.document.tank.name.strip(), (found.visit.document.visit.site or "").strip()


def waiting(request: Request, found: Found) -> Response:
    """Show that the judgement is under way."""
    desk = desk_of(request)
    return desk.page(
        "judging.html", **heading(found), note=desk.note(request), look=f"/visit/{found.ident}/state",
        what="The visit is being judged.",
    )  # fmt: skip


def count_others(judging: Judging) -> tuple[int, int]:
    """Count the taps that belong to no point, and those of the reference mark."""
    if judging.result is None:
        return 0, 0
    return sum(tap.depth_m is None for tap in judging.result.taps), len(judging.result.reference)


def papers_of(judging: Judging) -> tuple[str, Paper, str]:
    """Return the usual paper as it is called, and the other one with its name."""
    usual = "a4" if judging.result is None else usual_paper(judging.result.units)
    other: Paper = "letter" if usual == "a4" else "a4"
    return PAPERS[usual], other, PAPERS[other]


def heading(found: Found) -> dict[str, Any]:
    """Return what stands at the head of every page of a visit."""
    document = found.visit.document
    name = ", ".join(word for word in (document.tank.name.strip(), (document.visit.site or "").strip()) if word)
    return {
        "ident": found.ident,
        "name": name or worded("Tank without a name", usual_wording()),
        "title": name or "Visit",
        "day": "" if document.visited_on is None else document.visited_on.isoformat(),
        "simulated": document.simulated,
        "rounded": round_began(found.visit.folder),
    }


def banner(judging: Judging) -> dict[str, Any]:
    """Return the finding in short, with what has to be said before it."""
    from taptest.report.words import FLAG_NAMES

    if judging.result is None:
        code = {"code": "cannot tell", "sentence": judging.sentence, "confidence": ""}
        return {**code, "judged": False, "trouble": "", "flags": []}
    found, units, wording = judging.result.judgement, judging.result.units, usual_wording()
    return {
        "code": judging.result.headline,
        "sentence": in_words(found.says, units, wording),
        "confidence": found.confidence.rstrip("."),
        "judged": True,
        "trouble": judging.sentence,
        "flags": [
            {
                "level": flag.level,
                "name": in_words(FLAG_NAMES[flag.level], units, wording),
                "sentence": in_words(flag.says, units, wording),
                "step": in_words(flag.step, units, wording),
            }
            for flag in found.red_flags
        ],
    }


def told(judging: Judging) -> dict[str, Any]:
    """Return everything that the finding rests on and leads to, in words."""
    from taptest.report.remarks import RowName
    from taptest.report.words import CAUTION, LEAST_WEIGHT, MOST_CAUSES, cause_check, figure_rows, round_lines

    result = judging.result
    if result is None:
        names = ("figures", "rounds", "reasons", "next", "causes", "cause_notes", "not_checked")
        empty: dict[str, Any] = {key: [] for key in names}
        return {**empty, "forecast": False, "hot": "", "caution": in_usual_words(CAUTION)}
    units, wording = result.units, usual_wording()

    def said(texts: Iterable[Said]) -> list[str]:
        return [in_words(text, units, wording) for text in texts]

    found = result.judgement
    causes = [each for each in found.causes[:MOST_CAUSES] if each.weight >= LEAST_WEIGHT]
    return {
        "figures": [said(row) for row in figure_rows(result)],
        "rounds": said(round_lines(result)),
        "reasons": said((*found.reasons, *result.remarks)),
        "next": said(found.next_checks),
        "causes": [
            {
                "name": each.cause,
                "percent": round(100 * each.weight),
                "because": in_words(each.because, units, wording),
                "check": cause_check(each, units, wording),
            }
            for each in causes
        ],
        "cause_notes": said(found.cause_notes),
        "not_checked": said((*found.not_checked, *result.assumptions)),
        "forecast": found.forecast is not None and found.forecast.curve is not None,
        "hot": "".join(said(text for name, text in figure_rows(result) if name is RowName.WHEN_HOT)),
        "caution": in_words(CAUTION, units, wording),
    }


def point_rows(judging: Judging) -> list[dict[str, Any]]:
    """Return the points from the top down."""
    result = judging.result
    if result is None:
        return []
    return [
        {
            "place": number,
            "position": shown_depth(result, point.depth_m),
            "percent": None if point.p_water is None else round(100 * point.p_water),
            "used": point.taps_used,
            "rejected": point.taps_rejected,
            "remark": remark_on(point, result.units, usual_wording()),
        }
        for number, point in enumerate(result.points, start=1)
    ]


def shown_depth(result: "VisitResult", depth_m: float) -> str:
    """Show a position in the visit's unit, as it stands on the tape."""
    return result.units.show("length", depth_m)


def evidence_rows(document: "Document") -> list[dict[str, Any]]:
    """Return the questions with their answers so far."""
    from taptest.finding.cause_table import EVIDENCE

    given, wording = _answers(document), usual_wording()
    return [
        {
            "name": each.name,
            "check": in_words(Statement(each.check), METRIC, wording),
            "answers": list(each.says),
            "given": given.get(each.name, ""),
            "open": "as the visit shows" if each.name in FOLLOWING else "not known",
        }
        for each in EVIDENCE
    ]


def _answers(document: "Document") -> dict[str, str]:
    """Return the answers so far under the names of the questions; none where one of them is none."""
    from taptest.finding.causes import checked_observations

    try:
        return checked_observations({name: text for name, text in document.observations.items() if text.strip()})
    except TaptestError:
        return {}


def _details(
    request: Request, found: Found, typed: dict[str, str], errors: dict[str, str], mark: str, status: int = 200,
    *, drafted: bool = False,
) -> Response:  # fmt: skip
    desk = desk_of(request)
    return desk.page(
        "details.html", status, **heading(found), groups=groups_for(typed), typed=typed, errors=in_order(errors),
        fields=FIELDS, picks=picks(desk.visits), mark=mark, drafted=drafted,
    )  # fmt: skip


def _without_points(request: Request, found: Found, trouble: str, status: int = 200) -> Response:
    desk = desk_of(request)
    walk = {"first": "", "last": "", "every": "", "taps": ""}
    return desk.page(
        "empty.html", status, **heading(found), errors={"files": trouble} if trouble else {}, walk=walk,
        note=desk.note(request), unfinished=unfinished_of(found),
    )  # fmt: skip

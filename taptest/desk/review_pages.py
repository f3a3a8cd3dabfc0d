"""Review: listen to the taps of a point, see them, refuse or use one by hand with a reason, move the point.

Taps beside the line have a page of their own: those of a walk that belong to no point, and those of the reference mark.
"""

import math
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.marks import from_the_top, taps_of, telling
from taptest.desk.render import Desk, Posted, desk_of
from taptest.desk.rings import Rings, rings_of
from taptest.desk.sounds import HEIGHT, WIDTH, Drawn, draw_taps, frequency_ticks, line_spectrum, snippet_wav
from taptest.desk.visit_pages import WAIT_S, banner, heading, shown_depth, waiting
from taptest.desk.visits import Found, NoSuchVisitError
from taptest.errors import TaptestError, VisitError
from taptest.report.choices import usual_wording
from taptest.report.words import remark_on

if TYPE_CHECKING:
    from collections.abc import Sequence

    from taptest.visit.record import Document, HandDecision, PointEntry
    from taptest.visit.result import TapResult, VisitResult

LONGEST_WHY = 300
SOUND_WAIT_S = 30.0
BY_EAR = "by ear"
"""The reason for a decision where none was typed."""
LOOSE = (
    "Taps go to the points of a walk by their number and by the pauses between; these fit none. One that was refused "
    "and is used again may find its point. Where a point got more or fewer taps than was noted, say so on its page."
)
MARK = "They show whether anything other than the place changed during the visit. A rejected tap is not compared."


def point(request: Request) -> Response:
    """Show a point with all its taps."""
    return _page(request, "", 200)


def decide(request: Request, form: Posted) -> Response:
    """Refuse a tap, use one, or take such a decision back; the finding follows."""
    desk = desk_of(request)
    found, place, entry = _point(request)
    judging = desk.judge.ask(found.visit, SOUND_WAIT_S)
    try:
        said = _decide(desk, found, _tap_at(taps_of(judging, entry), form.texts.get("onset", "")), form)
    except TaptestError as error:
        return _page(request, str(error), 422)
    where = f"?mark={place}" if form.texts.get("from") == "visit" else f"/point/{place}"
    return desk.go(f"/visit/{found.ident}{where}", said)


def others(request: Request) -> Response:
    """Show the taps that belong to no point, and those of the reference mark."""
    return _others_page(request, "", 200)


def decide_other(request: Request, form: Posted) -> Response:
    """Refuse or use a tap beside the line, or take such a decision back."""
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    taps = beside(desk.judge.ask(found.visit, SOUND_WAIT_S).result)
    place = _whole(form.texts.get("number", ""))
    try:
        said = _decide(
            desk, found, _tap_at(taps[place - 1 : place] if place else [], form.texts.get("onset", "")), form
        )
    except TaptestError as error:
        return _others_page(request, str(error), 422)
    return desk.go(f"/visit/{found.ident}/others", said)


def sound_of_other(request: Request) -> Response:
    """Return the sound of a tap beside the line."""
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    return _sound(found, beside(desk.judge.ask(found.visit, SOUND_WAIT_S).result), request.path_params["tap"])


def beside(result: "VisitResult | None") -> "list[TapResult]":
    """Return the taps beside the line: first those that belong to no point, then those of the reference mark."""
    if result is None:
        return []
    return [*(tap for tap in result.taps if tap.depth_m is None), *result.reference]


def count(request: Request, form: Posted) -> Response:
    """Say how many taps of a walk a point got; the taps are given out anew."""
    desk = desk_of(request)
    found, place, entry = _point(request)
    typed = form.texts.get("count", "").strip()
    try:
        if entry.taps is None:
            raise VisitError("This point has its own recording: all its taps belong to the point.")
        if not 1 <= _whole(typed) <= 1000:
            raise VisitError(f"“{typed[:20]}” is not how many taps a point got; write a number, usually 3.")
        desk.visits.change(found.ident, lambda document: with_count(document, entry, _whole(typed)))
    except TaptestError as error:
        return _page(request, str(error), 422)
    return desk.go(f"/visit/{found.ident}/point/{place}", "The taps of the walk are assigned to the marks again.")


def with_count(document: "Document", entry: "PointEntry", taps: int) -> "Document":
    """Return the document with another number of taps at one point of a walk."""
    points = tuple(each.model_copy(update={"taps": taps}) if each == entry else each for each in document.points)
    return document.model_copy(update={"points": points})


def _decide(desk: Desk, found: Found, tap: "TapResult", form: Posted) -> str:
    """Keep a decision about a tap, or take it back; returns what is said of it. Raises `VisitError`."""
    decided = _decision(form.texts.get("verdict", ""), form.texts.get("why", ""), tap)
    desk.visits.change(found.ident, lambda document: with_decision(document, tap, decided))
    return "Decision undone." if decided is None else "Decision and reason saved."


def move(request: Request, form: Posted) -> Response:
    """Move a point to the position where it really lies; the finding follows."""
    from taptest import quantities

    desk = desk_of(request)
    found, place, entry = _point(request)
    try:
        depth_m = quantities.parse("length", form.texts.get("position", "")[:100], "New position").si
        position_mm = round(1000 * depth_m, 1)
        moved = desk.visits.change(found.ident, lambda document: with_position(document, entry, position_mm))
    except TaptestError as error:
        return _page(request, str(error), 422)
    entries = from_the_top(moved.visit.document)
    place = next(
        number
        for number, each in enumerate(entries, start=1)
        if each.file == entry.file and each.position_mm == position_mm
    )
    return desk.go(f"/visit/{found.ident}/point/{place}", "Point moved.")


def sound(request: Request) -> Response:
    """Return the sound of one tap."""
    desk = desk_of(request)
    found, _, entry = _point(request)
    judging = desk.judge.ask(found.visit, SOUND_WAIT_S)
    return _sound(found, taps_of(judging, entry), request.path_params["tap"])


def model_sound(request: Request) -> Response:
    """Return the sound of a mark as the model lets it ring with water, or with air, behind it."""
    from taptest.desk.model_sound import modelled_wav
    from taptest.visit.files import inside
    from taptest.visit.sweeps import sweeps_for

    desk = desk_of(request)
    found, _, entry = _point(request)
    judging = desk.judge.ask(found.visit, SOUND_WAIT_S)
    taps = taps_of(judging, entry)
    backing = request.path_params["backing"]
    sweeps = sweeps_for(judging.result.case)[0] if judging.result is not None and taps else ()
    if judging.result is None or not sweeps or backing not in ("water", "air"):
        raise NoSuchVisitError("There is no model sound for this mark.")
    tap = taps[telling(taps) - 1]
    wav = modelled_wav(
        inside(found.visit.folder, tap.file), tap.tap.onset_s, entry.position_mm / 1000,
        judging.result.judgement.line, sweeps, backing,
    )  # fmt: skip
    return Response(wav, media_type="audio/wav", headers={"accept-ranges": "none"})


def _sound(found: Found, taps: "Sequence[TapResult]", number: int) -> Response:
    if not 1 <= number <= len(taps):
        raise NoSuchVisitError("This tap is no longer there. Reload the page.")
    from taptest.visit.files import inside

    tap = taps[number - 1]
    wav = snippet_wav(inside(found.visit.folder, tap.file), tap.tap.onset_s)
    return Response(wav, media_type="audio/wav", headers={"accept-ranges": "none"})


def with_decision(document: "Document", tap: "TapResult", decided: "HandDecision | None") -> "Document":
    """Return the document with a decision about a tap in place of any earlier one; None takes it back."""
    from taptest.visit.listen import SAME_TAP_S

    others = tuple(
        each for each in document.by_hand if each.file != tap.file or abs(each.onset_s - tap.tap.onset_s) > SAME_TAP_S
    )
    return document.model_copy(update={"by_hand": others if decided is None else (*others, decided)})


def with_position(document: "Document", entry: "PointEntry", position_mm: float) -> "Document":
    """Return the document with one point elsewhere. Raises `VisitError` where another one lies there."""
    if any(each.position_mm == position_mm and each != entry for each in document.points):
        raise VisitError(
            f"Another point lies at {position_mm:g} mm already. Move that one first, or type another place."
        )
    points = tuple(
        each.model_copy(update={"position_mm": position_mm}) if each == entry else each for each in document.points
    )
    return document.model_copy(update={"points": points})


def _page(request: Request, trouble: str, status: int) -> Response:
    desk = desk_of(request)
    found, place, entry = _point(request)
    judging = desk.judge.ask(found.visit, WAIT_S)
    if judging.state == "working":
        return waiting(request, found)
    taps = _cards(found, taps_of(judging, entry), _asked(request))
    position = f"{entry.position_mm:g} mm"
    if judging.result is not None:
        position = shown_depth(judging.result, entry.position_mm / 1000)
    rows = [each for each in (judging.result.points if judging.result else ()) if
            abs(each.depth_m - entry.position_mm / 1000) < 1e-9]  # fmt: skip
    remark = remark_on(rows[0], judging.result.units, usual_wording()) if rows and judging.result else ""
    return desk.page(
        "point.html", status, **heading(found), **banner(judging), taps=taps, place=place, position=position,
        count=len(found.visit.document.points), remark=remark,
        percent=round(100 * rows[0].p_water) if rows and rows[0].p_water is not None else None, ticks=frequency_ticks(),
        line=line_spectrum(judging.result, entry.position_mm / 1000) if judging.result else "", width=WIDTH,
        height=HEIGHT, error=trouble, note=desk.note(request), shared=entry.taps,
    )  # fmt: skip


def _asked(request: Request) -> int:
    """Return the number of the tap whose ring is asked for, 0 for none."""
    return _whole(request.query_params.get("ring", ""))


def _whole(text: str) -> int:
    """Return a whole number of at most six digits, 0 for any other text."""
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 6 else 0


def _others_page(request: Request, trouble: str, status: int) -> Response:
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    judging = desk.judge.ask(found.visit, WAIT_S)
    if judging.state == "working":
        return waiting(request, found)
    taps = beside(judging.result)
    cards = _cards(found, taps, _asked(request))
    loose = [card for card, tap in zip(cards, taps, strict=True) if tap.depth_m is None]
    groups = (("Taps that belong to no point", LOOSE, loose), ("Taps of the reference mark", MARK, cards[len(loose) :]))
    return desk.page(
        "others.html", status, **heading(found), **banner(judging), groups=groups, ticks=frequency_ticks(),
        width=WIDTH, height=HEIGHT, error=trouble, note=desk.note(request),
    )  # fmt: skip


def _cards(found: Found, taps: "Sequence[TapResult]", asked: int) -> list[dict[str, Any]]:
    """Return what is shown of each of some taps, and of the tap numbered `asked` what it rings at."""
    from taptest.visit.files import inside

    paths = {tap.file: inside(found.visit.folder, tap.file) for tap in taps}
    drawn = {
        id(tap): lines
        for file, path in paths.items()
        for own in ([tap for tap in taps if tap.file == file],)
        for tap, lines in zip(own, draw_taps(path, own), strict=True)
    }
    rings: dict[int, Rings] = {}
    if 1 <= asked <= len(taps):
        rings[asked] = rings_of(paths[taps[asked - 1].file], taps[asked - 1].tap)
    return [_card(number, tap, drawn[id(tap)], rings.get(number)) for number, tap in enumerate(taps, start=1)]


def _card(number: int, tap: "TapResult", lines: Drawn, rings: Rings | None) -> dict[str, Any]:
    """Return what is shown of one tap."""
    return {
        "number": number,
        "file": tap.file,
        "onset": f"{tap.tap.onset_s:.5f}",
        "at": f"{tap.tap.onset_s:.2f} s",
        "used": tap.tap.used,
        "said": _said(tap),
        "by_hand": tap.by_hand.why if tap.by_hand is not None else "",
        "peak": _decibels(tap.tap.peak_db),
        "over_noise": _decibels(tap.tap.tap_to_noise_db),
        "ring": "" if math.isnan(lines.ring_s) else f"{1000 * lines.ring_s:.0f} ms",
        "centroid": "" if math.isnan(lines.centroid_hz) else f"{lines.centroid_hz:.0f} Hz",
        "spectrum": lines.spectrum,
        "decay": lines.decay,
        "rings": rings,
    }


def _said(tap: "TapResult") -> str:
    """Say in a few words what becomes of a tap."""
    if tap.by_hand is not None:
        return "used by hand" if tap.tap.used else "refused by hand"
    if not tap.tap.used:
        return f"not used: {tap.tap.why_not}"
    return "belongs to no point" if tap.depth_m is None else "used"


def _decibels(level_db: float) -> str:
    return f"{level_db:.0f} dB".replace("-", "−")


def _point(request: Request) -> "tuple[Found, int, PointEntry]":
    """Return the visit and the point that a request names by its place from the top."""
    found = desk_of(request).visits.read(request.path_params["ident"])
    place = request.path_params["place"]
    entries = from_the_top(found.visit.document)
    if not 1 <= place <= len(entries):
        raise NoSuchVisitError("This point is no longer in the visit. Go back to the visit.")
    return found, place, entries[place - 1]


def _tap_at(taps: "Sequence[TapResult]", text: str) -> "TapResult":
    """Return the one of some taps that begins at a time. Raises `VisitError` where there is none any more."""
    from taptest.visit.listen import SAME_TAP_S

    try:
        onset_s = float(text[:40])
    except ValueError:
        onset_s = math.nan
    for tap in taps:
        if abs(tap.tap.onset_s - onset_s) <= SAME_TAP_S:
            return tap
    raise VisitError("This tap is no longer there: its recording or the visit has changed. Reload the page.")


def _decision(verdict: str, why: str, tap: "TapResult") -> "HandDecision | None":
    """Return the decision that was made. Raises `VisitError` where its reason is missing or it is none."""
    from taptest.visit.record import HandDecision

    if verdict == "back":
        return None
    reason = " ".join(why.split()) or BY_EAR
    if verdict not in ("refuse", "use"):
        raise VisitError("Choose whether to reject the tap or use it.")
    if len(reason) > LONGEST_WHY:
        raise VisitError(f"The reason has {len(reason)} letters; {LONGEST_WHY} are enough.")
    return HandDecision(
        file=tap.file,
        onset_s=round(tap.tap.onset_s, 5),
        verdict="refuse" if verdict == "refuse" else "use",
        why=reason,
    )

"""Review: listen to the taps of a point, see them, refuse or use one by hand with a reason, move the point."""

import math
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.judging import Judging
from taptest.desk.render import Posted, desk_of
from taptest.desk.rings import Rings, rings_of
from taptest.desk.sounds import HEIGHT, WIDTH, draw_taps, frequency_ticks, line_spectrum, snippet_wav
from taptest.desk.visit_pages import WAIT_S, banner, heading, shown_depth, waiting
from taptest.desk.visits import Found, NoSuchVisitError
from taptest.errors import TaptestError, VisitError

if TYPE_CHECKING:
    from taptest.visit.record import Document, HandDecision, PointEntry
    from taptest.visit.result import TapResult, VisitResult

LONGEST_WHY = 300
SOUND_WAIT_S = 30.0


def point(request: Request) -> Response:
    """Show a point with all its taps."""
    return _page(request, "", 200)


def decide(request: Request, form: Posted) -> Response:
    """Refuse a tap, use one, or take such a decision back; the finding follows."""
    desk = desk_of(request)
    found, place, entry = _point(request)
    judging = desk.judge.ask(found.visit, SOUND_WAIT_S)
    try:
        tap = _tap_at(judging, entry, form.texts.get("onset", ""))
        decided = _decision(form.texts.get("verdict", ""), form.texts.get("why", ""), tap)
        desk.visits.change(found.ident, lambda document: with_decision(document, tap, decided))
    except TaptestError as error:
        return _page(request, str(error), 422)
    said = "The decision was taken back." if decided is None else "The decision is kept, with its reason."
    return desk.go(f"/visit/{found.ident}/point/{place}", said)


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
    entries = in_order(moved.visit.document)
    place = next(
        number
        for number, each in enumerate(entries, start=1)
        if each.file == entry.file and each.position_mm == position_mm
    )
    return desk.go(f"/visit/{found.ident}/point/{place}", "The point is moved.")


def sound(request: Request) -> Response:
    """Return the sound of one tap."""
    desk = desk_of(request)
    found, _, entry = _point(request)
    judging = desk.judge.ask(found.visit, SOUND_WAIT_S)
    taps = _taps(judging, entry)
    number = request.path_params["tap"]
    if not 1 <= number <= len(taps):
        raise NoSuchVisitError("This point has no such tap any more. Load its page again.")
    from taptest.visit.files import inside

    wav = snippet_wav(inside(found.visit.folder, entry.file), taps[number - 1].tap.onset_s)
    return Response(wav, media_type="audio/wav", headers={"accept-ranges": "none"})


def in_order(document: "Document") -> "list[PointEntry]":
    """Return the points of a document from the top down, as a judged visit has them."""
    return sorted(document.points, key=lambda entry: entry.position_mm)


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
    taps = _cards(found, judging, entry, _asked(request))
    position = f"{entry.position_mm:g} mm"
    if judging.result is not None:
        position = shown_depth(judging.result, entry.position_mm / 1000)
    rows = [each for each in (judging.result.points if judging.result else ()) if
            abs(each.depth_m - entry.position_mm / 1000) < 1e-9]  # fmt: skip
    return desk.page(
        "point.html", status, **heading(found), **banner(judging), taps=taps, place=place, position=position,
        count=len(found.visit.document.points), remark=rows[0].remark if rows else "", file=entry.file,
        percent=round(100 * rows[0].p_water) if rows and rows[0].p_water is not None else None, ticks=frequency_ticks(),
        line=line_spectrum(judging.result, entry.position_mm / 1000) if judging.result else "", width=WIDTH,
        height=HEIGHT, error=trouble, note=desk.note(request), shared=entry.taps is not None,
    )  # fmt: skip


def _asked(request: Request) -> int:
    """Return the number of the tap whose ring is asked for, 0 for none."""
    text = request.query_params.get("ring", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 4 else 0


def _cards(found: Found, judging: Judging, entry: "PointEntry", asked: int) -> list[dict[str, Any]]:
    """Return what is shown of each tap of a point, and of the tap numbered `asked` what it rings at."""
    from taptest.visit.files import inside

    taps = _taps(judging, entry)
    path = inside(found.visit.folder, entry.file)
    drawn = draw_taps(path, taps)
    rings: dict[int, Rings] = {asked: rings_of(path, taps[asked - 1].tap)} if 1 <= asked <= len(taps) else {}
    return [
        {
            "number": number,
            "onset": f"{tap.tap.onset_s:.5f}",
            "at": f"{tap.tap.onset_s:.2f} s",
            "used": tap.tap.used,
            "why_not": tap.tap.why_not or "",
            "by_hand": tap.by_hand.why if tap.by_hand is not None else "",
            "peak": f"{tap.tap.peak_db:.0f} dB",
            "over_noise": f"{tap.tap.tap_to_noise_db:.0f} dB",
            "ring": "" if math.isnan(lines.ring_s) else f"{1000 * lines.ring_s:.0f} ms",
            "centroid": "" if math.isnan(lines.centroid_hz) else f"{lines.centroid_hz:.0f} Hz",
            "spectrum": lines.spectrum,
            "decay": lines.decay,
            "rings": rings.get(number),
        }
        for number, (tap, lines) in enumerate(zip(taps, drawn, strict=True), start=1)
    ]


def _point(request: Request) -> "tuple[Found, int, PointEntry]":
    """Return the visit and the point that a request names by its place from the top."""
    found = desk_of(request).visits.read(request.path_params["ident"])
    place = request.path_params["place"]
    entries = in_order(found.visit.document)
    if not 1 <= place <= len(entries):
        raise NoSuchVisitError("The visit has no such point any more. Go back to the visit.")
    return found, place, entries[place - 1]


def _taps(judging: Judging, entry: "PointEntry") -> "list[TapResult]":
    """Return the taps of a point; none where the visit could not be judged."""
    result: VisitResult | None = judging.result
    if result is None:
        return []
    depth_m = entry.position_mm / 1000
    return [
        tap
        for tap in result.taps
        if tap.file == entry.file and tap.depth_m is not None and abs(tap.depth_m - depth_m) < 1e-9
    ]


def _tap_at(judging: Judging, entry: "PointEntry", text: str) -> "TapResult":
    """Return the tap that begins at a time. Raises `VisitError` where there is none any more."""
    from taptest.visit.listen import SAME_TAP_S

    try:
        onset_s = float(text[:40])
    except ValueError:
        onset_s = math.nan
    for tap in _taps(judging, entry):
        if abs(tap.tap.onset_s - onset_s) <= SAME_TAP_S:
            return tap
    raise VisitError("The point has no such tap any more: its recording or the visit has changed. Load the page again.")


def _decision(verdict: str, why: str, tap: "TapResult") -> "HandDecision | None":
    """Return the decision that was made. Raises `VisitError` where its reason is missing or it is none."""
    from taptest.visit.record import HandDecision

    if verdict == "back":
        return None
    reason = " ".join(why.split())
    if verdict not in ("refuse", "use"):
        raise VisitError("Say whether the tap is to be refused or used.")
    if not reason:
        raise VisitError("Say why, in a few words: the reason is kept with the visit and stands in the report.")
    if len(reason) > LONGEST_WHY:
        raise VisitError(f"The reason has {len(reason)} letters; {LONGEST_WHY} are enough.")
    return HandDecision(
        file=tap.file,
        onset_s=round(tap.tap.onset_s, 5),
        verdict="refuse" if verdict == "refuse" else "use",
        why=reason,
    )

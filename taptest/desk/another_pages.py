"""Rounds beside the first one, led on the pages: at another pressure, one mark at many pressures, and as left.

The page says what to do and why, asks for the gauge, and begins the round; the live page of the first round shows it.
Of one mark at many pressures each reading is a round of its own, and this page says which pressure comes next.
"""

from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.browser_sound import BROWSER
from taptest.desk.guard import OWN_NAMES
from taptest.desk.live import Wish
from taptest.desk.render import Posted, desk_of
from taptest.desk.visit_pages import WAIT_S, heading, waiting
from taptest.errors import DeviceError, LineError, TaptestError, VisitError
from taptest.quantities import Units, parse
from taptest.report.choices import in_usual_words

if TYPE_CHECKING:
    from pathlib import Path

    from taptest.capture.led_rounds import LedRound
    from taptest.visit.result import VisitResult

KINDS = ("again", "onset", "left")


def another(request: Request) -> Response:
    """Offer the rounds that may be led now, each with what to do and why."""
    return _page(request, "")


def begin(request: Request, form: Posted) -> Response:
    """Begin one of them, at the pressure that the gauge shows."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    found = desk.visits.read(ident)
    judging = desk.judge.ask(found.visit, WAIT_S)
    microphone = form.texts.get("microphone", "")[:100]
    try:
        if judging.result is None:
            raise VisitError(judging.sentence or "The visit is still being judged. Wait for its finding, then begin.")
        kind = form.texts.get("kind", "")
        led = _led(kind, found.visit.folder, judging.result, form.texts.get("pressure", ""))
        wish = Wish(microphone=microphone, tones="tones" in form.texts)
        desk.rounds.begin_led(ident, found.visit, wish, led, judging.result.units)
    except TaptestError as error:
        return _page(request, str(error), 422)
    return desk.go(f"/visit/{ident}/round" + ("?listen=yes" if microphone == BROWSER else ""))


def _led(kind: str, folder: "Path", result: "VisitResult", typed: str) -> "LedRound":
    """Return the round that is wanted. Raises `VisitError`, `LineError`, `QuantityError`."""
    from taptest.capture.led_rounds import (
        leading,
        marks_as_left,
        onset_reading,
        onset_under_way,
        round_as_left,
        second_round,
        way_of,
    )

    if kind == "left":
        return round_as_left(folder, marks_as_left(result))
    text, pressure_pa = _pressure(typed, result.units)
    if kind == "again":
        return second_round(folder, leading(result), text)
    if kind == "onset":
        return onset_reading(folder, onset_under_way(folder, way_of(result)), (text, pressure_pa))
    raise VisitError("There is no such round. Choose one of those on the page.")


def _pressure(typed: str, units: Units) -> tuple[str, float]:
    """Return what the gauge shows, as text with its unit and in pascals. Raises `QuantityError`, `VisitError`."""
    text = " ".join(typed.split())[:40]
    if not text:
        raise VisitError("Type what the gauge shows now.")
    text = units.with_unit("pressure", text)
    return text, parse("pressure", text, "Gauge").si


def _page(request: Request, trouble: str, status: int = 200) -> Response:
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    if not found.visit.document.points:
        return desk.go(f"/visit/{found.ident}/round")
    judging = desk.judge.ask(found.visit, WAIT_S)
    if judging.state == "working":
        return waiting(request, found)
    offers = [] if judging.result is None else [_offer(kind, found.visit.folder, judging.result) for kind in KINDS]
    away = request.url.hostname not in OWN_NAMES
    inputs: list[str] = []
    try:
        inputs = desk.rounds.way.inputs()
    except DeviceError as error:
        trouble = trouble or str(error)
    given = {
        "offers": [each for each in offers if each], "trouble": trouble or judging.sentence, "inputs": inputs,
        "browser": "" if away else BROWSER,
        "unit": "" if judging.result is None else judging.result.units.pressure,
    }  # fmt: skip
    return desk.page("another.html", status, **heading(found), **given)


def _offer(kind: str, folder: "Path", result: "VisitResult") -> dict[str, Any] | None:
    """Say what to do and why, or why not; None for a round that such a tank has not."""
    from taptest.capture.led_rounds import leading, onset_under_way, way_of

    said: tuple[Any, ...] = ()
    ready = True
    try:
        if kind == "again":
            said = leading(result).said
        elif kind == "onset":
            lead = onset_under_way(folder, way_of(result))
            said = (lead.before(), *(lead.advice() if lead.shown_pa else ()))
            ready = not lead.shown_pa or lead.next_pa() is not None
    except LineError:
        return None
    except TaptestError as error:
        said, ready = (str(error),), False
    return {"kind": kind, "ready": ready, "said": [in_usual_words(each, result.units) for each in said]}

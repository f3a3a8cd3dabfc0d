"""The guided round: what it is to be like, and the live page, which hears of everything by server-sent events.

Where the round listens to a browser's microphone, its page sends what it hears as plain requests, one after the other:
each is answered with the number of the sample that is due next, so that one whose answer was lost is sent again and
nothing is heard twice. They pass the same guard as every other request.
"""

import asyncio
import json
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from taptest.desk.access import Device
from taptest.desk.browser_sound import BROWSER, HELD, Feed, StreamOverError, granted_from
from taptest.desk.guard import DEVICE, LISTENING, OWN_NAMES
from taptest.desk.live import LiveRound, Wish, refuse_foreign
from taptest.desk.render import Posted, desk_of
from taptest.desk.visit_pages import heading
from taptest.desk.visits import NoSuchVisitError
from taptest.errors import DeviceError, TaptestError

if TYPE_CHECKING:
    from taptest.visit.files import Visit

LOOK_S = 0.025
"""The page is told of changes forty times a second at most; the level comes twenty times a second."""
ALIVE_S = 10.0
"""A sign of life after so long without a change, so that a dead connection is noticed."""
KEYS = ("redo", "skip", "stop", "tones")
NO_FEED = "This round listens to the sound device of the computer that taptest runs on, and takes no other sound."


def round_page(request: Request) -> Response:
    """Show the running round, or the form that begins one."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    found = desk.visits.read(ident)
    live = desk.rounds.of(ident)
    if live is not None and (live.running or "again" not in request.query_params):
        page = desk.page(
            "round.html", **heading(found), live=live.snapshot(), over=not live.running, note=desk.note(request)
        )
        if live.feed is not None:
            page.headers.update(LISTENING)
        return page
    return _form(request, Wish(), "")


def begin(request: Request, form: Posted) -> Response:
    """Begin a round, or take one up."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    found = desk.visits.read(ident)
    texts = {key: form.texts.get(key, "")[:100] for key in ("microphone", "first", "last", "every", "taps", "more")}
    wish = Wish(
        **{**texts, "taps": texts["taps"] or "3"},
        reference="reference" in form.texts,
        practice="practice" in form.texts,
        tones="tones" in form.texts,
        estimate="estimate" in form.texts,
        sparing="sparing" in form.texts,
    )
    try:
        desk.rounds.begin(ident, found.visit, wish)
    except TaptestError as error:
        return _form(request, wish, str(error), 422)
    return desk.go(f"/visit/{ident}/round" + ("?listen=yes" if wish.microphone == BROWSER else ""))


def key(request: Request, form: Posted) -> Response:
    """Press a key of the round."""
    live = _live(request)
    name = form.texts.get("key", "")
    if name == "tones":
        live.switch_tones()
    elif name == "redo":
        live.press("redo")
    elif name == "skip":
        live.press("skip")
    elif name == "stop":
        live.press("stop")
    if "plain" in form.texts:
        return desk_of(request).go(f"/visit/{live.ident}/round")
    return JSONResponse({"pressed": name if name in KEYS else ""})


def events(request: Request) -> Response:
    """Stream snapshots of the round until it is over, or the device is shut out."""
    live = _live(request)
    return StreamingResponse(
        _stream(live, request.scope[DEVICE]), media_type="text/event-stream", headers={"x-accel-buffering": "no"}
    )


def attach(request: Request, form: Posted) -> Response:
    """Attach a page with what its browser granted."""
    try:
        return JSONResponse({"stream": _feed(request).attach(granted_from(form.texts))})
    except DeviceError as error:
        return _refused(error, 409 if str(error) == HELD else 422)


def leave(request: Request, form: Posted) -> Response:
    """Take a page's word that it goes, and why."""
    try:
        _feed(request).leave(form.texts.get("stream", ""), form.texts.get("why", ""))
    except DeviceError as error:
        return _refused(error, 410)
    return JSONResponse({})


async def heard(request: Request) -> Response:
    """Take the next block of what a page hears."""
    first = request.query_params.get("first", "")
    number = int(first) if first.isascii() and first.isdigit() and len(first) <= 16 else -1
    content = await request.body()
    try:
        return JSONResponse({"due": _feed(request).put(request.query_params.get("stream", ""), number, content)})
    except StreamOverError as error:
        return _refused(error, 410)
    except DeviceError as error:
        return _refused(error, 422)


def _feed(request: Request) -> Feed:
    feed = _live(request).feed
    if feed is None:
        raise DeviceError(NO_FEED)
    return feed


def _refused(error: DeviceError, status: int) -> Response:
    """Answer a script of a page: it shows the sentence."""
    return JSONResponse({"sentence": str(error)}, status)


async def _stream(live: LiveRound, device: Device) -> AsyncIterator[str]:
    seen, quiet = -1, 0.0
    while device.admitted:
        running = live.running
        if live.version != seen:
            seen, quiet = live.version, 0.0
            yield f"data: {json.dumps(live.snapshot())}\n\n"
        elif not running:
            yield "event: over\ndata: {}\n\n"
            return
        elif quiet >= ALIVE_S:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(LOOK_S)
        quiet += LOOK_S


def _in_inches(visit: "Visit") -> bool:
    """Whether the marks that are proposed lie at inches."""
    from taptest.visit.meaning import meaning_of

    try:
        return meaning_of(visit.document, visit.source).units.in_inches
    except TaptestError:
        return False  # the form says elsewhere what is wrong with the visit


def _live(request: Request) -> LiveRound:
    live = desk_of(request).rounds.of(request.path_params["ident"])
    if live is None:
        raise NoSuchVisitError("No round was begun for this visit. Begin one on its page.")
    return live


def _form(request: Request, wish: Wish, trouble: str, status: int = 200) -> Response:
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    inputs: list[str] = []
    away = request.url.hostname not in OWN_NAMES
    browser = "" if away else BROWSER
    try:
        refuse_foreign(found.visit)
        inputs = desk.rounds.way.inputs()
    except DeviceError as error:
        trouble = trouble or str(error)
    except TaptestError as error:
        browser, trouble = "", trouble or str(error)
    if browser and not inputs and wish == Wish():
        trouble = f"{trouble} Or let this browser listen, below."
    given = {
        "wish": wish, "inputs": inputs, "trouble": trouble, "browser": browser, "away": away,
        "inches": _in_inches(found.visit), "unread": not (found.visit.document.readings.pressure or "").strip(),
    }  # fmt: skip
    return desk.page("round_form.html", status, **heading(found), **given)

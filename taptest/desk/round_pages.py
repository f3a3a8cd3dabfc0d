"""The guided round: what it is to be like, and the live page, which hears of everything by server-sent events."""

import asyncio
import json
from collections.abc import AsyncIterator

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from taptest.desk.live import LiveRound, Wish, refuse_foreign
from taptest.desk.render import Posted, desk_of
from taptest.desk.visit_pages import heading
from taptest.desk.visits import NoSuchVisitError
from taptest.errors import TaptestError

LOOK_S = 0.025
"""The page is told of changes forty times a second at most; the level comes twenty times a second."""
ALIVE_S = 10.0
"""A sign of life after so long without a change, so that a dead connection is noticed."""
KEYS = ("redo", "skip", "stop", "tones")


def round_page(request: Request) -> Response:
    """Show the running round, or the form that begins one."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    found = desk.visits.read(ident)
    live = desk.rounds.of(ident)
    if live is not None and (live.running or "again" not in request.query_params):
        return desk.page(
            "round.html", **heading(found), live=live.snapshot(), over=not live.running, note=desk.note(request)
        )
    return _form(request, Wish(), "")


def begin(request: Request, form: Posted) -> Response:
    """Begin a round, or take one up."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    found = desk.visits.read(ident)
    texts = {key: form.texts.get(key, "")[:100] for key in ("microphone", "first", "last", "every", "taps")}
    wish = Wish(
        **{**texts, "taps": texts["taps"] or "3"},
        reference="reference" in form.texts,
        practice="practice" in form.texts,
        tones="tones" in form.texts,
        estimate="estimate" in form.texts,
    )
    try:
        desk.rounds.begin(ident, found.visit, wish)
    except TaptestError as error:
        return _form(request, wish, str(error), 422)
    return desk.go(f"/visit/{ident}/round")


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
    """Stream snapshots of the round until it is over."""
    live = _live(request)
    return StreamingResponse(_stream(live), media_type="text/event-stream", headers={"x-accel-buffering": "no"})


async def _stream(live: LiveRound) -> AsyncIterator[str]:
    seen, quiet = -1, 0.0
    while True:
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


def _live(request: Request) -> LiveRound:
    live = desk_of(request).rounds.of(request.path_params["ident"])
    if live is None:
        raise NoSuchVisitError("No round was begun for this visit. Begin one on its page.")
    return live


def _form(request: Request, wish: Wish, trouble: str, status: int = 200) -> Response:
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    try:
        refuse_foreign(found.visit)
        inputs = desk.rounds.way.inputs()
    except TaptestError as error:
        inputs, trouble = [], trouble or str(error)
    return desk.page("round_form.html", status, **heading(found), wish=wish, inputs=inputs, trouble=trouble)

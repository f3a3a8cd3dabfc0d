"""The pages put together: which address leads where.

Ids of visits are checked by `Visits`; numbers are numbers by the address itself. No other part of an address is used.

A page function is plain and takes the request, or the request and its form. It is named here by its module and loaded
with the first request for it, in a thread: so the first page is there at once, and no page makes another one wait.
"""

import asyncio
import inspect
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from taptest.desk.access import Access
from taptest.desk.guard import OWN_NAMES, Guard
from taptest.desk.live import SoundWay
from taptest.desk.render import Desk, error_page, posted
from taptest.errors import TaptestError

STATIC = Path(__file__).parent / "static"

THREADS = ThreadPoolExecutor(40, thread_name_prefix="page")


def function_of(place: str) -> Callable[..., Any]:
    """Return a page's function, named by its module and its own name."""
    module, _, name = place.partition(".")
    function: Callable[..., Any] = getattr(import_module(f"taptest.desk.{module}"), name)
    return function


def _called(place: str, *given: Any) -> Any:
    return function_of(place)(*given)


async def _in_thread(place: str, *given: Any) -> Response:
    """Call a page's function in a thread; what it leaves to be awaited is awaited here."""
    answer = await asyncio.get_running_loop().run_in_executor(THREADS, partial(_called, place, *given))
    if inspect.isawaitable(answer):
        answer = await answer
    assert isinstance(answer, Response), place
    return answer


def page(path: str, place: str, method: str = "GET") -> Route:
    """Lead an address to a page."""

    async def endpoint(request: Request) -> Response:
        return await _in_thread(place, request)

    return Route(path, endpoint, name=place, methods=[method])


def form(path: str, place: str) -> Route:
    """Lead a form that is sent to an address to what takes it."""

    async def endpoint(request: Request) -> Response:
        async with posted(request) as sent:
            return await _in_thread(place, request, sent)

    return Route(path, endpoint, name=place, methods=["POST"])


ROUTES: tuple[BaseRoute, ...] = (
    page("/", "shelf_pages.shelf"),
    page("/fresh", "shelf_pages.fresh"),
    page("/visits.csv", "shelf_pages.table"),
    form("/judge-all", "shelf_pages.judge_all"),
    page("/judge-all/stop", "shelf_pages.stop_judging", "POST"),
    page("/judging", "shelf_pages.judging"),
    page("/away", "away_pages.away"),
    page("/away/{number}/back", "away_pages.back", "POST"),
    page("/away/{number}/out", "away_pages.out", "POST"),
    page("/new", "shelf_pages.new_form"),
    form("/new", "shelf_pages.new_visit"),
    form("/new/draft", "shelf_pages.draft"),
    page("/new/anew", "shelf_pages.start_anew", "POST"),
    page("/unpack", "shelf_pages.unpack_form"),
    form("/unpack", "shelf_pages.unpack_visit"),
    page("/size", "size_pages.size_form"),
    form("/size", "size_pages.size"),
    page("/settings", "settings_pages.settings_form"),
    form("/settings", "settings_pages.settings"),
    form("/settings/company", "settings_pages.company"),
    page("/settings/devices/another", "settings_pages.let_in", "POST"),
    page("/settings/devices/{number:int}/out", "settings_pages.shut_out", "POST"),
    page("/visit/{ident}", "visit_pages.visit"),
    page("/visit/{ident}/state", "visit_pages.state"),
    page("/visit/{ident}/details", "visit_pages.details_form"),
    form("/visit/{ident}/details", "visit_pages.details"),
    form("/visit/{ident}/details/draft", "visit_pages.draft"),
    page("/visit/{ident}/details/anew", "visit_pages.start_anew", "POST"),
    page("/visit/{ident}/mend", "mend_pages.mend_form"),
    form("/visit/{ident}/mend/text", "mend_pages.mend_text"),
    form("/visit/{ident}/mend/sound", "mend_pages.mend_sound"),
    form("/visit/{ident}/mend/without", "mend_pages.leave_out"),
    form("/visit/{ident}/evidence", "visit_pages.evidence"),
    form("/visit/{ident}/reading", "visit_pages.reading"),
    form("/visit/{ident}/sound", "visit_pages.sound"),
    page("/visit/{ident}/manage", "away_pages.manage"),
    form("/visit/{ident}/name", "away_pages.rename"),
    form("/visit/{ident}/away", "away_pages.put"),
    page("/visit/{ident}/photographs", "photograph_pages.photographs"),
    form("/visit/{ident}/photographs", "photograph_pages.add"),
    page("/visit/{ident}/photographs/{number:int}.jpg", "photograph_pages.picture"),
    page("/visit/{ident}/photographs/{number:int}/remove", "photograph_pages.remove", "POST"),
    page("/visit/{ident}/history", "visit_pages.history"),
    page("/visit/{ident}/history/state", "visit_pages.history_state"),
    page("/visit/{ident}/history.svg", "file_pages.trend"),
    page("/visit/{ident}/point/{place:int}", "review_pages.point"),
    form("/visit/{ident}/point/{place:int}/decide", "review_pages.decide"),
    form("/visit/{ident}/point/{place:int}/move", "review_pages.move"),
    page("/visit/{ident}/point/{place:int}/tap-{tap:int}.wav", "review_pages.sound"),
    page("/visit/{ident}/point/{place:int}/model-{backing}.wav", "review_pages.model_sound"),
    form("/visit/{ident}/point/{place:int}/count", "review_pages.count"),
    page("/visit/{ident}/others", "review_pages.others"),
    form("/visit/{ident}/others/decide", "review_pages.decide_other"),
    page("/visit/{ident}/others/tap-{tap:int}.wav", "review_pages.sound_of_other"),
    page("/visit/{ident}/round", "round_pages.round_page"),
    form("/visit/{ident}/round", "round_pages.begin"),
    form("/visit/{ident}/round/key", "round_pages.key"),
    page("/visit/{ident}/round/events", "round_pages.events"),
    form("/visit/{ident}/round/microphone", "round_pages.attach"),
    form("/visit/{ident}/round/microphone/leave", "round_pages.leave"),
    page("/visit/{ident}/round/heard", "round_pages.heard", "POST"),
    page("/visit/{ident}/another", "another_pages.another"),
    form("/visit/{ident}/another", "another_pages.begin"),
    page("/visit/{ident}/boundary.{form}", "file_pages.picture"),
    page("/visit/{ident}/forecast.{form}", "file_pages.forecast"),
    page("/visit/{ident}/{page}.pdf", "file_pages.report"),
    page("/visit/{ident}/finding.json", "file_pages.finding"),
    page("/visit/{ident}/visit.zip", "file_pages.parcel"),
    Mount("/static", StaticFiles(directory=STATIC)),
)


def make_app(
    root: Path, access: Access, port: int, way: SoundWay | None = None, names: tuple[str, ...] = OWN_NAMES
) -> Guard:
    """Return the guarded pages over the visits below `root`; `names` are the hosts under which they answer."""
    app = Starlette(
        routes=list(ROUTES),
        exception_handlers={HTTPException: error_page, TaptestError: error_page, Exception: error_page},
    )
    app.state.desk = Desk(root, access, way)
    return Guard(app, access, names, port)


def desk_behind(guard: Guard) -> Desk:
    """Return the desk behind guarded pages."""
    desk: Desk = guard.inner.state.desk
    return desk

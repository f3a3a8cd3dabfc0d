"""The pages put together: which address leads where.

Ids of visits are checked by `Visits`; numbers are numbers by the address itself. No other part of an address is used.
"""

from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from taptest.desk import file_pages, review_pages, round_pages, shelf_pages, size_pages, visit_pages
from taptest.desk.guard import OWN_NAMES, Guard
from taptest.desk.live import SoundWay
from taptest.desk.render import Desk, error_page, posted
from taptest.errors import TaptestError

STATIC = Path(__file__).parent / "static"

ROUTES: tuple[BaseRoute, ...] = (
    Route("/", shelf_pages.shelf),
    Route("/fresh", shelf_pages.fresh),
    Route("/visits.csv", shelf_pages.table),
    Route("/new", shelf_pages.new_form),
    Route("/new", posted(shelf_pages.new_visit), methods=["POST"]),
    Route("/unpack", shelf_pages.unpack_form),
    Route("/unpack", posted(shelf_pages.unpack_visit), methods=["POST"]),
    Route("/size", size_pages.size_form),
    Route("/size", posted(size_pages.size), methods=["POST"]),
    Route("/visit/{ident}", visit_pages.visit),
    Route("/visit/{ident}/state", visit_pages.state),
    Route("/visit/{ident}/details", visit_pages.details_form),
    Route("/visit/{ident}/details", posted(visit_pages.details), methods=["POST"]),
    Route("/visit/{ident}/evidence", posted(visit_pages.evidence), methods=["POST"]),
    Route("/visit/{ident}/sound", posted(visit_pages.sound), methods=["POST"]),
    Route("/visit/{ident}/history", visit_pages.history),
    Route("/visit/{ident}/history/state", visit_pages.history_state),
    Route("/visit/{ident}/history.svg", file_pages.trend),
    Route("/visit/{ident}/point/{place:int}", review_pages.point),
    Route("/visit/{ident}/point/{place:int}/decide", posted(review_pages.decide), methods=["POST"]),
    Route("/visit/{ident}/point/{place:int}/move", posted(review_pages.move), methods=["POST"]),
    Route("/visit/{ident}/point/{place:int}/tap-{tap:int}.wav", review_pages.sound),
    Route("/visit/{ident}/round", round_pages.round_page),
    Route("/visit/{ident}/round", posted(round_pages.begin), methods=["POST"]),
    Route("/visit/{ident}/round/key", posted(round_pages.key), methods=["POST"]),
    Route("/visit/{ident}/round/events", round_pages.events),
    Route("/visit/{ident}/round/microphone", posted(round_pages.attach), methods=["POST"]),
    Route("/visit/{ident}/round/microphone/leave", posted(round_pages.leave), methods=["POST"]),
    Route("/visit/{ident}/round/heard", round_pages.heard, methods=["POST"]),
    Route("/visit/{ident}/boundary.{form}", file_pages.picture),
    Route("/visit/{ident}/forecast.{form}", file_pages.forecast),
    Route("/visit/{ident}/{page}.pdf", file_pages.report),
    Route("/visit/{ident}/finding.json", file_pages.finding),
    Route("/visit/{ident}/visit.zip", file_pages.parcel),
    Mount("/static", StaticFiles(directory=STATIC)),
)


def make_app(
    root: Path, token: str, port: int, way: SoundWay | None = None, names: tuple[str, ...] = OWN_NAMES
) -> Guard:
    """Return the guarded pages over the visits below `root`; `names` are the hosts under which they answer."""
    app = Starlette(
        routes=list(ROUTES),
        exception_handlers={HTTPException: error_page, TaptestError: error_page},
    )
    app.state.desk = Desk(root, way)
    return Guard(app, token, names, port)


def desk_behind(guard: Guard) -> Desk:
    """Return the desk behind guarded pages."""
    desk: Desk = guard.inner.state.desk
    return desk

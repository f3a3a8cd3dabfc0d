"""What a visit gives to take along: pictures, report pages, the finding as JSON, the whole visit as one file."""

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from taptest.desk.guard import PICTURE_POLICY
from taptest.desk.judging import Judging
from taptest.desk.render import desk_of
from taptest.desk.visit_pages import tank_of
from taptest.desk.visits import Found, NoSuchVisitError, plain_name
from taptest.disk import plain
from taptest.errors import TaptestError, VisitError
from taptest.report.choices import Paper, usual_paper, usual_wording
from taptest.report.wording import Wording

if TYPE_CHECKING:
    from taptest.visit.result import VisitResult

WAIT_S = 300.0
"""A file is asked for where the finding is shown already, so this is rarely needed."""
WORDING: dict[str, Wording] = {"us": "us", "uk": "uk"}
PAPER: dict[str, Paper] = {"a4": "a4", "letter": "letter"}
PICTURES = {"svg": "image/svg+xml", "png": "image/png", "pdf": "application/pdf"}


def picture(request: Request) -> Response:
    """Return the boundary picture."""
    form = request.path_params["form"]
    if form not in PICTURES:
        raise NoSuchVisitError(f"The picture is available as {', '.join(PICTURES)}.")
    found, judging = _judged(request)
    upright = form == "svg" and "upright" in request.query_params
    content: bytes = judging.upright(usual_wording()) if upright else getattr(judging.picture(usual_wording()), form)
    more = {"content-security-policy": PICTURE_POLICY} if form == "svg" else {}
    return _file(content, PICTURES[form], found, f"boundary.{form}", "take" in request.query_params, more)


def forecast(request: Request) -> Response:
    """Return the picture of pressure against temperature."""
    from taptest.report.forecast_figure import forecast_picture

    form = request.path_params["form"]
    if form not in PICTURES:
        raise NoSuchVisitError(f"The picture is available as {', '.join(PICTURES)}.")
    found, judging = _judged(request)
    drawn = forecast_picture(told(judging), usual_wording())
    if drawn is None:
        raise NoSuchVisitError(
            "There is no forecast: it needs the pressure, the water in the system and its highest temperature."
        )
    content: bytes = getattr(drawn, form)
    more = {"content-security-policy": PICTURE_POLICY} if form == "svg" else {}
    return _file(content, PICTURES[form], found, f"forecast.{form}", "take" in request.query_params, more)


def report(request: Request) -> Response:
    """Return the report as PDF: the page for the service file, or the plainer one for the customer."""
    from taptest.report.page import customer_pdf, report_pdf
    from taptest.report.sources import sources_of

    found, judging = _judged(request)
    result = told(judging)
    customer = request.path_params["page"] == "customer"
    if not customer and request.path_params["page"] != "report":
        raise NoSuchVisitError("There are two pages: report and customer.")
    asked = request.query_params
    wording = WORDING.get(asked.get("wording", "")) or usual_wording()
    paper = PAPER.get(asked.get("paper", "")) or usual_paper(result.units)
    sources = sources_of(found.visit, wording, paper)
    content = customer_pdf(result, sources) if customer else report_pdf(result, sources)
    return _file(content, "application/pdf", found, "customer.pdf" if customer else "report.pdf", take=True)


def finding(request: Request) -> Response:
    """Return the judged visit as JSON for other programs."""
    from taptest.visit.result import as_json

    found, judging = _judged(request)
    text = json.dumps(as_json(told(judging)), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return _file(plain(text).encode(), "application/json", found, "finding.json", take=True)


def parcel(request: Request) -> Response:
    """Return the whole visit, packed into one file."""
    from taptest.visit.parcel import pack_visit

    found = desk_of(request).visits.read(request.path_params["ident"])
    folder = tempfile.TemporaryDirectory(prefix="taptest-")
    try:
        target = Path(folder.name) / "visit.zip"
        pack_visit(found.visit, target)
    except TaptestError:
        folder.cleanup()
        raise
    return FileResponse(
        target,
        media_type="application/zip",
        filename=_name(found, "visit.zip"),
        background=BackgroundTask(folder.cleanup),
    )


def trend(request: Request) -> Response:
    """Return the picture of a tank's history, as its page told it."""
    from taptest.report.trend_figure import history_picture

    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    past = desk.histories.latest(*tank_of(found)) or desk.histories.ask(*tank_of(found), wait_s=WAIT_S)
    if past.history is None or past.history.trend is None:
        raise VisitError(past.sentence or "There is no trend to draw yet. Open the history's page.")
    more = {"content-security-policy": PICTURE_POLICY}
    return _file(history_picture(past.history, usual_wording()).svg, "image/svg+xml", found, "history.svg", more=more)


def _judged(request: Request) -> tuple[Found, Judging]:
    """Return the visit and its judgement. Raises `VisitError` where it cannot be judged."""
    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    judging = desk.judge.ask(found.visit, WAIT_S)
    if judging.result is None:
        raise VisitError(judging.sentence or "The visit is still being judged. Wait a little, and ask again.")
    return found, judging


def told(judging: Judging) -> "VisitResult":
    """Return the result of a judgement that has one."""
    assert judging.result is not None, "checked where it was asked for"
    return judging.result


def _name(found: Found, what: str) -> str:
    stem = plain_name(found.visit.document.tank.name)[:40]
    return "-".join(word for word in (stem, what) if word)


def _file(
    content: bytes, kind: str, found: Found, what: str, take: bool = False, more: dict[str, str] | None = None
) -> Response:
    headers = {"content-disposition": f'attachment; filename="{_name(found, what)}"'} if take else {}
    return Response(content, media_type=kind, headers={**headers, **(more or {})})

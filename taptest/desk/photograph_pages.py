"""The photographs of a visit: shown, added from a file or the telephone's camera, taken away."""

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.render import Posted, desk_of
from taptest.desk.visit_pages import heading
from taptest.desk.visits import NoSuchVisitError
from taptest.errors import TaptestError, VisitError
from taptest.images import LARGEST_BYTES

if TYPE_CHECKING:
    from taptest.visit.record import Document

LONGEST_CAPTION = 200


def photographs(request: Request) -> Response:
    """Show the photographs of a visit, and the form for one more."""
    return _page(request, "", 200)


def add(request: Request, form: Posted) -> Response:
    """Take photographs; their captions are typed once for all that come together."""
    from taptest.visit.photographs import add_photograph

    desk = desk_of(request)
    ident = request.path_params["ident"]
    sent = form.files.get("files", [])
    caption = form.texts.get("caption", "")[:LONGEST_CAPTION]
    folder = desk.visits.folder(ident)
    try:
        if not sent:
            raise VisitError("Choose a picture first.")
        for each in sent:
            content = each.content.read(LARGEST_BYTES + 1)

            def added(document: "Document", content: bytes = content, name: str = each.name) -> "Document":
                return add_photograph(folder, document, content, name, caption)

            desk.visits.change(ident, added)
    except TaptestError as error:
        return _page(request, str(error), 422)
    return desk.go(f"/visit/{ident}/photographs", "The photograph is kept." if len(sent) == 1 else "Photographs kept.")


def remove(request: Request) -> Response:
    """Take a photograph away, with its file."""
    from taptest.visit.photographs import remove_unnamed, without_photograph

    desk = desk_of(request)
    ident, number = request.path_params["ident"], request.path_params["number"]
    before = desk.visits.read(ident).visit
    after = desk.visits.change(ident, lambda document: without_photograph(document, number)).visit
    remove_unnamed(after.folder, before.document, after.document)
    return desk.go(f"/visit/{ident}/photographs", "The photograph is removed.")


def picture(request: Request) -> Response:
    """Return one photograph."""
    from taptest.visit.photographs import photograph_of

    found = desk_of(request).visits.read(request.path_params["ident"])
    content = photograph_of(found.visit, request.path_params["number"])
    if content is None:
        raise NoSuchVisitError("This photograph is no longer with the visit.")
    return Response(content, media_type="image/jpeg")


def _page(request: Request, trouble: str, status: int) -> Response:
    from taptest.visit.record import MOST_PHOTOGRAPHS

    desk = desk_of(request)
    found = desk.visits.read(request.path_params["ident"])
    return desk.page(
        "photographs.html", status, **heading(found), note=desk.note(request), trouble=trouble,
        photographs=found.visit.document.photographs, most=MOST_PHOTOGRAPHS,
    )  # fmt: skip

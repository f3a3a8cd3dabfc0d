"""The place of a visit on the shelf: renamed, archived, deleted; and what is put away, brought back or thrown out."""

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.render import Desk, Posted, Undo, desk_of
from taptest.desk.visit_pages import heading
from taptest.errors import TaptestError, VisitError

LONGEST_NAME = 200
SAID = {"archived": "is archived", "deleted": "is deleted"}


def manage(request: Request) -> Response:
    """Show how a visit is renamed, archived or deleted; one that cannot be read can be put away all the same."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    values = {"ident": ident, "name": desk.visits.folder(ident).name, "title": "Visit", "day": "", "tank": None}
    values |= {"simulated": False, "rounded": False, "site": ""}
    try:
        found = desk.visits.read(ident)
    except VisitError:
        return desk.page("manage.html", **values)
    document = found.visit.document
    values |= {**heading(found), "tank": document.tank.name, "site": document.visit.site or ""}
    return desk.page("manage.html", **values)


def rename(request: Request, form: Posted) -> Response:
    """Give a visit's tank and site other names; the folder keeps its own, so that addresses stay."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    tank, site = (" ".join(form.texts.get(key, "").split())[:LONGEST_NAME] for key in ("tank", "site"))
    before = desk.visits.read(ident).visit.document
    desk.visits.change(
        ident,
        lambda document: document.model_copy(
            update={
                "tank": document.tank.model_copy(update={"name": tank}),
                "visit": document.visit.model_copy(update={"site": site or None}),
            }
        ),
    )
    undo = Undo(f"/visit/{ident}/name", {"tank": before.tank.name, "site": before.visit.site or ""})
    desk.visits.search(refresh=True)
    return desk.go("/", "The visit is renamed.", undo)


def put(request: Request, form: Posted) -> Response:
    """Archive or delete a visit."""
    from taptest.visit.put_away import put_away

    desk = desk_of(request)
    ident = request.path_params["ident"]
    shelf = form.texts.get("to", "")
    if shelf not in ("archived", "deleted"):
        raise VisitError("Choose whether the visit is archived or deleted.")
    if desk.rounds.running is not None and desk.rounds.running.ident == ident:
        raise VisitError("A round of this visit is running. Stop it first.")
    away = put_away(desk.visits.root, desk.visits.folder(ident), "archived" if shelf == "archived" else "deleted")
    desk.visits.search(refresh=True)
    return desk.go("/", f"“{away.name}” {SAID[shelf]}.", Undo(f"/away/{away.number}/back", {}))


def away(request: Request) -> Response:
    """List what is put away."""
    return _page(desk_of(request), request)


def back(request: Request) -> Response:
    """Bring a visit back onto the shelf."""
    from taptest.visit.put_away import bring_back

    desk = desk_of(request)
    folder = bring_back(desk.visits.root, request.path_params["number"])
    desk.visits.search(refresh=True)
    ident = desk.visits.add(folder)
    return desk.go(f"/visit/{ident}", "The visit is back on the shelf.")


def out(request: Request) -> Response:
    """Throw a deleted visit out for good."""
    from taptest.visit.put_away import throw_out

    desk = desk_of(request)
    throw_out(desk.visits.root, request.path_params["number"])
    return desk.go("/away", "The visit is deleted for good.")


def _page(desk: Desk, request: Request) -> Response:
    from taptest.visit.put_away import all_put_away

    try:
        put_aside, trouble = all_put_away(desk.visits.root), ""
    except (OSError, TaptestError) as error:
        put_aside, trouble = (), str(error)
    return desk.page("away.html", title="Put away", visits=put_aside, trouble=trouble, note=desk.note(request))

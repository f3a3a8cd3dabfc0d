"""The shelf: all visits, found by site, tank, day and finding; and the ways onto it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from taptest.desk.arrivals import as_walk, make_visit, unpack
from taptest.desk.drafts import NEW
from taptest.desk.fields import FIELDS, groups_for, in_order, read_form, typed_of
from taptest.desk.render import SIGNS, Posted, clean, desk_of
from taptest.desk.visits import Visits, ident_of
from taptest.errors import TaptestError, VisitError

if TYPE_CHECKING:
    from taptest.visit.shelf import Entry, Search

SHOWN = 100
"""Visits on one page."""
LONGEST_SEARCH = 100
SEARCHED = ("site", "tank", "since", "until", "finding")
_WORST_FIRST = ("bad", "warn", "open", "good")
"""Classes of the findings' signs."""
SORTS: "dict[str, Callable[[Entry], Any] | None]" = {
    "day": None,  # as the index has them, the latest first
    "tank": lambda entry: (entry.tank.casefold(), entry.site.casefold()),
    "site": lambda entry: (entry.site.casefold(), entry.tank.casefold()),
    "finding": lambda entry: (_WORST_FIRST.index(SIGNS[entry.state][1]), entry.state),
}
"""Orders of the list; within one the latest come first."""
CARRIED_OVER = ("visit.site", "visit.technician", "tank", "system", "parallel", "line")
"""What a new visit to a known tank takes from the last one: fields, and whole sections."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a list is to show."""

    texts: dict[str, str]
    wanted: "Search"
    sort: str
    trouble: str
    """What of it cannot be understood, as a sentence."""

    @property
    def query(self) -> str:
        """The same as a part of an address, without the order."""
        return "&".join(f"{key}={_quoted(text)}" for key, text in self.texts.items() if text)


def _asked(given: Mapping[str, str]) -> _Asked:
    """Read what a list is to show from an address or a form."""
    from taptest.visit.shelf import Search

    texts = {key: clean(given.get(key, ""))[:LONGEST_SEARCH] for key in SEARCHED}
    trouble = ""
    days: dict[str, date | None] = {}
    for key in ("since", "until"):
        try:
            days[key] = date.fromisoformat(texts[key]) if texts[key] else None
        except ValueError:
            days[key], trouble = None, f"“{texts[key]}” is not a date. Use YYYY-MM-DD, such as 2025-01-31."
    wanted = Search(texts["site"], texts["tank"], days["since"], days["until"], texts["finding"])
    sort = given.get("sort", "")
    return _Asked(texts, wanted, sort if sort in SORTS else "day", trouble)


def _listed(asked: _Asked, visits: Visits, *, refresh: bool = False) -> "list[Entry]":
    """Return the entries that a list shows, in its order."""
    entries, _ = visits.search(asked.wanted, refresh=refresh)
    order = SORTS[asked.sort]
    return list(entries) if order is None else sorted(entries, key=order)


def shelf(request: Request) -> Response:
    """List the visits that fit the search."""
    desk = desk_of(request)
    asked = _asked(request.query_params)
    entries = _listed(asked, desk.visits, refresh="look" in request.query_params)
    first = _whole(request.query_params.get("from", ""), len(entries))
    rows = [{"ident": ident_of(entry.folder), **_told(entry)} for entry in entries[first : first + SHOWN]]
    return desk.page(
        "shelf.html", title="Visits", rows=rows, asked=asked.texts, total=len(entries), first=first, shown=SHOWN,
        searched=any(asked.texts.values()), trouble=asked.trouble, findings=list(SIGNS), note=desk.note(request),
        undo=desk.undo(request), query=asked.query, sort=asked.sort, sorts=list(SORTS), batch=desk.batch,
        open=sum(entry.state == "not judged" for entry in entries), root=str(desk.visits.root),
    )  # fmt: skip


def fresh(request: Request) -> Response:
    """Look for what changed in the folders, and say whether the list is to be read again."""
    desk = desk_of(request)
    _, changed = desk.visits.search(refresh=True)
    desk.judge.warm()
    return JSONResponse({"changed": changed})


def judge_all(request: Request, form: Posted) -> Response:
    """Judge all visits of a list that have no finding yet, behind the pages."""
    desk = desk_of(request)
    asked = _asked(form.texts)
    entries = _listed(asked, desk.visits, refresh=True)
    desk.batch.begin([ident_of(entry.folder) for entry in entries if entry.state == "not judged"])
    return desk.go(f"/?sort={asked.sort}&{asked.query}")


def stop_judging(request: Request) -> Response:
    """Judge no more visits after the one under way."""
    desk = desk_of(request)
    desk.batch.stop()
    return desk.go("/", "No more visits are judged after the one under way.")


def judging(request: Request) -> Response:
    """Say how many of the visits are judged."""
    batch = desk_of(request).batch
    return JSONResponse({"running": batch.running, "done": batch.done, "total": batch.total})


def new_form(request: Request) -> Response:
    """Show the form of a new visit; with `like`, what is known of that visit's tank stands in it."""
    desk = desk_of(request)
    typed = dict.fromkeys(FIELDS, "") | {"visit.date": date.today().isoformat(), "tank.axis": "vertical"}
    like = request.query_params.get("like", "")
    if like:
        before = typed_of(desk.visits.read(like).visit.document)
        for name, text in before.items():
            if name in CARRIED_OVER or name.partition(".")[0] in CARRIED_OVER:
                typed[name] = text
    draft = {} if like else desk.drafts.read(NEW)
    return _form(request, typed | draft, {}, {}, drafted=bool(draft))


def draft(request: Request, form: Posted) -> Response:
    """Keep what is typed in the form of a new visit so far."""
    desk_of(request).drafts.keep(NEW, form.texts)
    return Response(status_code=204)


def start_anew(request: Request) -> Response:
    """Show the form of a new visit empty."""
    desk = desk_of(request)
    desk.drafts.forget(NEW)
    return desk.go("/new")


def new_visit(request: Request, form: Posted) -> Response:
    """Make a visit of what was typed and dropped, or show the form again with what is wrong beside each field."""
    desk = desk_of(request)
    read = read_form(form.texts)
    walk = {key: form.texts.get(f"walk.{key}", "") for key in ("first", "last", "every", "taps")}
    if read.document is None:
        return _form(request, read.typed, read.errors, walk, 422)
    try:
        ident, notes = make_visit(desk.visits, read.document, form.files.get("files", []), as_walk(form.texts))
    except TaptestError as error:
        return _form(request, read.typed, {"files": str(error)}, walk, 422)
    desk.drafts.forget(NEW)
    return desk.go(f"/visit/{ident}", " ".join(["The visit is on the shelf.", *notes]))


def unpack_form(request: Request) -> Response:
    """Show the form that takes a packed visit."""
    return desk_of(request).page("unpack.html", title="Unpack a visit", trouble="")


def unpack_visit(request: Request, form: Posted) -> Response:
    """Take a packed visit onto the shelf."""
    desk = desk_of(request)
    sent = form.files.get("files", [])
    try:
        if len(sent) != 1:
            raise VisitError("Choose one file: a visit that was packed by taptest.")
        ident, note = unpack(desk.visits, sent[0])
    except TaptestError as error:
        return desk.page("unpack.html", 422, title="Unpack a visit", trouble=str(error))
    return desk.go(f"/visit/{ident}", f"The visit is on the shelf. {note}".strip())


def table(request: Request) -> Response:
    """Return the list as it is shown, as CSV."""
    from taptest.visit.shelf import table_csv

    entries = _listed(_asked(request.query_params), desk_of(request).visits, refresh=True)
    return Response(
        table_csv(entries).encode("utf-8-sig"),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="visits.csv"'},
    )


def picks(visits: Visits) -> dict[str, list[str]]:
    """Return what was typed before in the fields that repeat."""
    entries, _ = visits.search()
    return {
        "visit.site": sorted({entry.site for entry in entries if entry.site}),
        "tank.name": sorted({entry.tank for entry in entries if entry.tank}),
        "visit.technician": sorted({entry.technician for entry in entries if entry.technician}),
    }


def _form(
    request: Request, typed: dict[str, str], errors: dict[str, str], walk: dict[str, str], status: int = 200,
    *, drafted: bool = False,
) -> Response:  # fmt: skip
    desk = desk_of(request)
    return desk.page(
        "new.html", status, title="New visit", groups=groups_for(typed), typed=typed, errors=in_order(errors),
        picks=picks(desk.visits), walk={"first": "", "last": "", "every": "", "taps": "", **walk}, fields=FIELDS,
        drafted=drafted,
    )  # fmt: skip


def _told(entry: "Entry") -> dict[str, Any]:
    return {
        "day": "" if entry.visited_on is None else entry.visited_on.isoformat(),
        "site": entry.site,
        "tank": entry.tank or ("" if entry.site else entry.folder),
        "finding": entry.state,
        "sentence": entry.problem or entry.sentence,
        "left": entry.marks_left,
        "simulated": entry.simulated,
        "points": entry.points,
    }


def _whole(text: str, most: int) -> int:
    return min(int(text), most) if text.isascii() and text.isdigit() and len(text) < 8 else 0


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")

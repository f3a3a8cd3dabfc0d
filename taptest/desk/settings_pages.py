"""Settings: words of the trade, paper and head of the report, kept on this computer; and who has the pages open.

Browsers are let in and shut out at this computer only: what a telephone could do, whoever took its session could do.
"""

from datetime import datetime
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.access import Device
from taptest.desk.guard import DEVICE
from taptest.desk.render import Posted, desk_of
from taptest.errors import StorageError, TaptestError
from taptest.images import LARGEST_BYTES
from taptest.report.choices import PAPERS, WORDINGS, Paper, choose, chosen_paper, usual_wording
from taptest.report.letterhead import keep_company, keep_logo, kept_letterhead, remove_logo
from taptest.report.wording import Wording

EXAMPLES: dict[Wording, str] = {"us": "tank, relief valve, fill valve", "uk": "vessel, safety valve, filling loop"}
BY_UNITS = "as the visit's units go: US Letter for US units, else A4"


def settings_form(request: Request) -> Response:
    """Show what is chosen."""
    desk = desk_of(request)
    return _page(request, usual_wording(), chosen_paper() or "", note=desk.note(request))


def settings(request: Request, form: Posted) -> Response:
    """Keep what is chosen."""
    desk = desk_of(request)
    wording: Wording = "uk" if form.texts.get("wording") == "uk" else "us"
    asked = form.texts.get("paper", "")
    paper: Paper | None = "letter" if asked == "letter" else "a4" if asked == "a4" else None
    try:
        choose(wording, paper)
    except StorageError as error:
        return _page(request, wording, paper or "", trouble=str(error), status=422)
    return desk.go("/settings", "Settings saved.")


def company(request: Request, form: Posted) -> Response:
    """Keep the head of the report: the company's lines and its logo."""
    desk = desk_of(request)
    typed = form.texts.get("company", "")
    try:
        keep_company(typed)
        if sent := form.files.get("logo"):
            keep_logo(sent[0].content.read(LARGEST_BYTES + 1), sent[0].name)
        elif form.texts.get("without"):
            remove_logo()
    except TaptestError as error:
        return _page(request, usual_wording(), chosen_paper() or "", refused=(typed, str(error)), status=422)
    return desk.go("/settings", "The head of the report is kept.")


def let_in(request: Request) -> Response:
    """Show fresh addresses, each for one more browser."""
    desk = desk_of(request)
    _only_here(request)
    addresses = [("On this computer", desk.access.address(f"http://{request.url.netloc}", here=True))]
    if desk.reach is not None:
        addresses.append(("In the local network", desk.access.address(desk.reach, here=False)))
    return _page(request, usual_wording(), chosen_paper() or "", addresses=addresses)


def shut_out(request: Request) -> Response:
    """End a browser's session."""
    desk = desk_of(request)
    _only_here(request)
    there = desk.access.shut_out(request.path_params["number"])
    return desk.go("/settings#devices", "The device was removed." if there else "The device had already been removed.")


def _only_here(request: Request) -> None:
    """Refuse a device that is elsewhere."""
    if not _device(request).here:
        raise HTTPException(
            403, "Devices can be allowed or removed only on the computer that runs taptest. Do it there."
        )


def _device(request: Request) -> Device:
    device: Device = request.scope[DEVICE]
    return device


def _page(
    request: Request, wording: str, paper: str, *, note: str = "", trouble: str = "", status: int = 200,
    addresses: list[tuple[str, str]] | None = None, refused: tuple[str, str] | None = None,
) -> Response:  # fmt: skip
    desk, own, kept = desk_of(request), _device(request), kept_letterhead()
    company, company_trouble = refused or (kept.text, "")
    shown = desk.access.devices() if own.here else ()
    who: dict[str, Any] = {
        "devices": [(each, f"{datetime.fromtimestamp(each.since).astimezone():%H:%M}") for each in shown],
        "own": own.number,
        "addresses": addresses or [],
        "company": company,
        "company_trouble": company_trouble,
        "logo": kept.logo is not None,
    }
    wordings = [(key, said, EXAMPLES[key]) for key, said in WORDINGS.items()]
    return desk.page(
        "settings.html", status, title="Settings", wordings=wordings,
        papers=[("", BY_UNITS), *PAPERS.items()], wording=wording, paper=paper, note=note, trouble=trouble, **who,
    )  # fmt: skip

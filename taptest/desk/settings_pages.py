"""Settings: the words of the trade and the paper, kept on this computer for all pages and for the report."""

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.render import Desk, Posted, desk_of
from taptest.errors import StorageError
from taptest.report.choices import PAPERS, WORDINGS, Paper, choose, chosen_paper, usual_wording
from taptest.report.wording import Wording

EXAMPLES: dict[Wording, str] = {"us": "tank, relief valve, fill valve", "uk": "vessel, safety valve, filling loop"}
BY_UNITS = "as the visit's units go: US Letter for US units, else A4"


def settings_form(request: Request) -> Response:
    """Show what is chosen."""
    desk = desk_of(request)
    return _page(desk, usual_wording(), chosen_paper() or "", note=desk.note(request))


def settings(request: Request, form: Posted) -> Response:
    """Keep what is chosen."""
    desk = desk_of(request)
    wording: Wording = "uk" if form.texts.get("wording") == "uk" else "us"
    asked = form.texts.get("paper", "")
    paper: Paper | None = "letter" if asked == "letter" else "a4" if asked == "a4" else None
    try:
        choose(wording, paper)
    except StorageError as error:
        return _page(desk, wording, paper or "", trouble=str(error), status=422)
    return desk.go("/settings", "The settings are kept.")


def _page(desk: Desk, wording: str, paper: str, *, note: str = "", trouble: str = "", status: int = 200) -> Response:
    wordings = [(key, said, EXAMPLES[key]) for key, said in WORDINGS.items()]
    return desk.page(
        "settings.html", status, title="Settings", wordings=wordings,
        papers=[("", BY_UNITS), *PAPERS.items()], wording=wording, paper=paper, note=note, trouble=trouble,
    )  # fmt: skip

"""Pages from templates, forms from requests: what all pages share.

Every value is escaped by the templates; a name that a template does not know is an error and no empty place. A page
function is plain and runs in a thread (see `app`); `posted` reads the form for it first.
"""

import contextlib
import pickle
import secrets
import sys
from collections import OrderedDict
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from typing import Any

import jinja2
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from taptest import __version__
from taptest.desk.access import Access
from taptest.desk.arrivals import MOST_FILES, Sent
from taptest.desk.drafts import Drafts
from taptest.desk.judging import Batch, Histories, Judge
from taptest.desk.live import Devices, Rounds, SoundWay
from taptest.desk.visits import ChangedMeanwhileError, NoSuchVisitError, Visits
from taptest.disk import plain
from taptest.errors import TaptestError
from taptest.report.page_text import FINDING_SIGN
from taptest.report.wording import Wording, worded
from taptest.statements import Key
from taptest.words.language import usual_language
from taptest.words.tell import text_of

TEMPLATES = Path(__file__).parent / "templates"
MOST_FIELDS = 300
MOST_TEXT = 200_000
MOST_NOTES = 50

SIGNS: dict[str, tuple[str, str]] = {
    **{str(code): sign for code, sign in FINDING_SIGN.items()},
    "not judged": ("○", "open"),
    "not finished": ("◔", "open"),
    "unreadable": ("✕", "bad"),
}
"""Finding, or why there is none -> its sign and class."""


class Compiled(jinja2.BytecodeCache):
    """Compiled templates beside the templates, as Python keeps compiled modules; where it cannot, it does without."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def load_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Fill the bucket if there is something for it; what is damaged, or of another text, counts as none."""
        try:
            with self._path(bucket).open("rb") as file:
                bucket.load_bytecode(file)
        except (OSError, EOFError, ValueError, TypeError, pickle.UnpicklingError):
            bucket.reset()

    def dump_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Keep what was compiled: whole under its name, or not at all."""
        path = self._path(bucket)
        with contextlib.suppress(OSError):
            path.parent.mkdir(exist_ok=True)
            half = path.with_name(f"{path.name}.{secrets.token_hex(6)}")
            try:
                half.write_bytes(bucket.bytecode_to_string())
                half.replace(path)
            finally:
                half.unlink(missing_ok=True)

    def _path(self, bucket: jinja2.bccache.Bucket) -> Path:
        return self._folder / f"{bucket.key}.{sys.implementation.cache_tag}"


@dataclass(frozen=True, slots=True)
class Undo:
    """What takes back what a note tells: where it is sent, and the texts that go with it."""

    path: str
    texts: Mapping[str, str]


class Desk:
    """What the pages work with."""

    def __init__(self, root: Path, access: Access, way: SoundWay | None = None) -> None:
        self.access = access
        self.visits = Visits(root)
        self.judge = Judge()
        self.histories = Histories(root)
        self.rounds = Rounds(way or Devices())
        self.drafts = Drafts(root)
        self.reach: str | None = None
        """The address at which the local network reaches the pages, where the user asked for it."""
        self.batch = Batch(self.visits, self.judge)
        self._notes: OrderedDict[str, tuple[str, Undo | None]] = OrderedDict()
        self._templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(TEMPLATES),
            bytecode_cache=Compiled(TEMPLATES / "__pycache__"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals.update(version=__version__, signs=SIGNS, at=access.path)
        self._templates.filters["w"] = self._in_chosen_words
        self._wording: Wording = "us"

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """Return a page."""
        from taptest.report.choices import usual_wording

        self._wording = usual_wording()
        known = {"note": "", "undo": None, "running": self.rounds.running, "wide": False, "reach": self.reach}
        return HTMLResponse(plain(self._templates.get_template(template).render({**known, **values})), status)

    @jinja2.pass_context
    def _in_chosen_words(self, _context: jinja2.runtime.Context, said: str) -> str:
        """Put a key or one of our own sentences into the chosen words, without the shelf's folder before a file's name.

        With a context, it is never worked out beforehand.
        """
        text = text_of(said, usual_language()) if isinstance(said, Key) else said
        for sign in ("/", "\\"):
            text = text.replace(f"{self.visits.root}{sign}", "")
        return worded(text, self._wording)

    def go(self, where: str, note: str = "", undo: Undo | None = None) -> RedirectResponse:
        """Go to another page, which shows a note once. `where` is made of our own words and ids only."""
        if note:
            key = secrets.token_hex(6)
            self._notes[key] = note, undo
            while len(self._notes) > MOST_NOTES:
                self._notes.popitem(last=False)
            path, _, place = where.partition("#")
            where = f"{path}{'&' if '?' in path else '?'}note={key}" + (f"#{place}" if place else "")
        return RedirectResponse(f"{self.access.path}{where}", 303)

    def note(self, request: Request) -> str:
        """Return the note that was left for this page."""
        return self._note(request)[0]

    def undo(self, request: Request) -> Undo | None:
        """Return what takes back what the page's note tells; None where nothing does."""
        return self._note(request)[1]

    def _note(self, request: Request) -> tuple[str, Undo | None]:
        return self._notes.get(request.query_params.get("note", ""), ("", None))


@dataclass(frozen=True, slots=True)
class Posted:
    """A form as it came."""

    texts: Mapping[str, str]
    files: Mapping[str, list[Sent]] = field(default_factory=dict)


def desk_of(request: Request) -> Desk:
    """Return the desk that serves a request."""
    desk: Desk = request.app.state.desk
    return desk


@asynccontextmanager
async def posted(request: Request) -> AsyncIterator[Posted]:
    """Give the form of a request; its files are there while the block lasts."""
    async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=MOST_TEXT) as form:
        texts: dict[str, str] = {}
        files: dict[str, list[Sent]] = {}
        for name, value in form.multi_items():
            if isinstance(value, UploadFile):
                if value.filename:
                    files.setdefault(name, []).append(Sent(clean(value.filename), value.file))
            else:
                texts[name] = clean(value)
        yield Posted(texts, files)


def clean(text: str) -> str:
    """Return a text that can be written as UTF-8, its line ends as everywhere."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")


BROKE = (
    "taptest itself failed here. What was kept before is untouched; what was just typed may have to be typed again. "
    "The window in which taptest desk runs shows what happened."
)


def error_page(request: Request, error: Exception) -> Response:
    """Turn an error into a page that says it in its sentence."""
    if isinstance(error, HTTPException):
        status, sentence = error.status_code, str(error.detail)
        if sentence == HTTPStatus(status).phrase:
            sentence = {404: "Page not found.", 405: "This page can't do that."}.get(status, sentence)
    elif not isinstance(error, TaptestError):
        status, sentence = 500, BROKE  # the server writes down where it happened
    else:
        status = (
            404 if isinstance(error, NoSuchVisitError) else 409 if isinstance(error, ChangedMeanwhileError) else 422
        )
        sentence = str(error)
    # A visit's own page says how it can be mended.
    back = "" if status == 404 else request.path_params.get("ident", "")
    return desk_of(request).page("error.html", status, title="That did not work", sentence=sentence, back=back)

"""A visit that cannot be read, and the ways to mend it on its page.

A document that is not one is mended as text: what was typed stays until it is one. A sound file that is missing, or
that holds no sound, is brought back under its name, or its points are left out. Nothing is changed that the user did
not ask for.
"""

import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.render import MOST_TEXT, Posted, desk_of
from taptest.desk.visits import ChangedMeanwhileError
from taptest.errors import TaptestError, VisitError

if TYPE_CHECKING:
    from taptest.desk.arrivals import Sent
    from taptest.visit.record import Document


def mend_form(request: Request) -> Response:
    """Show what is wrong with a visit and how to mend it."""
    return broken_page(request)


def mend_text(request: Request, form: Posted) -> Response:
    """Take the document's text; it is kept if it is a document."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    text = form.texts.get("text", "")
    try:
        desk.visits.mend(ident, text, form.texts.get("mark", ""))
    except ChangedMeanwhileError as error:
        return broken_page(request, str(error), text, 409)
    except TaptestError as error:
        return broken_page(request, str(error), text, 422)
    return desk.go(f"/visit/{ident}", "The visit is repaired.")


def mend_sound(request: Request, form: Posted) -> Response:
    """Take sound files back that the visit names and does not have."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    try:
        missing = desk.visits.missing(ident)
        names = [_bring(desk.visits.folder(ident), missing, sent) for sent in form.files.get("files", [])]
        if not names:
            raise VisitError("No file was chosen. Choose the sound file that is missing.")
    except TaptestError as error:
        return broken_page(request, str(error), status=422)
    return desk.go(f"/visit/{ident}", f"Brought back: {', '.join(names)}.")


def leave_out(request: Request, _form: Posted) -> Response:
    """Leave the points out whose sound is missing."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    try:
        missing = desk.visits.missing(ident)
        left, document = without_files(desk.visits.document(ident), missing)
        desk.visits.put(ident, document)
    except TaptestError as error:
        return broken_page(request, str(error), status=422)
    return desk.go(f"/visit/{ident}", f"Left out because their audio is missing: {', '.join(left) or 'nothing'}.")


def without_files(document: "Document", missing: Sequence[str]) -> "tuple[list[str], Document]":
    """Return where the points lie whose sound is missing, and the document without them and what was decided there."""
    gone = set(missing)
    entries = (*document.points, *document.reference)
    kept = {
        "points": tuple(each for each in document.points if each.file not in gone),
        "reference": tuple(each for each in document.reference if each.file not in gone),
        "by_hand": tuple(each for each in document.by_hand if each.file not in gone),
    }
    return [f"{each.position_mm:g} mm" for each in entries if each.file in gone], document.model_copy(update=kept)


def _bring(folder: Path, missing: Sequence[str], sent: "Sent") -> str:
    """Put one file to its place in the visit. Raises `VisitError`, `RecordingError`, `StorageError`."""
    from taptest import disk
    from taptest.sound.recording import open_recording

    called = PurePosixPath(sent.name.replace("\\", "/")).name
    name = next((name for name in missing if PurePosixPath(name).name.casefold() == called.casefold()), None)
    if name is None:
        wanted = ", ".join(PurePosixPath(name).name for name in missing) or "none"
        raise VisitError(f"This visit has no missing file called “{called[:80]}”. Missing: {wanted}.")
    target = folder.joinpath(*name.split("/"))
    if not target.parent.resolve().is_relative_to(folder.resolve()):
        raise VisitError(f"The place of {name} leads out of the visit by a link. Take the link away first.")
    with tempfile.TemporaryDirectory(prefix="taptest-") as place:
        laid = Path(place) / f"sent{target.suffix}"
        with laid.open("xb") as file:
            shutil.copyfileobj(sent.content, file, 1 << 20)
        try:
            open_recording(laid)
        except TaptestError as error:
            raise type(error)(str(error).replace(str(laid), called).replace(laid.name, called)) from error
        disk.make_folder(target.parent)
        if target.exists():  # it cannot be read, but it is not for us to throw it away
            with disk.storage_errors("rename", target):
                target.replace(target.with_name(f"{target.name}.unreadable"))
        disk.copy_file(laid, target)
    return name


def broken_page(request: Request, trouble: str = "", typed: str | None = None, status: int = 200) -> Response:
    """Show what is wrong and the forms that mend it; `typed` is the text of a document that is none yet."""
    desk = desk_of(request)
    ident = request.path_params["ident"]
    folder = desk.visits.folder(ident)
    wrong, missing = "", tuple[str, ...]()
    try:
        desk.visits.document(ident)
        missing = desk.visits.missing(ident)
        desk.visits.read(ident)
    except TaptestError as error:
        wrong = str(error)
    text, mark = desk.visits.text(ident)
    return desk.page(
        "broken.html", status, title=folder.name, ident=ident, name=folder.name, wrong=wrong, trouble=trouble,
        missing=missing, text=text if typed is None else typed, mark=mark, editable=len(text) <= MOST_TEXT // 2,
        open=not missing, note=desk.note(request),
    )  # fmt: skip

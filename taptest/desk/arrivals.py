"""Files that are dropped on a page, made into a visit: a table of points with its sound files, one walk, or a parcel.

Everything is laid down in a folder of its own first, under names that we make; what comes out of it is on the shelf
whole or not at all. The reading is that of `taptest.visit.intake` and `taptest.visit.parcel`.
"""

import json
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, BinaryIO

from taptest.errors import QuantityError, TaptestError, VisitError
from taptest.report.choices import in_usual_words
from taptest.sound import telephone

if TYPE_CHECKING:
    from taptest.desk.visits import Visits
    from taptest.statements import Statement
    from taptest.visit.files import Visit
    from taptest.visit.record import Document

SOUND_ENDINGS = (".wav", ".flac", ".ogg", ".aif", ".aiff", ".au", ".caf", ".rf64", ".w64", ".mp3", *telephone.ENDINGS)
TABLE_ENDINGS = (".csv", ".txt", ".tsv")
MOST_FILES = 400
MADE = "made"
_WALK_HEADING = re.compile(r"(?:^|[;,\t\"])\s*taps\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Sent:
    """One file as it came."""

    name: str
    """As the browser named it; never used as a path."""
    content: BinaryIO


@dataclass(frozen=True, slots=True)
class Walk:
    """Where a walk was tapped, where no table says it: texts as typed."""

    first: str = ""
    last: str = ""
    every: str = ""
    taps: str = ""


def make_visit(visits: "Visits", document: "Document", sent: Sequence[Sent], walk: Walk) -> tuple[str, tuple[str, ...]]:
    """Make a new visit of a document and what was sent with it; returns its id and what was noticed.

    Raises `VisitError`, `QuantityError`, `PhysicsError`, `RecordingError`, `StorageError`; then nothing has been made.
    """
    from taptest.disk import new_folder
    from taptest.visit.files import save_document

    target = visits.new_folder(document, date.today())
    if not sent:
        with new_folder(target) as working:
            save_document(working, document)
        return visits.add(target), ()
    with _laid_down(sent) as place, _short_names(place):
        made, notes = _import(place, sent, document, walk)
        with new_folder(target) as working:
            _copy_sound(made, working)
            save_document(working, document.model_copy(update={"points": made.document.points, "by_hand": ()}))
    return visits.add(target), tuple(map(in_usual_words, notes))


def add_sound(visits: "Visits", ident: str, sent: Sequence[Sent], walk: Walk) -> tuple[str, ...]:
    """Give a visit that has no points yet its points and sound; returns what was noticed. Raises as `make_visit`."""
    found = visits.read(ident)
    if found.visit.document.points:
        raise VisitError("This visit has its points already. Make a new visit for another round of taps.")
    if not sent:
        raise VisitError("No file was chosen. Choose the table of points and its sound files, or one walk.")
    with _laid_down(sent) as place, _short_names(place):
        made, notes = _import(place, sent, found.visit.document, walk)
        _copy_sound(made, found.visit.folder)
    points = made.document.points
    visits.change(ident, lambda document: document.model_copy(update={"points": points, "by_hand": ()}), found.mark)
    return tuple(map(in_usual_words, notes))


def _copy_sound(made: "Visit", folder: Path) -> None:
    """Copy the sound files of an imported visit into another one's folder; nothing there is written over."""
    from taptest import disk
    from taptest.visit.files import SOUND, inside, sound_files

    names = sound_files(made.document)
    for name in names:
        if folder.joinpath(*name.split("/")).exists():
            raise VisitError(f"The visit has a file {name} already. Give your file another name.")
    disk.make_folder(folder / SOUND)
    for name in names:
        disk.copy_file(inside(made.folder, name), folder.joinpath(*name.split("/")))


def unpack(visits: "Visits", sent: Sent) -> tuple[str, str]:
    """Take a packed visit onto the shelf; returns its id and a note. Raises `VisitError`, `StorageError`."""
    from taptest.desk.visits import plain_name
    from taptest.visit.parcel import left_out_note, unpack_stream

    stem = plain_name(PurePosixPath(sent.name.replace("\\", "/")).stem)[:40] or "visit"
    number, target = 1, visits.root / stem
    while target.exists():
        number += 1
        target = visits.root / f"{stem}-{number}"
    _, left_out = unpack_stream(sent.content, target, sent.name[:80] or "The file")
    return visits.add(target), in_usual_words(left_out_note(left_out))


def _import(
    place: Path, sent: Sequence[Sent], document: "Document", walk: Walk
) -> tuple["Visit", tuple["Statement", ...]]:
    """Import what was laid down in `place` into a new folder there."""
    from taptest.visit.intake import Sources, import_visit

    names = [_plain(each.name) for each in sent]
    tables = [name for name in names if name.lower().endswith(TABLE_ENDINGS)]
    sounds = [name for name in names if name.lower().endswith(SOUND_ENDINGS)]
    others = [name for name in names if name not in tables and name not in sounds]
    if others:
        raise VisitError(f"The file {others[0]} is neither a table nor a sound file. Leave it out.")
    if len(tables) > 1:
        raise VisitError(f"{len(tables)} tables were sent: {', '.join(tables)}. Send one table of points.")
    if not sounds:
        raise VisitError("No sound file was sent. Send the recordings together with the table of points.")
    if not tables and len(sounds) > 1:
        raise VisitError(
            "Several sound files need a table that says where each belongs. Add a file points.csv with the columns "
            "position_mm,file."
        )
    points = place / (tables[0] if tables else "points.csv")
    if not tables:
        points.write_text(_walk_table(walk), encoding="utf-8")
    is_walk = len(sounds) == 1 and _is_walk(points)
    tank = place / "tank.toml"
    tank.write_text(f"[tank]\nkind = {json.dumps(document.tank.kind)}\n{_shape_of(document)}", encoding="utf-8")
    sound = place / sounds[0] if is_walk else None
    return import_visit(place / MADE, Sources(tank, points, sound, sent=tuple(sounds)))


def _shape_of(document: "Document") -> str:
    """Return the tank's section for the import, which checks that the points lie on the tank."""
    return "".join(
        f"{key} = {json.dumps(value, ensure_ascii=True)}\n"
        for key, value in document.tank.model_dump(exclude_none=True).items()
        if key not in ("kind", "name", "serial") and isinstance(value, str) and value.isprintable()
    )


def _is_walk(points: Path) -> bool:
    """Whether the table's heading names taps and not files."""
    with points.open("rb") as file:
        start = file.read(400)
    wide = start[:2] in (b"\xff\xfe", b"\xfe\xff")
    head = start.decode("utf-16" if wide else "latin-1", "replace").lstrip("\ufeff\xef\xbb\xbf")
    return any(_WALK_HEADING.search(line) for line in head.splitlines()[:3])


def _walk_table(walk: Walk) -> str:
    """Write the table of a walk from its first mark, its last and the distance.

    Raises `QuantityError`, `VisitError`.
    """
    from taptest import quantities

    texts = {"First mark": walk.first, "Last mark": walk.last, "Distance between marks": walk.every}
    for label, text in texts.items():
        if not text.strip():
            raise VisitError(
                f"{label} is not given. A walk needs a table points.csv with the columns position_mm,taps, or its "
                "first and last mark and the distance between them."
            )
    first, last, every = (quantities.parse("length", text, label).si for label, text in texts.items())
    taps = walk.taps.strip() or "3"
    if not (taps.isascii() and taps.isdigit() and 1 <= int(taps[:6]) <= 100):
        raise QuantityError(f"Taps a point: “{taps[:20]}” is not how many taps a point got; write a number, usually 3.")
    if every < 0.001 or abs(last - first) / every > 1000:
        raise QuantityError("Distance between marks: marks lie 1 mm apart or more, and at most 1000 of them.")
    count = round(abs(last - first) / every)
    if abs(count * every - abs(last - first)) > 0.001:
        raise QuantityError(
            f"Distance between marks: from {walk.first.strip()} to {walk.last.strip()} is not a whole number of steps "
            f"of {walk.every.strip()}. Correct one of the three, or send a table."
        )
    sign = 1 if last >= first else -1
    rows = [f"{1000 * (first + sign * number * every):.1f},{taps}" for number in range(count + 1)]
    return "\n".join(["position_mm,taps", *rows]) + "\n"


@contextmanager
def _laid_down(sent: Sequence[Sent]) -> Iterator[Path]:
    """Lay what was sent down in a folder of its own, which is gone after the block."""
    from taptest.disk import storage_errors

    with tempfile.TemporaryDirectory(prefix="taptest-") as name:
        place = Path(name)
        seen: set[str] = set()
        for each in sent:
            plain = _plain(each.name)
            if plain.casefold() in seen or plain.casefold() in (MADE, "tank.toml"):
                raise VisitError(f"Two files are called {plain}. Give one of them another name.")
            seen.add(plain.casefold())
            with storage_errors("keep", Path(plain)), (place / plain).open("xb") as file:
                shutil.copyfileobj(each.content, file, 1 << 20)
        yield place


@contextmanager
def _short_names(place: Path) -> Iterator[None]:
    """Leave the folder that nobody has heard of out of the sentences."""
    try:
        yield
    except TaptestError as error:
        text = str(error).replace(f"{place}/", "").replace(f"{place}\\", "").replace(str(place), "what was sent")
        raise type(error)(text) from error


def _plain(name: str) -> str:
    """Return a sent file's own name without any folder, fit for every system. Raises `VisitError`."""
    base = PurePosixPath(name.replace("\\", "/")).name
    clean = "".join("_" if not letter.isprintable() or letter in '<>:"/\\|?*' else letter for letter in base)
    clean = clean.strip(" .")
    if not clean or len(clean.encode("utf-8", "replace")) > 180:
        raise VisitError("A file was sent under a name that cannot be kept. Give it a short plain name.")
    stem = clean.partition(".")[0].casefold()
    reserved = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10))}
    return f"_{clean}" if stem in reserved else clean


def as_walk(form: Mapping[str, str]) -> Walk:
    """Read the walk's fields of a form."""
    return Walk(*(form.get(f"walk.{key}", "")[:100] for key in ("first", "last", "every", "taps")))

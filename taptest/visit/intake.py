"""Import: a visit made from `tank.toml`, `points.csv` and audio files that were recorded by any means.

With one audio file a point, `points.csv` has the columns position_mm,file; with one walk along the line it has
position_mm,taps and the rows stand in the order of tapping; position_in may take the place of position_mm. Tables
saved by spreadsheet programs are read as they come: comma, semicolon or tab between the columns, a decimal comma where
it is not ambiguous, a byte-order mark, UTF-8, UTF-16 or the Western code page. A column named line tells several lines
of one tank apart. The new visit is there whole or not at all; `taptest.visit.more_rounds` adds a round to one.
"""

import csv
import io
import math
import os
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from taptest import disk
from taptest.errors import QuantityError, VisitError
from taptest.quantities import parse
from taptest.sound.recording import open_recording
from taptest.statements import Statement
from taptest.visit.files import DOCUMENT, SOUND, Visit, save_document
from taptest.visit.meaning import meaning_of
from taptest.visit.record import SCHEMA, Document, document_from, nearest
from taptest.visit.remarks import VisitRemark
from taptest.water.log import log_records, read_records

FILE_COLUMNS = ("position_mm", "file")
WALK_COLUMNS = ("position_mm", "taps")
IN_INCHES = "position_in"
"""Takes the place of position_mm where the tape is in inches: 11 1/4 or 11.25."""
ONSET_COLUMN = "pressure"
"""Takes the place of position_mm in a table of one mark at many pressures: what the gauge shows, with its unit."""
LINE_COLUMN = "line"
"""May stand beside the others: which of several lines a point belongs to."""
SECTIONS = ("visit", "tank", "system", "readings", "line", "observations", "drain", "as_left")
LOG = "log"
LISTS = {LOG: "readings", "parallel": "tanks", "lines": "lines"}
"""Keys of `tank.toml` that are lists of sections, like [[log]], and what they list."""
LARGEST_TABLE = 2_000_000
"""Bytes; a table of a thousand points takes a fiftieth of it."""


@dataclass(frozen=True, slots=True)
class Sources:
    """What a visit is imported from."""

    tank: Path
    points: Path
    sound: Path | None = None
    """One recording of the whole walk; None where each row of `points` names a file of its own."""
    visited_on: date | None = None
    """Day of the visit; it goes before [visit] date in `tank`."""
    simulated: bool = False
    today: date | None = None
    """Day of the visit where none is given."""
    log: Path | None = None
    """A pressure log as CSV; None where there is none or it stands in `tank`."""
    folders: tuple[Path, ...] = ()
    """Folders, beside that of `points`, whose audio files its rows may name."""
    sent: tuple[str, ...] | None = None
    """The only names that the rows may give, of files beside `points`; None lets them name any file in the folders."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of `points.csv`; `line` counts from one and includes the heading."""

    line: int
    position_mm: float
    file: str = ""
    taps: int | None = None
    on: str = ""
    """Name of the line that the point belongs to."""
    pressure: str = ""
    """What the gauge shows, in a table of one mark at many pressures; `position_mm` is no number then."""


def import_visit(folder: Path, sources: Sources, *, replace: bool = False) -> tuple[Visit, tuple[Statement, ...]]:
    """Make the visit `folder` and tell what was noticed.

    An existing visit is refused, or with `replace` kept under a new name. Raises `VisitError`,
    `QuantityError`, `PhysicsError`, `RecordingError`, `StorageError`; then nothing has been made and nothing changed.
    """
    folder = folder.absolute()
    disk.settle(folder.parent)
    earlier = _earlier_visit(folder, replace)
    sections = read_tank(sources.tank)
    if sources.log is not None:
        sections = _with_log(sections, sources.log, sources.tank)
    rows, sounds, names = find_sound(sources)
    document = _document(sections, point_entries(rows, sounds, names), sources)
    meaning_of(document, str(sources.tank), str(sources.points))
    for sound in names:
        open_recording(sound)
    with disk.new_folder(folder, earlier) as working:
        copy_sound(names, working)
        save_document(working, document)
    kept = (Statement(VisitRemark.EARLIER_KEPT, {"place": str(earlier)}),) if earlier else ()
    return Visit(folder, document), order_notes(rows, sources) + kept


def find_sound(
    sources: Sources, before: str = "", *, one_mark: bool = False
) -> tuple[tuple[Row, ...], list[Path], dict[Path, str]]:
    """Read the table of points: its rows, the audio file of each, and the name inside the visit of each file.

    `before` begins each name; with `one_mark` the table is one of one mark at many pressures. Raises `VisitError`,
    `StorageError`.
    """
    rows = read_points(sources.points, walk=sources.sound is not None, one_mark=one_mark)
    sounds = [sources.sound or _sound_of(row, sources) for row in rows]
    return rows, sounds, _names_inside(sounds, before)


def point_entries(rows: Sequence[Row], sounds: Sequence[Path], names: Mapping[Path, str]) -> list[dict[str, Any]]:
    """Return the rows as the points of a document, plain data."""
    return [
        {"position_mm": row.position_mm, "file": names[sound]}
        | ({} if row.taps is None else {"taps": row.taps})
        | ({"line": row.on} if row.on else {})
        for row, sound in zip(rows, sounds, strict=True)
    ]


def onset_entries(rows: Sequence[Row], sounds: Sequence[Path], names: Mapping[Path, str]) -> list[dict[str, Any]]:
    """Return the rows of one mark at many pressures as entries of a document, plain data."""
    return [
        {"pressure": row.pressure, "file": names[sound]} | ({} if row.taps is None else {"taps": row.taps})
        for row, sound in zip(rows, sounds, strict=True)
    ]


def copy_sound(names: Mapping[Path, str], folder: Path) -> None:
    """Copy audio files to their names inside a visit. Raises `StorageError`."""
    disk.make_folder(folder / SOUND)
    for sound, name in names.items():
        disk.copy_file(sound, folder.joinpath(*name.split("/")))


def read_tank(path: Path, known: Sequence[str] = SECTIONS) -> dict[str, Any]:
    """Read the sections of `tank.toml` as plain data; others than the `known` ones and lists are refused.

    Raises `VisitError`, `StorageError`.
    """
    text = _text(path)
    try:
        sections = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise VisitError(
            f'{path} cannot be read: {error}. Every value stands in quotation marks, like volume = "18 l"; '
            "where the value has an inch mark, use single ones: diameter = '14\"'."
        ) from error
    for name, content in sections.items():
        if name in LISTS and isinstance(content, list) and all(isinstance(entry, dict) for entry in content):
            continue
        if name in LISTS:
            raise VisitError(f"{path}, {name} is a list of {LISTS[name]}: write [[{name}]] above each of them.")
        if name not in known:
            raise VisitError(f'{path}, the section or key "{name}" is not known. {nearest(name, (*known, *LISTS))}')
        if not isinstance(content, dict):
            raise VisitError(f"{path}, {name} is a section: write [{name}] on a line of its own and its keys below.")
    return sections


def _with_log(sections: Mapping[str, Any], path: Path, tank: Path) -> dict[str, Any]:
    if LOG in sections:
        raise VisitError(f"There are two pressure logs: [[{LOG}]] in {tank} and {path}. Take one of them out.")
    records = log_records(_text(path), str(path))
    read_records(records, str(path))
    return {**sections, LOG: records}


def read_points(path: Path, *, walk: bool, one_mark: bool = False) -> tuple[Row, ...]:
    """Read `points.csv`, with the columns position_mm,taps for a walk and position_mm,file otherwise.

    In a table of `one_mark` the column pressure takes the place of position_mm. Raises `VisitError` and
    `QuantityError` naming line, column, value and cure; `StorageError`.
    """
    text = _text(path)
    lines = text.splitlines()
    first = 1 if lines and lines[0].strip().lower().startswith("sep=") else 0
    heading = next((line for line in lines[first:] if line.strip()), "")
    if not heading:
        raise VisitError(
            f"{path} is empty. Write a heading, {','.join(_columns(walk, one_mark))}, and one row a point below it."
        )
    delimiter = max(";\t,", key=heading.count)
    table = csv.reader(io.StringIO("\n" * first + "\n".join(lines[first:])), delimiter=delimiter)
    rows: list[Row] = []
    columns: list[str] = []
    try:
        for cells in table:
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns = _heading(cells, path, walk, one_mark)
            else:
                rows.append(_row(cells, columns, table.line_num, path))
    except csv.Error as error:
        raise VisitError(
            f"{path}, line {table.line_num} cannot be read as a table: {error}. Save it again as CSV."
        ) from error
    if not rows:
        raise VisitError(f"{path} has a heading but no points. Write one row a point below it.")
    _refuse_twins(rows, path)
    return tuple(rows)


def _columns(walk: bool, one_mark: bool = False) -> tuple[str, str]:
    where, what = WALK_COLUMNS if walk else FILE_COLUMNS
    return ONSET_COLUMN if one_mark else where, what


def _heading(cells: Sequence[str], path: Path, walk: bool, one_mark: bool) -> list[str]:
    """Check the heading's columns; returns them in their order."""
    columns = [cell.strip().lower() for cell in cells]
    while columns and not columns[-1]:
        columns.pop()
    position, what = _columns(walk, one_mark)
    wanted = (IN_INCHES if IN_INCHES in columns else position, what)
    other = _columns(not walk)[1]
    for column in columns:
        if column == other:
            how = (
                f"with --sound the rows give {position},taps"
                if walk
                else f"without --sound the rows give {position},file"
            )
            raise VisitError(f'{path} has the column "{column}", but {how}. Use one way or the other.')
        if IN_INCHES in wanted and column == position:
            raise VisitError(f"{path} has the columns {position} and {IN_INCHES}. Take one of them out.")
        known = wanted if one_mark else (*wanted, LINE_COLUMN)
        if column not in known:
            raise VisitError(f'{path} has the column "{column}", which is not known. {nearest(column, known)}')
        if columns.count(column) > 1:
            raise VisitError(f'{path} has the column "{column}" twice. Take one of them out.')
    for column in wanted:
        if column not in columns:
            raise VisitError(f'{path} lacks the column "{column}". Its first line should be: {",".join(wanted)}.')
    return columns


def _row(cells: Sequence[str], columns: Sequence[str], line: int, path: Path) -> Row:
    where = f"{path}, line {line}"
    if len(cells) < len(columns) or any(cell.strip() for cell in cells[len(columns) :]):
        raise VisitError(
            f"{where} has {len(cells)} values for {len(columns)} columns. If a number has a decimal comma, "
            "write it with a point, or put semicolons between the columns."
        )
    values = {column: cell.strip() for column, cell in zip(columns, cells, strict=False)}
    pressure = values.get(ONSET_COLUMN)
    if pressure is not None:
        return _reading(values, pressure, line, where)
    inches = values.get(IN_INCHES)
    position = _position(values["position_mm"], where) if inches is None else _on_tape(inches, where)
    on = values.get(LINE_COLUMN, "")
    if "taps" in values:
        return Row(line, position, taps=_taps(values["taps"], where), on=on)
    if not values["file"]:
        raise VisitError(f"{where} gives no audio file for the point at {position:g} mm. Name it, or take the row out.")
    return Row(line, position, file=values["file"], on=on)


def _reading(values: Mapping[str, str], pressure: str, line: int, where: str) -> Row:
    """Read a row of one mark at many pressures."""
    try:
        parse("pressure", pressure, ONSET_COLUMN)
    except QuantityError as error:
        raise QuantityError(f"{where}, {error}") from error
    if "taps" in values:
        return Row(line, math.nan, taps=_taps(values["taps"], where), pressure=pressure)
    if not values["file"]:
        raise VisitError(f"{where} names no audio file for the taps at {pressure}. Name it, or take the row out.")
    return Row(line, math.nan, file=values["file"], pressure=pressure)


def _position(text: str, where: str) -> float:
    try:
        position = float(text.replace(",", ".", 1) if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        position = math.nan
    if not math.isfinite(position):
        raise VisitError(
            f'{where}, position_mm is "{text}", which is not a number. '
            "Write the millimetres below the top of the shell without a unit, like 120 or 120.5."
        )
    return position


def _on_tape(text: str, where: str) -> float:
    """Read a position in inches as it stands on a tape; returns millimetres."""
    try:
        return round(1000 * parse("length", f"{text} in", IN_INCHES).si, 1)
    except QuantityError as error:
        raise VisitError(
            f'{where}, {IN_INCHES} is "{text}", which is not a number of inches. '
            "Write the inches below the top of the shell without a unit, like 11 1/4 or 11.25."
        ) from error


def _taps(text: str, where: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 1000):
        raise VisitError(
            f'{where}, taps is "{text}", which is not how many taps a point got. '
            "Write a whole number from 1 to 1000, or take the row out if the point was skipped."
        )
    return int(text)


def _refuse_twins(rows: Sequence[Row], path: Path) -> None:
    """No position of a line and no audio file may stand in two rows."""
    positions: dict[tuple[str, float], int] = {}
    files: dict[str, int] = {}
    for row in rows:
        place = (row.on, row.position_mm)
        if place in positions and not row.pressure:
            raise VisitError(
                f"{path}, lines {positions[place]} and {row.line} both give {row.position_mm:g} mm. "
                "Give each point one row, and put all its taps into one file."
            )
        if row.file and row.file in files:
            raise VisitError(
                f'{path}, lines {files[row.file]} and {row.line} both name the file "{row.file}". '
                "Each point has a audio file of its own; correct the name."
            )
        positions[place] = row.line
        files[row.file] = row.line


def _sound_of(row: Row, sources: Sources) -> Path:
    """Where the row's audio file lies, named from the folder of `points.csv`.

    A table may come from elsewhere: what it names outside the folders is not looked at, not even whether it is there.
    """
    where = f'{sources.points}, line {row.line} names the audio file "{row.file}"'
    if sources.sent is not None and row.file not in sources.sent:
        raise VisitError(f"{where}, which was not uploaded. Use the name of a file uploaded with the table.")
    beside = sources.points.parent
    allowed = (beside, *sources.folders)
    for spelling in (row.file, row.file.replace("\\", "/")):
        sound = beside / spelling
        if not _lies_in(sound, allowed):
            raise VisitError(
                f"{where}, which lies outside the table's folder. Copy the file into {beside.absolute()}, or name its "
                "folder with --from."
            )
        if sound.is_file():
            return sound
    raise VisitError(f"{where}, but it is not in {beside.absolute()}. Name it from the folder that the table lies in.")


def _lies_in(path: Path, folders: Sequence[Path]) -> bool:
    """Whether a path lies in one of the folders, both as it is written and after every link is followed."""
    return any(path.resolve().is_relative_to(folder.resolve()) for folder in folders if _written_in(path, folder))


def _written_in(path: Path, folder: Path) -> bool:
    """Whether a path leads into a folder as it is written; the disk is not asked."""
    return Path(os.path.abspath(path)).is_relative_to(os.path.abspath(folder))  # noqa: PTH100 - resolve() asks the disk


def _names_inside(sounds: Sequence[Path], before: str = "") -> dict[Path, str]:
    """Source file -> its name inside the visit, safe on every system and each one different."""
    clean = {sound: _clean(sound.name) for sound in sounds}
    often = Counter(name.lower() for name in clean.values())
    return {
        sound: f"{SOUND}/{before}{name}" if often[name.lower()] == 1 else f"{SOUND}/{before}{number:03d}-{name}"
        for number, (sound, name) in enumerate(clean.items(), start=1)
    }


def _clean(name: str) -> str:
    """Clean a file name of the characters that some system refuses."""
    stem = "".join("_" if ord(letter) < 32 or letter in '<>:"/\\|?*' else letter for letter in name).strip(" .")
    return stem[-100:] or "sound.wav"


def _document(sections: Mapping[str, Any], points: Sequence[Mapping[str, Any]], sources: Sources) -> Document:
    visited_on, sections = dated(sections, sources.visited_on, sources.today)
    raw = {"schema": SCHEMA, "visited_on": visited_on, "simulated": sources.simulated, "points": points}
    return document_from({**raw, **sections}, str(sources.tank))


def dated(
    sections: Mapping[str, Any], asked: date | None = None, today: date | None = None
) -> tuple[Any, Mapping[str, Any]]:
    """Return the day of the visit, as asked for or else by [visit] date, and the sections of `tank.toml` without it."""
    call = sections.get("visit", {})
    if "date" not in call:
        return asked or today, sections
    day = call["date"]
    # A date without quotes comes as one; anything else is checked, and refused in a sentence, with the document.
    day = asked or (day.date() if isinstance(day, datetime) else day)
    return day, {**sections, "visit": {key: value for key, value in call.items() if key != "date"}}


def order_notes(rows: Sequence[Row], sources: Sources) -> tuple[Statement, ...]:
    """Say what the order of the rows means, where they do not run from the top down."""
    positions = [row.position_mm for row in rows]
    if positions == sorted(positions):
        return ()
    upwards = positions == sorted(positions, reverse=True)
    if sources.sound:
        key = VisitRemark.TAPPED_UPWARDS if upwards else VisitRemark.TAPPED_UNORDERED
    else:
        key = VisitRemark.LISTED_UPWARDS if upwards else VisitRemark.LISTED_UNORDERED
    return (Statement(key, {"table": str(sources.points)}),)


def _earlier_visit(folder: Path, replace: bool) -> Path | None:
    """Name under which an existing visit will be kept; None where there is none."""
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return None
    if not (folder / DOCUMENT).is_file():
        raise VisitError(f"{folder} already exists and isn't a visit folder. Choose another name for the visit.")
    if not replace:
        raise VisitError(
            f"{folder} holds a visit already. Choose another name, or add --replace: "
            "the earlier visit is then kept beside it."
        )
    number = 1
    while (kept := folder.with_name(f"{folder.name}.replaced-{number}")).exists():
        number += 1
    return kept


def _text(path: Path) -> str:
    """Read the text of a small file, whatever program saved it."""
    if not path.is_file():
        raise VisitError(f"File not found: {path}. Check the spelling and the folder.")
    with disk.storage_errors("read", path):
        if path.stat().st_size > LARGEST_TABLE:
            raise VisitError(f"{path} is larger than {LARGEST_TABLE // 1_000_000} MB so it is the wrong file.")
        content = path.read_bytes()
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = content.decode("utf-16", errors="replace")
    else:
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("cp1252", errors="replace")
    if "\0" in text:
        raise VisitError(f"{path} is not a text file. Save it as text (CSV for the points, TOML for the tank).")
    return text

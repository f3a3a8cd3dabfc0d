"""Add a round to a visit: the same tank, tapped again in another state.

`second.toml` holds [round] with name, state, same_air and water_moved, and [readings] and [line] as in `tank.toml`. It
may repeat [tank] and [system]; where a value there is not the visit's, the round is refused, since it may be of another
tank. Where [round] has a mark, that one mark was tapped at many pressures, and the table gives these, no positions. The
points come as for a new visit. The visit gets its round whole or not at all.
"""

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from taptest import quantities
from taptest.errors import QuantityError, VisitError
from taptest.sound.recording import open_recording
from taptest.statements import Statement
from taptest.visit.files import Visit, read_visit, save_document, sound_files
from taptest.visit.intake import (
    Sources,
    copy_sound,
    find_sound,
    onset_entries,
    order_notes,
    point_entries,
    read_tank,
)
from taptest.visit.meaning import KINDS, meaning_of
from taptest.visit.record import Document, document_from, write_document

SECTIONS = ("round", "readings", "line", "tank", "system")
AS_BEFORE = ("tank", "system")
"""Sections that may be repeated, but not changed."""
SAME = 1e-3
"""Two values count as the same up to this share: 1.50 bar and 21.76 psi are."""


def add_round(folder: Path, sources: Sources) -> tuple[Visit, tuple[Statement, ...]]:
    """Add a round to the visit in `folder` and say, in whole sentences, what was noticed.

    Raises `VisitError`, `QuantityError`, `PhysicsError`, `RecordingError`, `StorageError`; then nothing has changed.
    """
    visit = read_visit(folder)
    if not visit.document.points:
        raise VisitError(f"{visit.source} has no points yet. Record or import its first round, then add another one.")
    sections = read_tank(sources.tank, SECTIONS)
    number = len(visit.document.rounds) + 2
    one_mark = "mark" in sections.get("round", {})
    rows, sounds, names = find_sound(sources, f"round{number}-", one_mark=one_mark)
    entries = onset_entries if one_mark else point_entries
    tapped = {"onset" if one_mark else "points": entries(rows, sounds, names)}
    document = _with_round(visit.document, sections, tapped, sources.tank)
    meaning_of(document, str(sources.tank), str(sources.points))
    for sound in names:
        open_recording(sound)
    _refuse_taken(visit.document, names)
    copy_sound(names, folder)
    save_document(folder, document)
    return replace(visit, document=document), () if one_mark else order_notes(rows, sources)


def _with_round(
    document: Document, sections: Mapping[str, Any], tapped: Mapping[str, list[dict[str, Any]]], source: Path
) -> Document:
    """Return the document with one round more, checked."""
    described = sections.get("round")
    if described is None:
        raise VisitError(
            f'{source} has no section [round]. Write [round], name = "fill raised" and state = "fill raised" (or cold, '
            "hot, let down, as left)."
        )
    for name in ("log", "parallel"):
        if name in sections:
            raise VisitError(f"{source} has [[{name}]], which belongs to the visit and not to a round. Take it out.")
    _refuse_contradictions(document, sections, source)
    added = {**tapped, **{key: sections[key] for key in ("readings", "line", "lines") if key in sections}}
    raw = json.loads(write_document(document))
    raw["rounds"] = [*raw.get("rounds", []), {**described, **added}]
    return document_from(raw, str(source))


def _refuse_contradictions(document: Document, sections: Mapping[str, Any], source: Path) -> None:
    """Refuse a [tank] or [system] that is not the visit's. Raises `VisitError`."""
    for section in AS_BEFORE:
        before = getattr(document, section)
        for key, value in sections.get(section, {}).items():
            known = getattr(before, key, None)
            if known is not None and str(value).strip() and not _same(section, key, str(known), str(value), source):
                raise VisitError(
                    f'{source}, [{section}] {key} is "{value}", but the visit has "{known}". Correct it where it is '
                    "wrong; if this is another tank, import it as a visit of its own."
                )


def _same(section: str, key: str, known: str, value: str, source: Path) -> bool:
    """Whether two texts say the same, as quantities where they are any."""
    kind = KINDS[section].get(key)
    if known.strip() == value.strip() or kind is None:
        return known.strip().casefold() == value.strip().casefold()
    first = quantities.parse(kind, known, key).si
    try:
        second = quantities.parse(kind, value, key).si
    except QuantityError as error:
        raise QuantityError(f"{source}, [{section}] {error}") from error
    return abs(first - second) <= SAME * max(abs(first), abs(second))


def _refuse_taken(document: Document, names: Mapping[Path, str]) -> None:
    """Nothing that the visit names is written over; what an add that broke off has left is."""
    taken = set(sound_files(document))
    for sound, name in names.items():
        if name in taken:
            raise VisitError(f'The visit has an audio file "{name}" already. Give {sound} another name.')

"""What the pages behind the first one show: the tank before and after the work, and the photographs of the visit.

A photograph is its caption as typed and its JPEG, None where the file is gone.
"""

import base64
from dataclasses import replace
from typing import Any

from taptest.images import size_px
from taptest.report.page_text import PageText
from taptest.report.remarks import RowName
from taptest.report.typed import SHORT, Typed
from taptest.report.words import figure_rows
from taptest.statements import Said, Statement
from taptest.visit.record import Document
from taptest.visit.result import VisitResult

Photographs = tuple[tuple[str, bytes | None], ...]
"""Captions as typed, each with its picture."""
COMPARED = (RowName.BOUNDARY, RowName.EXPECTED, RowName.WATER_HELD)
"""Figures that are set side by side."""
AS_LEFT = "as left"


def drawn_in(picture: bytes, form: str) -> str:
    """Wrap a JPEG or PNG picture in SVG: texts are all that goes to the page beside its template."""
    width, height = size_px(picture)
    content = base64.b64encode(picture).decode()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}">'
        f'<image width="{width}" height="{height}" href="data:image/{form};base64,{content}"/></svg>'
    )


def round_left(result: VisitResult) -> VisitResult | None:
    """Return the tank as it was tapped after the work, as a visit of its own; None where it was not tapped again."""
    left = next((each for each in reversed(result.rounds) if each.state == AS_LEFT), None)
    found = None if left is None else left.found
    if left is None or found is None or found.line is None:
        return None
    judgement = replace(
        result.judgement,
        line=found.line,
        expected=found.expected,
        water_m3=found.water_m3,
        boundary_state=found.line.state,
        precharge=None,
        forecast=None,
    )
    return replace(result, case=left.case, points=left.points, taps=left.taps, judgement=judgement, rounds=())


def before_and_after(result: VisitResult, document: Document, typed: Typed) -> dict[str, Any] | None:
    """Set the tank as found beside the tank as left; None where it was not tapped again."""
    left = round_left(result)
    if left is None:
        return None
    before, after = dict(figure_rows(result)), dict(figure_rows(left))
    rows: list[list[Said]] = [
        [PageText.PRESSURE, *_both(document.readings.pressure, _pressure_left(document), typed)],
        [PageText.CHARGE, *_both(document.tank.precharge, document.as_left.precharge, typed)],
    ]
    rows += [
        [name, *(each.get(name, PageText.NOT_KNOWN) for each in (before, after))]
        for name in COMPARED
        if name in before or name in after
    ]
    says = next(each.found.says for each in reversed(result.rounds) if each.state == AS_LEFT)
    return {
        "title": PageText.BEFORE_AND_AFTER,
        "head": ["", PageText.AS_FOUND, PageText.AS_LEFT],
        "rows": rows,
        "says": says or "",
        "picture": PageText.PICTURE_ALT,
    }


def _pressure_left(document: Document) -> str | None:
    """Return the pressure as left, or else that of the round in which the tank was tapped again."""
    rounds = [each.readings.pressure for each in document.rounds if each.state == AS_LEFT]
    return document.as_left.pressure or (rounds[-1] if rounds else None)


def _both(found: str | None, left: str | None, typed: Typed) -> list[Said]:
    return [typed(found, most=SHORT) or PageText.NOT_KNOWN, typed(left, most=SHORT) or PageText.NOT_KNOWN]


def photographs_shown(photographs: Photographs, typed: Typed) -> list[dict[str, Any]]:
    """Lay out the photographs: what stands below each, and whether it is there."""
    return [
        {
            "caption": typed(caption) or Statement(PageText.PHOTOGRAPH, {"number": at + 1}),
            "there": picture is not None,
            "missing": PageText.PHOTOGRAPH_MISSING,
        }
        for at, (caption, picture) in enumerate(photographs)
    ]

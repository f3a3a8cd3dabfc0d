"""What the tests of the report's pages are made from: a document that fits the made-up results, and its pages."""

import io
from datetime import UTC, datetime
from typing import Any

from pypdf import PdfReader

from taptest.report.page import Sources, customer_pdf, report_pdf
from taptest.visit.record import Document, document_from
from taptest.visit.result import VisitResult

FINGERPRINT = "0123456789abcdef" * 4
MADE_AT = datetime(2025, 3, 15, 8, 30, tzinfo=UTC)
PAGES = {"report": report_pdf, "customer": customer_pdf}


def made_document(**sections: Any) -> Document:
    """A document with usual values; `sections` replace or add keys, section by section."""
    raw: dict[str, Any] = {
        "schema": 1,
        "visited_on": "2025-03-14",
        "visit": {"site": "Mill Road 4, cellar", "technician": "A. Sample"},
        "tank": {
            "name": "left of the door",
            "kind": "diaphragm",
            "water_end": "top",
            "volume": "16.5 l",
            "precharge": "1.0 bar",
        },
        "system": {"relief": "3 bar", "volume": "180 l", "static_head": "7 m", "max_temperature": "75 C"},
        "readings": {"pressure": "1.2 bar", "water_temperature": "20 C", "state": "cold"},
        "points": [{"position_mm": 30.0, "file": "sound/p1.wav"}, {"position_mm": 60.0, "file": "sound/p2.wav"}],
    }
    for name, content in sections.items():
        raw[name] = {**raw.get(name, {}), **content} if isinstance(content, dict) else content
    return document_from(raw, "visit.json")


def made_sources(document: Document | None = None, **changes: Any) -> Sources:
    """Sources of a page, with a fixed fingerprint and time."""
    return Sources(document or made_document(), FINGERPRINT, MADE_AT, **changes)


def made_page(form: str, result: VisitResult, sources: Sources) -> bytes:
    """One of the two pages as PDF."""
    return PAGES[form](result, sources)


def words_of(pdf: bytes) -> str:
    """The text of the only page, with single spaces and without breaking marks."""
    (page,) = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(page.extract_text().replace("\u200b", "").split())

"""The last finding of a visit, kept beside it as `judged.json`, so that lists and trends need not judge again.

It is the JSON of `visit.result` with a fingerprint of all that it rests on: the document, every recording and the
version of the judgement (`taptest.versions`). Where the fingerprint does not fit, the finding is stale and is never
used. The file may be deleted at any time.
"""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import taptest
from taptest import disk, versions
from taptest.errors import StorageError
from taptest.statements import Statement
from taptest.visit.files import LARGEST_DOCUMENT, Visit
from taptest.visit.fingerprint import recordings_sha256
from taptest.visit.record import write_document
from taptest.visit.remarks import VisitRemark

if TYPE_CHECKING:
    from taptest.visit.result import VisitResult

JUDGED = "judged.json"
LARGEST_JUDGED = 4 * LARGEST_DOCUMENT
"""Bytes; a larger file is none of ours."""
_TOLD = ("code", "sentence", "confidence")


@dataclass(frozen=True, slots=True)
class Judged:
    """A visit's finding as plain data (see `visit.result.as_json`)."""

    content: dict[str, Any]
    note: Statement | None = None
    """Why it could not be kept for next time; None where it was."""


def version() -> str:
    """Return what must be the same for a kept finding to hold: release, model and judgement."""
    return f"{taptest.__version__} {versions.MODEL} {versions.JUDGEMENT}"


def basis(visit: Visit) -> str:
    """Return the SHA-256 of version, document and recordings together. Raises `VisitError`, `StorageError`."""
    digest = hashlib.sha256(version().encode())
    heard = visit.document.model_copy(update={"photographs": ()})  # pictures change no finding
    digest.update(write_document(heard).encode())
    digest.update(recordings_sha256(visit, trust_times=True).encode())
    return digest.hexdigest()


def read_judged(visit: Visit) -> dict[str, Any] | None:
    """Return the kept finding; None where there is none, or it is damaged or stale."""
    path = visit.folder / JUDGED
    try:
        if path.stat().st_size > LARGEST_JUDGED:
            return None
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        # It is missing or damaged: judging again writes a new one.
        return None
    content = kept.get("judged") if isinstance(kept, dict) else None
    finding = content.get("finding") if isinstance(content, dict) else None
    whole = isinstance(finding, dict) and all(isinstance(finding.get(key), str) for key in _TOLD)
    return content if whole and kept.get("fingerprint") == basis(visit) else None


def keep_judged(visit: Visit, result: "VisitResult", mark: str | None = None) -> None:
    """Write the finding beside the visit, whole or not at all.

    `mark` is the fingerprint as it was before judging, so that a recording that changed meanwhile makes the finding
    stale. Raises `StorageError`.
    """
    from taptest.visit.result import as_json

    kept = {
        "fingerprint": mark or basis(visit),
        "version": taptest.__version__,
        "judged": as_json(result),
    }
    disk.write_text(visit.folder / JUDGED, json.dumps(kept, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def judge_visit(visit: Visit, progress: Callable[[float], None] | None = None) -> "VisitResult":
    """Judge a visit (see `visit.analyse`), whose libraries are loaded only now: a kept finding is read without them."""
    from taptest.visit.analyse import judge_visit as judge

    return judge(visit, progress)


def judge_and_keep(
    visit: Visit, progress: Callable[[float], None] | None = None
) -> "tuple[VisitResult, Statement | None]":
    """Judge a visit and keep its finding; returns the result and, where it could not be kept, a statement why.

    Raises what `judge_visit` raises.
    """
    mark = basis(visit)
    result = judge_visit(visit, progress)
    try:
        keep_judged(visit, result, mark)
    except StorageError as error:
        return result, Statement(VisitRemark.FINDING_NOT_KEPT, {"sentence": str(error)})
    return result, None


def judged(visit: Visit, progress: Callable[[float], None] | None = None) -> Judged:
    """Return the kept finding, or judge and keep it. Raises what `judge_visit` raises."""
    from taptest.visit.result import as_json

    content = read_judged(visit)
    if content is not None:
        return Judged(content)
    result, note = judge_and_keep(visit, progress)
    return Judged(as_json(result), note)

"""What is typed in a form and not sent yet, kept beside the settings: a closed tab or a flat battery costs nothing.

One draft a form and shelf, as its fields' texts; it is gone once the form was sent, or when the user starts anew. Files
are never a part of it.
"""

import hashlib
import json
import threading
from collections.abc import Mapping
from pathlib import Path

from taptest.desk.fields import FIELDS, LONGEST
from taptest.disk import make_folder, storage_errors, write_text
from taptest.preferences import data_folder

MARK = "mark"
NEW = "new"
"""The form of a new visit; a visit's details go by its id."""


class Drafts:
    """The drafts of one shelf. May be used from several threads."""

    def __init__(self, root: Path) -> None:
        self._shelf = hashlib.sha256(str(root.absolute()).encode("utf-8", "surrogateescape")).hexdigest()[:16]
        self._lock = threading.Lock()

    def read(self, form: str) -> dict[str, str]:
        """Return the texts of a form's draft by their fields, none where there is no draft."""
        try:
            kept = json.loads(self._file(form).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}  # as with the settings: forgetting costs some typing, and is no reason to refuse the form
        return _fitting(kept) if isinstance(kept, dict) else {}

    def keep(self, form: str, texts: Mapping[str, str]) -> None:
        """Keep the texts of a form in the place of those before. Raises `StorageError`."""
        with self._lock:
            make_folder(self._file(form).parent)
            write_text(self._file(form), json.dumps(_fitting(texts), ensure_ascii=False))

    def forget(self, form: str) -> None:
        """Forget a form's draft. Raises `StorageError`."""
        with self._lock, storage_errors("remove", self._file(form)):
            self._file(form).unlink(missing_ok=True)

    def _file(self, form: str) -> Path:
        return data_folder() / "drafts" / f"{self._shelf}-{form}.json"


def _fitting(texts: Mapping[str, object]) -> dict[str, str]:
    """Return what fits a field, and the mark of the document that the texts began with."""
    return {name: text[:LONGEST] for name, text in texts.items() if name in (*FIELDS, MARK) and isinstance(text, str)}

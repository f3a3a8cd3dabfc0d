"""Whose report it is: the company's name, the lines below it and its logo, kept on this computer for all reports.

The texts are lines as typed, the name first; the logo is a PNG picture beside them.
"""

from dataclasses import dataclass
from pathlib import Path

from taptest import images
from taptest.disk import make_folder, storage_errors, write_bytes
from taptest.errors import TaptestError
from taptest.preferences import data_folder, remember, remembered

MOST_LINES = 5
LONGEST_LINE = 90


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The head of the report's pages."""

    name: str = ""
    lines: tuple[str, ...] = ()
    """Address, telephone, licence: as typed."""
    logo: bytes | None = None
    """PNG."""

    @property
    def text(self) -> str:
        """All lines as they are typed."""
        return "\n".join((self.name, *self.lines)).strip()

    def __bool__(self) -> bool:
        return bool(self.name or self.logo)


EMPTY = Letterhead()


def kept_letterhead() -> Letterhead:
    """Return what was kept, an empty one where nothing was."""
    name, *lines = (remembered("company") or "").splitlines() or [""]
    try:
        logo = _logo_file().read_bytes()
    except OSError:
        logo = None  # as with every preference: forgetting costs one choice
    return Letterhead(name, tuple(lines), logo)


def keep_company(text: str) -> None:
    """Keep the company's lines, the name first; an empty text takes them away.

    Raises `TaptestError`, `StorageError`.
    """
    lines = [" ".join(line.split()) for line in text.splitlines() if line.strip()]
    if len(lines) > MOST_LINES:
        raise TaptestError(
            f"The company has {len(lines)} lines; the page has room for {MOST_LINES}. Join some of them."
        )
    long = next((line for line in lines if len(line) > LONGEST_LINE), None)
    if long is not None:
        raise TaptestError(f"“{long[:40]} …” is longer than {LONGEST_LINE} letters. Split it into two lines.")
    remember("company", "\n".join(lines))


def keep_logo(content: bytes, source: str) -> None:
    """Keep a picture as the logo. Raises `PictureError`, `StorageError`."""
    png = images.logo(content, source)
    make_folder(data_folder())
    write_bytes(_logo_file(), png)


def remove_logo() -> None:
    """Forget the logo. Raises `StorageError`."""
    with storage_errors("remove", _logo_file()):
        _logo_file().unlink(missing_ok=True)


def _logo_file() -> Path:
    return data_folder() / "logo.png"

"""The typefaces of the pictures: the drawing library's own, and those of the computer for letters that it lacks.

Letters that no typeface shows stand as a box; `BOX_WORDS` says so where one does. Widths are shares of the font's size.
"""

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from matplotlib import get_data_path
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font

MAIN = "DejaVu Sans"
BOX = "\u25a1"
BOX_WORDS = f"{BOX}: a letter that no font of this computer has"
_NO_LETTERS = ("last resort", "lastresort", "emoji", "symbol", "dingbat")
"""In the names of fonts that show signs in place of letters."""


def printable(text: str) -> str:
    """Return the text with a box for every letter that no font shows, on one line."""
    return "".join(letter if family_of(letter) else BOX for letter in " ".join(text.split()))


def explained(text: str) -> str:
    """Return the printable text, and after it what a box stands for where there is one."""
    shown = printable(text)
    return f"{shown} ({BOX_WORDS})" if BOX in shown and BOX not in text else shown


def families(*texts: str) -> list[str]:
    """Name the families that the texts need, the picture's own first."""
    needed = dict.fromkeys(family for text in texts for letter in text if (family := family_of(letter)))
    return [MAIN, *(family for family in needed if family != MAIN)]


@lru_cache(maxsize=4096)
def family_of(letter: str) -> str | None:
    """Return the family that shows a letter; None where there is none."""
    if ord(letter) in _letters(findfont(FontProperties(family=MAIN))):
        return MAIN
    return next((family for family, path in others() if ord(letter) in _letters(path)), None)


@lru_cache(maxsize=4096)
def advance(letter: str, weight: str) -> float:
    """Measure a letter's width as a share of the font's size."""
    font = get_font(findfont(FontProperties(family=family_of(letter) or MAIN, weight=weight)))
    font.set_size(100, 72)
    return float(font.load_char(ord(letter)).linearHoriAdvance) / 65536 / 100


def others() -> Iterator[tuple[str, str]]:
    """Name the upright fonts of usual weight of this computer and their files, those without serifs first."""
    own = Path(get_data_path())
    found = {
        entry.name: entry.fname
        for entry in fontManager.ttflist
        if entry.style == "normal"
        and entry.weight in (400, "normal", "regular")
        and own not in Path(entry.fname).parents
    }
    for name in sorted(found, key=lambda name: ("sans" not in name.lower(), name)):
        if not any(part in name.lower() for part in _NO_LETTERS):
            yield name, found[name]


@lru_cache(maxsize=256)
def _letters(path: str) -> frozenset[int]:
    """Return the letters of a font; none where it cannot be read."""
    try:
        charmap: dict[int, Any] = get_font(path).get_charmap()
    except (OSError, RuntimeError):
        return frozenset()  # a damaged font of the computer is no reason to draw nothing
    return frozenset(charmap)

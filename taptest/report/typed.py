"""Typed texts made fit for a page: on one line, without signs that control, cut where they are too long."""

import unicodedata
from dataclasses import dataclass

LONGEST_LINE = 90
LONGEST_TEXT = 420
"""Letters of a typed text that the page shows; the visit holds the rest."""
SHORT = 30
"""A text up to this long is a quantity: its number and unit stay on one line."""
LONGEST_WORD = 24
"""A longer typed word may be broken anywhere."""
_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")


@dataclass(slots=True)
class Typed:
    """Makes typed texts fit for the page, and remembers whether one was cut."""

    cut: bool = False

    def __call__(self, text: str | None, missing: str = "", most: int = LONGEST_LINE) -> str:
        """Return a typed text on one line, cut to `most` letters; `missing` where nothing was typed."""
        clean = " ".join("".join(_printable(letter) for letter in (text or "")[: 4 * most]).split())
        if not clean:
            return missing
        if len(clean) > most or len(text or "") > 4 * most:
            self.cut = True
            clean = clean[: most - 1].rstrip() + " …"
        if most <= SHORT:
            return "\u00a0".join(_breakable(word) for word in clean.split(" "))
        return wrappable(clean)


def _printable(letter: str) -> str:
    """Return a space for what controls and does not print, a question mark for half a letter.

    Signs that turn the direction of what follows are left out: they could make a line differ from what was typed.
    """
    category = unicodedata.category(letter)
    if letter in _TURNS:
        return ""
    return "?" if category == "Cs" else " " if category in ("Cc", "Zl", "Zp") else letter


def wrappable(text: str) -> str:
    """Let long words of a text be broken: names of files may be as long as lines."""
    return " ".join(_breakable(word) for word in text.split(" "))


def _breakable(word: str) -> str:
    if len(word) <= LONGEST_WORD:
        return word
    return "\u200b".join(word[start : start + 8] for start in range(0, len(word), 8))

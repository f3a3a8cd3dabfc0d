"""US and UK words of the trade: our texts are written in US words, and `worded` puts them into the others.

Only our own sentences are put through it, never what a user typed: where a sentence quotes it, what stands in quotation
marks stays. Names of files stay as they are: a word that touches a slash, a point with a letter behind it, a hyphen or
another letter is left alone.
"""

import re
from typing import Literal

from taptest.quantities import Units
from taptest.statements import Key, Said
from taptest.words.tell import tell

Wording = Literal["us", "uk"]
LANGUAGE: dict[Wording, str] = {"us": "en_US", "uk": "en_GB"}
"""The catalogue of `taptest.words` that has the words of a country."""

UK: tuple[tuple[str, str], ...] = (
    ("open tank in the attic", "open tank in the loft"),
    ("open tank", "open tank"),
    ("fill valve creeping", "filling loop letting by"),
    ("fill valve creeps", "filling loop lets by"),
    ("fill valve's", "filling loop's"),
    ("fill valve", "filling loop"),
    ("with the fill open", "with the filling loop open"),
    ("heat off, fill", "heat off, filling loop"),
    ("heat off and fill closed", "heat off and the filling loop closed"),
    ("mains expansion through the fill", "mains expansion through the filling loop"),
    ("relief valve", "safety valve"),
    ("relief setting", "safety valve's setting"),
    ("lost pre-charge", "flat (lost pre-charge)"),
    ("tank", "vessel"),
    ("tanks", "vessels"),
)
"""US words and what stands for them in the UK and Ireland; the longest match counts. Common practice, no source."""

_UK = dict(UK)
_PATTERN = re.compile(
    r"“[^”]*”|(?<!\w)\"[^\"]*\"|(?<!\w)'[^']*'(?!\w)|(?<![\w/.\\-])("
    + "|".join(sorted(map(re.escape, _UK), key=len, reverse=True))
    + r")(?![\w/\\-]|\.\w)",
    re.IGNORECASE,
)


def worded(text: str, wording: Wording) -> str:
    """Put one of our own sentences into the words of the country; a capital at the start is kept."""
    return text if wording == "us" else _PATTERN.sub(_in_uk_words, text)


def told(said: Said, units: Units, wording: Wording) -> str:
    """Tell a statement, or put a finished sentence into the words of the country."""
    if isinstance(said, str) and not isinstance(said, Key):
        return worded(said, wording)
    return tell(said, units, LANGUAGE[wording])


def _in_uk_words(match: re.Match[str]) -> str:
    found = match[0]
    if match[1] is None:
        return found  # quoted
    word = _UK[found.lower()]
    return word[0].upper() + word[1:] if found[0].isupper() else word

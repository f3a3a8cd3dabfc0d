"""Read a catalogue (`.po`) as translators edit it, so that nothing has to be compiled, kept or shipped beside it.

What is read: `msgid`, `msgid_plural`, `msgstr` and `msgstr[n]`, on one line or over several; no `msgctxt`. Comments and
entries that are marked fuzzy or have no text yet are left out. The standard library's gettext does the rest, the plural
rule too. Format: GNU gettext manual, "The Format of PO Files" and "The Format of GNU MO Files".
"""

import json
from gettext import GNUTranslations
from io import BytesIO
from itertools import accumulate
from struct import pack

MAGIC = 0x950412DE
"""First number of a compiled catalogue (GNU gettext manual)."""
HEAD = 28
"""Bytes before its two tables: seven whole numbers of four (same source)."""


def read_catalogue(text: str) -> GNUTranslations:
    """Return the translations that the text of a `.po` file holds."""
    return GNUTranslations(BytesIO(_compiled(_entries(text))))


def _entries(text: str) -> dict[str, str]:
    """Text of each id; several, as of a plural, stand behind each other with a zero character between."""
    entries: list[tuple[list[str], list[str]]] = []
    ids: list[str] = []
    told: list[str] = []
    into = ids
    fuzzy = False
    for line in text.replace("\r\n", "\n").split("\n"):
        if line.startswith("#,"):
            fuzzy = "fuzzy" in line
        elif line.startswith('"'):
            into[-1] += _unquoted(line)
        elif line.startswith("msg"):
            name, quoted = line.split(None, 1)
            if name == "msgid":
                ids, told = [], []
                entries += [] if fuzzy else [(ids, told)]
                fuzzy = False
            into = told if name.startswith("msgstr") else ids
            into.append(_unquoted(quoted))
    return {"\0".join(ids): "\0".join(told) for ids, told in entries if any(told)}


def _unquoted(quoted: str) -> str:
    return str(json.loads(quoted)) if "\\" in quoted else quoted.strip()[1:-1]


def _compiled(texts: dict[str, str]) -> bytes:
    """Return the bytes of the compiled form, which gettext reads."""
    parts = [each.encode() for side in zip(*sorted(texts.items()), strict=True) for each in side]
    start = HEAD + len(parts) * 8
    starts = accumulate((len(each) + 1 for each in parts), initial=start)
    table = b"".join(pack("<II", len(each), at) for each, at in zip(parts, starts, strict=False))
    head = pack("<7I", MAGIC, 0, len(texts), HEAD, HEAD + len(texts) * 8, 0, 0)
    return b"".join((head, table, *(each + b"\0" for each in parts)))

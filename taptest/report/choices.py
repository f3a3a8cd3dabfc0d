"""What is chosen once for all pages: the words of the trade, and the paper of the PDF pages.

This computer remembers both (`taptest.preferences`).
"""

from typing import Literal

from taptest.preferences import remember, remembered
from taptest.quantities import METRIC, US, Units
from taptest.report.wording import Wording, told
from taptest.statements import Said

Paper = Literal["a4", "letter"]

WORDINGS: dict[Wording, str] = {"us": "United States", "uk": "United Kingdom and Ireland"}
PAPERS: dict[Paper, str] = {"a4": "A4", "letter": "US Letter"}


def usual_wording() -> Wording:
    """Return the words that were chosen, those of the United States else."""
    return "uk" if remembered("wording") == "uk" else "us"


def in_usual_words(said: Said, units: Units = METRIC) -> str:
    """Tell a statement in the words that were chosen."""
    return told(said, units, usual_wording())


def chosen_paper() -> Paper | None:
    """Return the paper that was chosen, None where it follows the units of each visit."""
    chosen = remembered("paper")
    return "letter" if chosen == "letter" else "a4" if chosen == "a4" else None


def usual_paper(units: Units) -> Paper:
    """Return the paper that was chosen; else Letter where the visit's units are those of the United States."""
    return chosen_paper() or ("letter" if units.name == US.name else "a4")


def choose(wording: Wording, paper: Paper | None) -> None:
    """Remember both choices; None leaves the paper to the units of each visit. Raises `StorageError`."""
    remember("wording", wording)
    remember("paper", paper or "")

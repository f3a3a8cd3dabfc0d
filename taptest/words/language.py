"""Which language this computer's user chose."""

from taptest.preferences import remembered
from taptest.words.tell import FIRST_LANGUAGE


def usual_language() -> str:
    """Return the language that was chosen once for everything, US English where none was."""
    return "en_GB" if remembered("wording") == "uk" else FIRST_LANGUAGE

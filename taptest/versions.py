"""Versions of what is computed: they say whether a kept model or a kept finding still holds.

Raise `MODEL` when a figure of the level sweep moves, `JUDGEMENT` when a figure of a judged visit moves, in the same
commit as the change itself. A change that moves no figure leaves both alone, so that nothing has to be computed again.
`tests/golden_figures.py` holds figures of both and fails where one moved under an old version.
"""

MODEL = 2
"""Version of the figures in a tank's level sweep."""
JUDGEMENT = 17
"""Version of the figures of a judged visit; a new `MODEL` counts as a new judgement by itself."""

"""What can be said of a visit whose round is not finished: nothing that would pass for a finding.

Depths are metres below the top of the shell.
"""

from collections.abc import Sequence
from dataclasses import replace

from taptest.finding.records import Judgement
from taptest.statements import Key, Statement

MOST_NAMED = 8


class Unfinished(Key):
    """What is said of a round that is not finished; `so far` quotes the sentence of the marks that were tapped."""

    MARKS_LEFT = "unfinished.marks left", "count", "marks"
    MANY_MARKS_LEFT = "unfinished.many marks left", "count", "marks"
    MARK = "unfinished.mark", "depth_m"
    GO_ON = "unfinished.go on"
    SO_FAR = "unfinished.so far", "sentence"


def marks_left_said(left_m: Sequence[float]) -> Statement:
    """Say which marks are left to tap."""
    named = tuple(Statement(Unfinished.MARK, {"depth_m": depth}) for depth in left_m[:MOST_NAMED])
    key = Unfinished.MARKS_LEFT if len(left_m) <= MOST_NAMED else Unfinished.MANY_MARKS_LEFT
    return Statement(key, {"count": len(left_m), "marks": named})


def unfinished(found: Judgement, left_m: Sequence[float]) -> Judgement:
    """Return the judgement of a visit with marks left to tap: "cannot tell", and as a reason what it says so far."""
    if not left_m:
        return found
    so_far = Statement(Unfinished.SO_FAR, {"sentence": found.says})
    return replace(
        found,
        code="cannot tell",
        says=marks_left_said(left_m),
        confidence="cannot tell",
        speaks_against=None,
        unseen_pa=None,
        reasons=(so_far, *found.reasons),
        next_checks=(Statement(Unfinished.GO_ON), *found.next_checks),
    )

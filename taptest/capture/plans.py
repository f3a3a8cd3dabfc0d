"""What somebody wants of a round, in texts as typed, turned into its plan: the one place for command line and pages.

Depths are metres below the top of the shell. A text carries its own unit; bare numbers in a list of marks are
millimetres.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from taptest.capture.marks import reference_mark, usual_marks
from taptest.capture.round import Plan
from taptest.errors import LineError, QuantityError
from taptest.line.two_places import end_marks
from taptest.quantities import Units, parse
from taptest.tank.kinds import Tank

LEAVE_OUT = "none"
PRACTICE_TAPS = 3
BEYOND_M = 0.01
"""A mark may lie this much below the bottom: a tape is read to a few millimetres."""
NAMES: Mapping[str, str] = {
    "marks": "--marks",
    "first": "--from",
    "last": "--to",
    "every": "--every",
    "reference": "--reference",
    "taps": "--taps",
    "finer": "--finer",
}
"""What each text is called where somebody types it, for sentences about it."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a round is to be like; an empty text leaves the choice to the tank."""

    marks: str = ""
    """All marks one by one, which leaves `first`, `last` and `every` without use."""
    first: str = ""
    last: str = ""
    every: str = ""
    reference: str = ""
    """Mark that is tapped first, midway and last; "none" to do without."""
    taps: str = "3"
    finer: str = "6"
    practice: bool = True
    sparing: bool = False
    """Tap as few times as will do."""


def plan_of(wanted: Wanted, tank: Tank, units: Units, names: Mapping[str, str] = NAMES) -> Plan:
    """Return the plan that was wanted. Raises `LineError`, `QuantityError`."""

    def length(text: str, key: str) -> float | None:
        return parse("length", text, names.get(key, key)).si if text.strip() else None

    if wanted.marks.strip():
        marks = _listed(wanted.marks, names.get("marks", "marks"))
    else:
        first, last, every = (length(getattr(wanted, key), key) for key in ("first", "last", "every"))
        marks = usual_marks(tank, first, last, every, units=units)
    if wanted.reference.strip() == LEAVE_OUT:
        reference = None
    else:
        given = length(wanted.reference, "reference")
        reference = reference_mark(tank, marks) if given is None and marks else given
    _within(tank, marks if reference is None else (*marks, reference), units)
    finer = _count(wanted.finer, names.get("finer", "finer"), "six are usual")
    return Plan(
        marks,
        reference_depth_m=reference,
        taps_per_point=_count(wanted.taps, names.get("taps", "taps"), "three are usual"),
        finer_limit=finer,
        ends_m=end_marks(marks, tank) if finer and not wanted.sparing else (),
        practice_taps=PRACTICE_TAPS if wanted.practice else 0,
        sparing=wanted.sparing,
    )


def _listed(text: str, name: str) -> tuple[float, ...]:
    marks = []
    for piece in filter(None, (piece.strip() for piece in re.split("[;,]", text))):
        if re.fullmatch(r"\d+(\.\d+)?", piece):
            marks.append(float(piece) / 1000)
            continue
        try:
            marks.append(parse("length", piece, name).si)
        except QuantityError:
            raise LineError(
                f'{name}: "{piece}" in "{text}" is not a mark. Write millimetres below the top with commas between, '
                "such as 30,60,90, or lengths with their units, such as 2 in; 3 1/2 in."
            ) from None
    return tuple(marks)


def _within(tank: Tank, marks: tuple[float, ...], units: Units) -> None:
    height_m = tank.shape.height_m
    for mark in marks:
        if not 0 <= mark <= height_m + BEYOND_M:
            raise LineError(
                f"The mark {units.show('length', mark)} below the top is not on the tank, which is "
                f"{units.show('length', height_m)} high. Give marks as heights below the top of the shell, in "
                "millimetres or with their unit."
            )


def _count(text: str, name: str, usual: str) -> int:
    if not (text.strip().isascii() and text.strip().isdigit() and len(text.strip()) <= 3):
        raise QuantityError(f'{name}: "{text[:20]}" is not a whole number; {usual}.')
    return int(text)

"""Lead an onset round: which pressure to set next, and when it is enough.

One mark is tapped while the fill is let down or raised by hand, a step at a time, until its sound has begun to change
and a few readings lie beyond, or the pressure has come as far as is safe. Knows no device, screen or file. Pressures
are gauge pascals as the gauge shows them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from taptest.errors import LineError, VisitError
from taptest.finding.draws import is_hot
from taptest.finding.onset_likelihood import SURE
from taptest.finding.records import Case
from taptest.finding.red_flags import safe_down_to_pa, safe_up_to_pa
from taptest.line.onset import FEWEST_READINGS, OnsetEvidence, find_onset, onset_mark_m
from taptest.sound.records import TapTraits
from taptest.statements import Key, Statement
from taptest.water.pressure import atmospheric_pressure_pa

Way = Literal["down", "up"]

STEP_PA = 5_000.0
"""Between two readings: fine enough to place the onset within it."""
BEYOND_PA = 8_000.0
"""So far beyond the onset the readings go before it is enough."""
MOST_READINGS = 40


class Lead(Key):
    """What to do in an onset round."""

    BEFORE_DOWN = "onset lead.before, down", "mark_m", "limit_pa"
    BEFORE_UP = "onset lead.before, up", "mark_m", "limit_pa"
    DOWN_TO = "onset lead.down to", "target_pa"
    UP_TO = "onset lead.up to", "target_pa"
    HEARD = "onset lead.heard", "low_pa", "high_pa", "sure_share"
    ENOUGH = "onset lead.enough"
    LIMIT = "onset lead.limit", "limit_pa"
    AFTER_DOWN = "onset lead.after, down"
    AFTER_UP = "onset lead.after, up"


@dataclass
class OnsetLead:
    """One onset round under way. Raises `VisitError` where it would not be safe, `LineError` where it tells nothing."""

    case: Case
    way: Way
    shown_pa: list[float] = field(default_factory=list)
    """One pressure a tap."""
    traits: list[TapTraits] = field(default_factory=list)
    evidence: OnsetEvidence | None = None

    def __post_init__(self) -> None:
        self.mark_m = onset_mark_m(self.case.tank)
        self.limit_pa = _limit_pa(self.case, self.way)

    def add(self, pressure_pa: float, traits: Sequence[TapTraits]) -> None:
        """Take the good taps of one reading."""
        self.shown_pa += [pressure_pa] * len(traits)
        self.traits += traits
        air_pa = float(atmospheric_pressure_pa(self.case.system.altitude_m))
        try:
            self.evidence = find_onset(self.shown_pa, self.traits, air_pa)
        except LineError:
            self.evidence = None  # too few readings so far

    def before(self) -> Statement:
        """Say what has to be so before the first tap."""
        key = Lead.BEFORE_DOWN if self.way == "down" else Lead.BEFORE_UP
        return Statement(key, {"mark_m": self.mark_m, "limit_pa": self.limit_pa})

    def after(self) -> Statement:
        """Say what to put back at the end."""
        return Statement(Lead.AFTER_DOWN if self.way == "down" else Lead.AFTER_UP)

    @property
    def enough(self) -> bool:
        """Whether the onset is placed, with readings on both sides of it."""
        found = self.evidence
        if found is None or found.readings < FEWEST_READINGS + 1 or found.p_within < SURE:
            return False
        low, _, high = found.interval90_pa
        beyond = low - found.lowest_pa if self.way == "down" else found.highest_pa - high
        return beyond >= BEYOND_PA

    def next_pa(self) -> float | None:
        """Pressure to set next; None where it is enough, or where the next step would not be safe."""
        if self.enough or not self.shown_pa or len(set(self.shown_pa)) >= MOST_READINGS:
            return None
        reached = min(self.shown_pa) if self.way == "down" else max(self.shown_pa)
        target = reached - STEP_PA if self.way == "down" else reached + STEP_PA
        safe = target >= self.limit_pa if self.way == "down" else target <= self.limit_pa
        return target if safe else None

    def advice(self) -> tuple[Statement, ...]:
        """Say what is heard so far, and what to do next."""
        said: list[Statement] = []
        if self.evidence is not None and self.evidence.p_within >= SURE:
            low, _, high = self.evidence.interval90_pa
            values = {"low_pa": low, "high_pa": high, "sure_share": self.evidence.p_within}
            said.append(Statement(Lead.HEARD, values))
        target = self.next_pa()
        if target is not None:
            return (*said, Statement(Lead.DOWN_TO if self.way == "down" else Lead.UP_TO, {"target_pa": target}))
        if self.enough:
            return (*said, Statement(Lead.ENOUGH))
        return (*said, Statement(Lead.LIMIT, {"limit_pa": self.limit_pa}))


def _limit_pa(case: Case, way: Way) -> float:
    """Pressure (gauge) that must not be passed. Raises `VisitError` where this way must not be gone at all."""
    system, readings = case.system, case.readings
    if is_hot(case):
        raise VisitError(
            "The system is hot. Let it cool down with the burner off, then tap one mark at many pressures."
        )
    if way == "down":
        return safe_down_to_pa(case)
    if system.fluid.share > 0.0:
        raise VisitError("The system holds glycol, which is not topped up with water. Let the pressure down instead.")
    limit = safe_up_to_pa(case)
    if limit is None:
        raise VisitError(
            "The relief setting isn't known, so the fill can't be raised. Enter it, or let the pressure down."
        )
    if readings.pressure_pa is not None and readings.pressure_pa + STEP_PA > limit:
        raise VisitError("There is no room to raise the fill: it stays 0.5 bar below the relief setting.")
    return limit

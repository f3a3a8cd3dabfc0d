"""The next step by what it is worth: how much of the finding's expected cost it saves a minute.

For each step that could be taken its outcomes are drawn from what taps and readings leave possible, with the error that
the step has; for each outcome the cheapest finding is found anew. What the step saves is the cost to expect now less
that after it (preposterior analysis; Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961). Costs are those
of the finding, where "cannot tell" costs 1. Pressures are gauge pascals; N draws of what is possible.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptest.finding.compare import Comparison
from taptest.finding.draws import is_hot
from taptest.finding.records import Case
from taptest.finding.red_flags import safe_down_to_pa, safe_up_to_pa
from taptest.finding.rounds import other_side
from taptest.finding.settle import Settle, cold_step, drain_step
from taptest.finding.weigh import GRAVE_LOSS_SHARE
from taptest.statements import Key, Said, Statement
from taptest.tank.contact import contacts, water_depth_m
from taptest.tank.kinds import line_shows_share
from taptest.water.pressure import water_share

FloatArray = NDArray[np.float64]

DRAWN = 300
"""Draws of what is possible; a step's worth scatters by about 0.02 with them."""
SEED = 16
"""Of the draws: the same visit gives the same step."""
ROUND_STEPS_PA = (30_000.0, 50_000.0, 80_000.0)
"""By how much a second round may be raised or let down."""
HEARD_SD_M, CAP_SD_M = 0.02, 0.04
"""Error of a boundary and of a dry cap's edge in a second round."""
FAR_SIDE_SHARE = 0.7
"""Error of those in a second round over that in a second line of the first one, where the model's own error is that of
the first line once more."""
ONSET_SD_PA = 4_000.0
"""Error of the pressure at which one mark turns."""
DRAIN_M3 = 1.0e-3
"""What a measured drain draws off."""
DRAINED_SD_PA = 4_000.0
"""Error of the pressure after it: two readings of one gauge, and the litre."""
READ_SD_PA = 5_000.0
"""Error of a charge read at the air valve with the tank isolated and drained."""
FELT_SD = 0.3
"""Error of the water share by pushing the tank."""
MINUTES = {"line": 4.0, "round": 4.0, "onset": 4.0, "drain": 6.0, "isolated": 25.0, "weight": 1.0}
"""What each step takes: own judgement, no source."""
MISSES = {"line": 0.15, "round": 0.15, "onset": 0.1, "drain": 0.03, "isolated": 0.02, "weight": 0.2}
"""Probability that a step tells nothing: own judgement, no source."""
LEAST_SAVED = 0.05
"""A step that saves less than this is worth no minute."""

FEW_MARKS = 7
"""Marks of a second round that is led: enough to read its line by itself, and few enough for two minutes."""


class Lead(Key):
    """How a second round is led."""

    RAISE = "round lead.raise", "step_pa", "target_pa", "most_pa"
    LOWER = "round lead.lower", "step_pa", "target_pa"
    WHY = "round lead.why", "count", "low_m", "high_m"
    AFTER_RAISE = "round lead.after, raise"
    AFTER_LOWER = "round lead.after, lower"


Cost = Mapping[Any, Mapping[Any, float]]
"""Of each finding (first key) where a state (second key) is true; 0 where left out."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A step and what it is worth."""

    kind: str
    said: Said
    minutes: float
    saved: float
    """Cost of the finding that it saves, in units of a "cannot tell"."""

    @property
    def worth(self) -> float:
        """Cost saved a minute."""
        return self.saved / self.minutes


@dataclass(frozen=True, slots=True)
class _Step:
    kind: str
    said: Said
    outcome: FloatArray
    """(N, K) what it would show, in units of its error."""


def plan(case: Case, comparison: Comparison, cost: Cost, weigh_by_hand: Said | None = None) -> tuple[Planned, ...]:
    """List the steps that save something, the one that saves most a minute first.

    `weigh_by_hand` is how pushing the tank is asked for; None where that was done. Nothing is planned where taps and
    readings were not compared.
    """
    if comparison.charges is None or comparison.draws is None or not line_shows_share(case.tank):
        return ()
    rng = np.random.default_rng(SEED)
    possible = _Possible.of(case, comparison, cost, rng)
    now = _least(possible.costs.mean(axis=0, keepdims=True))[0]
    found = []
    for step in _steps(case, comparison, possible, weigh_by_hand):
        saved = now - _cost_after(step, possible.costs, rng)
        if saved >= LEAST_SAVED:
            found.append(Planned(step.kind, step.said, MINUTES[step.kind], saved))
    return tuple(sorted(found, key=lambda each: -each.worth))


@dataclass(frozen=True, slots=True)
class _Possible:
    """Draws of what taps and readings leave possible."""

    case: Case
    comparison: Comparison
    which: NDArray[np.int64]
    """(N,) numbers of the readings' draws, each once."""
    charge_abs_pa: FloatArray
    """(D,) of all draws; only those of `which` count."""
    costs: FloatArray
    """(N, F) cost of each finding."""

    @classmethod
    def of(cls, case: Case, comparison: Comparison, cost: Cost, rng: np.random.Generator) -> "_Possible":
        """Draw them."""
        charges = comparison.charges
        assert charges is not None
        count = charges.draw.size // 4
        picked = rng.choice(charges.weight.size, 2 * DRAWN, p=charges.weight)
        _, once = np.unique(charges.draw[picked], return_index=True)
        picked = picked[np.sort(once)][:DRAWN]
        which = charges.draw[picked]
        charge = np.full(count, 1.0e5)
        charge[which] = charges.precharge_abs_pa[picked]
        lost = 1 - charge[which] / charges.precharge_abs_pa[which]
        return cls(case, comparison, which, charge, _costs(picked // count, lost, comparison, cost))

    def held(self, pressure_pa: float) -> FloatArray:
        """(D,) water share at another pressure on the same gauge."""
        draws = self.comparison.draws
        assert draws is not None
        assert self.case.readings.pressure_pa is not None
        at = np.maximum(draws.pressure_abs_pa + pressure_pa - self.case.readings.pressure_pa, 2_000.0)
        return np.asarray(water_share(self.charge_abs_pa, at, draws.gas_t_c, draws.charge_t_c))

    def of_round(self, pressure_pa: float, elsewhere: np.random.Generator | None = None) -> FloatArray:
        """(N, 2) boundary and dry cap that a line would show at a pressure, in units of their errors.

        The same line, or one elsewhere round the tank.
        """
        draws, tank = self.comparison.draws, self.case.tank
        assert draws is not None
        there = draws if elsewhere is None else other_side(tank, draws, elsewhere)
        contact = contacts(tank, self.held(pressure_pa), there.forms)
        depth = np.clip(water_depth_m(tank, contact), 0.0, tank.shape.height_m)
        return np.stack([depth / HEARD_SD_M, contact.cap_m / CAP_SD_M], axis=1)[self.which]

    def drained_pa(self) -> FloatArray:
        """(N,) gauge pressure after a measured drain: by the gas law as long as the tank gives water, then none."""
        draws = self.comparison.draws
        assert draws is not None
        assert self.case.readings.pressure_pa is not None
        held = self.held(self.case.readings.pressure_pa)
        left = held - DRAIN_M3 / draws.volume_m3
        after = draws.pressure_abs_pa * (1 - held) / np.maximum(1 - left, 1e-3)
        shown = after - (draws.pressure_abs_pa - draws.gauge_pa)
        return np.asarray(np.where(left > 0.0, np.maximum(shown, 0.0), 0.0)[self.which])

    def onset_pa(self) -> FloatArray:
        """(N,) gauge pressure at which the first water enters."""
        draws = self.comparison.draws
        assert draws is not None
        warm = (draws.gas_t_c + 273.15) / (draws.charge_t_c + 273.15)
        shown = self.charge_abs_pa * warm - (draws.pressure_abs_pa - draws.gauge_pa)
        return np.asarray(shown[self.which])


def _costs(code: NDArray[np.int64], lost: FloatArray, comparison: Comparison, cost: Cost) -> FloatArray:
    """(N, F) cost of each finding for draws of the right, low, waterlogged and over-charged stories (0 to 3)."""
    mild = np.where(code == 1, 1 - np.clip(lost / GRAVE_LOSS_SHARE, 0.0, 1.0) ** 2, 0.0)
    hidden = np.where(code == 3, np.clip((comparison.rings_if_right - 0.5) / 0.25, 0.0, 1.0), 0.0)
    states = ("right", "low on air", "waterlogged", "more air than expected")
    columns = []
    for of in cost.values():
        plain = np.array([of.get(state, 0.0) for state in states])[code]
        plain = plain + mild * (of.get("slight loss", 0.0) - plain)
        columns.append(plain + hidden * (of.get("hidden air", 0.0) - plain))
    return np.stack(columns, axis=1)


def _steps(case: Case, comparison: Comparison, possible: _Possible, weigh_by_hand: Said | None) -> list[_Step]:
    """List the steps that may be taken, with what each would show."""
    pressure = case.readings.pressure_pa
    assert pressure is not None
    low, high = _limits_pa(case)
    found: list[_Step] = []
    if not is_hot(case) and not comparison.rounds:
        found += [_round(change, pressure, possible) for change in _changes(case, pressure, low, high)]
    if comparison.lines == 1:
        shown = possible.of_round(pressure, np.random.default_rng(SEED))
        found.append(_Step("line", Statement(Settle.FAR_SIDE), FAR_SIDE_SHARE * shown))
    if case.tank.clamped and not comparison.onset_heard:
        said = cold_step(case, comparison.rings_all_over)
        if said.key is not Settle.READ_ISOLATED:
            ends = (pressure, high) if said.key is Settle.RAISE_TO_ONSET else (low, pressure)
            found.append(_Step("onset", said, np.clip(possible.onset_pa(), *ends)[:, None] / ONSET_SD_PA))
    if case.drain is None and not case.parallel:
        found.append(_Step("drain", drain_step(case), possible.drained_pa()[:, None] / DRAINED_SD_PA))
    if case.tank.has_membrane:
        isolated = Statement(Settle.READ_ISOLATED)
        found.append(_Step("isolated", isolated, possible.onset_pa()[:, None] / READ_SD_PA))
    if weigh_by_hand is not None:
        found.append(_Step("weight", weigh_by_hand, possible.held(pressure)[possible.which][:, None] / FELT_SD))
    return found


def _round(change_pa: float, pressure_pa: float, possible: _Possible) -> _Step:
    key = Settle.ROUND_RAISED if change_pa > 0 else Settle.ROUND_LOWERED
    return _Step("round", Statement(key, {"step_pa": abs(change_pa)}), possible.of_round(pressure_pa + change_pa))


def _changes(case: Case, pressure_pa: float, low_pa: float, high_pa: float) -> list[float]:
    """Return changes of pressure that are safe; water lies in the system of its own, so glycol is never topped up."""
    raised = [] if case.system.fluid.share > 0.0 else [step for step in ROUND_STEPS_PA if pressure_pa + step <= high_pa]
    return raised + [-step for step in ROUND_STEPS_PA if pressure_pa - step >= low_pa]


def _limits_pa(case: Case) -> tuple[float, float]:
    """Return the lowest and the highest pressure that a step may set: the head, the relief setting less 0.5 bar."""
    most = safe_up_to_pa(case)
    return safe_down_to_pa(case), -np.inf if most is None else most


def _cost_after(step: _Step, costs: FloatArray, rng: np.random.Generator) -> float:
    """Mean cost of the best finding after the step, over its outcomes."""
    seen = step.outcome + rng.standard_normal(step.outcome.shape)
    off = ((seen[:, None, :] - step.outcome[None, :, :]) ** 2).sum(axis=2)
    likely = np.exp(-0.5 * np.minimum(off, 200.0))
    missed = MISSES[step.kind]
    likely = (1 - missed) * likely / likely.sum(axis=1, keepdims=True) + missed / len(costs)
    told = _least(likely @ costs)
    return float(told.mean())


def _least(expected: FloatArray) -> FloatArray:
    """(M,) cost of the cheapest finding for expected costs (M, F); "cannot tell" costs 1."""
    return np.asarray(np.minimum(expected.min(axis=1), 1.0))


@dataclass(frozen=True, slots=True)
class Leading:
    """A second round that is led."""

    change_pa: float
    marks_m: tuple[float, ...]
    """Depths, from the top down."""
    said: tuple[Statement, ...]
    """What to do, and why these marks."""
    after: Statement
    """What to put back at the end."""


def lead_round(case: Case, comparison: Comparison, cost: Cost, marks_m: Sequence[float]) -> Leading | None:
    """Choose the change of pressure that saves most, and the few marks between which it would show.

    None where none is safe, or nothing can be compared.
    """
    pressure = case.readings.pressure_pa
    if comparison.charges is None or pressure is None or is_hot(case) or not line_shows_share(case.tank):
        return None
    low, high = _limits_pa(case)
    changes = _changes(case, pressure, low, high)
    if not changes:
        return None
    rng = np.random.default_rng(SEED)
    possible = _Possible.of(case, comparison, cost, rng)
    after = [_cost_after(_round(change, pressure, possible), possible.costs, rng) for change in changes]
    change = changes[int(np.argmin(after))]
    shown = possible.of_round(pressure + change)[:, 0] * HEARD_SD_M
    chosen = _few_marks(np.sort(np.asarray(marks_m)), shown)
    between = np.quantile(shown, (0.05, 0.95))
    target = pressure + change
    step: dict[str, float] = {"step_pa": abs(change), "target_pa": target}
    said = Statement(Lead.RAISE, {**step, "most_pa": high}) if change > 0 else Statement(Lead.LOWER, {**step})
    why = Statement(Lead.WHY, {"count": len(chosen), "low_m": float(between[0]), "high_m": float(between[1])})
    put_back = Statement(Lead.AFTER_RAISE if change > 0 else Lead.AFTER_LOWER)
    return Leading(change, chosen, (said, why), put_back)


def _few_marks(marks_m: FloatArray, shown_m: FloatArray) -> tuple[float, ...]:
    """Choose marks nearest to where the boundary would be, both ends among them."""
    if marks_m.size <= FEW_MARKS:
        return tuple(float(mark) for mark in marks_m)
    chosen = {0, marks_m.size - 1}
    for share in np.linspace(0.02, 0.98, 4 * FEW_MARKS):
        if len(chosen) < FEW_MARKS:
            chosen.add(int(np.argmin(np.abs(marks_m - np.quantile(shown_m, share)))))
    spare = sorted(set(range(marks_m.size)) - chosen, key=lambda i: float(np.abs(marks_m[i] - np.median(shown_m))))
    chosen |= set(spare[: FEW_MARKS - len(chosen)])
    return tuple(float(marks_m[i]) for i in sorted(chosen))


def best_step(planned: Sequence[Planned]) -> Said | None:
    """Return what is said of the step that is worth most; None where none is worth its time."""
    return planned[0].said if planned else None

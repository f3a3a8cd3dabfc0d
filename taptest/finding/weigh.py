"""How likely each finding is, from sound and readings together.

Every hypothesis on the air charge proposes charges; each charge says where the water should end and, on a hot visit,
how far the pressure should have risen since the cold filling. The line's posterior, its own prior taken off, is the
likelihood of the first, `finding.rise` gives that of the second, `finding.air` that of a measured drain or log.

Units are SI, pressures gauge unless `_abs`; D draws. Figures that no reading gives are own judgement, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.finding.air import air_likelihood, drain_likelihood
from taptest.finding.draws import DRAWS, Draws, Reference, draw_reference, taken
from taptest.finding.line_likelihood import MODEL_FLOOR, LineLikelihood
from taptest.finding.records import Case, FindingCode, Interval
from taptest.finding.rise import Rise, filling_of
from taptest.finding.rounds import SHUT, Together
from taptest.line.boundary import SELDOM_INVERTED
from taptest.line.records import LineReading
from taptest.tank.kinds import Tank
from taptest.water.log import AirEstimate
from taptest.water.pressure import water_share

FloatArray = NDArray[np.float64]

TOLERANCE_SHARE = 0.075
"""A tank with this share of its air more or less still counts as right: 0.15 bar of a pre-charge of 1 bar gauge."""
KEPT_SD = 0.5
"""Spread of the air that a right tank holds more or less, as a share of the tolerance, at which it is cut off."""
GRAVE_LOSS_SHARE = 0.4
"""From this share of its air on a loss counts fully as a failed tank; below, by the square of the share."""
OVERCHARGE_SPAN = 0.9
"""Over-charged tanks hold up to this share of air more, beyond the tolerance."""
CUT_OFF = 0.5
"""Share of the tanks with too little water that are not over-charged but cut off from the system."""
LEAST_AIR_SHARE = 0.3
"""Charges down to this share of the air pressure count as low on air, not yet as waterlogged."""
WATERLOGGED_SHARE = 0.85
"""Water share from which nearly no air is left, where the membrane's acceptance is not known."""
ACCEPTANCE_SLACK = 0.05
"""A membrane at its stated acceptance gives by this share of the tank's volume more."""
FAULT_COUNTS_FROM = 0.15
"""A fault less probable than this speaks against no tank, however much it gained."""
UNSEEN = 0.02
"""A charge would show where no more than this share of the right or low tanks lies below it, of the right or
over-charged ones above it: own judgement."""
SURE_OF_RINGING = 0.8
"""A line rings all over from this probability of no contact with water on."""

BEFORE: dict[FindingCode, float] = {
    "as expected": 0.46,
    "low on air": 0.22,
    "waterlogged": 0.14,
    "more air than expected": 0.13,
    "membrane failed": 0.05,
}
"""Probability of each finding before anything is known, of tanks that somebody has a reason to tap: own judgement."""


@dataclass(frozen=True, slots=True)
class Charges:
    """Charges that all hypotheses propose, with the posterior weight of each draw: (H * D,)."""

    precharge_abs_pa: FloatArray
    draw: NDArray[np.int64]
    weight: FloatArray


def rings_all_over(line: LineReading) -> bool:
    """Whether the shell rings behind every mark, be it that there is no water or that a bag does not touch it."""
    posterior = line.posterior
    return line.misfit < 1.0 and posterior.p_all_air + posterior.p_no_contact >= SURE_OF_RINGING


def line_speaks(line: LineReading) -> bool:
    """Whether the line says enough of the level to be compared, though it may not name a state."""
    return line.state != "not found" or line.narrows or (line.method != "none" and rings_all_over(line))


def waterlogged_from(tank: Tank) -> float:
    """Water share from which a tank counts as waterlogged."""
    if tank.acceptance_share is None:
        return WATERLOGGED_SHARE
    return min(tank.acceptance_share + ACCEPTANCE_SLACK, WATERLOGGED_SHARE)


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """One story of the charge, D draws of each."""

    code: FindingCode
    charge_abs_pa: FloatArray
    held: FloatArray
    """Share of water that it leaves in the tank."""
    possible: FloatArray
    """1 where a draw belongs to the story, else 0."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What sound and readings leave of each finding."""

    probabilities: dict[FindingCode, float]
    harmless_loss: float
    """Part of the probability of "low on air" whose loss is too small to harm."""
    fine_before: float
    """Probability of a right tank or such a loss before anything is heard or read."""
    fault_odds: float
    """How many times the odds of a fault against a right tank have risen, of that fault which gained most."""
    rings_if_right: float
    """Probability, before the taps, that a tank with the right charge rings behind every point."""
    unseen_pa: tuple[float, float]
    """Charges that would not show if the tank were called as expected: of the right or low tanks all but `UNSEEN` have
    more than the first, of the right or over-charged ones less than the second."""
    charges: Charges
    """The first D are the right ones."""
    risen_pa: Interval | None
    """On a hot visit the pressure to which a system with the right charge must have risen; None where not known."""
    p_shut: float
    """Probability that the tank holds water and takes none in or out; 0 where there was one round."""


def weigh(
    case: Case,
    likelihood: LineLikelihood,
    reference: Reference,
    draws: Draws,
    rng: np.random.Generator,
    air: Sequence[AirEstimate],
    together: Together,
) -> Weighed:
    """Weigh the findings, and the charges that taps and readings of all rounds leave possible."""
    cut_off = np.arange(DRAWS) < CUT_OFF * DRAWS
    hypotheses = _hypotheses(case, draw_reference(reference, draws, rng), draws, cut_off, rng)
    right = hypotheses[0].charge_abs_pa
    # Where water grew or shrank by heat between two rounds, that tells of the same rise at first hand.
    rise = Rise.of(None if together.balances else filling_of(case, draws, rng), right)
    logs: dict[FindingCode, FloatArray] = {}
    best_fit = 0.0
    for each in hypotheses:
        fits = air_likelihood(each.charge_abs_pa, draws.charge_t_c, draws.volume_m3, air)
        fits = fits * drain_likelihood(case, each.charge_abs_pa, draws.charge_t_c, draws.volume_m3)
        if each.code == "as expected":
            fits = fits * rise.right
        else:
            apart = cut_off if each.code == "more air than expected" else np.zeros(DRAWS, dtype=bool)
            fits = fits * np.where(apart, rise.cut_off, rise.wrong(each.charge_abs_pa))
        best_fit = max(best_fit, float(fits.mean()))
        own = each.possible / max(float(each.possible.mean()), 1e-3)
        shut = cut_off if each.code == "more air than expected" else None
        heard = together.of(each.charge_abs_pa, each.held, shut)
        logs[each.code] = BEFORE[each.code] * heard * own * fits / DRAWS
    weights = {code: float(weight.sum()) for code, weight in logs.items()}
    prior = _before(case.tank)
    if case.tank.has_membrane:
        torn = float(np.prod([each.if_torn for each in together.onsets]))
        weights["membrane failed"] = prior["membrane failed"] * (likelihood.inverted + MODEL_FLOOR) * best_fit * torn
    total = sum(weights.values())
    low = logs["low on air"]
    mild = 1 - np.minimum(_lost(hypotheses[1], right) / GRAVE_LOSS_SHARE, 1.0) ** 2
    harmless = float(low @ mild)
    mildly = float((mild * hypotheses[1].possible).sum() / max(float(hypotheses[1].possible.sum()), 1.0))
    before = {code: chance / sum(prior.values()) for code, chance in prior.items()}
    fine_before = before["as expected"] + mildly * before["low on air"]
    weight = np.concatenate(list(logs.values()))
    charges = Charges(
        np.concatenate([each.charge_abs_pa for each in hypotheses]),
        np.tile(np.arange(DRAWS, dtype=np.int64), len(hypotheses)),
        weight / weight.sum(),
    )
    now = {code: weight / total for code, weight in weights.items()}
    return Weighed(
        now,
        harmless / total,
        fine_before,
        _fault_odds(
            {code: now[code] for code in before} | {"low on air": now["low on air"] - harmless / total},
            before | {"low on air": (1.0 - mildly) * before["low on air"]},
        ),
        float(np.mean(likelihood.rings(hypotheses[0].held, draws.forms))),
        _unseen_pa(reference, draws, charges),
        charges,
        rise.expected_pa,
        _shut(together, draws, total, rng),
    )


def _fault_odds(now: dict[FindingCode, float], before: dict[FindingCode, float]) -> float:
    """Return how many times the odds of the fault that gained most, against "as expected", are those of before.

    A fault that stays unlikely counts by what it is now: twice nearly nothing is nothing.
    """
    right = max(now["as expected"] / before["as expected"], 1e-9)
    gained = [
        now[code] / before[code] / right
        for code in now
        if code != "as expected" and before[code] > 0 and now[code] >= FAULT_COUNTS_FROM
    ]
    return max(gained, default=0.0)


def _shut(together: Together, draws: Draws, others: float, rng: np.random.Generator) -> float:
    """Probability that the tank holds water and takes no part: what it holds stays, whatever the pressure does."""
    if not together.rounds:
        return 0.0
    held = rng.uniform(size=DRAWS)
    weight = SHUT * float(together.of(draws.pressure_abs_pa, held, np.ones(DRAWS, dtype=bool)).mean())
    return weight / (weight + others)


def _before(tank: Tank) -> dict[FindingCode, float]:
    """Probability of each finding that this tank can have, before anything is known; they need not sum to one."""
    prior = dict(BEFORE)
    if not tank.has_membrane:
        del prior["membrane failed"]
    elif not tank.hanging:
        prior["membrane failed"] = SELDOM_INVERTED  # only a mix-up of the ends makes such a picture, as the line has it
    return prior


def _hypotheses(
    case: Case, right: FloatArray, draws: Draws, cut_off: NDArray[np.bool_], rng: np.random.Generator
) -> list[_Hypothesis]:
    """List the stories of the charge, the right one first and the low one second."""
    tank, limit = case.tank, waterlogged_from(case.tank)
    kept = right * (1 + TOLERANCE_SHARE * np.clip(KEPT_SD * rng.standard_normal(DRAWS), -1.0, 1.0))
    lowest = np.minimum(LEAST_AIR_SHARE * draws.atmospheric_pa, 0.8 * right)
    upper = (1 - TOLERANCE_SHARE) * right
    part = rng.uniform(size=DRAWS)
    low = lowest + part * (upper - lowest)
    gas_over_charge = (draws.gas_t_c + 273.15) / (draws.charge_t_c + 273.15)
    # Half of the waterlogged tanks are full to the last drop, the others keep a little air.
    full = np.where(part < 0.5, 1.0, limit + (1 - limit) * 2 * (part - 0.5))
    logged = draws.pressure_abs_pa * np.maximum(1 - full, 0.002) / gas_over_charge
    over = right * (1 + TOLERANCE_SHARE + rng.uniform(size=DRAWS) * OVERCHARGE_SPAN)
    # A tank that is cut off holds no water, as with a charge of at least the pressure read.
    over = np.where(cut_off, np.maximum(over, draws.pressure_abs_pa / gas_over_charge), over)

    def share(charge: FloatArray) -> FloatArray:
        return water_share(charge, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c)

    every = np.ones(DRAWS)
    return [
        _Hypothesis("as expected", kept, taken(tank, share(kept)), every),
        # Charges so low that the tank counts as waterlogged belong there, not to "low on air".
        _Hypothesis("low on air", low, taken(tank, share(low)), np.where(share(low) < limit, 1.0, 0.0)),
        _Hypothesis("waterlogged", logged, full, every),
        _Hypothesis("more air than expected", over, taken(tank, share(over)), every),
    ]


def _lost(low: _Hypothesis, right: FloatArray) -> FloatArray:
    """(D,) share of its air that a tank with these charges has lost."""
    return 1 - low.charge_abs_pa / right


def _unseen_pa(reference: Reference, draws: Draws, charges: Charges) -> tuple[float, float]:
    """Charges (gauge) between which a tank called as expected may lie; the reference is always between them."""
    gauge = charges.precharge_abs_pa - np.tile(draws.atmospheric_pa, charges.draw.size // DRAWS)
    right, low, over = slice(0, DRAWS), slice(DRAWS, 2 * DRAWS), slice(3 * DRAWS, 4 * DRAWS)
    ends = []
    for wrong, share in ((low, UNSEEN), (over, 1 - UNSEEN)):
        pressure = np.concatenate([gauge[right], gauge[wrong]])
        weight = np.concatenate([charges.weight[right], charges.weight[wrong]])
        order = np.argsort(pressure)
        reached = np.cumsum(weight[order])
        at = np.searchsorted(reached, share * reached[-1]) if reached[-1] > 0 else 0
        ends.append(float(pressure[order][min(at, pressure.size - 1)]))
    return min(ends[0], reference.pressure_pa), max(ends[1], reference.pressure_pa)

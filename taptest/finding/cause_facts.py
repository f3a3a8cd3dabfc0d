"""Facts that bear on the causes and that follow from taps, readings and system without anybody asking.

They are soft: each says how likely each answer is, by the spread of what was read. Pressures are gauge pascals at the
gauge. Limits are common practice or own judgement, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import erf, hypot, sqrt

from taptest.finding.cause_table import BY_NAME, SOUND, TANK_STATES
from taptest.finding.causes import Facts
from taptest.finding.compare import NO_PRESSURE_PA, Comparison
from taptest.finding.draws import ABOVE_FILL_PA, STATED_SD_PA, column_pa, is_hot
from taptest.finding.records import Case, FindingCode
from taptest.finding.weigh import line_speaks
from taptest.line.records import LineReading
from taptest.tank.kinds import HEAVIEST_PUSHED_M3

USUAL_ABOVE_HEAD_PA = 60_000.0
"""Kept above the static head by the cold pressure at most: 0.3 bar for venting and 0.3 bar for a reserve of water in
the tank (EN 12828, value from memory); 5 psi in North America."""
LEAST_USUAL_PA = 82_700.0
"""Least cold pressure that is set anywhere: 12 psi, common practice, no source."""
HIGH_PA = 20_000.0
"""A cold pressure by this much above the usual is high."""
BELOW_CHARGE_PA = 10_000.0
"""A cold pressure by this much below the charge is below it."""
LEAST_SD_PA = 5_000.0
"""Spread of a limit that is only a habit."""
MOST_OF_RELIEF = 0.6
"""Share of the relief setting from which the height leaves too little room: common practice, no source."""
OVER_LIMIT_K, LIMIT_SD_K = 3.0, 1.5
"""Water by so much above the stated limit is above it, with the spread of thermometer and limit."""
FELT_FROM = 0.35
"""Water share from which any tank feels heavy: own judgement, no source."""
SURE = 0.6
"""A soft fact counts as an answer from this probability on."""
LEAST_RIGHT = 0.05
"""Where a right tank is less likely than this, no draws are left to forecast one."""
TWO_PICTURES = 0.5
"""A line with two boundaries says nothing of the tank from this probability on."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What was decided of the tank before causes are weighed."""

    code: FindingCode
    probability: float
    kept_but_unfit: bool = False


def told_by_weight(case: Case, comparison: Comparison, observed: Mapping[str, str]) -> dict[str, str]:
    """Leave out a tank that feels heavy where a right one would as well, or where nobody can push it."""
    expected = comparison.expected
    wet = expected is not None and expected.water_share.high >= FELT_FROM
    if observed.get("weight") is None or (case.tank.volume_m3 <= HEAVIEST_PUSHED_M3 and not wet):
        return dict(observed)
    return {name: answer for name, answer in observed.items() if name != "weight"}


def facts_of(
    case: Case, line: LineReading, comparison: Comparison, decided: Decided, answers: Mapping[str, str]
) -> Facts:
    """Put together what was observed (`answers`) and what follows from taps and readings."""
    tank = {} if any(name in answers for name in SOUND) else _tank(case, line, comparison, decided)
    soft = {
        **_cold(case),
        **_fill_and_charge(case),
        **_room(case),
        **_temperature(case),
        **_forecast(case, comparison, tank),
    }
    told = dict(answers)
    if comparison.p_shut >= SURE:
        told.setdefault("level from cold to hot", "stays")
    return Facts(told, soft, tank)


def sure_answers(facts: Facts) -> dict[str, str]:
    """Return the answers that are given or as good as given."""
    likely = {}
    for name, weights in facts.soft.items():
        best = max(range(len(weights)), key=lambda i: weights[i])
        if weights[best] >= SURE * sum(weights):
            likely[name] = BY_NAME[name].answers[best]
    return {**likely, **facts.answers}


def _tank(case: Case, line: LineReading, comparison: Comparison, decided: Decided) -> dict[FindingCode, float]:
    """Probability of each state of the tank; empty where taps and readings say nothing of it."""
    if decided.kept_but_unfit and decided.code == "low on air":
        return {}  # it has lost nothing: no cause of the table says that its charge was set too low
    code: FindingCode = "as expected" if decided.code == "too small" else decided.code
    chances = {state: comparison.probabilities.get(state, 0.0) for state in TANK_STATES}
    if code == "cannot tell":
        pressure = case.readings.pressure_pa
        silent = pressure is None or pressure < NO_PRESSURE_PA or line.misfit >= 1.0 or not line_speaks(line)
        contradicted = comparison.air is not None and comparison.air.contradiction
        if silent or contradicted or line.posterior.p_two >= TWO_PICTURES:
            return {}
        return chances if comparison.probabilities else {}
    sure = max(decided.probability, 0.0 if decided.kept_but_unfit else chances[code])
    rest = {state: chance for state, chance in chances.items() if state != code}
    total = sum(rest.values())
    if total <= 0.0:
        rest, total = dict.fromkeys(rest, 1.0), float(len(rest))
    return {code: sure, **{state: (1 - sure) * chance / total for state, chance in rest.items()}}


def _above(value: float, limit: float, sd: float) -> float:
    """Probability that a value read with this spread lies above a limit."""
    return 0.5 * (1 + erf((value - limit) / (sqrt(2) * sd)))


def _height_needs_pa(case: Case) -> tuple[float, float] | None:
    """Head at the gauge, and the usual cold pressure for it; None where the height is not known."""
    if case.system.static_head_pa is None:
        return None
    head = case.system.static_head_pa + column_pa(case)
    return head, max(head + USUAL_ABOVE_HEAD_PA, LEAST_USUAL_PA)


def _cold(case: Case) -> dict[str, tuple[float, ...]]:
    needs, pressure = _height_needs_pa(case), case.readings.pressure_pa
    if is_hot(case) is not False or needs is None or pressure is None:
        return {}
    sd = hypot(case.readings.pressure_sd_pa, LEAST_SD_PA)
    low, high = 1 - _above(pressure, needs[0], sd), _above(pressure, needs[1] + HIGH_PA, sd)
    return {"cold pressure": (max(1 - low - high, 0.0), high, low)}


def _fill_and_charge(case: Case) -> dict[str, tuple[float, ...]]:
    """Compare the cold pressure with the fill valve's setting and with the stated pre-charge."""
    pressure, fill, charge = case.readings.pressure_pa, case.system.fill_pa, case.readings.precharge_pa
    found: dict[str, tuple[float, ...]] = {}
    if is_hot(case) is not False or pressure is None:
        return found
    sd = hypot(case.readings.pressure_sd_pa, LEAST_SD_PA)
    if fill is not None:
        above, below = _above(pressure, fill + ABOVE_FILL_PA, sd), 1 - _above(pressure, fill - ABOVE_FILL_PA, sd)
        found["pressure against the fill setting"] = (max(1 - above - below, 0.0), above, below)
    if charge is not None and case.tank.has_membrane:
        at_or_above = _above(pressure - column_pa(case), charge - BELOW_CHARGE_PA, hypot(sd, STATED_SD_PA))
        found["fill against the pre-charge"] = (at_or_above, 1 - at_or_above)
    return found


def _room(case: Case) -> dict[str, tuple[float, ...]]:
    needs, relief = _height_needs_pa(case), case.system.relief_pa
    if needs is None or relief is None:
        return {}
    little = _above(needs[1], MOST_OF_RELIEF * relief, 2 * LEAST_SD_PA)
    return {"room under the relief setting": (1 - little, little)}


def _temperature(case: Case) -> dict[str, tuple[float, ...]]:
    limit, water = case.system.max_temperature_c, case.readings.water_temperature_c
    if limit is None or water is None or not is_hot(case):
        return {}
    over = _above(water, limit + OVER_LIMIT_K, LIMIT_SD_K)
    return {"temperature": (1 - over, over)}


def _forecast(case: Case, comparison: Comparison, tank: Mapping[FindingCode, float]) -> dict[str, tuple[float, ...]]:
    """Say whether a tank with the right charge would let the pressure reach the relief setting."""
    forecast = comparison.forecast
    if forecast is None or case.system.relief_pa is None or tank.get("as expected", 0.0) < LEAST_RIGHT:
        return {}
    reach = forecast.p_may_weep_if_right
    return {"forecast": (1 - reach, reach)}

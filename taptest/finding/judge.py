"""The finding of a visit: one call that puts line, readings, comparison and causes together.

A failed tank called fine is the worst error, so "as expected" is said only when taps and readings agree and nothing
observed contradicts; a replacement is never asked for from sound alone; and where the evidence does not carry a
finding, the finding is "cannot tell" with the next cheapest check. What is said are statements; nothing here is text.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Literal

import numpy as np

from taptest.finding.air import log_evidence
from taptest.finding.cause_facts import Decided, facts_of, sure_answers, told_by_weight
from taptest.finding.cause_table import BY_NAME
from taptest.finding.causes import (
    Facts,
    check_step,
    checked_observations,
    next_checks,
    notes_on_causes,
    probabilities,
    ranked_causes,
)
from taptest.finding.compare import NO_PRESSURE_PA, Comparison, compare
from taptest.finding.draws import column_pa, is_hot, right_charge_pa
from taptest.finding.keys import Contradiction, Step, Why
from taptest.finding.onset_likelihood import onset_said
from taptest.finding.planner import best_step, plan
from taptest.finding.records import Case, Confidence, FindingCode, FindingName, Judgement, RedFlag, Round, RoundFound
from taptest.finding.red_flags import endangers, may_be_heated, red_flags
from taptest.finding.settle import Settle, cooled, settling_step
from taptest.finding.still_likelihood import still_said
from taptest.finding.weigh import line_speaks, rings_all_over
from taptest.finding.wording import (
    HEATED,
    PIN,
    Story,
    checks_of,
    finding_of,
    not_checked_of,
    pin_may_be_pressed,
    reasons_of,
    stopping_in_time,
)
from taptest.line.records import LineReading
from taptest.statements import Said, Statement, Value
from taptest.tank.kinds import HEAVIEST_PUSHED_M3, Tank, pressure_check_applies

State = Literal[
    "right",
    "slight loss",
    "hidden air",
    "hidden water",
    "too small",
    "low on air",
    "waterlogged",
    "more air than expected",
    "membrane failed",
]
"""What may be true of the tank. A slight loss is one that does no harm; hidden air is too much of it at a pressure at
which a right tank rings all over as well, so that no tap can tell, and hidden water is too much of it there in a bag
that does not touch its shell; "too small" has the right charge.
"""

COST: dict[FindingCode, dict[State, float]] = {
    "as expected": {
        "slight loss": 2,
        "hidden air": 4,
        "hidden water": 16,
        "too small": 3,
        "low on air": 16,
        "waterlogged": 20,
        "more air than expected": 12,
        "membrane failed": 20,
    },
    "low on air": {
        "hidden water": 0.4,
        "right": 5,
        "slight loss": 1,
        "hidden air": 5,
        "too small": 5,
        "waterlogged": 0.4,
        "more air than expected": 4,
        "membrane failed": 0.4,
    },
    "waterlogged": {
        "hidden water": 0.4,
        "right": 5,
        "slight loss": 3,
        "hidden air": 5,
        "too small": 5,
        "low on air": 0.4,
        "more air than expected": 4,
        "membrane failed": 0.3,
    },
    "more air than expected": {
        "hidden water": 4,
        "right": 5,
        "slight loss": 8,
        "too small": 5,
        "low on air": 4,
        "waterlogged": 4,
        "membrane failed": 2,
    },
    "too small": {
        "hidden water": 4,
        "right": 2,
        "slight loss": 2,
        "hidden air": 2,
        "low on air": 4,
        "waterlogged": 4,
        "more air than expected": 4,
        "membrane failed": 4,
    },
    "membrane failed": {
        "hidden water": 1.5,
        "right": 5,
        "slight loss": 4,
        "hidden air": 5,
        "too small": 5,
        "low on air": 1.5,
        "waterlogged": 1,
        "more air than expected": 4,
    },
}
"""What it costs to say a finding (first key) where a state (second key) is true, in units of a "cannot tell"; 0 where
left out. Calling a failed tank fine costs most, and two findings that ask for the same work hardly differ. Own
judgement, no source.
"""
MOST_CHECKS = 5
"""More next checks than this are not told."""
NAMED_APART: dict[State, FindingName] = {
    "too small": FindingName.TOO_SMALL,
    "hidden water": FindingName.HIDDEN_WATER,
    "waterlogged": FindingName.WATERLOGGED,
    "membrane failed": FindingName.MEMBRANE_FAILED,
}
"""States that people are told of by themselves; each other one goes into a finding that covers several."""
HIDES = (0.5, 0.75)
"""Probability that a right tank rings all over here: up to the first ringing tells much, from the second on nothing."""
FEELS: dict[str, float] = {"light": 0.4, "heavy": 6.0}
"""How many times as often a tank feels so where its bag hides water as where it does not; own judgement, no source."""
CANNOT_TELL_COSTS = 1.0
"""What "cannot tell" costs: the unit of all costs."""
UNNAMED_COSTS = 0.5
"""What "cannot tell" costs where the line names no state: what follows from it rests partly on what is usual."""
FINE_ENOUGH = 0.6
"""The least probability of "as expected" with which it may be said at all."""
SPEAKS_FOR, SPEAKS_AGAINST = 1.05, 0.85
"""Nothing speaks against a tank that taps and readings leave at least the first number of times as likely to be right,
or slightly low, as it was before; something does below the second; between them they make no difference."""
FAULT_SPEAKS = 2.0
"""Something speaks against it, too, where the odds of one fault against a right tank have doubled (own judgement), or
where one fault is likelier than a right tank."""
MUCH_UNSEEN_PA = 50_000.0
"""A tank is not called as expected with high confidence where a charge so far off would not show: 0.5 bar, own
judgement."""
SURE_ENOUGH = 0.6
"""Where no costs are weighed, a state counts as true from this probability on."""
LOOK_AT_VALVE = 0.05
"""From this probability of being shut off on, the valve is looked at before anything else is done to the tank: a minute
against a needless recharge. Own judgement, no source."""
TOO_LOW_PA = 15_000.0
"""A charge by this much under the static head is too low for the system: 0.15 bar, own judgement, no source."""
TOO_HIGH_PA = 50_000.0
"""A charge by this much above fill pressure and need is too high for the system: 0.5 bar, own judgement, no source."""
SURE_OF_PICTURE = 0.5
"""An inverted picture or two boundaries are reported from this probability on."""

CONTRADICTIONS: dict[tuple[str, str], Contradiction] = {
    ("weight", "heavy"): Contradiction.HEAVY,
    ("hot pressure", "far above the forecast"): Contradiction.FAR_ABOVE_FORECAST,
    ("level from cold to hot", "stays"): Contradiction.LEVEL_STAYS,
    ("second gauge", "disagrees"): Contradiction.GAUGES_DISAGREE,
    ("gauge when open", "not zero"): Contradiction.GAUGE_NOT_ZERO,
}
"""Observations that forbid "as expected", with the key that says so."""


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What is found, how surely, and for "cannot tell" why not."""

    code: FindingCode
    probability: float
    why: Statement | None = None
    """A `Why`: why the taps cannot tell, or what a failed membrane shows itself by."""
    check: Said | None = None
    """The check that comes first; None where the finding's own come first."""
    kept_but_unfit: bool = False
    """Whether the tank has kept its stated charge, which is too low or too high for its system."""


def judge(
    case: Case,
    line: LineReading,
    seed: int = 0,
    *,
    beside: Sequence[LineReading] = (),
    rounds: Sequence[Round] = (),
) -> Judgement:
    """Judge one visit.

    `line` is the first line as the tank was found, `beside` its further lines, `rounds` the later rounds in order of
    time. `seed` seeds the sampling: the same case, lines and seed give the same judgement. Raises `VisitError` for an
    observation that is not in the table of causes, and `PhysicsError` for readings that cannot be.
    """
    seen = checked_observations(case.observations)
    comparison = compare(case, line, np.random.default_rng(seed), beside=beside, rounds=rounds)
    observed = told_by_weight(case, comparison, seen)
    lead = _leading(line, beside, rounds)
    decided = _decide(case, lead, comparison, observed)
    weighed = Decided(decided.code, decided.probability, decided.kept_but_unfit)
    facts = facts_of(case, lead, comparison, weighed, {**log_evidence(case), **observed})
    flags = red_flags(case, probabilities(facts) if pressure_check_applies(case.tank) else {})
    verdict = _heeding(decided, flags)
    story = Story(
        case,
        lead,
        comparison,
        verdict.code,
        verdict.probability,
        verdict.why,
        {**sure_answers(facts), **seen},
        may_be_heated(case, flags),
        len(rounds),
        kept_but_unfit=verdict.kept_but_unfit,
    )
    told = verdict.code != "cannot tell"
    doubted = any(flag.level == "doubt" for flag in flags)
    against = None if doubted else _speaks_against(decided, case, lead, comparison, observed)
    checks = _in_order(tuple(flag.step for flag in flags) + _checks(verdict, story, facts, flags))
    causes = ranked_causes(facts, _out_of_reach(story, flags)) if pressure_check_applies(case.tank) else ()
    return Judgement(
        code=verdict.code,
        says=finding_of(story, checks[0], against, endangered=endangers(flags)),
        confidence=_confidence(verdict, lead, comparison) if told else "cannot tell",
        reasons=(*reasons_of(story), *_heard_in_rounds(rounds)),
        not_checked=not_checked_of(story),
        next_checks=checks[:MOST_CHECKS],
        causes=causes,
        cause_notes=notes_on_causes(facts, causes) if causes else (),
        line=line,
        expected=comparison.expected,
        water_m3=comparison.water_m3,
        precharge=comparison.precharge,
        forecast=comparison.forecast,
        boundary_state=line.state,
        probabilities=comparison.probabilities,
        reference_precharge_pa=None if comparison.reference is None else comparison.reference.pressure_pa,
        reference_source=None if comparison.reference is None else comparison.reference.source,
        needed_precharge_pa=comparison.needed_precharge_pa,
        air=comparison.air,
        unseen_pa=comparison.unseen_pa if verdict.code == "as expected" else None,
        speaks_against=against,
        rounds=_told_of_rounds(case, comparison, rounds, seed),
        p_shut=comparison.p_shut,
        red_flags=flags,
    )


def _checks(verdict: _Verdict, story: Story, facts: Facts, flags: tuple[RedFlag, ...]) -> tuple[Said, ...]:
    """List what to do after the red flags' own steps: nothing as long as people are in danger."""
    if _in_danger(flags):
        return ()
    first = () if verdict.check is None else (verdict.check,)
    return (
        _valve_first(verdict, story.comparison.p_shut)
        + first
        + checks_of(story)
        + _wider_checks(story, facts, flags, verdict.code != "cannot tell")
    )


def _valve_first(verdict: _Verdict, p_shut: float) -> tuple[Statement, ...]:
    """Ask for a look at the valve where the tank may well be shut off and is not called so."""
    asked = verdict.code != "as expected" and LOOK_AT_VALVE <= p_shut < SURE_ENOUGH
    return (Statement(Step.SEE_VALVE),) if asked else ()


def _in_danger(flags: tuple[RedFlag, ...]) -> bool:
    """Whether people are in danger, so that nothing is asked for but to end it."""
    return any(flag.stops and flag.level == "danger" for flag in flags)


def _open(why: Why, check: Step | Said, probability: float = 1.0) -> _Verdict:
    """Leave the finding open: why, and what to do first."""
    step = Statement(check) if isinstance(check, Step) else check
    return _Verdict("cannot tell", probability, Statement(why), step)


def _heeding(verdict: _Verdict, flags: tuple[RedFlag, ...]) -> _Verdict:
    """Hold a finding back that must not stand beside a red flag: a fine tank beside danger, any beside a doubt."""
    stopping = [flag for flag in flags if flag.stops]
    if not stopping:
        return verdict
    doubted = any(flag.level == "doubt" for flag in stopping)
    if doubted or verdict.code in ("as expected", "too small", "cannot tell"):
        return _open(Why.ENTRY_FIRST if doubted else Why.DANGER_FIRST, stopping[0].step)
    return verdict


def _leading(line: LineReading, beside: Sequence[LineReading], rounds: Sequence[Round]) -> LineReading:
    """Return the line that the finding is told by: the first one as found, or where it says nothing, one that does."""
    others = [*beside, *(each.lines[0] for each in _same_air(rounds) if each.lines)]
    return next((each for each in (line, *others) if each.misfit < 1.0 and line_speaks(each)), line)


def _heard_in_rounds(rounds: Sequence[Round]) -> list[Statement]:
    """Say what was heard in later rounds beside their lines."""
    said: list[Statement | None] = []
    for each in _same_air(rounds):
        said.append(None if each.onset is None else onset_said(each.onset))
        said.append(None if each.still is None else still_said(each.still, each.name))
    return [each for each in said if each is not None]


def _same_air(rounds: Sequence[Round]) -> list[Round]:
    """Return the rounds before the air was changed."""
    return list(takewhile(lambda each: each.same_air, rounds))


def _told_of_rounds(case: Case, comparison: Comparison, rounds: Sequence[Round], seed: int) -> tuple[RoundFound, ...]:
    """Tell of each later round; one with other air, and those after it, are judged for themselves."""
    told = list(comparison.rounds)
    for each in rounds[len(told) :]:
        if not each.lines:
            told.append(RoundFound(None, None, None, onset=each.onset))
            continue
        alone = judge(replace(case, readings=each.readings, drain=None, log=()), each.lines[0], seed)
        told.append(RoundFound(alone.expected, alone.water_m3, each.lines[0], alone.code, alone.says))
    return tuple(told)


def _speaks_against(
    verdict: _Verdict, case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]
) -> bool | None:
    """Whether anything heard, read or observed makes a right tank less likely than it was, or a fault likelier than it.

    None where that cannot be said: nothing was heard, there is nothing to compare it with, or it makes no difference.
    """
    if _contradiction(observed) is not None:
        return True
    if verdict.code != "cannot tell":
        return verdict.code != "as expected"
    p, pressure = comparison.probabilities, case.readings.pressure_pa
    if not p or pressure is None or pressure < NO_PRESSURE_PA or line.method == "none" or line.misfit >= 1.0:
        return None
    if comparison.air is not None and comparison.air.contradiction:
        return None
    ratio = (p["as expected"] + comparison.harmless_loss) / comparison.fine_before
    likeliest, _ = _ranked(_chances(comparison, line, observed))[0]
    if ratio < SPEAKS_AGAINST or likeliest != FindingName.AS_EXPECTED or comparison.fault_odds > FAULT_SPEAKS:
        return True
    return False if ratio >= SPEAKS_FOR else None


def _decide(case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]) -> _Verdict:
    """Decide the finding: first what needs no comparison, then what forbids one, then the comparison."""
    tank = case.tank
    if not pressure_check_applies(tank):
        return _open(Why.OPEN_TANK, Step.OPEN_TANK)
    if tank.has_membrane and observed.get(PIN) == "yes":
        return _Verdict("membrane failed", 0.97, Statement(Why.WATER_AT_VALVE))
    picture = _picture(tank, line)
    if picture is not None:
        return picture
    blocked = _blocked(case, line, comparison, observed) or _shut_off(comparison)
    if blocked is not None:
        return blocked
    return _from_probabilities(case, line, comparison, observed)


def _picture(tank: Tank, line: LineReading) -> _Verdict | None:
    """Read the picture by itself: inverted, two boundaries, a level across a lying diaphragm tank.

    A line unlike anything the model makes shows no picture at all.
    """
    if line.misfit >= 1.0:
        return None
    inverted, two = line.posterior.p_inverted, line.posterior.p_two
    if tank.sideways and (line.state == "found" or inverted >= SURE_OF_PICTURE):
        return _open(Why.LEVEL_ON_LYING_TANK, Step.ALONG_AIR_HALF, max(line.posterior.p_found, inverted))
    if inverted >= SURE_OF_PICTURE:
        return _inverted(tank, inverted)
    if two >= SURE_OF_PICTURE:
        return _open(Why.TWO_BOUNDARIES, Step.SECOND_LINE, two)
    if tank.sideways:
        return _open(Why.LYING_TANK, Step.ALONG_LYING_TANK)
    return None


def _inverted(tank: Tank, probability: float, by_taps: bool = True) -> _Verdict:
    """Say what an inverted picture means; where the taps alone do not show it, taps and readings together do."""

    def why(key: Why) -> Statement:
        return Statement(key) if by_taps else Statement(Why.LIKELIEST_TOGETHER, {"picture": Statement(key)})

    if not tank.has_membrane:
        return _Verdict("cannot tell", probability, why(Why.INVERTED_NO_LEVEL), Statement(Step.CHECK_ORDER))
    if not tank.hanging:
        check = Statement(Step.CHECK_PIPE)
        return _Verdict("membrane failed", 0.7 * probability, why(Why.INVERTED_OR_PIPE), check)
    return _Verdict("membrane failed", probability, why(Why.INVERTED))


def _blocked(case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]) -> _Verdict | None:
    """Why sound and readings cannot be compared; a shell dull all over stays waterlogged all the same."""
    pressure, posterior = case.readings.pressure_pa, line.posterior
    if line.misfit >= 1.0:
        return _open(Why.UNLIKE_ANYTHING, Step.CHECK_TANK)
    dull = posterior.p_all_water >= SURE_ENOUGH and line.state == "all water"
    if pressure is None:
        left_open = _open(Why.NO_PRESSURE_READ, Step.READ_PRESSURE)
    elif pressure < NO_PRESSURE_PA:
        left_open = _open(Why.NO_PRESSURE if case.tank.has_membrane else Why.NO_PRESSURE_PLAIN, Step.FILL_AND_TAP)
    elif comparison.reference is None:
        left_open = _open(Why.NO_REFERENCE, Step.NOTE_CHARGE)
    elif comparison.air is not None and comparison.air.contradiction:
        left_open = _open(Why.AIR_CONTRADICTS, Step.REPEAT_DRAIN)
    elif (
        not line_speaks(line)
        and not comparison.onset_heard
        and comparison.probabilities.get("membrane failed", 0.0) < SURE_ENOUGH
    ):
        return _end_not_shown(case, line, comparison, observed)
    else:
        return None
    return _Verdict("waterlogged", 0.8 * posterior.p_all_water) if dull else left_open


def _end_not_shown(case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]) -> _Verdict:
    """Say why the line does not show where the water ends, and what tells without it."""
    # A line too poor to be read at all says why itself, and is tapped again.
    if line.unreadable is None:
        why_not = Why.END_NOT_SHOWN_BAG if case.tank.has_bag else Why.END_NOT_SHOWN
        return _open(why_not, _worthiest(case, line, comparison, observed))
    why = Statement(Why.UNREADABLE, {"taps": line.unreadable.why})
    return _Verdict("cannot tell", 1.0, why, line.unreadable.step or Statement(Step.TAP_AGAIN))


def _shut_off(comparison: Comparison) -> _Verdict | None:
    """Say that a tank takes no part whose water stays where it was at another pressure."""
    if comparison.p_shut < SURE_ENOUGH:
        return None
    return _open(Why.SHUT_OFF, Step.SEE_VALVE_TAP_BOTH, comparison.p_shut)


def _chances(comparison: Comparison, line: LineReading, observed: Mapping[str, str]) -> dict[State, float]:
    """Probability of each state.

    "As expected" is parted by the forecast, "low on air" by whether the loss does harm, and what a bag may hide is
    weighed against how heavy the tank feels.
    """
    p = comparison.probabilities
    forecast, slight = comparison.forecast, comparison.harmless_loss
    weeps = 0.0 if forecast is None else forecast.p_may_weep_if_right
    low, high = HIDES
    hides = min(max((comparison.rings_if_right - low) / (high - low), 0.0), 1.0)
    loose = hides if line.posterior.p_no_contact > 0 and rings_all_over(line) else 0.0
    hidden, failed = hides * p["more air than expected"], p["low on air"] - slight * (1 - weeps)
    feels = FEELS.get(observed.get("weight", ""), 1.0)
    chances: dict[State, float] = {
        "right": p["as expected"] * (1 - weeps),
        "slight loss": slight * (1 - weeps),
        "too small": p["as expected"] * weeps,
        "hidden water": feels * loose * (failed + p["waterlogged"]),
        "low on air": (1 - loose) * failed,
        "waterlogged": (1 - loose) * p["waterlogged"],
        "hidden air": hidden,
        "more air than expected": p["more air than expected"] - hidden,
        "membrane failed": p.get("membrane failed", 0.0),
    }
    total = sum(chances.values())
    return {state: chance / total for state, chance in chances.items()}


def expected_cost(code: FindingCode, chances: Mapping[State, float]) -> float:
    """Cost to expect of saying a finding, in units of a "cannot tell"."""
    return sum(COST[code].get(state, 0.0) * chance for state, chance in chances.items())


def _from_probabilities(case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]) -> _Verdict:
    """Say the finding with the least cost to expect, unless "cannot tell" costs less."""
    unfit = _unfit_charge(case, comparison)
    if unfit is not None:
        chance = comparison.probabilities["as expected"]
        if chance + comparison.probabilities[unfit] >= FINE_ENOUGH and not _contradiction(observed):
            return _Verdict(unfit, chance + comparison.probabilities[unfit], kept_but_unfit=True)
    chances = _chances(comparison, line, observed)
    # Gravity lets no water stand over air: in a standing tank such a picture is a mix-up of the ends.
    sayable = [code for code in COST if code != "membrane failed" or case.tank.hanging]
    best = min(sayable, key=lambda code: expected_cost(code, chances))
    named = line.state != "not found" or comparison.onset_heard or best == "membrane failed"
    if expected_cost(best, chances) >= (CANNOT_TELL_COSTS if named else UNNAMED_COSTS):
        return _open_between(case, line, comparison, chances, observed)
    if best in ("as expected", "too small"):
        if chances["right"] + chances["too small"] < FINE_ENOUGH or unfit is not None:
            return _open_between(case, line, comparison, chances, observed)
        return _where_it_should_be(case, line, comparison, observed, best)
    if best == "membrane failed":
        # The taps alone are not sure of the picture; the readings, which no level fits, make it so.
        return _inverted(case.tank, comparison.probabilities[best], by_taps=False)
    return _Verdict(best, comparison.probabilities[best])


def _contradiction(observed: Mapping[str, str]) -> Contradiction | None:
    """Say what was observed that forbids calling a tank fine; None where nothing was."""
    return next((says for key, says in CONTRADICTIONS.items() if observed.get(key[0]) == key[1]), None)


def _where_it_should_be(
    case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str], best: FindingCode
) -> _Verdict:
    """Say the finding on a tank whose water ends where the readings want it, unless something observed forbids it."""
    short = _short_of_pressure(case)
    if short is not None:
        return short
    contradiction = _contradiction(observed)
    if contradiction is not None:
        return _Verdict("cannot tell", 1.0, Statement(Why.BUT, {"seen": Statement(contradiction)}))
    chances = _chances(comparison, line, observed)
    # Too much air that no tap can tell here is no reason to hold the finding back, but none to be sure of it either.
    fine = chances["right"] + chances["slight loss"]
    return _Verdict(best, chances["too small"] if best == "too small" else fine)


def _short_of_pressure(case: Case) -> _Verdict | None:
    """Say what forbids calling a tank fine at so low a pressure: the system is not full, or the tank takes no water.

    None where the pressure is enough.
    """
    pressure, head = case.readings.pressure_pa, case.system.static_head_pa
    if pressure is None:
        return None
    column = column_pa(case)
    slack = 2 * case.readings.pressure_sd_pa
    if head is not None and pressure - column < head - slack:
        return _open(Why.NOT_FULL, Step.FILL_ABOVE_AND_TAP)
    charge = case.readings.precharge_pa
    if is_hot(case) is False and charge is not None and case.tank.has_membrane and pressure < charge - slack:
        return _open(Why.UNDER_CHARGE, Step.FILL_ABOVE_AND_TAP)
    return None


def _unfit_charge(case: Case, comparison: Comparison) -> FindingCode | None:
    """Say which way a stated charge, though kept, is wrong for the system; None where it is right or that is not known.

    Too low: under the static head alone. Too high: well above both the fill pressure and what the height needs; where
    the fill pressure is not known, nobody can say so, for a low house with a usual charge is filled above it.
    """
    stated, head = case.readings.precharge_pa, case.system.static_head_pa
    if stated is None or not case.tank.has_membrane:
        return None
    if head is not None and stated < head - TOO_LOW_PA:
        return "low on air"
    right = right_charge_pa(case, comparison.needed_precharge_pa)
    fill = case.system.fill_pa
    high = fill is not None and right is not None and stated > max(right, fill) + TOO_HIGH_PA
    return "more air than expected" if high else None


def _open_between(
    case: Case,
    line: LineReading,
    comparison: Comparison,
    chances: Mapping[State, float],
    observed: Mapping[str, str],
) -> _Verdict:
    """Name the two likeliest findings; for a bag that rings all over, why the taps cannot tell them apart."""
    (first, first_chance), (second, second_chance) = _ranked(chances)[:2]
    if case.tank.has_bag and line.state == "not found" and rings_all_over(line):
        why = Why.HEAVY_BAG_RINGS if observed.get("weight") == "heavy" else Why.BAG_RINGS
        return _open(why, _next_of_a_ringing_bag(case, comparison, observed), first_chance)
    if line.state == "all air" and {first, second} == {FindingName.AS_EXPECTED, FindingName.MORE_AIR}:
        return _open(Why.RINGS_EITHER_WAY, _worthiest(case, line, comparison, observed), first_chance)
    between: dict[str, Value] = {
        "first": Statement(first),
        "first_share": first_chance,
        "second": Statement(second),
        "second_share": second_chance,
    }
    return _Verdict(
        "cannot tell", first_chance, Statement(Why.OPEN_BETWEEN, between), _worthiest(case, line, comparison, observed)
    )


def _ranked(chances: Mapping[State, float]) -> list[tuple[FindingName, float]]:
    """Return the findings as they are named, the likeliest first."""
    said: dict[FindingName, float] = {
        FindingName.AS_EXPECTED: chances["right"],
        FindingName.LOW_ON_AIR: chances["low on air"] + chances["slight loss"],
        FindingName.MORE_AIR: chances["more air than expected"] + chances["hidden air"],
        **{name: chances[state] for state, name in NAMED_APART.items()},
    }
    return sorted(said.items(), key=lambda item: -item[1])


def _worthiest(case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]) -> Said:
    """Return the step that saves most of the finding's cost a minute; the usual one where none saves anything."""
    push = None if "weight" in observed or not _weight_counts(case, comparison) else check_step("weight")
    best = best_step(plan(case, comparison, COST, push))
    if best is None:
        return settling_step(case, line, comparison.onset_heard)
    return cooled(case, best) if isinstance(best, Statement) and isinstance(best.key, Settle) else best


def _weight_counts(case: Case, comparison: Comparison) -> bool:
    """Whether it tells anything that the tank feels heavy or light; nobody is asked to push it else."""
    return bool(told_by_weight(case, comparison, {"weight": "heavy"}))


def _next_of_a_ringing_bag(case: Case, comparison: Comparison, observed: Mapping[str, str]) -> Said:
    """Return the cheapest check that parts an empty bag from one that does not touch and that was not made yet."""
    known = set(observed) if _weight_counts(case, comparison) else {*observed, "weight"}
    if is_hot(case) or observed.get("weight") == "heavy":  # tapped hot already, or too likely full to wait
        known.add("level from cold to hot")
    checks = ("weight", "level from cold to hot")
    return next((check_step(name) for name in checks if name not in known), settling_step(case, None))


def _wider_checks(story: Story, facts: Facts, flags: tuple[RedFlag, ...], told: bool) -> tuple[Said, ...]:
    """List checks on the other causes, the most telling for its price first; without observations, just ask.

    The pin of the air valve comes last and only on a cold tank; what fires the system up only where that is safe.
    """
    case = story.case
    if not pressure_check_applies(case.tank):
        return ()
    if told and not case.observations:
        return (check_step("drips"),)
    checks = [check for check in next_checks(facts, _out_of_reach(story, flags)) if check.evidence != PIN][:3]
    return tuple(stopping_in_time(story, check.evidence, check.step) for check in checks)


def _out_of_reach(story: Story, flags: tuple[RedFlag, ...]) -> tuple[str, ...]:
    """Name the evidence that cannot or must not be got on this visit: all of it while people are in danger."""
    if _in_danger(flags):
        return tuple(BY_NAME)
    case = story.case
    names = ["sound when cold" if is_hot(case) is False else "sound when hot"]
    if not pin_may_be_pressed(story):
        names.append(PIN)
    if not story.may_be_heated:
        names += HEATED
    if case.tank.volume_m3 > HEAVIEST_PUSHED_M3:
        names.append("weight")
    if not case.tank.has_membrane:
        names.append("fill against the pre-charge")
    if story.comparison.forecast is not None:
        names.append("forecast")
    return tuple(names)


def _confidence(verdict: _Verdict, line: LineReading, comparison: Comparison) -> Confidence:
    """Name the confidence: of a right tank no high one where the line names no state, or where much would not show."""
    unnamed = line.state == "not found" and not comparison.onset_heard
    if verdict.code == "as expected" and (unnamed or _much_unseen(comparison)):
        return "fair" if verdict.probability >= 0.9 else "low"
    return "high" if verdict.probability >= 0.9 else "fair" if verdict.probability >= 0.75 else "low"


def _much_unseen(comparison: Comparison) -> bool:
    """Whether charges far from the right one would sound and read the same."""
    unseen, reference = comparison.unseen_pa, comparison.reference
    if unseen is None or reference is None:
        return False
    return max(reference.pressure_pa - unseen[0], unseen[1] - reference.pressure_pa) > MUCH_UNSEEN_PA


def _in_order(checks: tuple[Said, ...]) -> tuple[Said, ...]:
    return tuple(dict.fromkeys(checks))

"""The finding of a visit: one call that puts line, readings, comparison and causes together.

A failed tank called fine is the worst error, so "as expected" is said only when taps and readings agree and nothing
observed contradicts; a replacement is never asked for from sound alone; and where the evidence does not carry a
finding, the finding is "cannot tell" with the next cheapest check. Every text shows figures in the user's units.
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
    check_sentence,
    checked_observations,
    next_checks,
    notes_on_causes,
    probabilities,
    ranked_causes,
)
from taptest.finding.compare import NO_PRESSURE_PA, Comparison, compare
from taptest.finding.draws import is_hot, right_charge_pa
from taptest.finding.onset_likelihood import onset_said
from taptest.finding.records import Case, FindingCode, Judgement, RedFlag, Round, RoundFound
from taptest.finding.red_flags import endangers, may_be_heated, red_flags
from taptest.finding.settle import settling_step
from taptest.finding.weigh import line_speaks, rings_all_over
from taptest.finding.wording import (
    HEATED,
    PIN,
    Story,
    cannot_tell_sentence,
    checks_of,
    not_checked_of,
    pin_may_be_pressed,
    reasons_of,
    sentence_of,
    stopping_in_time,
)
from taptest.line.records import LineReading
from taptest.quantities import METRIC, Units, percent
from taptest.statements import Said
from taptest.tank.kinds import HEAVIEST_PUSHED_M3, Tank, pressure_check_applies
from taptest.water.pressure import static_head_pa

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
MERGED: tuple[State, ...] = ("right", "slight loss", "low on air", "hidden air", "more air than expected")
"""States that people are told of under other names."""
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
SURE_ENOUGH = 0.6
"""Where no costs are weighed, a state counts as true from this probability on."""
TOO_LOW_PA = 15_000.0
"""A charge by this much under the static head is too low for the system: 0.15 bar, own judgement, no source."""
TOO_HIGH_PA = 50_000.0
"""A charge by this much above fill pressure and need is too high for the system: 0.5 bar, own judgement, no source."""
SURE_OF_PICTURE = 0.5
"""An inverted picture or two boundaries are reported from this probability on."""

CONTRADICTIONS: dict[tuple[str, str], str] = {
    ("weight", "heavy"): "the tank feels heavy, as if full of water",
    ("hot pressure", "far above the forecast"): "the hot pressure is far above the forecast",
    ("level from cold to hot", "stays"): "the level does not move from cold to hot",
    ("second gauge", "disagrees"): "a second gauge disagrees, so the pressure is in doubt",
    ("gauge when open", "not zero"): "the gauge does not show zero when open, so the pressure is in doubt",
}
"""Observations that forbid "as expected", with the clause that says so."""

BELOW_HEAD = "the pressure does not reach the top of the system, so the system is not full"
UNDER_CHARGE = "the cold pressure is below the pre-charge, so a right tank holds no water and cannot show that it works"
FILL_AND_TAP = "Cold, fill the system to its cold pressure, well above head and pre-charge, then tap again."
DANGER_FIRST = "what the gauge or the thermometer shows has to be seen to first"
ENTRY_FIRST = "an entry that is likely wrong has to be confirmed first"

INVERTED = "the shell rings at the water end and is dull at the air end"
"""What an inverted picture sounds like, a clause."""


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What is found, how surely, and for "cannot tell" why not."""

    code: FindingCode
    probability: float
    why: Said = ""
    """A clause; why the taps cannot tell, or what a failed membrane shows itself by."""
    check: Said = ""
    """The check that comes first, a sentence; empty where the finding's own come first."""
    kept_but_unfit: bool = False
    """Whether the tank has kept its stated charge, which is too low or too high for its system."""


def judge(
    case: Case,
    line: LineReading,
    seed: int = 0,
    units: Units = METRIC,
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
    comparison = compare(case, line, np.random.default_rng(seed), units.temperature, beside=beside, rounds=rounds)
    observed = told_by_weight(case, comparison, seen)
    lead = _leading(line, beside, rounds)
    decided = _decide(case, lead, comparison, observed)
    weighed = Decided(decided.code, decided.probability, decided.kept_but_unfit)
    facts = facts_of(case, lead, comparison, weighed, {**log_evidence(case), **observed})
    flags = red_flags(case, units, probabilities(facts) if pressure_check_applies(case.tank) else {})
    verdict = _heeding(decided, flags)
    story = Story(
        case,
        lead,
        comparison,
        units,
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
    sentence = sentence_of(story) if told else cannot_tell_sentence(verdict.why, checks[0], against)
    if not told and endangers(flags):
        sentence = f"Nothing is concluded yet, because {verdict.why}."
    return Judgement(
        code=verdict.code,
        sentence=sentence,
        confidence=_confidence(verdict, lead, comparison) if told else "cannot tell",
        reasons=(*reasons_of(story), *(onset_said(each.onset, case.tank) for each in rounds if each.onset is not None)),
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
        rounds=_told_of_rounds(case, comparison, rounds, seed, units),
        p_shut=comparison.p_shut,
        red_flags=flags,
    )


def _checks(verdict: _Verdict, story: Story, facts: Facts, flags: tuple[RedFlag, ...]) -> tuple[Said, ...]:
    """List what to do after the red flags' own steps: nothing as long as people are in danger."""
    if _in_danger(flags):
        return ()
    first: tuple[Said, ...] = (verdict.check,) if verdict.check else ()
    return first + checks_of(story) + _wider_checks(story, facts, flags, verdict.code != "cannot tell")


def _in_danger(flags: tuple[RedFlag, ...]) -> bool:
    """Whether people are in danger, so that nothing is asked for but to end it."""
    return any(flag.stops and flag.level == "danger" for flag in flags)


def _heeding(verdict: _Verdict, flags: tuple[RedFlag, ...]) -> _Verdict:
    """Hold a finding back that must not stand beside a red flag: a fine tank beside danger, any beside a doubt."""
    stopping = [flag for flag in flags if flag.stops]
    if not stopping:
        return verdict
    doubted = any(flag.level == "doubt" for flag in stopping)
    if doubted or verdict.code in ("as expected", "too small", "cannot tell"):
        return _Verdict("cannot tell", 1.0, ENTRY_FIRST if doubted else DANGER_FIRST, stopping[0].step)
    return verdict


def _leading(line: LineReading, beside: Sequence[LineReading], rounds: Sequence[Round]) -> LineReading:
    """Return the line that the finding is told by: the first one as found, or where it says nothing, one that does."""
    others = [*beside, *(each.lines[0] for each in _same_air(rounds) if each.lines)]
    return next((each for each in (line, *others) if each.misfit < 1.0 and line_speaks(each)), line)


def _same_air(rounds: Sequence[Round]) -> list[Round]:
    """Return the rounds before the air was changed."""
    return list(takewhile(lambda each: each.same_air, rounds))


def _told_of_rounds(
    case: Case, comparison: Comparison, rounds: Sequence[Round], seed: int, units: Units
) -> tuple[RoundFound, ...]:
    """Tell of each later round; one with other air, and those after it, are judged for themselves."""
    told = list(comparison.rounds)
    for each in rounds[len(told) :]:
        if not each.lines:
            told.append(RoundFound(None, None, None, onset=each.onset))
            continue
        alone = judge(replace(case, readings=each.readings, drain=None, log=()), each.lines[0], seed, units)
        told.append(RoundFound(alone.expected, alone.water_m3, each.lines[0], alone.code, alone.sentence))
    return tuple(told)


def _speaks_against(
    verdict: _Verdict, case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]
) -> bool | None:
    """Whether anything heard, read or observed makes a right tank less likely than it was before.

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
    return False if ratio >= SPEAKS_FOR else True if ratio < SPEAKS_AGAINST else None


def _decide(case: Case, line: LineReading, comparison: Comparison, observed: Mapping[str, str]) -> _Verdict:
    """Decide the finding: first what needs no comparison, then what forbids one, then the comparison."""
    tank = case.tank
    if not pressure_check_applies(tank):
        return _Verdict(
            "cannot tell",
            1.0,
            "an open tank has no air charge, so pressure says nothing about its level",
            "Look at the float valve and the overflow of the open tank.",
        )
    if tank.has_membrane and observed.get("water at the air valve") == "yes":
        return _Verdict("membrane failed", 0.97, "water comes from its air valve")
    picture = _picture(tank, line)
    if picture is not None:
        return picture
    blocked = _blocked(case, line, comparison) or _shut_off(comparison)
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
        return _Verdict(
            "cannot tell",
            max(line.posterior.p_found, inverted),
            "a level lies across the shell; a whole diaphragm leaves one in the water's half, a torn one all along",
            "Tap the same heights in the air valve's half: ringing all the way down shows no tear; a level there points"
            " to one, or to more than a third of water.",
        )
    if inverted >= SURE_OF_PICTURE:
        return _inverted(tank, inverted)
    if two >= SURE_OF_PICTURE:
        return _Verdict(
            "cannot tell",
            two,
            "the line shows two boundaries, and a tank has one",
            "Tap a second line a hand's width beside the first one, clear of seams, straps and the hand.",
        )
    if tank.sideways:
        return _Verdict(
            "cannot tell",
            1.0,
            "the tank lies, and a line from top to bottom does not show how far along the diaphragm stands",
            "Tap along the tank, from one end to the other at mid-height, and listen where the sound changes.",
        )
    return None


def _inverted(tank: Tank, probability: float, clause: str = INVERTED) -> _Verdict:
    if not tank.has_membrane:
        return _Verdict(
            "cannot tell",
            probability,
            f"{clause}, which no water level can make",
            "Check that the points were entered from the top down, and tap the line again.",
        )
    if not tank.hanging:
        return _Verdict(
            "membrane failed",
            0.7 * probability,
            f"{clause}, unless the pipe really enters at the top",
            "Check at which end the pipe enters: if at the top, correct the entry and judge again.",
        )
    return _Verdict("membrane failed", probability, clause)


def _blocked(case: Case, line: LineReading, comparison: Comparison) -> _Verdict | None:
    """Why sound and readings cannot be compared; a shell dull all over stays waterlogged all the same."""
    pressure, posterior = case.readings.pressure_pa, line.posterior
    why: Said
    check: Said
    if line.misfit >= 1.0:
        return _Verdict(
            "cannot tell",
            1.0,
            "the line sounds unlike anything that water and air in this tank can make",
            "Check the tank's dimensions and wall, and tap the line again in a quiet moment.",
        )
    dull = posterior.p_all_water >= SURE_ENOUGH and line.state == "all water"
    if pressure is None:
        why, check = "without the system's pressure no level is right or wrong", "Read the pressure and tap again."
    elif pressure < NO_PRESSURE_PA:
        why = "without pressure nothing leans on the shell, and everything rings"
        if not case.tank.has_membrane:
            why = "without pressure the water in a plain tank says nothing about its air"
        check = "Fill the system to its cold pressure and tap again."
    elif comparison.reference is None:
        why = "neither the pre-charge nor the height of the system is known"
        check = "Note the pre-charge on the tank's plate or the height to the highest emitter, and judge again."
    elif comparison.air is not None and comparison.air.contradiction:
        why = "the estimates of the air contradict each other"
        check = "Repeat the measured drain or the log with the fill valve shut, and tap again."
    elif (
        not line_speaks(line)
        and not comparison.onset_heard
        and comparison.probabilities.get("membrane failed", 0.0) < SURE_ENOUGH
    ):
        why = "the line does not show where the water ends"
        check = "Tap the line again: more points, three clean taps each, and quiet around."
        # A line too poor to be read at all says why itself; the bag is no reason then.
        if case.tank.has_bag and line.method != "none":
            why = f"{why}, as happens with a bag that hardly touches its shell"
        elif line.unreadable is not None:
            why, check = line.unreadable.why, line.unreadable.step or check
        return _Verdict("cannot tell", 1.0, why, check)
    else:
        return None
    return _Verdict("waterlogged", 0.8 * posterior.p_all_water) if dull else _Verdict("cannot tell", 1.0, why, check)


def _shut_off(comparison: Comparison) -> _Verdict | None:
    """Say that a tank takes no part whose water stays where it was at another pressure."""
    if comparison.p_shut < SURE_ENOUGH:
        return None
    return _Verdict(
        "cannot tell",
        comparison.p_shut,
        "its water stayed where it was at another pressure, as where the tank is shut off or its line plugged",
        "See whether the valve before the tank is open and its line free, then tap both rounds again.",
    )


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
    best = min(COST, key=lambda code: expected_cost(code, chances))
    named = line.state != "not found" or comparison.onset_heard or best == "membrane failed"
    if expected_cost(best, chances) >= (CANNOT_TELL_COSTS if named else UNNAMED_COSTS):
        return _open_between(case, line, chances, observed)
    if best in ("as expected", "too small"):
        if chances["right"] + chances["too small"] < FINE_ENOUGH or unfit is not None:
            return _open_between(case, line, chances, observed)
        return _where_it_should_be(case, line, comparison, observed, best)
    if best == "membrane failed":
        # The taps alone are not sure of the picture; the readings, which no level fits, make it so.
        return _inverted(
            case.tank, comparison.probabilities[best], f"by taps and readings together it is likeliest that {INVERTED}"
        )
    return _Verdict(best, comparison.probabilities[best])


def _contradiction(observed: Mapping[str, str]) -> str | None:
    """Say as a clause what was observed that forbids calling a tank fine; None where nothing was."""
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
        return _Verdict("cannot tell", 1.0, f"they find the water where it should be, but {contradiction}")
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
    column = float(static_head_pa(case.readings.tank_above_gauge_m, case.system.fluid))
    slack = 2 * case.readings.pressure_sd_pa
    if head is not None and pressure - column < head - slack:
        return _Verdict("cannot tell", 1.0, BELOW_HEAD, FILL_AND_TAP)
    charge = case.readings.precharge_pa
    if is_hot(case) is False and charge is not None and case.tank.has_membrane and pressure < charge - slack:
        return _Verdict("cannot tell", 1.0, UNDER_CHARGE, FILL_AND_TAP)
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
    case: Case, line: LineReading, chances: Mapping[State, float], observed: Mapping[str, str]
) -> _Verdict:
    """Name the two likeliest findings; for a bag that rings all over, why the taps cannot tell them apart."""
    said: dict[str, float] = {
        "as expected": chances["right"],
        "low on air": chances["low on air"] + chances["slight loss"],
        "more air than expected": chances["more air than expected"] + chances["hidden air"],
        **{str(name): chance for name, chance in chances.items() if name not in MERGED},
    }
    first, second = sorted(said, key=lambda name: -said[name])[:2]
    if case.tank.has_bag and line.state == "not found" and rings_all_over(line):
        why = "the shell rings all over, as it does without water and also where a bag hardly touches it"
        if observed.get("weight") == "heavy":
            why = "the shell rings all over but the tank feels heavy, as where a bag full of water hardly touches it"
        return _Verdict("cannot tell", said[first], why, _next_of_a_ringing_bag(case, observed))
    if line.state == "all air" and {first, second} == {"as expected", "more air than expected"}:
        return _Verdict(
            "cannot tell",
            said[first],
            "the shell rings all over, as it does at this pressure with the right charge and with too much air",
            settling_step(case, line),
        )
    return _Verdict(
        "cannot tell",
        said[first],
        f'taps and readings leave it open between "{first}" ({percent(said[first])}) and "{second}"'
        f" ({percent(said[second])})",
        settling_step(case, line),
    )


def _next_of_a_ringing_bag(case: Case, observed: Mapping[str, str]) -> str:
    """Return the cheapest check that parts an empty bag from one that does not touch and that was not made yet."""
    known = set(observed)
    if is_hot(case) or observed.get("weight") == "heavy":  # tapped hot already, or too likely full to wait
        known.add("level from cold to hot")
    checks = ("weight", "level from cold to hot")
    return next((check_sentence(name) for name in checks if name not in known), settling_step(case, None))


def _wider_checks(story: Story, facts: Facts, flags: tuple[RedFlag, ...], told: bool) -> tuple[str, ...]:
    """List checks on the other causes, the most telling for its price first; without observations, just ask.

    The pin of the air valve comes last and only on a cold tank; what fires the system up only where that is safe.
    """
    case = story.case
    if not pressure_check_applies(case.tank):
        return ()
    if told and not case.observations:
        return (check_sentence("drips"),)
    checks = [check for check in next_checks(facts, _out_of_reach(story, flags)) if check.evidence != PIN][:3]
    return tuple(stopping_in_time(story, check.evidence, check.sentence) for check in checks)


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


def _confidence(verdict: _Verdict, line: LineReading, comparison: Comparison) -> str:
    """Name the confidence; a line that names no state carries no high one for a tank called right."""
    if verdict.code == "as expected" and line.state == "not found" and not comparison.onset_heard:
        return "fair" if verdict.probability >= 0.9 else "low"
    return "high" if verdict.probability >= 0.9 else "fair" if verdict.probability >= 0.75 else "low"


def _in_order(checks: tuple[Said, ...]) -> tuple[Said, ...]:
    return tuple(dict.fromkeys(checks))

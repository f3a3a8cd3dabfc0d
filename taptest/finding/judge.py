"""The finding of a visit: one call that puts line, readings, comparison and causes together.

A failed tank called fine is the worst error, so "as expected" is said only when taps and readings agree and nothing
observed contradicts; a replacement is never asked for from sound alone; and where the evidence does not carry a
finding, the finding is "cannot tell" with the next cheapest check. Every text shows figures in the user's units.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from taptest.finding.air import log_evidence
from taptest.finding.causes import check_sentence, checked_observations, next_checks, ranked_causes
from taptest.finding.compare import (
    CHARGE_TOLERANCE_PA,
    LIKELY_ENOUGH_TO_WEEP,
    NO_PRESSURE_PA,
    Comparison,
    compare,
    is_hot,
)
from taptest.finding.records import Case, FindingCode, Judgement
from taptest.finding.wording import (
    KEPT_BUT_UNFIT,
    Story,
    cannot_tell_sentence,
    checks_of,
    not_checked_of,
    reasons_of,
    sentence_of,
)
from taptest.line.records import LineReading
from taptest.quantities import METRIC, Units
from taptest.tank.kinds import Tank, pressure_check_applies

SURE_ENOUGH = 0.6
"""A fault is named only from this probability on."""
FINE_ENOUGH = 0.65
"""The least probability of "as expected" with which it may be said, if besides:"""
FINE_AGAINST_FAULTS = 0.87
"""Its least probability against the dangerous findings alone (low on air, waterlogged, membrane failed)."""
DANGEROUS: tuple[FindingCode, ...] = ("low on air", "waterlogged", "membrane failed")
TOO_HIGH_PA = 50_000.0
"""A charge by this much above fill pressure and need is too high for the system: 0.5 bar, own judgement, no source."""
TOO_MUCH_WATER: tuple[FindingCode, ...] = ("low on air", "waterlogged")
SURE_OF_TOO_MUCH = 0.85
"""The likelier of these two is named from this probability of both together on: either way the tank is no good."""
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

_SOUND_OF: dict[FindingCode, str] = {
    "as expected": "as expected",
    "too small": "as expected",
    "low on air": "more water than expected",
    "waterlogged": "dull all over",
    "more air than expected": "less water than expected",
}


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What is found, how surely, and for "cannot tell" why not."""

    code: FindingCode
    probability: float
    why: str = ""
    """A clause; why the taps cannot tell, or what a failed membrane shows itself by."""
    check: str = ""
    """The check that comes first, a sentence; empty where the finding's own come first."""


def judge(case: Case, line: LineReading, seed: int = 0, units: Units = METRIC) -> Judgement:
    """Judge one visit.

    `seed` seeds the sampling: the same case, line and seed give the same judgement. Raises `VisitError` for an
    observation that is not in the table of causes, and `PhysicsError` for readings that cannot be.
    """
    observed = checked_observations(case.observations)
    comparison = compare(case, line, np.random.default_rng(seed), units.temperature)
    verdict = _decide(case, line, comparison, observed)
    evidence = (
        _derived(case, line, comparison, verdict.code, verdict.why == KEPT_BUT_UNFIT) | log_evidence(case) | observed
    )
    story = Story(case, line, comparison, units, verdict.code, verdict.probability, verdict.why, evidence)
    told = verdict.code != "cannot tell"
    checks = _in_order(
        ((verdict.check,) if verdict.check else ()) + checks_of(story) + _wider_checks(case, evidence, observed, told)
    )
    sentence = sentence_of(story) if told else cannot_tell_sentence(verdict.why, checks[0])
    return Judgement(
        code=verdict.code,
        sentence=sentence,
        confidence=_confidence(verdict) if told else "cannot tell",
        reasons=reasons_of(story),
        not_checked=not_checked_of(story),
        next_checks=checks[:5],
        causes=ranked_causes(evidence) if pressure_check_applies(case.tank) else (),
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
    )


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
    blocked = _blocked(case, line, comparison)
    if blocked is not None:
        return blocked
    return _from_probabilities(case, comparison, observed)


def _picture(tank: Tank, line: LineReading) -> _Verdict | None:
    """Read the picture by itself: inverted, two boundaries, a level across a lying diaphragm tank."""
    inverted, two = line.posterior.p_inverted, line.posterior.p_two
    if tank.sideways and (line.state == "found" or inverted >= SURE_OF_PICTURE):
        sure = max(line.posterior.p_found, inverted)
        return _Verdict(
            "membrane failed",
            0.8 * sure,
            "a level lies across the shell, which a whole diaphragm of a lying tank does not leave",
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


def _inverted(tank: Tank, probability: float) -> _Verdict:
    clause = "the shell rings at the water end and is dull at the air end"
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
    elif line.state == "not found" and comparison.probabilities.get("membrane failed", 0.0) < SURE_ENOUGH:
        why = "the line does not show where the water ends"
        # A line too poor to be read at all says why itself; the bag is no reason then.
        if case.tank.kind == "bladder" and line.method != "none":
            why += ", as happens with a bag that hardly touches its shell"
        elif line.method == "none" and line.notes:
            why = _clause(line.notes[0])
        check = "Tap the line again: more points, three clean taps each, and quiet around."
        return _Verdict("cannot tell", 1.0, why, check)
    else:
        return None
    return _Verdict("waterlogged", 0.8 * posterior.p_all_water) if dull else _Verdict("cannot tell", 1.0, why, check)


def _clause(sentence: str) -> str:
    """Return a sentence as a clause, without what it asks for after a colon."""
    said = sentence.split(":", maxsplit=1)[0].rstrip(".")
    return said[:1].lower() + said[1:]


def _from_probabilities(case: Case, comparison: Comparison, observed: Mapping[str, str]) -> _Verdict:
    probabilities = comparison.probabilities
    best = max(probabilities, key=lambda code: probabilities[code])
    chance = probabilities[best]
    if best != "as expected":
        if chance >= SURE_ENOUGH:
            return _Verdict(best, chance)
        if best in TOO_MUCH_WATER and sum(probabilities.get(code, 0.0) for code in TOO_MUCH_WATER) >= SURE_OF_TOO_MUCH:
            return _Verdict(best, chance)
        return _open_between(probabilities)
    against = chance + sum(probabilities.get(code, 0.0) for code in DANGEROUS)
    if chance < FINE_ENOUGH or chance / against < FINE_AGAINST_FAULTS:
        return _open_between(probabilities)
    return _where_it_should_be(case, comparison, observed, chance)


def _where_it_should_be(case: Case, comparison: Comparison, observed: Mapping[str, str], chance: float) -> _Verdict:
    """Decide whether a tank whose water ends where the readings want it, with that probability, fits its system."""
    contradiction = next((says for key, says in CONTRADICTIONS.items() if observed.get(key[0]) == key[1]), None)
    if contradiction is not None:
        return _Verdict("cannot tell", 1.0, f"they find the water where it should be, but {contradiction}")
    unfit = _unfit_charge(case, comparison)
    if unfit is not None:
        return _Verdict(unfit, chance, KEPT_BUT_UNFIT)
    forecast, relief = comparison.forecast, case.system.relief_pa
    if forecast is not None and relief is not None and forecast.p_may_weep >= SURE_ENOUGH:
        return _Verdict("too small", min(chance, forecast.p_may_weep))
    return _Verdict("as expected", chance)


def _unfit_charge(case: Case, comparison: Comparison) -> FindingCode | None:
    """Say which way a stated charge, though kept, is wrong for the system; None where it is right or that is not known.

    Too low: under the static head alone. Too high: well above both the fill pressure and what the height needs.
    """
    stated, head = case.readings.precharge_pa, case.system.static_head_pa
    if stated is None or not case.tank.has_membrane:
        return None
    if head is not None and stated < head - CHARGE_TOLERANCE_PA:
        return "low on air"
    right = [value for value in (comparison.needed_precharge_pa, case.system.fill_pa) if value is not None]
    return "more air than expected" if right and stated > max(right) + TOO_HIGH_PA else None


def _open_between(probabilities: Mapping[FindingCode, float]) -> _Verdict:
    first, second = sorted(probabilities, key=lambda code: -probabilities[code])[:2]
    return _Verdict(
        "cannot tell",
        probabilities[first],
        f'taps and readings leave it open between "{first}" ({probabilities[first]:.0%}) and'
        f' "{second}" ({probabilities[second]:.0%})',
    )


def _derived(case: Case, line: LineReading, comparison: Comparison, code: FindingCode, unfit: bool) -> dict[str, str]:
    """Evidence for the causes that follows from taps and readings; what was observed by hand goes before it."""
    found: dict[str, str] = {}
    sound = None if unfit else _SOUND_OF.get(code)
    if code == "membrane failed":
        inverted = line.posterior.p_inverted >= SURE_OF_PICTURE
        sound = "inverted" if inverted else "dull all over" if line.state == "all water" else None
    if sound is not None:
        found["sound when cold" if is_hot(case) is False else "sound when hot"] = sound
    if code in ("as expected", "too small") and comparison.forecast is not None and case.system.relief_pa is not None:
        reach = comparison.forecast.p_may_weep
        if reach >= SURE_ENOUGH:
            found["forecast"] = "reaches the relief setting"
        elif reach < LIKELY_ENOUGH_TO_WEEP:
            found["forecast"] = "stays below"
    found |= _derived_readings(case)
    return found


def _wider_checks(case: Case, evidence: Mapping[str, str], observed: Mapping[str, str], told: bool) -> tuple[str, ...]:
    """List checks on the other causes, the most telling per minute first; without observations, just ask."""
    if not pressure_check_applies(case.tank):
        return ()
    if told and not observed:
        return (check_sentence("drips"),)
    made = "sound when cold" if is_hot(case) is False else "sound when hot"
    out_of_reach = (made,) if case.tank.has_membrane else (made, "water at the air valve")
    return tuple(check.sentence for check in next_checks(evidence, out_of_reach)[:3])


def _derived_readings(case: Case) -> dict[str, str]:
    found: dict[str, str] = {}
    readings, system = case.readings, case.system
    head, pressure = system.static_head_pa, readings.pressure_pa
    if is_hot(case) is False and head is not None and pressure is not None:
        # Head plus 5 psi, and 12 psi as the least that is set anywhere: common practice, no source.
        usual = max(head + 34_500.0, 82_700.0)
        slack = 20_000.0 + 2 * readings.pressure_sd_pa
        low = pressure < head - readings.pressure_sd_pa
        found["cold pressure"] = "low" if low else "high" if pressure > usual + slack else "normal"
    limit, water = system.max_temperature_c, readings.water_temperature_c
    if limit is not None and water is not None and is_hot(case):
        found["temperature"] = "above the limit" if water > limit + 3.0 else "within the limit"
    return found


def _confidence(verdict: _Verdict) -> str:
    return "high" if verdict.probability >= 0.9 else "fair" if verdict.probability >= 0.75 else "low"


def _in_order(checks: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(checks))

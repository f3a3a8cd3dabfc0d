"""The table of causes: sound as probabilities, printed in the docs, and right on twenty invented complaints."""

import re
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest

from taptest.errors import VisitError
from taptest.finding.cause_keys import Because, Fact
from taptest.finding.cause_table import EVIDENCE, PRIORS, TANK, TANK_STATES, USUAL_TANK, WORN_SEAT
from taptest.finding.causes import (
    CLAIMED_FROM,
    SEAT_TOO,
    TWO_AT_ONCE,
    CauseNote,
    Facts,
    claimed_cause,
    next_checks,
    notes_on_causes,
    observed,
    probabilities,
    ranked_causes,
    said_check,
)
from taptest.finding.weigh import BEFORE
from taptest.quantities import METRIC
from taptest.words.tell import tell
from tests.cause_tables import table_markdown
from tests.said import keys_of

DOCS = Path(__file__).parents[2] / "docs"
Complaint = tuple[str, dict[str, str], dict[str, str]]
BY_NAME = {evidence.name: evidence for evidence in EVIDENCE}


def complaints() -> list[Complaint]:
    """The invented complaints of docs/cases.md: cause, evidence on arrival, evidence found later."""
    told: list[Complaint] = []
    for part in (DOCS / "cases.md").read_text(encoding="utf-8").split("\n## Cause: ")[1:]:
        rows = re.findall(r"^\| (on arrival|later) \| ([^|]+) \| ([^|]+) \|$", part, re.MULTILINE)
        arrival = {name.strip(): answer.strip() for when, name, answer in rows if when == "on arrival"}
        later = {name.strip(): answer.strip() for when, name, answer in rows if when == "later"}
        told.append((part.splitlines()[0].strip(), arrival, later))
    return told


def sure_of(state: str) -> Facts:
    """Taps and readings that are nine tenths sure of one state of the tank."""
    return Facts(tank={each: 0.9 if each == state else 0.025 for each in TANK_STATES})


def test_every_row_of_the_table_is_a_distribution() -> None:
    assert sum(PRIORS.values()) == pytest.approx(1.0)
    for evidence in EVIDENCE:
        rows = evidence.likelihoods()
        assert rows.shape == (len(PRIORS), len(evidence.answers))
        np.testing.assert_allclose(rows.sum(axis=1), 1.0, atol=1e-9, err_msg=evidence.name)
        assert set(evidence.under) <= set(PRIORS)
        assert evidence.minutes > 0
    assert set(TANK) <= set(PRIORS)
    assert all(sum(row) == pytest.approx(1.0) for row in (USUAL_TANK, *TANK.values()))
    assert set(TANK_STATES) == set(BEFORE)


def test_no_single_fact_rules_a_cause_out() -> None:
    """What one answer makes of the odds of two causes stays under a hundred: an answer may be a slip."""
    for evidence in EVIDENCE:
        rows = evidence.likelihoods()
        assert (rows.max(axis=0) / rows.min(axis=0)).max() < 100.0, evidence.name
    for state in TANK_STATES:
        assert min(probabilities(sure_of(state)).values()) > 0.001


def test_docs_print_the_table_of_the_code() -> None:
    assert (DOCS / "causes.md").read_text(encoding="utf-8").endswith(table_markdown())


def test_every_cause_has_its_complaint() -> None:
    assert [cause for cause, _, _ in complaints()] == list(PRIORS)
    assert all(arrival and later for _, arrival, later in complaints())


@pytest.mark.parametrize("complaint", complaints(), ids=lambda complaint: complaint[0])
def test_nothing_is_claimed_before_the_separating_evidence_and_the_right_cause_with_it(complaint: Complaint) -> None:
    cause, arrival, later = complaint
    assert claimed_cause(ranked_causes(observed(arrival))) is None
    causes = ranked_causes(observed({**arrival, **later}))
    assert causes[0].cause == cause
    assert causes[0].weight >= CLAIMED_FROM
    assert claimed_cause(causes) is causes[0]
    assert keys_of(causes[0].because)[0] not in (Because.NOTHING, Because.AGAINST)


def test_no_evidence_leaves_the_order_of_the_priors_with_a_worn_seat_on_top_of_others() -> None:
    left = probabilities(Facts())
    for first, second in pairwise(sorted((name for name in PRIORS if name != WORN_SEAT), key=PRIORS.__getitem__)):
        assert left[first] <= left[second] + 1e-9
    assert PRIORS[WORN_SEAT] + 0.5 * SEAT_TOO < left[WORN_SEAT] < PRIORS[WORN_SEAT] + SEAT_TOO
    causes = ranked_causes(Facts())
    assert claimed_cause(causes) is None
    assert all(keys_of(cause.because) == [Because.NOTHING] and not cause.supported for cause in causes)


def test_what_hardly_bears_on_a_cause_does_not_speak_for_it() -> None:
    """A normal cold pressure fits most causes: no reason to name one of them."""
    causes = {cause.cause: cause for cause in ranked_causes(observed({"cold pressure": "normal"}))}
    assert not causes["lost pre-charge"].supported
    assert keys_of(causes["fill pressure set too high"].because) == [Because.AGAINST, Fact.COLD_PRESSURE_NORMAL]


def test_what_speaks_against_a_cause_does_not_count_as_speaking_for_it() -> None:
    told = observed({"weight": "light", "second gauge": "disagrees"})
    causes = {cause.cause: cause for cause in ranked_causes(told)}
    assert causes["gauge error"].supported
    assert keys_of(causes["gauge error"].because)[:2] == [Because.ONE, Fact.SECOND_GAUGE_DISAGREES]
    assert not causes["waterlogged tank"].supported
    assert keys_of(causes["waterlogged tank"].because)[0] is Because.AGAINST


def test_posterior_is_bayes_rule_worked_by_hand() -> None:
    """Every cause alone and every pair: the one that says something of a fact decides it, else the mean of both."""
    facts = {"weight": "heavy", "water at the air valve": "no"}

    def likelihood(name: str, causes: tuple[str, ...]) -> float:
        evidence = BY_NAME[name]
        row = dict(zip(PRIORS, evidence.likelihoods()[:, evidence.answers.index(facts[name])], strict=True))
        telling = [cause for cause in causes if cause in evidence.under] or list(causes)
        return float(np.mean([row[cause] for cause in telling]))

    chance: dict[tuple[str, ...], float] = {(cause,): share for cause, share in PRIORS.items()}
    for pair in combinations(PRIORS, 2):
        others = [PRIORS[cause] for cause in pair if cause != WORN_SEAT]
        chance[pair] = SEAT_TOO * others[0] if len(others) == 1 else TWO_AT_ONCE * others[0] * others[1]
    # Neither fact is of the valve itself, so a worn seat on top of another cause says nothing in either.
    weight = {
        causes: share
        * np.prod([likelihood(name, tuple(c for c in causes if c != WORN_SEAT) or causes) for name in facts])
        for causes, share in chance.items()
    }
    total = sum(weight.values())
    by_hand = {cause: sum(w for causes, w in weight.items() if cause in causes) / total for cause in PRIORS}
    assert probabilities(observed(facts)) == pytest.approx(by_hand)


def test_a_soft_fact_lies_between_its_answers_and_an_even_one_says_nothing() -> None:
    hard = [probabilities(observed({"forecast": answer})) for answer in BY_NAME["forecast"].answers]
    half = probabilities(Facts(soft={"forecast": (0.5, 0.5)}))
    assert half == pytest.approx(probabilities(Facts()))
    mostly = probabilities(Facts(soft={"forecast": (0.3, 0.7)}))["tank too small"]
    assert hard[0]["tank too small"] < half["tank too small"] < mostly < hard[1]["tank too small"]


@pytest.mark.parametrize(
    ("state", "cause"),
    [
        ("low on air", "lost pre-charge"),
        ("waterlogged", "waterlogged tank"),
        ("membrane failed", "waterlogged tank"),
        ("more air than expected", "over-charged tank"),
    ],
)
def test_what_is_found_of_the_tank_leads_its_causes_but_claims_none_of_the_others(state: str, cause: str) -> None:
    causes = ranked_causes(sure_of(state))
    assert causes[0].cause == cause
    assert causes[0].supported
    assert causes[0].weight > 2 * PRIORS[cause]


def test_a_right_tank_speaks_for_the_causes_outside_it() -> None:
    before, after = probabilities(Facts()), probabilities(sure_of("as expected"))
    for cause in ("waterlogged tank", "lost pre-charge", "over-charged tank"):
        assert after[cause] < before[cause]
    for cause in ("tank too small", "fill valve creeping", "gauge error"):
        assert after[cause] > before[cause]


def test_two_causes_at_once_are_told() -> None:
    """A tank that has lost its charge, and a valve that drips far below its setting all the time ever since."""
    facts = Facts({"drips": "all the time", "valve drips at": "well below its setting"}, {}, sure_of("low on air").tank)
    causes = ranked_causes(facts)
    assert {cause.cause for cause in causes[:2]} == {"lost pre-charge", WORN_SEAT}
    assert sum(cause.weight for cause in causes) > 1.2
    notes = [note for note in notes_on_causes(facts, causes) if note.key is CauseNote.TWO]
    assert [(note.values["first"], note.values["second"]) for note in notes] == [("lost pre-charge", WORN_SEAT)]


def test_water_added_often_is_said_with_what_it_does() -> None:
    facts = observed({"water is added": "every week or two"})
    assert keys_of(notes_on_causes(facts, ranked_causes(facts))).count(CauseNote.OFTEN_FILLED) == 1


def test_next_check_is_the_most_information_for_its_price_and_brute_force_agrees() -> None:
    facts = observed({"drips": "hot"})
    checks = next_checks(facts)
    assert [c.worth for c in checks] == sorted((c.worth for c in checks), reverse=True)
    assert "drips" not in {c.evidence for c in checks}
    for check in checks:
        evidence = BY_NAME[check.evidence]
        assert check.price == evidence.minutes + evidence.risk_minutes
        assert check.bits > 0


def test_each_likely_cause_has_a_check_whose_answers_move_it_and_average_out() -> None:
    facts = observed({"drips": "hot", "cold pressure": "normal"})
    for cause in ranked_causes(facts):
        if cause.check is None:
            continue
        after = [chance for _, chance in cause.check.outcomes]
        assert min(after) < cause.weight < max(after)
        evidence = BY_NAME[cause.check.evidence]
        by_hand = [
            probabilities(observed({**facts.answers, evidence.name: answer}))[cause.cause]
            for answer in evidence.answers
        ]
        assert after == pytest.approx(by_hand)
        assert f"{cause.check.minutes:g} min" in tell(said_check(cause.check), METRIC)
    assert all(each.check is not None for each in ranked_causes(facts)[:3])


def test_what_is_dangerous_is_dear_and_what_cannot_be_got_is_left_out() -> None:
    order = [check.evidence for check in next_checks(observed({"drips": "hot"}))]
    for cheap in ("weight", "work on the system", "cold pressure", "valve before the tank"):
        assert order.index(cheap) < order.index("water at the air valve")
    out = ("water at the air valve", "weight")
    assert not set(out) & {check.evidence for check in next_checks(Facts(), out)}
    assert not {cause.check.evidence for cause in ranked_causes(Facts(), out) if cause.check} & set(out)


def test_names_and_answers_are_read_kindly_but_not_guessed() -> None:
    assert observed({"Water_at_the_air_valve": "YES"}) == observed({"water at the air valve": "yes"})
    with pytest.raises(VisitError, match="not known"):
        observed({"smell": "bad"})
    with pytest.raises(VisitError, match="yes; no"):
        observed({"water at the air valve": "maybe"})

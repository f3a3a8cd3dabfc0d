"""The table of causes: sound as probabilities, printed in the docs, and right on thirteen invented complaints."""

import re
from pathlib import Path

import numpy as np
import pytest

from taptest.errors import VisitError
from taptest.finding.causes import (
    CLAIMED_FROM,
    EVIDENCE,
    PRIORS,
    claimed_cause,
    next_checks,
    probabilities,
    ranked_causes,
    table_markdown,
)

DOCS = Path(__file__).parents[2] / "docs"
Complaint = tuple[str, dict[str, str], dict[str, str]]


def complaints() -> list[Complaint]:
    """The invented complaints of docs/cases.md: cause, evidence on arrival, evidence found later."""
    told: list[Complaint] = []
    for part in (DOCS / "cases.md").read_text(encoding="utf-8").split("\n## Cause: ")[1:]:
        rows = re.findall(r"^\| (on arrival|later) \| ([^|]+) \| ([^|]+) \|$", part, re.MULTILINE)
        arrival = {name.strip(): answer.strip() for when, name, answer in rows if when == "on arrival"}
        later = {name.strip(): answer.strip() for when, name, answer in rows if when == "later"}
        told.append((part.splitlines()[0].strip(), arrival, later))
    return told


def test_every_row_of_the_table_is_a_distribution() -> None:
    assert sum(PRIORS.values()) == pytest.approx(1.0)
    for evidence in EVIDENCE:
        rows = evidence.likelihoods()
        assert rows.shape == (len(PRIORS), len(evidence.answers))
        np.testing.assert_allclose(rows.sum(axis=1), 1.0, atol=1e-9, err_msg=evidence.name)
        assert rows.min() > 0
        assert set(evidence.under) <= set(PRIORS)
        assert evidence.minutes > 0


def test_docs_print_the_table_of_the_code() -> None:
    assert (DOCS / "causes.md").read_text(encoding="utf-8").endswith(table_markdown())


def test_every_cause_has_its_complaint() -> None:
    assert [cause for cause, _, _ in complaints()] == list(PRIORS)
    assert all(arrival and later for _, arrival, later in complaints())


@pytest.mark.parametrize("complaint", complaints(), ids=lambda complaint: complaint[0])
def test_nothing_is_claimed_before_the_separating_evidence_and_the_right_cause_with_it(complaint: Complaint) -> None:
    cause, arrival, later = complaint
    assert claimed_cause(arrival) is None
    first = ranked_causes({**arrival, **later})[0]
    assert first.cause == cause
    assert first.weight >= CLAIMED_FROM
    assert first.supported
    assert not first.because.startswith(("Nothing", "Against"))


def test_no_evidence_leaves_the_priors() -> None:
    assert probabilities({}) == pytest.approx(PRIORS)
    assert claimed_cause({}) is None
    assert all(cause.because.startswith("Nothing observed") and not cause.supported for cause in ranked_causes({}))


def test_what_hardly_bears_on_a_cause_does_not_speak_for_it() -> None:
    """A normal cold pressure fits most causes: no reason to name one of them."""
    causes = {cause.cause: cause for cause in ranked_causes({"cold pressure": "normal"})}
    assert not causes["lost pre-charge"].supported
    assert causes["fill pressure set too high"].because.startswith("Against it: the cold pressure is what")


def test_what_speaks_against_a_cause_does_not_count_as_speaking_for_it() -> None:
    causes = {cause.cause: cause for cause in ranked_causes({"weight": "light", "second gauge": "disagrees"})}
    assert causes["gauge error"].supported
    assert causes["gauge error"].because.startswith("A second gauge disagrees")
    assert not causes["waterlogged tank"].supported
    assert causes["waterlogged tank"].because.startswith("Against it: ")


def test_posterior_is_bayes_rule_worked_by_hand() -> None:
    by_name = {evidence.name: evidence for evidence in EVIDENCE}
    weight, drips = by_name["weight"], by_name["drips"]
    product = {
        cause: share
        * weight.under.get(cause, weight.usual)[weight.answers.index("heavy")]
        * drips.under.get(cause, drips.usual)[drips.answers.index("hot")]
        for cause, share in PRIORS.items()
    }
    total = sum(product.values())
    found = probabilities({"weight": "heavy", "drips": "hot"})
    assert found == pytest.approx({cause: value / total for cause, value in product.items()})


def test_next_check_is_the_most_information_a_minute_and_brute_force_agrees() -> None:
    known = {"drips": "hot"}
    checks = next_checks(known)
    assert [c.bits_per_minute for c in checks] == sorted((c.bits_per_minute for c in checks), reverse=True)
    assert "drips" not in {c.evidence for c in checks}
    before = np.array(list(probabilities(known).values()))
    entropy = -float(np.sum(before * np.log2(before)))
    for check in checks[:5]:
        evidence = next(e for e in EVIDENCE if e.name == check.evidence)
        chance = before @ evidence.likelihoods()
        left = 0.0
        for answer, p in zip(evidence.answers, chance, strict=True):
            after = np.array(list(probabilities({**known, check.evidence: answer}).values()))
            left -= p * float(np.sum(after * np.log2(after)))
        assert check.bits == pytest.approx(entropy - left, abs=1e-9)


def test_cheap_question_goes_before_the_long_measurement() -> None:
    order = [check.evidence for check in next_checks({"drips": "hot"})]
    assert order.index("water at the air valve") < order.index("warm-up")
    assert "water at the air valve" not in {c.evidence for c in next_checks({}, ("water at the air valve",))}


def test_names_and_answers_are_read_kindly_but_not_guessed() -> None:
    assert probabilities({"Water_at_the_air_valve": "YES"}) == probabilities({"water at the air valve": "yes"})
    with pytest.raises(VisitError, match="not known"):
        probabilities({"smell": "bad"})
    with pytest.raises(VisitError, match="yes; no"):
        probabilities({"water at the air valve": "maybe"})

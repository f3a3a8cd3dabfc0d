"""Ranked causes of a relief valve that opens, by Bayes' rule from the facts at hand, and the check that tells most.

The figures stand in `finding.cause_table`. One cause may be at work or two at once; `Cause.weight` is the probability
that a cause is among them, so the weights may add up to more than one. Facts that are missing are simply missing; a
fact that is known in part enters as the likelihood of each of its answers. Facts are taken as independent given what
is at work. Shapes: C causes, H hypotheses (each cause alone, then the pairs), A answers.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from taptest.errors import VisitError
from taptest.finding.cause_keys import Because, Fact
from taptest.finding.cause_table import (
    BY_NAME,
    EVIDENCE,
    PRIORS,
    TANK,
    TANK_STATES,
    USUAL_TANK,
    WORN_SEAT,
    Evidence,
)
from taptest.finding.records import NAME, Cause, CauseCheck, FindingCode
from taptest.finding.weigh import BEFORE
from taptest.statements import Key, Statement, Value

FloatArray = NDArray[np.float64]

CLAIMED_FROM = 0.6
"""A cause is claimed only from this probability on."""
SPEAKS_FROM = 1.3
"""An observation speaks for a cause where it makes it that many times likelier, and against it the other way."""
SEAT_TOO = 0.15
"""Probability that a relief valve which another cause has lifted does not reseat: own judgement, no source."""
TWO_AT_ONCE = 0.25
"""How many times as often two causes meet as chance would have it, given that the valve opens: own judgement; few
visits are made for two independent faults, for the first one brings the call."""
TELLS_ENOUGH_BITS = 0.02
"""A check that tells less than this of what is at work is not worth a walk."""
OPEN_FROM = 0.05
"""A cause from this probability on is still open, and gets a check of its own."""
TOGETHER_FROM = 0.25
"""Two causes at once are told of from this probability on."""
LEAST_TANK = 0.02
"""Of each state of the tank as much is left, however sure taps and readings are."""

NAMES = tuple(PRIORS)
"""The causes in the order of all arrays."""
PAIRS = tuple(combinations(range(len(NAMES)), 2))
"""Numbers of the causes of each pair, in the order of the hypotheses."""
_SEAT = NAMES.index(WORN_SEAT)


class CauseNote(Key):
    """What is said of the causes as a whole, in whole sentences."""

    LIKELIEST = "cause note.likeliest", "cause", "weight_share"
    TWO = "cause note.two at once", "first", "second", "weight_share"
    OFTEN_FILLED = "cause note.water added often"


class CauseWord(Key):
    """A cause's own check: what to do, how long it takes, and what each answer would make of the cause."""

    CHECK = "cause.check", "check", "minutes", "outcomes"
    OUTCOME = "cause.outcome", "answer", "after_share"


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a visit that bears on the causes."""

    answers: Mapping[str, str] = field(default_factory=dict)
    """Name of the evidence -> its answer; see `checked_observations`."""
    soft: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    """Name of the evidence -> likelihood of each of its answers, where it is known only in part."""
    tank: Mapping[FindingCode, float] = field(default_factory=dict)
    """Probability of each state of the tank by taps and readings; empty where they say nothing."""

    @property
    def known(self) -> dict[str, FloatArray]:
        """Name of the evidence -> likelihood of each answer (A,); a plain answer goes before a soft one."""
        plain = {
            name: np.array([1.0 if each == answer else 0.0 for each in BY_NAME[name].answers])
            for name, answer in self.answers.items()
        }
        return {**{name: np.asarray(weights, dtype=np.float64) for name, weights in self.soft.items()}, **plain}

    @property
    def tank_likelihood(self) -> FloatArray | None:
        """Likelihood of each state in `TANK_STATES`: its probability over the one that it had beforehand."""
        if not self.tank:
            return None
        chance = np.array([self.tank.get(state, 0.0) for state in TANK_STATES])
        before = np.array([BEFORE[state] for state in TANK_STATES])
        return np.asarray((1 - LEAST_TANK) * chance / before + LEAST_TANK)


@dataclass(frozen=True, slots=True)
class Check:
    """A check that could be made next."""

    evidence: str
    step: Statement
    minutes: float
    price: float
    """Minutes, with the danger counted in."""
    bits: float
    """Expected information on what is at work, bits."""

    @property
    def worth(self) -> float:
        """Expected information for its price, bits a minute."""
        return self.bits / self.price


def checked_observations(observations: Mapping[str, str]) -> dict[str, str]:
    """Observations with names and answers in their own spelling; `VisitError` for one that is not in the table."""
    found: dict[str, str] = {}
    for name, answer in observations.items():
        evidence = BY_NAME.get(" ".join(name.lower().replace("_", " ").split()))
        if evidence is None:
            raise VisitError(f"The observation {name!r} is not known: use one of {', '.join(BY_NAME)}.")
        spelled = " ".join(str(answer).lower().split())
        if spelled not in evidence.answers:
            raise VisitError(
                f"The observation {evidence.name!r} is {str(answer)[:60]!r}: answer with one of"
                f" {'; '.join(evidence.answers)}."
            )
        found[evidence.name] = spelled
    return found


def observed(observations: Mapping[str, str]) -> Facts:
    """Take observations alone as facts; `VisitError` for one that is not in the table."""
    return Facts(checked_observations(observations))


def probabilities(facts: Facts) -> dict[str, float]:
    """Probability that each cause is at work, alone or with another; given that the relief valve opens."""
    return dict(zip(NAMES, (float(p) for p in _OF_CAUSE @ _posterior(facts)), strict=True))


def ranked_causes(facts: Facts, leave_out: Iterable[str] = ()) -> tuple[Cause, ...]:
    """Every cause with its probability, its because and its own next check, likeliest first.

    `leave_out` names evidence that cannot or must not be got on this visit.
    """
    posterior = _posterior(facts)
    weights = _OF_CAUSE @ posterior
    order = np.argsort(-weights, kind="stable")
    checks = _open_checks(facts, leave_out)
    return tuple(
        Cause(
            NAMES[i],
            float(weights[i]),
            *_because(NAMES[i], facts),
            _own_check(int(i), posterior, checks) if weights[i] >= OPEN_FROM else None,
        )
        for i in order
    )


def claimed_cause(causes: Sequence[Cause]) -> Cause | None:
    """Return the cause that the evidence claims; None while none reaches `CLAIMED_FROM`, or nothing speaks for it."""
    return next((each for each in causes[:1] if each.weight >= CLAIMED_FROM and each.supported), None)


def notes_on_causes(facts: Facts, causes: Sequence[Cause]) -> tuple[Statement, ...]:
    """Say which cause is claimed, whether two are at work, and what adding water often does."""
    said: list[Statement] = []
    claimed = claimed_cause(causes)
    if claimed is not None:
        said.append(Statement(CauseNote.LIKELIEST, {"cause": claimed.cause, "weight_share": claimed.weight}))
    posterior = _posterior(facts)[len(NAMES) :]
    pair = int(np.argmax(posterior))
    if posterior[pair] >= TOGETHER_FROM:
        first, second = sorted(PAIRS[pair], key=lambda i: i == _SEAT)
        chance = float(posterior[pair])
        said.append(Statement(CauseNote.TWO, {"first": NAMES[first], "second": NAMES[second], "weight_share": chance}))
    if facts.answers.get("water is added") == "every week or two":
        said.append(Statement(CauseNote.OFTEN_FILLED))
    return tuple(said)


def next_checks(facts: Facts, leave_out: Iterable[str] = ()) -> tuple[Check, ...]:
    """List the checks not yet made that part what is open, the one that tells most for its price first.

    What it tells is the mutual information of what is at work and the answer, under the present probabilities.
    `leave_out` names evidence that cannot or must not be got on this visit.
    """
    posterior = _posterior(facts)
    checks = [
        Check(e.name, Statement(e.check), e.minutes, e.price, _information(posterior, _rows(e)))
        for e in _open_checks(facts, leave_out)
    ]
    return tuple(sorted((c for c in checks if c.bits >= TELLS_ENOUGH_BITS), key=lambda check: -check.worth))


def check_step(name: str) -> Statement:
    """Say how a piece of evidence is got."""
    return Statement(BY_NAME[name].check)


def _open_checks(facts: Facts, leave_out: Iterable[str]) -> list[Evidence]:
    """List the evidence that nobody has given and that may be got."""
    out = {*facts.answers, *facts.soft, *leave_out}
    return [evidence for evidence in EVIDENCE if evidence.name not in out]


def _priors() -> FloatArray:
    """(H,) probability of each hypothesis before anything is known."""
    alone = np.array(list(PRIORS.values()))
    both = [
        SEAT_TOO * alone[i if j == _SEAT else j] if _SEAT in (i, j) else TWO_AT_ONCE * alone[i] * alone[j]
        for i, j in PAIRS
    ]
    every = np.concatenate([alone, both])
    return np.asarray(every / every.sum())


def _membership() -> FloatArray:
    """(C, H) 1 where a cause belongs to a hypothesis."""
    belongs = np.zeros((len(NAMES), len(NAMES) + len(PAIRS)))
    belongs[range(len(NAMES)), range(len(NAMES))] = 1.0
    for number, pair in enumerate(PAIRS, start=len(NAMES)):
        belongs[list(pair), number] = 1.0
    return belongs


_PRIOR, _OF_CAUSE = _priors(), _membership()


def _together(rows: FloatArray, departs: Sequence[bool], of_the_valve: bool) -> FloatArray:
    """(H, A) from the rows of the causes (C, A): of a pair the one that departs from the usual, or the mean of both.

    A worn seat on top of another cause shows only in what is seen of the valve itself.
    """
    both = []
    for i, j in PAIRS:
        if _SEAT in (i, j) and not of_the_valve:
            both.append(rows[i if j == _SEAT else j])
        elif departs[i] == departs[j]:
            both.append((rows[i] + rows[j]) / 2)
        else:
            both.append(rows[i] if departs[i] else rows[j])
    return np.concatenate([rows, np.array(both)])


def _rows(evidence: Evidence) -> FloatArray:
    """(H, A) likelihood of the answers under each hypothesis."""
    return _ROWS[evidence.name]


_ROWS = {e.name: _together(e.likelihoods(), [name in e.under for name in NAMES], e.of_the_valve) for e in EVIDENCE}
_TANK_OF_CAUSE = np.array([TANK.get(cause, USUAL_TANK) for cause in NAMES])
_TANK_ROWS = _together(_TANK_OF_CAUSE, [name in TANK for name in NAMES], of_the_valve=False)


def _posterior(facts: Facts) -> FloatArray:
    """(H,) probability of each hypothesis, given the facts."""
    log = np.log(_PRIOR)
    for name, weights in facts.known.items():
        log = log + np.log(_ROWS[name] @ weights)
    if facts.tank_likelihood is not None:
        log = log + np.log(_TANK_ROWS @ facts.tank_likelihood)
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def _own_check(cause: int, posterior: FloatArray, checks: Sequence[Evidence]) -> CauseCheck | None:
    """Return the check that tells most for its price whether this cause is at work, and what each answer would do."""
    inside = _OF_CAUSE[cause] * posterior
    best: tuple[float, Evidence, FloatArray] | None = None
    for evidence in checks:
        rows = _rows(evidence)
        answer, among = posterior @ rows, inside @ rows
        split = np.stack([among, answer - among])
        worth = _information(split.sum(axis=1), split / split.sum(axis=1, keepdims=True)) / evidence.price
        if best is None or worth > best[0]:
            best = (worth, evidence, among / answer)
    if best is None or best[0] * best[1].price < TELLS_ENOUGH_BITS / 2:
        return None
    _, evidence, after = best
    outcomes = tuple((answer, float(p)) for answer, p in zip(evidence.answers, after, strict=True))
    return CauseCheck(evidence.name, Statement(evidence.check), evidence.minutes, outcomes)


def said_check(check: CauseCheck) -> Statement:
    """Say a cause's own check with what each answer would make of the cause."""
    outcomes = tuple(
        Statement(CauseWord.OUTCOME, {"answer": answer, "after_share": after}) for answer, after in check.outcomes
    )
    return Statement(CauseWord.CHECK, {"check": check.step, "minutes": f"{check.minutes:g}", "outcomes": outcomes})


def _because(cause: str, facts: Facts) -> tuple[Statement, bool]:
    """Say what speaks most for a cause, else what speaks most against it; and whether anything speaks for it."""
    ratios = [(_ratio(cause, BY_NAME[name].likelihoods() @ weights), fact) for name, weights, fact in _told(facts)]
    if facts.tank_likelihood is not None:
        state = max(facts.tank, key=lambda code: facts.tank[code])
        told: dict[str, Value] = {"state": Statement(NAME[state]), "chance_share": facts.tank[state]}
        ratios.append((_ratio(cause, _TANK_OF_CAUSE @ facts.tank_likelihood), Statement(Fact.TANK, told)))
    ratios.sort(key=lambda each: (each[0], each[1].key))
    speaking = [fact for ratio, fact in reversed(ratios) if ratio > np.log(SPEAKS_FROM)]
    if speaking:
        return _for_it(speaking), True
    if ratios and ratios[0][0] < -np.log(SPEAKS_FROM):
        return Statement(Because.AGAINST, {"first": ratios[0][1]}), False
    return Statement(Because.NOTHING), False


def _told(facts: Facts) -> Iterable[tuple[str, FloatArray, Statement]]:
    """Name, likelihood of the answers and what is said of each fact: what its likeliest answer says."""
    for name, weights in facts.known.items():
        evidence = BY_NAME[name]
        yield name, weights, Statement(evidence.says[evidence.answers[int(np.argmax(weights))]])


def _ratio(cause: str, likelihood: FloatArray) -> float:
    """Log of how much likelier a fact (C,) makes a cause than causes are on the whole."""
    return float(np.log(likelihood[NAMES.index(cause)] / (np.array(list(PRIORS.values())) @ likelihood)))


def _for_it(facts: Sequence[Statement]) -> Statement:
    """Say what speaks for a cause, the three weightiest facts at most."""
    told = dict(zip(("first", "second", "third"), facts, strict=False))
    return Statement((Because.ONE, Because.TWO, Because.THREE)[len(told) - 1], told)


def _information(chance: FloatArray, likelihoods: FloatArray) -> float:
    """Mutual information, in bits, of a hypothesis (H,) and the answer (H, A)."""
    answer = chance @ likelihoods
    return float(np.sum(chance[:, None] * likelihoods * np.log2(likelihoods / answer)))

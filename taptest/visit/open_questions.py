"""What is still to be asked of a judged visit: only what could change its finding.

A reading is asked for where it is missing and the finding, judged with values that it may have, is not the same with
each; an observation where one of its answers would give another finding or, where a relief valve that opens was
told of, another first cause. Of a visit with several
rounds or lines no answers are tried: there the readings alone are asked for.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from taptest.errors import TaptestError
from taptest.finding.cause_table import EVIDENCE, SOUND, Evidence
from taptest.finding.judge import judge
from taptest.finding.records import Case, Judgement
from taptest.finding.settle import Settle
from taptest.quantities import Kind
from taptest.statements import Said, Statement
from taptest.tank.kinds import TANK_KINDS
from taptest.visit.meaning import KINDS
from taptest.visit.record import ASKED, Document
from taptest.visit.result import VisitResult

CHARGES_PA = (0.3e5, 0.7e5, 1.0e5, 1.5e5)
TEMPERATURES_C = (15.0, 45.0, 75.0)
"""Values that are tried for readings that are missing."""
MOST_TRIED = 4
"""Observations whose answers are tried."""
LONGEST_MINUTES = 5.0
"""What takes longer is a next check, and no question."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask."""

    name: str
    """Section and key of a reading, or the name of an observation."""
    kind: Kind | None
    """What kind of quantity is typed; None where one of `answers` is chosen."""
    answers: tuple[str, ...] = ()
    check: Statement | None = None
    """How the answer is got; None for a reading."""


def open_questions(result: VisitResult, document: Document) -> Iterator[Question]:
    """Give what is worth asking, the most telling first; nothing where people are in danger."""
    judgement = result.judgement
    if any(flag.stops and flag.level == "danger" for flag in judgement.red_flags):
        return
    alone = not document.rounds and not document.lines
    for name in ASKED:
        section, key = name.split(".")
        typed = getattr(getattr(document, section), key)
        if (typed is None or not typed.strip()) and (not alone or _matters(name, result, document)):
            yield Question(name, KINDS[section][key])
    if alone and judgement.line.unreadable is None:
        for evidence in _candidates(judgement, result.case):
            if _answers_matter(evidence, result):
                yield Question(evidence.name, None, evidence.answers, Statement(evidence.check))


def _matters(name: str, result: VisitResult, document: Document) -> bool:
    """Whether a missing reading could change the finding."""
    readings = result.case.readings
    if name == "readings.pressure":
        return True
    if name == "tank.precharge":
        if not TANK_KINDS[document.tank.kind].charged:
            return False
        tried = [replace(readings, precharge_pa=value) for value in CHARGES_PA]
    else:
        tried = [replace(readings, water_temperature_c=value) for value in TEMPERATURES_C]
    return _differ(result, [replace(result.case, readings=each) for each in tried])


def _candidates(judgement: Judgement, case: Case) -> list[Evidence]:
    """Return the observations that the next checks and the likeliest causes ask for, those of the checks first."""
    asked = [statement.key for check in judgement.next_checks if (statement := _inner(check)) is not None]
    of_causes = [cause.check.evidence for cause in judgement.causes if cause.check is not None]
    named = [each for each in EVIDENCE if each.check in asked or each.name in of_causes]
    named = [each for each in named if each.minutes <= LONGEST_MINUTES and each.name not in SOUND]
    named.sort(key=lambda each: asked.index(each.check) if each.check in asked else len(asked))
    return [each for each in named if each.name not in case.observations][:MOST_TRIED]


def _inner(said: Said) -> Statement | None:
    """Return the step within a step that has to cool down first."""
    if isinstance(said, Statement) and said.key is Settle.COOL_FIRST:
        step = said.values["step"]
        return step if isinstance(step, Statement) else None
    return said if isinstance(said, Statement) else None


def _answers_matter(evidence: Evidence, result: VisitResult) -> bool:
    """Whether an answer would change the finding, or the cause that is named first."""
    case = result.case
    tried = [replace(case, observations={**case.observations, evidence.name: answer}) for answer in evidence.answers]
    return _differ(result, tried)


def _differ(result: VisitResult, cases: list[Case]) -> bool:
    """Whether any of the cases is judged otherwise than the visit; a case that cannot be judged is no reason to ask."""
    line = result.judgement.line
    now = _told(result.judgement, result.case)
    for case in cases:
        try:
            if _told(judge(case, line), result.case) != now:
                return True
        except TaptestError:
            continue
    return False


def _told(judgement: Judgement, case: Case) -> tuple[str, bool | None, str]:
    """Return what of a finding people act on; the first cause where a relief valve that opens was told of."""
    first = judgement.causes[0].cause if judgement.causes and case.observations else ""
    return judgement.code, judgement.speaks_against, first

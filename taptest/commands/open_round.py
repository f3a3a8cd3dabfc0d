"""The end of a round, which stays open: three lines of finding, what would change it, the next step, and "as left".

Each answer is in the visit at once and moves the finding. Enter alone leaves a question open; it is not asked again in
this run. What is asked, and which step is offered, follows from what it would change (`visit.open_questions`,
`finding.planner`). The same talk opens a visit that was judged before.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.errors import TaptestError

if TYPE_CHECKING:
    from taptest.commands.led_round import Sound
    from taptest.finding.planner import Planned
    from taptest.quantities import Kind, Units
    from taptest.statements import Key, Said
    from taptest.visit.open_questions import Question
    from taptest.visit.record import Document
    from taptest.visit.result import VisitResult

Ask = Callable[[str], str]
YES, NO = ("y", "yes"), ("n", "no", "nothing")
LED = {"round": "OFFER_ROUND", "onset": "OFFER_ONSET"}
"""Steps that a round of its own leads, and how each is offered."""
LONGEST_WORK = 200


@dataclass(slots=True)
class Talk:
    """One talk at the end of a round, and what was left open in it."""

    folder: Path
    ask: Ask
    say: Callable[[str], None]
    sound: "Sound"
    """Gives the microphone and the tones, when the first step is led."""
    marks: bool = True
    """Whether marks can be added: not to points that were imported."""
    _passed: set[str] = field(default_factory=set)
    """Names of questions and steps that were offered."""

    def run(self) -> float | None:
        """Talk to the end; return the depth of a mark that is to be added and tapped first, None for none.

        Raises `VisitError`, `DeviceError`, `StorageError`; every answer until then is kept.
        """
        while True:
            result = self._told()
            if self._asked(result):
                continue
            mark = self._mark_offered(result)
            if mark is not None:
                return mark
            if not self._step_taken(result):
                break
        self._left(result)
        self._say("STAYS_OPEN", result.units, visit=str(self.folder))
        return None

    def _told(self) -> "VisitResult":
        """Judge the visit and tell its finding in three lines."""
        from taptest.commands.console import model_bar
        from taptest.report.words import SURE, figure_rows
        from taptest.statements import Statement
        from taptest.visit.files import read_visit
        from taptest.visit.judged import judge_and_keep

        result, _ = judge_and_keep(read_visit(self.folder), model_bar())
        judgement, units = result.judgement, result.units
        self._say("FINDING", units, headline=result.headline, sentence=judgement.says)
        heard, expected = ((_usual(each, units) for each in row) for row in figure_rows(result)[:2])
        self.say(": ".join(heard))
        if judgement.code == "cannot tell":
            self.say(": ".join(expected))
        else:
            confidence = SURE.get(judgement.confidence)
            told = judgement.confidence if confidence is None else Statement(confidence)
            self._say("SURE", units, confidence=told)
        return result

    def _asked(self, result: "VisitResult") -> bool:
        """Ask the next question; return whether there was one, so that the finding may have moved."""
        from taptest.visit.files import read_visit
        from taptest.visit.open_questions import open_questions

        document = read_visit(self.folder).document
        for question in open_questions(result, document):
            if question.name in self._passed:
                continue
            self._passed.add(question.name)
            if self._answered(question, document, result.units):
                return True
        return False

    def _answered(self, question: "Question", document: "Document", units: "Units") -> bool:
        """Ask one question until its answer is understood; return whether something was answered."""
        if question.check is not None:
            chosen = self._chosen(question, units)
            if chosen:
                self._keep(
                    document.model_copy(update={"observations": {**document.observations, question.name: chosen}})
                )
            return bool(chosen)
        assert question.kind is not None
        names = {"readings.pressure": "ASK_PRESSURE", "tank.precharge": "ASK_PRECHARGE"}
        return self._typed(question.name, names.get(question.name, "ASK_TEMPERATURE"), question.kind, units)

    def _chosen(self, question: "Question", units: "Units") -> str:
        """Ask for one of several answers; "" for none."""
        choices = " / ".join(question.answers)
        asked = self._sentence("ASK_CHECK", units, check=question.check or "", choices=choices)
        while True:
            typed = self._line(asked).lower()
            fitting = [each for each in question.answers if each.lower() == typed]
            fitting = fitting or [each for each in question.answers if typed and each.lower().startswith(typed)]
            if not typed or len(fitting) == 1:
                return fitting[0] if typed else ""
            asked = self._sentence("NOT_AN_ANSWER", units, choices=choices)

    def _typed(self, place: str, key: str, kind: "Kind", units: "Units") -> bool:
        """Ask for a quantity until the visit takes it; a bare number is in the user's unit."""
        from taptest.visit.files import read_visit
        from taptest.visit.meaning import meaning_of

        section, name = place.split(".")
        question = asked = self._sentence(key, units, unit=units.unit(kind))
        while True:
            typed = self._line(asked)
            if not typed:
                return False
            text = units.with_unit(kind, typed)
            document = read_visit(self.folder).document
            changed = getattr(document, section).model_copy(update={name: text})
            document = document.model_copy(update={section: changed})
            try:
                meaning_of(document, str(self.folder))
            except TaptestError as error:
                asked = f"{error} {question}"
                continue
            self._keep(document)
            return True

    def _mark_offered(self, result: "VisitResult") -> float | None:
        """Offer one more mark where the line is open and one would tell; return its depth where it is wanted."""
        from taptest.statements import Statement
        from taptest.visit.remarks import VisitRemark

        if not self.marks or result.judgement.boundary_state != "not found" or "mark" in self._passed:
            return None
        for check in result.judgement.next_checks:
            if isinstance(check, Statement) and check.key is VisitRemark.ADD_A_MARK:
                self._passed.add("mark")
                depth_m = check.values["depth_m"]
                assert isinstance(depth_m, float)
                return depth_m if self._wanted("OFFER_MARK", result.units, depth_m=depth_m) else None
        return None

    def _step_taken(self, result: "VisitResult") -> bool:
        """Offer the step that saves most of the finding's cost a minute and that can be led; take it where wanted."""
        from taptest.commands.record_again import record_again
        from taptest.commands.record_onset import record_onset

        for step in _planned(result):
            if step.kind in self._passed or step.kind not in LED:
                continue
            self._passed.add(step.kind)
            if not self._wanted(LED[step.kind], result.units, minutes=f"{step.minutes:g}"):
                continue
            try:
                open_source, tones = self.sound()
                if step.kind == "round":
                    return record_again(self.folder, open_source, self.ask, tones) > 0
                return record_onset(self.folder, "auto", open_source, self.ask, tones) > 0
            except TaptestError as error:
                self.say(str(error))
        return False

    def _left(self, result: "VisitResult") -> None:
        """Ask how the tank was left, hold it against the need, and show before and after where it is tapped again."""
        from taptest.capture.led_rounds import marks_as_left, round_as_left
        from taptest.capture.terminal import Lines
        from taptest.commands.led_round import tapped
        from taptest.visit.files import read_visit

        units = result.units
        work = self._line(self._sentence("ASK_WORK", units))[:LONGEST_WORK]
        if not work or work.lower() in NO:
            return
        document = read_visit(self.folder).document
        self._keep(document.model_copy(update={"as_left": document.as_left.model_copy(update={"work": work})}))
        if result.case.tank.has_membrane:
            self._typed("as_left.precharge", "ASK_LEFT_CHARGE", "pressure", units)
        self._typed("as_left.pressure", "ASK_LEFT_PRESSURE", "pressure", units)
        for said in self._held_against_need(result):
            self.say(_usual(said, units))
        marks_m = marks_as_left(result)
        if not self._wanted("OFFER_RETAP", units, marks=len(marks_m)):
            return
        if tapped(round_as_left(self.folder, marks_m), *self.sound(), Lines(units)):
            before = result.judgement.says
            after = self._told().judgement.rounds[-1].says
            self._say("BEFORE", units, sentence=before)
            if after is not None:
                self._say("AFTER", units, sentence=after)

    def _held_against_need(self, result: "VisitResult") -> "tuple[Said, ...]":
        """Hold the charge as left against what the system needs."""
        from taptest.visit.as_left import as_left_said
        from taptest.visit.files import read_visit
        from taptest.visit.meaning import meaning_of

        left = meaning_of(read_visit(self.folder).document, str(self.folder)).as_left
        return as_left_said(left, result.judgement.needed_precharge_pa)

    def _wanted(self, key: str, units: "Units", **values: "Said | float") -> bool:
        return self._line(self._sentence(key, units, **values)).lower() in YES

    def _line(self, asked: str) -> str:
        """Ask, and return what was typed in one line; "" at the end of the input."""
        try:
            return " ".join(self.ask(f"{asked} ").split())
        except EOFError:
            return ""

    def _keep(self, document: "Document") -> None:
        from taptest.visit.files import save_document

        save_document(self.folder, document)

    def _say(self, key: str, units: "Units", **values: "Said | float") -> None:
        self.say(self._sentence(key, units, **values))

    @staticmethod
    def _sentence(key: str, units: "Units", **values: "Said | float") -> str:
        from taptest.capture.remarks import Talk as Told
        from taptest.statements import Statement

        return _usual(Statement(Told[key], values), units)


def _usual(said: "Said | Key", units: "Units") -> str:
    from taptest.report.choices import in_usual_words
    from taptest.statements import Key, Statement

    return in_usual_words(Statement(said) if isinstance(said, Key) else said, units)


def _planned(result: "VisitResult") -> "tuple[Planned, ...]":
    """List the steps that save something of the finding's cost; none while hot, or beside rounds taken already."""
    import numpy as np

    from taptest.finding.compare import compare
    from taptest.finding.draws import is_hot
    from taptest.finding.judge import COST
    from taptest.finding.planner import plan

    if result.rounds or is_hot(result.case):
        return ()
    return plan(result.case, compare(result.case, result.judgement.line, np.random.default_rng(0)), COST)

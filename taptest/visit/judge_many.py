"""Many visits judged: the models of their tanks first, each once, then every visit whose finding is not kept.

What failed is told and costs its own visit; another run takes up those alone, for the findings of the others are kept.
Machines of a cluster that do not share the folder for models compute them where they judge.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from taptest.errors import VisitError
from taptest.visit.files import read_visit
from taptest.visit.judged import judged, read_judged
from taptest.visit.shelf import visit_folders
from taptest.visit.workers import ALL_CORES, Failure, Where, map_visits

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one visit."""

    folder: Path
    code: str = ""
    """The finding; empty where it failed, or was not asked for."""
    confidence: str = ""
    trouble: str = ""
    """Why it failed, or why its finding was not kept."""

    @property
    def failed(self) -> bool:
        """Whether there is no finding because something went wrong."""
        return bool(self.trouble) and not self.code


def visits_below(folders: Sequence[Path]) -> list[Path]:
    """Return the visits that folders are or hold, in order, each once. Raises `VisitError` where one holds none."""
    found: dict[Path, None] = {}
    for folder in folders:
        here = list(visit_folders(folder))
        if not here:
            raise VisitError(f"{folder} has no visits in it.")
        found.update(dict.fromkeys(here))
    return list(found)


def judge_many(
    folders: Sequence[Path], where: Where = ALL_CORES, progress: Progress | None = None, models_only: bool = False
) -> list[Outcome]:
    """Judge visits and keep their findings; outcomes come in the order of the folders.

    `models_only` computes the models of their tanks and judges nothing. Raises `VisitError` for a cluster that cannot
    be reached.
    """
    tell = progress or (lambda _share: None)
    asked = dict(zip(folders, map_visits(_survey, folders, where), strict=True))
    outcomes = {folder: _failed(each) for folder, each in asked.items() if isinstance(each, Failure)}
    left = [each for each in asked.values() if not isinstance(each, Failure)]
    outcomes |= {each.folder: Outcome(each.folder, *each.finding) for each in left if each.finding}
    left = [each for each in left if not each.finding]
    tanks = list({each.missing: each.folder for each in left if each.missing}.values())
    to_judge = [] if models_only else [each.folder for each in left]
    work = max(len(tanks) * MODEL_WORK + len(to_judge), 1)
    computed = map_visits(_compute_model, tanks, where, lambda share: tell(share * len(tanks) * MODEL_WORK / work))
    if models_only:
        outcomes |= {folder: Outcome(folder) for folder in (each.folder for each in left)}
        outcomes |= {each.item: _failed(each) for each in computed if isinstance(each, Failure)}
    before = len(tanks) * MODEL_WORK
    made = map_visits(_judge, to_judge, where, lambda share: tell((before + share * len(to_judge)) / work))
    outcomes |= {
        folder: _failed(each) if isinstance(each, Failure) else each
        for folder, each in zip(to_judge, made, strict=True)
    }
    tell(1.0)
    return [outcomes[folder] for folder in folders]


MODEL_WORK = 5
"""How long a model takes, over what a judgement takes that has it."""


@dataclass(frozen=True, slots=True)
class _Survey:
    """What is there already of a visit."""

    folder: Path
    finding: tuple[str, str] | None
    """Code and confidence that are kept and hold."""
    missing: tuple[str, ...]
    """Names of the models that have to be computed."""


def _survey(folder: Path) -> _Survey:
    from taptest.visit.meaning import meaning_of
    from taptest.visit.sweeps import missing_models

    visit = read_visit(folder)
    content = read_judged(visit)
    if content is not None:
        return _Survey(folder, (content["finding"]["code"], content["finding"]["confidence"]), ())
    return _Survey(folder, None, missing_models(meaning_of(visit.document, visit.source).case))


def _compute_model(folder: Path) -> None:
    from taptest.visit.meaning import meaning_of
    from taptest.visit.sweeps import sweeps_for

    visit = read_visit(folder)
    sweeps_for(meaning_of(visit.document, visit.source).case)


def _judge(folder: Path) -> Outcome:
    made = judged(read_visit(folder))
    finding = made.content["finding"]
    trouble = "" if made.note is None else str(made.note.values["sentence"])
    return Outcome(folder, finding["code"], finding["confidence"], trouble)


def _failed(failure: Failure[Path]) -> Outcome:
    return Outcome(failure.item, trouble=failure.sentence)

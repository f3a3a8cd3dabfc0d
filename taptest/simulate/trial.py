"""The score table: judged visits against their truth.

Goal: the figures by which every change of the method is judged, per difficulty, fault, kind of tank and state, each
with the number of visits behind it and a bootstrap interval over visits; beside the method stands the plain guess of
the line's middle.

Definitions. A tap is detected where an onset lies within 5 ms of a true one, each used once, rejected ones included; a
sound dismissed as a noise burst or as too weak is no false tap; F1 over all taps of a group. Backing is right where
p_water is on the true side of one half, counted for points more than half a spacing from the true boundary (all points
where there is none). The boundary error is counted where the truth has a boundary on the line and the answer is not
"cannot tell": the absolute distance of the median, in mm and in median spacings of the line; an answer "all air" or
"all water" there counts as a boundary at the line's end. Coverage asks whether the 90 % interval holds the true
boundary, for visits whose state is "found" in truth and answer. State right is counted where the answer names a state
and is not "cannot tell"; how often the line names none stands beside it. A failed tank called "as expected" is the
error that matters most: any fault but "healthy", without those so near the edge of the tolerance that "as expected" is
among the right findings. Made to answer, a line gives the median of its posterior wherever the truth has a boundary on
it, named or not, and the interval from its 5 % to its 95 %. A healthy tank is named where the finding is a right one,
condemned where it is a wrong one; where none can be told, the judgement may say that nothing speaks against it. The
expected calibration error of p_water is over ten even bins.

A visit of several rounds is scored twice, by its first round alone and by all together; its boundary is that of the
first round both times.

Records here are plain numbers, so that they travel between processes.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptest.errors import TaptestError, VisitError
from taptest.finding.keys import Step
from taptest.finding.onset_likelihood import SURE
from taptest.line.records import LineReading
from taptest.simulate.truth import TRUTH, VisitTruth, read_truth
from taptest.sound.remarks import WhyNot
from taptest.statements import Said, Statement
from taptest.visit.analyse import judge_visit
from taptest.visit.files import DOCUMENT, Visit, read_visit
from taptest.visit.result import VisitResult
from taptest.visit.workers import ALL_CORES, Failure, Where, map_visits

FloatArray = NDArray[np.float64]

ONSET_TOLERANCE_S = 0.005
DISMISSED = (WhyNot.NOISE_BURST, WhyNot.TOO_WEAK, WhyNot.NOT_THIS_STRIKER, WhyNot.TOO_REGULAR)
"""Reasons that say of a sound that it is no tap worth counting."""
BINS = 10
DRAWS = 400
"""Bootstrap draws."""
FIRST_ROUND_ALONE, ROUNDS_TOGETHER = "first round alone", "rounds together"
"""What a visit of several rounds is scored as, beside its difficulty."""


@dataclass(frozen=True, slots=True)
class Score:
    """One judged visit against its truth, as plain numbers."""

    name: str
    difficulty: str
    fault: str
    kind: str
    """Kind of the tank and how it stands, such as "diaphragm hanging"."""
    form: str
    """Form of the wet wall in truth; empty where not known."""
    switches: tuple[str, ...]
    state: str
    """State in truth."""
    said_state: str
    findings: tuple[str, ...]
    said: str
    """Finding, or "error" where judging ended in a sentence."""
    hits: int
    misses: int
    false_taps: int
    backing_right: int
    backing_points: int
    error_mm: float | None
    """Boundary error; None where it does not count."""
    middle_error_mm: float | None
    """Error of the guess "the middle of the line"; None where the truth has no boundary on the line."""
    spacing_mm: float
    covered: bool | None
    interval_mm: float | None
    made_error_mm: float | None
    """Error of the boundary made to answer; None where the truth has none on the line or the line gave none."""
    made_covered: bool | None
    """Whether the interval made to answer holds the boundary."""
    later: tuple[tuple[float, bool], ...]
    """The same two of each later round that has a boundary on its line: error in mm, whether its interval holds it."""
    charge_covered: bool | None
    """Whether the 90 % interval of the charge holds the true one; None where there is none, or it is one-sided."""
    charge_width_bar: float | None
    """Width of that interval."""
    speaks_against: bool | None
    """Whether taps or readings speak against the tank; None where nothing is said of it."""
    settles: bool
    """Whether the first check that is asked for does more than tap the same line again."""
    p_water: tuple[float, ...]
    water: tuple[bool, ...]
    """Whether water backs each of the points of `p_water`."""
    seconds: float
    model_seconds: float
    """Time of the tank's level sweep within `seconds`; 0 where it was kept on the disk."""
    onset: tuple[tuple[float, bool], ...] = ()
    """Of each round that tells at which pressure one mark turns: error in bar, whether the 90 % interval holds it."""
    trouble: str = ""
    """The sentence that judging ended in; empty where all went well."""

    @property
    def cannot_tell(self) -> bool:
        """Whether the answer was that none can be given."""
        return self.said in ("cannot tell", "error")

    @property
    def healthy(self) -> bool:
        """Whether nothing is wrong with the tank."""
        return self.fault == "healthy"

    @property
    def failed(self) -> bool:
        """Whether it has a fault beyond what counts as right."""
        return not self.healthy and "as expected" not in self.findings


def score_visits(
    folder: Path, progress: Callable[[float], None] | None = None, where: Where = ALL_CORES
) -> tuple[Score, ...]:
    """Judge every visit in `folder` (or below it) that carries a truth and score it, in order of the names.

    Raises `VisitError` where there is none; a visit whose judging ends in an error is scored as such.
    """
    found = sorted(path.parent for path in folder.rglob(TRUTH) if (path.parent / DOCUMENT).is_file())
    if not found:
        raise VisitError(
            f"{folder} holds no visits with a {TRUTH}, so there is nothing to score. "
            f"Make some with: taptest simulate {folder} --seed 1 --visits 20"
        )
    tasks = [(each, alone) for each in found for alone in _ways(each)]
    scores = map_visits(partial(_score_task, base=folder), tasks, where, progress)
    return tuple(_lost(each, folder) if isinstance(each, Failure) else each for each in scores)


def _ways(folder: Path) -> tuple[bool, ...]:
    """Whether to judge a visit by its first round alone: both ways where it has more, to stand side by side."""
    return (True, False) if read_visit(folder).document.rounds else (False,)


def _lost(failure: "Failure[tuple[Path, bool]]", base: Path) -> Score:
    """Return the score of a visit whose judging gave no result at all. Raises `VisitError` for a damaged truth."""
    folder = failure.item[0]
    visit, truth = read_visit(folder), read_truth(folder)
    if truth is None:
        raise VisitError(failure.sentence)
    return _failed(folder.relative_to(base).as_posix(), visit, truth, 0.0, failure.sentence)


def _score_task(task: tuple[Path, bool], base: Path) -> Score:
    return score_visit(task[0], base, alone=task[1])


def score_visit(folder: Path, base: Path | None = None, *, alone: bool = False) -> Score:
    """Judge one visit and score it against its truth; `alone` judges its first round as if there were no other."""
    truth = read_truth(folder)
    if truth is None:
        raise VisitError(f"{folder} holds no {TRUTH}, so it cannot be scored.")
    visit = read_visit(folder)
    if visit.document.rounds:
        label = FIRST_ROUND_ALONE if alone else ROUNDS_TOGETHER
        truth = replace(truth, difficulty=f"{truth.difficulty or 'unnamed'}, {label}")
    if alone:
        visit = replace(visit, document=visit.document.model_copy(update={"rounds": ()}))
    name = folder.name if base is None else folder.relative_to(base).as_posix()
    clock = _Clock()
    try:
        result = judge_visit(visit, clock.tick)
    except TaptestError as error:
        return _failed(name, visit, truth, clock.seconds(), str(error))
    return _scored(name, visit, truth, result, clock)


class _Clock:
    """Time of a judgement, and of the model's sweep in it, told by its progress."""

    def __init__(self) -> None:
        self._start = time.perf_counter()
        self._sweep: list[float] = []

    def tick(self, _share: float) -> None:
        self._sweep.append(time.perf_counter())

    def seconds(self) -> float:
        return time.perf_counter() - self._start

    def sweep_seconds(self) -> float:
        return self._sweep[-1] - self._sweep[0] if self._sweep else 0.0


def _line(visit: Visit) -> tuple[FloatArray, float]:
    """Positions in mm, sorted, and their median spacing."""
    positions = np.sort(np.array([point.position_mm for point in visit.document.points]))
    return positions, float(np.median(np.diff(positions))) if positions.size > 1 else 30.0


def _kind_of(visit: Visit) -> str:
    """Name the kind of the tank and how it stands."""
    tank = visit.document.tank
    return (
        f"{tank.kind} {'lying' if tank.axis == 'horizontal' else 'hanging' if tank.water_end == 'top' else 'standing'}"
    )


def _middle_error(truth: VisitTruth, positions: FloatArray) -> float | None:
    if truth.boundary_mm is None:
        return None
    return abs(truth.boundary_mm - float(positions[0] + positions[-1]) / 2.0)


def _failed(name: str, visit: Visit, truth: VisitTruth, seconds: float, trouble: str) -> Score:
    positions, spacing = _line(visit)
    return Score(
        name=name,
        difficulty=truth.difficulty or "unnamed",
        fault=truth.fault,
        kind=_kind_of(visit),
        form=truth.form or "",
        switches=truth.switches,
        state=truth.state,
        said_state="not found",
        findings=truth.findings,
        said="error",
        hits=0,
        misses=sum(len(times) for times in truth.onsets_s.values()),
        false_taps=0,
        backing_right=0,
        backing_points=0,
        error_mm=None,
        middle_error_mm=_middle_error(truth, positions),
        spacing_mm=spacing,
        covered=None,
        interval_mm=None,
        made_error_mm=None,
        made_covered=None,
        later=(),
        charge_covered=None,
        charge_width_bar=None,
        speaks_against=None,
        settles=False,
        p_water=(),
        water=(),
        seconds=seconds,
        model_seconds=0.0,
        trouble=trouble,
    )


def _settles(checks: Sequence[Said]) -> bool:
    return bool(checks) and not (isinstance(checks[0], Statement) and checks[0].key is Step.TAP_AGAIN)


def _scored(name: str, visit: Visit, truth: VisitTruth, result: VisitResult, clock: _Clock) -> Score:
    seconds = clock.seconds()
    positions, spacing = _line(visit)
    reading = result.judgement.line
    true_backing = {
        point.position_mm: backing == "water"
        for point, backing in zip(visit.document.points, truth.backing, strict=True)
    }
    judged = [
        (point, true_backing[round(point.depth_m * 1000.0, 1)]) for point in result.points if point.p_water is not None
    ]
    clear = [
        ((point.p_water or 0.0) > 0.5) == water
        for point, water in judged
        if truth.boundary_mm is None or abs(point.depth_m * 1000.0 - truth.boundary_mm) > spacing / 2.0
    ]
    hits, misses, false_taps = _tap_counts(truth, result)
    interval = None if reading.interval90_m is None else [end * 1000.0 for end in reading.interval90_m]
    found = truth.boundary_mm is not None and reading.state == "found" and interval is not None
    covered = None
    if found and interval is not None and truth.boundary_mm is not None:
        covered = interval[0] <= truth.boundary_mm <= interval[1]
    made_error, made_covered = _made_to_answer(truth.boundary_mm, reading)
    later = [
        _made_to_answer(true.boundary_mm, each.found.line)
        for true, each in zip(truth.rounds, result.rounds, strict=False)
        if each.found.line is not None
    ]
    charge_covered, charge_width = _charge(truth, result)
    return Score(
        name=name,
        difficulty=truth.difficulty or "unnamed",
        fault=truth.fault,
        kind=_kind_of(visit),
        form=truth.form or "",
        switches=truth.switches,
        state=truth.state,
        said_state=reading.state,
        findings=truth.findings,
        said=result.judgement.code,
        hits=hits,
        misses=misses,
        false_taps=false_taps,
        backing_right=sum(clear),
        backing_points=len(clear),
        error_mm=_boundary_error(truth, result, positions),
        middle_error_mm=_middle_error(truth, positions),
        spacing_mm=spacing,
        covered=covered,
        interval_mm=None if interval is None else interval[1] - interval[0],
        made_error_mm=made_error,
        made_covered=made_covered,
        later=tuple((error, held) for error, held in later if error is not None and held is not None),
        onset=tuple(_onsets(truth, result)),
        charge_covered=charge_covered,
        charge_width_bar=charge_width,
        speaks_against=getattr(result.judgement, "speaks_against", None),
        settles=_settles(result.judgement.next_checks),
        p_water=tuple(float(point.p_water or 0.0) for point, _ in judged),
        water=tuple(water for _, water in judged),
        seconds=seconds,
        model_seconds=clock.sweep_seconds(),
    )


def _boundary_error(truth: VisitTruth, result: VisitResult, positions: FloatArray) -> float | None:
    """Distance of the answer from the true boundary; a whole state answers with the end of the line."""
    reading, code = result.judgement.line, result.judgement.code
    if truth.boundary_mm is None or code == "cannot tell" or reading.state == "not found":
        return None
    if reading.depth_m is not None and reading.state == "found":
        return abs(reading.depth_m * 1000.0 - truth.boundary_mm)
    water_on_top = (result.case.tank.water_end == "top") != truth.inverted
    at_top = (reading.state == "all air") == water_on_top
    return abs((float(positions[0]) if at_top else float(positions[-1])) - truth.boundary_mm)


def _made_to_answer(boundary_mm: float | None, reading: LineReading) -> tuple[float | None, bool | None]:
    """Return the error in mm of the posterior's median, and whether its 5 to 95 % hold the boundary, named or not."""
    low, median, high = (1000.0 * reading.posterior.quantile_m(share) for share in (0.05, 0.5, 0.95))
    if boundary_mm is None or not np.isfinite(median):
        return None, None
    return abs(median - boundary_mm), low <= boundary_mm <= high


def _onsets(truth: VisitTruth, result: VisitResult) -> Iterator[tuple[float, bool]]:
    """Yield the error of each onset that is told (bar), and whether its interval holds the true one."""
    for true, each in zip(truth.rounds, result.rounds, strict=False):
        found = each.found.onset
        if found is None or true.onset_bar is None or found.p_within < SURE:
            continue
        low, middle, high = (value / 1e5 for value in found.interval90_pa)
        yield abs(middle - true.onset_bar), low <= true.onset_bar <= high


def _charge(truth: VisitTruth, result: VisitResult) -> tuple[bool | None, float | None]:
    """Return whether the interval of the charge holds the true one, and its width in bar."""
    charge = result.judgement.precharge
    if charge is None or charge.bound is not None or truth.precharge_bar is None:
        return None, None
    low, high = charge.pressure_pa.low / 1e5, charge.pressure_pa.high / 1e5
    return low <= truth.precharge_bar <= high, high - low


def _tap_counts(truth: VisitTruth, result: VisitResult) -> tuple[int, int, int]:
    """Count detected, missed and false taps.

    A true tap that was heard and rejected is detected; a sound that was dismissed as noise or as too weak is not a
    false tap, for nothing was claimed.
    """
    hits = misses = false_taps = 0
    for file, times in truth.onsets_s.items():
        taps = [tap.tap for tap in result.taps if tap.file == file]
        claimed = [tap.onset_s for tap in taps if tap.why_not not in DISMISSED]
        true = np.array(sorted(times))
        matched = _matched(np.array(sorted(tap.onset_s for tap in taps)), true)
        hits += matched
        misses += len(times) - matched
        false_taps += len(claimed) - _matched(np.array(sorted(claimed)), true)
    return hits, misses, false_taps


def _matched(heard: FloatArray, true: FloatArray) -> int:
    """Count pairs within the tolerance, each onset used once, both in order of time."""
    i = j = count = 0
    while i < heard.size and j < true.size:
        gap = heard[i] - true[j]
        if abs(gap) <= ONSET_TOLERANCE_S:
            count, i, j = count + 1, i + 1, j + 1
        elif gap < 0:
            i += 1
        else:
            j += 1
    return count


# ---------------------------------------------------------------- figures of a group


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the table with its bootstrap interval."""

    value: float | None
    """None where no visit counts for it."""
    low: float | None
    high: float | None
    visits: int
    """Number of visits that count for it."""


Measure = Callable[[Sequence[Score]], float | None]


def _share(pairs: Sequence[tuple[int, int]]) -> float | None:
    total = sum(all_ for _, all_ in pairs)
    return sum(part for part, _ in pairs) / total if total else None


def _f1(scores: Sequence[Score]) -> float | None:
    hits = sum(s.hits for s in scores)
    wrong = sum(s.misses + s.false_taps for s in scores)
    return 2.0 * hits / (2.0 * hits + wrong) if hits + wrong else None


def _percentile(percent: float, spacings: bool, error_mm: Callable[[Score], float | None]) -> Measure:
    def measure(scores: Sequence[Score]) -> float | None:
        errors = [error / (s.spacing_mm if spacings else 1.0) for s in scores if (error := error_mm(s)) is not None]
        return float(np.percentile(errors, percent)) if errors else None

    return measure


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


def _high(values: Sequence[float]) -> float | None:
    return float(np.percentile(values, 95)) if values else None


def _answered(score: Score) -> float | None:
    return score.error_mm


def _at_middle(score: Score) -> float | None:
    return score.middle_error_mm


def _made(score: Score) -> float | None:
    return score.made_error_mm


def _fraction(counts: Callable[[Score], bool], right: Callable[[Score], bool]) -> Measure:
    return lambda scores: _share([(int(right(s)), 1) for s in scores if counts(s)])


def calibration_error(p_water: FloatArray, water: FloatArray) -> float | None:
    """Return the mean distance of probability and share over ten even bins, weighed by their points; None for none."""
    if p_water.size == 0:
        return None
    bins = np.minimum((p_water * BINS).astype(int), BINS - 1)
    gaps = [
        abs(float(p_water[bins == b].mean() - water[bins == b].mean())) * float(np.mean(bins == b))
        for b in range(BINS)
        if np.any(bins == b)
    ]
    return float(sum(gaps))


def _ece(scores: Sequence[Score]) -> float | None:
    return calibration_error(
        np.array([p for s in scores for p in s.p_water]), np.array([float(w) for s in scores for w in s.water])
    )


def _mean(value: Callable[[Score], float]) -> Measure:
    return lambda scores: float(np.mean([value(s) for s in scores])) if scores else None


MEASURES: dict[str, tuple[str, Measure]] = {
    "tap_f1": ("tap detection, F1 within 5 ms", _f1),
    "backing_right": (
        "right backing, more than half a spacing off",
        lambda scores: _share([(s.backing_right, s.backing_points) for s in scores if not s.cannot_tell]),
    ),
    "error_median_mm": ("boundary error, median, mm", _percentile(50, False, _answered)),
    "error_p95_mm": ("boundary error, p95, mm", _percentile(95, False, _answered)),
    "error_median_spacings": ("boundary error, median, spacings", _percentile(50, True, _answered)),
    "error_p95_spacings": ("boundary error, p95, spacings", _percentile(95, True, _answered)),
    "middle_median_spacings": ("  the line's middle, median, spacings", _percentile(50, True, _at_middle)),
    "middle_p95_spacings": ("  the line's middle, p95, spacings", _percentile(95, True, _at_middle)),
    "coverage90": (
        "coverage of the 90 % interval",
        _fraction(lambda s: s.covered is not None and not s.cannot_tell, lambda s: bool(s.covered)),
    ),
    "made_error_median_spacings": ("boundary made to answer, median, spacings", _percentile(50, True, _made)),
    "made_coverage90": (
        "  coverage of its 90 % interval",
        _fraction(lambda s: s.made_covered is not None, lambda s: bool(s.made_covered)),
    ),
    "later_error_median_spacings": (
        "  the same of the later rounds, median, spacings",
        lambda scores: _median([error / s.spacing_mm for s in scores for error, _ in s.later]),
    ),
    "later_coverage90": (
        "  coverage of its 90 % interval",
        lambda scores: _share([(int(held), 1) for s in scores for _, held in s.later]),
    ),
    "onset_error_median_bar": (
        "pressure at which one mark turns, where told, error, median, bar",
        lambda scores: _median([error for s in scores for error, _ in s.onset]),
    ),
    "onset_error_p95_bar": (
        "  p95, bar",
        lambda scores: _high([error for s in scores for error, _ in s.onset]),
    ),
    "charge_width_median_bar": (
        "width of the charge's 90 % interval, median, bar",
        lambda scores: _median([s.charge_width_bar for s in scores if s.charge_width_bar is not None]),
    ),
    "charge_coverage90": (
        "  its coverage",
        _fraction(lambda s: s.charge_covered is not None, lambda s: bool(s.charge_covered)),
    ),
    "state_right": (
        'state right when named and not "cannot tell"',
        _fraction(lambda s: s.said_state != "not found" and not s.cannot_tell, lambda s: s.said_state == s.state),
    ),
    "finding_right": (
        'finding right when not "cannot tell"',
        _fraction(lambda s: not s.cannot_tell, lambda s: s.said in s.findings),
    ),
    "failed_called_expected": (
        'failed tanks called "as expected"',
        _fraction(lambda s: s.failed, lambda s: s.said == "as expected"),
    ),
    "healthy_called_failed": (
        "healthy tanks called otherwise",
        _fraction(lambda s: s.healthy and not s.cannot_tell, lambda s: s.said not in s.findings),
    ),
    "healthy_named": ("healthy tanks named right", _fraction(lambda s: s.healthy, lambda s: s.said in s.findings)),
    "healthy_nothing_against": (
        "healthy tanks not named, nothing against them",
        _fraction(lambda s: s.healthy, lambda s: s.cannot_tell and s.speaks_against is False),
    ),
    "failed_nothing_against": (
        "failed tanks not named, nothing against them",
        _fraction(lambda s: s.failed, lambda s: s.cannot_tell and s.speaks_against is False),
    ),
    "healthy_condemned": (
        "healthy tanks condemned",
        _fraction(lambda s: s.healthy, lambda s: not s.cannot_tell and s.said not in s.findings),
    ),
    "not_named": ("line without a named state", _fraction(lambda _: True, lambda s: s.said_state == "not found")),
    "cannot_tell": ('"cannot tell"', _fraction(lambda _: True, lambda s: s.cannot_tell)),
    "cannot_tell_no_step": (
        '  "cannot tell" without a step that settles it',
        _fraction(lambda s: s.cannot_tell, lambda s: not s.settles),
    ),
    "calibration_error": ("expected calibration error of p_water", _ece),
    "seconds": ("time a visit, s, the tank's model included", _mean(lambda s: s.seconds)),
    "seconds_model": ("  of it computing the tank's model, s", _mean(lambda s: s.model_seconds)),
}
"""Name in JSON -> (line of the table, how it is computed)."""


def figures(scores: Sequence[Score], seed: int = 0) -> dict[str, Figure]:
    """Return every figure of a group of visits, with 90 % bootstrap intervals over visits."""
    rng = np.random.default_rng([seed, len(scores)])
    picks = rng.integers(0, len(scores), (DRAWS, len(scores)))
    table = {}
    for name, (_, measure) in MEASURES.items():
        value = measure(scores)
        draws = [measure([scores[i] for i in pick]) for pick in picks] if value is not None and len(scores) > 1 else []
        kept = [draw for draw in draws if draw is not None]
        low, high = (float(q) for q in np.percentile(kept, [5, 95])) if kept else (None, None)
        counted = sum(measure([score]) is not None for score in scores)
        table[name] = Figure(value, low, high, counted)
    return table


def _hardness(difficulty: str) -> tuple[int, str]:
    """Sort difficulties from the easy to the hard ones."""
    known = ("easy", "field", "hard")
    first = difficulty.partition(",")[0]
    return (known.index(first) if first in known else len(known)), difficulty


def groups(scores: Sequence[Score]) -> dict[str, list[Score]]:
    """Return the visits of the table's parts: each difficulty, and within it each fault, kind of tank and state."""
    found: dict[str, list[Score]] = {}
    for difficulty in sorted({s.difficulty for s in scores}, key=_hardness):
        of_this = [s for s in scores if s.difficulty == difficulty]
        found[difficulty] = of_this
        for part in (lambda s: s.fault, lambda s: s.kind, lambda s: f"state {s.state}"):
            for name in sorted({part(s) for s in of_this}):
                found[f"{difficulty}: {name}"] = [s for s in of_this if part(s) == name]
    return found


def confusion(
    scores: Sequence[Score], truth: Callable[[Score], str], said: Callable[[Score], str]
) -> dict[str, dict[str, int]]:
    """Count answers by truth: {truth: {answer: visits}}."""
    table: dict[str, Counter[str]] = {}
    for score in scores:
        table.setdefault(truth(score), Counter())[said(score)] += 1
    return {row: dict(sorted(cells.items())) for row, cells in sorted(table.items())}


def trial_json(scores: Sequence[Score]) -> dict[str, Any]:
    """Return the whole score table as plain data."""
    return {
        "schema": 1,
        "visits": len(scores),
        "groups": {
            name: {
                "visits": len(part),
                "figures": {
                    key: {"value": f.value, "interval90": [f.low, f.high], "visits": f.visits}
                    for key, f in figures(part).items()
                },
                "states": confusion(part, lambda s: s.state, lambda s: s.said_state),
                "findings": confusion(part, lambda s: s.findings[0], lambda s: s.said),
            }
            for name, part in groups(scores).items()
        },
        "each": [
            {
                "name": s.name, "fault": s.fault, "kind": s.kind, "form": s.form, "switches": list(s.switches),
                "state": s.state, "speaks_against": s.speaks_against, "settles": s.settles,
                "made_error_mm": s.made_error_mm, "made_covered": s.made_covered,
                "said_state": s.said_state, "findings": list(s.findings), "said": s.said, "error_mm": s.error_mm,
                "spacing_mm": s.spacing_mm, "covered": s.covered, "interval_mm": s.interval_mm,
                "seconds": round(s.seconds, 3), "trouble": s.trouble,
            }
            for s in scores
        ],
    }  # fmt: skip


# ---------------------------------------------------------------- the table as text


def _visits(scores: Sequence[Score]) -> str:
    return "1 visit" if len(scores) == 1 else f"{len(scores)} visits"


def trial_text(scores: Sequence[Score]) -> str:
    """Return the score table for people."""
    lines = [f"{_visits(scores)}. In brackets: 90 % bootstrap interval over visits, and the visits that count.", ""]
    for name, part in groups(scores).items():
        whole = ":" not in name
        lines += [f"{name} ({_visits(part)})", *(["-" * 98] if whole else [])]
        keep = MEASURES if whole else {k: MEASURES[k] for k in _SHORT}
        table = figures(part)
        lines += [f"  {keep[key][0]:<46}{_cell(table[key])}" for key in keep if table[key].value is not None]
        if whole:
            lines += _confusion_lines("state", confusion(part, lambda s: s.state, lambda s: s.said_state))
            lines += _confusion_lines("finding", confusion(part, lambda s: s.findings[0], lambda s: s.said))
        lines.append("")
    troubles = [f"  {s.name}: {s.trouble}" for s in scores if s.trouble]
    if troubles:
        lines += [f"{len(troubles)} visits could not be judged:", *troubles[:10], ""]
    return "\n".join(lines)


_SHORT = (
    *("backing_right", "error_median_spacings", "error_p95_spacings", "made_error_median_spacings", "made_coverage90"),
    *("state_right", "finding_right", "failed_called_expected", "healthy_named", "healthy_nothing_against"),
    *("healthy_condemned", "cannot_tell"),
)


def _cell(figure: Figure) -> str:
    if figure.value is None:
        return "-"
    interval = "" if figure.low is None or figure.high is None else f"  [{figure.low:.3g}, {figure.high:.3g}]"
    return f"{figure.value:8.3g}{interval}  n={figure.visits}"


def _confusion_lines(what: str, table: dict[str, dict[str, int]]) -> list[str]:
    lines = [f"  {what}, truth -> answer"]
    for row, cells in table.items():
        lines.append(f"    {row:<24}" + ", ".join(f"{cell} {count}" for cell, count in cells.items()))
    return lines

"""Events of the round as entries of its journal, and the round read back from them.

Conventions: in the journal positions are millimetres below the top of the shell ("position_mm"), a tap's place is the
number of its recording (from 0) and its onset in seconds; in the program depths are metres.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any, get_args

from taptest.capture.round import (
    Event,
    FinerAdded,
    KeptTap,
    LevelSet,
    Next,
    NoiseMeasured,
    Plan,
    PointDone,
    PointReopened,
    PointRestarted,
    PointSkipped,
    PracticeTap,
    Result,
    StageBegan,
    Stop,
    StopKind,
    TapAccepted,
    TapIgnored,
    TapRefused,
    Warned,
)
from taptest.errors import VisitError
from taptest.quantities import METRIC
from taptest.words.tell import tell

Values = dict[str, Any]


def note_of(event: Event) -> tuple[str, Values] | None:  # noqa: PLR0911, PLR0912  one case a kind of event
    """Return what to write into the journal, or None for what need not be kept."""
    match event:
        case StageBegan(stage):
            return "stage", {"stage": stage}
        case NoiseMeasured(noise_db, recording, until_s):
            return "noise", {"noise_db": round(noise_db, 2), "recording": recording, "until_s": _s(until_s)}
        case Next(stop, number, of):
            return "next", {**_stop_note(stop), "number": number, "of": of}
        case LevelSet(headroom_db, sentence):
            return "level", {"headroom_db": _finite(headroom_db), "sentence": tell(sentence, METRIC)}
        case PracticeTap(headroom_db, good, sentence):
            return "practice", {"headroom_db": _finite(headroom_db), "good": good, "sentence": tell(sentence, METRIC)}
        case TapAccepted(stop, count, _, tap, _):
            return "tap", {"accepted": True, **_stop_note(stop), "count": count, **_tap_note(tap)}
        case TapRefused(stop, onset_s, why, _):
            where = _stop_note(stop) if stop else {}
            return "tap", {"accepted": False, **where, "onset_s": _s(onset_s), "why": tell(why, METRIC)}
        case TapIgnored(onset_s):
            return "ignored", {"onset_s": _s(onset_s)}
        case PointDone(result) | PointSkipped(result):
            return "point", {
                **_stop_note(result.stop),
                "skipped": result.skipped,
                "refused": result.refused,
                "taps": [_tap_note(tap) for tap in result.taps],
            }
        case PointReopened(result):
            return "redo", _stop_note(result.stop)
        case PointRestarted(stop, why):
            return "restart", {**_stop_note(stop), "why": tell(why, METRIC)}
        case FinerAdded(depth_m, because):
            return "finer", {"position_mm": _mm(depth_m), "because": tell(because, METRIC)}
        case Warned(sentence):
            return "warning", {"sentence": tell(sentence, METRIC)}
        case _:
            return None


def plan_note(plan: Plan) -> Values:
    """Return the plan as values of an entry "plan"."""
    values = asdict(plan)
    marks, ends, reference = (values.pop(name) for name in ("depths_m", "ends_m", "reference_depth_m"))
    return {
        "positions_mm": [_mm(mark) for mark in marks],
        "ends_mm": [_mm(mark) for mark in ends],
        "reference_mm": None if reference is None else _mm(reference),
        **values,
    }


def plan_from(entries: Sequence[Mapping[str, Any]]) -> Plan | None:
    """Return the plan in a journal, or None where there is none. Raises `VisitError`."""
    noted = next((entry for entry in entries if entry["what"] == "plan"), None)
    if noted is None:
        return None
    values = {key: noted[key] for key in noted.keys() & Plan.__slots__}
    try:
        reference = noted["reference_mm"]
        return Plan(
            depths_m=tuple(mark / 1000 for mark in noted["positions_mm"]),
            ends_m=tuple(mark / 1000 for mark in noted.get("ends_mm", ())),
            reference_depth_m=None if reference is None else reference / 1000,
            **values,
        )
    except (KeyError, TypeError) as error:
        raise _damaged(noted) from error


def results_from(entries: Sequence[Mapping[str, Any]]) -> list[Result]:
    """Return the finished stops of a journal, in order, what was done again left out. Raises `VisitError`."""
    results: list[Result] = []
    for entry in entries:
        try:
            if entry["what"] == "point":
                results.append(_result(entry))
            elif entry["what"] == "redo" and results:
                results.pop()
        except (KeyError, TypeError, ValueError) as error:
            raise _damaged(entry) from error
    return results


def is_done(entries: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the round in a journal came to its end; a tone or a warning may be noted after that."""
    return [entry.get("stage") for entry in entries if entry["what"] in ("stage", "marks")][-1:] == ["done"]


def added_marks(entries: Sequence[Mapping[str, Any]]) -> tuple[float, ...]:
    """Return the marks that were added to the round in a journal after it was begun."""
    return tuple(mark / 1000 for entry in entries if entry["what"] == "marks" for mark in entry["positions_mm"])


def known_marks(entries: Sequence[Mapping[str, Any]]) -> tuple[float, ...]:
    """Return all marks of the round in a journal: planned, added, and tapped because the advice said so."""
    plan = plan_from(entries)
    tapped = [result.stop.depth_m for result in results_from(entries) if not result.stop.for_drift]
    return (*(() if plan is None else plan.depths_m), *added_marks(entries), *tapped)


def added_left(entries: Sequence[Mapping[str, Any]]) -> tuple[float, ...]:
    """Return the added marks that are neither tapped nor skipped. Raises `VisitError`."""
    came = {round(result.stop.depth_m, 4) for result in results_from(entries) if result.stop.kind == "finer"}
    return tuple(mark for mark in added_marks(entries) if round(mark, 4) not in came)


def marks_left(entries: Sequence[Mapping[str, Any]]) -> tuple[float, ...]:
    """Return the marks that the round in a journal still wants tapped; none where it is over. Raises `VisitError`."""
    plan = plan_from(entries)
    if plan is None or is_done(entries):
        return ()
    came = {round(result.stop.depth_m, 4) for result in results_from(entries) if result.stop.kind == "point"}
    left = (depth for depth in plan.first_m if round(depth, 4) not in came)
    return tuple(sorted((*left, *added_left(entries))))


def _result(entry: Mapping[str, Any]) -> Result:
    if entry["stop"] not in get_args(StopKind):
        raise ValueError(entry["stop"])
    taps = tuple(
        KeptTap(int(tap["recording"]), float(tap["onset_s"]), float(tap["peak_db"]), float(tap["tap_to_noise_db"]))
        for tap in entry["taps"]
    )
    stop = Stop(entry["stop"], float(entry["position_mm"]) / 1000)
    return Result(stop, taps, int(entry["refused"]), bool(entry["skipped"]))


def _damaged(entry: Mapping[str, Any]) -> VisitError:
    return VisitError(
        f"Entry {entry.get('n')} of round.jsonl cannot be read ({entry.get('what')!r}): "
        "the file was changed by hand or damaged. Restore it from a copy, or record into a new folder."
    )


def _stop_note(stop: Stop) -> Values:
    return {"stop": stop.kind, "position_mm": _mm(stop.depth_m)}


def _tap_note(tap: KeptTap) -> Values:
    return {
        "recording": tap.recording,
        "onset_s": _s(tap.onset_s),
        "peak_db": round(tap.peak_db, 2),
        "tap_to_noise_db": round(tap.tap_to_noise_db, 2),
    }


def _mm(depth_m: float) -> float:
    return round(1000 * depth_m, 3)


def _s(seconds: float) -> float:
    return round(seconds, 6)


def _finite(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None

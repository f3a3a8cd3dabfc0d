"""The truth of a visit, `truth.json`: what no technician can know, kept beside `visit.json` to judge findings by.

Written for simulated visits, and by hand for a real one whose water level was measured otherwise: then only `state`,
`boundary_mm`, `backing`, `fault` and `findings` need be known. Positions are millimetres below the top of the shell,
pressures gauge bar, volumes litres, times seconds after the start of the recording. Its keys: docs/simulation.md.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from taptest import disk
from taptest.errors import VisitError

TRUTH = "truth.json"
TRUTH_SCHEMA = 1
STATES = ("found", "all air", "all water")


@dataclass(frozen=True, slots=True)
class RoundTruth:
    """What is true of a further round."""

    name: str
    state: str
    """As in `VisitTruth`."""
    boundary_mm: float | None
    backing: tuple[str, ...]
    onsets_s: dict[str, tuple[float, ...]]
    water_l: float | None = None
    water_share: float | None = None
    pressure_bar: float | None = None
    form: str | None = None
    onset_bar: float | None = None
    """Pressure at which the first water enters, gauge; of a round in which one mark was tapped at many pressures."""

    @classmethod
    def of(cls, whole: "VisitTruth", state: str) -> "RoundTruth":
        """Return what a truth of its own says of a round, named by the state that it was tapped in."""
        apart = ("name", "onset_bar")
        shared = {each.name: getattr(whole, each.name) for each in fields(cls) if each.name not in apart}
        return cls(name=state, **shared)


@dataclass(frozen=True, slots=True)
class VisitTruth:
    """What is true of a visit."""

    state: str
    """"found", "all air" or "all water", along the tapped line."""
    boundary_mm: float | None
    """Where the tape crosses the end of the wet wall, seen from the water end; None where all points have the same
    backing."""
    backing: tuple[str, ...]
    """"water" or "air" of each point, in the document's order."""
    fault: str
    findings: tuple[str, ...]
    """Findings that are right, the best first."""
    onsets_s: dict[str, tuple[float, ...]]
    """True onset of every tap of each file; empty where not known."""
    precharge_bar: float | None = None
    water_l: float | None = None
    level_mm: float | None = None
    """Average depth of the boundary, beyond the tapped line too; an end of the shell where there is none."""
    water_share: float | None = None
    pressure_bar: float | None = None
    tank_c: float | None = None
    volume_l: float | None = None
    inverted: bool = False
    """Whether the water stands at the wrong end."""
    double_hits: int = 0
    tap_to_noise_db: float | None = None
    difficulty: str = ""
    switches: tuple[str, ...] = ()
    """Physical mismatches that were on."""
    seed: int | None = None
    simulated: bool = True
    form: str | None = None
    """Name of the form in which the water touches the wall, as the simulation calls it."""
    touch: float | None = None
    """Share of a bag's water that moves with the wall it lies on; None for other tanks."""
    standoff_mm: float | None = None
    """How far below its level a bag leaves the wall; None for other tanks."""
    kept_air: float | None = None
    """Air in the tank over the air of the papers' charge."""
    rounds: tuple[RoundTruth, ...] = ()
    """Further rounds, in the document's order."""


def read_truth(folder: Path) -> VisitTruth | None:
    """Read a visit's `truth.json`; None where there is none. Raises `VisitError`, `StorageError`."""
    path = folder / TRUTH
    if not path.is_file():
        return None
    with disk.storage_errors("read", path):
        content = path.read_bytes()
    try:
        raw = json.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise VisitError(f"{path} is not valid JSON: {error}. Restore it from a copy.") from error
    if not isinstance(raw, dict) or raw.get("schema") != TRUTH_SCHEMA:
        raise VisitError(f'{path} does not say "schema": {TRUTH_SCHEMA}, so its truth cannot be read.')
    return _checked(raw, path)


def write_truth(folder: Path, truth: VisitTruth) -> None:
    """Write `truth.json` into a folder, whole or not at all. Raises `StorageError`."""
    content = {"schema": TRUTH_SCHEMA, **asdict(truth)}
    disk.write_text(folder / TRUTH, json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def _checked(raw: Mapping[str, Any], path: Path) -> VisitTruth:
    given = {key: value for key, value in raw.items() if key != "schema"}
    known = {field.name for field in fields(VisitTruth)}
    needed = {"state", "boundary_mm", "backing", "fault", "findings"}
    unknown, missing = sorted(set(given) - known), sorted(needed - set(given))
    if unknown:
        raise VisitError(f'{path}, the key "{unknown[0]}" is not known. Known here are: {", ".join(sorted(known))}.')
    if missing:
        raise VisitError(f'{path}, the key "{missing[0]}" is missing. Add it.')
    if given["state"] not in STATES:
        raise VisitError(f"{path}, state is {given['state']!r}; it must be one of: {', '.join(STATES)}.")
    if (given["boundary_mm"] is None) == (given["state"] == "found"):
        raise VisitError(f'{path}: boundary_mm must be a number where the state is "found" and null where it is not.')
    for name in ("backing", "findings", "switches"):
        given[name] = tuple(str(item) for item in given.get(name) or ())
    if not set(given["backing"]) <= {"water", "air"}:
        raise VisitError(f'{path}, backing: each must be "water" or "air".')
    onsets = given.get("onsets_s") or {}
    if not isinstance(onsets, dict):
        raise VisitError(f"{path}, onsets_s must name the onsets of each file.")
    given["onsets_s"] = {str(name): tuple(float(time) for time in times) for name, times in onsets.items()}
    given["rounds"] = tuple(_round(each, path) for each in given.get("rounds") or ())
    return VisitTruth(**given)


def _round(raw: Mapping[str, Any], path: Path) -> RoundTruth:
    try:
        return RoundTruth(**{**raw, "backing": tuple(raw["backing"]), "onsets_s": dict(raw.get("onsets_s") or {})})
    except (TypeError, KeyError) as error:
        raise VisitError(f"{path}, rounds: an entry cannot be read ({error}). Restore it from a copy.") from error

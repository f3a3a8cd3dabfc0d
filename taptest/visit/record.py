"""The document of a visit, `visit.json`: what was typed, kept as it was typed.

Values are texts with their units ("1.5 bar", "4.4 gal"); what is not known is left out. `read_document` refuses what
it does not know with a sentence that names the file, the key, the value and the cure. Positions are millimetres below
the top of the shell. The format is described in docs/visit-format.md; documents of older schema numbers are lifted
step by step (`MIGRATIONS`). What the texts mean, in SI units, is said by `taptest.visit.meaning`.
"""

import difflib
import json
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from taptest.errors import VisitError
from taptest.tank.kinds import TankKind

SCHEMA = 2
"""Number of the schema that this version writes."""

ASKED = ("readings.pressure", "tank.precharge", "readings.water_temperature")
"""Readings that a judged visit is asked for where they are missing, in this order: without them nothing, or little, can
be compared."""
MOST_PHOTOGRAPHS = 6
"""As many as one page of the report shows."""

Raw = dict[str, Any]
RoundState = Literal["cold", "hot", "fill raised", "let down", "as left"]


def one_round(raw: Raw) -> Raw:
    """Lift schema 1 to 2: it had one round of one line, which stands where it stood; nothing is to be changed."""
    return raw


MIGRATIONS: dict[int, Callable[[Raw], Raw]] = {1: one_round}
"""Schema number -> the step that lifts a document of that number to the next one."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, populate_by_name=True)


class VisitSection(_Section):
    """Free texts about the call itself."""

    site: str | None = None
    customer: str | None = None
    job: str | None = None
    """Number of the job."""
    next_visit: str | None = None
    technician: str | None = None


class TankSection(_Section):
    """The tank as its plate and a tape measure tell it."""

    name: str = ""
    kind: TankKind
    axis: Literal["vertical", "horizontal"] = "vertical"
    water_end: Literal["top", "bottom"] | None = None
    volume: str | None = None
    diameter: str | None = None
    height: str | None = None
    wall: str | None = None
    head: Literal["ellipsoidal", "torispherical", "hemispherical", "flat"] | None = None
    straight_length: str | None = None
    seam: str | None = None
    precharge: str | None = None
    charged_at: str | None = None
    acceptance: str | None = None
    """Most water that the membrane takes, as a volume or as a percentage of the tank's."""
    maker: str | None = None
    model: str | None = None
    serial: str | None = None


class SystemSection(_Section):
    """The heating system that the tank serves."""

    fluid: str | None = None
    volume: str | None = None
    relief: str | None = None
    fill: str | None = None
    max_temperature: str | None = None
    static_head: str | None = None
    altitude: str | None = None


class ReadingsSection(_Section):
    """What gauge and thermometer showed during the visit."""

    pressure: str | None = None
    water_temperature: str | None = None
    tank_temperature: str | None = None
    gauge_error: str | None = None
    tank_above_gauge: str | None = None
    """Height of the tank over the gauge; negative where it hangs below."""
    state: Literal["cold", "hot"] | None = None
    notes: str = ""


class LineSection(_Section):
    """How the line was tapped."""

    microphone: Literal["fixed", "moving"] | None = None
    microphone_distance: str | None = None
    striker: str | None = None


class DrainSection(_Section):
    """A measured drain: cold, fill valve shut, so much water drawn into a measure."""

    volume: str | None = None
    pressure_before: str | None = None
    pressure_after: str | None = None


class LogSection(_Section):
    """One reading of the pressure log."""

    time: str
    pressure: str
    temperature: str | None = None
    tank_temperature: str | None = None
    heat: str | None = None
    fill: str | None = None


class ParallelSection(_Section):
    """Another tank on the same system, as its plate tells it; it was not tapped."""

    volume: str
    precharge: str
    charged_at: str | None = None
    acceptance: str | None = None
    """As in `TankSection`."""


class AsLeftSection(_Section):
    """How the technician left the system, where anything was changed."""

    pressure: str | None = None
    water_temperature: str | None = None
    precharge: str | None = None
    work: str | None = None


def _stays_inside(file: str) -> str:
    """Refuse a file outside the visit."""
    path = PurePosixPath(file)
    outside = path.is_absolute() or ".." in path.parts or PureWindowsPath(file).drive or "\\" in file or "\0" in file
    if outside or not path.parts:
        raise ValueError(
            "leads out of the visit; its files lie inside the visit's folder and are named from there, "
            'like "sound/point01.wav"'
        )
    return file


class PointEntry(_Section):
    """One point of the line, in the order in which the points were tapped."""

    position_mm: float
    file: str
    """Sound file, as a path inside the visit with forward slashes."""
    taps: int | None = Field(default=None, ge=1, le=1000)
    """How many taps this point got in a recording that it shares with other points; None where the file is its own."""
    line: str | None = Field(default=None, min_length=1, max_length=60)
    """Name of the line that it belongs to; None on a round with one line."""

    _inside = field_validator("file")(_stays_inside)


class HandDecision(_Section):
    """What somebody who listened decided about one tap, against or with the detector."""

    file: str
    """Sound file, as in `PointEntry`."""
    onset_s: float = Field(ge=0)
    """When the tap begins, seconds from the start of the recording."""
    verdict: Literal["refuse", "use"]
    why: str = Field(min_length=1, max_length=500)
    """The reason, as typed."""


class OnsetEntry(_Section):
    """The taps of one mark at one pressure, in a round in which the fill is slowly raised or let down."""

    pressure: str
    """What the gauge shows."""
    file: str
    taps: int | None = Field(default=None, ge=1, le=1000)
    """Both as in `PointEntry`."""

    _inside = field_validator("file")(_stays_inside)


class LineName(_Section):
    """One of several lines of a round: where it runs down the tank."""

    name: str = Field(min_length=1, max_length=60)
    angle: float | None = Field(default=None, ge=-360, le=360)
    """Degrees round the tank, 0 where the first line is."""


class RoundSection(_Section):
    """A further round of the same visit: the tank tapped again in another state."""

    name: str = Field(min_length=1, max_length=60)
    state: RoundState
    same_air: bool = True
    """Whether the tank holds the same air as in the round before: nothing was pumped up or let out at its air valve."""
    water_moved: str | None = None
    """Water let into the system (above zero) or out of it since the round before."""
    readings: ReadingsSection = ReadingsSection()
    line: LineSection = LineSection()
    lines: tuple[LineName, ...] = Field(default=(), strict=False, max_length=12)
    points: tuple[PointEntry, ...] = Field(default=(), strict=False)
    mark: str | None = None
    """Where the one mark of `onset` lies, below the top of the shell."""
    onset: tuple[OnsetEntry, ...] = Field(default=(), strict=False, max_length=200)
    """One mark at many pressures, in the order in which it was tapped."""


class Photograph(_Section):
    """One photograph that lies with the visit."""

    file: str
    """As a path inside the visit with forward slashes."""
    caption: str = Field(default="", max_length=200)
    """As typed."""

    _inside = field_validator("file")(_stays_inside)


class Document(_Section):
    """A whole visit without its sound."""

    schema_number: Literal[2] = Field(default=2, alias="schema")
    visited_on: date | None = None
    simulated: bool = False
    visit: VisitSection = VisitSection()
    tank: TankSection
    system: SystemSection = SystemSection()
    readings: ReadingsSection = ReadingsSection()
    line: LineSection = LineSection()
    lines: tuple[LineName, ...] = Field(default=(), strict=False, max_length=12)
    """Where the lines run, on a visit with several of them."""
    observations: dict[str, str] = {}
    """Evidence for the causes: names and answers as in docs/causes.md."""
    drain: DrainSection = DrainSection()
    log: tuple[LogSection, ...] = Field(default=(), strict=False, max_length=20_000)
    parallel: tuple[ParallelSection, ...] = Field(default=(), strict=False, max_length=100)
    """The other tanks on the system."""
    as_left: AsLeftSection = AsLeftSection()
    points: tuple[PointEntry, ...] = Field(default=(), strict=False)
    marks_left: tuple[float, ...] = Field(default=(), strict=False, max_length=1000)
    """Marks that the guided round still wants tapped, millimetres below the top; none where it is over."""
    reference: tuple[PointEntry, ...] = Field(default=(), strict=False)
    """The reference mark, one entry for each time it was tapped, in order of time; it is no point of the line."""
    by_hand: tuple[HandDecision, ...] = Field(default=(), strict=False, max_length=20_000)
    """Taps that were refused or used by hand, at most one decision a tap, of all rounds."""
    photographs: tuple[Photograph, ...] = Field(default=(), strict=False, max_length=MOST_PHOTOGRAPHS)
    rounds: tuple[RoundSection, ...] = Field(default=(), strict=False, max_length=20)
    """Further rounds in order of time; the first one, as found, is the document itself."""

    @field_validator("visited_on", mode="before")
    @classmethod
    def _is_a_date(cls, value: object) -> object:
        if isinstance(value, str):
            try:
                return date.fromisoformat(value)
            except ValueError:
                raise ValueError("is not a date; use YYYY-MM-DD, such as 2025-01-31") from None
        return value


def as_documents(document: Document) -> tuple[Document, ...]:
    """Return each further round of a visit as a document of its own, in order of time.

    What a round does not say is as in the round before it: the gauge and its place, and where nothing was heated or
    cooled in between, the temperatures and whether it is hot.
    """
    found: list[Document] = []
    before = document.readings
    for each in document.rounds:
        readings = _carried_on(each, before)
        found.append(
            document.model_copy(
                update={
                    "tank": _as_left(document) if each.state == "as left" and not each.same_air else document.tank,
                    "readings": readings,
                    "line": each.line,
                    "lines": each.lines,
                    "points": each.points,
                    "reference": (),
                    "drain": DrainSection(),
                    "log": (),
                    "rounds": (),
                }
            )
        )
        before = readings
    return tuple(found)


def _as_left(document: Document) -> TankSection:
    """Return the tank with the charge that was left in it, where one is noted."""
    charge = document.as_left.precharge
    if charge is None or not charge.strip():
        return document.tank
    return document.tank.model_copy(update={"precharge": charge, "charged_at": None})


def _carried_on(each: RoundSection, before: ReadingsSection) -> ReadingsSection:
    """Complete a round's readings from those of the round before it."""
    same = ["gauge_error", "tank_above_gauge"]
    if each.state in ("fill raised", "let down"):
        same += ["water_temperature", "tank_temperature", "state"]
    carried = {key: getattr(before, key) for key in same if getattr(each.readings, key) is None}
    if each.state in ("cold", "hot") and each.readings.state is None:
        carried["state"] = each.state
    return each.readings.model_copy(update=carried)


def read_document(text: str, source: str) -> Document:
    """Read the text of a `visit.json`.

    `source` is how the file is named in sentences. Raises `VisitError`.
    """
    try:
        raw = json.loads(
            text, object_pairs_hook=lambda pairs: _without_twins(pairs, source), parse_constant=_no_constant(source)
        )
    except json.JSONDecodeError as error:
        raise VisitError(
            f"{source} is not valid JSON: {error.msg} at line {error.lineno}, column {error.colno}. "
            "Restore it from a copy, or mend that place in a text editor."
        ) from error
    except RecursionError as error:
        raise VisitError(f"{source} is nested too deeply to be a visit. Restore it from a copy.") from error
    if not isinstance(raw, dict):
        raise VisitError(
            f"{source} does not contain a visit document. Restore it from a copy, or import the visit again."
        )
    return document_from(migrate(raw, source), source)


def document_from(raw: Mapping[str, Any], source: str) -> Document:
    """Check plain data against the document's form. Raises `VisitError` with one sentence a fault, at most three."""
    current = migrate(dict(raw), source) if "schema" in raw else dict(raw)
    try:
        return Document.model_validate(current)
    except ValidationError as error:
        faults = [_sentence(fault, source) for fault in error.errors(include_url=False)]
        more = f" There are {len(faults) - 3} more faults like these." if len(faults) > 3 else ""
        raise VisitError(" ".join(faults[:3]) + more) from error


def write_document(document: Document) -> str:
    """Return the text of `visit.json`; what is not known is left out."""
    raw = document.model_dump(mode="json", by_alias=True, exclude_none=True)
    raw = {name: content for name, content in raw.items() if content or name not in _LEFT_OUT_WHEN_EMPTY}
    return json.dumps(raw, indent=2, ensure_ascii=False) + "\n"


def migrate(raw: Raw, source: str, newest: int = SCHEMA, steps: Mapping[int, Callable[[Raw], Raw]] = MIGRATIONS) -> Raw:
    """Lift a document to the newest schema, step by step. Raises `VisitError` where that cannot be."""
    number = raw.get("schema")
    if not isinstance(number, int) or isinstance(number, bool):
        raise VisitError(
            f'{source} does not say which schema it follows: the key "schema" is {number!r}. '
            f'Add "schema": {newest}, or import the visit again.'
        )
    if number > newest:
        raise VisitError(
            f"{source} follows schema {number}, but this version of taptest knows schemas up to {newest}. "
            "Install a newer taptest."
        )
    while number < newest:
        step = steps.get(number)
        if step is None:
            raise VisitError(
                f"{source} follows schema {number}, which no version of taptest has written. Import the visit again."
            )
        number += 1
        raw = {**step(raw), "schema": number}
    return raw


def nearest(word: str, known: Iterable[str]) -> str:
    """Give a hint for a misspelt word: the nearest known one, or all of them. One sentence."""
    known = list(known)
    close = difflib.get_close_matches(word.lower().replace("-", "_").replace(" ", "_"), known, n=1, cutoff=0.6)
    if close:
        return f'Did you mean "{close[0]}"?'
    return f"Known here are: {', '.join(known)}."


def _without_twins(pairs: list[tuple[str, Any]], source: str) -> Raw:
    found: Raw = {}
    for key, value in pairs:
        if key in found:
            raise VisitError(f'{source} gives the key "{key}" twice, and only one can hold. Take one of them out.')
        found[key] = value
    return found


def _no_constant(source: str) -> Callable[[str], Any]:
    def refuse(constant: str) -> Any:
        raise VisitError(f"{source} contains {constant}, which is not a usable number. Leave out what you don't know.")

    return refuse


_LEFT_OUT_WHEN_EMPTY = (
    *("visit", "observations", "drain", "log", "parallel", "as_left", "reference", "by_hand"),
    *("marks_left", "photographs"),
    *("lines", "rounds"),
)

_SECTIONS: dict[str, type[_Section]] = {
    "visit": VisitSection,
    "tank": TankSection,
    "system": SystemSection,
    "readings": ReadingsSection,
    "line": LineSection,
    "drain": DrainSection,
    "log": LogSection,
    "parallel": ParallelSection,
    "as_left": AsLeftSection,
    "points": PointEntry,
    "reference": PointEntry,
    "by_hand": HandDecision,
    "lines": LineName,
    "rounds": RoundSection,
    "onset": OnsetEntry,
}


def _known_keys(place: tuple[int | str, ...]) -> list[str]:
    """Keys that are valid beside the one at `place`."""
    if place[0] == "rounds" and len(place) > 3:
        return _known_keys(place[2:])
    section = _SECTIONS.get(str(place[0])) if len(place) > 1 else Document
    fields = (section or Document).model_fields
    return [info.alias or name for name, info in fields.items()]


def _named(place: tuple[int | str, ...]) -> str:
    """Name a key as it is written in the file: "[tank] volume", "points, entry 3, file"."""
    if place[0] == "rounds" and len(place) > 3:
        return f"rounds, entry {int(place[1]) + 1}, {_named(place[2:])}"
    if len(place) == 1:
        return f'the key "{place[0]}"'
    if place[0] in ("points", "reference", "log", "parallel", "by_hand", "lines", "rounds", "onset"):
        return f"{place[0]}, entry {int(place[1]) + 1}" + (f', the key "{place[2]}"' if len(place) > 2 else "")
    return f'[{place[0]}], the key "{place[1]}"'


_EXPECTED = (
    ("bool", "true or false"),
    ("int", "a whole number"),
    ("float", "a number"),
    ("finite", "a number"),
    ("date", "a date like 2025-01-31"),
    ("tuple", "a list"),
    ("list", "a list"),
    ("model", "a group of keys and values"),
    ("dict", "a group of keys and values"),
)
"""Beginning of a fault's name in pydantic -> what should stand there."""


_UNITS_OF = {
    **dict.fromkeys(("volume", "acceptance"), ("l", "gal")),
    **dict.fromkeys(("diameter", "height", "wall", "straight_length", "seam", "microphone_distance"), ("mm", "in")),
    **dict.fromkeys(("static_head", "altitude", "tank_above_gauge"), ("m", "ft")),
    **dict.fromkeys(("precharge", "relief", "fill", "pressure", "gauge_error"), ("bar", "psi")),
    **dict.fromkeys(("pressure_before", "pressure_after"), ("bar", "psi")),
    **dict.fromkeys(("charged_at", "max_temperature", "temperature"), ("C", "F")),
    **dict.fromkeys(("water_temperature", "tank_temperature"), ("C", "F")),
}
"""Key -> a metric and an American unit in which it is usually written."""


def _sentence(fault: Mapping[str, Any], source: str) -> str:
    """One fault found by pydantic, as a sentence: where, what, and what to do."""
    place: tuple[int | str, ...] = fault["loc"] or ("document",)
    kind: str = fault["type"]
    where = f"{source}, {_named(place)}"
    if kind == "extra_forbidden":
        return f"{where} is not known. {nearest(str(place[-1]), _known_keys(place))}"
    if kind == "missing":
        return f"{where} is missing, and without it the visit cannot be judged. Add it."
    shown = json.dumps(fault["input"], ensure_ascii=False, default=str)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    if kind == "string_type" and isinstance(fault["input"], int | float) and not isinstance(fault["input"], bool):
        metric, american = _UNITS_OF.get(str(place[-1]), ("", ""))
        like = f'a text with its unit, like "{shown} {metric}" or "{shown} {american}"' if metric else f'"{shown}"'
        return f"{where} is {shown}, a bare number; write it as {like}."
    return f"{where} is {shown}, {_cure(kind, fault)}."


def _cure(kind: str, fault: Mapping[str, Any]) -> str:
    """Say what is wrong with a value and what should stand there instead."""
    context = fault.get("ctx", {})
    if kind == "value_error":
        return f"which {context['error']}"
    if kind == "literal_error":
        return f"but it can only be {context['expected']}"
    if kind == "string_type":
        return "but it should be a text in quotation marks; leave it out if it is not known"
    expected = [text for beginning, text in _EXPECTED if kind.startswith(beginning)]
    expected += [f"at {word} {context[limit]}" for limit, word in (("ge", "least"), ("le", "most")) if limit in context]
    if expected:
        return f"but it should be {expected[0]}"
    return f"which does not fit ({fault['msg']}); correct it, or leave it out if it is not known"

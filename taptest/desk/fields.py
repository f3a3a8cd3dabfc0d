"""The form of a visit: its fields, and the way from typed texts to a document and back.

Every text stays as it was typed. What is wrong is said in the tool's own sentences, beside the field where it stands;
a field that is not known is left empty. A field's name in the form is "section.key"; of the other tanks on the system,
"parallel.number.key".
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

from taptest.errors import TaptestError
from taptest.report.page_text import KIND

if TYPE_CHECKING:
    from taptest.visit.record import Document

Type = Literal["text", "date", "area", "choice", "pictured"]

SOURCE = "This form"
LONGEST = 2_000
"""Letters of one field; longer texts are refused, not cut."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form."""

    section: str
    key: str
    label: str
    hint: str = ""
    type: Type = "text"
    choices: tuple[tuple[str, str], ...] = ()
    """For a choice, and a pictured one: what is stored, and how it is said."""

    @property
    def name(self) -> str:
        """Name in the form."""
        return f"{self.section}.{self.key}"


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that stand together."""

    title: str
    fields: tuple[Field, ...]
    open: bool = True
    """Whether it is laid open at first; the others open by a click."""
    note: str = ""


@dataclass(slots=True)
class Read:
    """A form as it was sent."""

    typed: dict[str, str]
    """Field name -> text, every field of the form."""
    document: "Document | None" = None
    """None where something is wrong."""
    errors: dict[str, str] = field(default_factory=dict)
    """Field name -> what is wrong, as a sentence; "" for what belongs to no field."""


NOT_KNOWN = ("", "not known")
OTHERS = 4
"""Other tanks that the form has room for; a document may hold more, which stay as they are."""
GROUPS: tuple[Group, ...] = (
    Group(
        "First of all",
        (
            Field("tank", "name", "Name or place", "how you tell it from the others, like “left of the boiler”"),
            Field(
                "tank",
                "kind",
                "Kind",
                "diaphragm: a membrane clamped at the seam; bladder: a bag inside the shell; open: under the roof",
                "pictured",
                tuple(KIND.items()),
            ),
            Field(
                "tank",
                "water_end",
                "Water enters",
                "which end the pipe is at, as the tank hangs or stands",
                "pictured",
                (("top", "at the top"), ("bottom", "at the bottom"), NOT_KNOWN),
            ),
            Field("tank", "volume", "Volume", "with its unit: 18 l, 4.4 gal"),
            Field("tank", "diameter", "Diameter", "270 mm, 11 in"),
            Field("tank", "height", "Height of the shell", "without its feet and pipe"),
            Field("readings", "pressure", "Pressure at the gauge", "1.5 bar, 22 psi"),
        ),
        note="The volume, or diameter and height. The rest is asked for where it would change the answer.",
    ),
    Group(
        "Where and when",
        (
            Field("visit", "site", "Site"),
            Field("visit", "date", "Day of the visit", type="date"),
            Field("visit", "technician", "Technician"),
            Field("visit", "customer", "Customer", "if different from the site"),
            Field("visit", "job", "Job number"),
            Field("visit", "next_visit", "Next visit", "a day, or a season"),
        ),
        open=False,
    ),
    Group(
        "More of the tank",
        (
            Field("tank", "precharge", "Pre-charge", "on the plate or as last set: 1.0 bar, 12 psi"),
            Field(
                "tank",
                "axis",
                "Axis",
                type="choice",
                choices=(("vertical", "upright"), ("horizontal", "lying")),
            ),
            Field("tank", "charged_at", "Temperature when charged"),
            Field("tank", "acceptance", "Most water it takes", "8 l, or 45 %"),
            Field("tank", "seam", "Seam below the top"),
            Field("tank", "wall", "Wall thickness"),
            Field(
                "tank",
                "head",
                "Shape of the heads",
                type="choice",
                choices=(
                    NOT_KNOWN,
                    ("ellipsoidal", "ellipsoidal"),
                    ("torispherical", "torispherical"),
                    ("hemispherical", "hemispherical"),
                    ("flat", "flat"),
                ),
            ),
            Field("tank", "straight_length", "Length of the straight part"),
            Field("tank", "maker", "Maker"),
            Field("tank", "model", "Model"),
            Field("tank", "serial", "Serial number"),
        ),
        open=False,
    ),
    Group(
        "More readings as found",
        (
            Field("readings", "water_temperature", "Water temperature", "20 C, 68 F"),
            Field("readings", "tank_temperature", "Temperature of the tank"),
            Field(
                "readings", "state", "System is", type="choice", choices=(NOT_KNOWN, ("cold", "cold"), ("hot", "hot"))
            ),
            Field("readings", "gauge_error", "Gauge may be off by", "0.1 bar, 1.5 psi"),
            Field("readings", "tank_above_gauge", "Tank above the gauge", "a height; with a minus if below"),
            Field("readings", "notes", "Notes", type="area"),
        ),
        open=False,
    ),
    Group(
        "System",
        (
            Field("system", "relief", "Relief valve opens at", "3 bar, 30 psi"),
            Field("system", "fill", "Fill valve is set to"),
            Field("system", "static_head", "Height of the system above the tank", "8 m, 25 ft; or its pressure"),
            Field("system", "volume", "Water in the system", "120 l, 30 gal"),
            Field("system", "max_temperature", "Highest temperature", "80 C, 180 F"),
            Field("system", "fluid", "Fluid", "water if left empty; like “propylene glycol 30 %”"),
            Field("system", "altitude", "Height above sea level"),
        ),
        open=False,
    ),
    Group(
        "Other tanks on the system",
        tuple(
            Field(f"parallel.{number}", key, f"Other tank {number}: {label}", hint)
            for number in range(1, OTHERS + 1)
            for key, label, hint in (
                ("volume", "volume", "with its unit: 25 l, 6.6 gal"),
                ("precharge", "pre-charge", "as stated; 0 bar for a plain tank filled from open air"),
                ("charged_at", "temperature when charged", ""),
                ("acceptance", "most water it takes", "8 l, or 45 %"),
            )
        ),
        open=False,
        note="They take part of the expansion. They aren't tapped, so the figures on their plates are used.",
    ),
    Group(
        "How it was tapped",
        (
            Field(
                "line",
                "microphone",
                "Microphone",
                type="choice",
                choices=(NOT_KNOWN, ("fixed", "kept in one place"), ("moving", "moved along")),
            ),
            Field("line", "microphone_distance", "Its distance from the tank"),
            Field("line", "striker", "Striker"),
        ),
        open=False,
    ),
    Group(
        "Measured drain",
        (
            Field("drain", "volume", "Water drawn"),
            Field("drain", "pressure_before", "Gauge before"),
            Field("drain", "pressure_after", "Gauge after"),
        ),
        open=False,
        note="Cold, fill valve shut: draw water into a measuring jug. Enter all three, or the test is not used.",
    ),
    Group(
        "As left",
        (
            Field("as_left", "pressure", "Pressure at the gauge"),
            Field("as_left", "water_temperature", "Water temperature"),
            Field("as_left", "precharge", "Pre-charge as set"),
            Field("as_left", "work", "Work done", type="area"),
        ),
        open=False,
    ),
)
FIELDS: dict[str, Field] = {each.name: each for group in GROUPS for each in group.fields}
_IN_OTHER = re.compile(rf'^{SOURCE}, \[\[parallel\]\], entry (\d+), (?:the key )?"?(\w+)"?(:)? *')
_PLACE = re.compile(rf"^{SOURCE}, \[(\w+)\](?:(?:, the key)? \"?(\w+)\"?)?[:,]? *")


def read_form(form: Mapping[str, str], before: "Document | None" = None) -> Read:
    """Read a form; what the form does not have (log, points, evidence) is kept from `before`."""
    from taptest.visit.record import SCHEMA, document_from, write_document

    read = Read({name: form.get(name, "").strip() for name in FIELDS})
    for name, text in read.typed.items():
        if len(text) > LONGEST:
            read.errors[name] = f"This text has {len(text)} letters, and at most {LONGEST} are kept. Make it shorter."
        elif "\0" in text:
            read.errors[name] = "This text contains a character that can't be used here. Retype it."
    _each_quantity(read)
    _whole_others(read)
    if not read.typed["tank.kind"]:
        read.errors["tank.kind"] = "Choose the kind of tank. Without it there is no finding."
    day = _day(read)
    if read.errors:
        return read
    raw: dict[str, Any] = {"schema": SCHEMA}
    if before is not None:
        import json

        raw = {**json.loads(write_document(before)), "schema": SCHEMA}
    raw = {**raw, "visited_on": day, **_sections(read.typed)}
    beyond = () if before is None else before.parallel[OTHERS:]
    raw["parallel"] = [*_others(read.typed).values(), *(each.model_dump(exclude_none=True) for each in beyond)]
    _try(read, lambda: document_from(raw, SOURCE))
    return read


def _try(read: Read, make: Callable[[], "Document"]) -> None:
    """Make the document and understand it; what is wrong goes beside its field."""
    from taptest.visit.meaning import meaning_of

    try:
        document = make()
        meaning_of(document, SOURCE)
    except TaptestError as error:
        name, sentence = place_of(str(error), tuple(_others(read.typed)))
        read.errors[name] = sentence
        return
    read.document = document


def in_order(errors: Mapping[str, str]) -> dict[str, str]:
    """Return what is wrong in the order of the fields; first what belongs to none."""
    places = {name: number for number, name in enumerate(FIELDS)}
    return dict(sorted(errors.items(), key=lambda each: places.get(each[0], -1)))


def _each_quantity(read: Read) -> None:
    """Read every quantity by itself, so that all that is wrong is said at once."""
    from taptest import quantities
    from taptest.visit.meaning import KINDS
    from taptest.visit.parallel import KINDS as KINDS_OF_OTHERS

    for name, item in FIELDS.items():
        other = item.section.startswith("parallel.")
        kind = (KINDS_OF_OTHERS if other else KINDS.get(item.section, {})).get(item.key)
        text = read.typed[name]
        if kind is None or not text or name in read.errors:
            continue
        try:
            quantities.parse(kind, text, item.label)
        except TaptestError as error:
            read.errors[name] = str(error)


def _whole_others(read: Read) -> None:
    """Another tank takes part only with its volume and its charge."""
    for number, tank in _others(read.typed).items():
        for key in ("volume", "precharge"):
            name = f"parallel.{number}.{key}"
            if key not in tank:
                read.errors.setdefault(
                    name,
                    f"{FIELDS[name].label} is empty, and without it the tank takes no part. Read it on the tank's "
                    "plate, or empty the tank's other fields.",
                )


def _others(typed: Mapping[str, str]) -> dict[int, dict[str, str]]:
    """Return the other tanks of which anything was typed, by their numbers in the form."""
    found: dict[int, dict[str, str]] = {}
    for name, text in typed.items():
        item = FIELDS[name]
        if text and item.section.startswith("parallel."):
            found.setdefault(int(item.section.removeprefix("parallel.")), {})[item.key] = text
    return found


def groups_for(typed: Mapping[str, str]) -> tuple[Group, ...]:
    """Return the groups of a form that shows these texts: of the other tanks, two more than are filled."""
    most = max(_others(typed), default=0) + 2
    return tuple(
        replace(group, fields=tuple(each for each in group.fields if _number(each) <= most)) for group in GROUPS
    )


def _number(item: Field) -> int:
    return int(item.section.removeprefix("parallel.")) if item.section.startswith("parallel.") else 0


def _day(read: Read) -> date | None:
    text = read.typed["visit.date"]
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        read.errors["visit.date"] = (
            f"“{text[:40]}” is not a date. Use YYYY-MM-DD, such as 2025-01-31, or leave it empty."
        )
        return None


def _sections(typed: Mapping[str, str]) -> dict[str, dict[str, str]]:
    """Return the document's sections from the texts; empty ones are left out."""
    own = {name: item for name, item in FIELDS.items() if not _number(item)}
    sections: dict[str, dict[str, str]] = {each.section: {} for each in own.values()}
    for name, item in own.items():
        text = typed[name]
        if text and name != "visit.date":
            sections[item.section][item.key] = text
    return sections


def place_of(sentence: str, others: tuple[int, ...] = ()) -> tuple[str, str]:
    """Find the field that a sentence of the tool is about: its name, "" for none, and the sentence in the form's words.

    "This form, [tank] volume: ..." becomes ("tank.volume", "Volume: ..."). `others` are the numbers in the form of the
    entries of other tanks.
    """
    other = _IN_OTHER.match(sentence)
    if other is not None and int(other[1]) <= len(others):
        name = f"parallel.{others[int(other[1]) - 1]}.{other[2]}"
        if name in FIELDS:
            return name, f"{FIELDS[name].label}{other[3] or ''} {sentence[other.end() :]}"
    found = _PLACE.match(sentence)
    if found is None:
        return "", sentence.removeprefix(f"{SOURCE}, ").removeprefix(f"{SOURCE} ")
    name = f"{found[1]}.{found[2]}"
    if name in FIELDS:
        # "[tank], the key "wall" is ..." goes on as a sentence, "[tank] wall: ..." does not.
        joint = " " if ", the key" in found[0] else ": "
        return name, f"{FIELDS[name].label}{joint}{sentence[found.end() :]}"
    rest = sentence[found.end() :] if found[2] is None else sentence.removeprefix(f"{SOURCE}, ")
    return "", rest[:1].upper() + rest[1:]


def typed_of(document: "Document") -> dict[str, str]:
    """Return the texts of a form that shows this document."""
    found = {}
    for name, item in FIELDS.items():
        if number := _number(item):
            there = number <= len(document.parallel)
            found[name] = (getattr(document.parallel[number - 1], item.key) or "") if there else ""
            continue
        value = document.visited_on if name == "visit.date" else getattr(getattr(document, item.section), item.key)
        found[name] = "" if value is None else str(value)
    return found

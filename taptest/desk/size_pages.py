"""Sizing: what tank a system needs by several standards, and which of the sizes at hand serve."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from taptest.desk.fields import Field
from taptest.desk.render import Posted, desk_of
from taptest.errors import QuantityError, TaptestError
from taptest.report.choices import usual_wording
from taptest.report.wording import worded

if TYPE_CHECKING:
    from taptest.quantities import Quantity
    from taptest.visit.size_task import Asked
    from taptest.water.sizing import SizingMethod, TankSize

MOST_SIZES = 60
MOST_TANKS = 4
"""In parallel; more than that are not looked for."""

KNOWN: tuple[Field, ...] = (
    Field("size", "system_volume", "Water in the system", "190 l, 50 gal"),
    Field("size", "hot", "Highest temperature", "80 C, 180 F"),
    Field("size", "cold", "Temperature when filled", "10 C if left empty"),
    Field("size", "relief", "Relief valve opens at", "3 bar, 30 psi"),
    Field("size", "static_head", "Height of the system above the tank", "7 m, 25 ft; or its pressure"),
    Field("size", "fill", "Cold fill pressure", "recommended from the height if left empty"),
    Field("size", "highest", "Highest pressure wanted", "from the relief valve's setting if left empty"),
    Field("size", "fluid", "Fluid", "water if left empty; like “propylene glycol 30 %”"),
    Field("size", "metal", "Pipes are of", type="choice", choices=(("steel", "steel"), ("copper", "copper"))),
    Field("size", "altitude", "Height above sea level"),
)
GUESSED: tuple[Field, ...] = (
    Field("size", "output", "Heat output", "24 kW, 80000 Btu/h"),
    Field(
        "size",
        "emitter",
        "Emitters",
        type="choice",
        choices=(
            ("", "not known"),
            *((each, each) for each in ("convector", "baseboard", "panel radiator", "column radiator", "underfloor")),
        ),
    ),
    Field("size", "store", "Buffer or store on top"),
)
SAID: "dict[SizingMethod, str]" = {
    "diaphragm": "tank with a membrane, by the gas law",
    "closed": "plain steel tank, by the gas law",
    "open": "open tank",
    "en 12828": "EN 12828 (tank with a membrane)",
    "model code diaphragm": "tank with a membrane, by the model codes",
    "model code closed": "plain steel tank, by the model codes",
}
"""How each method is said; docs/water.md has their formulas and sources."""
LABELS = {each.key: each.label for each in (*KNOWN, *GUESSED)}
FROM_VISIT = {
    "system_volume": ("system", "volume"),
    "hot": ("system", "max_temperature"),
    "relief": ("system", "relief"),
    "static_head": ("system", "static_head"),
    "fill": ("system", "fill"),
    "fluid": ("system", "fluid"),
    "altitude": ("system", "altitude"),
}


def size_form(request: Request) -> Response:
    """Show the form; with `like`, what is known of that visit's system stands in it."""
    desk = desk_of(request)
    typed: dict[str, str] = {}
    like = request.query_params.get("like", "")
    if like:
        document = desk.visits.read(like).visit.document
        typed = {
            f"size.{key}": str(getattr(getattr(document, section), name) or "")
            for key, (section, name) in FROM_VISIT.items()
        }
    return _page(request, typed, ["diaphragm"], [], "")


def size(request: Request, form: Posted) -> Response:
    """Size, and show the working."""
    from taptest.visit.size_task import METHODS

    methods = [method for method in METHODS if f"method.{method}" in form.texts] or ["diaphragm"]
    try:
        found = _sized(form.texts, methods)
    except TaptestError as error:
        return _page(request, form.texts, methods, [], str(error), 422)
    return _page(request, form.texts, methods, found, "")


def _sized(texts: Mapping[str, str], methods: "list[SizingMethod]") -> list[dict[str, Any]]:
    """Return what each method asks for and which sizes serve. Raises `QuantityError`, `PhysicsError`."""
    from taptest.visit.meaning import units_of
    from taptest.visit.size_task import read_task
    from taptest.water.sizing import choose_tanks
    from taptest.water.sizing import size as sized

    asked: dict[Asked, str | None] = {key: texts.get(f"size.{key}", "").strip() for key in LABELS}  # type: ignore[misc]
    task, typed = read_task(asked, lambda key: LABELS[key])
    sizes = _sizes(texts.get("sizes", ""), typed)
    units = units_of(typed)
    found = []
    for method in methods:
        result = sized(task, method, units)
        choices = choose_tanks(task, result, sizes, _most(texts.get("most", "")), units) if sizes else ()
        found.append({"method": SAID[method], "result": result, "choices": choices, "asked": bool(sizes)})
    return found


def _sizes(text: str, typed: "list[Quantity]") -> "list[TankSize]":
    from taptest.visit.size_task import read_size

    lines = [line.partition("#")[0].strip() for line in text.splitlines()]
    lines = [line for line in lines if line]
    if len(lines) > MOST_SIZES:
        raise QuantityError(f"{len(lines)} sizes are more than can be compared here ({MOST_SIZES}). Leave some out.")
    sizes = []
    for number, line in enumerate(lines, start=1):
        one, volume = read_size(line[:100], f"Sizes, line {number}")
        typed.append(volume)
        sizes.append(one)
    return sizes


def _most(text: str) -> int:
    return min(max(int(text), 1), MOST_TANKS) if text.isascii() and text.isdigit() and len(text) < 4 else 3


def _page(
    request: Request,
    typed: Mapping[str, str],
    methods: "list[SizingMethod]",
    found: list[dict[str, Any]],
    trouble: str,
    status: int = 200,
) -> Response:
    texts = {name: typed.get(name, "") for name in (*(f"size.{key}" for key in LABELS), "sizes", "most")}
    return desk_of(request).page(
        "size.html", status, title=worded("Size a tank", usual_wording()), known=KNOWN, guessed=GUESSED,
        typed=texts, methods=list(SAID.items()), chosen=methods, found=found, trouble=trouble,
    )  # fmt: skip

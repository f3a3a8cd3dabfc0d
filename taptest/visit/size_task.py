"""What is typed for sizing a tank, read: texts with their units in, a task for `taptest.water.sizing` out.

The command line and the pages share it. Every quantity that was typed is handed back too, so that the answer can come
in the units of the question. Pressures are gauge, at the tank.
"""

from collections.abc import Callable, Mapping
from typing import Literal, get_args

from taptest import quantities
from taptest.errors import QuantityError
from taptest.quantities import Kind, Quantity
from taptest.visit.meaning import static_head_of
from taptest.water.fluids import WATER, Metal, parse_fluid
from taptest.water.pressure import atmospheric_pressure_pa
from taptest.water.sizing import (
    Band,
    Emitter,
    SizingMethod,
    SizingTask,
    TankSize,
    entered_volume,
    rule_of_thumb_volume,
)

METHODS: tuple[SizingMethod, ...] = get_args(SizingMethod)
EMITTERS: tuple[Emitter, ...] = get_args(Emitter)
Asked = Literal[
    "system_volume", "output", "emitter", "store", "hot", "cold", "relief", "static_head", "fill", "highest", "fluid",
    "metal", "altitude",
]  # fmt: skip
"""Names of the texts; those left out or empty are not known."""


def read_task(texts: Mapping[Asked, str | None], name: Callable[[Asked], str]) -> tuple[SizingTask, list[Quantity]]:
    """Read a task; `name` says how a text is named in sentences. Raises `QuantityError`, `PhysicsError`."""
    typed: list[Quantity] = []

    def given(kind: Kind, asked: Asked) -> Quantity | None:
        text = texts.get(asked)
        if text is None or not text.strip():
            return None
        value = quantities.parse(kind, text, name(asked))
        if asked != "altitude":
            typed.append(value)
        return value

    altitude = given("length", "altitude")
    air_pa = float(atmospheric_pressure_pa(0.0 if altitude is None else altitude.si))
    fluid = parse_fluid(texts.get("fluid") or "") if (texts.get("fluid") or "").strip() else WATER
    hot, cold, relief = given("temperature", "hot"), given("temperature", "cold"), given("pressure", "relief")
    fill, highest = given("pressure", "fill"), given("pressure", "highest")
    if hot is None or relief is None:
        missing = name("hot" if hot is None else "relief")
        raise QuantityError(f"{missing} is not given, and no tank can be sized without it. Give it.")
    return SizingTask(
        system_m3=_system(
            given("volume", "system_volume"), given("power", "output"), given("volume", "store"), texts, name
        ),
        hot_c=hot.si,
        relief_pa=relief.gauge_pa(air_pa),
        static_head_pa=static_head_of(texts.get("static_head") or None, fluid, name("static_head"), air_pa),
        fill_pa=None if fill is None else fill.gauge_pa(air_pa),
        max_pa=None if highest is None else highest.gauge_pa(air_pa),
        cold_c=10.0 if cold is None else cold.si,
        fluid=fluid,
        metal=_metal(texts.get("metal")),
        atmospheric_pa=air_pa,
    ), typed


def read_size(text: str, where: str) -> tuple[TankSize, Quantity]:
    """Read one size: "18 l", or "9 l of 18 l" with the most water that its membrane takes. Raises `QuantityError`."""
    takes, of, whole = text.rpartition(" of ")
    volume = quantities.parse("volume", whole, where)
    acceptance = quantities.parse("volume", takes, where) if of else None
    return TankSize(volume.si, None if acceptance is None else acceptance.si), volume


def _metal(text: str | None) -> Metal:
    return "copper" if text == "copper" else "steel"


def _system(
    volume: Quantity | None,
    output: Quantity | None,
    store: Quantity | None,
    texts: Mapping[Asked, str | None],
    name: Callable[[Asked], str],
) -> Band:
    """Return the system's volume: entered, or a band by the rule of thumb."""
    emitter = next((known for known in EMITTERS if known == texts.get("emitter")), None)
    if volume is not None:
        if output is not None or emitter is not None or store is not None:
            raise QuantityError(
                f"{name('system_volume')} gives the whole volume, so {name('output')}, {name('emitter')} and "
                f"{name('store')} have no part in it. Give the one or the others."
            )
        return entered_volume(volume.si)
    if output is None or emitter is None:
        raise QuantityError(
            f"The volume of the system is not known. Give {name('system_volume')}, or {name('output')} and "
            f"{name('emitter')}."
        )
    return rule_of_thumb_volume(output.si, emitter, 0.0 if store is None else store.si)

"""What the texts of the other tanks on the system mean, `[[parallel]]`, and the acceptance of any tank.

Every refusal names the file, the entry, the key and the value.
"""

from taptest import quantities
from taptest.errors import PhysicsError, QuantityError
from taptest.finding.records import ParallelTank
from taptest.quantities import Kind, Quantity
from taptest.visit.record import Document, ParallelSection

KINDS: dict[str, Kind] = {"volume": "volume", "precharge": "pressure", "charged_at": "temperature"}
"""Kind of quantity of each key; the acceptance may be of two and is read apart."""


def parallel_tanks(document: Document, source: str, air_pa: float) -> tuple[tuple[ParallelTank, ...], list[Quantity]]:
    """Understand the other tanks, in SI units, and return besides what was typed, for the choice of units.

    `air_pa` is the air pressure on site. Raises `QuantityError`, `PhysicsError`.
    """
    tanks: list[ParallelTank] = []
    typed: list[Quantity] = []
    for number, section in enumerate(document.parallel, start=1):
        where = f"{source}, [[parallel]], entry {number}"
        values = _values(section, where)
        volume, precharge = values["volume"], values["precharge"].gauge_pa(air_pa)
        if not volume.si > 0:
            raise PhysicsError(f'{where}, volume: "{section.volume}" cannot be the volume of a tank. Read its plate.')
        if not precharge + air_pa > 0:
            raise PhysicsError(
                f'{where}, precharge: "{section.precharge}" is below vacuum; check the value and its unit.'
            )
        charged_at = values.get("charged_at")
        tanks.append(
            ParallelTank(
                volume.si,
                precharge,
                None if charged_at is None else charged_at.si,
                acceptance_share(section.acceptance, volume.si, f"{where}, acceptance"),
            )
        )
        typed += values.values()
    return tuple(tanks), typed


def _values(section: ParallelSection, where: str) -> dict[str, Quantity]:
    """Read the quantities of one tank; without volume and charge it cannot be reckoned with."""
    found: dict[str, Quantity] = {}
    for key, kind in KINDS.items():
        text = getattr(section, key)
        if text is not None and text.strip():
            found[key] = quantities.parse(kind, text, f"{where}, {key}")
        elif key in ("volume", "precharge"):
            raise QuantityError(
                f'{where}, the key "{key}" is empty, and without it the tank takes no part. '
                "Read it on the tank's plate, or take the entry out."
            )
    return found


def acceptance_share(text: str | None, tank_m3: float, where: str) -> float | None:
    """Read the most water that a membrane takes, typed as a volume ("8 l") or as a percentage ("45 %").

    None where nothing was typed. Raises `QuantityError`, `PhysicsError`.
    """
    if text is None or not text.strip():
        return None
    try:
        share = quantities.parse("percent", text, where).si
    except QuantityError:
        try:
            share = quantities.parse("volume", text, where).si / tank_m3
        except QuantityError as error:
            raise QuantityError(
                f"{where}: {text!r} is neither a volume nor a percentage; "
                'write the most water that the membrane takes, like "8 l", "2.5 gal" or "45 %".'
            ) from error
    if not 0 < share <= 1:
        raise PhysicsError(
            f"{where}: {text!r} is {100 * share:.0f} % of the tank's volume, but a membrane takes more than nothing "
            "and at most the whole; check it against the volume."
        )
    return share

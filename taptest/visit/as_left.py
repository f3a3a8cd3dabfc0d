"""How a tank was left, held against what its system needs. Pressures are gauge pascals."""

from taptest.statements import Key, Statement
from taptest.visit.meaning import AsLeft

NEAR_PA = 5_000.0
"""A charge is set and read to about so much: common practice, no source."""


class AsLeftCheck(Key):
    """What is said of the pre-charge as it was left."""

    TOO_LOW = "as left.too low", "charge_pa", "needed_pa", "missing_pa"
    ENOUGH = "as left.enough", "charge_pa", "needed_pa"
    ABOVE_PRESSURE = "as left.above pressure", "charge_pa", "pressure_pa"


def as_left_said(left: AsLeft, needed_pa: float | None) -> tuple[Statement, ...]:
    """Say whether the pre-charge as left is what the system needs, and lies below the pressure as left."""
    charge = left.precharge_pa
    if charge is None:
        return ()
    said = []
    if needed_pa is not None:
        values = {"charge_pa": charge, "needed_pa": needed_pa}
        low = needed_pa - charge > NEAR_PA
        missing = {"missing_pa": needed_pa - charge} if low else {}
        said.append(Statement(AsLeftCheck.TOO_LOW if low else AsLeftCheck.ENOUGH, values | missing))
    if left.pressure_pa is not None and charge > left.pressure_pa + NEAR_PA:
        values = {"charge_pa": charge, "pressure_pa": left.pressure_pa}
        said.append(Statement(AsLeftCheck.ABOVE_PRESSURE, values))
    return tuple(said)

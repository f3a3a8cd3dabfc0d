"""What one mark's taps at many pressures say of each charge, and how that is told. D draws."""

import numpy as np
from numpy.typing import NDArray

from taptest.finding.draws import DRAWS, Draws
from taptest.line.onset import OnsetEvidence
from taptest.statements import Key, Statement
from taptest.tank.kinds import Tank

FloatArray = NDArray[np.float64]

SURE = 0.7
"""Probability from which on it is told, and carries a finding, where the sound began to change."""
OTHER_FORM = 0.15
"""Probability that the sound began to change where the membrane of a tank with water in it took another form: own
judgement after simulated tanks, of which 4 in 24 did so."""
FORM_CHANGES_STANDING, FORM_CHANGES_HANGING = (0.2, 0.65), (0.3, 0.75)
"""Shares of water at which it may: where it leaves the seam of a standing tank, and where the water of a hanging one
passes its seam (`tank.contact`)."""


class OnsetSaid(Key):
    """What was heard at one mark while the pressure was raised or let down."""

    WITHIN = "onset.within", "low_pa", "high_pa", "sure_share"
    BELOW = "onset.below", "lowest_pa", "sure_share"
    NO_CHANGE = "onset.no change", "lowest_pa", "highest_pa", "sure_share"
    OPEN = "onset.open", "lowest_pa", "highest_pa"


class OnsetLikelihood:
    """An onset round, for draws of the charge."""

    def __init__(self, evidence: OnsetEvidence, at_zero: Draws, tank: Tank, rng: np.random.Generator) -> None:
        """`at_zero` are draws of the round with the gauge at zero: its `gauge_pa` are the gauge's errors."""
        self._evidence = evidence
        self._at_zero = at_zero
        self._held = rng.uniform(*(FORM_CHANGES_HANGING if tank.hanging else FORM_CHANGES_STANDING), DRAWS)

    @property
    def heard(self) -> bool:
        """Whether the sound began to change at a pressure that was read."""
        return self._evidence.p_within >= SURE

    @property
    def if_torn(self) -> float:
        """Likelihood of a torn membrane: water may move at all pressures, or fill the tank."""
        below = self._evidence.likelihood[self._evidence.pressure_pa < self._evidence.lowest_pa]
        return float(0.5 * below.mean() + 0.5 * self._evidence.still)

    def of(self, charge_abs_pa: FloatArray, frozen: NDArray[np.bool_]) -> FloatArray:
        """(D,) likelihood of charges (absolute, at the charge temperature); 1 says nothing.

        Where `frozen` the tank is shut off, and nothing moves in it.
        """
        draws = self._at_zero
        onset_abs = charge_abs_pa * (draws.gas_t_c + 273.15) / (draws.charge_t_c + 273.15)
        # The draws' pressure is the gauge's error less the column to the tank, as absolute pressure.
        water_enters = self._at(onset_abs - draws.pressure_abs_pa)
        form_changes = self._at(onset_abs / (1 - self._held) - draws.pressure_abs_pa)
        value = (1 - OTHER_FORM) * water_enters + OTHER_FORM * form_changes
        return np.asarray(np.where(frozen, self._evidence.still, value))

    def _at(self, shown_pa: FloatArray) -> FloatArray:
        return np.interp(shown_pa, self._evidence.pressure_pa, self._evidence.likelihood)


def onset_said(evidence: OnsetEvidence) -> Statement:
    """Say what was heard."""
    low, _, high = evidence.interval90_pa
    ends: dict[str, float] = {"lowest_pa": evidence.lowest_pa, "highest_pa": evidence.highest_pa}
    if evidence.p_within >= SURE:
        return Statement(OnsetSaid.WITHIN, {"low_pa": low, "high_pa": high, "sure_share": evidence.p_within})
    if evidence.p_below >= SURE:
        return Statement(OnsetSaid.BELOW, {"lowest_pa": evidence.lowest_pa, "sure_share": evidence.p_below})
    if evidence.p_no_change >= SURE:
        return Statement(OnsetSaid.NO_CHANGE, {**ends, "sure_share": evidence.p_no_change})
    return Statement(OnsetSaid.OPEN, ends)

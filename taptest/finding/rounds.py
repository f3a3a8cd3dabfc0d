"""Several rounds of one tank judged together: the same air, membrane and gauge, heard at other pressures.

Every hypothesis on the charge says how much water the tank holds at the pressure of each round. The form of the
membrane, the stand-off of a bag, the tank's volume and the zero of the gauge stay the same from round to round, so what
is unknown about them in one round cancels between two. Each round's line is a likelihood of its own; what went in or
out between two rounds, be it measured or grown by heat, has to be what the tank took up.

Units are SI, pressures gauge unless `_abs`; D draws. Spreads that no reading gives are own judgement, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.finding.draws import DRAWS, Draws, draw_gas_temperature, taken
from taptest.finding.line_likelihood import MODEL_FLOOR, LineLikelihood
from taptest.finding.onset_likelihood import OnsetLikelihood
from taptest.finding.pair_likelihood import PairLikelihood
from taptest.finding.records import Case, Readings, Round
from taptest.finding.rise import LEAST_WARMING_C
from taptest.finding.still_likelihood import of_change
from taptest.line.boundary import NO_CONTACT, prior_for
from taptest.line.pair import SHARED_ERROR
from taptest.line.records import LineReading
from taptest.line.still import StillEvidence
from taptest.tank.contact import contacts, on_another_side
from taptest.tank.kinds import Tank
from taptest.water.fluids import net_expansion
from taptest.water.forecast import relief_tolerance_pa
from taptest.water.pressure import static_head_pa, water_share

FloatArray = NDArray[np.float64]

SHARED_ZERO = 0.8
"""Share of a gauge's error, as a standard deviation, that is its zero and the same in all rounds."""
AS_BEFORE_SD_C = 0.5
"""How much the air's temperature may differ between two rounds without heating or cooling."""
MOVED_SD, MOVED_SD_M3 = 0.07, 1.0e-4
"""Spread of a measured amount of water, as a share and as an amount."""
UNEXPLAINED = {"moved": 0.03, "grown": 0.15}
"""Likelihood that remains where water that was measured, or that grew by heat, is not what the tank took up: water may
have come or gone unseen."""
LEAST_CHARGE_PA = 10.0
"""Stands for no air at all."""
SHUT = 0.04
"""Probability beforehand that a tank that holds some water is shut off or plugged."""


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of one round."""

    likelihood: LineLikelihood | None
    """None where too few marks were tapped to read the line by itself."""
    draws: Draws
    number: int
    """Of its round, 0 for the first."""
    pair: PairLikelihood | None = None
    """Its difference from the first line of the first round."""


@dataclass(frozen=True, slots=True)
class _Balance:
    """What went into the tank between two rounds, by measure or by heat."""

    before: Draws
    after: Draws
    taken_m3: FloatArray
    """(D,) what the tank must have taken up."""
    sd_m3: float
    unexplained: float


@dataclass(frozen=True, slots=True)
class Together:
    """All lines of a visit beside the first one, and the water that moved between its rounds."""

    tank: Tank
    lines: tuple[_Line, ...]
    """The first one is the first line of the first round."""
    balances: tuple[_Balance, ...]
    rounds: tuple[Draws, ...]
    """What the readings of each later round leave open, as far as they have the same air."""
    onsets: tuple[OnsetLikelihood, ...] = ()
    stills: tuple[tuple[StillEvidence, Draws], ...] = ()
    """Of later rounds with a handful of marks, whether these sound as in the first one."""

    @property
    def alone(self) -> bool:
        """Whether there is nothing beside the first line."""
        return len(self.lines) == 1 and not self.balances and not self.onsets and not self.stills

    @property
    def onset_heard(self) -> bool:
        """Whether some mark's sound began to change at a pressure that was read."""
        return any(each.heard for each in self.onsets)

    def of(self, charge_abs_pa: FloatArray, held: FloatArray, stays: NDArray[np.bool_] | None = None) -> FloatArray:
        """(D,) likelihood of all lines, and of the water that moved between the rounds.

        `charge_abs_pa` are charges at the charge temperature, `held` the share of water they leave in the first round.
        Where `stays` the tank takes part in nothing: it is shut off, and keeps its water.
        """
        first = self.lines[0]
        assert first.likelihood is not None
        if self.alone:
            return first.likelihood.of(held, first.draws.forms, first.draws.depth_error_m)
        frozen = np.zeros(DRAWS, dtype=bool) if stays is None else stays
        value = self._heard(charge_abs_pa, held, frozen)
        for each in self.balances:
            value = value * self._balanced(each, charge_abs_pa, frozen)
        for onset in self.onsets:
            value = value * onset.of(charge_abs_pa, frozen)
        for evidence, after in self.stills:
            value = value * of_change(evidence, self.held(charge_abs_pa, after) - held, frozen)
        return value

    def _heard(self, charge_abs_pa: FloatArray, held: FloatArray, frozen: NDArray[np.bool_]) -> FloatArray:
        """(D,) likelihood of all lines; a bag that touches its shell nowhere does so in all rounds."""
        touching, loose = np.ones(DRAWS), 1.0
        begin = contacts(self.tank, held, self.lines[0].draws.forms)
        for each in self.lines:
            now = held if each.number == 0 else np.where(frozen, held, self.held(charge_abs_pa, each.draws))
            contact = contacts(self.tank, now, each.draws.forms)
            power = self._power(each)
            if each.likelihood is not None:
                heard = each.likelihood.of_contact(contact, each.draws.depth_error_m) + MODEL_FLOOR
                touching = touching * heard**power
                loose *= (each.likelihood.no_contact + MODEL_FLOOR) ** power
            if each.pair is not None:
                touching = touching * each.pair.of(begin, contact, each.draws.depth_error_m)
        if not self.tank.has_bag:
            return touching
        return np.asarray((1 - NO_CONTACT) * touching + NO_CONTACT * loose)

    def _power(self, line: _Line) -> float:
        """Power of a line's own likelihood: the model's error is the same in the lines of a round, and in a pair."""
        others = sum(
            each.number == line.number and each.likelihood is not None for each in self.lines if each is not line
        )
        paired = line.pair is not None or (line is self.lines[0] and any(each.pair is not None for each in self.lines))
        return 1.0 / (1.0 + SHARED_ERROR * (others + paired))

    def held(self, charge_abs_pa: FloatArray, draws: Draws) -> FloatArray:
        """(D,) share of water that charges leave at the pressure of a round."""
        charge = np.maximum(charge_abs_pa, LEAST_CHARGE_PA)
        share = water_share(charge, draws.pressure_abs_pa, draws.gas_t_c, draws.charge_t_c)
        return taken(self.tank, share)

    def _balanced(self, balance: _Balance, charge_abs_pa: FloatArray, frozen: NDArray[np.bool_]) -> FloatArray:
        """(D,) likelihood of what the tank took up between two rounds."""
        more = self.held(charge_abs_pa, balance.after) - self.held(charge_abs_pa, balance.before)
        took = np.where(frozen, 0.0, more * balance.after.volume_m3)
        off = (took - balance.taken_m3) / balance.sd_m3
        return np.asarray(np.exp(-0.5 * off**2) + balance.unexplained)


def put_together(
    case: Case,
    draws: Draws,
    line: LineLikelihood,
    beside: Sequence[LineReading],
    rounds: Sequence[Round],
    rng: np.random.Generator,
) -> Together:
    """Lay out the lines of all rounds with the same air: the first one, those `beside` it, and those of later rounds.

    A round after the air was changed, and all that follow it, say nothing of the charge that was found.
    """
    tank, prior = case.tank, prior_for(case.tank)
    lines = [_Line(line, draws, 0)]
    lines += [
        _Line(LineLikelihood(each, tank, prior), other_side(tank, draws, rng), 0)
        for each in beside
        if each.method != "none"
    ]
    balances: list[_Balance] = []
    drawn: list[Draws] = []
    onsets: list[OnsetLikelihood] = []
    stills: list[tuple[StillEvidence, Draws]] = []
    before, readings = draws, case.readings
    for later, each in enumerate(rounds, 1):
        if not each.same_air or (each.readings.pressure_pa is None and each.onset is None):
            break
        if each.onset is not None:
            at_zero = replace(each.readings, pressure_pa=0.0)
            drawn_at_zero = _drawn(case, at_zero, draws, before, readings, rng)
            onsets.append(OnsetLikelihood(each.onset, drawn_at_zero, tank, rng))
        if each.readings.pressure_pa is None:
            drawn.append(before)
            continue
        after = _drawn(case, each.readings, draws, before, readings, rng)
        for number, own in enumerate(each.lines):
            said = None if own.method == "none" else LineLikelihood(own, tank, prior)
            pair = None if each.pair is None or number > 0 else PairLikelihood(each.pair, tank)
            if said is not None or pair is not None:
                heard_at = after if number == 0 else other_side(tank, after, rng)
                lines.append(_Line(said, heard_at, later, pair))
        if each.still is not None:
            stills.append((each.still, after))
        balance = _balance(case, each, readings, before, after, rng)
        if balance is not None:
            balances.append(balance)
        drawn.append(after)
        before, readings = after, each.readings
    return Together(tank, tuple(lines), tuple(balances), tuple(drawn), tuple(onsets), tuple(stills))


def other_side(tank: Tank, draws: Draws, rng: np.random.Generator) -> Draws:
    """Return what is left open of another line down the same tank."""
    return replace(draws, forms=on_another_side(tank, draws.forms, rng))


def _drawn(
    case: Case, readings: Readings, first: Draws, before: Draws, readings_before: Readings, rng: np.random.Generator
) -> Draws:
    """Draw what a later round's readings leave open; the tank, its air and the gauge's zero are those of the first."""
    assert readings.pressure_pa is not None
    assert case.readings.pressure_pa is not None
    zero = (first.gauge_pa - case.readings.pressure_pa) / max(case.readings.pressure_sd_pa, 1e-9)
    common = SHARED_ZERO**2
    error = common * zero + np.sqrt(1 - common**2) * rng.standard_normal(DRAWS)
    gauge = readings.pressure_pa + readings.pressure_sd_pa * error
    column = float(static_head_pa(readings.tank_above_gauge_m, case.system.fluid))
    heated = _warming_c(readings_before, readings)
    if readings.tank_temperature_c == readings_before.tank_temperature_c and abs(heated or 0.0) < LEAST_WARMING_C:
        gas = before.gas_t_c + AS_BEFORE_SD_C * rng.standard_normal(DRAWS)
    else:
        gas = draw_gas_temperature(replace(case, readings=readings), rng)
    return replace(
        first,
        pressure_abs_pa=np.maximum(gauge - column + first.atmospheric_pa, 2_000.0),
        gauge_pa=np.maximum(gauge, 1_000.0 - first.atmospheric_pa),
        gas_t_c=np.asarray(gas),
    )


def _warming_c(before: Readings, after: Readings) -> float | None:
    """By how much the water got warmer; None where that was not read."""
    if before.water_temperature_c is None or after.water_temperature_c is None:
        return None
    return after.water_temperature_c - before.water_temperature_c


def _balance(
    case: Case, each: Round, before: Readings, drawn_before: Draws, drawn_after: Draws, rng: np.random.Generator
) -> _Balance | None:
    """Return what the tank took up between two rounds; None where nothing tells, or other tanks take part."""
    if case.parallel or case.readings.pressure_pa is None:
        return None
    warming = _warming_c(before, each.readings)
    if each.water_moved_m3 is not None and abs(warming or 0.0) < LEAST_WARMING_C:
        moved = np.full(DRAWS, each.water_moved_m3)
        sd = float(np.hypot(MOVED_SD * each.water_moved_m3, MOVED_SD_M3))
        return _Balance(drawn_before, drawn_after, moved, sd, UNEXPLAINED["moved"])
    grown = _grown_m3(case, before, each.readings, rng)
    if grown is None:
        return None
    sd = 0.1 * float(np.abs(grown).mean()) + MOVED_SD_M3
    return _Balance(drawn_before, drawn_after, grown, sd, UNEXPLAINED["grown"])


def _grown_m3(case: Case, before: Readings, after: Readings, rng: np.random.Generator) -> FloatArray | None:
    """(D,) by how much the system's water grew; None where that is not known or the relief valve let some of it out."""
    warming, system = _warming_c(before, after), case.system
    if warming is None or abs(warming) < LEAST_WARMING_C or system.volume_m3 is None:
        return None
    temperatures = [value for value in (before.water_temperature_c, after.water_temperature_c) if value is not None]
    lowest, highest = system.fluid.range_c
    if min(temperatures) < lowest or max(temperatures) > highest:
        return None
    reached = max(before.pressure_pa or 0.0, after.pressure_pa or 0.0)
    if system.relief_pa is not None and reached > system.relief_pa - relief_tolerance_pa(system.relief_pa):
        return None
    growth = float(net_expansion(system.fluid, min(temperatures), max(temperatures))) * np.sign(warming)
    return np.asarray(growth * system.volume_m3 * (1 + system.volume_rel_sd * rng.standard_normal(DRAWS)))

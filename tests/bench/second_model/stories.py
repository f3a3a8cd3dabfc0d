"""The air charge and the water of a simulated visit: readings and truth that the gas law ties together.

The system is filled cold to a pressure; heated, its water has grown by a drawn part of the tank's volume, and the gas
is warmer. So much water comes in as the air left then lets in (p (1 - share) / T is constant), until the relief valve
opens. A valve that is shut keeps what was in the tank.

The papers' charge and the true one, both absolute, make the finding. Within `TOLERANCE` the tank is right; in the outer
half of that band the neighbour on its side is right as well, as no reading could part them.
"""

from dataclasses import dataclass, replace

import numpy as np

from taptest.visit.record import RoundState

ATMOSPHERE = 1.013
"""bar."""
RELIEF = 3.0
"""Gauge bar."""
CHARGED_C = 20.0
TOLERANCE = 0.075
"""Share of the air by which a tank may be off and still be right; what the product promises, too."""
GAPS = ((0.96, 1.04), (0.2, 0.8), (1.25, 1.9))
"""Kept shares of the plain world: right, low, high."""


@dataclass(frozen=True, slots=True)
class Story:
    """What is true of the air charge; pressures in gauge bar."""

    noted_charge: float
    true_charge: float
    pressure: float
    """Of the system at the tank."""
    inside: float
    """In the tank: more than the system's where its charge keeps the water out or a valve is shut."""
    share: float
    """Water held over the tank's volume."""
    fault: str
    findings: tuple[str, ...]
    hot: bool
    gas_c: float
    water_c: float
    torn: bool = False


def draw_story(kind: str, switches: frozenset[str], rng: np.random.Generator) -> Story:
    """Draw until what is wrong, if anything, shows in the water held."""
    for _ in range(5000):
        story = _one(kind, switches, rng)
        if story is not None:
            return story
    raise RuntimeError(f"No story fits a {kind} tank with {sorted(switches)}.")


def _one(kind: str, switches: frozenset[str], rng: np.random.Generator) -> Story | None:
    """Draw one story; None where its fault does not show or the pressures cannot be."""
    hot = "hot" in switches
    gas_c = rng.uniform(24.0, 42.0) if hot else rng.uniform(17.0, 22.0)
    water_c = rng.uniform(55.0, 80.0) if hot else rng.uniform(14.0, 22.0)
    warm = (gas_c + 273.15) / (CHARGED_C + 273.15)
    noted = rng.uniform(0.5, 1.5)
    if kind == "plain":
        noted = 0.0 if rng.random() < 0.5 else rng.uniform(0.2, 1.0)
    fill = max(noted + rng.uniform(-0.2, 0.6), 0.4) if rng.random() < 0.6 else rng.uniform(0.6, 2.4)
    grown = rng.uniform(0.03, 0.35) if hot else 0.0
    torn = "torn" in switches and kind != "plain"
    kept = _kept(switches - {"torn"} if kind == "plain" else switches, rng)
    share, pressure = settle(kept * (noted + ATMOSPHERE), fill + ATMOSPHERE, grown, warm)
    charge = kept * (noted + ATMOSPHERE)
    due = max(0.0, 1 - (noted + ATMOSPHERE) * warm / pressure)
    inside = max(pressure, charge * warm)
    if "cut-off" in switches and kind != "plain":
        return _cut_off(noted, charge, (share, pressure, inside), (hot, gas_c, water_c), rng)
    if share < 0.004 and due < 0.004:
        if kind == "plain" or abs(kept - 1) > TOLERANCE:
            return None  # Dry as it should be: what is wrong with its charge cannot show.
    elif abs(kept - 1) > TOLERANCE and abs(share - due) < 0.015:
        return None
    if kind == "plain" and share < 0.05:
        return None
    fault, findings = named(kept, share)
    if torn:
        if share < 0.08:
            return None
        fault = "torn membrane"
    numbers = (noted, charge - ATMOSPHERE, pressure - ATMOSPHERE, inside - ATMOSPHERE, share)
    return Story(*numbers, fault, findings, hot, gas_c, water_c, torn)


def settle(charge: float, fill: float, grown: float, warm: float) -> tuple[float, float]:
    """Share of water and absolute pressure, bar, for a charge and a cold filling (absolute), growth and warmth."""
    cold = max(0.0, 1 - charge / fill)
    share = min(cold + grown, 0.995) if grown else cold
    pressure = max(charge * warm / (1 - share), fill) if grown else fill
    if pressure > RELIEF + ATMOSPHERE:
        # The relief valve lets out what is too much.
        pressure = RELIEF + ATMOSPHERE
        share = max(0.0, 1 - charge * warm / pressure)
    elif pressure == fill:
        share = max(0.0, 1 - charge * warm / pressure)
    return share, pressure


def at_other_pressure(story: Story, rng: np.random.Generator) -> tuple[Story, RoundState]:
    """Return the story with the fill raised by 0.4 to 0.6 bar, or let down where the relief valve is too near."""
    step = float(rng.uniform(0.4, 0.6))
    raised = story.pressure + step <= RELIEF - 0.5
    pressure = story.pressure + step if raised else max(story.pressure - step, 0.2)
    return at_pressure(story, pressure), "fill raised" if raised else "let down"


def at_pressure(story: Story, pressure: float) -> Story:
    """Return the story at another gauge pressure, bar: its air stays, and a tank that is cut off keeps its water."""
    if story.fault == "cut off":
        return replace(story, pressure=pressure)
    held = held_bar(story)
    return replace(
        story,
        pressure=pressure,
        share=max(0.0, 1 - held / (pressure + ATMOSPHERE)),
        inside=max(pressure, held - ATMOSPHERE),
    )


def held_bar(story: Story) -> float:
    """Return the absolute pressure, bar, at which the first water enters."""
    return (story.true_charge + ATMOSPHERE) * (story.gas_c + 273.15) / (CHARGED_C + 273.15)


def named(kept: float, share: float) -> tuple[str, tuple[str, ...]]:
    """Name the fault of a tank that kept part of its air, and the findings that are right, the best first."""
    off = kept - 1
    side = "more air than expected" if off > 0 else "low on air"
    if abs(off) <= TOLERANCE:
        return "healthy", ("as expected",) if abs(off) <= TOLERANCE / 2 else ("as expected", side)
    if off > 0:
        return ("no water" if share < 0.004 else "over-charged"), (side,)
    if kept < 0.3:
        return "waterlogged", ("waterlogged",) if share > 0.9 else ("waterlogged", side)
    return "slow loss", (side, "waterlogged") if share > 0.7 else (side,)


def _kept(switches: frozenset[str], rng: np.random.Generator) -> float:
    """Share of its air that the tank has kept. A torn membrane lets air dissolve, so that some of it is always gone."""
    if "torn" in switches:
        return float(rng.uniform(0.05, 0.85))
    if "waterlogged" in switches:
        return float(rng.uniform(0.01, 0.28))
    if "kept" in switches:
        # A third nearly right, for else hardly a tank would be healthy.
        return float(rng.uniform(0.93, 1.07) if rng.random() < 0.33 else rng.uniform(0.6, 1.4))
    low, high = GAPS[int(rng.choice(3, p=[0.45, 0.3, 0.25]))]
    return float(rng.uniform(low, high))


def _cut_off(
    noted: float,
    charge: float,
    settled: tuple[float, float, float],
    warmth: tuple[bool, float, float],
    rng: np.random.Generator,
) -> Story | None:
    """Shut the tank off as it stands, or dry, and let the system's pressure go elsewhere."""
    share, pressure, inside = settled
    warm = (warmth[1] + 273.15) / (CHARGED_C + 273.15)
    if rng.random() < 0.5:
        share, inside = 0.0, charge * warm
    pressure += rng.uniform(-0.6, 1.2)
    if not ATMOSPHERE + 0.3 < pressure <= RELIEF + ATMOSPHERE:
        return None
    # What the readings make of the water found, whatever the charge is.
    seems = pressure * (1 - share) / ((noted + ATMOSPHERE) * warm)
    due = max(0.0, 1 - (noted + ATMOSPHERE) * warm / pressure)
    if abs(seems - 1) <= 1.5 * TOLERANCE or abs(share - due) < 0.05:
        return None
    findings = ("more air than expected",) if seems > 1 else named(seems, share)[1]
    numbers = (noted, charge - ATMOSPHERE, pressure - ATMOSPHERE, inside - ATMOSPHERE, share)
    return Story(*numbers, "cut off", findings, *warmth)

"""The blow: what force a small hard striker puts into a thin wall, and how a hand scatters it.

A rounded nose meets the wall by Hertz's law, F = k a^(3/2), where a is the approach of the two bodies. On a half
space the striker bounces and the pulse is short. A thin wall gives way: under the blow it moves off at F/Z with
Z = 8 sqrt(D mu), the point impedance of a plate (bending stiffness D, mass per area mu), so the pulse grows longer
and softer. In units of T0 = (m^2 / (k^2 v))^(1/5) for time the whole matter has one parameter, lambda = m / (Z T0),
Zener's inelasticity parameter:

    s' = u - lambda s^(3/2),    u' = -s^(3/2),    s(0) = 0, u(0) = 1,    F = (m v / T0) s^(3/2)

(Zener, Phys. Rev. 59, 1941, 669, with the plate taken as endless: echoes from the heads are not seen by the striker.)

Units are SI; T taps, N samples; forces are newtons, positive into the wall.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.errors import PhysicsError
from taptest.shell.records import STEEL, Material

FloatArray = NDArray[np.float64]

_STEP = 0.04
"""Step of the contact's own time, in units of T0; fourth-order steps of this size are good to 1e-5 of the peak."""
_LONGEST = 400.0
"""The contact is cut here, in units of T0: at that time a soft wall's force has fallen below 1e-4 of its peak."""


@dataclass(frozen=True, slots=True)
class Striker:
    """A light striker with a rounded steel nose."""

    mass_kg: float
    nose_m: float
    """Radius of the nose."""
    material: Material = STEEL

    def __post_init__(self) -> None:
        """Refuse a striker that nature does not know."""
        for name, value in (("mass_kg", self.mass_kg), ("nose_m", self.nose_m)):
            if not value > 0.0:
                raise PhysicsError(f"A striker's {name} is {value:g}; it must be above zero.")


@dataclass(frozen=True, slots=True)
class Blow:
    """One strike as the hand gave it."""

    depth_m: float
    """Where it landed, below the top of the shell."""
    speed_m_s: float
    onset_s: float
    again_s: float | None = None
    """Delay of a second hit of the same blow; None for a clean one."""
    again_speed: float = 0.0
    """Speed of the second hit."""


@dataclass(frozen=True, slots=True)
class Hand:
    """How steadily a hand strikes."""

    speed_m_s: float = 0.4
    """Median speed of the nose."""
    speed_log_sd: float = 0.2
    depth_sd_m: float = 0.003
    double_share: float = 0.0
    """Share of blows that hit twice."""


def contact_stiffness(striker: Striker, wall: Material = STEEL) -> float:
    """Return Hertz's constant k of F = k a^(3/2) for a round nose on a wall that is flat beside it, N/m^(3/2)."""
    compliance = sum((1.0 - m.poisson**2) / m.young_pa for m in (striker.material, wall))
    return 4.0 / 3.0 * float(np.sqrt(striker.nose_m)) / compliance


def hertz_contact_time_s(striker: Striker, speed_m_s: float, wall: Material = STEEL) -> float:
    """Return the length of contact on a half space: 2.868 (m^2 / (R E*^2 v))^(1/5).

    Hertz's law for a ball on a flat; K. L. Johnson, Contact Mechanics, 1985, ch. 11.
    """
    effective = 0.75 * contact_stiffness(striker, wall) / float(np.sqrt(striker.nose_m))
    return float(2.868 * (striker.mass_kg**2 / (striker.nose_m * effective**2 * speed_m_s)) ** 0.2)


def softened(striker: Striker, contact_s: float, speed_m_s: float, impedance: float) -> Striker:
    """Return the striker with a nose so soft that it presses on a wall of this point impedance (kg/s) for `contact_s`.

    That is how long the force is above a tenth of its peak: nose and wall part later on a wall that gives way. Where
    steel presses longer, the striker stays as it is.
    """
    scale = np.geomspace(contact_s / 8.0, contact_s / 2.0, 16)
    force, parting = _approach(striker.mass_kg / (impedance * scale))
    pressed = pressing_s(Pulses(force.T, _STEP * scale, parting * scale))
    wanted_s = float(np.interp(contact_s, pressed, scale))
    stiffness = striker.mass_kg / np.sqrt(wanted_s**5 * speed_m_s)
    compliance = 4.0 / 3.0 * np.sqrt(striker.nose_m) / stiffness - (1.0 - STEEL.poisson**2) / STEEL.young_pa
    nose = striker.material
    softest = (1.0 - nose.poisson**2) / max(compliance, 1e-15)
    return replace(striker, material=replace(nose, young_pa=float(min(softest, nose.young_pa))))


def plate_impedance(wall_m: float, wall: Material = STEEL, water_kg_m3: float = 0.0, pulse_s: float = 1e-4) -> float:
    """Return the point impedance 8 sqrt(D mu) of an endless plate, kg/s.

    With water behind (`water_kg_m3` above zero) the plate also carries rho/k of water per area, k being the bending
    wave number at the frequency 1 / (2 pulse_s) around which a pulse of that length has its weight.
    """
    if not wall_m > 0.0:
        raise PhysicsError(f"The wall is {wall_m:g} m thick; it must be above zero.")
    bending = wall.young_pa * wall_m**3 / (12.0 * (1.0 - wall.poisson**2))
    mass = wall.density_kg_m3 * wall_m
    carried = mass
    if water_kg_m3 > 0.0:
        omega = np.pi / pulse_s
        for _ in range(8):
            carried = mass + water_kg_m3 / (carried * omega**2 / bending) ** 0.25
    return float(8.0 * np.sqrt(bending * carried))


def _contact_scale_s(striker: Striker, speed: FloatArray, wall: Material) -> FloatArray:
    """T0 of the module's head, (T,)."""
    stiffness = contact_stiffness(striker, wall)
    scale: FloatArray = (striker.mass_kg**2 / (stiffness**2 * speed)) ** 0.2
    return scale


def _approach(inelasticity: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Solve the contact for each lambda.

    Gives (steps, T) the force s^(3/2) on a grid of `_STEP`, zero once nose and wall have parted, and (T,) the time
    at which they part.
    """
    s, u = np.zeros_like(inelasticity), np.ones_like(inelasticity)
    together = np.ones(inelasticity.shape, dtype=bool)
    parting = np.full(inelasticity.shape, _LONGEST)
    force = [np.zeros_like(s)]

    def slope(s: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        push = np.maximum(s, 0.0) ** 1.5
        return u - inelasticity * push, -push

    h = _STEP
    for step in range(int(_LONGEST / _STEP)):
        s1, u1 = slope(s, u)
        s2, u2 = slope(s + h / 2 * s1, u + h / 2 * u1)
        s3, u3 = slope(s + h / 2 * s2, u + h / 2 * u2)
        s4, u4 = slope(s + h * s3, u + h * u3)
        before = s
        s = s + h / 6 * (s1 + 2 * s2 + 2 * s3 + s4)
        u = u + h / 6 * (u1 + 2 * u2 + 2 * u3 + u4)
        parted = together & (s <= 0.0)
        parting[parted] = (step + before[parted] / (before[parted] - s[parted])) * h
        together &= ~parted
        force.append(np.where(together, np.maximum(s, 0.0) ** 1.5, 0.0))
        if not together.any():
            break
    return np.array(force), parting


@dataclass(frozen=True, slots=True)
class Pulses:
    """Contact forces of several blows, each on its own even grid of time that starts at the touch."""

    force_n: FloatArray
    """(T, N) newtons."""
    step_s: FloatArray
    """(T,) seconds between its samples."""
    contact_s: FloatArray
    """(T,) seconds until nose and wall part."""

    def impulse_ns(self) -> FloatArray:
        """(T,) momentum given to the wall, newton seconds."""
        impulse: FloatArray = self.force_n.sum(axis=1) * self.step_s
        return impulse


def contact_pulses(
    striker: Striker, speed_m_s: FloatArray, impedance: FloatArray | float | None, wall: Material = STEEL
) -> Pulses:
    """Solve the contact of each blow.

    `speed_m_s` is (T,); `impedance` is the wall's point impedance in kg/s, one for all or (T,), None for a half space.
    """
    speed = np.atleast_1d(np.asarray(speed_m_s, dtype=np.float64))
    if not np.all(speed > 0.0):
        raise PhysicsError(f"A blow's speed is {speed.min():g} m/s; it must be above zero.")
    scale = _contact_scale_s(striker, speed, wall)
    inelasticity = np.zeros_like(speed) if impedance is None else striker.mass_kg / (impedance * scale)
    force, parting = _approach(np.asarray(inelasticity, dtype=np.float64))
    return Pulses(force.T * (striker.mass_kg * speed / scale)[:, None], _STEP * scale, parting * scale)


def pressing_s(pulses: Pulses) -> FloatArray:
    """(T,) seconds for which each force is above a tenth of its peak."""
    pressed = pulses.force_n > 0.1 * pulses.force_n.max(axis=1, keepdims=True)
    return np.asarray(pressed.sum(axis=1) * pulses.step_s)


def sample_pulses(pulses: Pulses, rate_hz: float, shift_s: FloatArray | float = 0.0) -> FloatArray:
    """Sample each force for a recording: (T, N) mean force in each sample's interval, so that no impulse is lost.

    `shift_s` moves the touch to the right, one for all or (T,): blows do not wait for the converter's clock.
    """
    count, steps = pulses.force_n.shape
    shift = np.broadcast_to(np.asarray(shift_s, dtype=np.float64), (count,))
    longest = float(np.max(shift + steps * pulses.step_s))
    edges = np.arange(int(np.ceil(longest * rate_hz)) + 2) / rate_hz
    sampled = np.empty((count, edges.size - 1))
    for i in range(count):
        step = float(pulses.step_s[i])
        time = shift[i] + step * np.arange(steps + 1)
        given = np.concatenate([[0.0], np.cumsum(pulses.force_n[i]) * step])
        sampled[i] = np.diff(np.interp(edges, time, given)) * rate_hz
    return sampled


def draw_blows(
    rng: np.random.Generator, depth_m: float, count: int, hand: Hand, first_s: float, apart_s: float
) -> tuple[Blow, ...]:
    """Draw `count` blows at one point, the first near `first_s`, then about `apart_s` apart."""
    blows = []
    onset = first_s
    for _ in range(count):
        speed = hand.speed_m_s * float(np.exp(hand.speed_log_sd * rng.standard_normal()))
        landed = depth_m + hand.depth_sd_m * float(np.clip(rng.standard_normal(), -2.5, 2.5))
        twice, delay, share = rng.random() < hand.double_share, rng.uniform(0.012, 0.06), rng.uniform(0.25, 0.7)
        blows.append(
            Blow(landed, speed, onset, float(delay) if twice else None, speed * float(share) if twice else 0.0)
        )
        onset += apart_s * float(rng.uniform(0.85, 1.2))
    return tuple(blows)

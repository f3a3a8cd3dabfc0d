"""From modes to the microphone: the blow, the sound that the wall sends out, the room, and the noise.

The sound of a mode is a sum over rings and angles of the wall's acceleration by distance and phase, as of a baffled
source (Rayleigh's integral), with the far side faded out (Fahy and Gardonio, Sound and Structural Vibration, ch. 2
and 3). The room is a handful of early echoes and a decaying tail of noise (Kuttruff, Room Acoustics).
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.polynomial import polyval
from numpy.typing import NDArray
from scipy.fft import irfft
from scipy.signal import butter, fftconvolve, lfilter

from tests.bench.second_model.ringing import AIR_DENSITY, AIR_SPEED, Pattern, Ringing, outward
from tests.bench.second_model.wall import GAUSS, outward_at

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

RATE = 48_000
ANGLES = 64
_SAMPLES = 1 << 17
_KEPT_S = 2.2
_FADE_S = 0.4
_HIGHEST_HZ = 8000.0
_FAINT = 10 ** (-75 / 20)
"""Modes fainter than this share of the loudest at every tap are left out."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the microphone stands."""

    radius_m: float
    """Distance from the axis."""
    depth_m: float
    angle: float
    """From the tapped line, rad."""


@dataclass(frozen=True, slots=True)
class Blow:
    """One tap."""

    s_m: float
    """Arc length of the place that was hit."""
    contact_s: float
    impulse: float
    """N s."""


def sent(ringing: Ringing, pattern: Pattern, place: Place) -> ComplexArray:
    """(M,) pressure at the microphone for a unit acceleration of each mode, Pa s2 kg^0.5 / m.

    Phases count from the nearest part of the wall, so that the first sound arrives at zero.
    """
    wall = ringing.wall
    weights = (wall.weight * wall.at.r)[:, None]
    strength = (outward(wall, pattern.n, pattern.shapes) * weights).reshape(-1, GAUSS, pattern.hz.size).sum(1)
    at = ringing.outline.at((wall.edges[1:] + wall.edges[:-1]) / 2)
    # Half way round is enough: the wall looks the same on both sides of the plane through axis and microphone.
    angle = (np.arange(ANGLES) + 0.5) * np.pi / ANGLES
    distance, facing = _seen(at.r, at.z, at.slope, angle, place)
    shape = np.cos(pattern.n * angle) * 2 * np.pi / ANGLES * facing / distance
    late = distance - distance.min()
    answer = np.zeros(pattern.hz.size, dtype=np.complex128)
    for mode, hz in enumerate(pattern.hz):
        answer[mode] = strength[:, mode] @ (shape * np.exp(-2j * np.pi * hz / AIR_SPEED * late)).sum(1)
    return np.asarray(AIR_DENSITY / (2 * np.pi) * np.cos(pattern.n * place.angle) * answer)


def rung(ringing: Ringing, blows: list[Blow], place: Place) -> FloatArray:
    """(B, N) sound of each blow at the microphone without room and noise, Pa, from the moment it is heard.

    Sum over the modes' pairs of poles on a line beside the frequency axis, which keeps what rings longer than the
    window from wrapping around (numerical Laplace inversion, Wilcox, Int. J. Elect. Eng. Educ. 15, 1978).
    """
    hit = np.array([blow.s_m for blow in blows])
    rows = outward_at(ringing.wall, ringing.outline, hit)
    hz, loss, residue = [], [], []
    for pattern in ringing.patterns:
        omega = 2 * np.pi * pattern.hz
        residue.append((rows @ pattern.shapes) * (1j * omega * sent(ringing, pattern, place)) / 2)
        hz.append(pattern.hz)
        loss.append(pattern.loss)
    poles, fade = 2 * np.pi * np.concatenate(hz), np.pi * np.concatenate(hz) * np.concatenate(loss)
    weight = np.concatenate(residue, axis=1)
    loud = np.abs(weight).max(0) > _FAINT * np.abs(weight).max()
    return _inverted(poles[loud], fade[loud], weight[:, loud], blows)


def _seen(
    r: FloatArray, z: FloatArray, slope: FloatArray, angle: FloatArray, place: Place
) -> tuple[FloatArray, FloatArray]:
    """(E, A) distances from the microphone and weights of the facing side, 1 towards it and 0 away from it."""
    level = place.radius_m * np.cos(angle) - r[:, None]
    down = (place.depth_m - z)[:, None]
    side = place.radius_m * np.sin(angle)
    distance = np.sqrt(level**2 + down**2 + side**2)
    towards = (np.sin(slope)[:, None] * level - np.cos(slope)[:, None] * down) / distance
    return distance, np.asarray((1 + towards) / 2)


def _inverted(poles: FloatArray, fade: FloatArray, weight: ComplexArray, blows: list[Blow]) -> FloatArray:
    """(B, N) inverse transform of the sum over poles (M,), decays (M,), 1/s, and residues (B, M), times the forces."""
    sigma = np.log(1e3) * RATE / _SAMPLES
    bins = int(_HIGHEST_HZ / RATE * _SAMPLES)
    s = sigma + 2j * np.pi * np.arange(bins) * RATE / _SAMPLES
    rising = 2 * weight.real.T
    steady = 2 * (weight.real * fade - weight.imag * poles).T
    spectrum = np.zeros((_SAMPLES // 2 + 1, len(blows)), dtype=np.complex128)
    for start in range(0, bins, 2048):
        part = s[start : start + 2048]
        inverse = 1 / ((part[:, None] + fade) ** 2 + poles**2)
        spectrum[start : start + part.size] = part[:, None] * (inverse @ rising) + inverse @ steady
    spectrum[:bins] *= np.stack([_push(blow, s) for blow in blows], axis=1)
    kept = int(_KEPT_S * RATE)
    sound = irfft(spectrum.T, _SAMPLES)[:, :kept] * RATE * np.exp(sigma * np.arange(kept) / RATE)
    fading = int(_FADE_S * RATE)
    sound[:, -fading:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fading) / fading)
    return np.asarray(sound)


def _push(blow: Blow, s: ComplexArray) -> ComplexArray:
    """Laplace transform of the force at s: a half sine to the power 3/2, as Hertz's law nearly gives.

    Source: Johnson, Contact Mechanics, section 11.4.
    """
    force = np.sin(np.pi * (np.arange(48) + 0.5) / 48) ** 1.5
    step = np.exp(-s * blow.contact_s / 48)
    # The sum over even steps of time is a polynomial in the factor of one step.
    return np.asarray(blow.impulse * np.sqrt(step) * polyval(step, force / force.sum()))


def room(rng: np.random.Generator) -> FloatArray:
    """(N,) impulse response of a room: direct sound, five early echoes, and a tail of 0.3 to 0.8 s (RT60)."""
    reverberation = rng.uniform(0.3, 0.8)
    time = np.arange(int(0.8 * reverberation * RATE)) / RATE
    tail = rng.standard_normal(time.size) * 10 ** (-3 * time / reverberation)
    tail *= np.clip((time - 0.004) / 0.008, 0.0, 1.0)
    # Walls and furniture swallow the treble first.
    tail = lfilter(*butter(1, rng.uniform(3000.0, 7000.0), fs=RATE), tail)
    tail *= 10 ** (-rng.uniform(2.0, 12.0) / 20) / np.sqrt((tail**2).sum())
    answer = tail.copy()
    answer[0] += 1.0
    for late in rng.uniform(0.001, 0.014, 5):
        answer[int(late * RATE)] += rng.choice([-1, 1]) * rng.uniform(0.05, 0.4)
    return np.asarray(answer)


def noise(count: int, slope: float, rng: np.random.Generator) -> FloatArray:
    """(N,) noise whose power falls as frequency to the power -`slope`, of unit strength from 200 Hz to 7 kHz."""
    hz = np.fft.rfftfreq(count, 1 / RATE)
    shape = np.maximum(hz, 40.0) ** (-slope / 2)
    spectrum = shape * (rng.standard_normal(hz.size) + 1j * rng.standard_normal(hz.size))
    band = (hz > 200) & (hz < 7000)
    power = 2 * (np.abs(spectrum[band]) ** 2).sum() / count**2
    return np.asarray(np.fft.irfft(spectrum, count) / np.sqrt(power))


def click(blow: Blow, rng: np.random.Generator) -> FloatArray:
    """(N,) short rush of the striker itself and of what lies above the modes, of unit peak."""
    time = np.arange(int(0.004 * RATE)) / RATE
    rush = rng.standard_normal(time.size) * np.exp(-time / (2 * blow.contact_s))
    return np.asarray(rush / np.abs(rush).max())


def heard(sounds: FloatArray, starts: list[int], count: int, answer: FloatArray, bass_hz: float) -> FloatArray:
    """(count,) sound of one file: each blow's sound (B, N) at its sample, the room, the microphone's lack of bass."""
    dry = np.zeros(count)
    for sound, start in zip(sounds, starts, strict=True):
        end = min(start + sound.size, count)
        dry[start:end] += sound[: end - start]
    wet = fftconvolve(dry, answer)[:count]
    return np.asarray(lfilter(*butter(1, bass_hz, "highpass", fs=RATE), wet))

"""From the air to the recording: striker, room, microphone, noise of a plant room.

Room. The direct sound is followed by a tail of random reflections that falls by 60 dB in T60; their level against the
direct sound is that of a diffuse field, (r / critical distance)^2 with the critical distance 0.057 sqrt(V / T60)
(Kuttruff, Room Acoustics; value from memory).

Units are SI; sound pressure in pascals until the microphone, then full scale 1; N samples.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from taptest.errors import PhysicsError
from taptest.shell.radiation import AIR_DENSITY, SOUND_SPEED
from taptest.shell.records import FloatArray
from taptest.simulate.strike import Striker


def striker_click(striker: Striker, force_n: FloatArray, rate_hz: float, distance_m: float) -> FloatArray:
    """Sound of the striker itself (..., N) in Pa: a small sphere stopped by the force is a dipole.

    p = rho b^3 / (2 c r) * d(acceleration)/dt on its axis (b from the mass as a steel ball; Junger and Feit, ch. 2);
    a third of it is taken, as the microphone does not stand on the line of the blow.
    """
    ball_m = (striker.mass_kg / striker.material.density_kg_m3 * 3.0 / (4.0 * np.pi)) ** (1.0 / 3.0)
    jerk = np.diff(force_n, axis=-1, prepend=0.0) * rate_hz / striker.mass_kg
    click: FloatArray = AIR_DENSITY * ball_m**3 / (2.0 * SOUND_SPEED * distance_m) * jerk / 3.0
    return click


@dataclass(frozen=True, slots=True)
class Room:
    """A small room, as far as its echoes go."""

    volume_m3: float
    t60_s: float
    """Time in which sound at 1 kHz falls by 60 dB; longer below, shorter above."""


def room_response(rng: np.random.Generator, room: Room, distance_m: float, rate_hz: float) -> FloatArray:
    """(N,) response from the tank to the microphone: 1 for the direct sound, then the tail.

    The tail is Gaussian noise in three bands (below 700 Hz, to 3 kHz, above) whose T60 are 1.2, 1 and 0.7 of the
    room's, begins after 2 to 5 ms and carries the energy of a diffuse field.
    """
    if not (room.volume_m3 > 0.0 and room.t60_s > 0.0):
        raise PhysicsError(f"A room of {room.volume_m3:g} m3 with {room.t60_s:g} s reverberation cannot be.")
    count = int(1.2 * room.t60_s * rate_hz)
    time = np.arange(count) / rate_hz
    noise = rng.standard_normal(count)
    tail = np.zeros(count)
    nyquist = rate_hz / 2.0
    for low, high, share in ((90.0, 700.0, 1.2), (700.0, 3000.0, 1.0), (3000.0, 0.95 * nyquist, 0.7)):
        sections = signal.butter(2, [low / nyquist, high / nyquist], "bandpass", output="sos")
        tail += signal.sosfilt(sections, noise) * np.exp(-6.908 * time / (share * room.t60_s))
    start = int(rng.uniform(0.002, 0.005) * rate_hz)
    tail[:start] = 0.0
    critical_m = 0.057 * np.sqrt(room.volume_m3 / room.t60_s)
    tail *= distance_m / critical_m / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    return tail


def microphone_filter(rng: np.random.Generator, rate_hz: float) -> FloatArray:
    """(S, 6) second-order sections of one laptop's microphone: no bass, resonances of its duct, falling treble."""
    nyquist = rate_hz / 2.0
    sections = [signal.butter(2, rng.uniform(70.0, 200.0) / nyquist, "highpass", output="sos")]
    for low, high, depth in ((1200.0, 3000.0, 3.0), (3000.0, 7000.0, 6.0), (5000.0, 12000.0, 6.0)):
        centre, gain_db, quality = rng.uniform(low, high), rng.uniform(-depth, depth), rng.uniform(0.8, 2.5)
        if centre < 0.9 * nyquist:
            sections.append(_peak(centre / nyquist, gain_db, quality))
    corner = rng.uniform(9000.0, 18000.0)
    if corner < 0.9 * nyquist:
        sections.append(signal.butter(1, corner / nyquist, "lowpass", output="sos"))
    return np.vstack(sections)


def _peak(frequency: float, gain_db: float, quality: float) -> FloatArray:
    """(1, 6) peaking section, by the usual audio equaliser formulas; `frequency` is a share of half the rate."""
    amplitude = 10.0 ** (gain_db / 40.0)
    omega = np.pi * frequency
    alpha = np.sin(omega) / (2.0 * quality)
    above = np.array([1.0 + alpha * amplitude, -2.0 * np.cos(omega), 1.0 - alpha * amplitude])
    below = np.array([1.0 + alpha / amplitude, -2.0 * np.cos(omega), 1.0 - alpha / amplitude])
    section: FloatArray = np.concatenate([above, below])[None, :] / below[0]
    return section


def automatic_gain(samples: FloatArray, rate_hz: float, target: float = 0.1, most_db: float = 18.0) -> FloatArray:
    """Return (N,) as a laptop's automatic gain makes it: loud stretches are turned down fast, quiet ones up slowly.

    Level is followed in blocks of 5 ms; down in about 10 ms, up in about 600 ms; never more than `most_db` up or down.
    """
    block = max(int(0.005 * rate_hz), 1)
    blocks = -(-samples.size // block)
    padded = np.zeros(blocks * block)
    padded[: samples.size] = samples
    level = np.sqrt(np.mean(padded.reshape(blocks, block) ** 2, axis=1)) + 1e-6
    wanted = np.clip(0.5 * 20.0 * np.log10(target / level), -most_db, most_db)
    gain_db = np.empty(blocks)
    now = float(wanted[: max(blocks // 4, 1)].mean())
    for i in range(blocks):
        now += (wanted[i] - now) * (0.4 if wanted[i] < now else 0.008)
        gain_db[i] = now
    fine = np.interp(np.arange(samples.size), (np.arange(blocks) + 0.5) * block, gain_db)
    shaped: FloatArray = samples * 10.0 ** (fine / 20.0)
    return shaped


@dataclass(frozen=True, slots=True)
class NoiseMix:
    """What a plant room sounds like: power shares of its sources (they need not sum to one)."""

    fan: float = 1.0
    rumble: float = 0.5
    hum: float = 0.4
    voices: float = 0.0
    clatter: float = 0.0
    mains_hz: float = 50.0


def draw_noise_mix(rng: np.random.Generator, busy: float) -> NoiseMix:
    """Draw a plant room; `busy` from 0 to 1 makes voices and clatter likelier."""
    return NoiseMix(
        fan=float(rng.uniform(0.3, 1.0)),
        rumble=float(rng.uniform(0.1, 1.0)),
        hum=float(rng.uniform(0.05, 0.8)),
        voices=float(rng.uniform(0.2, 1.0)) if rng.random() < 0.5 * busy else 0.0,
        clatter=float(rng.uniform(0.05, 0.5)) if rng.random() < 0.5 * busy else 0.0,
        mains_hz=50.0 if rng.random() < 0.6 else 60.0,
    )


def plant_noise(rng: np.random.Generator, mix: NoiseMix, count: int, rate_hz: float) -> FloatArray:
    """(N,) noise of a plant room with unit mean square."""
    sources = ((mix.fan, _fan), (mix.rumble, _rumble), (mix.voices, _voices), (mix.clatter, _clatter))
    total = np.zeros(count)
    for share, source in sources:
        if share > 0.0:
            total += np.sqrt(share) * _unit(source(rng, count, rate_hz))
    if mix.hum > 0.0:
        total += np.sqrt(mix.hum) * _unit(_hum(rng, count, rate_hz, mix.mains_hz))
    return _unit(total)


def _unit(samples: FloatArray) -> FloatArray:
    power = float(np.mean(samples**2))
    scaled: FloatArray = samples / np.sqrt(power) if power > 0.0 else samples
    return scaled


def _fan(rng: np.random.Generator, count: int, rate_hz: float) -> FloatArray:
    """Broadband noise that falls towards the treble, with one or two blunt bumps."""
    nyquist = rate_hz / 2.0
    sections = [signal.butter(1, rng.uniform(300.0, 1500.0) / nyquist, "lowpass", output="sos")]
    sections += [
        _peak(rng.uniform(150.0, 3000.0) / nyquist, rng.uniform(0.0, 9.0), rng.uniform(0.7, 3.0)) for _ in range(2)
    ]
    shaped: FloatArray = signal.sosfilt(np.vstack(sections), rng.standard_normal(count))
    return shaped


def _rumble(rng: np.random.Generator, count: int, rate_hz: float) -> FloatArray:
    """Burner and pump: noise below 150 Hz that swells slowly."""
    nyquist = rate_hz / 2.0
    sections = signal.butter(2, [25.0 / nyquist, 150.0 / nyquist], "bandpass", output="sos")
    swell = 1.0 + 0.4 * np.sin(2.0 * np.pi * rng.uniform(0.3, 2.0) * np.arange(count) / rate_hz + rng.uniform(0, 6))
    shaped: FloatArray = signal.sosfilt(sections, rng.standard_normal(count)) * swell
    return shaped


def _hum(rng: np.random.Generator, count: int, rate_hz: float, mains_hz: float) -> FloatArray:
    """Mains hum: harmonics to 2.4 kHz, even ones stronger, falling by about 6 dB an octave."""
    second = round(rate_hz)
    time = np.arange(second) / rate_hz
    hum = np.zeros(second)
    for order in range(1, int(min(2400.0, 0.45 * rate_hz) / mains_hz) + 1):
        level = (1.0 if order % 2 == 0 else 0.35) / order * np.exp(0.7 * rng.standard_normal())
        hum += level * np.cos(2.0 * np.pi * mains_hz * order * time + rng.uniform(0.0, 2.0 * np.pi))
    return np.resize(hum, count)  # whole periods of every harmonic fit into a second


def _voices(rng: np.random.Generator, count: int, rate_hz: float) -> FloatArray:
    """Something like talk next door: a gliding buzz through three formants, in syllables."""
    time = np.arange(count) / rate_hz
    points = max(int(count / rate_hz * 4.0), 2) + 2
    grid = np.linspace(0.0, count / rate_hz, points)
    pitch = rng.uniform(95.0, 200.0) * np.exp(0.12 * np.interp(time, grid, rng.standard_normal(points)))
    buzz = signal.sawtooth(2.0 * np.pi * np.cumsum(pitch) / rate_hz) + 0.1 * rng.standard_normal(count)
    nyquist = rate_hz / 2.0
    voiced = np.zeros(count)
    for low, high in ((350.0, 800.0), (900.0, 2000.0), (2200.0, 3000.0)):
        centre = rng.uniform(low, high)
        band = [centre / 1.15 / nyquist, centre * 1.15 / nyquist]
        voiced += signal.sosfilt(signal.butter(1, band, "bandpass", output="sos"), buzz) * (600.0 / centre)
    syllables = np.clip(np.interp(time, grid, rng.uniform(-0.6, 1.0, points)), 0.0, None)
    shaped: FloatArray = voiced * syllables
    return shaped


def _clatter(rng: np.random.Generator, count: int, rate_hz: float) -> FloatArray:
    """Tools put down: now and then a short burst of a few ringing tones."""
    clatter = np.zeros(count)
    bursts = rng.poisson(0.35 * count / rate_hz) + 1
    length = int(0.25 * rate_hz)
    time = np.arange(length) / rate_hz
    for start in rng.integers(0, count, bursts):
        tones = rng.uniform(800.0, min(6000.0, 0.45 * rate_hz), 4)
        decay = rng.uniform(25.0, 90.0, 4)
        level = np.exp(0.5 * rng.standard_normal(4))
        ring = (level[:, None] * np.exp(-decay[:, None] * time) * np.sin(2 * np.pi * tones[:, None] * time)).sum(axis=0)
        part = min(length, count - int(start))
        clatter[start : start + part] += ring[:part] * np.exp(0.5 * rng.standard_normal())
    return clatter


def ring_energy(samples: FloatArray, onsets: NDArray[np.int64], window: int) -> FloatArray:
    """(T,) energy in the ring window of each onset, as a sum of squares."""
    return np.array([float(np.sum(samples[start : start + window] ** 2)) for start in onsets])


def noise_gain(tap_energy: FloatArray, noise: FloatArray, window: int, tap_to_noise_db: float) -> float:
    """Return the factor for `noise` that puts the median tap's energy the asked number of decibels above the noise's.

    Both energies are those of a ring window of `window` samples, in the same band.
    """
    quiet = float(np.mean(noise**2)) * window
    return float(np.sqrt(np.median(tap_energy) / quiet * 10.0 ** (-tap_to_noise_db / 10.0)))

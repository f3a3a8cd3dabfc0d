"""One simulated visit: a scene, struck point by point, heard by a laptop in a plant room.

Goal: a pure function from a seed to recordings and their truth. The scene (`simulate.scene`) says what is true and what
is known; the vibration model gives the complex modes of that shell at its one true level; the blow's force drives
them; the air carries them to a microphone with its room; noise is mixed in at a set ratio.

Conventions: recordings are (N,) float32 at full scale 1, one a point, in the order of the line; onsets are seconds from
the start of their recording; T taps of one visit, K modes. The same seed, difficulty and switches give the same numbers
on one platform. Docs: docs/simulation.md names every mismatch switch and what is left out.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from taptest.shell.lying import TAP_SHARE, LyingTank, lying_line
from taptest.shell.radiation import Place, heard_lying, heard_weights, rings_of
from taptest.shell.records import ShellSpec, WetModes
from taptest.shell.response import wet_modes
from taptest.simulate.rooms import (
    NoiseMix,
    Room,
    automatic_gain,
    draw_noise_mix,
    microphone_filter,
    noise_gain,
    plant_noise,
    ring_energy,
    room_response,
    striker_click,
)
from taptest.simulate.scene import Difficulty, Fault, Scene, Switch, Truth, draw_scene, stream
from taptest.simulate.strike import (
    Blow,
    Hand,
    Pulses,
    Striker,
    contact_pulses,
    draw_blows,
    hertz_contact_time_s,
    plate_impedance,
    sample_pulses,
    softened,
)
from taptest.simulate.wetted import FORMS, Form
from taptest.sound.spectra import fast_length
from taptest.tank.shape import Shape

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Samples = NDArray[np.float32]

MAX_HZ = 7200.0
"""Modes are heard up to here, past the highest band that is judged; a blow on a thin wall carries little above."""
RING_S = 0.6
"""Each blow's ring is computed for this long."""
WINDOW_S = 0.060
"""Ring window in which tap and noise are compared."""
HEARD_HZ = (200.0, 7000.0)
"""Band in which they are compared: below it rooms rumble and nothing rings."""
SOFT_CONTACT_S = (0.0003, 0.0008)
"""How long a soft nose presses on the dry wall."""
QUIET_MODE = 3e-4
"""A mode weaker than this share of the strongest, at every tap, is left out."""
TAP_TO_NOISE_DB: dict[Difficulty, tuple[float, float]] = {
    "easy": (34.0, 46.0),
    "field": (18.0, 34.0),
    "hard": (9.0, 20.0),
}


@dataclass(frozen=True, slots=True)
class Session:
    """How a scene is tapped and recorded."""

    striker: Striker
    later_striker: Striker
    """The striker of the line's second half; the same one where nothing changed."""
    hand: Hand
    taps: int
    """Taps a point."""
    place: Place
    """Place of the microphone (of the first point where it moves)."""
    moving: bool
    room: Room
    noise: NoiseMix
    tap_to_noise_db: float
    rate_hz: float
    gain_rides: bool


@dataclass(frozen=True, slots=True)
class SimulatedPoint:
    """One point of the line as recorded."""

    position_m: float
    """Depth as noted."""
    samples: Samples
    onsets_s: tuple[float, ...]
    """True onset of each blow; of a double hit the first touch."""
    double_hits: tuple[bool, ...]
    backing: str
    """"water" or "air" where the mark really lies."""


@dataclass(frozen=True, slots=True)
class SimulatedVisit:
    """A visit with its sound and its truth."""

    scene: Scene
    session: Session
    rate_hz: float
    points: tuple[SimulatedPoint, ...]
    tables: dict[str, dict[str, str]]
    """What the technician knows, as the tables of a tank.toml: tank, system, readings, line."""

    @property
    def truth(self) -> Truth:
        """The truth of its scene."""
        return self.scene.truth


def simulate_visit(
    seed: int,
    difficulty: Difficulty = "field",
    switches: tuple[Switch, ...] | None = None,
    fault: Fault | None = None,
    forms: tuple[Form, ...] = FORMS,
) -> SimulatedVisit:
    """Simulate one visit from its seed.

    `switches` names the physical mismatches that are on, all others being off; None leaves them to the difficulty.
    `forms` are those that the water behind the wall may take. Raises `PhysicsError` for unknown names.
    """
    scene = draw_scene(seed, difficulty, switches, fault, forms)
    return play(scene, draw_session(scene))


def draw_session(scene: Scene) -> Session:
    """Draw how a scene is tapped and recorded, by its seed and difficulty."""
    rng = stream(scene.seed, "session")
    striker = Striker(float(rng.uniform(0.018, 0.045)), float(rng.uniform(0.004, 0.009)))
    other = Striker(float(rng.uniform(0.025, 0.065)), float(rng.uniform(0.004, 0.012)))
    if "soft-blows" in scene.switches:
        contact_s = float(stream(scene.seed, "nose").uniform(*SOFT_CONTACT_S))
        striker, other = (
            softened(each, contact_s, 0.4, plate_impedance(scene.spec.wall_m)) for each in (striker, other)
        )
    steady = {"easy": (0.12, 0.0015, 0.0), "field": (0.22, 0.003, 0.03), "hard": (0.35, 0.0045, 0.08)}[scene.difficulty]
    shape = scene.tank.shape
    place = Place(
        distance_m=float(rng.uniform(0.4, 1.0)),
        # a lying tank is heard from the side and a little below
        angle_rad=float(rng.uniform(0.0, np.pi / 3.0)) + (0.0 if shape.axis == "vertical" else np.pi / 2.0),
        depth_m=shape.length_m * float(rng.uniform(0.2, 0.8)),
    )
    rates = {"easy": (48000.0,), "field": (48000.0, 48000.0, 44100.0, 16000.0), "hard": (48000.0, 44100.0, 16000.0)}
    choice = rates[scene.difficulty]
    room = Room(float(np.exp(rng.uniform(np.log(8.0), np.log(70.0)))), float(rng.uniform(0.2, 0.8)))
    return Session(
        striker=striker,
        later_striker=other if "striker-change" in scene.switches else striker,
        hand=Hand(float(rng.uniform(0.3, 0.6)), *steady),
        taps=3,
        place=place,
        moving="moving-microphone" in scene.switches,
        room=room,
        noise=draw_noise_mix(rng, {"easy": 0.0, "field": 0.6, "hard": 1.0}[scene.difficulty]),
        tap_to_noise_db=float(rng.uniform(*TAP_TO_NOISE_DB[scene.difficulty])),
        rate_hz=float(choice[int(rng.integers(len(choice)))]),
        gain_rides="gain-riding" in scene.switches,
    )


def play(scene: Scene, session: Session) -> SimulatedVisit:
    """Tap the scene's line from the top down and record it."""
    tables = {name: dict(table) for name, table in scene.tables.items()} | {"line": _line_table(session)}
    return SimulatedVisit(scene, session, session.rate_hz, play_states([scene], session), tables)


def play_states(scenes: Sequence[Scene], session: Session) -> tuple[SimulatedPoint, ...]:
    """Tap the lines of several states of one tank one after the other, and record them in one go.

    The modes of each state are computed anew, since its blows land elsewhere.
    """
    blows: list[tuple[Blow, ...]] = []
    dry: list[FloatArray] = []
    places: list[tuple[Scene, float]] = []
    for scene in scenes:
        own = _blows(scene, session)
        struck = np.array([_on_average_edge(scene, blow.depth_m) for point in own for blow in point])
        sounds = _tap_sounds(scene, session, own, _audible(scene, struck))
        blows += own
        dry += [_place_taps(point, each, session.rate_hz) for point, each in zip(own, sounds, strict=True)]
        places += [(scene, position) for position in scene.positions_m]
    heard = _recorded(scenes[0], dry, blows, session)
    return tuple(
        SimulatedPoint(
            position_m=position,
            samples=samples,
            onsets_s=tuple(blow.onset_s for blow in point),
            double_hits=tuple(blow.again_s is not None for blow in point),
            backing=backing_at(scene, position),
        )
        for (scene, position), point, samples in zip(places, blows, heard, strict=True)
    )


@dataclass(frozen=True, slots=True)
class Audible:
    """The modes of a shell at the struck depths, and how they are heard."""

    modes: WetModes
    """Shapes at the struck depths first; more columns may follow."""
    weights: Callable[[Place], ComplexArray]
    """(K,) sound pressure at a place for a unit velocity of each mode, without the lobe's angle on a standing shell."""


def _audible(scene: Scene, struck_m: FloatArray) -> Audible:
    """Compute the modes of the true shell at its one level, struck at (T,) depths."""
    spec = scene.spec
    if spec.axis == "vertical":
        rings = rings_of(_true_shape(scene))
        modes = _bent(wet_modes(spec, scene.wetted.zones, np.concatenate([struck_m, rings.depth_m]), MAX_HZ), scene)
        return Audible(modes, partial(heard_weights, modes, slice(struck_m.size, None), rings))
    tank = LyingTank(spec, MAX_HZ)
    groups = [group for group in tank.modes(scene.wetted.level_depth_m) if group.pole_1_s.size]
    modes = WetModes(
        np.concatenate([group.pole_1_s for group in groups]),
        np.zeros(sum(group.pole_1_s.size for group in groups), dtype=np.int64),
        np.concatenate([lying_line(group, tank.angles(struck_m)) for group in groups]),
        struck_m,
    )

    def weights(place: Place) -> ComplexArray:
        return np.concatenate([heard_lying(group, tank.radius_m, tank.length_m, place) for group in groups])

    return Audible(_bent(modes, scene), weights)


def line_level_m(scene: Scene) -> float:
    """Depth of the boundary where the tapped line crosses it: where the wet wall ends, seen from the water end."""
    return scene.wetted.end_on_line_m(scene.edge_rise_m)


def backing_at(scene: Scene, position_m: float) -> str:
    """Return "water" or "air" at a noted depth."""
    wet = scene.wetted.water_behind(position_m + scene.tape_error_m, scene.edge_rise_m)
    return "water" if wet else "air"


def _true_shape(scene: Scene) -> Shape:
    return replace(scene.tank.shape, head=scene.spec.head, wall_m=scene.spec.wall_m)


def _on_average_edge(scene: Scene, depth_m: float) -> float:
    """Depth at which the level shell moves as the shell with a tilted edge does on the tapped line.

    The modes near a boundary go with it: within about 0.1 m the pattern is shifted by the edge's rise on the line,
    further away not at all. A first-order picture of a boundary that is not level; frequencies are those of the
    average level.
    """
    edges = np.array(scene.wetted.free_edges_m)
    if edges.size == 0 or scene.edge_rise_m == 0.0:
        return depth_m
    near = np.exp(-(((depth_m - edges - scene.edge_rise_m) / 0.1) ** 2)).max()
    return float(np.clip(depth_m - scene.edge_rise_m * near, 0.0, scene.tank.shape.height_m))


def _bent(modes: WetModes, scene: Scene) -> WetModes:
    """Bend the damping of all modes to another law: (f / 1 kHz) to the scene's tilt times what constant losses give."""
    if scene.damping_tilt == 0.0:
        return modes
    pole = modes.pole_1_s
    ratio = np.clip((pole.imag / (2.0 * np.pi * 1000.0)) ** scene.damping_tilt, 0.3, 3.0)
    return replace(modes, pole_1_s=pole.real * ratio + 1j * pole.imag)


# ---------------------------------------------------------------- the blows


def _blows(scene: Scene, session: Session) -> list[tuple[Blow, ...]]:
    """Draw the blows of every point; depths are true ones, kept on the shell."""
    rng = scene.stream("hand")
    height = scene.tank.shape.height_m
    line = []
    for position in scene.positions_m:
        first = float(rng.uniform(0.30, 0.45))
        blows = draw_blows(rng, position + scene.tape_error_m, session.taps, session.hand, first, 0.55)
        line.append(tuple(replace(b, depth_m=float(np.clip(b.depth_m, 0.004, height - 0.004))) for b in blows))
    return line


def _impedances(spec: ShellSpec, striker: Striker, wet: NDArray[np.bool_]) -> FloatArray:
    """(T,) point impedance of the wall at each blow, with the water it carries where it is wet."""
    pulse = hertz_contact_time_s(striker, 0.4)
    dry = plate_impedance(spec.wall_m, spec.material)
    loaded = plate_impedance(spec.wall_m, spec.material, max(spec.water_density_kg_m3, 1e-6), pulse)
    return np.where(wet, loaded, dry)


def _pulses(scene: Scene, session: Session, blows: list[Blow], late: NDArray[np.bool_], again: bool) -> list[Pulses]:
    """Contact force of each blow, or of its second hit (a tiny one where there is none), one record a blow."""
    wet = np.array([backing_at(scene, blow.depth_m - scene.tape_error_m) == "water" for blow in blows])
    speed = np.array([(blow.again_speed if again else blow.speed_m_s) or 1e-3 for blow in blows])
    out: list[Pulses] = [None] * len(blows)  # type: ignore[list-item]
    for striker, those in ((session.striker, ~late), (session.later_striker, late)):
        index = np.flatnonzero(those)
        if index.size:
            solved = contact_pulses(striker, speed[index], _impedances(scene.spec, striker, wet[index]))
            for row, i in enumerate(index):
                out[i] = Pulses(
                    solved.force_n[row : row + 1], solved.step_s[row : row + 1], solved.contact_s[row : row + 1]
                )
    return out


# ---------------------------------------------------------------- modes to sound


def _lobes(modes: WetModes, scene: Scene, angle_rad: float) -> list[tuple[ComplexArray, FloatArray]]:
    """Poles and angular weights: one set for a round shell, two for one whose twin modes are split.

    A shell that is not quite round has, for each harmonic n, twins at fixed places psi around it, one a little higher
    than the other: cos n(0 - psi) cos n(phi - psi) and sin sin. Without a split they add up to cos n phi.
    """
    n = modes.harmonic
    if scene.split == 0.0:
        return [(modes.pole_1_s, np.cos(n * angle_rad))]
    rng = stream(scene.seed, "twins")
    psi = rng.uniform(0.0, 2.0 * np.pi, n.size)
    apart = 1j * modes.pole_1_s.imag * scene.split * rng.uniform(-0.5, 0.5, n.size)
    first = np.cos(n * psi) * np.cos(n * (angle_rad - psi))
    second = np.where(n > 0, -np.sin(n * psi) * np.sin(n * (angle_rad - psi)), 0.0)
    return [(modes.pole_1_s + apart, first), (modes.pole_1_s - apart, second)]


def ring_sum(poles: ComplexArray, weights: ComplexArray, count: int, rate_hz: float) -> FloatArray:
    """(T, count) sum over modes of Re weights (T, K) exp(poles (K,) t), block by block with one matrix product each.

    Modes that have died away are dropped from later blocks.
    """
    block = 256
    basis = np.exp(poles[:, None] * (np.arange(block) / rate_hz)).astype(np.complex64)
    step = np.exp(poles * (block / rate_hz))
    state = weights.copy()
    out = np.zeros((weights.shape[0], -(-count // block) * block), dtype=np.float32)
    floor = 1e-5 * float(np.abs(weights).max(initial=0.0))
    alive = np.arange(poles.size)
    for start in range(0, out.shape[1], block):
        alive = alive[np.abs(state[:, alive]).max(axis=0) > floor]
        if alive.size == 0:
            break
        part = state[:, alive].astype(np.complex64)
        here = basis[alive]
        out[:, start : start + block] = part.real @ here.real - part.imag @ here.imag
        state[:, alive] *= step[alive]
    return out[:, :count].astype(np.float64)


def _tap_sounds(scene: Scene, session: Session, blows: list[tuple[Blow, ...]], audible: Audible) -> list[FloatArray]:
    """Sound pressure of each point's blows at the microphone, (taps, N) each, without room and noise.

    The first sample is that at or before the touch; second hits are included.
    """
    flat = [blow for point in blows for blow in point]
    owner = np.repeat(np.arange(len(blows)), [len(point) for point in blows])
    places = _places(scene, session)
    rate, count = session.rate_hz, int(RING_S * session.rate_hz)
    modes = audible.modes
    still = audible.weights(places[0])
    ring = np.zeros((len(flat), count))
    groups = [np.arange(len(flat))] if not session.moving else [np.flatnonzero(owner == p) for p in range(len(blows))]
    for group in groups:
        place = places[int(owner[group[0]])]
        weight = still if not session.moving else audible.weights(place)
        for poles, lobes in _lobes(modes, scene, place.angle_rad):
            amplitude = modes.shape[:, group].T * (weight * lobes)[None, :]
            size = np.abs(amplitude).max(axis=0)
            loud = size > QUIET_MODE * size.max(initial=0.0)
            ring[group] += ring_sum(poles[loud], amplitude[:, loud], count, rate)
    late = owner >= len(blows) / 2.0
    sounds = _driven(scene, session, flat, late, ring)
    return [sounds[owner == p] for p in range(len(blows))]


def _places(scene: Scene, session: Session) -> list[Place]:
    """Place of the microphone at each point: one place, or carried along in the other hand."""
    if not session.moving:
        return [_place(scene, session)] * len(scene.positions_m)
    rng = scene.stream("carried")
    shape = scene.tank.shape
    places = []
    for position in scene.positions_m:
        away, turn, aside = float(rng.uniform(0.15, 0.45)), float(rng.uniform(-0.3, 0.3)), float(rng.normal(0.0, 0.04))
        if shape.axis == "vertical":
            places.append(Place(away, turn, position + aside))
        else:
            angle = float(np.arccos(np.clip(1.0 - 2.0 * position / shape.diameter_m, -1.0, 1.0)))
            places.append(Place(away, angle + turn, TAP_SHARE * shape.length_m + aside))
    return places


def _place(scene: Scene, session: Session) -> Place:
    """Where the microphone stands: elsewhere in a later round where it was moved in between."""
    if scene.take == 1 or "microphone-moved" not in scene.switches:
        return session.place
    rng = scene.stream("moved")
    was = session.place
    away = max(was.distance_m + float(rng.normal(0.0, 0.08)), 0.2)
    return Place(away, was.angle_rad + float(rng.normal(0.0, 0.15)), was.depth_m + float(rng.normal(0.0, 0.06)))


def _driven(scene: Scene, session: Session, blows: list[Blow], late: NDArray[np.bool_], ring: FloatArray) -> FloatArray:
    """(T, N) ring convolved with each blow's force, with the striker's own click and the second hits."""
    rate = session.rate_hz
    count = ring.shape[1]
    size = fast_length(count + int(0.04 * rate))
    spectrum = np.fft.rfft(ring, size, axis=1)
    out = np.zeros((len(blows), count + int(0.08 * rate)))
    for again in (False, True):
        pulses = _pulses(scene, session, blows, late, again)
        for i, blow in enumerate(blows):
            if again and blow.again_s is None:
                continue
            begin = (blow.onset_s + (blow.again_s or 0.0 if again else 0.0)) * rate
            whole = int(np.floor(begin)) - int(np.floor(blow.onset_s * rate))
            force = sample_pulses(pulses[i], rate, (begin - np.floor(begin)) / rate)[0]
            force = force[: int(0.04 * rate)]
            sound = np.fft.irfft(spectrum[i] * np.fft.rfft(force, size), size)[:count] / rate
            striker = session.later_striker if late[i] else session.striker
            click = striker_click(striker, force, rate, session.place.distance_m)
            sound[: click.size] += click
            out[i, whole : whole + count] += sound
    return out


def _place_taps(blows: tuple[Blow, ...], sounds: FloatArray, rate_hz: float) -> FloatArray:
    """Put the sounds of one point's blows into one recording, each at its onset."""
    length = int((blows[-1].onset_s + 0.75) * rate_hz)
    recording = np.zeros(length)
    for blow, sound in zip(blows, sounds, strict=True):
        start = int(np.floor(blow.onset_s * rate_hz))
        part = min(sound.size, length - start)
        recording[start : start + part] += sound[:part]
    return recording


# ---------------------------------------------------------------- sound to recording


def _recorded(scene: Scene, dry: list[FloatArray], blows: list[tuple[Blow, ...]], session: Session) -> list[Samples]:
    """Room, microphone, noise, gain and converter for all recordings of a visit.

    A later round is heard in the same room from the same place, unless the microphone was moved in between.
    """
    rate = session.rate_hz
    rng = stream(scene.seed, "noise")
    room = room_response(rng, session.room, session.place.distance_m, rate)
    colour = microphone_filter(rng, rate)
    if scene.take > 1:
        rng = scene.stream("noise again")
        if "microphone-moved" in scene.switches:
            room = room_response(rng, session.room, session.place.distance_m, rate)
    lengths = [recording.size for recording in dry]
    noise = plant_noise(rng, session.noise, sum(lengths), rate)
    clean = []
    for recording in dry:
        if session.moving:
            room = room_response(rng, session.room, session.place.distance_m, rate)
        echoed = signal.oaconvolve(recording, room)[: recording.size]
        clean.append(signal.sosfilt(colour, echoed))
    noise = signal.sosfilt(colour, noise)
    gain = _noise_gain(clean, noise, blows, session)
    loud = np.percentile([np.abs(recording).max() for recording in clean], 80)
    level = 10.0 ** (-13.0 / 20.0) / max(float(loud), 1e-12)
    starts = np.cumsum([0, *lengths])
    out = []
    for recording, start in zip(clean, starts[:-1], strict=True):
        mixed = (recording + gain * noise[start : start + recording.size]) * level
        if session.gain_rides:
            mixed = automatic_gain(mixed, rate)
        out.append(_converted(rng, mixed))
    return out


def _noise_gain(clean: list[FloatArray], noise: FloatArray, blows: list[tuple[Blow, ...]], session: Session) -> float:
    """Return the noise's factor for the session's ratio, compared in the band that matters and in the ring window."""
    rate = session.rate_hz
    band = heard_band(rate)
    window = int(WINDOW_S * rate)
    energies = [
        ring_energy(signal.sosfilt(band, recording), np.array([int(b.onset_s * rate) for b in point]), window)
        for recording, point in zip(clean, blows, strict=True)
    ]
    return noise_gain(np.concatenate(energies), signal.sosfilt(band, noise), window, session.tap_to_noise_db)


def heard_band(rate_hz: float) -> FloatArray:
    """(S, 6) band-pass in which taps and noise are compared."""
    high = min(HEARD_HZ[1], 0.47 * rate_hz)
    sections: FloatArray = signal.butter(4, [HEARD_HZ[0], high], "bandpass", fs=rate_hz, output="sos")
    return sections


def _converted(rng: np.random.Generator, samples: FloatArray) -> Samples:
    """Sixteen bits with dither, clipped at full scale."""
    steps = 32768.0
    dithered = np.round(samples * steps + rng.uniform(-0.5, 0.5, samples.size)) / steps
    return np.clip(dithered, -1.0, 1.0 - 1.0 / steps).astype(np.float32)


def _line_table(session: Session) -> dict[str, str]:
    place = "moving" if session.moving else "fixed"
    distance = f"{session.place.distance_m * 100.0:.0f} cm" if not session.moving else "30 cm"
    return {
        "microphone": place,
        "microphone_distance": distance,
        "striker": f"steel, {session.striker.mass_kg * 1000.0:.0f} g",
    }

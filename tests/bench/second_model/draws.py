"""Tank, picture and fittings of a simulated visit, drawn from this bench's own distributions."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptest.tank.kinds import TankKind, WaterEnd
from taptest.tank.shape import HeadKind, Shape
from taptest.visit.record import RoundState
from tests.bench.second_model import pictures
from tests.bench.second_model.hollow import hollow_of
from tests.bench.second_model.outline import outline_of
from tests.bench.second_model.pictures import Inside, Picture
from tests.bench.second_model.ringing import Feet, Strap, Vessel
from tests.bench.second_model.stories import Story, at_other_pressure, draw_story
from tests.bench.second_model.switches import draw_switches, stream

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """One tank with its line and its story."""

    kind: TankKind
    water_end: WaterEnd
    vessel: Vessel
    seam: float
    """Depth of the seam, m; of use in diaphragm tanks only."""
    litres: float
    story: Story
    picture: Picture
    depths_m: FloatArray
    """(P,) depths of the marks below the top of the shell."""
    switches: frozenset[str]

    @property
    def inverted(self) -> bool:
        """Whether the water of a hanging tank lies at its bottom."""
        return self.picture.form.startswith("torn, water below")


def draw(seed: int, number: int, only: str | None = None, bags: bool = False) -> Case:
    """Draw a visit: what is on, the tank, its story, where its water lies, its line and its fittings."""
    switches = draw_switches(seed, number, only)
    rng = stream(seed, number, "tank")
    kind: TankKind = "bladder" if bags else rng.choice(["diaphragm", "bladder", "plain"], p=[0.6, 0.22, 0.18]).item()
    water_end: WaterEnd = "top" if kind == "diaphragm" and rng.random() < 0.6 else "bottom"
    shape = _shape(kind, rng)
    seam = shape.height_m / 2 + rng.uniform(-1.0, 1.0) * min(0.03 * shape.height_m, 0.35 * shape.straight_m)
    inside = Inside(hollow_of(outline_of(shape), shape.wall_m), shape.height_m, seam, water_end == "top")
    story = draw_story(kind, switches, stream(seed, number, "story"))
    picture, story = _picture(kind, inside, story, switches, stream(seed, number, "picture"))
    vessel = _vessel(kind, shape, inside, (picture, story), switches, stream(seed, number, "vessel"))
    depths = _line(shape, stream(seed, number, "line"))
    return Case(kind, water_end, vessel, seam, 1000 * inside.hollow.volume, story, picture, depths, switches)


def other_pressure(case: Case, seed: int, number: int) -> tuple[Case, RoundState]:
    """Return the same tank with the fill raised by about half a bar, or let down where there is no room; its state."""
    story, state = at_other_pressure(case.story, stream(seed, number, "step"))
    return with_story(case, story, seed, number), state


def with_story(case: Case, story: Story, seed: int, number: int) -> Case:
    """Return the same tank with the water of another story of its air."""
    inside = Inside(
        hollow_of(outline_of(case.vessel.shape), case.vessel.shape.wall_m),
        case.vessel.shape.height_m,
        case.seam,
        case.water_end == "top",
    )
    picture, story = _picture(case.kind, inside, story, case.switches, stream(seed, number, "picture"))
    vessel = _vessel(
        case.kind, case.vessel.shape, inside, (picture, story), case.switches, stream(seed, number, "vessel")
    )
    return replace(case, story=story, picture=picture, vessel=vessel)


def in_effect(case: Case) -> tuple[str, ...]:
    """Name the switches that made a difference to this tank."""
    bag, membrane = case.kind == "bladder", case.kind == "diaphragm"
    without_effect = {
        "mechanics": not membrane or case.story.torn,
        "thin-water": not any(pool.layer_m3 is not None for pool in case.vessel.pools),
        "wall-rubber": not membrane or not case.vessel.rubber,
        "clench-ring": not membrane,
        "compressible": not case.vessel.pools,
        "touch": not bag or case.story.torn,
        "stand-off": not bag or case.story.torn,
        "feet": case.vessel.feet is None,
        "torn": not case.story.torn,
        "cut-off": case.story.fault != "cut off",
    }
    return tuple(sorted(name for name in case.switches if not without_effect.get(name, False)))


def _shape(kind: str, rng: np.random.Generator) -> Shape:
    """Draw a shell: 200 to 650 mm wide, 270 to 1000 mm high, 1 to 3 mm thick."""
    widths = {"diaphragm": (0.2, 0.48), "bladder": (0.3, 0.65), "plain": (0.28, 0.55)}
    low, high = widths[kind]
    diameter = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    wall = float(np.clip(diameter * rng.uniform(0.0040, 0.0062), 0.001, 0.003))
    head: HeadKind = rng.choice(["torispherical", "ellipsoidal"]).item()
    slender = rng.uniform(1.1, 1.6) if kind == "diaphragm" else rng.uniform(1.2, 2.0)
    bare = Shape("vertical", diameter, 0.0, head, wall)
    height = float(np.clip(slender * diameter, 0.27, 1.0))
    return Shape("vertical", diameter, max(height - bare.height_m, 0.05), head, wall)


def _line(shape: Shape, rng: np.random.Generator) -> FloatArray:
    """Give even marks, the outer ones on the heads or just off them, in steps of 20 to 45 mm, 10 to 24 of them."""
    first = shape.head_depth_m * rng.uniform(0.25, 0.75)
    span = shape.height_m - first - shape.head_depth_m * rng.uniform(0.25, 0.75)
    low, high = max(10, int(np.ceil(span / 0.045)) + 1), min(24, int(span / 0.020) + 1)
    count = int(rng.integers(low, max(low, high) + 1))
    step = float(np.clip(np.floor(span / (count - 1) * 1000) / 1000, 0.018, 0.045))
    return np.asarray(round(first, 3) + step * np.arange(count))


def _picture(
    kind: str, inside: Inside, story: Story, switches: frozenset[str], rng: np.random.Generator
) -> tuple[Picture, Story]:
    """Draw where the water lies. A torn membrane may let it fall, fill the tank, or leave the air on top."""
    if story.torn:
        return _torn(inside, story, rng)
    if kind == "plain":
        return pictures.flat(inside, pictures.level_of(inside, story.share), "level"), story
    if kind == "bladder":
        touch = float(rng.uniform(0.0, 1.0)) if "touch" in switches else 1.0
        stand_off = float(rng.uniform(0.0, 0.34)) if "stand-off" in switches else 0.0
        return pictures.bag(inside, story.share, touch, stand_off), story
    if "mechanics" not in switches:
        return pictures.plane_to_mirror(inside, story.share, rng.uniform()), story
    picture = pictures.diaphragm(inside, story.share, rng)
    return picture if "thin-water" in switches else pictures.deepened(picture), story


def _torn(inside: Inside, story: Story, rng: np.random.Generator) -> tuple[Picture, Story]:
    """Say where the water of a torn tank lies and what taps can find of it."""
    if inside.hanging and rng.random() < 0.7:
        picture = pictures.torn_upside_down(inside, story.share)
        if picture.wet:
            return picture, replace(story, findings=("membrane failed",))
    if inside.hanging:
        full = pictures.flat(inside, inside.height, "torn, full")
        return full, replace(story, share=1.0, findings=("membrane failed", "waterlogged"))
    shown = pictures.flat(inside, pictures.level_of(inside, story.share), "torn, level")
    # Air on top, where it belongs: taps judge its charge alone.
    return shown, replace(story, findings=(*story.findings, "membrane failed"))


def _vessel(
    kind: str,
    shape: Shape,
    inside: Inside,
    truth: tuple[Picture, Story],
    switches: frozenset[str],
    rng: np.random.Generator,
) -> Vessel:
    """Draw what else makes the tank ring: ring, bosses, rubber, losses, strap, feet."""
    picture, story = truth
    clench = (rng.uniform(0.005, 0.010), rng.uniform(1.3, 2.5), float(np.exp(rng.uniform(np.log(2), np.log(20)))))
    touching, thick = rng.uniform(0.3, 1.0), rng.uniform(0.0015, 0.003)
    boss, losses = rng.uniform(2.0, 4.0), rng.uniform(size=3)
    strap, feet = _strap(shape, rng), _feet(shape, rng)
    rubber: tuple[pictures.Span, ...] = ()
    if kind == "bladder" and not story.torn:
        rubber, touching = picture.wet, picture.touch
    elif kind == "diaphragm" and not story.torn and "wall-rubber" in switches:
        rubber = pictures.rubber_spans(picture, inside)
    return Vessel(
        shape=shape,
        connection_on_top=inside.hanging,
        pools=picture.pools,
        rubber=rubber,
        pressure_pa=max(story.inside, 0.0) * 1e5,
        seam=inside.seam if kind == "diaphragm" else None,
        ring=clench if kind == "diaphragm" and "clench-ring" in switches else None,
        boss=boss,
        rubber_m=thick * touching,
        steel_loss=_between(0.0005, 0.003, losses[0]),
        wet_loss=_between(0.001, 0.008, losses[1]),
        rubber_loss=_between(0.03, 0.2, losses[2]),
        strap=strap if "strap" in switches else None,
        feet=feet if "feet" in switches and not inside.hanging else None,
        compressible="compressible" in switches,
    )


def _between(low: float, high: float, part: float) -> float:
    """Go part of the way from one value to another, by ratio."""
    return float(low * (high / low) ** part)


def _strap(shape: Shape, rng: np.random.Generator) -> Strap:
    """Draw a band of 20 to 40 mm at any height of the straight wall or just off it."""
    wide, edge = rng.uniform(0.02, 0.04), shape.head_depth_m
    top = rng.uniform(edge, max(shape.height_m - edge - wide, edge + 0.001))
    return Strap(top, top + wide, rng.uniform(2.0, 10.0), _between(0.05, 0.4, rng.uniform()))


def _feet(shape: Shape, rng: np.random.Generator) -> Feet:
    """Draw three or four feet on the lower head or just above it."""
    depth = shape.height_m - shape.head_depth_m * rng.uniform(0.35, 1.2)
    stiffness = _between(2e5, 2e7, rng.uniform())
    return Feet(int(rng.choice([3, 4])), depth, stiffness, rng.uniform(0.05, 0.3), _between(0.02, 0.3, rng.uniform()))

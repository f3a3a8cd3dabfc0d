"""Tank and story of a simulated visit, drawn from this bench's own distributions.

The boundary is drawn along the tapped line; the water held follows from it, and with a drawn gauge pressure Boyle's
law gives the air that is left, as the pre-charge it would have alone: p0 = p (1 - share), absolute. The papers' charge
and that one make the finding. Everything is cold, so no temperature enters.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.tank.kinds import Tank, TankKind, WaterEnd
from taptest.tank.membrane import water_share_at_depth
from taptest.tank.shape import HeadKind, Shape
from tests.bench.second_model.ringing import Vessel

FloatArray = NDArray[np.float64]

ATMOSPHERE_BAR = 1.013
LEFT = {"healthy": (0.96, 1.04), "low": (0.0, 0.8), "more": (1.25, 3.0)}
"""True charge over that of the papers, absolute, for each story."""


@dataclass(frozen=True, slots=True)
class Story:
    """What is true of the air charge; pressures in gauge bar."""

    noted_charge: float
    true_charge: float
    pressure: float
    share: float
    """Water held over the tank's volume."""
    fault: str
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Case:
    """One tank with its line and its story."""

    vessel: Vessel
    story: Story
    depths_m: FloatArray
    """(P,) depths of the marks on the tape."""
    state: str
    """"found", "all air" or "all water" along the line."""


def draw(rng: np.random.Generator) -> Case:
    """Draw a tank, its line, where the boundary is, and the charge that puts it there."""
    kind: TankKind = rng.choice(["diaphragm", "bladder", "plain"], p=[0.5, 0.25, 0.25]).item()
    water_end: WaterEnd = "top" if kind == "diaphragm" and rng.random() < 0.55 else "bottom"
    shape = _shape(kind, rng)
    depths = _line(shape, rng)
    state, boundary = _boundary(shape, water_end, depths, rng)
    tank = Tank(kind, water_end, shape, shape.volume_m3, seam_depth_m=shape.height_m / 2)
    empty = 0.0 if water_end == "top" else shape.height_m
    share = float(water_share_at_depth(tank, boundary, rng.uniform())) if boundary != empty else 0.0
    if boundary == shape.height_m - empty:
        share = 1.0
    story = _story(kind, share, rng)
    return Case(_vessel(kind, water_end, shape, boundary, story, rng), story, depths, state)


def _shape(kind: str, rng: np.random.Generator) -> Shape:
    """Draw a shell: 200 to 500 mm wide, 270 to 800 mm high, 1.0 to 2.5 mm thick."""
    diameter = rng.uniform(0.2, 0.4) if kind == "diaphragm" else rng.uniform(0.28, 0.5)
    wall = rng.uniform(1.0, 1.7) if diameter < 0.3 else rng.uniform(1.3, 2.5)
    head: HeadKind = rng.choice(["torispherical", "ellipsoidal"]).item()
    slender = rng.uniform(1.15, 1.6) if kind == "diaphragm" else rng.uniform(1.3, 2.0)
    bare = Shape("vertical", diameter, 0.0, head, wall / 1000)
    height = float(np.clip(slender * diameter, 0.27, 0.8))
    return Shape("vertical", diameter, max(height - bare.height_m, 0.04), head, wall / 1000)


def _line(shape: Shape, rng: np.random.Generator) -> FloatArray:
    """Give even marks, the outer ones well down on the heads, in steps of 20 to 40 mm, 10 to 20 of them."""
    first = shape.head_depth_m * rng.uniform(0.35, 0.6)
    span = shape.height_m - first - shape.head_depth_m * rng.uniform(0.35, 0.6)
    low, high = max(10, int(np.ceil(span / 0.040)) + 1), min(20, int(span / 0.020) + 1)
    count = int(rng.integers(low, max(low, high) + 1))
    step = float(np.clip(np.floor(span / (count - 1) * 1000) / 1000, 0.020, 0.040))
    return np.asarray(round(first, 3) + step * np.arange(count))


def _boundary(shape: Shape, water_end: str, depths: FloatArray, rng: np.random.Generator) -> tuple[str, float]:
    """Draw the state and the depth of the boundary: 15 % all air, 10 % all water, else even along the line."""
    chance = rng.random()
    if chance < 0.15:
        return "all air", 0.0 if water_end == "top" else shape.height_m
    if chance < 0.25:
        return "all water", shape.height_m if water_end == "top" else 0.0
    return "found", float(rng.uniform(depths[0] + 0.003, depths[-1] - 0.003))


def _story(kind: str, share: float, rng: np.random.Generator) -> Story:
    """Draw pressure and papers that agree with the water held, by a story if one fits."""
    wanted = rng.choice(["healthy", "low", "more"], p=[0.45, 0.3, 0.25])
    if share == 0.0 and (wanted == "low" or kind == "plain"):
        # Without water a loss of air cannot be told from health, and a plain tank always holds some (tank-kinds.md).
        wanted = "healthy" if wanted == "low" and kind != "plain" else "more"
    for attempt in range(3000):
        noted = rng.uniform(0.5, 1.5)
        if kind == "plain":
            noted = 0.0 if rng.random() < 0.5 else rng.uniform(0.2, 1.0)
        pressure = rng.uniform(0.6, 2.8)
        if share == 0.0 and wanted == "healthy":
            # A tank at its charge or a little below holds no water: any pressure up to the charge is right.
            true = noted * rng.uniform(0.98, 1.02)
            pressure = min(true, noted) - rng.uniform(0.0, 0.3)
            return Story(noted, true, pressure, 0.0, "healthy", ("as expected",))
        true = (pressure + ATMOSPHERE_BAR) * (1 - share)
        left = true / (noted + ATMOSPHERE_BAR)
        if attempt >= 1000:
            wanted = min(LEFT, key=lambda name: abs(np.log(max(left, 0.01) / np.mean(LEFT[name]))))
        if share == 0.0:
            true *= rng.uniform(1.0, 1.4)  # without water the charge is at least the pressure
            left = true / (noted + ATMOSPHERE_BAR)
        low, high = LEFT[wanted]
        if low <= left <= high or (share == 1.0 and pressure > noted):
            return Story(noted, true - ATMOSPHERE_BAR, pressure, share, *_named(left, share))
    raise RuntimeError(f"No pressure agrees with a water share of {share:.3f}.")


def _named(left: float, share: float) -> tuple[str, tuple[str, ...]]:
    """Name the fault, and the findings that would be right, the best first."""
    if left > 1.1:
        return ("no water" if share == 0.0 else "over-charged"), ("more air than expected",)
    if left > 0.9:
        return "healthy", ("as expected",)
    if left < 0.25:
        return "waterlogged", ("waterlogged",) if share > 0.9 else ("waterlogged", "low on air")
    return "slow loss", ("low on air", "waterlogged") if share > 0.7 else ("low on air",)


def _vessel(kind: str, water_end: str, shape: Shape, boundary: float, story: Story, rng: np.random.Generator) -> Vessel:
    """Draw what else makes the tank ring: ring, bosses, rubber, losses."""
    clench = (rng.uniform(0.005, 0.010), rng.uniform(1.3, 2.5), float(np.exp(rng.uniform(np.log(2), np.log(20)))))
    touching = rng.uniform(0.3, 1.0)
    return Vessel(
        shape=shape,
        kind=kind,
        water_end=water_end,
        boundary_m=boundary,
        seam_m=shape.height_m / 2,
        pressure_pa=story.pressure * 1e5,
        ring=clench if kind == "diaphragm" and rng.random() < 0.5 else None,
        boss=rng.uniform(2.0, 4.0),
        rubber_m=rng.uniform(0.002, 0.003) * touching,
        steel_loss=float(np.exp(rng.uniform(np.log(0.0005), np.log(0.003)))),
        wet_loss=float(np.exp(rng.uniform(np.log(0.001), np.log(0.008)))),
        rubber_loss=float(np.exp(rng.uniform(np.log(0.03), np.log(0.2)))),
    )

"""Made-up lines for the tests of the line room: a sweep whose bands carry waves along the line that shift at the water.

No physics: above and below the boundary each band has a wave of its own length, phase and strength, the water's softer.
What the estimators must do with such a line is known exactly.
"""

import numpy as np
from numpy.typing import NDArray

from taptest.line.records import Point
from taptest.shell.records import LevelSweep
from taptest.sound.records import TapTraits
from taptest.sound.traits import BAND_HZ
from taptest.tank.kinds import Tank, WaterEnd
from taptest.tank.shape import Shape

FloatArray = NDArray[np.float64]

HEIGHT_M = 0.5
SPECTRUM = np.zeros(4)


def made_tank(water_end: WaterEnd = "bottom") -> Tank:
    """A standing tank of 0.5 m height."""
    shape = Shape("vertical", 0.3, HEIGHT_M - 0.15, "ellipsoidal", 0.0015)
    return Tank("plain", water_end, shape, shape.volume_m3)


def made_field(level_m: FloatArray, depth_m: FloatArray, seed: int = 5, water_end: WaterEnd = "bottom") -> FloatArray:
    """Levels (L, P, B) for boundaries at `level_m` (L,); NaN first is all air, NaN last all water."""
    rng = np.random.default_rng(seed)
    B = BAND_HZ.size
    wave, phase, strength = rng.uniform(15, 50, (2, B)), rng.uniform(0, 6.3, (2, B)), rng.uniform(2, 6, (2, B))
    stand = np.where(np.isfinite(level_m), level_m, 0.0)
    wet = 1 / (1 + np.exp(-(depth_m[None, :] - stand[:, None]) / 0.008))
    if water_end == "top":
        wet = 1 - wet
    wet = np.where(np.isfinite(level_m)[:, None], wet, np.arange(level_m.size)[:, None] > 0)[:, :, None]
    z = (depth_m[None, :, None] - stand[:, None, None]) * np.isfinite(level_m)[:, None, None]
    z = z + depth_m[None, :, None]
    air = strength[0] * np.cos(wave[0] * z + phase[0])
    water = strength[1] * np.cos(wave[1] * z + phase[1]) - 5.0
    return np.asarray(wet * water + (1 - wet) * air)


def made_sweep(water_end: WaterEnd = "bottom", seed: int = 5, positions: int = 51) -> LevelSweep:
    """A sweep of 33 levels on the made-up field."""
    depth = np.linspace(0.01, HEIGHT_M - 0.01, positions)
    levels = np.linspace(0.03, HEIGHT_M - 0.03, 31)
    if water_end == "bottom":
        levels = levels[::-1]
    every = np.concatenate(([np.nan], levels, [np.nan]))
    return LevelSweep(every, depth, BAND_HZ, made_field(every, depth, seed, water_end))


def made_points(
    level_m: float | None,
    rng: np.random.Generator,
    *,
    noise_db: float = 1.0,
    count: int = 20,
    taps: int = 3,
    water_end: WaterEnd = "bottom",
    all_water: bool = False,
    strength_db: float = 2.0,
) -> list[Point]:
    """Points with the boundary at `level_m` (None: all air, or all water if asked), each tap of another strength."""
    depth = np.linspace(0.02, HEIGHT_M - 0.02, count)
    whole = [np.nan, np.nan] if level_m is None else [level_m, level_m]
    level = made_field(np.array(whole), depth, water_end=water_end)
    row = 1 if all_water else 0
    points = []
    for i, z in enumerate(depth):
        traits = tuple(
            made_traits(
                level[row, i] + strength_db * rng.standard_normal() + noise_db * rng.standard_normal(BAND_HZ.size)
            )
            for _ in range(taps)
        )
        points.append(Point(float(z), traits, taps, 0))
    return points


def made_traits(level_db: FloatArray, noise_db: float = 0.3) -> TapTraits:
    """Traits of one tap with these levels."""
    return TapTraits(
        band_level_db=level_db,
        band_level_sd_db=np.full(level_db.shape, noise_db),
        spectrum_db=SPECTRUM,
    )

"""Draw docs/pictures/sound-maps.png: position against frequency of an all-air, a half-full and an all-water tank.

Run by hand after the model has changed:  python -m tests.shots.sound_maps
The tank is a 300 mm, 1.5 mm, 360 mm bag tank at 1.4 bar, tapped every 15 mm with one light blow, heard without noise
and room; each column of the picture is one frequency, each row one position, brightness is level in decibels.
"""

from pathlib import Path

import matplotlib
import numpy as np
from numpy.typing import NDArray

from taptest.shell.radiation import Place, heard_weights, rings_of
from taptest.shell.records import ShellSpec
from taptest.shell.response import wet_modes
from taptest.simulate.strike import Striker, contact_pulses, plate_impedance, sample_pulses
from taptest.simulate.visits import ring_sum
from taptest.tank.shape import Shape

TARGET = Path(__file__).parents[2] / "docs" / "pictures" / "sound-maps.png"
SHAPE = Shape("vertical", 0.300, 0.205, "ellipsoidal", 0.0015)
RATE_HZ = 16000.0
LEVELS = {"all air": SHAPE.height_m, "half full": SHAPE.height_m / 2.0, "all water": 0.0}
DEPTHS_M = np.arange(0.02, SHAPE.height_m - 0.015, 0.015)
PLACE = Place(0.6, 0.5, 0.12)


def sound_map(level_depth_m: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies (F,) and levels (P, F) in decibels of one blow at each depth."""
    spec = ShellSpec("vertical", SHAPE.diameter_m, SHAPE.straight_m, "ellipsoidal", SHAPE.wall_m, 1.4e5)
    rings = rings_of(SHAPE)
    count = DEPTHS_M.size
    modes = wet_modes(spec, level_depth_m, np.concatenate([DEPTHS_M, rings.depth_m]), 6500.0)
    weights = heard_weights(modes, slice(count, None), rings, PLACE) * np.cos(modes.harmonic * PLACE.angle_rad)
    ring = ring_sum(modes.pole_1_s, modes.shape[:, :count].T * weights, 4096, RATE_HZ)
    pulse = contact_pulses(Striker(0.025, 0.006), np.array([0.4]), plate_impedance(spec.wall_m))
    force = np.fft.rfft(sample_pulses(pulse, RATE_HZ)[0], 4096)
    power = np.abs(np.fft.rfft(ring, 4096, axis=1) * force) ** 2
    smooth = np.apply_along_axis(lambda row: np.convolve(row, np.hanning(9), "same"), 1, power)
    return np.asarray(np.fft.rfftfreq(4096, 1.0 / RATE_HZ), dtype=np.float64), 10.0 * np.log10(smooth + 1e-30)


def main() -> None:
    """Draw and save the picture."""
    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(1, 3, figsize=(12.0, 4.6), sharey=True, layout="constrained")
    maps = {name: sound_map(level) for name, level in LEVELS.items()}
    top = max(float(levels.max()) for _, levels in maps.values())
    for axis, (name, (frequency, levels)) in zip(axes, maps.items(), strict=True):
        drawn = axis.pcolormesh(
            frequency / 1000.0, DEPTHS_M * 1000.0, levels, vmin=top - 55.0, vmax=top, cmap="cividis", shading="nearest"
        )
        if name == "half full":
            axis.axhline(SHAPE.height_m * 500.0, color="white", lw=1.2, ls="--")
            axis.text(
                6.1, SHAPE.height_m * 500.0 - 4.0, "water line", color="white", ha="right", va="bottom", fontsize=9
            )
        axis.set(title=f"{name} (simulated)", xlabel="frequency, kHz", xlim=(0.2, 6.2))
    axes[0].set_ylabel("position, mm below the top")
    axes[0].invert_yaxis()
    figure.colorbar(drawn, ax=axes, label="level, dB", shrink=0.9)
    figure.savefig(TARGET, dpi=110)


if __name__ == "__main__":
    main()

"""Draw docs/pictures/on-site.png: tape and marks on the tank, the striker, and the place of the microphone.

Run by hand after the advice has changed:  python -m tests.shots.on_site
The outline is the project's own meridian of a 280 mm tank, the marks are those that `taptest record` would choose.
"""

from pathlib import Path

import matplotlib
import numpy as np

from taptest.capture.marks import reference_mark, usual_marks
from taptest.report.figures import AIR_MARK, STEEL, UNSURE, WATER, WATER_MARK
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape, meridian

TARGET = Path(__file__).parents[2] / "docs" / "pictures" / "on-site.png"
SHAPE = Shape("vertical", 0.280, 0.240, "ellipsoidal", 0.0015)
SEAM_M = 0.190
TANK = Tank("diaphragm", "top", SHAPE, 0.018, seam_depth_m=SEAM_M)


def outline() -> tuple[np.ndarray, np.ndarray]:
    """Radius and depth of the shell from the top down."""
    line = meridian(SHAPE, 200)
    return line.radius_m, line.axial_m


def draw_tank(axes: matplotlib.axes.Axes, x: float, marks: bool) -> None:
    """Draw the tank with its axis at `x`, hanging from its pipe."""
    radius, depth = outline()
    axes.plot([x - 0.012, x - 0.012], [-0.09, 0], color=STEEL, lw=1.2)
    axes.plot([x + 0.012, x + 0.012], [-0.09, 0], color=STEEL, lw=1.2)
    wet = depth <= 0.12
    axes.fill_betweenx(depth[wet], x - radius[wet], x + radius[wet], color=WATER, lw=0)
    for side in (-1, 1):
        axes.plot(x + side * radius, depth, color=STEEL, lw=1.6)
    axes.plot([x - 0.14, x + 0.14], [SEAM_M, SEAM_M], color=STEEL, lw=3)
    if marks:
        for mark in usual_marks(TANK):
            axes.plot([x + 0.02], [mark], marker="o", ms=5, color=WATER_MARK if mark < 0.12 else AIR_MARK)


def tape_panel(axes: matplotlib.axes.Axes) -> None:
    """Tape, marks, reference and seam."""
    draw_tank(axes, 0.0, marks=True)
    axes.plot([0.21, 0.21], [0, SHAPE.height_m], color="black", lw=1)
    for tick in np.arange(0, SHAPE.height_m, 0.05):
        axes.plot([0.20, 0.21], [tick, tick], color="black", lw=0.8)
        axes.text(0.216, tick, f"{1000 * tick:.0f}", va="center", fontsize=7)
    axes.plot([0.0, 0.2], [0, 0], color="black", lw=0.6, ls=":")
    axes.text(0.29, 0.02, "tape, hanging plumb;\n0 level with the top", fontsize=8, va="center")
    axes.annotate(
        "marks every 25 mm,\none below the other,\naway from welds",
        (0.025, usual_marks(TANK)[1]), (0.29, 0.115), fontsize=8, va="center",
        arrowprops={"arrowstyle": "-", "lw": 0.6},
    )  # fmt: skip
    axes.annotate(
        "seam: keep 30 mm away",
        (0.14, SEAM_M), (0.29, SEAM_M), fontsize=8, va="center", arrowprops={"arrowstyle": "-", "lw": 0.6},
    )  # fmt: skip
    reference = reference_mark(TANK, usual_marks(TANK))
    axes.annotate(
        "reference mark on the air end:\ntapped first, midway and last",
        (0.025, reference), (0.29, reference), fontsize=8, va="center", arrowprops={"arrowstyle": "-", "lw": 0.6},
    )  # fmt: skip
    axes.set(xlim=(-0.18, 0.62), ylim=(0.43, -0.10))
    axes.set_title("1  Tape and marks", loc="left", fontsize=9)


def microphone_panel(axes: matplotlib.axes.Axes) -> None:
    """Striker, hand and microphone, seen from the side."""
    draw_tank(axes, 0.0, marks=False)
    marks = usual_marks(TANK)
    hit = marks[5]
    axes.plot([0.153], [hit], marker="o", ms=9, color=STEEL)
    axes.plot([0.153, 0.155, 0.33], [hit, hit - 0.006, hit - 0.085], color=STEEL, lw=1.4)
    axes.plot([0.31, 0.35], [hit - 0.076, hit - 0.094], color=STEEL, lw=7, solid_capstyle="round")
    axes.annotate("", (0.165, hit), (0.215, hit), arrowprops={"arrowstyle": "->", "lw": 0.8})
    axes.text(0.22, hit, "at right angles to the steel", fontsize=8, va="center")
    axes.text(
        0.19, -0.03, "striker: hard, 20 to 60 g, on a thin handle,\nheld loosely by its end: it springs back",
        fontsize=8, va="center",
    )  # fmt: skip
    axes.fill_between([0.60, 0.86], 0.285, 0.31, color=UNSURE, alpha=0.5, lw=0)
    axes.plot([0.65, 0.78, 0.82], [0.28, 0.28, 0.19], color="black", lw=2.5)
    axes.plot([0.65], [0.272], marker="o", ms=5, color="black")
    axes.text(0.73, 0.135, "laptop, or microphone,\nabout half-way up", fontsize=8, ha="center", va="center")
    axes.text(
        0.73, 0.355, "on something soft; not touched\nuntil the round is over", fontsize=8, ha="center", va="center"
    )
    axes.annotate("", (0.64, 0.235), (0.145, 0.235), arrowprops={"arrowstyle": "<->", "lw": 0.8})
    axes.text(0.37, 0.25, "0.5 to 1 m, the same place\nfor the whole line", fontsize=8, ha="center", va="top")
    axes.plot([-0.17, 0.95], [0.40, 0.40], color=UNSURE, lw=0.8)
    axes.set(xlim=(-0.18, 0.96), ylim=(0.43, -0.10))
    axes.set_title("2  Striker and microphone", loc="left", fontsize=9)


def main() -> None:
    """Draw the picture."""
    matplotlib.use("agg")
    from matplotlib import pyplot

    figure, (left, right) = pyplot.subplots(1, 2, figsize=(10.5, 4.1), width_ratios=[0.8, 1.14])
    tape_panel(left)
    microphone_panel(right)
    for axes in (left, right):
        axes.set_aspect("equal")
        axes.axis("off")
    figure.tight_layout()
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(TARGET, dpi=110, bbox_inches="tight", pad_inches=0.1)


if __name__ == "__main__":
    main()

"""A simulated onset round: one mark tapped at each of many pressures, while the fill is raised or let down.

Goal: the scenes of one tank, pressure by pressure, with the gauge as it is read at each; `simulate.visits` plays them
as one recording session. A tank that rings all over is raised, any other is let down; a hot one has cooled down first.

Conventions as in `simulate.scene`; pressures are gauge pascals.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from taptest.line.onset import onset_mark_m
from taptest.quantities import STANDARD_ATMOSPHERE_PA, parse
from taptest.simulate.later_round import CLEAR_OF_RELIEF_PA, at_pressure, later_scene
from taptest.simulate.scene import Scene, Writer
from taptest.simulate.truth import RoundTruth
from taptest.simulate.visits import Session, SimulatedPoint, play_states
from taptest.simulate.wetted import DRY_SHARE
from taptest.visit.record import RoundState

STEP_PA = 0.05e5
"""Between two readings."""
MOST_STEPS = 16
TAPS = 2
"""At each reading."""
FIRST_TAKE = 10
"""The hand is another one than in the rounds before."""
LOWEST_PA = 0.2e5
READ_SD_PA = 800.0
"""How exactly a hand is read against its last reading: own judgement; the gauge's zero is another matter."""
GRAVITY = 9806.65
"""Pa per metre of water column."""


@dataclass(frozen=True, slots=True)
class OnsetRound:
    """One onset round as recorded."""

    mark_m: float
    """Depth as noted."""
    state: RoundState
    shown_pa: tuple[float, ...]
    """What the gauge shows at each step."""
    points: tuple[SimulatedPoint, ...]
    """One a step."""
    cold: Scene
    """The tank when the round began."""

    @property
    def true_pa(self) -> float:
        """Gauge pressure at which the first water enters."""
        truth = self.cold.truth
        warm = (truth.tank_c + 273.15) / (truth.charged_at_c + 273.15)
        return (truth.precharge_pa + STANDARD_ATMOSPHERE_PA) * warm - STANDARD_ATMOSPHERE_PA

    def section(self, files: Sequence[str]) -> dict[str, Any]:
        """Return the round as a document has it, its sound in these files."""
        write = Writer("psi" in self.cold.tables["readings"]["pressure"])
        entries = [
            {"pressure": write.pressure(max(shown, 0.0)), "file": file}
            for shown, file in zip(self.shown_pa, files, strict=True)
        ]
        return {"name": "onset", "state": self.state, "mark": f"{self.mark_m * 1000:.0f} mm", "onset": entries}

    def truth(self, onsets_s: dict[str, tuple[float, ...]]) -> RoundTruth:
        """Say what is true of it; `onsets_s` are the taps of each file."""
        backing = tuple(point.backing for point in self.points)
        state = "found" if len(set(backing)) > 1 else f"all {backing[0]}"
        return RoundTruth("onset", state, None, backing, onsets_s, onset_bar=round(self.true_pa / 1e5, 4))


def play_onset(scene: Scene, session: Session) -> OnsetRound | None:
    """Play an onset round on a scene; None for a tank that has no clamped membrane, or no room for three steps."""
    tank = scene.tank
    if not tank.clamped or tank.sideways:
        return None
    cold = scene if scene.truth.state == "cold" else later_scene(scene, "hot")[0]
    raised = cold.truth.water_share < DRY_SHARE
    pressures = _pressures(cold, raised)
    if len(pressures) < 3:
        return None
    mark = onset_mark_m(tank)
    rng = np.random.default_rng([scene.seed, 3])
    off = parse("pressure", scene.tables["readings"]["pressure"], "pressure").si - scene.truth.pressure_pa
    shown = [float(pressure + off + READ_SD_PA * rng.standard_normal()) for pressure in pressures]
    points = play_states(_states(cold, pressures, mark), replace(session, taps=TAPS, later_striker=session.striker))
    return OnsetRound(mark, "fill raised" if raised else "let down", tuple(shown), points, cold)


def _states(cold: Scene, pressures: list[float], mark_m: float) -> list[Scene]:
    """Return the tank at each pressure; neighbouring pressures at which nothing differs make one scene."""
    scenes: list[Scene] = []
    for number, pressure in enumerate(pressures):
        each = replace(at_pressure(cold, pressure), positions_m=(mark_m,), take=FIRST_TAKE + number)
        if scenes and (scenes[-1].spec, scenes[-1].wetted) == (each.spec, each.wetted):
            scenes[-1] = replace(scenes[-1], positions_m=(*scenes[-1].positions_m, mark_m))
        else:
            scenes.append(each)
    return scenes


def _pressures(cold: Scene, raised: bool) -> list[float]:
    """Return the true pressures, in the order in which they are set."""
    start = cold.truth.pressure_pa
    if raised:
        highest = cold.story.relief_pa - CLEAR_OF_RELIEF_PA
        return [start + STEP_PA * n for n in range(MOST_STEPS) if start + STEP_PA * n <= highest]
    lowest = max(LOWEST_PA, GRAVITY * cold.story.head_m)
    return [start - STEP_PA * n for n in range(MOST_STEPS) if start - STEP_PA * n >= lowest]

"""The same simulated tank in another state: the fill raised, water let out, heated or cooled.

Goal: a scene like the one it is made from in all that stays (shell, air, membrane, papers, the gauge's zero, the
microphone), with the pressure, the water and the wetted wall of the new state.

Conventions as in `simulate.scene`. A tank that is shut off keeps its water, whatever the system does.
"""

from dataclasses import replace
from typing import Literal, get_args

import numpy as np

from taptest.quantities import STANDARD_ATMOSPHERE_PA, parse
from taptest.simulate.scene import Scene, Truth, Writer, settle, stream
from taptest.simulate.wetted import DRY_SHARE, FULL_SHARE, draw_wetted
from taptest.water.fluids import net_expansion

Step = Literal["raised", "let-down", "hot", "onset"]
STEPS: tuple[Step, ...] = get_args(Step)
"""The last one is no single state: one mark at many pressures (`simulate.onset_round`)."""
STEP_PA = (0.4e5, 0.7e5)
"""By how much the pressure is raised or let down."""
CLEAR_OF_RELIEF_PA = 0.5e5
"""The pressure is not raised nearer to the relief setting than this."""
NO_AIR_PA = 2e3
"""Less air than this pressure at the charge temperature gives way to nothing."""
LEAST_STEP_PA = 0.2e5
"""Where less than this is left below the relief setting, water is let out instead."""
SHARED_ZERO = 0.8
"""Share of the gauge's error, as a standard deviation, that is its zero and the same in both rounds."""
GAUGE_SD_PA = 5e3
LAG = (0.2, 0.6)
"""Part of the way back to the water share before at which a membrane that lags still touches the wall."""


def later_scene(scene: Scene, step: Step) -> tuple[Scene, str]:
    """Return the scene of a second round after a step, and the round's state as a visit names it.

    A raise for which there is no room becomes a let-down; a visit that was hot already is tapped again cold.
    """
    rng = np.random.default_rng([scene.seed, 2, *step.encode()])
    truth, state = _stepped(scene, step, rng)
    tables = {**scene.tables, "readings": _readings(scene, truth, state, rng)}
    return replace(_with_truth(scene, truth), tables=tables, take=scene.take + 1), state


def at_pressure(scene: Scene, pressure_pa: float) -> Scene:
    """Return the scene at another pressure (gauge), all else as it is."""
    truth = _at(scene.truth, pressure_pa + STANDARD_ATMOSPHERE_PA, scene.truth.tank_c, scene.tank.volume_m3)
    return _with_truth(scene, truth)


def _with_truth(scene: Scene, truth: Truth) -> Scene:
    """Return the scene with the water and the wetted wall of another truth of the same tank."""
    share = truth.water_share
    if "membrane-lags" in scene.switches and scene.tank.clamped and DRY_SHARE < share < FULL_SHARE:
        share += float(stream(scene.seed, "lag").uniform(*LAG)) * (scene.truth.water_share - share)
    wetted = draw_wetted(
        stream(scene.seed, "form"),
        scene.tank,
        share,
        torn=truth.fault == "torn membrane",
        bag=scene.wetted.bag,
    )
    spec = replace(scene.spec, pressure_pa=max(truth.shell_pressure_pa, 0.0), water_end=truth.water_end)
    return replace(scene, truth=truth, wetted=wetted, spec=spec)


def _stepped(scene: Scene, step: Step, rng: np.random.Generator) -> tuple[Truth, str]:
    """Return what is true after the step."""
    truth, story = scene.truth, scene.story
    size = float(rng.uniform(*STEP_PA))
    if step == "hot":
        return _other_temperature(scene, rng)
    room = story.relief_pa - CLEAR_OF_RELIEF_PA - truth.pressure_pa
    raised = step == "raised" and room >= LEAST_STEP_PA
    pressure = truth.pressure_pa + min(size, room) if raised else max(truth.pressure_pa - size, 0.3e5)
    return _at(
        truth, pressure + STANDARD_ATMOSPHERE_PA, truth.tank_c, scene.tank.volume_m3
    ), "fill raised" if raised else "let down"


def _at(truth: Truth, pressure_abs: float, tank_c: float, volume_m3: float) -> Truth:
    """Return the truth at another pressure and temperature of the tank, its air as it was."""
    held = (truth.precharge_pa + STANDARD_ATMOSPHERE_PA) * (tank_c + 273.15) / (truth.charged_at_c + 273.15)
    share, shell = truth.water_share, truth.shell_pressure_pa
    if truth.fault != "no water":  # that one is shut off
        share = max(0.0, 1.0 - held / pressure_abs)
        share = 1.0 if share > 0.995 else share
        shell = max(pressure_abs, held) - STANDARD_ATMOSPHERE_PA
    return replace(
        truth,
        pressure_pa=pressure_abs - STANDARD_ATMOSPHERE_PA,
        shell_pressure_pa=shell,
        water_share=share,
        water_m3=share * volume_m3,
        tank_c=tank_c,
    )


def _other_temperature(scene: Scene, rng: np.random.Generator) -> tuple[Truth, str]:
    """Heat a system that was cold, or let one cool down that was hot."""
    truth, story = scene.truth, scene.story
    hot = truth.state == "cold"
    water_c = float(rng.uniform(55.0, story.max_c)) if hot else float(rng.uniform(14.0, 24.0))
    tank_c = float(rng.uniform(26.0, 42.0)) if hot else float(rng.uniform(16.0, 22.0))
    cold_pa = truth.pressure_pa if hot else story.fill_pa
    grown = float(net_expansion(story.fluid, 15.0, water_c)) * story.system_m3 / scene.tank.volume_m3 if hot else 0.0
    charge, fill, relief = (value + STANDARD_ATMOSPHERE_PA for value in (truth.precharge_pa, cold_pa, story.relief_pa))
    _, pressure, _ = settle(charge, fill, relief, grown, (tank_c, truth.charged_at_c))
    if hot and (truth.fault == "no water" or charge < NO_AIR_PA):
        pressure = relief  # nothing takes up the growth
    elif charge < NO_AIR_PA:
        pressure = fill
    after = replace(_at(truth, pressure, tank_c, scene.tank.volume_m3), water_c=water_c, state="hot" if hot else "cold")
    return after, after.state


def _readings(scene: Scene, truth: Truth, state: str, rng: np.random.Generator) -> dict[str, str]:
    """Write what gauge and thermometers show in the new state; the gauge is off by the same zero as before."""
    before = scene.tables["readings"]
    write = Writer("psi" in before["pressure"])
    slack = {"easy": 0.1, "field": 1.0, "hard": 1.5}[scene.difficulty]
    off = parse("pressure", before["pressure"], "pressure").si - scene.truth.pressure_pa
    again = SHARED_ZERO**2 * off + float(np.sqrt(1 - SHARED_ZERO**4)) * slack * GAUGE_SD_PA * rng.standard_normal()
    written = {"pressure": write.pressure(truth.pressure_pa + float(again))}
    if state in ("cold", "hot"):
        written["water_temperature"] = write.temperature(truth.water_c + 1.5 * slack * float(rng.standard_normal()))
        written["state"] = state
        if "tank_temperature" in before:
            written["tank_temperature"] = write.temperature(truth.tank_c + 2.0 * slack * float(rng.standard_normal()))
    return written

"""The demonstration: six simulated visits to one invented tank.

The story is told in recordings_demo/README.md: a bag tank of 35 l, standing in the cellar of an invented workshop
building, is met in five states, and once on a day that is too loud. Each visit is made by physics like those of
`simulate.scene`, only with its numbers chosen and not drawn: true charge, cold fill pressure, and how far the heating
water has grown. Days and charges as left fit one story: the tank loses 1 bar a year all along. Same conventions as
there.
"""

from dataclasses import dataclass, field, replace
from datetime import date

from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.simulate.scene import Fault, Scene, Story, scene_of, settle, stream, truth_from
from taptest.simulate.visits import Session, SimulatedVisit, draw_session, play
from taptest.simulate.wetted import bag_on_wall
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from taptest.water.fluids import WATER

SITE, NAME, TECHNICIAN = "Weaver Lane workshops", "Cellar", "J. Sample"
_SHAPE = Shape("vertical", 0.320, 0.345, "ellipsoidal", 0.0016)
TANK = Tank("bladder", "bottom", _SHAPE, _SHAPE.volume_m3, name=NAME)
NOMINAL_PA, RELIEF_PA, HEAD_M, MAX_C = 1.0e5, 3.0e5, 7.0, 75.0
SYSTEM_M3 = 0.36
MARKS_M = tuple(round(0.045 + 0.030 * number, 3) for number in range(15))
SEED = 411


@dataclass(frozen=True, slots=True)
class Chapter:
    """One visit of the story."""

    name: str
    day: date
    fault: Fault
    charge_pa: float
    """True pre-charge, gauge."""
    fill_pa: float
    """Cold pressure, gauge."""
    grown: float
    """How much the water has grown since it was cold, in tank volumes; 0 on a cold visit."""
    left: dict[str, str] = field(default_factory=dict)
    """What the technician noted as left, as in the document of a visit."""
    findings: tuple[str, ...] = ()
    """Right findings where they differ from those of the fault."""
    observed: dict[str, str] = field(default_factory=dict)
    """What the technician noted as seen."""
    tap_to_noise_db: float = 27.0
    one_walk: bool = False
    """Whether the line was recorded in one file and not one a point."""


_PUMPED = "Isolated, drained, pumped up, put back; tapped again: the water stands low, as it should."
_OVERDONE = "Isolated, drained and pumped up. The gauge at the pump read 1.75 bar."
_LET_OFF = "Isolated, drained, air let off, put back; tapped again."
CHAPTERS: tuple[Chapter, ...] = (
    Chapter("1-healthy-hot", date(2023, 1, 9), "healthy", 1.0e5, 1.2e5, 0.20),
    Chapter("2-healthy-cold", date(2023, 1, 10), "healthy", 1.0e5, 1.0e5, 0.0, observed={"weight": "light"}),
    Chapter(
        "3-low-on-air",
        date(2023, 9, 19),
        "slow loss",
        0.30e5,
        1.2e5,
        0.0,
        {"pressure": "1.20 bar", "precharge": "1.0 bar", "work": _PUMPED},
        one_walk=True,
    ),
    Chapter(
        "4-waterlogged",
        date(2025, 7, 7),
        "waterlogged",
        -0.80e5,
        1.2e5,
        0.0,
        {"pressure": "1.20 bar", "precharge": "1.75 bar", "work": _OVERDONE},
    ),
    Chapter(
        "5-over-charged",
        date(2025, 7, 10),
        "over-charged",
        1.75e5,
        1.2e5,
        0.20,
        {"pressure": "1.20 bar", "water_temperature": "20 C", "precharge": "1.0 bar", "work": _LET_OFF},
    ),
    Chapter(
        "6-too-noisy", date(2026, 3, 23), "slow loss", 0.30e5, 1.2e5, 0.0, {}, ("cannot tell",), tap_to_noise_db=-4.0
    ),
)


def play_chapter(number: int) -> SimulatedVisit:
    """Simulate one visit of the story, counted from 0."""
    scene, session = chapter_scene(number)
    return play(scene, session)


def chapter_scene(number: int) -> tuple[Scene, Session]:
    """Scene and session of one visit of the story, counted from 0."""
    chapter = CHAPTERS[number]
    hot = chapter.grown > 0.0
    tank_c, water_c = (32.0, 68.0) if hot else (18.0, 17.0)
    charge, fill, relief = (p + STANDARD_ATMOSPHERE_PA for p in (chapter.charge_pa, chapter.fill_pa, RELIEF_PA))
    share, pressure, shell = settle(charge, fill, relief, chapter.grown, (tank_c, 20.0))
    if not hot:
        share = 0.0 if share < 0.01 else share
    settled = (chapter.charge_pa, share, pressure, shell)
    truth = truth_from(stream(SEED, "story"), TANK, chapter.fault, settled, (tank_c, water_c, hot), NOMINAL_PA)
    if chapter.findings:
        truth = replace(truth, findings=chapter.findings)
    story = Story(truth, WATER, SYSTEM_M3, RELIEF_PA, 1.2e5, NOMINAL_PA, HEAD_M, MAX_C)
    wetted = bag_on_wall(TANK, truth.water_share, mixing=0.3)
    # One tank, one striker, one place for the microphone, the same marks: only blows and noise differ by visit.
    scene = replace(scene_of(SEED, "field", (), TANK, story, wetted), positions_m=MARKS_M)
    session = replace(draw_session(scene), tap_to_noise_db=chapter.tap_to_noise_db, rate_hz=48000.0)
    return replace(scene, seed=SEED + number, tables=_papers(scene, chapter)), session


def _papers(scene: Scene, chapter: Chapter) -> dict[str, dict[str, str]]:
    """Return the same papers at every visit; only gauge and thermometers are read again, and other things done."""
    truth = scene.truth
    return {
        "visit": {"site": SITE, "technician": TECHNICIAN},
        "tank": {
            "name": NAME,
            "kind": "bladder",
            "axis": "vertical",
            "water_end": "bottom",
            "volume": "35 l",
            "diameter": "320 mm",
            "height": f"{TANK.shape.height_m * 1000.0:.0f} mm",
            "wall": "1.6 mm",
            "head": "ellipsoidal",
            "precharge": "1.0 bar",
            "charged_at": "20 C",
        },
        "system": {
            "fluid": "water",
            "volume": "360 l",
            "relief": "3.0 bar",
            "fill": "1.2 bar",
            "max_temperature": f"{MAX_C:.0f} C",
            "static_head": "7 m",
        },
        "readings": {
            "pressure": f"{round(truth.pressure_pa / 5e3) * 0.05:.2f} bar",
            "water_temperature": f"{truth.water_c:.0f} C",
            "tank_temperature": f"{truth.tank_c:.0f} C",
            "gauge_error": "0.1 bar",
            "state": truth.state,
        },
        "observations": chapter.observed,
        "as_left": chapter.left,
    }

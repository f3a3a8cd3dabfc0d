"""The table of causes of a relief valve that opens: how common each is, and how likely each answer is under each.

Three readable tables: `PRIORS` (one figure a cause), `TANK` (what is true of the tank under each cause) and `EVIDENCE`
(one row of likelihoods a cause and answer); docs/causes.md prints them. All figures are common practice or our own
judgement, no source. None is so small that one answer rules a cause out. Numbers without a unit are probabilities.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.finding.records import FindingCode

FloatArray = NDArray[np.float64]

PRIORS: dict[str, float] = {
    "waterlogged tank": 0.17,
    "lost pre-charge": 0.18,
    "over-charged tank": 0.03,
    "tank too small": 0.09,
    "tank isolated or its line plugged": 0.03,
    "fill valve creeping": 0.08,
    "fill pressure set too high": 0.05,
    "leaking coil or plate": 0.04,
    "mains expansion through the fill": 0.03,
    "high-limit fault": 0.03,
    "dirt or wear at the relief valve's seat": 0.08,
    "gauge error": 0.03,
    "pump location": 0.02,
    "relief valve weak or of the wrong rating": 0.02,
    "check, zone or flow valve before the tank": 0.02,
    "kettling in the boiler": 0.02,
    "fill left open or connected": 0.02,
    "too little room under the relief setting": 0.02,
    "filled below the pre-charge": 0.01,
    "system extended or refilled": 0.03,
}
"""How common each cause is before anything is known: own judgement, no source."""


WRONG_ANSWER = 0.03
"""Probability that an answer is a slip and may be any: no answer alone rules a cause out. Own judgement, no source."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece of evidence: its answers, what they say, how to get it, and how likely each is under each cause."""

    name: str
    says: Mapping[str, str]
    """Answer -> the clause that stands in a "because"."""
    check: str
    """What to do to get it, one sentence."""
    minutes: float
    """Work it takes: own judgement."""
    usual: tuple[float, ...]
    """Likelihood of the answers under every cause that `under` does not name."""
    under: Mapping[str, tuple[float, ...]]
    risk_minutes: float = 0.0
    """What its danger is worth in minutes of work: heat, pressure, air let out; own judgement, no source."""
    of_the_valve: bool = False
    """Whether it is of the relief valve itself, so that a worn seat shows in it beside any other cause."""

    @property
    def answers(self) -> tuple[str, ...]:
        """The allowed answers, in the order of the likelihoods."""
        return tuple(self.says)

    @property
    def price(self) -> float:
        """Minutes of work with the danger counted in."""
        return self.minutes + self.risk_minutes

    def likelihoods(self) -> FloatArray:
        """(causes, answers) in the order of `PRIORS` and `answers`."""
        rows = np.array([self.under.get(cause, self.usual) for cause in PRIORS])
        return np.asarray((1 - WRONG_ANSWER) * rows + WRONG_ANSWER / rows.shape[1])


_WATERLOGGED, _LOST, _OVER, _SMALL, _ISOLATED, _CREEP, _FILL, _COIL, _MAINS, _LIMIT, *_OTHERS = PRIORS
_DIRT, _GAUGE, _PUMP, _WEAK, _BETWEEN, _KETTLING, _LEFT_OPEN, _NO_ROOM, _UNDER, _CHANGED = _OTHERS
"""The causes by short names."""

WORN_SEAT = _DIRT
"""The cause that comes on top of others: a valve that has lifted may not reseat."""

TANK_STATES: tuple[FindingCode, ...] = (
    "as expected",
    "low on air",
    "waterlogged",
    "more air than expected",
    "membrane failed",
)
"""What may be true of the tank, in the order of the rows of `TANK`; one too small has the right charge."""

USUAL_TANK = (0.79, 0.11, 0.03, 0.05, 0.02)
"""What is true of the tank where a cause has nothing to do with it; own judgement, no source."""

TANK: Mapping[str, tuple[float, ...]] = {
    _WATERLOGGED: (0.02, 0.12, 0.71, 0.01, 0.14),
    _LOST: (0.08, 0.82, 0.07, 0.01, 0.02),
    _OVER: (0.08, 0.02, 0.01, 0.87, 0.02),
    _ISOLATED: (0.30, 0.08, 0.04, 0.56, 0.02),
    _BETWEEN: (0.70, 0.10, 0.03, 0.15, 0.02),
    _UNDER: (0.60, 0.05, 0.02, 0.31, 0.02),
}
"""What is true of the tank under a cause, where that is not the usual; own judgement, no source."""

SOUND = ("sound when cold", "sound when hot")
"""What the taps say where somebody enters it by hand; a judged visit enters `TANK` by its probabilities instead."""

_SOUNDS = {
    "dull all over": "the tank sounds dull all over",
    "more water than expected": "the water stands further than the stated pre-charge allows",
    "as expected": "the taps find the water where it is expected",
    "less water than expected": "the tank holds less water than expected",
    "inverted": "the tank rings at the water end and is dull at the air end",
}
_USUAL_SOUND = (0.03, 0.08, 0.83, 0.05, 0.01)
"""Probabilities of what the taps say where a cause does not touch the tank; own judgement, no source."""

EVIDENCE: tuple[Evidence, ...] = (
    Evidence(
        "drips",
        {
            "hot": "the valve drips when the system is hot",
            "cold": "the valve drips when the system is cold",
            "after topping up": "the valve drips after topping up",
            "when the pump starts": "the valve drips when the pump starts",
            "all the time": "the valve drips all the time",
        },
        "Ask whether the relief valve drips hot, cold, after topping up or when the pump starts.",
        1,
        (0.85, 0.02, 0.06, 0.02, 0.05),
        {
            _CREEP: (0.15, 0.35, 0.10, 0.02, 0.38),
            _FILL: (0.45, 0.12, 0.25, 0.03, 0.15),
            _COIL: (0.12, 0.38, 0.05, 0.02, 0.43),
            _MAINS: (0.20, 0.40, 0.05, 0.02, 0.33),
            _DIRT: (0.30, 0.15, 0.05, 0.02, 0.48),
            _GAUGE: (0.50, 0.10, 0.10, 0.05, 0.25),
            _PUMP: (0.25, 0.03, 0.04, 0.63, 0.05),
            _WEAK: (0.70, 0.06, 0.08, 0.02, 0.14),
            _LEFT_OPEN: (0.15, 0.22, 0.40, 0.02, 0.21),
            _NO_ROOM: (0.80, 0.04, 0.11, 0.02, 0.03),
            _CHANGED: (0.70, 0.04, 0.20, 0.02, 0.04),
        },
        of_the_valve=True,
    ),
    Evidence(
        "pressure rises",
        {
            "only with heat": "the pressure rises only with heat",
            "heat off, fill open": "the pressure rises with the heat off and the fill valve open only",
            "heat off, fill closed": "the pressure rises with the heat off and the fill valve closed",
            "not at all": "the pressure does not rise",
        },
        "With the heat off, watch the gauge for half an hour with the fill valve open, then for half an hour with it"
        " closed.",
        20,
        (0.93, 0.03, 0.01, 0.03),
        {
            _CREEP: (0.05, 0.88, 0.02, 0.05),
            _FILL: (0.60, 0.08, 0.02, 0.30),
            _COIL: (0.04, 0.06, 0.86, 0.04),
            _MAINS: (0.15, 0.75, 0.02, 0.08),
            _DIRT: (0.25, 0.03, 0.02, 0.70),
            _GAUGE: (0.30, 0.03, 0.02, 0.65),
            _PUMP: (0.30, 0.03, 0.02, 0.65),
            _LEFT_OPEN: (0.05, 0.85, 0.02, 0.08),
            _WEAK: (0.70, 0.03, 0.02, 0.25),
        },
    ),
    Evidence(
        "cold pressure",
        {
            "normal": "the cold pressure is what the height of the system needs",
            "high": "the cold pressure is well above what the height of the system needs",
            "low": "the cold pressure is below what the height of the system needs",
        },
        "Compare the cold pressure with the height to the highest emitter: 1 bar for 10.2 m (1 psi for 2.31 ft), and"
        " 0.3 bar (5 psi) on top.",
        2,
        (0.85, 0.08, 0.07),
        {
            _CREEP: (0.35, 0.62, 0.03),
            _FILL: (0.05, 0.93, 0.02),
            _COIL: (0.35, 0.62, 0.03),
            _MAINS: (0.50, 0.47, 0.03),
            _GAUGE: (0.40, 0.35, 0.25),
            _LEFT_OPEN: (0.30, 0.67, 0.03),
            _UNDER: (0.40, 0.03, 0.57),
            _CHANGED: (0.65, 0.20, 0.15),
        },
    ),
    Evidence(
        "hot pressure",
        {
            "as forecast": "the hot pressure is as forecast for the stated pre-charge",
            "as forecast with the estimated pre-charge": "the hot pressure fits the estimated pre-charge",
            "far above the forecast": "the hot pressure is far above the forecast",
        },
        "Shut the fill valve, fire up, and compare the hot pressure with the forecast.",
        25,
        (0.85, 0.08, 0.07),
        {
            _WATERLOGGED: (0.05, 0.13, 0.82),
            _LOST: (0.12, 0.75, 0.13),
            _OVER: (0.20, 0.50, 0.30),
            _ISOLATED: (0.05, 0.05, 0.90),
            _CREEP: (0.50, 0.10, 0.40),
            _COIL: (0.45, 0.10, 0.45),
            _MAINS: (0.50, 0.10, 0.40),
            _GAUGE: (0.30, 0.20, 0.50),
            _PUMP: (0.70, 0.10, 0.20),
            _BETWEEN: (0.10, 0.05, 0.85),
            _KETTLING: (0.55, 0.08, 0.37),
            _LEFT_OPEN: (0.45, 0.10, 0.45),
            _CHANGED: (0.60, 0.10, 0.30),
            _LIMIT: (0.70, 0.08, 0.22),
        },
        risk_minutes=10,
    ),
    Evidence(
        "sound when cold",
        _SOUNDS,
        "Tap along the cold tank and compare the level with the expected one.",
        6,
        _USUAL_SOUND,
        {
            _WATERLOGGED: (0.80, 0.10, 0.02, 0.02, 0.06),
            _LOST: (0.06, 0.77, 0.13, 0.03, 0.01),
            _OVER: (0.01, 0.03, 0.90, 0.05, 0.01),
            _ISOLATED: (0.04, 0.10, 0.80, 0.05, 0.01),
            _BETWEEN: (0.03, 0.08, 0.83, 0.05, 0.01),
        },
    ),
    Evidence(
        "sound when hot",
        _SOUNDS,
        "Tap along the hot tank and compare the level with the expected one.",
        25,
        _USUAL_SOUND,
        {
            _WATERLOGGED: (0.80, 0.10, 0.02, 0.02, 0.06),
            _LOST: (0.06, 0.80, 0.09, 0.04, 0.01),
            _OVER: (0.01, 0.03, 0.15, 0.80, 0.01),
            _ISOLATED: (0.04, 0.10, 0.35, 0.50, 0.01),
            _BETWEEN: (0.03, 0.08, 0.55, 0.33, 0.01),
            _UNDER: (0.03, 0.08, 0.50, 0.38, 0.01),
        },
        risk_minutes=10,
    ),
    Evidence(
        "water at the air valve",
        {"yes": "water comes from the air valve", "no": "the air valve gives air only"},
        "Cold, with cap and a spare core at hand and your face away, press the pin of the tank's air valve for an"
        " instant: water there means that the membrane has failed. Each press lets air out: note it.",
        5,
        (0.02, 0.98),
        {_WATERLOGGED: (0.75, 0.25)},
        risk_minutes=20,
    ),
    Evidence(
        "weight",
        {"heavy": "the tank feels full of water", "light": "the tank feels light"},
        "Push the tank a little: feel whether it is heavy or light.",
        1,
        (0.10, 0.90),
        {_WATERLOGGED: (0.90, 0.10), _LOST: (0.35, 0.65)},
    ),
    Evidence(
        "level from cold to hot",
        {"moves": "the level moves from cold to hot", "stays": "the level does not move from cold to hot"},
        "Tap again when the system is hot and see whether the level has moved.",
        25,
        (0.92, 0.08),
        {_WATERLOGGED: (0.15, 0.85), _OVER: (0.40, 0.60), _ISOLATED: (0.04, 0.96), _BETWEEN: (0.30, 0.70)},
        risk_minutes=10,
    ),
    Evidence(
        "warm-up",
        {
            "even rise": "the pressure rises evenly through the warm-up",
            "sharp at once": "the pressure rises sharply as soon as the water warms",
            "steep, then slow": "the pressure rises steeply to the pre-charge and slowly from there",
        },
        "Fire up and write down pressure and temperature every few minutes.",
        20,
        (0.86, 0.09, 0.05),
        {
            _WATERLOGGED: (0.30, 0.62, 0.08),
            _OVER: (0.12, 0.10, 0.78),
            _ISOLATED: (0.04, 0.91, 0.05),
            _BETWEEN: (0.15, 0.80, 0.05),
            _UNDER: (0.25, 0.05, 0.70),
        },
        risk_minutes=10,
    ),
    Evidence(
        "forecast",
        {
            "stays below": "the forecast stays below the relief setting",
            "reaches the relief setting": "with level and pre-charge in order, the forecast reaches the relief setting",
        },
        "Enter the system's volume, highest temperature and relief setting, so that the hot pressure can be forecast.",
        3,
        (0.88, 0.12),
        {
            _SMALL: (0.05, 0.95),
            _FILL: (0.40, 0.60),
            _LIMIT: (0.80, 0.20),
            _NO_ROOM: (0.12, 0.88),
            _CHANGED: (0.25, 0.75),
        },
    ),
    Evidence(
        "fill set too high",
        {"yes": "the fill valve is set above what the height needs", "no": "the fill valve is set as the height needs"},
        "Read the setting of the fill valve, or close it and see whether the pressure was set by hand.",
        3,
        (0.06, 0.94),
        {_FILL: (0.85, 0.15), _CREEP: (0.20, 0.80), _LEFT_OPEN: (0.20, 0.80)},
    ),
    Evidence(
        "potable supply shut",
        {
            "rise stops": "the rise stops when the potable supply is shut",
            "rise goes on": "the rise goes on with the potable supply shut",
        },
        "With heat off and fill closed, shut the potable supply of the coil or plate and see whether the rise stops.",
        15,
        (0.06, 0.94),
        {_COIL: (0.92, 0.08), _MAINS: (0.50, 0.50), _CREEP: (0.20, 0.80), _LEFT_OPEN: (0.20, 0.80)},
        risk_minutes=5,
    ),
    Evidence(
        "domestic heating or draw",
        {
            "pressure moves with it": "the pressure creeps in step with domestic heating or draw",
            "no change": "the pressure does not move with domestic heating or draw",
        },
        "Watch the gauge while domestic hot water is heated and drawn.",
        10,
        (0.03, 0.97),
        {_MAINS: (0.92, 0.08), _COIL: (0.25, 0.75), _CREEP: (0.15, 0.85)},
    ),
    Evidence(
        "temperature",
        {
            "within the limit": "the temperature stays within the limit",
            "above the limit": "the temperature goes above the limit",
        },
        "Read the highest water temperature and compare it with the high limit.",
        2,
        (0.98, 0.02),
        {_LIMIT: (0.04, 0.96), _KETTLING: (0.75, 0.25)},
    ),
    Evidence(
        "valve drips at",
        {
            "near its setting": "the valve drips near its setting",
            "well below its setting": "the valve drips at a pressure well below its setting",
        },
        "Read the pressure while the valve drips and compare it with its setting less 0.2 bar or 3 psi.",
        2,
        (0.93, 0.07),
        {_DIRT: (0.06, 0.94), _GAUGE: (0.35, 0.65), _PUMP: (0.50, 0.50), _WEAK: (0.10, 0.90)},
        of_the_valve=True,
    ),
    Evidence(
        "second gauge",
        {"agrees": "a second gauge agrees", "disagrees": "a second gauge disagrees"},
        "Put a second gauge on a drain cock and compare.",
        5,
        (0.97, 0.03),
        {_GAUGE: (0.05, 0.95)},
        risk_minutes=2,
    ),
    Evidence(
        "gauge when open",
        {"zero": "the gauge shows zero when open", "not zero": "the gauge does not show zero when open"},
        "Isolate the gauge, open it to the air and see whether it shows zero.",
        8,
        (0.97, 0.03),
        {_GAUGE: (0.25, 0.75)},
        risk_minutes=10,
    ),
    Evidence(
        "pump start",
        {
            "pressure jumps": "the pressure jumps by the pump's head when the pump starts",
            "no change": "the pressure does not change when the pump starts",
        },
        "Switch the pump off and on and watch the gauge.",
        3,
        (0.03, 0.97),
        {_PUMP: (0.95, 0.05)},
    ),
    Evidence(
        "valve before the tank",
        {"open": "the valve before the tank is open", "shut": "the valve before the tank is shut"},
        "Look at the valve before the tank: see whether it is open and whether its handle turns freely.",
        2,
        (0.98, 0.02),
        {_ISOLATED: (0.35, 0.65)},
    ),
    Evidence(
        "valve between boiler and tank",
        {
            "none": "nothing between boiler and tank can shut",
            "may shut": "a check, zone or flow valve stands between boiler and tank",
        },
        "Follow the pipe from the boiler to the tank and look for a check, zone or flow valve that can shut.",
        5,
        (0.93, 0.07),
        {_BETWEEN: (0.04, 0.96), _ISOLATED: (0.85, 0.15)},
    ),
    Evidence(
        "relief valve's rating",
        {
            "as the papers ask": "the relief valve's rating is what the boiler's papers ask for",
            "lower or none to read": "the relief valve's rating is too low for the boiler's papers, or cannot be read",
        },
        "Read the rating on the relief valve's plate and compare it with the boiler's papers.",
        2,
        (0.97, 0.03),
        {_WEAK: (0.40, 0.60), _NO_ROOM: (0.85, 0.15)},
        of_the_valve=True,
    ),
    Evidence(
        "room under the relief setting",
        {
            "enough": "between the height's pressure and the relief setting there is room to expand",
            "little": "the height of the system takes up most of the relief setting",
        },
        "Compare the pressure that the height needs with the relief setting: more than six tenths of it is too much.",
        2,
        (0.95, 0.05),
        {_NO_ROOM: (0.06, 0.94)},
    ),
    Evidence(
        "boiler's noise",
        {"quiet": "the boiler runs quietly", "bangs or rumbles": "the boiler bangs or rumbles when it fires"},
        "Ask whether the boiler bangs or rumbles like a kettle when it fires.",
        1,
        (0.97, 0.03),
        {_KETTLING: (0.04, 0.96), _LIMIT: (0.55, 0.45)},
    ),
    Evidence(
        "fill between top-ups",
        {"shut": "the fill is shut between top-ups", "open": "the fill was left open or connected after topping up"},
        "Look whether the fill, its fast-fill lever or a filling hose was left open or connected.",
        1,
        (0.93, 0.07),
        {_LEFT_OPEN: (0.03, 0.97), _CREEP: (0.60, 0.40), _MAINS: (0.60, 0.40), _FILL: (0.80, 0.20)},
    ),
    Evidence(
        "fill against the pre-charge",
        {
            "at or above it": "the cold pressure lies at or above the pre-charge",
            "below it": "the cold pressure lies below the pre-charge",
        },
        "Compare the cold pressure with the pre-charge on the plate: the tank takes water only above its charge.",
        2,
        (0.94, 0.06),
        {_UNDER: (0.04, 0.96), _OVER: (0.35, 0.65), _GAUGE: (0.80, 0.20)},
    ),
    Evidence(
        "pressure against the fill setting",
        {
            "at it": "the cold pressure stands at the fill valve's setting",
            "above it": "the cold pressure stands above the fill valve's setting",
            "below it": "the cold pressure stands below the fill valve's setting",
        },
        "Cold, compare the pressure with the fill valve's setting.",
        2,
        (0.84, 0.08, 0.08),
        {
            _CREEP: (0.22, 0.75, 0.03),
            _COIL: (0.30, 0.67, 0.03),
            _MAINS: (0.42, 0.55, 0.03),
            _LEFT_OPEN: (0.25, 0.72, 0.03),
            _GAUGE: (0.45, 0.30, 0.25),
            _CHANGED: (0.65, 0.20, 0.15),
        },
    ),
    Evidence(
        "work on the system",
        {
            "none lately": "nothing was done to the system lately",
            "extended": "the system was extended lately",
            "drained and refilled": "the system was drained and refilled lately",
        },
        "Ask whether radiators or a store were added, or the system was drained and refilled, before the valve opened.",
        1,
        (0.84, 0.03, 0.13),
        {
            _CHANGED: (0.04, 0.56, 0.40),
            _ISOLATED: (0.40, 0.08, 0.52),
            _LEFT_OPEN: (0.45, 0.05, 0.50),
            _FILL: (0.60, 0.08, 0.32),
            _OVER: (0.55, 0.05, 0.40),
        },
    ),
    Evidence(
        "water is added",
        {
            "hardly ever": "water is hardly ever added by hand",
            "every few months": "water is added every few months",
            "every week or two": "water is added every week or two",
        },
        "Ask how often water is added, and read how many litres on a meter.",
        1,
        (0.35, 0.45, 0.20),
        {
            _WATERLOGGED: (0.14, 0.43, 0.43),
            _LOST: (0.22, 0.48, 0.30),
            _CREEP: (0.88, 0.09, 0.03),
            _COIL: (0.90, 0.08, 0.02),
            _MAINS: (0.82, 0.13, 0.05),
            _LEFT_OPEN: (0.84, 0.10, 0.06),
            _DIRT: (0.22, 0.38, 0.40),
        },
    ),
)
"""The likelihood table: common practice or own judgement, no source."""

BY_NAME = {evidence.name: evidence for evidence in EVIDENCE}


def table_markdown() -> str:
    """All tables as Markdown, as docs/causes.md prints them."""
    lines = ["| cause | before anything is known |", "|---|---|"]
    lines += [f"| {cause} | {share:.2f} |" for cause, share in PRIORS.items()]
    lines += ["", "### the tank itself", "", "| cause | " + " | ".join(TANK_STATES) + " |"]
    lines += ["|---" * (len(TANK_STATES) + 1) + "|"]
    lines += [_row(cause, row) for cause, row in TANK.items()]
    lines.append(_row("every other cause", USUAL_TANK))
    for e in EVIDENCE:
        risk = f", danger counted as {e.risk_minutes:g} more" if e.risk_minutes else ""
        lines += ["", f"### {e.name} ({e.minutes:g} min{risk})", "", e.check, ""]
        lines += ["| cause | " + " | ".join(e.answers) + " |", "|---" * (len(e.answers) + 1) + "|"]
        lines += [_row(cause, row) for cause, row in e.under.items()]
        lines.append(_row("every other cause", e.usual))
    return "\n".join(lines) + "\n"


def _row(cause: str, row: tuple[float, ...]) -> str:
    return f"| {cause} | " + " | ".join(f"{p:.2f}" for p in row) + " |"

"""Ranked causes of a relief valve that opens, by Bayes' rule from the evidence at hand, and the check that tells most.

All figures stand in two readable tables, `PRIORS` (one a cause) and `EVIDENCE` (one row of likelihoods an answer);
docs/causes.md prints both. They are common practice or our own judgement, no source. Evidence that is missing is
simply missing. Pieces of evidence are taken as independent given the cause. `probabilities` are over the thirteen
causes and sum to one.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.errors import VisitError
from taptest.finding.records import Cause

FloatArray = NDArray[np.float64]

PRIORS: dict[str, float] = {
    "waterlogged tank": 0.20,
    "lost pre-charge": 0.22,
    "over-charged tank": 0.03,
    "tank too small": 0.10,
    "tank isolated or its line plugged": 0.03,
    "fill valve creeping": 0.10,
    "fill pressure set too high": 0.06,
    "leaking coil or plate": 0.05,
    "mains expansion through the fill": 0.04,
    "high-limit fault": 0.04,
    "dirt or wear at the relief valve's seat": 0.08,
    "gauge error": 0.03,
    "pump location": 0.02,
}
"""How common each cause is before anything is known: own judgement, no source."""

CLAIMED_FROM = 0.6
"""A cause is claimed only from this probability on."""

SPEAKS_FROM = 1.3
"""An observation speaks for a cause where it makes it that many times likelier, and against it the other way."""


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

    @property
    def answers(self) -> tuple[str, ...]:
        """The allowed answers, in the order of the likelihoods."""
        return tuple(self.says)

    def likelihoods(self) -> FloatArray:
        """(causes, answers) in the order of `PRIORS` and `answers`."""
        return np.array([self.under.get(cause, self.usual) for cause in PRIORS])


_WATERLOGGED, _LOST, _OVER, _SMALL, _ISOLATED, _CREEP, _FILL, _COIL, _MAINS, _LIMIT, _DIRT, _GAUGE, _PUMP = PRIORS

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
        },
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
        },
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
        },
    ),
    Evidence(
        "water at the air valve",
        {"yes": "water comes from the air valve", "no": "the air valve gives air only"},
        "Cold, with cap and a spare core at hand and your face away, press the pin of the tank's air valve for an"
        " instant: water there means that the membrane has failed. Each press lets air out: note it.",
        5,
        (0.02, 0.98),
        {_WATERLOGGED: (0.75, 0.25)},
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
        {_WATERLOGGED: (0.15, 0.85), _OVER: (0.40, 0.60), _ISOLATED: (0.04, 0.96)},
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
        },
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
        {_SMALL: (0.05, 0.95), _FILL: (0.40, 0.60), _LIMIT: (0.80, 0.20)},
    ),
    Evidence(
        "fill set too high",
        {"yes": "the fill valve is set above what the height needs", "no": "the fill valve is set as the height needs"},
        "Read the setting of the fill valve, or close it and see whether the pressure was set by hand.",
        3,
        (0.06, 0.94),
        {_FILL: (0.85, 0.15), _CREEP: (0.20, 0.80)},
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
        {_COIL: (0.92, 0.08), _MAINS: (0.50, 0.50), _CREEP: (0.20, 0.80)},
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
        {_LIMIT: (0.04, 0.96)},
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
        {_DIRT: (0.06, 0.94), _GAUGE: (0.35, 0.65), _PUMP: (0.50, 0.50)},
    ),
    Evidence(
        "second gauge",
        {"agrees": "a second gauge agrees", "disagrees": "a second gauge disagrees"},
        "Put a second gauge on a drain cock and compare.",
        5,
        (0.97, 0.03),
        {_GAUGE: (0.05, 0.95)},
    ),
    Evidence(
        "gauge when open",
        {"zero": "the gauge shows zero when open", "not zero": "the gauge does not show zero when open"},
        "Isolate the gauge, open it to the air and see whether it shows zero.",
        8,
        (0.97, 0.03),
        {_GAUGE: (0.25, 0.75)},
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
)
"""The likelihood table: common practice or own judgement, no source."""

_BY_NAME = {evidence.name: evidence for evidence in EVIDENCE}


@dataclass(frozen=True, slots=True)
class Check:
    """A check that could be made next."""

    evidence: str
    sentence: str
    minutes: float
    bits: float
    """Expected information over the causes, bits."""

    @property
    def bits_per_minute(self) -> float:
        """Expected information per minute of work."""
        return self.bits / self.minutes


def checked_observations(observations: Mapping[str, str]) -> dict[str, str]:
    """Observations with names and answers in their own spelling; `VisitError` for one that is not in the table."""
    found: dict[str, str] = {}
    for name, answer in observations.items():
        evidence = _BY_NAME.get(" ".join(name.lower().replace("_", " ").split()))
        if evidence is None:
            raise VisitError(f"The observation {name!r} is not known: use one of {', '.join(_BY_NAME)}.")
        spelled = " ".join(str(answer).lower().split())
        if spelled not in evidence.answers:
            raise VisitError(
                f"The observation {evidence.name!r} is {str(answer)[:60]!r}: answer with one of"
                f" {'; '.join(evidence.answers)}."
            )
        found[evidence.name] = spelled
    return found


def probabilities(observations: Mapping[str, str]) -> dict[str, float]:
    """Probability of each cause given the observations, in the order of `PRIORS`; given that the relief valve opens."""
    posterior = _posterior(checked_observations(observations))
    return dict(zip(PRIORS, (float(p) for p in posterior), strict=True))


def ranked_causes(observations: Mapping[str, str]) -> tuple[Cause, ...]:
    """Every cause with its probability and its because, likeliest first."""
    known = checked_observations(observations)
    posterior = _posterior(known)
    order = np.argsort(-posterior, kind="stable")
    names = list(PRIORS)
    return tuple(Cause(names[i], float(posterior[i]), *_because(names[i], known)) for i in order)


def claimed_cause(observations: Mapping[str, str]) -> str | None:
    """Name the cause that the evidence claims; None while none reaches `CLAIMED_FROM`."""
    first = ranked_causes(observations)[0]
    return first.cause if first.weight >= CLAIMED_FROM else None


def next_checks(observations: Mapping[str, str], leave_out: tuple[str, ...] = ()) -> tuple[Check, ...]:
    """List the checks not yet made, the one with the most expected information per minute first.

    The information is the mutual information of cause and answer under the present probabilities. `leave_out` names
    evidence that cannot be had on this tank.
    """
    known = checked_observations(observations)
    posterior = _posterior(known)
    checks = [
        Check(e.name, e.check, e.minutes, _information(posterior, e.likelihoods()))
        for e in EVIDENCE
        if e.name not in known and e.name not in leave_out
    ]
    return tuple(sorted(checks, key=lambda check: -check.bits_per_minute))


def check_sentence(name: str) -> str:
    """Say how a piece of evidence is got."""
    return _BY_NAME[name].check


def _posterior(known: Mapping[str, str]) -> FloatArray:
    log = np.log(np.array(list(PRIORS.values())))
    for name, answer in known.items():
        evidence = _BY_NAME[name]
        log += np.log(evidence.likelihoods()[:, evidence.answers.index(answer)])
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def _because(cause: str, known: Mapping[str, str]) -> tuple[str, bool]:
    """Say what speaks most for a cause, else what speaks most against it; and whether anything speaks for it."""
    prior = np.array(list(PRIORS.values()))
    ratios: list[tuple[float, str]] = []
    for name, answer in known.items():
        evidence = _BY_NAME[name]
        likelihood = evidence.likelihoods()[:, evidence.answers.index(answer)]
        own = likelihood[list(PRIORS).index(cause)]
        ratios.append((float(np.log(own / (prior @ likelihood))), evidence.says[answer]))
    speaking = [says for ratio, says in sorted(ratios, reverse=True) if ratio > np.log(SPEAKS_FROM)]
    if speaking:
        return _sentence(speaking[:3]), True
    against = [says for ratio, says in sorted(ratios) if ratio < -np.log(SPEAKS_FROM)]
    if against:
        return f"Against it: {against[0]}.", False
    return "Nothing observed so far speaks for or against it.", False


def _sentence(clauses: list[str]) -> str:
    text = ", and ".join([", ".join(clauses[:-1]), clauses[-1]] if len(clauses) > 1 else clauses)
    return text[0].upper() + text[1:] + "."


def _information(posterior: FloatArray, likelihoods: FloatArray) -> float:
    """Mutual information, in bits, of the cause and the answer."""
    answer = posterior @ likelihoods
    return float(np.sum(posterior[:, None] * likelihoods * np.log2(likelihoods / answer)))


def table_markdown() -> str:
    """Both tables as Markdown, as docs/causes.md prints them."""
    lines = ["| cause | before anything is known |", "|---|---|"]
    lines += [f"| {cause} | {share:.2f} |" for cause, share in PRIORS.items()]
    for e in EVIDENCE:
        lines += ["", f"### {e.name} ({e.minutes:g} min)", "", e.check, ""]
        lines += ["| cause | " + " | ".join(e.answers) + " |", "|---" * (len(e.answers) + 1) + "|"]
        lines += [f"| {cause} | " + " | ".join(f"{p:.2f}" for p in row) + " |" for cause, row in e.under.items()]
        lines.append("| every other cause | " + " | ".join(f"{p:.2f}" for p in e.usual) + " |")
    return "\n".join(lines) + "\n"

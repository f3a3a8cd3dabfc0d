"""Records of the finding room: what is known of a visit, and what is concluded.

Pressures are gauge pascals, temperatures degrees Celsius, volumes cubic metres, depths metres below the top of the
shell. None means not known.
"""

from dataclasses import dataclass, field
from typing import Literal

from taptest.line.onset import OnsetEvidence
from taptest.line.pair import PairEvidence
from taptest.line.records import BoundaryState, LineReading
from taptest.line.still import StillEvidence
from taptest.statements import Key, Said, Statement
from taptest.tank.kinds import Tank
from taptest.water.fluids import Fluid
from taptest.water.log import CombinedAir, DrainTest, LogEntry

FindingCode = Literal[
    "as expected", "low on air", "waterlogged", "more air than expected", "too small", "membrane failed", "cannot tell"
]


class FindingName(Key):
    """What the tank may be, a part: the findings, and one state that is none of them."""

    AS_EXPECTED = "name.as expected"
    LOW_ON_AIR = "name.low on air"
    WATERLOGGED = "name.waterlogged"
    MORE_AIR = "name.more air than expected"
    TOO_SMALL = "name.too small"
    MEMBRANE_FAILED = "name.membrane failed"
    CANNOT_TELL = "name.cannot tell"
    HIDDEN_WATER = "name.hidden water"


NAME: dict[FindingCode, FindingName] = {
    "as expected": FindingName.AS_EXPECTED,
    "low on air": FindingName.LOW_ON_AIR,
    "waterlogged": FindingName.WATERLOGGED,
    "more air than expected": FindingName.MORE_AIR,
    "too small": FindingName.TOO_SMALL,
    "membrane failed": FindingName.MEMBRANE_FAILED,
    "cannot tell": FindingName.CANNOT_TELL,
}
"""Name of each finding, as a part."""
FlagName = Literal[
    "relief valve does not open",
    "near the relief setting",
    "water too hot",
    "drinking water",
    "pressure or its unit",
    "pre-charge or its unit",
    "cold or hot",
]
Confidence = Literal["high", "fair", "low", "cannot tell"]
Bound = Literal["lower", "upper"]
ReferenceSource = Literal["stated", "what the system needs", "fill pressure", "open air"]
"""The pre-charge as said; static head and a margin; the fill valve's setting; a plain tank filled from open air."""


@dataclass(frozen=True, slots=True)
class SystemFacts:
    """The system that the tank serves."""

    fluid: Fluid
    volume_m3: float | None = None
    volume_rel_sd: float = 0.15
    relief_pa: float | None = None
    fill_pa: float | None = None
    max_temperature_c: float | None = None
    static_head_pa: float | None = None
    """Pressure of the water column from the tank's connection to the highest point of the system."""
    altitude_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Readings:
    """The readings of one visit."""

    pressure_pa: float | None = None
    pressure_sd_pa: float = 6000.0
    water_temperature_c: float | None = None
    tank_temperature_c: float | None = None
    state: Literal["cold", "hot"] | None = None
    precharge_pa: float | None = None
    """What the pre-charge is said to be (plate or last service)."""
    charged_at_c: float | None = None
    tank_above_gauge_m: float = 0.0


@dataclass(frozen=True, slots=True)
class ParallelTank:
    """Another tank on the same system, at the height of the tapped one; it was not tapped."""

    volume_m3: float
    precharge_pa: float
    """As stated, gauge. A plain tank filled from open air: 0."""
    charged_at_c: float | None = None
    acceptance_share: float | None = None
    volume_rel_sd: float = 0.03


@dataclass(frozen=True, slots=True)
class Case:
    """All that is known of a visit besides the sound."""

    tank: Tank
    system: SystemFacts
    readings: Readings
    observations: dict[str, str] = field(default_factory=dict)
    """Evidence for the causes, by the names of `finding.causes` ("drips": "hot", "water at the air valve": "yes")."""
    drain: DrainTest | None = None
    """A measured drain, its pressures as at the tank."""
    log: tuple[LogEntry, ...] = ()
    """A pressure log, its pressures as at the tank."""
    parallel: tuple[ParallelTank, ...] = ()
    """The other tanks on the system; the tapped one is not among them."""


@dataclass(frozen=True, slots=True)
class Round:
    """A further round of a visit: the same tank in another state."""

    readings: Readings
    lines: tuple[LineReading, ...]
    """One reading a line; the first one is the line that pictures show. Empty where only the gauge was read."""
    same_air: bool = True
    """Whether it holds the same air as in the round before."""
    water_moved_m3: float | None = None
    """Water let in (above zero) or out since the round before; None where it was not measured."""
    pair: PairEvidence | None = None
    """Its first line's difference from that of the first round; None where they cannot be compared."""
    onset: OnsetEvidence | None = None
    """What one mark's taps at many pressures say of the charge; None where no such taps were made."""
    still: StillEvidence | None = None
    """Whether a handful of marks sounds as in the first round; None where the difference of whole lines says more."""
    name: str = ""


@dataclass(frozen=True, slots=True)
class Interval:
    """A median with its central 90 % interval."""

    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Expected:
    """Where the water should end by pressure, pre-charge and temperature."""

    depth_m: Interval | None
    """None where no boundary is expected (all air)."""
    water_m3: Interval
    water_share: Interval


@dataclass(frozen=True, slots=True)
class PrechargeEstimate:
    """The pre-charge that the level speaks for, at the charge temperature."""

    pressure_pa: Interval
    bound: Bound | None = None
    """One-sided where the level sits at an end: "lower" means at least the median."""
    lost_air_share: Interval | None = None
    """Share of the stated pre-charge's air that is gone; negative where there is more. None without a stated one."""
    lost_air_m3: Interval | None = None
    """That air, as its volume at the state of charging."""


@dataclass(frozen=True, slots=True)
class ForecastCurve:
    """Pressure against the water's temperature, gauge at the gauge: median and central 90 %; T of each."""

    temperature_c: tuple[float, ...]
    low_pa: tuple[float, ...]
    median_pa: tuple[float, ...]
    high_pa: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Forecast:
    """The pressure at the highest temperature."""

    hot_pressure_pa: Interval
    relief: Statement
    """What the relief valve does: a `finding.compare.Relief`, a clause."""
    temperature_c: float = float("nan")
    """The highest temperature, for which the forecast holds."""
    p_may_weep: float = 0.0
    """Probability that the pressure reaches the relief setting less its tolerance."""
    p_opens: float = 0.0
    """Probability that it reaches the setting itself."""
    curve: ForecastCurve | None = None
    """From the visit's temperature to the highest one; None where they are the same."""
    p_may_weep_if_right: float = 0.0
    """As `p_may_weep`, with the charge as it should be; from the fill pressure where the cold reading is above it."""


@dataclass(frozen=True, slots=True)
class CauseCheck:
    """The check that tells most, for its price, whether one cause is at work."""

    evidence: str
    step: Statement
    minutes: float
    outcomes: tuple[tuple[str, float], ...]
    """Each answer with the probability that the cause would have after it."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause of the relief valve's opening."""

    cause: str
    weight: float
    """Probability that it is at work, alone or with another one, given that the relief valve opens."""
    because: Said
    """What was observed that bears on it."""
    supported: bool = False
    """Whether something observed speaks for it."""
    check: CauseCheck | None = None
    """Its own next check; None where it is too unlikely, or nothing that can be got tells of it."""


@dataclass(frozen=True, slots=True)
class RedFlag:
    """What has to be said before the finding."""

    key: FlagName
    says: Statement
    """What is wrong."""
    step: Statement
    """What to do now."""
    level: Literal["danger", "doubt"] = "danger"
    """Whether people may be hurt, or an entry is likely wrong."""
    stops: bool = True
    """Whether no tank may be called as expected beside it."""


@dataclass(frozen=True, slots=True)
class RoundFound:
    """What is told of a further round."""

    expected: Expected | None
    """Where the water should end in it; None where it holds other air, or that is not known."""
    water_m3: Interval | None
    """Water held, by all rounds together; None where the taps do not tell."""
    line: LineReading | None
    """Its first line; None where it has none."""
    code: FindingCode | None = None
    """Its own finding, where it holds other air than the tank did when it was found."""
    says: Said | None = None
    """That finding."""
    onset: OnsetEvidence | None = None
    """What one mark's taps at many pressures say."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """The finding and everything it rests on."""

    code: FindingCode
    says: Said
    """The finding in one sentence."""
    confidence: Confidence
    reasons: tuple[Said, ...]
    not_checked: tuple[Said, ...]
    next_checks: tuple[Said, ...]
    causes: tuple[Cause, ...]
    line: LineReading
    expected: Expected | None
    water_m3: Interval | None
    precharge: PrechargeEstimate | None
    forecast: Forecast | None
    boundary_state: BoundaryState
    probabilities: dict[FindingCode, float] = field(default_factory=dict)
    """Probability of each finding that taps and readings together can make; empty where they could not be compared."""
    reference_precharge_pa: float | None = None
    """The pre-charge that the expectation rests on."""
    reference_source: ReferenceSource | None = None
    """Where that pre-charge comes from."""
    needed_precharge_pa: float | None = None
    """The pre-charge that the height of the system asks for, margin included; None where the height is not known."""
    air: CombinedAir | None = None
    """Free air by sound, drain and pressure rise laid together; None where neither drain nor log was taken."""
    unseen_pa: tuple[float, float] | None = None
    """Charges (gauge) between which a tank that is called as expected may lie; None for any other finding."""
    speaks_against: bool | None = None
    """Whether taps, readings or observations speak against the tank; None where nothing was heard to compare."""
    rounds: tuple[RoundFound, ...] = ()
    """Further rounds in order of time."""
    p_shut: float = 0.0
    """Probability that the tank holds water and takes none in or out, by its rounds together."""
    red_flags: tuple[RedFlag, ...] = ()
    """What has to be said before the finding, dangers first."""
    cause_notes: tuple[Statement, ...] = ()
    """What is said of the causes as a whole: the one that is claimed, two at once, water added often."""

"""What is said of a finding: statements with their values in SI units, for `taptest.words` to tell.

A `Story` carries everything that may be spoken of. Nothing here decides; it only says what was decided and why.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import assert_never

import numpy as np

from taptest.finding.causes import check_step
from taptest.finding.compare import NO_PRESSURE_PA, Comparison
from taptest.finding.draws import column_pa, is_hot, right_charge_pa, stands_above_fill
from taptest.finding.keys import (
    Amount,
    Charge,
    FoundCharge,
    Hot,
    HotPressure,
    Level,
    Missing,
    Reason,
    Should,
    Step,
    Unchecked,
)
from taptest.finding.records import NAME, Case, Expected, FindingCode, Interval, PrechargeEstimate, ReferenceSource
from taptest.finding.red_flags import safe_up_to_pa
from taptest.finding.settle import second_round_step, settling_step
from taptest.finding.weigh import line_speaks, rings_all_over
from taptest.line.naming import level_span_m
from taptest.line.records import BoundaryPosterior, LineReading
from taptest.statements import Key, Said, Statement, Value
from taptest.tank.kinds import (
    HEAVIEST_PUSHED_M3,
    LeftOpen,
    Tank,
    line_shows_share,
    what_taps_cannot_show,
    what_taps_show,
)
from taptest.water.log import FREE_AIR_T_C, WAY, precharge_from_air_pa
from taptest.water.pressure import atmospheric_pressure_pa

PIN = "water at the air valve"
HEATED = ("hot pressure", "warm-up", "level from cold to hot", "sound when hot")
"""Evidence that is got by firing the system up."""
PIN_CHECK = check_step(PIN)
PUSH_CHECK = check_step("weight")
WHERE_FROM = check_step("pressure rises")

RING_TOLD = 0.5
"""A ring of water or of gas is told from this probability on."""
OFF_PA = 15_000.0
"""A charge that is off by this much, 0.15 bar, is worth a sentence."""
LEAST_CHANCE = 0.03
"""Other findings less likely than this are not told."""
LEAST_SHARE = 0.005
"""Less water than this share of the volume is told as none."""
LEAST_LOSS = 0.02
"""Air that is gone is told from this share on, at the least likely."""
OPEN_AIR_PA = 2_000.0
"""A plain tank whose charge is stated within 0.02 bar of zero was filled from open air."""

CHARGE_FROM: dict[ReferenceSource, Charge] = {
    "stated": Charge.STATED,
    "what the system needs": Charge.NEEDED,
    "fill pressure": Charge.FILL,
    "open air": Charge.OPEN_AIR,
}


class Told(Key):
    """The finding, in one or two sentences."""

    AS_EXPECTED = "finding.as expected", "level", "pressure_pa", "charge", "ends_m"
    AS_EXPECTED_RINGS = "finding.as expected, rings", "level", "pressure_pa", "charge", "ends_m"
    AS_EXPECTED_DRY = "finding.as expected, dry", "level", "pressure_pa", "charge"
    LOW_ON_AIR = "finding.low on air", "level", "charge", "should", "found"
    LOW_FOR_SYSTEM = "finding.low on air for the system", "charge", "head_pa", "needed_pa"
    WATERLOGGED = "finding.waterlogged", "level"
    WATERLOGGED_SHOULD = "finding.waterlogged, should hold", "level", "pressure_pa", "charge", "water_m3", "tank_m3"
    MORE_AIR = "finding.more air than expected", "level", "pressure_pa", "charge", "water_m3"
    HIGH_FOR_SYSTEM = "finding.more air than the system needs", "charge", "right_pa"
    TOO_SMALL = "finding.too small", "hot_c", "hot_pa", "relief_pa"
    TOO_SMALL_TOGETHER = "finding.too small together", "tanks", "tanks_m3", "hot_c", "hot_pa", "relief_pa"
    MEMBRANE_WATER = "finding.membrane failed, water"
    MEMBRANE_HEARD = "finding.membrane failed, heard", "why"
    CANNOT_TELL = "finding.cannot tell", "why", "next"
    NOTHING_AGAINST = "finding.nothing against", "why", "next"
    NOTHING_YET = "finding.nothing yet", "why"


SHOWN_BY_PIN = (LeftOpen.STANDING_MEMBRANE, LeftOpen.BAG, LeftOpen.SMALL_LEAK)
"""What the pin of the air valve shows, and is no longer open once it was pressed."""


@dataclass(frozen=True, slots=True)
class Story:
    """A decided visit, ready to be told."""

    case: Case
    line: LineReading
    comparison: Comparison
    code: FindingCode
    probability: float
    why: Statement | None
    """Why it is left open, or what a failed membrane shows itself by; None for other findings."""
    evidence: Mapping[str, str]
    may_be_heated: bool = True
    """Whether a check that fires the system up may be asked for."""
    rounds: int = 0
    """Number of rounds after the first one."""
    kept_but_unfit: bool = False
    """Whether the tank has kept its stated charge, which is too low or too high for its system."""

    @property
    def pressure_pa(self) -> float:
        """The pressure read, where a finding rests on it."""
        assert self.case.readings.pressure_pa is not None
        return self.case.readings.pressure_pa

    @property
    def charge(self) -> Statement:
        """The pre-charge that is compared with, and where it comes from."""
        reference = self.comparison.reference
        if reference is None:
            return Statement(Charge.UNKNOWN)
        open_air = not self.case.tank.has_membrane and abs(reference.pressure_pa) < OPEN_AIR_PA
        key = Charge.OPEN_AIR if open_air else CHARGE_FROM[reference.source]
        return Statement(key, {"charge_pa": reference.pressure_pa} if key.needs else {})

    @property
    def at_charge(self) -> dict[str, Value]:
        """Pressure and charge, beside which most sentences set a finding."""
        return {"pressure_pa": self.pressure_pa, "charge": self.charge}


def ends_of(interval: Interval) -> tuple[float, float]:
    """Both ends of an interval."""
    return interval.low, interval.high


def finding_of(  # noqa: PLR0911  one case a finding
    story: Story, check: Said, against: bool | None, endangered: bool
) -> Statement:
    """Tell the finding; where it is left open why, with the `check` that comes first.

    `against` is whether something speaks against the tank; `endangered` whether a red flag holds the finding back.
    """
    match story.code:
        case "as expected":
            return _as_expected(story)
        case "low on air":
            return _low_on_air(story)
        case "waterlogged":
            return _waterlogged(story)
        case "more air than expected":
            return _more_air(story)
        case "too small":
            return _too_small(story)
        case "membrane failed":
            return _membrane_failed(story)
        case "cannot tell":
            return _left_open(story, check, against, endangered)
        case _:
            assert_never(story.code)


def _left_open(story: Story, check: Said, against: bool | None, endangered: bool) -> Statement:
    assert story.why is not None
    if endangered:
        return Statement(Told.NOTHING_YET, {"why": story.why})
    key = Told.NOTHING_AGAINST if against is False else Told.CANNOT_TELL
    return Statement(key, {"why": story.why, "next": check})


def _rings(story: Story) -> bool:
    """Whether the shell is said to ring all over."""
    line = story.line
    return line.state == "all air" or (line.state == "not found" and rings_all_over(line))


def _level(story: Story) -> Statement:
    """Where the water ends."""
    line = story.line
    if _rings(story):
        return Statement(Level.RINGS)
    if line.state == "all water":
        return Statement(Level.DULL)
    if line.depth_m is None:
        return _span_of_level(story) if line.narrows else Statement(Level.NOT_FOUND)
    wet = _wet_stretch(line.posterior, line.depth_m)
    return wet or Statement(Level.INVERTED if line.inverted else Level.AT, {"depth_m": line.depth_m})


def _wet_stretch(posterior: BoundaryPosterior, end_m: float) -> Statement | None:
    """Say a ring of water or of gas; None where neither was heard."""
    if posterior.p_ring > RING_TOLD:
        cap = float(posterior.cap_depth_m[int(np.argmax(posterior.ring_mass))])
        return Statement(Level.RING, {"wet_m": (cap, end_m)})
    return Statement(Level.GAS_RING, {"depth_m": end_m}) if posterior.p_gas_ring > RING_TOLD else None


def _span_of_level(story: Story) -> Statement:
    """Between which heights the water ends, where the taps do not tell it more closely."""
    tank = story.case.tank
    span = level_span_m(story.line.posterior, tank)
    if span is None:
        return Statement(Level.NOT_FOUND)
    top, bottom = span
    at_top, at_bottom = top <= 0.0, bottom >= tank.shape.height_m
    if not at_top and not at_bottom:
        return Statement(Level.BETWEEN, {"ends_m": (top, bottom)})
    if tank.hanging:
        key = Level.AT_MOST_DOWN if at_top else Level.AT_LEAST_DOWN
    else:
        key = Level.AT_LEAST_UP if at_top else Level.AT_MOST_UP
    return Statement(key, {"depth_m": bottom if at_top else top})


def _should(story: Story) -> Statement:
    """Where the water should end."""
    expected = story.comparison.expected
    if expected is None or expected.depth_m is None:
        return Statement(Should.BE_NONE)
    return Statement(Should.END, {"ends_m": ends_of(expected.depth_m)})


def _as_expected(story: Story) -> Statement:
    expected = story.comparison.expected
    values: dict[str, Value] = {"level": _level(story), **story.at_charge}
    if expected is None or expected.depth_m is None:
        return Statement(Told.AS_EXPECTED_DRY, values)
    key = Told.AS_EXPECTED_RINGS if _rings(story) else Told.AS_EXPECTED
    return Statement(key, {**values, "ends_m": ends_of(expected.depth_m)})


def _amount(tank: Tank, estimate: PrechargeEstimate) -> Statement:
    """Say the estimated pre-charge, one-sided where it is."""
    found = estimate.pressure_pa
    if estimate.bound == "lower":
        return Statement(Amount.AT_LEAST, {"charge_pa": found.median})
    if not tank.has_membrane:
        return Statement(Amount.ABOVE_OPEN_AIR, {"charge_pa": found.median, "ends_pa": ends_of(found)})
    if found.median <= 0:
        return Statement(Amount.NEARLY_NOTHING, {"most_pa": found.high}) if found.high > 0 else Statement(Amount.ZERO)
    if estimate.bound == "upper":
        return Statement(Amount.AT_MOST, {"charge_pa": found.median})
    return Statement(Amount.WITHIN, {"charge_pa": found.median, "ends_pa": (max(found.low, 0.0), found.high)})


def _low_on_air(story: Story) -> Statement:
    head, needed = story.case.system.static_head_pa, story.comparison.needed_precharge_pa
    if story.kept_but_unfit:
        assert head is not None
        assert needed is not None
        return Statement(Told.LOW_FOR_SYSTEM, {"charge": story.charge, "head_pa": head, "needed_pa": needed})
    expected, estimate = story.comparison.expected, story.comparison.precharge
    should = Statement(Should.BE_NONE_AT, {"pressure_pa": story.pressure_pa})
    if expected is not None and expected.depth_m is not None:
        should = _should(story)
    found = Statement(FoundCharge.NO_FIGURE)
    if estimate is not None:
        found = Statement(FoundCharge.IS, {"amount": _amount(story.case.tank, estimate)})
    told = {"level": _level(story), "charge": story.charge, "should": should, "found": found}
    return Statement(Told.LOW_ON_AIR, told)


def _waterlogged(story: Story) -> Statement:
    expected = story.comparison.expected
    if expected is None:
        return Statement(Told.WATERLOGGED, {"level": _level(story)})
    return Statement(
        Told.WATERLOGGED_SHOULD,
        {
            "level": _level(story),
            **story.at_charge,
            "water_m3": expected.water_m3.median,
            "tank_m3": story.case.tank.volume_m3,
        },
    )


def _more_air(story: Story) -> Statement:
    if story.kept_but_unfit:
        right = _right_pa(story)
        assert right is not None
        return Statement(Told.HIGH_FOR_SYSTEM, {"charge": story.charge, "right_pa": right})
    expected = story.comparison.expected
    assert expected is not None
    water = {"water_m3": expected.water_m3.median}
    return Statement(Told.MORE_AIR, {"level": _level(story), **story.at_charge, **water})


def _too_small(story: Story) -> Statement:
    forecast, relief = story.comparison.forecast, story.case.system.relief_pa
    assert forecast is not None
    assert relief is not None
    hot = {"hot_c": forecast.temperature_c, "hot_pa": forecast.hot_pressure_pa.median, "relief_pa": relief}
    if story.case.parallel:
        return Statement(Told.TOO_SMALL_TOGETHER, {**hot, **_all_tanks(story)})
    return Statement(Told.TOO_SMALL, hot)


def _membrane_failed(story: Story) -> Statement:
    if story.evidence.get(PIN) == "yes":
        return Statement(Told.MEMBRANE_WATER)
    assert story.why is not None
    return Statement(Told.MEMBRANE_HEARD, {"why": story.why})


def reasons_of(story: Story) -> tuple[Said, ...]:
    """Say what the finding rests on."""
    said: list[Said] = [_level_reason(story)]
    said += what_taps_show(story.case.tank)[:1]
    said += story.line.notes
    said += _reading_reasons(story)
    said += _charge_reasons(story)
    said += _air_reasons(story)
    said += _rise_reasons(story)
    said += _forecast_reasons(story)
    said += _unseen_reasons(story)
    ranked = sorted(story.comparison.probabilities.items(), key=lambda item: -item[1])
    others = tuple(
        Statement(Reason.CHANCE, {"name": Statement(NAME[code]), "chance_share": chance})
        for code, chance in ranked
        if code != story.code and chance >= LEAST_CHANCE
    )
    # "Cannot tell" names in its own sentence what is left open; where the taps say nothing, only our own prior is left.
    if others and story.code != "cannot tell" and not story.kept_but_unfit:
        said.append(Statement(Reason.OTHER_FINDINGS, {"findings": others}))
    return tuple(said)


def _level_reason(story: Story) -> Statement:
    line = story.line
    if line.state != "found" or line.interval90_m is None or line.depth_m is None:
        return Statement(Reason.LEVEL, {"level": _level(story)})
    return Statement(Reason.LEVEL_WITHIN, {"level": _level(story), "ends_m": line.interval90_m})


def _unseen_reasons(story: Story) -> list[Said]:
    """Say of a tank called as expected between which charges nothing would show."""
    unseen, reference = story.comparison.unseen_pa, story.comparison.reference
    if story.code != "as expected" or unseen is None or reference is None:
        return []
    low, high = unseen
    if reference.pressure_pa - low <= OFF_PA and high - reference.pressure_pa <= OFF_PA:
        return []
    if story.case.tank.has_membrane:
        return [Statement(Reason.UNSEEN, {"ends_pa": (max(low, 0.0), high)})]
    filled = reference.pressure_pa + float(atmospheric_pressure_pa(story.case.system.altitude_m))
    less, more = (reference.pressure_pa - low) / filled, (high - reference.pressure_pa) / filled
    return [Statement(Reason.UNSEEN_AIR, {"less_share": less, "more_share": more})]


def _reading_reasons(story: Story) -> list[Said]:
    readings, expected = story.case.readings, story.comparison.expected
    said: list[Said] = []
    head, pressure, fill = story.case.system.static_head_pa, readings.pressure_pa, story.case.system.fill_pa
    if head is not None and pressure is not None:
        column = column_pa(story.case)
        if pressure - column < head - 2 * readings.pressure_sd_pa:
            said.append(Statement(Reason.BELOW_HEAD, {"pressure_pa": pressure, "needed_pa": head + column}))
    if stands_above_fill(story.case) and pressure is not None and fill is not None:
        said.append(Statement(Reason.ABOVE_FILL, {"pressure_pa": pressure, "fill_pa": fill}))
    if expected is not None:
        said.append(_should_hold(story, expected))
    if expected is not None and readings.tank_temperature_c is None:
        said.append(Statement(Reason.AIR_TEMPERATURE))
    if expected is not None and readings.charged_at_c is None and story.case.tank.has_membrane:
        said.append(Statement(Reason.CHARGE_TEMPERATURE))
    return said


def _should_hold(story: Story, expected: Expected) -> Statement:
    share = expected.water_share
    if share.high < LEAST_SHARE:
        return Statement(Reason.SHOULD_HOLD_NONE, story.at_charge)
    ends: dict[str, Value] = {"ends_m3": ends_of(expected.water_m3), "ends_share": ends_of(share)}
    return Statement(Reason.SHOULD_HOLD, {**story.at_charge, **ends, "should": _should(story)})


def _charge_reasons(story: Story) -> list[Said]:
    comparison, readings, tank = story.comparison, story.case.readings, story.case.tank
    said: list[Said] = []
    if comparison.precharge is not None:
        said.append(Statement(Reason.CHARGE_BY_LEVEL, {"amount": _amount(tank, comparison.precharge)}))
        lost = comparison.precharge.lost_air_m3
        share = comparison.precharge.lost_air_share
        if lost is not None and share is not None and share.low > LEAST_LOSS:
            ends = (max(share.low, 0.0), share.high)
            told: dict[str, Value] = {"lost_share": share.median, "ends_share": ends, "lost_m3": lost.median}
            said.append(Statement(Reason.LOST_AIR, told))
    needed, stated, pressure = comparison.needed_precharge_pa, readings.precharge_pa, readings.pressure_pa
    if needed is not None and tank.has_membrane:
        if stated is None:
            said.append(Statement(Reason.CHARGE_NOT_STATED, {"needed_pa": needed}))
        elif stated < needed - OFF_PA:
            said.append(Statement(Reason.CHARGE_BELOW_NEED, {"stated_pa": stated, "needed_pa": needed}))
    cold = is_hot(story.case) is False
    if cold and pressure is not None and stated is not None and pressure < stated - 2 * OFF_PA:
        said.append(Statement(Reason.UNDER_CHARGE, {"pressure_pa": pressure}))
    return said


def _air_reasons(story: Story) -> list[Said]:
    """Say what drain and log add to the sound; a contradiction is shown and not averaged."""
    air, tank = story.comparison.air, story.case.tank
    said: list[Said] = list(story.comparison.air_notes)
    if air is None:
        return said
    said.insert(0, air.says)
    if air.free_air_m3 is not None and air.sd_m3 is not None:
        outside = float(atmospheric_pressure_pa(story.case.system.altitude_m))
        charged = story.case.readings.charged_at_c
        low, middle, high = (
            precharge_from_air_pa(
                max(air.free_air_m3 + step * air.sd_m3, 0.0),
                tank.volume_m3,
                FREE_AIR_T_C if charged is None else charged,
                outside,
            )
            for step in (-1.645, 0.0, 1.645)
        )
        ways = tuple(Statement(WAY[estimate.source]) for estimate in air.estimates)
        said.insert(1, Statement(Reason.AIR_TOGETHER, {"ways": ways, "charge_pa": middle, "ends_pa": (low, high)}))
    return said


def _rise_reasons(story: Story) -> list[Said]:
    """Say on a hot visit what the pressure should have come to since the cold filling."""
    risen, fill = story.comparison.risen_pa, story.case.system.fill_pa
    if risen is None or fill is None:
        return []
    return [Statement(Reason.RISEN, {"fill_pa": fill, "ends_pa": ends_of(risen), **story.at_charge})]


def _forecast_reasons(story: Story) -> list[Said]:
    forecast, relief = story.comparison.forecast, story.case.system.relief_pa
    if forecast is None:
        return []
    hot = Statement(Hot.AT, {"hot_c": forecast.temperature_c})
    if story.case.parallel:
        hot = Statement(Hot.AT_TOGETHER, {"hot_c": forecast.temperature_c, **_all_tanks(story)})
    if relief is None:
        pressure = Statement(HotPressure.WITHIN, {"ends_pa": ends_of(forecast.hot_pressure_pa)})
        return [Statement(Reason.FORECAST, {"hot": hot, "pressure": pressure})]
    told = {"hot": hot, "pressure": _hot_pressure(forecast.hot_pressure_pa, relief)}
    return [Statement(Reason.FORECAST_RELIEF, {**told, "relief_pa": relief, "relief": forecast.relief})]


def _hot_pressure(hot: Interval, relief_pa: float) -> Statement:
    """Say the forecast pressure; far beyond the relief setting its lower end alone.

    No system stands the upper one there, since the relief valve opens long before.
    """
    if hot.high <= 2 * relief_pa:
        return Statement(HotPressure.WITHIN, {"ends_pa": ends_of(hot)})
    if hot.low > 2 * relief_pa:
        return Statement(HotPressure.TWICE_RELIEF)
    return Statement(HotPressure.AND_MORE_UNLESS if hot.low > relief_pa else HotPressure.AND_MORE, {"low_pa": hot.low})


def _all_tanks(story: Story) -> dict[str, Value]:
    """Count the tapped tank and those in parallel, and add their volumes."""
    others = story.case.parallel
    volume = story.case.tank.volume_m3 + sum(tank.volume_m3 for tank in others)
    return {"tanks": 1 + len(others), "tanks_m3": volume}


def not_checked_of(story: Story) -> tuple[Said, ...]:
    """Say what the finding leaves open."""
    case, evidence = story.case, story.evidence
    shown_by_pin = SHOWN_BY_PIN if PIN in evidence else ()
    said: list[Said] = [each for each in what_taps_cannot_show(case.tank) if each.key not in shown_by_pin]
    if not case.tank.charged:
        return tuple(said)
    said += _unheard(story)
    said += [
        Statement(Unchecked.OTHER_TANK, {"tank_m3": tank.volume_m3, "charge_pa": tank.precharge_pa})
        for tank in case.parallel
    ]
    if "second gauge" not in evidence:
        said.append(Statement(Unchecked.SECOND_GAUGE))
    if "valve drips at" not in evidence:
        said.append(Statement(Unchecked.RELIEF_VALVE))
    if story.comparison.forecast is None:
        said.append(_no_forecast(story))
    elif case.system.relief_pa is None:
        said.append(Statement(Unchecked.RELIEF_SETTING))
    if case.tank.has_membrane:
        stated = case.readings.precharge_pa is not None
        said.append(Statement(Unchecked.CHARGE_NOT_MEASURED if stated else Unchecked.CHARGE_UNKNOWN))
    return tuple(said)


def _unheard(story: Story) -> list[Said]:
    """Say what a tank that is called as expected may hide while it rings all over."""
    if not _rings(story) or story.code != "as expected":
        return []
    said: list[Said] = [Statement(Unchecked.TOO_MUCH_AIR)]
    if story.line.posterior.p_no_contact > 0:
        light = story.evidence.get("weight") == "light"
        said.append(Statement(Unchecked.LIGHT_BAG if light else Unchecked.LOOSE_BAG))
    return said


def _no_forecast(story: Story) -> Statement:
    """Say why the hot pressure was not forecast."""
    system, readings = story.case.system, story.case.readings
    needed = (
        (Missing.SYSTEM_VOLUME, system.volume_m3),
        (Missing.HIGHEST_TEMPERATURE, system.max_temperature_c),
        (Missing.PRESSURE, readings.pressure_pa),
    )
    missing = tuple(Statement(key) for key, value in needed if value is None)
    if missing:
        return Statement(Unchecked.FORECAST_UNKNOWN, {"missing": missing})
    if readings.water_temperature_c is None and is_hot(story.case) is not False:
        return Statement(Unchecked.FORECAST_WATER)
    if not line_speaks(story.line) or story.line.inverted or not line_shows_share(story.case.tank):
        return Statement(Unchecked.FORECAST_AIR)
    if readings.pressure_pa is not None and readings.pressure_pa < NO_PRESSURE_PA:
        return Statement(Unchecked.FORECAST_NO_PRESSURE)
    return Statement(Unchecked.FORECAST_NO_BASIS)


def pin_may_be_pressed(story: Story) -> bool:
    """Whether the pin of the air valve may be asked for: cold, under pressure, and not pressed already.

    Each press lets air out, its core may stick open, a torn membrane sprays water, and without pressure a dry pin
    proves nothing (common practice, no source).
    """
    pressure = story.case.readings.pressure_pa
    pressed = pressure is not None and pressure >= NO_PRESSURE_PA
    return story.case.tank.has_membrane and is_hot(story.case) is False and pressed and PIN not in story.evidence


def stopping_in_time(story: Story, evidence: str, step: Said) -> Said:
    """Add to a check that fires the system up the pressure at which to stop."""
    stop = safe_up_to_pa(story.case)
    if evidence not in HEATED or stop is None:
        return step
    return Statement(Step.STOP_HEATING, {"step": step, "stop_pa": stop})


def checks_of(story: Story) -> tuple[Said, ...]:
    """List the checks and steps that this finding itself calls for, the cheapest and safest first."""
    tank = story.case.tank
    pin = (PIN_CHECK,) if pin_may_be_pressed(story) else ()
    push = () if "weight" in story.evidence or tank.volume_m3 > HEAVIEST_PUSHED_M3 else (PUSH_CHECK,)
    right = _right_pa(story)
    if story.kept_but_unfit and story.code == "more air than expected":
        assert right is not None
        return (Statement(Step.LET_AIR_OUT, {"right_pa": right}),)
    drain, replace = Statement(Step.DRAIN_PLAIN), Statement(Step.REPLACE)
    refill = _recharge(right) if tank.has_membrane else drain
    hot = stopping_in_time(story, "sound when hot", Statement(Step.TAP_HOT))
    steps: dict[FindingCode, tuple[Said, ...]] = {
        "as expected": (hot,) if story.may_be_heated and "level from cold to hot" not in story.evidence else (),
        "low on air": (refill,),
        "waterlogged": (*push, refill, *pin),
        "more air than expected": (
            Statement(Step.SEE_VALVE),
            Statement(Step.READ_CHARGE) if tank.has_membrane else drain,
        ),
        "too small": (Statement(Step.CHECK_SYSTEM), Statement(Step.WORK_OUT_SIZE)),
        "membrane failed": (replace,) if story.evidence.get(PIN) == "yes" else (*push, *pin, replace),
        "cannot tell": _open_steps(story),
    }
    if stands_above_fill(story.case) and story.code == "as expected":
        return (WHERE_FROM, *steps["as expected"])
    return steps[story.code]


def _recharge(right_pa: float | None) -> Statement:
    """Say how the tank is charged anew, and to what."""
    return Statement(Step.RECHARGE_AS_BEFORE) if right_pa is None else Statement(Step.RECHARGE, {"right_pa": right_pa})


def _open_steps(story: Story) -> tuple[Said, ...]:
    """List what settles a finding that was left open: the charge's own pressure, or a second round.

    For an open tank, what is looked at on it (common practice, no source).
    """
    if not story.case.tank.charged:
        return tuple(Statement(step) for step in (Step.OPEN_TANK, Step.OPEN_FLOAT, Step.OPEN_FROST, Step.OPEN_DEBRIS))
    if not line_shows_share(story.case.tank):
        return ()
    again = None if story.rounds else second_round_step(story.case)
    step = settling_step(story.case, story.line, story.comparison.onset_heard)
    return (step, *(() if again is None else (again,)))


def _right_pa(story: Story) -> float | None:
    """Return the charge to set; None where that is not known."""
    return right_charge_pa(story.case, story.comparison.needed_precharge_pa)

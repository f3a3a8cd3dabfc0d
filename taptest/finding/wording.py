"""The sentences of a finding, for a technician, with figures in the user's units.

A `Story` carries everything that a sentence may speak of. Nothing here decides; it only says what was decided and why.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import assert_never

import numpy as np

from taptest.finding.causes import check_sentence
from taptest.finding.compare import NO_PRESSURE_PA, Comparison
from taptest.finding.draws import is_hot, right_charge_pa, stands_above_fill
from taptest.finding.records import Case, FindingCode, Interval, PrechargeEstimate
from taptest.finding.red_flags import stop_heating_at_pa
from taptest.finding.settle import second_round_step, settling_step
from taptest.finding.weigh import line_speaks, rings_all_over
from taptest.line.naming import level_span_m
from taptest.line.records import LineReading
from taptest.quantities import METRIC, Kind, Units, percent
from taptest.statements import Said
from taptest.tank.kinds import HEAVIEST_PUSHED_M3, line_shows_share, what_taps_cannot_show, what_taps_show
from taptest.water.log import FREE_AIR_T_C, precharge_from_air_pa
from taptest.water.pressure import atmospheric_pressure_pa, static_head_pa
from taptest.words.tell import tell

PIN = "water at the air valve"
HEATED = ("hot pressure", "warm-up", "level from cold to hot", "sound when hot")
"""Evidence that is got by firing the system up."""
PIN_CHECK = check_sentence(PIN)
PUSH_CHECK = check_sentence("weight")
WHERE_FROM = check_sentence("pressure rises")

RING_TOLD = 0.5
"""A ring of water or of gas is told from this probability on."""
OFF_PA = 15_000.0
"""A charge that is off by this much, 0.15 bar, is worth a sentence."""
OPEN_AIR_PA = 2_000.0
"""A plain tank whose charge is stated within 0.02 bar of zero was filled from open air."""


@dataclass(frozen=True, slots=True)
class Story:
    """A decided visit, ready to be told."""

    case: Case
    line: LineReading
    comparison: Comparison
    units: Units
    code: FindingCode
    probability: float
    why: Said
    evidence: Mapping[str, str]
    may_be_heated: bool = True
    """Whether a check that fires the system up may be asked for."""
    rounds: int = 0
    """Number of rounds after the first one."""
    kept_but_unfit: bool = False
    """Whether the tank has kept its stated charge, which is too low or too high for its system."""

    def show(self, kind: Kind, value: float | None) -> str:
        """Show a figure in the user's unit, "unknown" where there is none."""
        if value is None:
            return "unknown"
        return self.units.show(kind, value)

    def span(self, kind: Kind, interval: Interval) -> str:
        """Both ends of an interval with the unit once: "0.4 to 0.7 bar"."""
        return self.units.span(kind, interval.low, interval.high)

    @property
    def pressure(self) -> str:
        """The pressure read."""
        return self.show("pressure", self.case.readings.pressure_pa)

    @property
    def charge(self) -> str:
        """The pre-charge that is compared with, and where it comes from."""
        reference = self.comparison.reference
        if reference is None:
            return "an unknown pre-charge"
        value = self.show("pressure", reference.pressure_pa)
        if not self.case.tank.has_membrane and abs(reference.pressure_pa) < OPEN_AIR_PA:
            return "a filling from open air"
        return {
            "stated": f"a pre-charge of {value}",
            "what the system needs": f"the pre-charge of {value} that the system's height needs",
            "fill pressure": f"a pre-charge equal to the fill pressure of {value}",
            "open air": "a filling from open air",
        }[reference.source]


def sentence_of(story: Story) -> str:
    """Tell the finding in one plain sentence."""
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
            raise AssertionError("what cannot be told is told by cannot_tell_sentence")
        case _:
            assert_never(story.code)


def cannot_tell_sentence(said_why: Said, check: Said, speaks_against: bool | None) -> str:
    """Say why not, and what to do next; first that nothing speaks against the tank, where that is so."""
    why, step = tell(said_why, METRIC), tell(check, METRIC)
    step = step[0].lower() + step[1:].rstrip(".")
    if speaks_against is False:
        return f"Nothing speaks against the tank, but the taps do not prove it right, because {why}; next: {step}."
    return f"The taps cannot tell, because {why}; next: {step}."


def _rings(story: Story) -> bool:
    """Whether the shell is said to ring all over."""
    line = story.line
    return line.state == "all air" or (line.state == "not found" and rings_all_over(line))


def _level(story: Story) -> str:
    """Where the water ends, as a clause."""
    line = story.line
    if _rings(story):
        return "the shell rings all over"
    if line.state == "all water":
        return "the shell is dull all over"
    if line.depth_m is None:
        return _span_of_level(story) if line.narrows else "the water's end was not found"
    wet = _wet_stretch(story)
    if wet:
        return wet
    if line.inverted:
        return f"the picture is inverted, with the change of sound {story.show('length', line.depth_m)} below the top"
    return f"the water ends {story.show('length', line.depth_m)} below the top"


def _wet_stretch(story: Story) -> str:
    """Say a ring of water or of gas as a clause; "" where neither was heard."""
    posterior, end = story.line.posterior, story.line.depth_m
    if posterior.p_ring > RING_TOLD:
        cap = float(posterior.cap_depth_m[int(np.argmax(posterior.ring_mass))])
        return f"the wall is wet from {story.span('length', Interval(cap, cap, end or cap))} below the top"
    if posterior.p_gas_ring > RING_TOLD:
        return f"the wall is wet down to {story.show('length', end)} below the top and again at the bottom"
    return ""


def _span_of_level(story: Story) -> str:
    """Between which heights the water ends, as a clause, where the taps do not tell it more closely."""
    tank = story.case.tank
    span = level_span_m(story.line.posterior, tank)
    if span is None:
        return "the water's end was not found"
    top, bottom = span
    at_top, at_bottom = top <= 0.0, bottom >= tank.shape.height_m
    if not at_top and not at_bottom:
        return f"the water ends {story.span('length', Interval(top, top, bottom))} below the top"
    place = story.show("length", bottom if at_top else top)
    side = "at most" if at_top == tank.hanging else "at least"
    return f"the water reaches {side} {'down' if tank.hanging else 'up'} to {place} below the top"


def _should(story: Story) -> str:
    """Where the water should end, as a clause."""
    expected = story.comparison.expected
    if expected is None or expected.depth_m is None:
        return "no water is expected in the tank"
    return f"the water should end {story.span('length', expected.depth_m)} below the top"


def _as_expected(story: Story) -> str:
    expected = story.comparison.expected
    start = f"The tank works as expected: {_level(story)}, and at {story.pressure} with {story.charge}"
    if expected is None or expected.depth_m is None:
        return f"{start} it should hold hardly any water."
    span = story.span("length", expected.depth_m)
    if _rings(story):
        return f"{start} water should hardly reach the points: it should end {span} below the top."
    return f"{start} it should end {span} below the top."


def _charge_found(story: Story) -> str:
    estimate = story.comparison.precharge
    if estimate is None:
        return "its pre-charge cannot be put into figures"
    return f"its pre-charge comes out at {charge_words(story, estimate)}"


def charge_words(story: Story, estimate: PrechargeEstimate) -> str:
    """Put the estimated pre-charge into words, one-sided where it is."""
    if estimate.bound == "lower":
        return f"{story.show('pressure', estimate.pressure_pa.median)} at least"
    if not story.case.tank.has_membrane:
        found = estimate.pressure_pa
        level = f"{story.show('pressure', found.median)} ({story.span('pressure', found)})"
        return f"{level}, where a filling from open air is zero"
    if estimate.pressure_pa.median <= 0:
        high = estimate.pressure_pa.high
        return f"nearly nothing (at most {story.show('pressure', high)})" if high > 0 else "zero"
    if estimate.bound == "upper":
        return f"{story.show('pressure', estimate.pressure_pa.median)} at most"
    shown = Interval(estimate.pressure_pa.median, max(estimate.pressure_pa.low, 0.0), estimate.pressure_pa.high)
    return f"{story.show('pressure', shown.median)} ({story.span('pressure', shown)})"


def _low_on_air(story: Story) -> str:
    if story.kept_but_unfit:
        return (
            f"The tank is low on air for this system: it has kept {story.charge}, but the water above it alone presses"
            f" with {story.show('pressure', story.case.system.static_head_pa)}; it needs"
            f" {story.show('pressure', story.comparison.needed_precharge_pa)}."
        )
    expected = story.comparison.expected
    should = f"no water is expected at {story.pressure}"
    if expected is not None and expected.depth_m is not None:
        should = f"it should end {story.span('length', expected.depth_m)} below the top"
    return f"The tank is low on air: {_level(story)}, where with {story.charge} {should}; {_charge_found(story)}."


def _waterlogged(story: Story) -> str:
    expected = story.comparison.expected
    should = ""
    if expected is not None:
        should = (
            f", though at {story.pressure} with {story.charge} it should hold about"
            f" {story.show('volume', expected.water_m3.median)} of its"
            f" {story.show('volume', story.case.tank.volume_m3)}"
        )
    return f"The tank is waterlogged: {_level(story)}, so hardly any air is left{should}."


def _more_air(story: Story) -> str:
    if story.kept_but_unfit:
        return (
            f"The tank is charged too high for this system: it has kept {story.charge}, where {_target(story)} would be"
            " right, and takes no water before the pressure has risen above its charge."
        )
    expected = story.comparison.expected
    assert expected is not None
    return (
        f"The tank holds more air than expected: {_level(story)}, though at {story.pressure} with {story.charge}"
        f" it should hold about {story.show('volume', expected.water_m3.median)} of water; it is over-charged or cut"
        " off from the system."
    )


def _too_small(story: Story) -> str:
    forecast = story.comparison.forecast
    assert forecast is not None
    small = f"the {_all_tanks(story)} together are" if story.case.parallel else "the tank is"
    return (
        f"The charge is right, but {small} too small: at {story.show('temperature', forecast.temperature_c)} the"
        f" pressure comes to about {story.show('pressure', forecast.hot_pressure_pa.median)}, and the relief valve is"
        f" set to {story.show('pressure', story.case.system.relief_pa)}."
    )


def _membrane_failed(story: Story) -> str:
    if story.evidence.get("water at the air valve") == "yes":
        return "The membrane has failed: water comes from the tank's air valve, so the tank is to be replaced."
    return f"The membrane has most likely failed: {story.why}."


def reasons_of(story: Story) -> tuple[Said, ...]:
    """Say what the finding rests on, in whole sentences."""
    said: list[Said] = [f"By the taps {_level(story)}{_interval_words(story)}."]
    said += what_taps_show(story.case.tank)[:1]
    said += story.line.notes
    said += _reading_reasons(story)
    said += _charge_reasons(story)
    said += _air_reasons(story)
    said += _rise_reasons(story)
    said += _forecast_reasons(story)
    said += _unseen_reasons(story)
    ranked = sorted(story.comparison.probabilities.items(), key=lambda item: -item[1])
    others = [f"{code} {percent(chance)}" for code, chance in ranked if code != story.code and chance >= 0.03]
    # "Cannot tell" names in its own sentence what is left open; where the taps say nothing, only our own prior is left.
    if others and story.code != "cannot tell" and not story.kept_but_unfit:
        said.append(f"Taps and readings together leave to the other findings: {', '.join(others)}.")
    return tuple(said)


def _unseen_reasons(story: Story) -> list[str]:
    """Say of a tank called as expected between which charges nothing would show."""
    unseen, reference = story.comparison.unseen_pa, story.comparison.reference
    if story.code != "as expected" or unseen is None or reference is None:
        return []
    low, high = unseen
    if reference.pressure_pa - low <= OFF_PA and high - reference.pressure_pa <= OFF_PA:
        return []
    span = story.span("pressure", Interval(reference.pressure_pa, low, high))
    return [f"A pre-charge anywhere from {span} would show the same."]


def _interval_words(story: Story) -> str:
    interval = story.line.interval90_m
    if story.line.state != "found" or interval is None or story.line.depth_m is None:
        return ""
    return f" ({story.span('length', Interval(story.line.depth_m, *interval))} with 90 % probability)"


def _reading_reasons(story: Story) -> list[str]:
    readings, expected = story.case.readings, story.comparison.expected
    said: list[str] = []
    head, pressure = story.case.system.static_head_pa, readings.pressure_pa
    if head is not None and pressure is not None:
        column = float(static_head_pa(readings.tank_above_gauge_m, story.case.system.fluid))
        if pressure - column < head - 2 * readings.pressure_sd_pa:
            said.append(
                f"The pressure of {story.pressure} does not reach the top of the system, for which"
                f" {story.show('pressure', head + column)} are needed at the gauge: check the height, the gauge and the"
                " filling."
            )
    if stands_above_fill(story.case):
        said.append(
            f"The cold pressure of {story.pressure} stands above the fill setting of"
            f" {story.show('pressure', story.case.system.fill_pa)}: water came in from elsewhere, through the fill"
            " valve, a coil or a plate."
        )
    if expected is not None:
        share = expected.water_share
        said.append(
            f"At {story.pressure} with {story.charge} the tank should hold {story.span('volume', expected.water_m3)} of"
            f" water ({_percents(share.low, share.high)} of its volume): {_should(story)}."
            if share.high >= 0.005
            else f"At {story.pressure} with {story.charge} the tank should hold no water."
        )
    if expected is not None and readings.tank_temperature_c is None:
        said.append("The temperature of the air in the tank was not read; a usual one is assumed with its spread.")
    if expected is not None and readings.charged_at_c is None and story.case.tank.has_membrane:
        said.append("The temperature at charging is not known; a usual one is assumed with its spread.")
    return said


def _percents(low: float, high: float) -> str:
    """Both ends of a span with the sign once: "18 to 24 %"."""
    return percent(high) if percent(low) == percent(high) else f"{100 * low:.0f} to {percent(high)}"


def _charge_reasons(story: Story) -> list[str]:
    comparison, readings = story.comparison, story.case.readings
    said: list[str] = []
    if comparison.precharge is not None:
        said.append(f"From the level the pre-charge comes out at {charge_words(story, comparison.precharge)}.")
        lost = comparison.precharge.lost_air_m3
        share = comparison.precharge.lost_air_share
        if lost is not None and share is not None and share.low > 0.02:
            said.append(
                f"By this about {percent(share.median)} ({_percents(max(share.low, 0.0), share.high)}) of the air of"
                f" the stated charge is gone: {story.show('volume', lost.median)}, measured at that charge."
            )
    needed, stated = comparison.needed_precharge_pa, readings.precharge_pa
    if needed is not None and story.case.tank.has_membrane:
        if stated is None:
            said.append(
                f"The pre-charge was not stated; the height of the system needs {story.show('pressure', needed)},"
                " margin included."
            )
        elif stated < needed - OFF_PA:
            said.append(
                f"The stated pre-charge of {story.show('pressure', stated)} is below the"
                f" {story.show('pressure', needed)} that"
                " the height of the system needs, margin included."
            )
    pressure = readings.pressure_pa
    cold_short = pressure is not None and stated is not None and pressure < stated - 2 * OFF_PA
    if cold_short and is_hot(story.case) is False:
        said.append(
            f"The cold pressure of {story.pressure} is below the stated pre-charge: the tank takes water only above it."
        )
    return said


def _air_reasons(story: Story) -> list[str]:
    """Say what drain and log add to the sound; a contradiction is shown and not averaged."""
    air, tank = story.comparison.air, story.case.tank
    said = list(story.comparison.air_notes)
    if air is None:
        return said
    said.insert(0, air.sentence)
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
        span = story.span("pressure", Interval(middle, low, high))
        ways = " and ".join(estimate.source for estimate in air.estimates)
        said.insert(1, f"Together ({ways}) they speak for a pre-charge of {story.show('pressure', middle)} ({span}).")
    return said


def _rise_reasons(story: Story) -> list[str]:
    """Say on a hot visit what the pressure should have come to since the cold filling."""
    risen, system = story.comparison.risen_pa, story.case.system
    if risen is None:
        return []
    return [
        f"Filled cold to {story.show('pressure', system.fill_pa)}, the system should have come to"
        f" {story.span('pressure', risen)} by now with {story.charge}; it stands at {story.pressure}."
    ]


def _forecast_reasons(story: Story) -> list[str]:
    forecast, relief = story.comparison.forecast, story.case.system.relief_pa
    if forecast is None:
        return []
    setting = (
        "" if relief is None else f"; the relief valve, set to {story.show('pressure', relief)}, {forecast.relief}"
    )
    pressure = story.span("pressure", forecast.hot_pressure_pa)
    if relief is not None and forecast.hot_pressure_pa.high > 2 * relief:
        pressure = _beyond_relief(story, forecast.hot_pressure_pa.low, relief)
    tanks = f", with {_all_tanks(story)} together" if story.case.parallel else ""
    hot = story.show("temperature", forecast.temperature_c)
    return [f"At {hot} the pressure is forecast at {pressure}{tanks}{setting}."]


def _beyond_relief(story: Story, low_pa: float, relief_pa: float) -> str:
    """Name the lower end alone: no system stands the upper one, since the relief valve opens long before."""
    if low_pa > 2 * relief_pa:
        return "more than twice the relief setting, were the valve not to open"
    told = f"{story.show('pressure', low_pa)} and more"
    return f"{told}, were the relief valve not to open" if low_pa > relief_pa else told


def _all_tanks(story: Story) -> str:
    """Name the tapped tank and those in parallel by their number and volume: "2 tanks of 43.0 l"."""
    others = story.case.parallel
    volume = story.case.tank.volume_m3 + sum(tank.volume_m3 for tank in others)
    return f"{1 + len(others)} tanks of {story.show('volume', volume)}"


def _not_tapped(story: Story) -> list[str]:
    """Say which other tanks on the system were not tapped."""
    return [
        f"The parallel tank of {story.show('volume', tank.volume_m3)} was not tapped: its charge of"
        f" {story.show('pressure', tank.precharge_pa)} is only stated."
        for tank in story.case.parallel
    ]


def not_checked_of(story: Story) -> tuple[str, ...]:
    """Say what the finding leaves open, in whole sentences."""
    case, evidence = story.case, story.evidence
    texts = list(what_taps_cannot_show(case.tank))
    if "water at the air valve" in evidence:
        texts = [text for text in texts if "pin of the air valve" not in text]
    if not case.tank.charged:
        return tuple(texts)
    if _rings(story) and story.code == "as expected":
        texts.append(
            "Whether the tank holds too much air, or is cut off from the system, was not checked: it rings all over"
            " either way. Tap again hot."
        )
        if story.line.posterior.p_no_contact > 0:
            texts.append(
                "The tank feels light, which speaks against water in a bag that does not touch its shell, but does not"
                " rule it out. Tap again hot."
                if evidence.get("weight") == "light"
                else "Whether the bag holds water without touching its shell was not checked: that rings all over as"
                " well. Push the tank to feel its weight, or tap again hot."
            )
    texts += _not_tapped(story)
    if "second gauge" not in evidence:
        texts.append("The gauge was not compared with a second one.")
    if "valve drips at" not in evidence:
        texts.append("The relief valve itself was not tested.")
    if story.comparison.forecast is None:
        texts.append(f"The hot pressure was not forecast: {_missing_for_forecast(story)}.")
    elif case.system.relief_pa is None:
        texts.append("The relief valve's setting is not known.")
    if case.tank.has_membrane and case.readings.precharge_pa is None:
        texts.append("The pre-charge was neither stated nor measured.")
    elif case.tank.has_membrane:
        texts.append(
            "The pre-charge was not measured: that needs the tank isolated and its water side drained to zero."
        )
    return tuple(texts)


def _missing_for_forecast(story: Story) -> str:
    system, readings = story.case.system, story.case.readings
    missing = [
        name
        for name, value in (
            ("the system's volume", system.volume_m3),
            ("the highest temperature", system.max_temperature_c),
            ("the system's pressure", readings.pressure_pa),
        )
        if value is None
    ]
    if missing:
        return f"{' and '.join(missing)} {'are' if len(missing) > 1 else 'is'} not known"
    if readings.water_temperature_c is None and is_hot(story.case) is not False:
        return "the water's temperature is not known"
    if not line_speaks(story.line) or story.line.inverted or not line_shows_share(story.case.tank):
        return "the taps do not show how much air the tank holds"
    if readings.pressure_pa is not None and readings.pressure_pa < NO_PRESSURE_PA:
        return "without pressure the taps do not show how much air the tank holds"
    return "pre-charge or temperatures do not carry one"


def pin_may_be_pressed(story: Story) -> bool:
    """Whether the pin of the air valve may be asked for: cold, under pressure, and not pressed already.

    Each press lets air out, its core may stick open, a torn membrane sprays water, and without pressure a dry pin
    proves nothing (common practice, no source).
    """
    pressure = story.case.readings.pressure_pa
    pressed = pressure is not None and pressure >= NO_PRESSURE_PA
    return story.case.tank.has_membrane and is_hot(story.case) is False and pressed and PIN not in story.evidence


def stopping_in_time(story: Story, evidence: str, sentence: str) -> str:
    """Add to a check that fires the system up the pressure at which to stop."""
    stop = stop_heating_at_pa(story.case)
    if evidence not in HEATED or stop is None:
        return sentence
    return f"{sentence} Turn the burner off at {story.show('pressure', stop)} at the latest."


def checks_of(story: Story) -> tuple[str, ...]:
    """List the checks and steps that this finding itself calls for, the cheapest and safest first."""
    tank = story.case.tank
    pin = (PIN_CHECK,) if pin_may_be_pressed(story) else ()
    push = () if "weight" in story.evidence or tank.volume_m3 > HEAVIEST_PUSHED_M3 else (PUSH_CHECK,)
    recharge = (
        f"Cool down, isolate the tank, drain its water side to zero and leave it open, pump it up to {_target(story)},"
        " put it back and tap again."
    )
    drain = (
        "Cool down, isolate the plain tank, drain it while air comes in, fill up to the cold pressure and tap again."
    )
    refill = recharge if tank.has_membrane else drain
    if story.kept_but_unfit and story.code == "more air than expected":
        let_out = "Cool down, isolate the tank, drain its water side to zero and let air out until it is charged to"
        return (f"{let_out} {_target(story)}.",)
    hot = stopping_in_time(
        story, "sound when hot", "Tap the same points again when the system is hot: the level must have moved."
    )
    replace = "Replace the tank: cool down, isolate and drain it; full of water it is heavy."
    steps: dict[FindingCode, tuple[str, ...]] = {
        "as expected": (hot,) if story.may_be_heated and "level from cold to hot" not in story.evidence else (),
        "low on air": (refill,),
        "waterlogged": (*push, refill, *pin),
        "more air than expected": (
            "See whether the valve before the tank is open and its line free: isolated, it cannot take water.",
            "Cool down, isolate the tank, drain its water side to zero and read its charge with a gauge."
            if tank.has_membrane
            else drain,
        ),
        "too small": (
            "Check the system's volume and the highest temperature, on which the forecast rests.",
            "Work out the tank that the system needs from its volume, its temperatures and the relief setting.",
        ),
        "membrane failed": (replace,) if story.evidence.get(PIN) == "yes" else (*push, *pin, replace),
        "cannot tell": _open_steps(story),
    }
    if stands_above_fill(story.case) and story.code == "as expected":
        return (WHERE_FROM, *steps["as expected"])
    return steps[story.code]


def _open_steps(story: Story) -> tuple[str, ...]:
    """List what settles a finding that was left open: the charge's own pressure, or a second round."""
    if not line_shows_share(story.case.tank):
        return ()
    again = "" if story.rounds else second_round_step(story.case)
    return (settling_step(story.case, story.line), *((again,) if again else ()))


def _target(story: Story) -> str:
    """Say the charge to set."""
    right = right_charge_pa(story.case, story.comparison.needed_precharge_pa)
    return "its pre-charge" if right is None else story.show("pressure", right)

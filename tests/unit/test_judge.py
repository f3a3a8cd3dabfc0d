"""Each rule of the finding: what is said, what is never said, and what comes next."""

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from taptest.errors import PhysicsError, VisitError
from taptest.finding.compare import LIKELY_ENOUGH_TO_WEEP, Relief
from taptest.finding.judge import CONTRADICTIONS, COST, State, expected_cost, judge
from taptest.finding.keys import (
    Amount,
    Charge,
    HotPressure,
    Level,
    Missing,
    Reason,
    Step,
    Unchecked,
    Why,
)
from taptest.finding.records import FindingName, Judgement
from taptest.finding.settle import Settle
from taptest.finding.wording import PIN_CHECK, PUSH_CHECK, Told
from taptest.line.quality import SOFT
from taptest.line.records import LineReading, Unreadable
from taptest.quantities import METRIC, US
from taptest.statements import Key, Statement
from taptest.tank.contact import contacts, draw_forms, water_depth_m
from taptest.tank.kinds import LeftOpen, Tank
from taptest.water.log import DrainTest
from taptest.water.pressure import water_share
from taptest.words.tell import tell
from tests.made_cases import AIR_PA, COLD, FILLED, HOT, heard, heard_at, level_for, made_case, made_tank
from tests.said import all_said, keys_of, values_of
from tests.samples import part

HANGING = made_tank(seam_depth_m=0.18)
STANDING = made_tank("diaphragm", "bottom", seam_depth_m=0.18)
BAG = made_tank("bladder", "bottom")
PLAIN = made_tank("plain", "bottom", "horizontal")
REPLACE = Statement(Step.REPLACE)


def at_charge(tank: Tank, precharge_pa: float, **read: Any) -> Judgement:
    """Judge a tank whose true pre-charge differs from the stated 1 bar."""
    state = {**HOT, **read}
    return judge(made_case(tank, **state), heard_at(tank, precharge_pa, state))


@pytest.mark.parametrize("tank", [HANGING, STANDING], ids=["hanging", "standing"])
def test_healthy_tank_is_as_expected(tank: Tank) -> None:
    found = at_charge(tank, 1e5, **FILLED)
    assert found.code == "as expected"
    assert found.speaks_against is False
    assert found.precharge is not None
    assert found.precharge.bound is None
    assert found.precharge.pressure_pa.low < 1e5 < found.precharge.pressure_pa.high
    assert values_of(Told.AS_EXPECTED, found.says)["pressure_pa"] == 1.4e5


def test_a_bag_that_touches_high_speaks_for_a_loss_and_one_that_touches_low_hardly_for_too_much_air() -> None:
    """Contact is a lower bound on water: a bag narrower than its shell ends below its level."""
    loss, excess = at_charge(BAG, -0.1e5), at_charge(BAG, 1.6e5, pressure_pa=2.2e5)
    assert loss.code == "low on air"
    assert loss.probabilities["as expected"] < 0.05
    assert excess.code == "cannot tell"
    assert excess.probabilities["more air than expected"] < 0.7


@pytest.mark.parametrize("tank", [HANGING, STANDING], ids=["hanging", "standing"])
def test_nothing_speaks_against_a_cold_tank_at_its_precharge_that_rings_all_over(tank: Tank) -> None:
    """It is what a right tank does; one with too much air does it as well, so a change of pressure is asked for."""
    found = judge(made_case(tank), heard(tank, "all air"))
    assert found.code == "cannot tell"
    assert found.speaks_against is False
    assert keys_of(found.says)[:2] == [Told.NOTHING_AGAINST, Why.RINGS_EITHER_WAY]
    assert found.precharge is not None
    assert found.precharge.bound == "lower"
    assert keys_of(found.next_checks[0])[0] is Settle.RAISE_TO_ONSET
    assert (
        values_of(Settle.RAISE_TO_ONSET, found.next_checks[0])["most_pa"] == 2.5e5
    )  # half a bar under the relief setting


def test_nothing_speaks_against_a_cold_tank_below_its_precharge_and_the_low_pressure_is_said() -> None:
    found = judge(made_case(HANGING, pressure_pa=0.5e5), heard(HANGING, "all air"))
    assert found.code == "cannot tell"
    assert found.speaks_against is False
    assert values_of(Reason.UNDER_CHARGE, found.reasons)["pressure_pa"] == 0.5e5


def test_something_speaks_against_a_tank_as_soon_as_a_fault_is_the_likeliest_finding() -> None:
    """From a right charge down to a great loss, which long does no harm where the relief valve is set high."""
    case = made_case(STANDING, **FILLED)
    case = replace(case, system=replace(case.system, relief_pa=6e5))
    found = [
        judge(case, heard_at(STANDING, charge, FILLED)) for charge in 1e5 * np.array([1, 0.6, 0.5, 0.45, 0.4, 0.2, 0])
    ]
    quiet = [each.speaks_against is False for each in found]
    likeliest = [max(each.probabilities, key=each.probabilities.__getitem__) == "as expected" for each in found]
    assert quiet[0]
    assert not quiet[-1]
    assert all(right for right, silent in zip(likeliest, quiet, strict=True) if silent)


@pytest.mark.parametrize("tank", [HANGING, STANDING, BAG], ids=["hanging", "standing", "bag"])
@pytest.mark.parametrize("read", [HOT, COLD], ids=["hot", "cold"])
def test_lost_precharge_is_low_on_air(tank: Tank, read: dict[str, Any]) -> None:
    found = at_charge(tank, -0.2e5, **read)
    assert found.code == "low on air"
    assert found.speaks_against is True
    assert found.precharge is not None
    assert found.precharge.lost_air_share is not None
    assert 0.3 < found.precharge.lost_air_share.median < 0.8
    assert found.causes[0].cause == "lost pre-charge"
    assert values_of(Step.RECHARGE, found.next_checks[0])["right_pa"] == pytest.approx(1e5)
    assert not {PIN_CHECK, REPLACE} & set(found.next_checks)


@pytest.mark.parametrize("tank", [HANGING, STANDING, BAG, PLAIN], ids=["hanging", "standing", "bag", "plain"])
@pytest.mark.parametrize("read", [HOT, COLD], ids=["hot", "cold"])
def test_dull_all_over_is_waterlogged_and_never_asks_for_a_new_tank(tank: Tank, read: dict[str, Any]) -> None:
    found = judge(made_case(tank, **read), heard(tank, "all water"))
    assert found.code == "waterlogged"
    assert found.causes[0].cause == "waterlogged tank"
    assert keys_of(found.says)[0] in (Told.WATERLOGGED, Told.WATERLOGGED_SHOULD)
    assert REPLACE not in found.next_checks


def test_all_air_well_above_the_precharge_is_more_air_than_expected() -> None:
    found = judge(made_case(HANGING, **HOT), heard(HANGING, "all air"))
    assert found.code == "more air than expected"
    assert {cause.cause for cause in found.causes[:2]} == {"over-charged tank", "tank isolated or its line plugged"}
    assert keys_of(found.says)[0] is Told.MORE_AIR


def test_right_charge_whose_forecast_reaches_the_relief_setting_is_too_small() -> None:
    ring = heard_at(HANGING, 1e5, FILLED)
    found = judge(
        made_case(HANGING, system={"volume_m3": 0.5, "fill_pa": 1.4e5, "static_head_pa": 1.0e5}, **FILLED), ring
    )
    assert found.code == "too small"
    assert found.forecast is not None
    assert found.forecast.p_may_weep > 0.6
    assert found.causes[0].cause == "tank too small"
    assert values_of(Told.TOO_SMALL, found.says)["hot_c"] == 80.0
    enough = judge(made_case(HANGING, **FILLED), ring)
    assert enough.code == "as expected"
    assert enough.forecast is not None
    assert enough.forecast.relief.key is Relief.STAYS_SHUT


def test_inverted_picture_means_that_the_membrane_has_failed() -> None:
    found = judge(made_case(HANGING, **HOT), heard(HANGING, "inverted"))
    assert found.code == "membrane failed"
    assert keys_of(found.says) == [Told.MEMBRANE_HEARD, Why.INVERTED]
    assert PIN_CHECK not in found.next_checks  # it is hot
    cold = judge(made_case(HANGING, **COLD), heard(HANGING, "inverted"))
    assert PIN_CHECK in cold.next_checks[1:]


def test_inverted_picture_in_a_standing_tank_sends_to_the_pipe_first() -> None:
    found = judge(made_case(STANDING, **HOT), heard(STANDING, "inverted"))
    assert found.code == "membrane failed"
    assert found.confidence == "low"
    assert keys_of(found.next_checks[0]) == [Step.CHECK_PIPE]


def test_inverted_picture_in_a_plain_tank_cannot_be() -> None:
    assert judge(made_case(PLAIN, **HOT), heard(PLAIN, "inverted")).code == "cannot tell"


def test_water_at_the_air_valve_settles_it() -> None:
    found = judge(made_case(BAG, seen={"water at the air valve": "yes"}), heard(BAG, "all air"))
    assert found.code == "membrane failed"
    assert found.confidence == "high"
    assert keys_of(found.says) == [Told.MEMBRANE_WATER]
    assert found.causes[0].cause == "waterlogged tank"


@pytest.mark.parametrize("tank", [STANDING, BAG], ids=["standing", "bag"])
def test_sound_never_clears_the_membrane_of_a_standing_tank(tank: Tank) -> None:
    found = at_charge(tank, 1e5, **FILLED)
    assert found.speaks_against is False
    assert {LeftOpen.STANDING_MEMBRANE, LeftOpen.BAG} & set(keys_of(found.not_checked))


def test_bag_without_contrast_gives_cannot_tell() -> None:
    silent = judge(made_case(BAG, **HOT), heard(BAG, "not found"))
    assert silent.code == "cannot tell"
    assert Why.END_NOT_SHOWN_BAG in keys_of(silent.says)
    ringing = judge(made_case(BAG, **HOT), heard(BAG, "all air"))
    assert ringing.code == "cannot tell"
    assert Why.BAG_RINGS in keys_of(ringing.says)
    assert ringing.next_checks[0] == PUSH_CHECK


def test_cold_bag_at_its_precharge_is_left_open_because_it_may_hide_water() -> None:
    found = judge(made_case(BAG), heard(BAG, "all air"))
    assert found.code == "cannot tell"
    assert Why.BAG_RINGS in keys_of(found.says)
    assert found.next_checks[0] == PUSH_CHECK


def test_nothing_speaks_against_a_cold_bag_at_its_precharge_that_feels_light() -> None:
    found = judge(made_case(BAG, seen={"weight": "light"}), heard(BAG, "all air"))
    assert found.code == "cannot tell"
    assert found.speaks_against is False
    assert Why.BAG_RINGS in keys_of(found.says)
    assert PUSH_CHECK not in found.next_checks
    assert Unchecked.LOOSE_BAG not in keys_of(found.not_checked)


@pytest.mark.parametrize("read", [COLD, HOT], ids=["cold", "hot"])
def test_ringing_bag_that_feels_heavy_is_never_fine(read: dict[str, Any]) -> None:
    found = judge(made_case(BAG, seen={"weight": "heavy"}, **read), heard(BAG, "all air"))
    assert found.code == "cannot tell"
    assert Why.HEAVY_BAG_RINGS in keys_of(found.says)
    assert found.speaks_against is True
    assert Settle.DRAIN in keys_of(found.next_checks[0])
    assert PUSH_CHECK not in found.next_checks


def test_check_of_a_ringing_bag_is_one_that_was_not_made_yet() -> None:
    hot = judge(made_case(BAG, seen={"weight": "light"}, **HOT), heard(BAG, "all air"))
    assert hot.code == "cannot tell"
    assert keys_of(hot.next_checks[0]) == [Settle.COOL_FIRST, Settle.DRAIN]
    known = {"weight": "light", "water at the air valve": "no"}
    dry = judge(made_case(BAG, seen=known, **HOT), heard(BAG, "all air"))
    assert not {PUSH_CHECK, PIN_CHECK} & set(dry.next_checks)


def test_waterlogged_tank_that_feels_heavy_is_not_pushed_again() -> None:
    found = judge(made_case(HANGING, seen={"weight": "heavy"}), heard(HANGING, "all water"))
    assert found.code == "waterlogged"
    assert PUSH_CHECK not in found.next_checks


def test_open_tank_is_explained_and_not_judged() -> None:
    tank = made_tank("open", "bottom", "horizontal")
    found = judge(made_case(tank), heard(tank, "found", 0.1))
    assert found.code == "cannot tell"
    assert Why.OPEN_TANK in keys_of(found.says)
    assert keys_of(found.next_checks) == [Step.OPEN_TANK, Step.OPEN_FLOAT, Step.OPEN_FROST, Step.OPEN_DEBRIS]
    assert found.causes == ()
    assert found.precharge is None


def test_zero_pressure_makes_everything_ring() -> None:
    found = judge(made_case(HANGING, pressure_pa=0.0), heard(HANGING, "all air"))
    assert found.code == "cannot tell"
    assert Why.NO_PRESSURE in keys_of(found.says)
    assert judge(made_case(HANGING, pressure_pa=0.0), heard(HANGING, "all water")).code == "waterlogged"


@pytest.mark.parametrize("tank", [HANGING, STANDING, BAG], ids=["hanging", "standing", "bag"])
def test_charge_that_was_kept_but_is_too_low_for_the_height_is_not_fine(tank: Tank) -> None:
    """15 m of water above a tank charged to 0.4 bar: the charge wanted is head and margin (common practice)."""
    state = {**COLD, "pressure_pa": 1.9e5, "precharge_pa": 0.4e5}
    case = made_case(tank, system={"static_head_pa": 1.47e5, "fill_pa": 1.9e5}, **state)
    found = judge(case, heard(tank, "found", level_for(tank, 0.4e5, state)))
    if tank is not BAG:
        assert found.code in ("low on air", "cannot tell")  # a diaphragm's bounds are wide
        return
    assert found.code == "low on air"
    assert values_of(Told.LOW_FOR_SYSTEM, found.says)["needed_pa"] == pytest.approx(1.77e5)
    assert values_of(Step.RECHARGE, found.next_checks)["right_pa"] == pytest.approx(1.77e5)
    assert not next(cause for cause in found.causes if cause.cause == "lost pre-charge").supported


@pytest.mark.parametrize("tank", [HANGING, STANDING], ids=["hanging", "standing"])
def test_charge_that_was_kept_but_is_far_above_the_fill_pressure_is_not_fine(tank: Tank) -> None:
    state = {**HOT, "pressure_pa": 2.0e5, "precharge_pa": 2.5e5}
    found = judge(made_case(tank, **state), heard(tank, "all air"))
    assert found.code == "more air than expected"
    assert values_of(Told.HIGH_FOR_SYSTEM, found.says)["right_pa"] == pytest.approx(1.2e5)
    assert values_of(Step.LET_AIR_OUT, found.next_checks)["right_pa"] == pytest.approx(1.2e5)


def test_pressure_that_does_not_reach_the_top_of_the_system_is_told() -> None:
    """10.2 m of water are a bar (common practice): 15 m of water and 1.2 bar contradict each other."""
    state = {**HOT, "pressure_pa": 1.2e5}
    low = judge(made_case(BAG, system={"static_head_pa": 1.47e5}, **state), heard(BAG, "all air"))
    assert values_of(Reason.BELOW_HEAD, low.reasons)["needed_pa"] == pytest.approx(1.47e5)
    assert Reason.OTHER_FINDINGS not in keys_of(low.reasons)
    raised = judge(made_case(BAG, tank_above_gauge_m=15.0, **HOT), heard(BAG, "all air"))  # 0.7 and 1.47 bar
    assert values_of(Reason.BELOW_HEAD, raised.reasons)["needed_pa"] == pytest.approx(2.17e5, abs=0.02e5)
    high = judge(made_case(BAG, **HOT), heard(BAG, "all air"))
    assert Reason.BELOW_HEAD not in keys_of(high.reasons)


def test_charge_a_little_off_the_need_is_told_but_still_fine() -> None:
    state = {**HOT, "precharge_pa": 0.8e5}
    found = judge(made_case(BAG, **state), heard(BAG, "found", level_for(BAG, 0.8e5, state)))
    assert found.code == "as expected"
    assert values_of(Reason.CHARGE_BELOW_NEED, found.reasons)["needed_pa"] == pytest.approx(1e5)


def test_lost_air_is_not_pumped_up_beyond_the_fill_pressure() -> None:
    state = {**HOT, "precharge_pa": 2.5e5}
    found = judge(made_case(BAG, **state), heard(BAG, "found", level_for(BAG, 1.0e5, state)))
    assert found.code == "low on air"
    assert values_of(Step.RECHARGE, found.next_checks)["right_pa"] == pytest.approx(1.2e5)


def test_more_air_in_a_plain_tank_sends_to_no_charge_that_it_lacks() -> None:
    found = judge(made_case(PLAIN, **{**HOT, "precharge_pa": 0.0}), heard(PLAIN, "all air", sure=0.999))
    assert found.code == "more air than expected"
    assert Charge.OPEN_AIR in keys_of(found.says)
    assert Step.READ_CHARGE not in keys_of(found.next_checks)


def test_inches_are_shown_as_a_tape_shows_them() -> None:
    state = {**HOT, "pressure_pa": 1.8e5}
    found = judge(made_case(BAG, **state), heard(BAG, "found", level_for(BAG, 0.5e5, state)))
    text = " ".join(tell(each, US) for each in all_said(found))
    assert re.search(r"\d (?:1/2|[1357]/8|[13]/4|\d+/16) in\b", text)
    assert not re.search(r"\d\.\d+ in\b", text)


def test_zero_pressure_puts_no_charge_into_figures() -> None:
    found = judge(made_case(BAG, pressure_pa=0.0), heard(BAG, "found", 0.2))
    assert found.code == "cannot tell"
    assert found.precharge is None
    assert found.forecast is None
    assert Reason.SHOULD_HOLD_NONE in keys_of(found.reasons)
    assert Unchecked.FORECAST_NO_PRESSURE in keys_of(found.not_checked)


def test_plain_tank_without_pressure_is_not_said_to_ring() -> None:
    found = judge(made_case(PLAIN, precharge_pa=None, pressure_pa=0.0), heard(PLAIN, "found", 0.15))
    assert found.code == "cannot tell"
    assert Why.NO_PRESSURE_PLAIN in keys_of(found.says)


@pytest.mark.parametrize("tank", [HANGING, STANDING, BAG, PLAIN], ids=["hanging", "standing", "bag", "plain"])
def test_line_that_shows_no_level_puts_nothing_into_figures(tank: Tank) -> None:
    found = judge(made_case(tank, **HOT), heard(tank, "not found"))
    assert found.code == "cannot tell"
    assert (found.precharge, found.water_m3, found.forecast) == (None, None, None)
    told = keys_of((*found.reasons, *found.not_checked))
    assert not {Reason.CHARGE_BY_LEVEL, Reason.FORECAST, Reason.FORECAST_RELIEF, Reason.OTHER_FINDINGS} & set(told)
    assert Unchecked.FORECAST_AIR in told


def test_measured_drain_gives_a_forecast_where_the_line_is_silent() -> None:
    drain = DrainTest(1e-3, 1.2e5, 0.95e5)
    found = judge(replace(made_case(HANGING, pressure_pa=1.2e5), drain=drain), heard(HANGING, "not found"))
    assert found.precharge is None
    assert found.forecast is not None


def test_relief_valve_that_may_well_weep_is_not_said_to_stay_shut() -> None:
    """A system volume at which the setting less its tolerance is reached in a third of the draws."""
    outlooks = {}
    for volume in (0.12, 0.2, 0.23, 0.26, 0.29, 0.4):
        forecast = judge(made_case(HANGING, system={"volume_m3": volume}), heard(HANGING, "all air")).forecast
        assert forecast is not None
        outlooks[forecast.p_may_weep] = forecast.relief.key
    assert any(LIKELY_ENOUGH_TO_WEEP <= chance < 0.5 for chance in outlooks)
    for chance, relief in outlooks.items():
        assert (relief is Relief.STAYS_SHUT) == (chance < LIKELY_ENOUGH_TO_WEEP)


def test_without_pressure_nothing_is_compared() -> None:
    found = judge(made_case(HANGING, pressure_pa=None), heard(HANGING, "all air"))
    assert found.code == "cannot tell"
    assert keys_of(found.next_checks[0]) == [Step.READ_PRESSURE]
    assert found.water_m3 is not None


def test_missing_precharge_is_compared_with_what_the_system_needs() -> None:
    found = judge(made_case(HANGING, precharge_pa=None, **HOT), heard(HANGING, "found", level_for(HANGING, 1e5, HOT)))
    assert found.code in ("as expected", "cannot tell")  # it may be a factory charge as well
    assert found.speaks_against is not True
    assert found.reference_source == "what the system needs"
    assert found.needed_precharge_pa == pytest.approx(1e5)
    assert {Charge.NEEDED, Reason.CHARGE_NOT_STATED} <= set(keys_of(found.reasons))


def test_without_precharge_and_height_the_charge_is_estimated_but_not_judged() -> None:
    unknown = made_case(HANGING, system={"static_head_pa": None, "fill_pa": None}, precharge_pa=None, **HOT)
    found = judge(unknown, heard(HANGING, "found", level_for(HANGING, 1e5, HOT)))
    assert found.code == "cannot tell"
    assert found.precharge is not None
    assert found.expected is None


def test_plain_tank_is_compared_with_a_filling_from_open_air() -> None:
    state = {**COLD, "pressure_pa": 1.2e5}
    line = heard(PLAIN, "found", level_for(PLAIN, 0.0, state), sd_m=0.006, sure=0.99)
    found = judge(made_case(PLAIN, precharge_pa=None, **state), line)
    assert found.code == "as expected"
    assert found.reference_source == "open air"


def test_level_across_a_lying_diaphragm_tank_asks_for_a_line_in_the_other_half() -> None:
    """A whole diaphragm leaves a level in the water's half, a torn one along the whole tank (docs/membrane.md)."""
    tank = made_tank("diaphragm", "bottom", "horizontal")
    assert judge(made_case(tank, **HOT), heard(tank, "all air")).code == "cannot tell"
    found = judge(made_case(tank, **HOT), heard(tank, "found", 0.15))
    assert found.code == "cannot tell"
    assert keys_of(found.next_checks[0]) == [Step.ALONG_AIR_HALF]


def test_two_boundaries_and_an_unlike_line_are_not_forced_into_one() -> None:
    assert judge(made_case(HANGING, **HOT), heard(HANGING, "two")).code == "cannot tell"
    unlike = heard(HANGING, "found", 0.08, misfit=1.3)
    assert judge(made_case(HANGING, **HOT), unlike).code == "cannot tell"


@pytest.mark.parametrize(
    ("name", "answer"),
    [
        ("weight", "heavy"),
        ("hot pressure", "far above the forecast"),
        ("level from cold to hot", "stays"),
        ("second gauge", "disagrees"),
        ("gauge when open", "not zero"),
    ],
)
def test_as_expected_is_not_said_against_the_other_evidence(name: str, answer: str) -> None:
    ring = heard_at(HANGING, 1e5, FILLED)
    assert judge(made_case(HANGING, **FILLED), ring).code == "as expected"
    found = judge(made_case(HANGING, seen={name: answer}, **FILLED), ring)
    assert found.code == "cannot tell"
    assert found.speaks_against is True
    assert keys_of(found.says)[:3] == [Told.CANNOT_TELL, Why.BUT, CONTRADICTIONS[name, answer]]
    assert found.next_checks


def test_level_between_two_findings_gives_cannot_tell_with_a_check() -> None:
    found = at_charge(BAG, 0.72e5)
    assert found.code == "cannot tell"
    assert {Why.OPEN_BETWEEN, FindingName.AS_EXPECTED, FindingName.LOW_ON_AIR} <= set(keys_of(found.says))


@pytest.mark.sampled
def test_gravely_low_tank_is_hardly_ever_called_fine() -> None:
    """By the forms that mechanics give, seeds fixed: a form in twenty lies where a right tank's may lie as well."""
    rng, count = np.random.default_rng(4), part(12, 2)
    fine = []
    for tank in (HANGING, STANDING, BAG):
        for charge in (-0.4e5, 0.0, 0.2e5):
            forms = draw_forms(count, rng)
            share = float(water_share(charge + AIR_PA, HOT["pressure_pa"] + AIR_PA, HOT["tank_temperature_c"], 20.0))
            for depth in water_depth_m(tank, contacts(tank, np.full(count, share), forms)):
                found = judge(made_case(tank, **HOT), heard(tank, "found", float(depth)))
                fine.append(found.code == "as expected")
    assert np.mean(fine) <= 1 / 20


def test_a_finding_is_told_in_the_units_of_the_user() -> None:
    found = judge(made_case(HANGING, **HOT), heard_at(HANGING, -0.2e5, HOT))
    for said in all_said(found):
        assert not re.search(r"\d (bar|mm|l)\b", tell(said, US))
    assert re.search(r"\d psi\b", tell(found.says, US))
    assert re.search(r"\d in\b", tell(found.says, US))


def test_judgement_is_reproducible_and_every_text_is_a_sentence() -> None:
    line = heard(HANGING, "found", level_for(HANGING, 0.1e5, HOT))
    case = made_case(HANGING, seen={"drips": "hot"}, **HOT)
    first, second = judge(case, line, seed=3), judge(case, line, seed=3)
    assert first.precharge == second.precharge
    assert first.probabilities == second.probabilities
    for text in (tell(said, METRIC) for said in all_said(first)):
        assert text[0].isupper()
        assert text.endswith(".")
        assert "PRV" not in text
    assert sum(first.probabilities.values()) == pytest.approx(1.0)
    assert sum(cause.weight for cause in first.causes) >= 1.0 - 1e-9  # two may be at work at once


def test_what_cannot_be_is_refused() -> None:
    line = heard(HANGING, "all air")
    with pytest.raises(PhysicsError, match="below vacuum"):
        judge(made_case(HANGING, pressure_pa=-1.2e5), line)
    with pytest.raises(PhysicsError, match="no volume"):
        judge(made_case(HANGING, system={"volume_m3": 0.0}), line)
    with pytest.raises(VisitError, match="not known"):
        judge(made_case(HANGING, seen={"colour": "red"}), line)
    with pytest.raises(VisitError, match="answer with one of"):
        judge(made_case(HANGING, seen={"weight": "green"}), line)


def test_missing_system_volume_is_said() -> None:
    found = judge(made_case(HANGING, system={"volume_m3": None}), heard(HANGING, "all air"))
    assert found.forecast is None
    assert values_of(Unchecked.FORECAST_UNKNOWN, found.not_checked)["missing"] == (Statement(Missing.SYSTEM_VOLUME),)


def made(**share: float) -> dict[State, float]:
    """Chances of the states by their names, underscores for spaces; the rest is right."""
    states: dict[str, float] = {name.replace("_", " "): chance for name, chance in share.items()}
    return {"right": 1 - sum(states.values()), **states}  # type: ignore[dict-item]


def cheapest(chances: dict[State, float]) -> str:
    best = min(COST, key=lambda code: expected_cost(code, chances))
    return best if expected_cost(best, chances) < 1 else "cannot tell"


def test_the_finding_is_the_one_that_costs_least() -> None:
    """Costs in units of a "cannot tell": own judgement, that a failed tank called fine is by far the worst."""
    assert cheapest(made(low_on_air=0.05)) == "as expected"
    assert cheapest(made(low_on_air=0.08)) == "cannot tell"
    assert cheapest(made(waterlogged=0.06)) == "cannot tell"
    assert cheapest(made(slight_loss=0.35)) == "as expected"
    assert cheapest(made(low_on_air=0.6)) == "cannot tell", "a fault is as well founded as a tank called fine"
    assert cheapest(made(low_on_air=0.85)) == "low on air"
    assert cheapest(made(low_on_air=0.4, waterlogged=0.5)) == "waterlogged"
    assert cheapest(made(hidden_air=0.2)) == "as expected"
    assert cheapest(made(hidden_air=0.3)) == "cannot tell"
    assert cheapest(made(more_air_than_expected=0.1)) == "cannot tell"
    for code, costs in COST.items():
        assert code in costs or code == "as expected" or costs["right"] > 1
        assert min(costs.values()) > 0
    assert min(COST["as expected"][bad] for bad in ("low on air", "waterlogged", "membrane failed")) >= 3 * max(
        COST[code].get("right", 0.0) for code in COST
    )


def test_line_that_names_no_state_but_narrows_the_level_down_is_judged() -> None:
    """No state is likely enough to be named, all air or a little water: both are what a cold tank at its charge has."""
    air, little = heard(STANDING, "all air"), heard(STANDING, "found", 0.30)
    mixed = replace(
        air.posterior,
        mass=0.98 * little.posterior.mass,
        p_all_air=0.01,
        p_all_water=0.0,
        p_inverted=1 - 0.01 - 0.98 * little.posterior.p_found,
    )
    line = replace(air, state="not found", posterior=replace(mixed, p_inverted=0.0), narrows=True)
    state = {**COLD, "pressure_pa": 1.3e5}
    found = judge(made_case(STANDING, **state), line)
    assert found.code == "as expected", (found.probabilities, found.says)
    assert found.confidence != "high", "no state was named"
    assert values_of(Level.BETWEEN, found.says)["ends_m"] == pytest.approx((0.281, 0.322), abs=0.0005)
    assert judge(made_case(STANDING, **state), replace(line, narrows=False)).code == "cannot tell"


def test_as_expected_says_which_charges_would_show_the_same() -> None:
    found = at_charge(HANGING, 1e5, **FILLED)
    assert found.unseen_pa is not None
    low, high = found.unseen_pa
    assert 0.4e5 < low < 0.9e5
    assert 1.0e5 < high < 1.5e5
    assert values_of(Reason.UNSEEN, found.reasons)["ends_pa"] == (low, high)
    assert at_charge(HANGING, -0.4e5, **FILLED).unseen_pa is None


@pytest.mark.parametrize("tank", [HANGING, STANDING, BAG], ids=["hanging", "standing", "bag"])
@pytest.mark.parametrize("charge", [1e5, 0.4e5, 0.0])
def test_the_same_line_twice_tells_hardly_more_than_once(tank: Tank, charge: float) -> None:
    """The model's own error is the same in both; a second line adds what differs round the tank."""
    case, line = made_case(tank, **FILLED), heard_at(tank, charge, FILLED)
    once, twice = judge(case, line), judge(case, line, beside=[line])
    assert twice.probabilities == pytest.approx(once.probabilities, abs=0.08)
    assert once.precharge is not None
    assert twice.precharge is not None
    widths = [
        each.precharge.pressure_pa.high - each.precharge.pressure_pa.low for each in (once, twice) if each.precharge
    ]
    assert 0.75 < widths[1] / widths[0] < 1.1


def test_something_speaks_against_a_tank_that_is_likelier_too_small() -> None:
    case = made_case(STANDING, **FILLED)
    line = heard_at(STANDING, 0.6e5, FILLED)
    room = replace(case, system=replace(case.system, relief_pa=9e5))
    tight = replace(case, system=replace(case.system, relief_pa=1.9e5, max_temperature_c=90.0))
    assert judge(room, line).speaks_against is False
    small = judge(tight, line)
    assert small.code in ("cannot tell", "too small")
    assert small.speaks_against is True


def test_a_tank_is_not_surely_right_where_half_a_bar_would_not_show() -> None:
    line, wide = heard_at(HANGING, 1e5, FILLED), replace(made_case(HANGING, **FILLED))
    sure = judge(wide, line)
    unsure = judge(replace(wide, readings=replace(wide.readings, pressure_sd_pa=40_000.0)), line)
    assert sure.confidence == "high"
    assert unsure.code in ("cannot tell", "as expected")
    assert unsure.confidence != "high"


def test_a_plain_tank_as_expected_says_how_much_air_more_or_less_would_not_show() -> None:
    tank = made_tank("plain", "bottom")
    case = made_case(tank, **FILLED, precharge_pa=0.0)
    case = replace(case, system=replace(case.system, relief_pa=9e5))
    found = judge(case, heard_at(tank, 0.0, FILLED))
    assert found.code == "as expected"
    told = values_of(Reason.UNSEEN_AIR, found.reasons)
    # Below a tolerance of 7.5 % nobody can tell, and half of the air would show.
    assert 0.075 < told["less_share"] < 0.5
    assert 0.05 < told["more_share"] < 0.5
    assert found.unseen_pa is not None
    assert told["less_share"] == pytest.approx(-found.unseen_pa[0] / AIR_PA, rel=0.01)


def test_hot_pressure_is_laid_beside_what_the_cold_filling_lets_expect() -> None:
    found = at_charge(HANGING, 1e5)
    assert values_of(Reason.RISEN, found.reasons)["fill_pa"] == 1.2e5
    cold = judge(made_case(HANGING), heard(HANGING, "all air"))
    assert Reason.RISEN not in keys_of(cold.reasons)


def test_a_hot_pressure_at_the_relief_setting_speaks_for_a_tank_that_is_cut_off() -> None:
    """With the tank cut off nothing takes up the growth: heated, the system stands at its relief setting."""
    rings = heard(HANGING, "all air")
    chances = [
        judge(made_case(HANGING, **{**HOT, "pressure_pa": pressure}), rings).probabilities["more air than expected"]
        for pressure in (2.4e5, 3.0e5)
    ]
    assert chances[0] < chances[1]
    assert chances[1] > 0.9
    assert judge(made_case(HANGING, **{**HOT, "pressure_pa": 3.0e5}), rings).code == "more air than expected"


def test_percentages_are_written_in_one_way() -> None:
    for charge in (1e5, 0.72e5, 0.1e5):
        found = at_charge(BAG, charge)
        text = " ".join(tell(said, METRIC) for said in all_said(found))
        assert "%" in text
        assert not re.search(r"\d%", text)


def test_inverted_picture_is_told_as_one_and_forecasts_nothing() -> None:
    found = judge(made_case(HANGING, **HOT), heard(HANGING, "inverted", 0.12))
    assert values_of(Level.INVERTED, found.reasons[0])["depth_m"] == pytest.approx(0.12, abs=0.0005)
    assert Unchecked.FORECAST_AIR in keys_of(found.not_checked)
    assert found.precharge is None
    assert found.water_m3 is None


def test_picture_of_a_line_unlike_the_model_is_no_finding() -> None:
    for state in ("inverted", "two"):
        found = judge(made_case(HANGING, **HOT), heard(HANGING, state, misfit=1.2))
        assert found.code == "cannot tell"
        assert Why.UNLIKE_ANYTHING in keys_of(found.says)


def test_membrane_that_taps_and_readings_only_together_speak_against_is_told_with_its_why() -> None:
    found = judge(made_case(HANGING, **HOT), _half_inverted(HANGING))
    assert found.code == "membrane failed"
    assert keys_of(found.says) == [Told.MEMBRANE_HEARD, Why.LIKELIEST_TOGETHER, Why.INVERTED]


def test_half_an_inverted_picture_condemns_no_standing_tank() -> None:
    """There gravity keeps the air on top, and a mix-up of the ends is likelier than a fault."""
    assert judge(made_case(STANDING, **HOT), _half_inverted(STANDING)).code == "cannot tell"


def _half_inverted(tank: Tank) -> LineReading:
    one = heard(tank, "inverted", sure=0.55)
    unsure = replace(one.posterior, p_inverted=0.45, p_two=0.1)
    return replace(one, state="not found", inverted=False, depth_m=None, interval90_m=None, posterior=unsure)


@pytest.mark.parametrize(
    ("tank", "at_top", "at_bottom"),
    [(HANGING, Level.AT_MOST_DOWN, Level.AT_LEAST_DOWN), (STANDING, Level.AT_LEAST_UP, Level.AT_MOST_UP)],
    ids=["hanging", "standing"],
)
def test_narrowed_level_is_told_by_its_span(tank: Tank, at_top: Level, at_bottom: Level) -> None:
    height = tank.shape.height_m

    def said(top_share: float, bottom_share: float) -> Key:
        line = heard(tank, "found", 0.3 * height, sd_m=0.02)
        mass = line.posterior.mass / line.posterior.p_found * (1 - top_share - bottom_share)
        air, water = (bottom_share, top_share) if tank is STANDING else (top_share, bottom_share)
        mixed = replace(line.posterior, mass=mass, p_all_air=air, p_all_water=water, p_inverted=0.0, p_two=0.0)
        away: dict[str, Any] = {"state": "not found", "depth_m": None, "interval90_m": None, "narrows": True}
        away["posterior"] = mixed
        return keys_of(judge(made_case(tank, **HOT), replace(line, **away)).reasons[0])[1]

    assert said(0.3, 0.0) is at_top
    assert said(0.0, 0.3) is at_bottom
    assert said(0.0, 0.0) is Level.BETWEEN


def test_a_pressure_that_no_system_stands_is_not_put_into_figures() -> None:
    found = judge(made_case(HANGING, system={"volume_m3": 4.0}, **HOT), heard(HANGING, "all water"))
    assert HotPressure.TWICE_RELIEF in keys_of(found.reasons)
    assert Amount.ZERO in keys_of(found.reasons)


def test_what_no_tap_can_tell_keeps_a_tank_from_being_called_fine() -> None:
    """A cold tank at its charge rings all over, and one with too much air does as well."""
    found = judge(made_case(HANGING), heard(HANGING, "all air"))
    assert found.probabilities["as expected"] > 0.6
    assert found.probabilities["more air than expected"] > 0.1
    assert found.code == "cannot tell"


@pytest.mark.parametrize(
    "unreadable",
    [SOFT, Unreadable("too few points", "tap more points"), Unreadable("nothing but a clause", "")],
    ids=["soft striker", "few points", "no remedy"],
)
def test_a_line_too_poor_to_read_says_why_and_what_to_do_about_it(unreadable: Unreadable) -> None:
    line = replace(heard(BAG, "not found"), method="none", unreadable=unreadable)
    found = judge(made_case(BAG, **HOT), line)
    assert found.code == "cannot tell"
    assert values_of(Why.UNREADABLE, found.says)["taps"] == unreadable.why
    assert found.next_checks[0] == (unreadable.step or Statement(Step.TAP_AGAIN))

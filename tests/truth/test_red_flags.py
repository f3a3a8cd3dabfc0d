"""What has to be said before any finding, on invented visits whose answers were reasoned by the trade's rules.

The answers are written down here and not computed: a relief valve that has not opened above its setting, water above
the limit, drinking water that may be fouled, entries that cannot be right (common practice, no source). Rules that hold
on every visit: no tank is called as expected beside a danger or a doubt, the first step is safe, the pin of the air
valve is pressed cold and never first, nothing fires up a system that stands near its relief setting, and no visit is
flagged that a technician would call ordinary.
"""

from dataclasses import replace
from itertools import product
from typing import Any

import pytest

from taptest.finding.cause_keys import Get
from taptest.finding.judge import judge
from taptest.finding.keys import Reason, Step, Why
from taptest.finding.records import Judgement
from taptest.finding.red_flags import FlagSays, FlagStep
from taptest.finding.wording import PIN_CHECK, Told
from taptest.line.records import LineReading
from taptest.quantities import METRIC
from taptest.statements import Statement
from taptest.tank.kinds import Tank
from taptest.words.tell import tell
from tests.made_cases import heard, heard_at, made_case, made_tank
from tests.said import keys_of, values_of
from tests.samples import every

HANGING, STANDING = made_tank("diaphragm", "top"), made_tank("diaphragm", "bottom")
BAG, PLAIN = made_tank("bladder", "bottom"), made_tank("plain", "bottom")
TANKS = {"hanging": HANGING, "standing": STANDING, "bag": BAG, "plain": PLAIN}
COLD: dict[str, Any] = {"state": "cold", "water_temperature_c": 18.0, "tank_temperature_c": 18.0}
HOT: dict[str, Any] = {"state": "hot", "water_temperature_c": 72.0, "tank_temperature_c": 30.0}
HEATING = {Get.HOT_PRESSURE, Get.SOUND_WHEN_HOT, Get.LEVEL_FROM_COLD_TO_HOT, Get.WARM_UP, Step.TAP_HOT}
"""Steps that fire the system up."""
HEARD = ("right", "dull all over", "rings all over", "not found")


def line_of(tank: Tank, what: str, read: dict[str, Any]) -> LineReading:
    if what == "right":
        return heard_at(tank, 0.0 if tank.kind == "plain" else 1e5, read)
    return heard(tank, {"dull all over": "all water", "rings all over": "all air", "not found": "not found"}[what])


def judged(tank: Tank, what: str, read: dict[str, Any], **more: Any) -> Judgement:
    return judge(made_case(tank, **read, **more), line_of(tank, what, read))


# Reading -> keys of the flags that a careful engineer raises; the relief valve is set to 3 bar, the limit is 80 C.
READINGS: list[tuple[dict[str, Any], tuple[str, ...]]] = [
    ({**COLD, "pressure_pa": 1.2e5}, ()),
    ({**COLD, "pressure_pa": 1.8e5}, ()),
    ({**HOT, "pressure_pa": 2.0e5}, ()),
    ({**HOT, "pressure_pa": 2.5e5}, ()),
    ({**HOT, "pressure_pa": 2.8e5}, ("near the relief setting",)),
    ({**HOT, "pressure_pa": 3.0e5}, ("near the relief setting",)),
    ({**HOT, "pressure_pa": 3.6e5}, ("relief valve does not open",)),
    ({**COLD, "pressure_pa": 3.6e5}, ("relief valve does not open",)),
    ({**HOT, "pressure_pa": 2.0e5, "water_temperature_c": 108.0}, ("water too hot",)),
    ({**HOT, "pressure_pa": 2.0e5, "water_temperature_c": 88.0}, ("water too hot",)),
    ({**HOT, "pressure_pa": 3.5e5, "water_temperature_c": 95.0}, ("relief valve does not open", "water too hot")),
    ({**COLD, "pressure_pa": 15e5}, ("pressure or its unit",)),
    ({**COLD, "pressure_pa": 1.5e5, "precharge_pa": 12e5}, ("pre-charge or its unit",)),
    ({**COLD, "pressure_pa": 1.5e5, "water_temperature_c": 68.0}, ("cold or hot",)),
    ({**HOT, "pressure_pa": 1.5e5, "water_temperature_c": 20.0}, ("cold or hot",)),
]
GRID = [
    pytest.param(name, what, read, keys, id=f"{name}-{what}-{number}")
    for (name, what), (number, (read, keys)) in product(product(TANKS, HEARD), enumerate(READINGS))
]
"""By default each reading is tried on every tank, heard in one way."""


@pytest.mark.parametrize(("name", "what", "read", "keys"), every(4, GRID))
def test_the_flags_are_those_that_the_trade_raises(
    name: str, what: str, read: dict[str, Any], keys: tuple[str, ...]
) -> None:
    found = judged(TANKS[name], what, read)
    assert tuple(flag.key for flag in found.red_flags) == keys
    if keys:
        assert found.code not in ("as expected", "membrane failed")
        assert found.next_checks[0] == found.red_flags[0].step
    if any(flag.level == "doubt" for flag in found.red_flags):
        assert found.code == "cannot tell"
        assert found.speaks_against is None
    _no_unsafe_step(found, read)


def _no_unsafe_step(found: Judgement, read: dict[str, Any]) -> None:
    """Hold the rules of safety that do not depend on what was found."""
    assert found.next_checks[0] != PIN_CHECK
    if read["state"] == "hot":
        assert PIN_CHECK not in found.next_checks
    for check in found.next_checks:
        heating = HEATING & set(keys_of(check))
        if read["pressure_pa"] >= 2.5e5:
            assert not heating
        if heating:
            assert values_of(Step.STOP_HEATING, check)["stop_pa"] == 2.5e5


def test_a_valve_that_does_not_open_is_said_with_what_to_do() -> None:
    found = judged(STANDING, "right", {**HOT, "pressure_pa": 3.6e5})
    (flag,) = found.red_flags
    assert flag.says == Statement(FlagSays.RELIEF_STAYS_SHUT, {"pressure_pa": 3.6e5, "relief_pa": 3e5})
    for words in ("burner off", "Keep clear", "Do not tap", "licensed person"):
        assert words in tell(flag.step, METRIC)


@pytest.mark.parametrize(
    "seen", [{"pressure rises": "heat off, fill closed"}, {"potable supply shut": "rise stops"}], ids=["rises", "stops"]
)
def test_a_leaking_coil_warns_of_the_drinking_water(seen: dict[str, str]) -> None:
    found = judged(HANGING, "right", {**COLD, "pressure_pa": 1.5e5}, seen=seen)
    assert [flag.key for flag in found.red_flags] == ["drinking water"]
    assert found.red_flags[0].step.key is FlagStep.DRINKING_WATER


@pytest.mark.parametrize("name", ["hanging", "standing", "bag"])
def test_no_tank_is_fine_below_the_head_or_under_its_charge(name: str) -> None:
    """At 0.5 bar under a head of 0.7 bar the system is not full; at 0.9 bar a charge of 1 bar takes no water."""
    for pressure, why in ((0.5e5, Why.NOT_FULL), (0.85e5, Why.UNDER_CHARGE)):
        found = judged(TANKS[name], "rings all over", {**COLD, "pressure_pa": pressure})
        assert found.code != "as expected"
        if found.code == "cannot tell" and why in keys_of(found.says):
            assert keys_of(found.next_checks[0]) == [Step.FILL_ABOVE_AND_TAP]


def test_a_low_house_with_a_usual_charge_is_not_over_charged() -> None:
    """2 m of head need 0.5 bar, the factory set 1.0, the fill stands at 1.5: the tank is right as it is."""
    case = made_case(STANDING, system={"static_head_pa": 0.2e5, "fill_pa": 1.5e5}, **{**COLD, "pressure_pa": 1.5e5})
    found = judge(case, heard_at(STANDING, 1e5, {**COLD, "pressure_pa": 1.5e5}))
    assert Told.HIGH_FOR_SYSTEM not in keys_of(found.says)
    unknown = replace(case, system=replace(case.system, fill_pa=None))
    says = judge(unknown, heard_at(STANDING, 1e5, {**COLD, "pressure_pa": 1.5e5})).says
    assert Told.HIGH_FOR_SYSTEM not in keys_of(says)


def test_the_charge_to_set_is_the_same_in_sizing_and_judging() -> None:
    """At 105 C the steam's overpressure of 0.19 bar is added (saturation at 105 C: 1.209 bar, IAPWS, from memory)."""
    from taptest.finding.draws import needed_precharge_pa
    from taptest.water.sizing import needed_precharge_pa as by_size

    case = made_case(HANGING, system={"max_temperature_c": 105.0, "static_head_pa": 0.6e5})
    assert needed_precharge_pa(case) == pytest.approx(by_size(0.6e5, 105.0))
    assert needed_precharge_pa(case) == pytest.approx(0.6e5 + 0.3e5 + (1.209e5 - 1.01325e5), abs=500.0)


def test_a_creeping_fill_is_not_a_tank_that_is_too_small() -> None:
    """Filled to 1.2 bar the 21 l tank serves 120 l well; at 2.3 bar cold, water came in from elsewhere."""
    read = {**COLD, "pressure_pa": 2.3e5}
    case = made_case(PLAIN, system={"fill_pa": 1.2e5, "volume_m3": 0.08}, **read, precharge_pa=0.0)
    found = judge(case, heard_at(PLAIN, 0.0, read))
    assert found.code != "too small"
    assert Reason.ABOVE_FILL in keys_of(found.reasons)
    small = made_case(
        PLAIN, system={"fill_pa": 1.2e5, "volume_m3": 0.6}, **{**COLD, "pressure_pa": 1.2e5}, precharge_pa=0.0
    )
    assert judge(small, heard_at(PLAIN, 0.0, {**COLD, "pressure_pa": 1.2e5})).code == "too small"


def test_a_factory_charge_that_nobody_stated_is_no_over_charge() -> None:
    """One storey, 12 psi from the factory, filled to 15 psi: right, though the height alone needs less."""
    read = {**COLD, "pressure_pa": 1.034e5}
    case = made_case(STANDING, system={"static_head_pa": 0.25e5, "fill_pa": 1.034e5}, **read, precharge_pa=None)
    found = judge(case, heard_at(STANDING, 0.827e5, read))
    assert found.code in ("as expected", "cannot tell")
    assert found.probabilities["more air than expected"] < 0.5

"""Other tanks on the system: read from the visit, taken into the forecast and off the air, and told as untapped.

One tank equals two halves of the same charge, by the gas law; the systems are made up, worked by the forecast's balance
of water, which tests/unit/test_water.py holds to outside values.
"""

import copy
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from taptest.errors import PhysicsError, QuantityError, TaptestError, VisitError
from taptest.finding.air import other_air
from taptest.finding.judge import judge
from taptest.finding.keys import Hot, Unchecked
from taptest.finding.parallel import OtherTanks
from taptest.finding.records import Case, Judgement, ParallelTank
from taptest.finding.wording import Told
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from taptest.visit.intake import read_tank
from taptest.visit.meaning import Meaning, meaning_of
from taptest.visit.record import document_from, read_document, write_document
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, pressure_after
from taptest.water.log import DrainTest, LogEntry, precharge_from_air_pa
from tests.made_cases import COLD, HOT, heard, level_for, made_case, made_tank
from tests.made_visits import DOCUMENT
from tests.said import keys_of, values_of

WHOLE = made_tank()
_SCALE = 0.5 ** (1 / 3)
_SHAPE = Shape("vertical", 0.3 * _SCALE, 0.21 * _SCALE, "ellipsoidal", 0.0015)
HALF = Tank("diaphragm", "top", _SHAPE, WHOLE.volume_m3 / 2)
OTHER_HALF = ParallelTank(WHOLE.volume_m3 / 2, 1e5, 20.0)
SAME_HALF = {"volume": "9 l", "precharge": "1 bar"}


def judged(tank: Tank, read: dict[str, Any], *others: ParallelTank, **system: Any) -> Judgement:
    """Judge a tank that has kept its pre-charge of 1 bar, with others beside it."""
    case = replace(made_case(tank, system=system, **read), parallel=others)
    return judge(case, heard(tank, "found", level_for(tank, 1e5, read)))


@pytest.mark.parametrize("read", [HOT, {**COLD, "pressure_pa": 1.4e5}], ids=["hot", "cold"])
def test_one_tank_is_as_good_as_two_halves(read: dict[str, Any]) -> None:
    one, two, half = judged(WHOLE, read), judged(HALF, read, OTHER_HALF), judged(HALF, read)
    assert one.code == two.code == "as expected"
    assert one.forecast is not None
    assert two.forecast is not None
    assert half.forecast is not None
    assert two.forecast.hot_pressure_pa.median == pytest.approx(one.forecast.hot_pressure_pa.median, abs=3_000.0)
    assert half.forecast.hot_pressure_pa.median > two.forecast.hot_pressure_pa.median + 5_000.0
    curves = [found.forecast.curve for found in (one, two) if found.forecast is not None]
    assert curves[0] is not None
    assert curves[1] is not None
    np.testing.assert_allclose(curves[1].median_pa, curves[0].median_pa, atol=6_000.0)


def test_too_small_is_judged_with_all_tanks() -> None:
    read = {**COLD, "pressure_pa": 1.4e5}
    alone, both = judged(HALF, read), judged(HALF, read, OTHER_HALF)
    assert alone.code == "too small"
    assert both.code == "as expected"
    large = judged(HALF, read, OTHER_HALF, volume_m3=0.4)
    assert large.code == "too small"
    assert values_of(Told.TOO_SMALL_TOGETHER, large.says)["tanks"] == 2


def test_an_untapped_tank_is_told() -> None:
    read = {**COLD, "pressure_pa": 1.4e5}
    one, two = judged(HALF, read, volume_m3=0.06), judged(HALF, read, replace(OTHER_HALF, precharge_pa=0.5e5))
    assert keys_of(two.not_checked).count(Unchecked.OTHER_TANK) == 1
    assert values_of(Unchecked.OTHER_TANK, two.not_checked)["charge_pa"] == 0.5e5
    assert values_of(Hot.AT_TOGETHER, two.reasons)["tanks"] == 2
    assert not {Unchecked.OTHER_TANK, Hot.AT_TOGETHER} & set(keys_of((*one.not_checked, *one.reasons)))


def test_a_lost_charge_beside_the_tapped_tank_raises_the_forecast() -> None:
    read = {**COLD, "pressure_pa": 1.4e5}
    pressures = []
    for charge in (1.0e5, 0.5e5, 0.1e5):
        forecast = judged(HALF, read, replace(OTHER_HALF, precharge_pa=charge)).forecast
        assert forecast is not None
        pressures.append(forecast.hot_pressure_pa.median)
    assert pressures == sorted(pressures)
    assert pressures[2] > pressures[0] + 10_000.0


def cushion(tank: ParallelTank) -> Cushion:
    share = 1.0 if tank.acceptance_share is None else tank.acceptance_share
    return Cushion(tank.volume_m3, tank.precharge_pa, 20.0, acceptance_share=share)


def with_drain(others: Sequence[ParallelTank], litres: float) -> Case:
    """A measured drain on a tank of 0.8 bar with others beside it, by the forecast's balance of water."""
    tanks = [Cushion(WHOLE.volume_m3, 0.8e5), *map(cushion, others)]
    after = float(pressure_after(SystemState(0.12, 1.5e5, 20.0), tanks, -litres / 1000))
    case = made_case(WHOLE, **{**COLD, "pressure_pa": 1.5e5})
    return replace(case, drain=DrainTest(litres / 1000, 1.5e5, after), parallel=tuple(others))


@pytest.mark.parametrize("charges", [(), (0.5e5,), (0.5e5, 0.3e5), (2.6e5,)], ids=["none", "one", "two", "cut out"])
def test_the_drain_finds_the_air_of_the_tapped_tank_alone(charges: tuple[float, ...]) -> None:
    others = [ParallelTank(0.012, charge, 20.0) for charge in charges]
    estimates, notes = other_air(with_drain(others, 2.0))
    assert precharge_from_air_pa(estimates[0].free_air_m3, WHOLE.volume_m3) == pytest.approx(0.8e5, abs=4_000.0)
    alone, _ = other_air(with_drain([], 2.0))
    if charges and charges[0] < 1e5:
        assert estimates[0].sd_m3 > alone[0].sd_m3
        assert OtherTanks.TAKEN_OFF in keys_of(notes)
    else:
        assert OtherTanks.TAKEN_OFF not in keys_of(notes)


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (ParallelTank(0.012, 1.45e5, 20.0), OtherTanks.MAYBE_EMPTY),
        (ParallelTank(0.012, 0.5e5, 20.0, 0.2), OtherTanks.MAYBE_FULL),
    ],
)
def test_a_tank_that_took_part_only_at_times_spoils_the_drain_and_that_is_said(
    other: ParallelTank, why: OtherTanks
) -> None:
    estimates, notes = other_air(with_drain([other], 2.0))
    assert estimates == ()
    assert keys_of(notes)[0] is why


def test_less_air_than_the_others_should_hold_is_said() -> None:
    case = replace(with_drain([], 2.0), parallel=(ParallelTank(0.3, 0.5e5, 20.0),))
    estimates, notes = other_air(case)
    assert estimates == ()
    assert keys_of(notes)[0] is OtherTanks.TOO_LITTLE


def test_the_warm_up_finds_the_air_of_the_tapped_tank_alone() -> None:
    other = ParallelTank(0.012, 0.6e5, 20.0)
    tanks = [Cushion(WHOLE.volume_m3, 0.8e5), cushion(other)]
    state = SystemState(0.12, 1.4e5, 20.0)
    log = tuple(
        LogEntry(600.0 * i, float(hot_pressure_pa(state, tanks, t)), t, 20.0, True, False)
        for i, t in enumerate([20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0])
    )
    case = replace(made_case(WHOLE, **{**COLD, "pressure_pa": 1.4e5}), log=log)
    (both,), _ = other_air(case)
    (found,), _ = other_air(replace(case, parallel=(other,)))
    assert both.free_air_m3 > found.free_air_m3 + 0.015
    assert precharge_from_air_pa(found.free_air_m3, WHOLE.volume_m3) == pytest.approx(0.8e5, abs=8_000.0)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (ParallelTank(0.0, 1e5), "no volume"),
        (ParallelTank(0.012, -1.2e5), "below vacuum"),
        (ParallelTank(0.012, 1e9), "far beyond"),
        (ParallelTank(0.012, 1e5, 20.0, 1.4), "above 0 and up to 1"),
    ],
)
def test_a_tank_that_cannot_be_is_refused_by_the_finding(other: ParallelTank, words: str) -> None:
    with pytest.raises(PhysicsError, match=words):
        judged(WHOLE, HOT, other)


def meaning(*others: dict[str, Any], **system: str) -> Meaning:
    raw: Any = {**copy.deepcopy(DOCUMENT), "parallel": list(others)}
    raw["system"] = system
    return meaning_of(document_from(raw, "visit.json"), "visit.json")


def test_other_tanks_are_understood() -> None:
    first, second = meaning(
        SAME_HALF,
        {"volume": "4 gal", "precharge": "12 psi", "charged_at": "68 F", "acceptance": "50 %"},
    ).case.parallel
    assert (first.volume_m3, first.precharge_pa) == pytest.approx((0.009, 1e5))
    assert (first.charged_at_c, first.acceptance_share) == (None, None)
    # 3.785411784 l a US gallon and 6894.757 Pa a psi: definitions.
    assert second.volume_m3 == pytest.approx(4 * 3.785411784e-3)
    assert second.precharge_pa == pytest.approx(12 * 6894.757, rel=1e-6)
    assert second.charged_at_c == pytest.approx(20.0)
    assert second.acceptance_share == pytest.approx(0.5)


def test_an_absolute_charge_is_read_with_the_altitude() -> None:
    (high,) = meaning({"volume": "9 l", "precharge": "2 bar abs"}, altitude="500 m").case.parallel
    # ISO 2533: 954.6 hPa at 500 m, value from memory.
    assert high.precharge_pa == pytest.approx(2e5 - 95_460, abs=50)


def test_a_charge_below_vacuum_on_site_is_refused() -> None:
    with pytest.raises(PhysicsError, match=r'entry 1, precharge: "-1 bar" is below vacuum'):
        meaning({"volume": "9 l", "precharge": "-1 bar"}, altitude="1500 m")


def test_other_tanks_are_written_and_read_back_and_left_out_where_there_are_none() -> None:
    document = document_from({**DOCUMENT, "parallel": [SAME_HALF, {**SAME_HALF, "acceptance": "4 l"}]}, "visit.json")
    assert read_document(write_document(document), "visit.json") == document
    assert '"parallel"' not in write_document(document_from(DOCUMENT, "visit.json"))


@pytest.mark.parametrize(
    ("other", "error", "words"),
    [
        ({"volume": "9 l"}, VisitError, ["parallel, entry 1", '"precharge"', "missing"]),
        ({**SAME_HALF, "volume": " "}, QuantityError, ["[[parallel]], entry 1", '"volume"', "empty"]),
        ({**SAME_HALF, "volume": 9}, VisitError, ["parallel, entry 1", '"9 l"', '"9 gal"']),
        ({**SAME_HALF, "volume": "9"}, QuantityError, ["[[parallel]], entry 1, volume", "'9'", "unit"]),
        ({**SAME_HALF, "volume": "0 l"}, PhysicsError, ["[[parallel]], entry 1, volume", '"0 l"', "plate"]),
        ({**SAME_HALF, "precharge": "-2 bar"}, PhysicsError, ["entry 1, precharge", "-2 bar", "vacuum"]),
        ({**SAME_HALF, "precharge": "1 l"}, QuantityError, ["entry 1, precharge", "1 l"]),
        ({**SAME_HALF, "charged_at": "x"}, QuantityError, ["entry 1, charged_at", "'x'"]),
        ({**SAME_HALF, "acceptance": "12 l"}, PhysicsError, ["entry 1, acceptance", "'12 l'", "133 %"]),
        ({**SAME_HALF, "preload": "1 bar"}, VisitError, ["parallel, entry 1", '"preload"']),
    ],
)
def test_a_refusal_names_file_entry_value_and_cure(
    other: dict[str, Any], error: type[TaptestError], words: list[str]
) -> None:
    with pytest.raises(error) as caught:
        meaning(other)
    assert str(caught.value).startswith("visit.json")
    for word in words:
        assert word in str(caught.value)


def test_a_section_that_is_no_list_is_refused(tmp_path: Path) -> None:
    (tmp_path / "tank.toml").write_text("[parallel]\nvolume = '9 l'\n", encoding="utf-8")
    with pytest.raises(VisitError, match=r"list of tanks: write \[\[parallel\]\]"):
        read_tank(tmp_path / "tank.toml")

"""Sizing: bands, working, warnings, refusals, and the choice from a list of sizes."""

from collections.abc import Callable
from typing import get_args

import pytest

from taptest.errors import PhysicsError
from taptest.quantities import US, parse
from taptest.water.fluids import WATER, Fluid, net_expansion
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa
from taptest.water.sizing import (
    LITRES_PER_KW,
    Band,
    SizingMethod,
    SizingResult,
    SizingTask,
    TankSize,
    choose_tanks,
    en_fill_range_pa,
    en_tank_m3,
    entered_volume,
    model_code_factor,
    needed_precharge_pa,
    rule_of_thumb_volume,
    size,
    tank_volume_m3,
)

TASK = SizingTask(entered_volume(0.3), 80.0, 3e5, static_head_pa=0.7e5)
BANDED = SizingTask(rule_of_thumb_volume(24e3, "panel radiator"), 75.0, 3e5, static_head_pa=0.7e5)
LITRES = (8, 12, 18, 25, 35, 50, 80, 105)


def sizes(share: float | None = None) -> list[TankSize]:
    return [TankSize(litres / 1e3, None if share is None else share * litres / 1e3) for litres in LITRES]


def test_rule_of_thumb_is_a_band_and_says_so() -> None:
    """8 to 13 l per kW for panel radiators: common practice, no source."""
    band = rule_of_thumb_volume(24e3, "panel radiator", store_m3=0.1)
    assert [band.low, band.high] == pytest.approx([0.292, 0.412])
    assert band.low < band.likely < band.high
    for low, high in LITRES_PER_KW.values():
        assert 0 < low < high
    assert any("common practice, no source" in line for line in size(BANDED, "diaphragm").lines)
    assert any("as entered" in line for line in size(TASK, "diaphragm").lines)


@pytest.mark.parametrize("method", get_args(SizingMethod))
def test_every_method_works_a_band_through(method: SizingMethod) -> None:
    result = size(BANDED, method, US)
    assert 0 < result.volume_m3.low < result.volume_m3.likely < result.volume_m3.high
    assert result.expansion_m3.high <= result.acceptance_m3.high * (1 + 1e-12) <= result.volume_m3.high
    assert all(line.endswith(".") for line in result.lines + result.warnings)
    assert any("gal" in line for line in result.lines)


def test_recommended_charge_is_static_head_plus_margin() -> None:
    """Head + 0.3 bar, 4 to 5 psi: common practice; steam's overpressure is added above 100 C."""
    assert needed_precharge_pa(0.7e5) == pytest.approx(1.0e5)
    head = parse("pressure", "8.66 psi").si  # 20 ft
    assert needed_precharge_pa(head) / parse("pressure", "1 psi").si == pytest.approx(13.0, abs=0.2)
    assert needed_precharge_pa(0.7e5, 110.0) == pytest.approx(1.0e5 + 143_380 - 101_325, abs=300)
    result = size(TASK, "diaphragm")
    assert [result.precharge_pa, result.fill_pa] == pytest.approx([1e5, 1e5])
    plain = size(TASK, "closed")
    assert [plain.precharge_pa, plain.fill_pa] == pytest.approx([0.0, 1e5])


@pytest.mark.parametrize("method", ["closed", "diaphragm"])
def test_a_tank_of_just_the_size_ends_at_the_highest_pressure(method: SizingMethod) -> None:
    """The sizing equation and the forecast are two sides of one law."""
    result = size(TASK, method)
    assert result.fill_pa is not None
    assert result.max_pa is not None
    state = SystemState(0.3, result.fill_pa, 10.0, compressibility_per_pa=1e-14)
    hot = hot_pressure_pa(state, [Cushion(result.volume_m3.likely, result.precharge_pa or 0.0)], 80.0)
    assert float(hot) == pytest.approx(result.max_pa, rel=1e-6)


def test_en_reserve_for_small_and_large_tanks() -> None:
    """20 % of a tank up to 15 l; else 0.5 % of the system, at least 3 l (values from memory)."""
    volume, reserve = en_tank_m3(0.05, 0.0014, 2e5, 3.5e5)
    assert volume <= 0.015
    assert reserve == pytest.approx(0.2 * volume)
    assert volume * (1 - 2e5 / 3.5e5) == pytest.approx(0.0014 + reserve)
    assert en_tank_m3(0.3, 0.0086, 2e5, 3.5e5)[1] == pytest.approx(0.003)
    assert en_tank_m3(2.0, 0.0574, 2e5, 3.5e5)[1] == pytest.approx(0.010)
    volumes = [en_tank_m3(v / 1e3, 0.0287 * v / 1e3, 2e5, 3.5e5)[0] for v in range(20, 600, 5)]
    assert volumes == sorted(volumes)


def test_en_choice_leaves_the_reserve_of_the_tank_chosen() -> None:
    """Cold at the fill pressure, the chosen tank holds its own reserve: 20 % up to 15 l, else at least 3 l (from
    memory).
    """
    small = SizingTask(entered_volume(0.05), 70.0, 3e5, static_head_pa=0.5e5)
    for task in (small, BANDED):
        result = size(task, "en 12828")
        for choice in choose_tanks(task, result, sizes(), most=1):
            assert result.precharge_pa is not None
            assert choice.fill_pa is not None
            held = choice.volume_m3 * (1 - (result.precharge_pa + 101325) / (choice.fill_pa + 101325))
            assert held == pytest.approx(0.2 * choice.volume_m3 if choice.volume_m3 <= 0.015 else 0.003)


def test_en_fill_range_opens_with_a_larger_tank() -> None:
    volume, reserve = en_tank_m3(0.3, 0.0086, 2e5, 3.5e5)
    least, greatest = en_fill_range_pa(1.5 * volume, 0.0086, reserve, 2e5, 3.5e5)
    assert 2e5 < least < greatest < 3.5e5


def test_model_code_warns_below_175_f() -> None:
    low = size(
        SizingTask(entered_volume(0.3), parse("temperature", "160 F").si, 3e5, static_head_pa=5e4), "model code closed"
    )
    assert any("175 °F" in warning and "% below" in warning for warning in low.warnings)
    high = size(
        SizingTask(entered_volume(0.3), parse("temperature", "180 F").si, 3e5, static_head_pa=5e4), "model code closed"
    )
    assert high.warnings == ()
    glycol = size(
        SizingTask(entered_volume(0.3), 85.0, 3e5, static_head_pa=5e4, fluid=Fluid("propylene glycol", 0.3)),
        "model code closed",
    )
    assert any("propylene glycol" in warning for warning in glycol.warnings)


def test_glycol_needs_a_larger_tank() -> None:
    glycol = SizingTask(entered_volume(0.3), 80.0, 3e5, static_head_pa=0.7e5, fluid=Fluid("propylene glycol", 0.4))
    ratio = size(glycol, "diaphragm").volume_m3.likely / size(TASK, "diaphragm").volume_m3.likely
    expected = float(net_expansion(glycol.fluid, 10, 80)) / float(net_expansion(WATER, 10, 80))
    assert ratio == pytest.approx(expected)
    assert ratio > 1.4


def test_a_fill_below_the_static_head_is_refused_with_the_one_that_is_needed() -> None:
    task = SizingTask(entered_volume(0.3), 80.0, 3e5, static_head_pa=1.2e5, fill_pa=1.0e5)
    for method in get_args(SizingMethod):
        with pytest.raises(PhysicsError, match=r"draws air; fill to 1\.50 bar"):
            size(task, method)


def test_a_highest_pressure_above_the_relief_setting_is_refused() -> None:
    task = SizingTask(entered_volume(0.3), 80.0, 3e5, static_head_pa=0.7e5, max_pa=3.1e5)
    with pytest.raises(PhysicsError, match=r"3\.10 bar lies above the relief setting of 3\.00 bar"):
        size(task, "diaphragm")


def test_en_sets_the_fill_pressure_itself_and_says_so() -> None:
    task = SizingTask(entered_volume(0.3), 80.0, 3e5, static_head_pa=0.7e5, fill_pa=1.1e5)
    assert any("was not used" in warning for warning in size(task, "en 12828").warnings)
    assert size(TASK, "en 12828").warnings == ()
    assert not any("was not used" in warning for warning in size(task, "diaphragm").warnings)


BAD: list[tuple[Callable[[], object], str]] = [
    (lambda: size(SizingTask(entered_volume(0.3), 80.0, 3e5), "diaphragm"), "static head"),
    (lambda: size(SizingTask(entered_volume(0.3), 80.0, 3e5, static_head_pa=2.8e5), "diaphragm"), "no tank serves"),
    (lambda: size(SizingTask(entered_volume(0.3), 5.0, 3e5, static_head_pa=1e5), "diaphragm"), "not above the cold"),
    (lambda: size(SizingTask(entered_volume(0.3), 150.0, 3e5, static_head_pa=1e5), "diaphragm"), "120"),
    (lambda: size(SizingTask(entered_volume(0.3), 40.0, 3e5, static_head_pa=1e5), "model code closed"), "says nothing"),
    (lambda: size(TASK, "thumb"), "no sizing method"),  # type: ignore[arg-type]
    (lambda: rule_of_thumb_volume(1e4, "candle"), "no rule of thumb"),  # type: ignore[arg-type]
    (lambda: rule_of_thumb_volume(-1.0, "convector"), "above zero"),
    (lambda: Band(2.0, 1.0, 3.0), "A band cannot run"),
    (lambda: Band(float("nan"), 1.0, 3.0), "A band cannot run"),
    (lambda: tank_volume_m3(0.01, 2e5, 1.5e5, 3e5), "pre-charge <= fill"),
    (lambda: en_tank_m3(0.3, 0.01, 3e5, 2e5), "does not exceed"),
    (lambda: en_fill_range_pa(0.002, 0.01, 0.003, 2e5, 3e5), "cannot hold"),
    (lambda: needed_precharge_pa(-1.0), "static head"),
    (lambda: entered_volume(0.0), "above zero"),
    (lambda: entered_volume(float("nan")), "above zero"),
    (lambda: choose_tanks(TASK, size(TASK, "diaphragm"), []), "at least one size"),
    (lambda: choose_tanks(TASK, size(TASK, "diaphragm"), [TankSize(0.01, 0.02)]), "at most the volume"),
]


@pytest.mark.parametrize(("call", "words"), BAD)
def test_errors_are_sentences(call: Callable[[], object], words: str) -> None:
    with pytest.raises(PhysicsError) as caught:
        call()
    assert words in str(caught.value)
    assert str(caught.value).endswith(".")


def test_plain_tank_is_filled_from_open_air_and_not_charged() -> None:
    result = size(TASK, "closed")
    told = [*result.lines, *choose_tanks(TASK, result, sizes())[0].lines]
    assert any(line.startswith("Filled from open air, fill pressure 1.00 bar") for line in told)
    assert any(line.startswith("Fill it from open air, cold to 1.00 bar") for line in told)
    assert not any("charge" in line.lower() for line in told)


def litres(result: SizingResult, task: SizingTask, share: float | None, most: int = 3) -> list[tuple[int, ...]]:
    return [tuple(round(1e3 * t.volume_m3) for t in c.sizes) for c in choose_tanks(task, result, sizes(share), most)]


def test_choice_takes_the_smallest_single_and_the_smallest_totals_in_parallel() -> None:
    result = size(BANDED, "diaphragm")
    needed = 1e3 * result.volume_m3.high
    found = litres(result, BANDED, None)
    assert found[0] == (min(v for v in LITRES if v >= needed),)
    assert all(needed <= sum(choice) for choice in found)
    assert all(sum(choice) - min(choice) < needed for choice in found)  # none of them could be left out


def test_three_small_tanks_are_told_beside_a_big_one_though_they_need_more_volume() -> None:
    """The task needs 20 to 24 l; 25 l, 2 times 12 l or 3 times 9 l serve."""
    result = size(TASK, "diaphragm")
    needed = result.volume_m3.high
    steps = [TankSize(needed * share) for share in (1.02, 0.55, 0.36)]
    found = choose_tanks(TASK, result, steps)
    assert [len(choice.sizes) for choice in found] == [1, 2, 3]
    assert found[2].volume_m3 > found[0].volume_m3


def test_acceptance_is_checked_as_well_as_total() -> None:
    """At a hot share of 46 % a membrane that takes only 30 % needs a much larger tank, although the volume would do."""
    result = size(TASK, "diaphragm")
    free, tight = litres(result, TASK, None)[0], litres(result, TASK, 0.3)[0]
    assert sum(tight) > sum(free)
    choice = choose_tanks(TASK, result, sizes(0.3))[0]
    assert choice.hot_pressure_pa is not None
    water = choice.volume_m3 * (1 - (1e5 + 101325) / (choice.hot_pressure_pa.high + 101325))
    assert water <= 0.3 * choice.volume_m3
    assert litres(result, TASK, 0.02, most=1) == []


def test_resulting_pressures_stay_under_the_highest_and_rise_with_the_band() -> None:
    for method in get_args(SizingMethod):
        if method == "open":
            continue
        result = size(BANDED, method)
        for choice in choose_tanks(BANDED, result, sizes()):
            assert choice.hot_pressure_pa is not None
            assert result.max_pa is not None
            assert choice.hot_pressure_pa.low < choice.hot_pressure_pa.high <= result.max_pa * (1 + 1e-6)
            assert all(line.endswith(".") for line in choice.lines + choice.warnings)


def test_unknown_acceptance_is_said() -> None:
    result = size(TASK, "diaphragm")
    assert any("acceptance" in w for w in choose_tanks(TASK, result, sizes())[0].warnings)
    assert choose_tanks(TASK, result, sizes(0.6))[0].warnings == ()
    assert choose_tanks(TASK, size(TASK, "closed"), sizes())[0].warnings == ()


def test_open_tanks_are_chosen_by_volume_alone() -> None:
    choice = choose_tanks(TASK, size(TASK, "open"), sizes())[0]
    assert (choice.fill_pa, choice.precharge_pa, choice.hot_pressure_pa) == (None, None, None)
    assert choice.volume_m3 == pytest.approx(0.018)


def test_model_code_factor_is_refused_where_it_says_nothing() -> None:
    with pytest.raises(PhysicsError, match="175"):
        model_code_factor(40.0)

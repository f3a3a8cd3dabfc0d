"""The picture of the forecast shows the curve that the finding carries, in the user's units."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from taptest.finding.judge import judge
from taptest.finding.records import Case
from taptest.quantities import US
from taptest.report.figure_text import Labels
from taptest.report.forecast_figure import _figure, forecast_picture
from taptest.visit.result import VisitResult
from tests.made_cases import heard, made_case, made_tank
from tests.made_up import made_up

TANK = made_tank()


def result_of(case: Case) -> VisitResult:
    return replace(made_up(), case=case, judgement=judge(case, heard(TANK, "all air")))


def drawn(result: VisitResult) -> Figure:
    assert result.judgement.forecast is not None
    assert result.judgement.forecast.curve is not None
    return _figure(result, result.judgement.forecast.curve, Labels(result.units, "us"))


def test_the_curve_runs_from_the_reading_to_the_hot_pressure() -> None:
    forecast = result_of(made_case(TANK)).judgement.forecast
    assert forecast is not None
    curve = forecast.curve
    assert curve is not None
    assert (curve.temperature_c[0], curve.temperature_c[-1]) == pytest.approx((20.0, 80.0))
    assert curve.median_pa[0] == pytest.approx(1.0e5, abs=2e3)
    # 400 draws of the curve against 10,000 of the hot pressure: the median within a quarter of the spread.
    wide = forecast.hot_pressure_pa.high - forecast.hot_pressure_pa.low
    assert curve.median_pa[-1] == pytest.approx(forecast.hot_pressure_pa.median, abs=0.25 * wide)
    assert np.all(np.diff(curve.median_pa) > 0)
    assert np.all(np.array(curve.low_pa) <= curve.median_pa)
    assert np.all(np.array(curve.median_pa) <= curve.high_pa)


def test_setting_units_and_words_are_on_it() -> None:
    axes = drawn(replace(result_of(made_case(TANK)), units=US)).axes[0]
    assert "psi" in axes.get_ylabel()
    assert "°F" in axes.get_xlabel()
    setting = [line for line in axes.get_lines() if str(line.get_label()).startswith("setting of the relief valve")]
    assert setting[0].get_ydata()[0] == pytest.approx(43.5, abs=0.1)  # type: ignore[index]  # 3 bar by NIST SP 811
    assert "the relief valve" in axes.get_title(loc="left")


def test_a_full_tank_does_not_stretch_the_picture() -> None:
    case = made_case(TANK)
    full = replace(made_up(), case=case, judgement=judge(case, heard(TANK, "all water")))
    assert drawn(full).axes[0].get_ylim()[1] < 2 * 3.0


def test_all_three_forms_are_made_and_none_without_a_forecast() -> None:
    picture = forecast_picture(result_of(made_case(TANK)))
    assert picture is not None
    assert picture.png.startswith(b"\x89PNG")
    assert b"<svg" in picture.svg
    assert picture.pdf.startswith(b"%PDF")
    assert forecast_picture(made_up()) is None
    unknown = made_case(TANK, system={"volume_m3": None})
    assert forecast_picture(result_of(unknown)) is None


def test_setting_may_be_unknown() -> None:
    axes = drawn(result_of(made_case(TANK, system={"relief_pa": None}))).axes[0]
    assert not any("setting" in str(line.get_label()) for line in axes.get_lines())

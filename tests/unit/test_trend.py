"""The trend of a charge. References: weighted least squares in closed form (numpy), the critical charge by its own
definition (the forecast there is the threshold), and cases whose answer is plain."""

import numpy as np
import pytest

from taptest.finding.records import Bound, Interval
from taptest.visit.trend import (
    HORIZON_YEARS,
    Estimate,
    Setting,
    Trend,
    critical_charge_pa,
    fit_trend,
    margin_of,
)
from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, relief_tolerance_pa

RNG = 7


def estimate(year: float, bar: float, sd: float = 0.05, bound: Bound | None = None) -> Estimate:
    return Estimate(year, Interval(1e5 * bar, 1e5 * (bar - 1.645 * sd), 1e5 * (bar + 1.645 * sd)), bound)


def fitted(*estimates: Estimate, settings: tuple[Setting, ...] = (), last: float | None = None) -> Trend:
    if last is None:
        last = max([each.year for each in estimates] + [each.year for each in settings])
    return fit_trend(estimates, settings, last, np.random.default_rng(RNG))


def loss(trend: Trend) -> tuple[float, float, float]:
    """Low, median and high in bar a year."""
    assert trend.loss_pa_per_year is not None
    told = trend.loss_pa_per_year
    return told.low / 1e5, told.median / 1e5, told.high / 1e5


def test_it_agrees_with_weighted_least_squares() -> None:
    years = np.array([0.0, 0.4, 1.1, 1.9, 2.6, 3.3])
    sd = np.array([0.03, 0.06, 0.04, 0.05, 0.03, 0.06])
    bar = 1.1 - 0.17 * years + sd * np.array([0.6, -0.8, 0.3, 0.9, -0.9, 0.4])
    low, median, high = loss(fitted(*(estimate(*each) for each in zip(years, bar, sd, strict=True))))
    coefficients, covariance = np.polyfit(years, bar, 1, w=1 / sd, cov="unscaled")
    spread = float(np.sqrt(covariance[0, 0]))
    assert median == pytest.approx(-coefficients[0], abs=0.3 * spread)
    # Spreads may be too small by a common factor, so the interval is a little wider than the formula's.
    assert 0.95 < (high - low) / (2 * 1.645 * spread) < 1.5


def test_scatter_beyond_the_spreads_widens_the_interval() -> None:
    years = [0.0, 1.0, 2.0, 3.0]
    near = fitted(*(estimate(y, 1.0 - 0.2 * y, 0.03) for y in years))
    far = fitted(
        *(estimate(y, 1.0 - 0.2 * y + off, 0.03) for y, off in zip(years, (0.06, -0.07, 0.06, -0.05), strict=True))
    )
    assert loss(far)[2] - loss(far)[0] > 1.3 * (loss(near)[2] - loss(near)[0])


def test_visits_of_one_day_and_a_single_visit_tell_no_rate() -> None:
    for trend in (fitted(estimate(0, 1.0)), fitted(estimate(0, 1.0), estimate(0, 0.9))):
        assert trend.loss_pa_per_year is None
        assert trend.bands == ()
        assert trend.charge_now_pa.median == pytest.approx(1e5, abs=1e4)
        assert trend.charge_bound is None


def test_one_sided_estimates_are_no_points() -> None:
    # "At least 0.5" twice does not say that the charge is 0.5, nor that it stays.
    trend = fitted(estimate(0, 0.5, bound="lower"), estimate(1, 0.5, bound="lower"))
    assert trend.loss_pa_per_year is None
    assert trend.charge_bound == "lower"
    # "At most 0.2" a year after 1.0 is at least 0.8 lost, and nobody knows how much more.
    trend = fitted(estimate(0, 1.0), estimate(1, 0.2, bound="upper"))
    assert trend.bound == "lower"
    assert 0.65 < loss(trend)[0] < 0.95
    assert trend.charge_bound == "upper"
    # "At least 1.0" before 0.5 is at least 0.5 lost.
    trend = fitted(estimate(0, 1.0, bound="lower"), estimate(1, 0.5))
    assert trend.bound == "lower"
    assert 0.3 < loss(trend)[0] < 0.6
    assert trend.charge_bound is None


def test_a_bound_that_the_line_meets_anyway_changes_nothing() -> None:
    points = [estimate(y, 1.0 - 0.2 * y) for y in (0.0, 1.0, 2.0)]
    bounds = [estimate(0.5, 0.1, bound="lower"), estimate(1.5, 2.5, bound="upper")]
    assert loss(fitted(*points, *bounds)) == pytest.approx(loss(fitted(*points)), abs=0.01)


def test_a_setting_begins_a_new_line_with_the_same_loss() -> None:
    before = [estimate(y, 1.0 - 0.3 * y) for y in (0.0, 1.0)]
    after = [estimate(y, 1.0 - 0.3 * (y - 1)) for y in (1.5, 2.0)]
    trend = fitted(*before, *after, settings=(Setting(1.0, 1e5),))
    assert loss(trend)[1] == pytest.approx(0.3, abs=0.03)
    assert trend.charge_now_pa.median == pytest.approx(0.7e5, abs=0.06e5)
    assert len(trend.bands) == 2
    assert trend.bands[0].charge_pa[1, -1] == pytest.approx(0.7e5, abs=0.08e5)
    assert trend.bands[1].charge_pa[1, 0] == pytest.approx(1.0e5, abs=0.08e5)
    # Without being told of the setting the same visits show no loss that is sure.
    assert loss(fitted(*before, *after))[0] < 0.05


def test_a_tank_that_goes_flat_within_days_is_seen() -> None:
    low, median, _ = loss(fitted(estimate(0, 1.0), estimate(7 / 365.25, 0.2)))
    assert low > 20
    assert median == pytest.approx(0.8 / (7 / 365.25), rel=0.15)


def test_the_order_of_visits_and_the_seed_do_not_matter() -> None:
    visits = [estimate(y, 1.0 - 0.1 * y) for y in (0.0, 0.7, 1.5, 2.2)]
    assert loss(fitted(*visits[::-1])) == loss(fitted(*visits))
    other = fit_trend(visits, (), 2.2, np.random.default_rng(99))
    assert loss(other) == pytest.approx(loss(fitted(*visits)), abs=0.01)


@pytest.mark.parametrize(("system_l", "tank_l"), [(120.0, 18.0), (200.0, 25.0), (80.0, 8.0)])
def test_at_the_critical_charge_the_forecast_is_the_threshold(system_l: float, tank_l: float) -> None:
    state, tank = SystemState(system_l / 1e3, 1.2e5, 15.0), Cushion(tank_l / 1e3, 0.0)
    critical = float(critical_charge_pa(state, tank, 80.0, 3e5)[0])
    assert -0.95e5 < critical < 1.2e5
    hot = float(hot_pressure_pa(state, [Cushion(tank_l / 1e3, critical)], 80.0))
    assert hot == pytest.approx(3e5 - relief_tolerance_pa(3e5), abs=50.0)


def test_another_tank_on_the_system_takes_its_part_of_the_water() -> None:
    state, tank, other = SystemState(0.12, 1.2e5, 15.0), Cushion(0.008, 0.0), Cushion(0.004, 1.0e5)
    alone = float(critical_charge_pa(state, tank, 80.0, 3e5)[0])
    critical = float(critical_charge_pa(state, tank, 80.0, 3e5, [other])[0])
    assert critical < alone - 0.1e5
    hot = float(hot_pressure_pa(state, [Cushion(0.008, critical), other], 80.0))
    assert hot == pytest.approx(3e5 - relief_tolerance_pa(3e5), abs=50.0)


def test_the_critical_charge_of_tanks_far_too_small_and_far_too_large() -> None:
    state = SystemState(0.12, 1.2e5, 15.0)
    assert critical_charge_pa(state, Cushion(0.003, 0.0), 80.0, 3e5)[0] == 1.2e5
    # A huge tank keeps its air cushion with little charge; the limit lies near vacuum.
    assert critical_charge_pa(state, Cushion(3.0, 0.0), 80.0, 3e5)[0] < -0.9e5


def test_the_margin_is_the_room_over_the_rate() -> None:
    trend = fitted(*(estimate(y, 1.0 - 0.2 * y, 0.01) for y in (0.0, 1.0, 2.0, 3.0)))
    margin = margin_of(trend, np.array([0.2e5]), np.random.default_rng(1))
    low, median, high = margin.years
    assert median == pytest.approx((0.4 - 0.2) / 0.2, abs=0.1)
    assert low is not None
    assert high is not None
    assert low < 1.0 < high
    assert margin.p_gone == 0.0
    assert margin.p_within > 0.99


def test_a_margin_that_is_gone_and_one_that_lasts() -> None:
    trend = fitted(*(estimate(y, 1.0 - 0.2 * y, 0.01) for y in (0.0, 1.0, 2.0, 3.0)))
    gone = margin_of(trend, np.array([0.8e5]), np.random.default_rng(1))
    assert gone.p_gone == 1.0
    assert gone.years == (0.0, 0.0, 0.0)
    lasting = margin_of(trend, np.array([-101325.0]), np.random.default_rng(1))
    assert lasting.p_within == 0.0
    assert lasting.years == (None, None, None)
    still = fitted(*(estimate(y, 1.0, 0.01) for y in (0.0, 1.0, 2.0, 3.0)))
    margin = margin_of(still, np.array([0.2e5]), np.random.default_rng(1))
    assert margin.years[2] is None
    assert margin.p_within < 0.6
    assert HORIZON_YEARS == 30.0


def test_charges_that_lie_on_no_line_are_no_trend() -> None:
    trend = fitted(*(estimate(y, bar) for y, bar in ((0.0, 1.0), (0.5, -0.8), (1.0, 1.8), (1.5, 0.3))))
    assert not trend.fits
    assert trend.loss_pa_per_year is None
    assert trend.bands == ()
    # Told of the charge that was set in between, they are one.
    told = fitted(estimate(0, 1.0), estimate(0.5, 0.8), estimate(1, 1.6), settings=(Setting(0.5, 1.8e5),))
    assert told.fits
    assert loss(told)[1] == pytest.approx(0.4, abs=0.1)

"""Reading a log, the three ways to measure the air, and how they are laid together."""

from collections.abc import Callable

import numpy as np
import pytest

from taptest.errors import PhysicsError, QuantityError, VisitError
from taptest.water.forecast import Cushion, SystemState, pressure_curve
from taptest.water.log import (
    AirEstimate,
    AirHint,
    AirSays,
    AirWay,
    DrainTest,
    Level,
    LogEntry,
    RisingSystem,
    air_from_drain,
    air_from_rise,
    air_from_sound,
    combine,
    drifts,
    early_rise_share,
    free_air_m3,
    parse_log,
    precharge_from_air_pa,
    read_records,
)
from tests.said import keys_of, values_of

LOG = """time,temperature,pressure,heat,fill
07:00,20 C,1.0 bar,on,shut
07:10,40 C,"1,2 bar",on,shut
07:20,60 C,1.5 bar,on,shut

# cooling
07:30,55 C,1.4 bar,off,open
"""


def test_log_from_csv() -> None:
    log = parse_log(LOG)
    assert [entry.time_s for entry in log] == [0, 600, 1200, 1800]
    assert [entry.pressure_pa for entry in log] == pytest.approx([1e5, 1.2e5, 1.5e5, 1.4e5])
    assert (log[1].water_t_c, log[1].tank_t_c, log[1].heat_on, log[1].fill_open) == (40.0, None, True, False)
    assert (log[3].heat_on, log[3].fill_open) == (False, True)


def test_units_in_the_header_semicolons_and_midnight() -> None:
    text = "\ufeffTime;Temperature [F];Pressure (psi);Tank temperature [F];Heat\n23:50;68;12;60;off\n00:10:30;;12,5;;\n"
    log = parse_log(text)
    psi = 6894.757293168
    assert [entry.time_s for entry in log] == [0.0, 1230.0]
    assert [entry.pressure_pa for entry in log] == pytest.approx([12 * psi, 12.5 * psi])
    assert [log[0].water_t_c, log[0].tank_t_c] == pytest.approx([20.0, 15.5555556])
    assert [log[1].water_t_c, log[1].tank_t_c, log[1].heat_on, log[0].heat_on] == [None, None, None, False]


@pytest.mark.parametrize(
    ("times", "seconds"),
    [
        (("0 min", "12 min", "1.5 h"), (0, 720, 5400)),
        (("90 s", "100 s", "2 min"), (0, 10, 30)),
        (("2026-01-31 23:50", "2026-02-01 00:10", "2026-02-01T00:20:30"), (0, 1200, 1830)),
    ],
)
def test_times(times: tuple[str, ...], seconds: tuple[float, ...]) -> None:
    log = read_records([{"time": time, "pressure": "1 bar"} for time in times])
    assert tuple(entry.time_s for entry in log) == pytest.approx(seconds)


def test_absolute_readings_use_the_air_pressure_on_site() -> None:
    log = read_records([{"time": "0 s", "pressure": "2 bar abs"}], atmospheric_pa=8e4)
    assert log[0].pressure_pa == pytest.approx(1.2e5)


BAD_LOGS: list[tuple[str, type[Exception], str]] = [
    ("", VisitError, "empty"),
    ("time,pressure\n", VisitError, "no readings"),
    ("time,pressure\n10:00,1,5 bar", VisitError, "reading 1: 3 columns where the header has 2"),
    ("time,pressure\n10:00,1.5", QuantityError, "reading 1, pressure: '1.5' has no unit"),
    ("time,pressure\n10:00,", VisitError, "no pressure"),
    ("time,pressure\n,1 bar", VisitError, "no time"),
    ("time,pressure\nnoon,1 bar", VisitError, "the time 'noon' is unclear"),
    ("time,pressure\n25:00,1 bar", VisitError, "the time '25:00' is unclear"),
    ("time,presure\n10:00,1 bar", VisitError, "the column 'presure' is not known"),
    ("time,pressure,pressure [bar]\n10:00,1 bar,1", VisitError, "twice"),
    ("time,pressure,heat\n10:00,1 bar,warm", VisitError, "write on or off"),
    ("time,pressure,fill\n10:00,1 bar,ajar", VisitError, "write open or shut"),
    ("time,pressure\n10 min,1 bar\n5 min,1 bar", VisitError, "order of time"),
    ("time,pressure\n10:00,-3 bar", PhysicsError, "below vacuum"),
]


@pytest.mark.parametrize(("text", "error", "words"), BAD_LOGS)
def test_bad_logs_name_reading_and_cure(text: str, error: type[Exception], words: str) -> None:
    with pytest.raises(error) as caught:
        parse_log(text, "log.csv")
    assert str(caught.value).startswith("log.csv")
    assert words in str(caught.value)


def warm_up(rng: np.random.Generator | None, charge: float = 0.8e5, noise: float = 2000.0) -> list[LogEntry]:
    """Simulated: 150 l, an 18 l tank, cold 1.2 bar, 20 to 75 C in 12 readings."""
    curve = pressure_curve(SystemState(0.15, 1.2e5, 20.0), [Cushion(0.018, charge, hot_gas_t_c=30.0)], 75.0, 12)
    pressure, water = curve.pressure_pa, curve.temperature_c
    if rng is not None:
        pressure, water = pressure + rng.normal(0, noise, 12), water + rng.normal(0, 1.0, 12)
    gas = np.linspace(20, 30, 12)
    return [LogEntry(300.0 * i, float(pressure[i]), float(water[i]), float(gas[i]), True, False) for i in range(12)]


def test_air_from_rise_is_exact_without_noise() -> None:
    estimate = air_from_rise(warm_up(None), RisingSystem(0.15))
    assert estimate.free_air_m3 == pytest.approx(free_air_m3(0.018, 0.8e5, 20.0), rel=0.005)
    assert estimate.notes == ()


def test_stated_uncertainties_are_those_of_many_simulated_visits() -> None:
    """Pull (error over stated sd) of the rise and the drain: mean near 0, spread near 1 over 400 seeded, simulated
    visits.
    """
    rng = np.random.default_rng(17)
    truth = free_air_m3(0.018, 0.8e5, 20.0)
    rise, drain = [], []
    gas_before = 0.018 * (0.8e5 + 101325) / (1.2e5 + 101325)
    after = (1.2e5 + 101325) * gas_before / (gas_before + 2e-3) - 101325
    for _ in range(400):
        volume = 0.15 * (1 + rng.normal(0, 0.1))
        found = air_from_rise(
            warm_up(rng), RisingSystem(volume, 0.1, reading_sd_pa=2000.0, gauge_bias_sd_pa=0.0, temperature_sd_c=1.0)
        )
        rise.append((found.free_air_m3 - truth) / found.sd_m3)
        bias = rng.normal(0, 6000)
        test = DrainTest(
            2e-3 * (1 + rng.normal(0, 0.03)), 1.2e5 + bias + rng.normal(0, 1000), after + bias + rng.normal(0, 1000),
            reading_sd_pa=1000.0,
        )  # fmt: skip
        measured = air_from_drain(test)
        drain.append((measured.free_air_m3 - truth) / measured.sd_m3)
    for pulls in (rise, drain):
        assert abs(float(np.mean(pulls))) < 0.25
        assert 0.8 < float(np.std(pulls)) < 1.2


def test_rise_that_is_no_single_cushion_is_noted() -> None:
    log = [*warm_up(None)]
    log[6:] = [LogEntry(e.time_s, e.pressure_pa - 4e4, e.water_t_c, e.tank_t_c, True, False) for e in log[6:]]
    found = air_from_rise(log, RisingSystem(0.15, reading_sd_pa=1000.0))
    assert keys_of(found.notes) == [AirSays.NO_SINGLE_CUSHION]


def test_sound_counts_every_uncertainty() -> None:
    estimate = air_from_sound(Level(0.25, 0.03, 0.018, 1.2e5, pressure_sd_pa=0.0, tank_rel_sd=0.0))
    whole = 0.018 * (1.2e5 + 101325) / 101325
    assert estimate.free_air_m3 == pytest.approx(0.75 * whole)
    assert estimate.sd_m3 == pytest.approx(0.03 * whole)
    more = air_from_sound(Level(0.25, 0.03, 0.018, 1.2e5))
    assert more.sd_m3 > estimate.sd_m3
    assert precharge_from_air_pa(estimate.free_air_m3, 0.018) == pytest.approx(0.75 * (1.2e5 + 101325) - 101325)


def test_drain_notes_air_that_the_tank_cannot_hold() -> None:
    estimate = air_from_drain(DrainTest(1e-3, 1.3e5, 1.25e5, reading_sd_pa=200.0), tank_m3=0.018)
    assert keys_of(estimate.notes) == [AirSays.ELSEWHERE, AirSays.MORE_THAN_TANK]


def test_agreeing_estimates_are_combined_by_precision() -> None:
    combined = combine([AirEstimate("sound", 0.030, 0.002), AirEstimate("drain", 0.033, 0.004)])
    assert combined.free_air_m3 == pytest.approx((0.030 / 4 + 0.033 / 16) / (1 / 4 + 1 / 16))
    assert combined.sd_m3 == pytest.approx((1 / (1 / 0.002**2 + 1 / 0.004**2)) ** 0.5)
    assert combined.chi_square == pytest.approx(0.003**2 / (0.002**2 + 0.004**2))
    assert not combined.contradiction
    assert combined.says.key is AirSays.AGREE
    single = combine([AirEstimate("sound", 0.030, 0.002)])
    assert single.p_value == 1.0
    assert single.free_air_m3 == pytest.approx(0.030)


def test_contradiction_is_shown_and_not_averaged() -> None:
    """Chi-square of 3.84 with one degree of freedom is the 5 % point (any table of the distribution)."""
    half = 3.84**0.5 * 2**0.5 * 0.002
    at = [AirEstimate("sound", 0.03, 0.002), AirEstimate("drain", 0.03 + half * 0.999, 0.002)]
    beyond = [at[0], AirEstimate("drain", 0.03 + half * 1.002, 0.002), AirEstimate("pressure rise", 0.03, 1.0)]
    assert combine(at).p_value == pytest.approx(0.05, abs=5e-4)
    assert not combine(at).contradiction
    combined = combine(beyond[:2])
    assert combined.contradiction
    assert combined.free_air_m3 is None
    assert combined.sd_m3 is None
    told = values_of(AirSays.CONTRADICT, combined.says)
    assert [told["more"].key, told["less"].key] == [AirWay.DRAIN, AirWay.SOUND]
    assert [told["more_m3"], told["less_m3"]] == [pytest.approx(0.0356, abs=5e-5), 0.03]
    assert told["too_much"].key is AirHint.DRAIN_TOO_MUCH


def test_false_alarms_come_as_often_as_said() -> None:
    """Three honest estimates contradict each other in about 5 % of 2000 seeded draws."""
    rng = np.random.default_rng(8)
    sds = (0.002, 0.004, 0.003)
    sources = ("sound", "drain", "pressure rise")
    alarms = sum(
        combine([AirEstimate(s, 0.1 + rng.normal(0, sd), sd) for s, sd in zip(sources, sds, strict=True)]).contradiction  # type: ignore[arg-type]
        for _ in range(2000)
    )
    assert 0.035 < alarms / 2000 < 0.065


BAD: list[tuple[Callable[[], object], str]] = [
    (lambda: air_from_drain(DrainTest(1e-3, 1.3e5, 1.29e5)), "draw more water"),
    (lambda: air_from_drain(DrainTest(1e-3, 1.3e5, 1.4e5)), "draw more water"),
    (lambda: air_from_drain(DrainTest(0.0, 1.3e5, 1.0e5)), "above zero"),
    (lambda: air_from_drain(DrainTest(1e-3, 1.3e5, -2e5)), "above vacuum"),
    (lambda: air_from_sound(Level(1.2, 0.1, 0.018, 1e5)), "shares lie between"),
    (lambda: air_from_rise(warm_up(None)[:2], RisingSystem(0.15)), "at least 3 readings"),
    (lambda: air_from_rise([], RisingSystem(0.15)), "at least 3 readings"),
    (
        lambda: air_from_rise([LogEntry(i * 60.0, 1e5, 20.0 + 5 * i) for i in range(9)], RisingSystem(0.15)),
        "hardly rose",
    ),
    (lambda: combine([]), "no estimate"),
    (lambda: combine([AirEstimate("sound", 0.03, 0.0)]), "uncertainty"),
    (lambda: free_air_m3(-1.0, 1e5, 20.0), "cannot be"),
    (lambda: precharge_from_air_pa(0.02, 0.0), "volume"),
    (lambda: early_rise_share([LogEntry(i * 60.0, 1e5 - i, 20.0 + 5 * i) for i in range(9)]), "did not rise"),
]


@pytest.mark.parametrize(("call", "words"), BAD)
def test_errors_are_sentences(call: Callable[[], object], words: str) -> None:
    with pytest.raises(PhysicsError) as caught:
        call()
    assert words in str(caught.value)
    assert str(caught.value).endswith(".")


def test_drifts_by_heat_and_fill() -> None:
    log = [LogEntry(600.0 * i, 1e5 + 100.0 * i, 60.0 - i, None, False, True) for i in range(7)]
    log += [LogEntry(3600.0 + 600.0 * i, 1.006e5, 54.0, None, False, False) for i in range(1, 5)]
    fed, shut = drifts(log)
    assert (fed.heat_on, fed.fill_open, fed.readings) == (False, True, 7)
    assert fed.slope_pa_per_h == pytest.approx(600.0)
    assert fed.warming_c == pytest.approx(-6.0)
    assert shut.slope_pa_per_h == pytest.approx(0.0, abs=1e-6)
    assert shut.duration_s == pytest.approx(1800.0)
    assert fed.slope_sd_pa_per_h == pytest.approx(3000 / (np.var(np.arange(7) / 6) * 7) ** 0.5)
    assert drifts(log[:1]) == ()


def test_early_rise_tells_a_stiff_start_from_a_cushion() -> None:
    """Gently at first with a cushion (water expands little when cool), at once where the pressure has to reach the
    pre-charge.
    """
    assert early_rise_share(warm_up(None)) < 0.2
    assert early_rise_share(warm_up(None, charge=1.8e5)) > 0.5

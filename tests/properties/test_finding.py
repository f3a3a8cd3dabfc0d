"""What holds for every visit: more charge, less water; size does not matter; units change words, not meanings."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.finding.compare import compare
from taptest.finding.judge import judge
from taptest.quantities import METRIC, US, parse
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from taptest.words.tell import tell
from tests.made_cases import HOT, heard, made_case, made_tank
from tests.samples import part

pytestmark = pytest.mark.sampled

tanks = st.sampled_from(
    [made_tank(), made_tank("diaphragm", "bottom"), made_tank("bladder", "bottom"), made_tank("plain", "bottom")]
)
lines = st.tuples(
    st.sampled_from(["found", "found", "found", "all air", "all water", "inverted", "not found"]), st.floats(0.04, 0.32)
)


@given(tanks, st.floats(0.2e5, 2.5e5), st.floats(0.05e5, 1.0e5), st.floats(0.8e5, 3e5))
@settings(max_examples=part(25), deadline=None)
def test_more_precharge_means_less_water(tank: Tank, charge: float, more: float, pressure: float) -> None:
    line = heard(tank, "all air")
    water = [
        compare(made_case(tank, precharge_pa=p, pressure_pa=pressure), line, np.random.default_rng(0)).expected
        for p in (charge, charge + more)
    ]
    assert water[0] is not None
    assert water[1] is not None
    assert water[1].water_m3.median <= water[0].water_m3.median + 1e-12


@given(tanks, st.floats(0.5e5, 2.0e5), st.floats(0.05e5, 1.0e5))
@settings(max_examples=part(25), deadline=None)
def test_more_pressure_at_one_level_means_more_charge(tank: Tank, pressure: float, more: float) -> None:
    line = heard(tank, "found", 0.2)
    charge = [
        compare(made_case(tank, pressure_pa=p), line, np.random.default_rng(0)).precharge
        for p in (pressure, pressure + more)
    ]
    assert charge[0] is not None
    assert charge[1] is not None
    assert charge[1].pressure_pa.median > charge[0].pressure_pa.median


@given(st.floats(0.5, 3.0), st.floats(0.3, 0.7))
@settings(max_examples=part(15), deadline=None)
def test_size_of_tank_and_system_does_not_change_the_finding(size: float, level: float) -> None:
    """Everything twice as large, level at the same share of the height: the same charge and the same probabilities."""
    found = []
    for factor in (1.0, size):
        shape = Shape("vertical", 0.3 * factor, 0.21 * factor, "ellipsoidal", 0.0015 * factor)
        tank = Tank("bladder", "bottom", shape, shape.volume_m3)
        line = heard(tank, "found", level * shape.height_m, sd_m=0.03 * shape.height_m)
        found.append(
            compare(made_case(tank, system={"volume_m3": 0.12 * factor**3}, **HOT), line, np.random.default_rng(0))
        )
    one, other = found
    assert one.precharge is not None
    assert other.precharge is not None
    assert abs(one.precharge.pressure_pa.median - other.precharge.pressure_pa.median) < 4_000.0
    for code, chance in one.probabilities.items():
        assert abs(other.probabilities[code] - chance) < 0.06


@given(tanks, lines, st.floats(0.2e5, 2.5e5))
@settings(max_examples=part(30), deadline=None)
def test_units_change_the_words_and_not_the_meaning(tank: Tank, line: tuple[str, float], pressure: float) -> None:
    reading = heard(tank, line[0], line[1] if line[0] == "found" else None)
    case = made_case(tank, pressure_pa=pressure, state="hot", water_temperature_c=70.0)
    says = judge(case, reading).says
    bars = [parse("pressure", text).si for text in re.findall(r"[\d.]+ bar", tell(says, METRIC))]
    psis = [parse("pressure", text).si for text in re.findall(r"[\d.]+ psi", tell(says, US))]
    np.testing.assert_allclose(bars, psis, atol=1_000.0)


@given(tanks, lines, st.floats(0.0, 3e5), st.sampled_from(["cold", "hot", None]))
@settings(max_examples=part(40), deadline=None)
def test_every_visit_gets_a_whole_answer(
    tank: Tank, line: tuple[str, float], pressure: float, state: str | None
) -> None:
    reading = heard(tank, line[0], line[1] if line[0] == "found" else None)
    found = judge(made_case(tank, pressure_pa=pressure, state=state), reading)
    assert tell(found.says, METRIC).endswith(".")
    assert found.reasons
    assert found.not_checked
    assert found.next_checks
    if found.probabilities:
        assert abs(sum(found.probabilities.values()) - 1) < 1e-9
    if found.code == "as expected":
        assert found.probabilities["as expected"] > 0.6
        assert found.boundary_state != "all water"

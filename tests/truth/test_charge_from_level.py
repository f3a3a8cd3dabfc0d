"""Expected water and estimated pre-charge against the gas law's published figures and its error propagation.

Water shares for pre-charge P0 and pressure P, psig at sea level, isothermal: Boyle's law, as tabled in trade handbooks
(recomputed).
"""

import numpy as np
import pytest

from taptest.finding.compare import compare
from taptest.finding.weigh import BEFORE
from taptest.quantities import parse
from tests.made_cases import heard, level_for, made_case, made_tank

PSI = parse("pressure", "1 psi").si
PLAIN = made_tank("plain", "bottom", volume_rel_sd=0.001)


@pytest.mark.parametrize(
    ("precharge_psi", "pressure_psi", "share"),
    [(12, 15, 0.101), (12, 20, 0.231), (12, 30, 0.403), (6, 12, 0.225), (0, 12, 0.450), (0, 20, 0.576)],
)
def test_expected_share_is_that_of_the_table(precharge_psi: float, pressure_psi: float, share: float) -> None:
    case = made_case(
        PLAIN, precharge_pa=precharge_psi * PSI, pressure_pa=pressure_psi * PSI, pressure_sd_pa=500.0, charged_at_c=20.0
    )
    expected = compare(case, heard(PLAIN, "all air"), np.random.default_rng(1)).expected
    assert expected is not None
    assert expected.water_share.median == pytest.approx(share, abs=0.004)
    assert expected.water_share.low < share < expected.water_share.high


def test_healthy_cold_tank_expects_no_water() -> None:
    tank = made_tank("bladder", "bottom")
    case = made_case(tank, precharge_pa=12 * PSI, pressure_pa=12 * PSI)
    expected = compare(case, heard(tank, "all air"), np.random.default_rng(1)).expected
    assert expected is not None
    assert expected.depth_m is None
    assert expected.water_share.median < 0.02


@pytest.mark.parametrize(("share", "centre_psi", "sd_psi"), [(0.23, 12.0, 1.3), (0.50, 2.65, 1.15)])
def test_estimate_carries_the_errors_of_pressure_and_level(share: float, centre_psi: float, sd_psi: float) -> None:
    """P = 20 +- 1 psig and a share +- 0.03 give P0 by dP0^2 = (dP (1 - w))^2 + (P dw)^2; temperatures add 2 K each."""
    depth = float(
        level_for(
            PLAIN, 20 * PSI - share * (20 * PSI + 101_325.0), {"pressure_pa": 20 * PSI, "tank_temperature_c": 20.0}
        )
    )
    around = [
        float(
            level_for(
                PLAIN, 20 * PSI - w * (20 * PSI + 101_325.0), {"pressure_pa": 20 * PSI, "tank_temperature_c": 20.0}
            )
        )
        for w in (share - 0.03, share + 0.03)
    ]
    line = heard(PLAIN, "found", depth, sd_m=abs(around[0] - around[1]) / 2, sure=0.999)
    case = made_case(PLAIN, precharge_pa=12 * PSI, pressure_pa=20 * PSI, pressure_sd_pa=PSI)
    estimate = compare(case, line, np.random.default_rng(2)).precharge
    assert estimate is not None
    assert estimate.bound is None
    assert estimate.pressure_pa.median / PSI == pytest.approx(centre_psi, abs=0.12)
    # 2 K of gas and of charge temperature on about 27 psia add 0.26 psi to the spread.
    spread = float(np.hypot(sd_psi, 0.26))
    assert (estimate.pressure_pa.high - estimate.pressure_pa.low) / (2 * 1.645 * PSI) == pytest.approx(spread, rel=0.08)


def test_level_at_an_end_gives_a_bound_only() -> None:
    rng = np.random.default_rng(3)
    case = made_case(PLAIN, pressure_pa=20 * PSI)
    lower = compare(case, heard(PLAIN, "all air"), rng).precharge
    upper = compare(case, heard(PLAIN, "all water"), rng).precharge
    assert lower is not None
    assert upper is not None
    assert (lower.bound, upper.bound) == ("lower", "upper")
    assert lower.pressure_pa.median == pytest.approx(20 * PSI, abs=2 * PSI)
    assert upper.pressure_pa.median < -0.8 * 101_325.0


def test_full_membrane_gives_an_upper_bound() -> None:
    tank = made_tank("bladder", "bottom", acceptance_share=0.5)
    case = made_case(tank, pressure_pa=3e5)
    line = heard(tank, "found", level_for(tank, 0.95e5, {"pressure_pa": 3e5, "tank_temperature_c": 20.0}))
    estimate = compare(case, line, np.random.default_rng(4)).precharge
    assert estimate is not None
    assert estimate.bound == "upper"


def test_line_that_says_nothing_leaves_the_findings_as_they_were_before() -> None:
    """A posterior equal to the line's prior has a likelihood of one everywhere, so that only our own prior is left."""
    tank = made_tank("plain", "bottom")
    case = made_case(tank, pressure_pa=1.8e5)
    found = compare(case, heard(tank, "not found"), np.random.default_rng(5)).probabilities
    # A plain tank has no membrane to fail.
    before = {code: chance for code, chance in BEFORE.items() if code != "membrane failed"}
    for code, chance in before.items():
        assert found[code] == pytest.approx(chance / sum(before.values()), abs=0.005)

"""Density and expansion against published tables and other libraries.

Marks in the comments: "computed" values come from the library named, "printed" ones from a published table.
"""

import numpy as np
import pytest

from taptest.water.fluids import LINEAR_EXPANSION_PER_K, WATER, Fluid, FluidKind, density, expansion, net_expansion

# IAPWS-95 at 101.325 kPa (liquid above 100 C: saturated liquid), kg/m3; computed with iapws 1.5.5 and CoolProp 8.0.0
IAPWS95 = {
    0.01: 999.8438, 4: 999.9749, 5: 999.9666, 10: 999.7025, 15: 999.1026, 20: 998.2072, 25: 997.0476, 30: 995.6495,
    40: 992.2164, 50: 988.0350, 60: 983.1958, 70: 977.7646, 80: 971.7904, 82.222: 970.3931, 90: 965.3096, 93.333:
    963.0418,
    95: 961.8879, 100: 958.3491, 105: 954.7043, 110: 950.9480, 115: 947.0817, 120: 943.1066,
}  # fmt: skip

# Kell 1975 as computed independently from the printed formula
KELL = {0.01: 999.8402, 20: 998.2041, 60: 983.1989, 82.222: 970.4011, 100: 958.3637, 120: 943.0825}

# "Net expansion factor" of water in steel, 40 F base; printed in a how-to article on sizing; the misprint at 130 F is
# left out
NET_FROM_40F = {
    100: 0.0057, 105: 0.0068, 110: 0.0080, 115: 0.0092, 120: 0.0097, 125: 0.0115, 135: 0.0138, 140: 0.0149, 145: 0.0167,
    150: 0.0178, 155: 0.0198, 160: 0.0208, 165: 0.0225, 170: 0.0243, 175: 0.0261, 180: 0.0279, 185: 0.0296, 190: 0.0314,
    195: 0.0332, 200: 0.0350, 205: 0.0374, 210: 0.0391, 215: 0.0415, 220: 0.0433, 225: 0.0457, 230: 0.0475, 235: 0.0505,
    240: 0.0523, 245: 0.0547,
}  # fmt: skip

# Volume ratio of water, printed in a German table of the expansion of water on heating; it agrees from 4 C
RATIO_FROM_4C = {
    10: 1.0004, 20: 1.0018, 30: 1.0044, 40: 1.0079, 50: 1.0121, 60: 1.0171, 70: 1.0228, 80: 1.0290, 85: 1.0321,
    90: 1.0359, 95: 1.0396, 100: 1.0435, 105: 1.0474, 107: 1.0491, 110: 1.0515, 120: 1.0603,
}  # fmt: skip

# Density tables of the ASHRAE Handbook for inhibited glycols (kg/m3), volume shares 10 to 60 %, as kept in CoolProp's
# repository
GLYCOL_TABLES: dict[FluidKind, dict[int, tuple[float, ...]]] = {
    "propylene glycol": {
        0: (1013.85, 1025.84, 1036.24, 1045.12, 1052.71, 1059.00),
        10: (1011.24, 1022.68, 1032.55, 1040.94, 1048.04, 1053.88),
        20: (1008.13, 1019.01, 1028.35, 1036.24, 1042.87, 1048.25),
        40: (1000.46, 1010.16, 1018.42, 1025.30, 1030.98, 1035.47),
        60: (990.82, 999.31, 1006.44, 1012.30, 1017.04, 1020.66),
        80: (979.23, 986.44, 992.42, 997.25, 1001.05, 1003.81),
        90: (972.70, 979.25, 984.65, 988.95, 992.28, 994.63),
        100: (965.68, 971.56, 976.36, 980.14, 983.00, 984.94),
    },
    "ethylene glycol": {
        0: (1018.73, 1035.67, 1051.78, 1066.80, 1081.08, 1094.64),
        10: (1016.28, 1032.94, 1048.76, 1063.49, 1077.46, 1090.70),
        20: (1013.34, 1029.72, 1045.25, 1059.68, 1073.35, 1086.27),
        40: (1006.01, 1021.83, 1036.78, 1050.62, 1063.66, 1075.95),
        60: (996.72, 1011.99, 1026.36, 1039.61, 1052.04, 1063.69),
        80: (985.50, 1000.21, 1014.00, 1026.65, 1038.46, 1049.48),
        90: (979.15, 993.59, 1007.09, 1019.44, 1030.95, 1041.65),
        100: (972.32, 986.48, 999.69, 1011.74, 1022.95, 1033.33),
    },
}


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


@pytest.mark.parametrize(("t_c", "expected"), IAPWS95.items())
def test_water_density_within_26_ppm_of_iapws95(t_c: float, expected: float) -> None:
    assert float(density(WATER, t_c)) == pytest.approx(expected, rel=26e-6)


@pytest.mark.parametrize(("t_c", "expected"), KELL.items())
def test_water_density_is_kells(t_c: float, expected: float) -> None:
    assert float(density(WATER, t_c)) == pytest.approx(expected, abs=6e-5)


@pytest.mark.long
def test_water_density_against_coolprop_over_the_whole_range() -> None:
    """CoolProp's IAPWS-95; a little above saturation, where the liquid exists at every temperature."""
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    for t_c in np.linspace(0.01, 120, 61):
        pressure = max(101325.0, coolprop.PropsSI("P", "T", t_c + 273.15, "Q", 0, "Water") * 1.0001)
        reference = coolprop.PropsSI("D", "T", t_c + 273.15, "P", pressure, "Water")
        assert float(density(WATER, t_c)) == pytest.approx(reference, rel=27e-6)


def test_supercooled_water_joins_smoothly() -> None:
    """Density of supercooled water at -10 C, 998.117 kg/m3 (CRC Handbook; value from memory)."""
    assert float(density(WATER, -10.0)) == pytest.approx(998.117, abs=0.05)


@pytest.mark.parametrize(("t_f", "expected"), NET_FROM_40F.items())
def test_net_expansion_in_steel_matches_the_printed_factors(t_f: float, expected: float) -> None:
    """Printed to four decimals and rough between: 0.0005 holds them all."""
    assert float(net_expansion(WATER, celsius(40), celsius(t_f))) == pytest.approx(expected, abs=5e-4)


def test_net_expansion_at_250_f_lies_outside_the_range() -> None:
    """The printed table ends at 250 F (121 C), just above the range for which the formula is held."""
    from taptest.errors import PhysicsError

    with pytest.raises(PhysicsError, match="120"):
        net_expansion(WATER, celsius(40), celsius(250))


@pytest.mark.parametrize(("t_c", "expected"), RATIO_FROM_4C.items())
def test_expansion_matches_the_printed_volume_ratios(t_c: float, expected: float) -> None:
    assert 1 + float(expansion(WATER, 4, t_c)) == pytest.approx(expected, abs=3e-4)


@pytest.mark.parametrize(("t_f", "expected"), [(180, 0.02947), (195, 0.03529), (200, 0.03732), (220, 0.04592)])
def test_gross_expansion_from_60_f(t_f: float, expected: float) -> None:
    """Saturated liquid of IAPWS-95, computed with CoolProp 8.0.0."""
    assert float(expansion(WATER, celsius(60), celsius(t_f))) == pytest.approx(expected, abs=5e-5)


def test_metal_expansion_is_the_handbooks() -> None:
    """6.5e-6 and 9.5e-6 per degree F (ASHRAE); 11.7e-6 and 17.1e-6 per K."""
    assert LINEAR_EXPANSION_PER_K["steel"] == pytest.approx(11.7e-6)
    assert LINEAR_EXPANSION_PER_K["copper"] == pytest.approx(17.1e-6)
    gross = float(expansion(WATER, 20, 80))
    assert gross - float(net_expansion(WATER, 20, 80, "copper")) == pytest.approx(3 * 17.1e-6 * 60)


@pytest.mark.parametrize("kind", GLYCOL_TABLES)
def test_glycol_density_within_200_ppm_of_the_ashrae_tables(kind: FluidKind) -> None:
    for t_c, row in GLYCOL_TABLES[kind].items():
        for percent, expected in zip((10, 20, 30, 40, 50, 60), row, strict=True):
            assert float(density(Fluid(kind, percent / 100), t_c)) == pytest.approx(expected, rel=2e-4), (t_c, percent)


@pytest.mark.parametrize(("kind", "name"), [("propylene glycol", "APG"), ("ethylene glycol", "AEG")])
def test_glycol_density_against_coolprop(kind: FluidKind, name: str) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    for share in (0.1, 0.25, 0.3, 0.45, 0.6):
        for t_c in (5.0, 20.0, 45.0, 70.0, 99.0):
            reference = coolprop.PropsSI("D", "T", t_c + 273.15, "P", 3e5, f"INCOMP::{name}[{share}]")
            assert float(density(Fluid(kind, share), t_c)) == pytest.approx(reference, rel=1e-6), (share, t_c)


def test_gross_expansion_of_mixtures_from_10_to_80_c() -> None:
    """Percent, computed from IAPWS-95 and the ASHRAE tables."""
    assert 100 * float(expansion(WATER, 10, 80)) == pytest.approx(2.872, abs=0.002)
    for percent, ethylene, propylene in [(20, 3.27, 3.67), (30, 3.43, 4.04), (40, 3.59, 4.38), (50, 3.76, 4.70)]:
        share = percent / 100
        assert 100 * float(expansion(Fluid("ethylene glycol", share), 10, 80)) == pytest.approx(ethylene, abs=0.006)
        assert 100 * float(expansion(Fluid("propylene glycol", share), 10, 80)) == pytest.approx(propylene, abs=0.006)


@pytest.mark.parametrize(
    ("t_f", "factors"), [(180, (1.13, 1.18, 1.25, 1.31, 1.38)), (200, (None, 1.15, 1.22, 1.27, 1.34))]
)
def test_printed_multipliers_for_ethylene_glycol(t_f: float, factors: tuple[float | None, ...]) -> None:
    """How-to article on sizing: net expansion of 10 to 50 % ethylene glycol over that of water, 40 F base (200 F, 10 %:
    misprinted).
    """
    water = float(net_expansion(WATER, celsius(40), celsius(t_f)))
    for percent, printed in zip((10, 20, 30, 40, 50), factors, strict=True):
        if printed is not None:
            mixture = float(net_expansion(Fluid("ethylene glycol", percent / 100), celsius(40), celsius(t_f)))
            assert mixture / water == pytest.approx(printed, abs=0.02), percent

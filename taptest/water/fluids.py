"""Density and expansion of what a heating system is filled with: water, or water with glycol.

Conventions: temperatures in degrees Celsius, densities in kg/m3, glycol as a share of the volume (0.3 is 30 % by
volume at room temperature, as the plate or the filling card says). All functions take numbers or numpy arrays and
broadcast them; a number in gives a number out.

Sources
    Water: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97-105, one atmosphere; the coefficients are from memory and
    confirmed by agreement with IAPWS-95 within 26 ppm up to 120 C.
    Glycols: polynomials fitted to the tables of the ASHRAE Handbook - Fundamentals (2001) for inhibited propylene and
    ethylene glycol, taken from CoolProp (MIT licence, https://github.com/CoolProp/CoolProp,
    dev/incompressible_liquids/json/APG.json and AEG.json).
    Metals: linear expansion of steel 6.5e-6 and copper 9.5e-6 per degree F, as in the sizing equations of the ASHRAE
    Handbook - HVAC Systems and Equipment.
"""

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import PhysicsError, QuantityError

FluidKind = Literal["water", "propylene glycol", "ethylene glycol"]
Metal = Literal["steel", "copper"]
FloatArray = NDArray[np.float64]

WATER_RANGE_C = (-10.0, 120.0)
"""Kell's formula is held to IAPWS-95 here; below 0 C the water is supercooled."""
GLYCOL_RANGE_C = (-35.0, 100.0)
"""Range of the fit to the ASHRAE tables."""
LARGEST_GLYCOL_SHARE = 0.6
SMALLEST_FITTED_SHARE = 0.1

LINEAR_EXPANSION_PER_K: dict[Metal, float] = {"steel": 6.5e-6 * 1.8, "copper": 9.5e-6 * 1.8}

# rho = sum c[i][j] * (T - 305.65 K)^i * (x - 0.35)^j, volume fraction x; CoolProp, APG.json and AEG.json (MIT)
_GLYCOL_BASE_K = 305.65
_GLYCOL_BASE_SHARE = 0.35
_GLYCOL: dict[str, FloatArray] = {
    "propylene glycol": np.array(
        [
            [1026.177, 72.53677, -65.32547, 34.66575, -15.82785, -213.9879],
            [-0.5350059, -0.5056296, 0.1751278, -0.092333, 0.02877433, 0.0],
            [-0.002566157, -0.0001703579, 0.001165892, -0.000207517, 0.0, 0.0],
            [-5.177316e-09, 9.673169e-09, 3.368862e-07, 0.0, 0.0, 0.0],
        ]
    ),
    "ethylene glycol": np.array(
        [
            [1047.337, 140.4485, -48.70559, 71.41693, 52.4585, -693.3962],
            [-0.4505054, -0.3001582, -0.03952614, 0.02496264, -0.06817576, 0.0],
            [-0.002432696, -2.084384e-05, 0.0003108353, -0.0008979712, 0.0, 0.0],
            [-3.72545e-09, 1.044784e-06, -4.391164e-06, 0.0, 0.0, 0.0],
        ]
    ),
}


@dataclass(frozen=True, slots=True)
class Fluid:
    """What the system is filled with: `kind`, and the glycol's share of the volume (0 to 0.6)."""

    kind: FluidKind = "water"
    share: float = 0.0

    def __post_init__(self) -> None:
        if self.kind == "water" and self.share != 0:
            raise PhysicsError(
                f"Water has no glycol share, but {self.share:g} was given; name the glycol or leave the share out."
            )
        if not 0 <= self.share <= LARGEST_GLYCOL_SHARE:
            raise PhysicsError(
                f"A {self.kind} share of {100 * self.share:g} % is outside the published tables (0 to 60 % by volume); "
                "check the figure on the filling card."
            )

    def __str__(self) -> str:
        return self.kind if self.kind == "water" else f"{self.kind} {100 * self.share:g} %"

    @property
    def range_c(self) -> tuple[float, float]:
        """Lowest and highest temperature for which the density is known."""
        return WATER_RANGE_C if self.share == 0 else GLYCOL_RANGE_C


WATER = Fluid()

_NAMES: dict[str, FluidKind] = {
    "water": "water",
    "propylene glycol": "propylene glycol",
    "propylene": "propylene glycol",
    "pg": "propylene glycol",
    "ethylene glycol": "ethylene glycol",
    "ethylene": "ethylene glycol",
    "eg": "ethylene glycol",
}
_FLUID = re.compile(r"(?P<before>[\d.,]+\s*%)?\s*(?P<name>[a-z][a-z -]*?)\s*(?P<after>[\d.,]+\s*%)?", re.ASCII)


def parse_fluid(text: str) -> Fluid:
    """Read "water", "propylene glycol 30 %", "30 % ethylene glycol", "PG 40%"; percent by volume.

    Raises QuantityError for another text and PhysicsError for a share outside 0 to 60 %.
    """
    serve = 'write "water", "propylene glycol 30 %" or "ethylene glycol 30 %" (percent by volume)'
    match = _FLUID.fullmatch(" ".join(str(text).lower().split()))
    kind = _NAMES.get(match["name"]) if match else None
    if match is None or kind is None or (match["before"] and match["after"]):
        raise QuantityError(f"{str(text)[:60]!r} is not a known fluid; {serve}.")
    said = match["before"] or match["after"]
    if kind == "water":
        if said:
            raise QuantityError(f"{text!r} gives water a percentage; {serve}.")
        return WATER
    number = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*%", said or "")
    if number is None:
        raise QuantityError(f"{text!r} does not say how much glycol; {serve}.")
    return Fluid(kind, float(number[1].replace(",", ".")) / 100)


def density(fluid: Fluid, t_c: ArrayLike) -> FloatArray:
    """Density in kg/m3 at about one atmosphere, for temperatures `t_c` in degrees Celsius (any shape).

    The effect of 3 bar is 0.01 % and cancels in an expansion. Between 0 and 10 % glycol, where the fit does not
    reach, the density is interpolated between water and 10 %. Raises PhysicsError outside the fluid's range.
    """
    t = np.asarray(t_c, dtype=np.float64)
    low, high = fluid.range_c
    if not bool(np.all((t >= low) & (t <= high))):
        wrong = float(np.ravel(t[~((t >= low) & (t <= high))])[0])
        raise PhysicsError(
            f"The density of {fluid} is known from {low:g} to {high:g} °C, but {wrong:.4g} °C was asked for; "
            "check the temperature and its unit."
        )
    if fluid.share == 0:
        return _water_density(t)
    if fluid.share >= SMALLEST_FITTED_SHARE:
        return _glycol_density(fluid.kind, fluid.share, t)
    weight = fluid.share / SMALLEST_FITTED_SHARE
    return (1 - weight) * _water_density(t) + weight * _glycol_density(fluid.kind, SMALLEST_FITTED_SHARE, t)


def _water_density(t: FloatArray) -> FloatArray:
    """Kell 1975, equation 16, one atmosphere."""
    numerator = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 + t * -280.54253e-12)))
    )
    return numerator / (1 + 16.879850e-3 * t)


def _glycol_density(kind: FluidKind, share: float, t: FloatArray) -> FloatArray:
    """ASHRAE tables as fitted by CoolProp: a polynomial in temperature and volume fraction."""
    in_temperature = np.polynomial.polynomial.polyval(share - _GLYCOL_BASE_SHARE, _GLYCOL[kind].T)
    return np.asarray(np.polynomial.polynomial.polyval(t + 273.15 - _GLYCOL_BASE_K, in_temperature))[()]


def expansion(fluid: Fluid, t1_c: ArrayLike, t2_c: ArrayLike) -> FloatArray:
    """Share by which the fluid's volume grows from `t1_c` to `t2_c`: rho1 / rho2 - 1 (negative where it shrinks)."""
    return density(fluid, t1_c) / density(fluid, t2_c) - 1


def net_expansion(fluid: Fluid, t1_c: ArrayLike, t2_c: ArrayLike, metal: Metal = "steel") -> FloatArray:
    """Expansion of the fluid less that of the pipes around it: rho1 / rho2 - 1 - 3 a (t2 - t1).

    Source: ASHRAE Handbook - HVAC Systems and Equipment, sizing equations for closed tanks.
    """
    if metal not in LINEAR_EXPANSION_PER_K:
        raise PhysicsError(f"The expansion of {metal!r} is not known here; use steel or copper.")
    warming = np.asarray(t2_c, dtype=np.float64) - np.asarray(t1_c, dtype=np.float64)
    return expansion(fluid, t1_c, t2_c) - 3 * LINEAR_EXPANSION_PER_K[metal] * warming

"""Judged visits made up for tests of the picture, the JSON and the words: no sound, no model, only records that hang
together.
"""

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from taptest.finding.compare import Relief
from taptest.finding.records import (
    Case,
    Cause,
    Expected,
    FindingCode,
    Forecast,
    Interval,
    Judgement,
    PrechargeEstimate,
    Readings,
    SystemFacts,
)
from taptest.line.records import BoundaryPosterior, BoundaryState, LineReading, Profile
from taptest.quantities import METRIC
from taptest.sound.records import Tap
from taptest.sound.remarks import WhyNot
from taptest.sound.spectra import SPECTRUM_HZ
from taptest.sound.traits import BAND_HZ
from taptest.statements import Statement
from taptest.tank.kinds import Tank
from taptest.tank.shape import Shape
from taptest.visit.result import PointResult, TapResult, VisitResult
from taptest.water.fluids import WATER

HANGING = Tank("diaphragm", "top", Shape("vertical", 0.280, 0.170, "ellipsoidal", 0.0015), 0.0165, seam_depth_m=0.157)
STANDING = Tank("diaphragm", "bottom", Shape("vertical", 0.480, 0.400, "torispherical", 0.002), 0.090, seam_depth_m=0.3)
LYING = Tank("plain", "bottom", Shape("horizontal", 0.300, 0.900, "ellipsoidal", 0.003), 0.070)
TALL = Tank("bladder", "bottom", Shape("vertical", 0.550, 1.100, "hemispherical", 0.003), 0.300)


def made_up(
    tank: Tank = HANGING,
    state: BoundaryState = "found",
    boundary_m: float = 0.11,
    *,
    code: FindingCode = "low on air",
    points: int = 18,
    sentence: str = "The tank is low on air: the water ends 110 mm below the top, but should end at about 55 mm.",
    **changes: Any,
) -> VisitResult:
    """A judged visit whose boundary lies at `boundary_m`; `changes` replace fields of the result."""
    rng = np.random.default_rng(7)
    height = tank.shape.height_m
    depth = np.linspace(0.08 * height, 0.92 * height, points)
    wetness = {"all air": 0.03, "all water": 0.97, "not found": 0.5}.get(state)
    towards = 1.0 if tank.hanging else -1.0
    p_water = 1 / (1 + np.exp((depth - boundary_m) * towards / (0.02 * height)))
    p_water = p_water if wetness is None else np.clip(wetness + rng.normal(0, 0.05, points), 0, 1)
    found = state == "found"
    grid = np.linspace(0, height, 60)
    reading = LineReading(
        state=state,
        posterior=BoundaryPosterior(grid, np.full(60, 1 / 60) * (0.9 if found else 0.1), 0.05, 0.05),
        depth_m=boundary_m if found else None,
        interval90_m=(boundary_m - 0.04 * height, boundary_m + 0.05 * height) if found else None,
        p_water=p_water,
        point_depth_m=depth,
        misfit=0.2,
    )
    judgement = Judgement(
        code=code,
        says=sentence,
        confidence="fair",
        reasons=("The sound changes between the 6th and the 7th point.",),
        not_checked=("The weight of the tank was not checked.",),
        next_checks=("Close the valve, drain the water side to zero and read the pre-charge.",),
        causes=(Cause("lost pre-charge", 0.7, "the cold level stands above zero", supported=True),),
        line=reading,
        expected=Expected(
            Interval(0.2 * height, 0.14 * height, 0.26 * height),
            Interval(0.0027, 0.002, 0.0034),
            Interval(0.16, 0.12, 0.21),
        ),
        water_m3=Interval(0.0062, 0.005, 0.0078),
        precharge=PrechargeEstimate(Interval(0.45e5, 0.2e5, 0.7e5), None),
        forecast=Forecast(Interval(2.6e5, 2.3e5, 2.9e5), Statement(Relief.MAY_WEEP)),
        boundary_state=state,
    )
    result = VisitResult(
        name="Boiler room, left of the door",
        visited_on=date(2025, 3, 14),
        simulated=True,
        case=Case(
            tank,
            SystemFacts(WATER, relief_pa=3e5),
            Readings(pressure_pa=1.2e5, water_temperature_c=20, precharge_pa=1e5, state="cold"),
        ),
        units=METRIC,
        points=tuple(PointResult(float(d), float(p), 3, 0) for d, p in zip(depth, p_water, strict=True)),
        taps=(
            TapResult("sound/point01.wav", Tap(0.51234567, -6.0, 31.0, 1.2), float(depth[0])),
            TapResult("sound/point01.wav", Tap(1.75, -0.1, 35.0, 0.9, WhyNot.CLIPPED), float(depth[0])),
        ),
        profile=_profile(depth, p_water, rng),
        judgement=judgement,
        assumptions=("The wall is taken as 1.5 mm, a usual thickness: it was not given.",),
        remarks=(),
    )
    return replace(result, **changes)


def _profile(depth: np.ndarray, p_water: np.ndarray, rng: np.random.Generator) -> Profile:
    """Spectra with a few ridges that fall and fade where there is water."""
    points, bands = depth.size, BAND_HZ.size
    octave = np.log2(SPECTRUM_HZ)
    spectrum = np.full((points, SPECTRUM_HZ.size), -60.0)
    for ridge in (520.0, 1150.0, 1900.0, 3100.0, 5200.0):
        centre = np.log2(ridge) - 0.35 * p_water
        height = -8 - 14 * p_water - 3 * rng.random(points)
        spectrum = np.maximum(
            spectrum, height[:, None] - 40 * np.abs(octave - centre[:, None]) + rng.normal(0, 1, spectrum.shape)
        )
    return Profile(
        depth_m=depth,
        level_db=np.zeros((points, bands)),
        level_sd_db=np.ones((points, bands)),
        spectrum_db=spectrum,
        strength_db=np.zeros(points),
        strength_sd_db=np.ones(points),
        taps=np.full(points, 3),
        doubtful=np.zeros(points, dtype=bool),
    )

"""Free waves on the wall as a flat plate: what sets meshes, bases and radiation.

Conventions: hertz, wave numbers in 1/m. Source: L. Cremer, M. Heckl, Structure-Borne Sound (1988), chapters II and VI.
"""

import numpy as np

from taptest.shell.records import ShellSpec

AIR_IMPEDANCE = 413.0
"""rho0 c0 of air, Pa s/m."""
SOUND_SPEED_AIR_M_S = 343.0
LOWEST_HZ = 40.0
"""Below this lie motions of the tank as a whole, which no tap is heard by."""


def bending_wave_number(spec: ShellSpec, frequency_hz: float, water: bool) -> float:
    """Wave number (1/m) of free bending waves on the flat wall, with water (mass rho / k) or without."""
    m = spec.material
    stiff = m.young_pa * spec.wall_m**3 / 12.0 / (1.0 - m.poisson**2)
    omega = 2 * np.pi * frequency_hz
    area = m.density_kg_m3 * spec.wall_m
    k = (area * omega**2 / stiff) ** 0.25
    for _ in range(30 if water else 0):
        k = ((area + spec.water_density_kg_m3 / k) * omega**2 / stiff) ** 0.25
    return float(k)


def coincidence_hz(spec: ShellSpec) -> float:
    """Frequency at which bending waves of the wall are as fast as sound in air."""
    m = spec.material
    stiff = m.young_pa * spec.wall_m**3 / 12.0 / (1.0 - m.poisson**2)
    return float(SOUND_SPEED_AIR_M_S**2 / (2 * np.pi) * np.sqrt(m.density_kg_m3 * spec.wall_m / stiff))

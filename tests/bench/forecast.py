"""Time of the forecast: 10,000 draws of one judgement, and one by one; run python tests/bench/forecast.py.

The aim is under 50 ms for the water side of 10,000 draws: expected share, pre-charge from the level, hot pressure.
"""

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from taptest.water.forecast import Cushion, SystemState, hot_pressure_pa, pressure_curve, relief_outlook
from taptest.water.pressure import precharge_abs_pa, water_share

DRAWS = 10_000
CURVE_DRAWS = 1_000


def best_of(action: Callable[[], object], repeats: int = 7) -> float:
    """Least time in milliseconds."""
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        found.append(time.perf_counter() - start)
    return 1e3 * min(found)


def states(rng: np.random.Generator, number: int, tanks: int) -> tuple[SystemState, list[Cushion]]:
    def spread(value: float, sd: float) -> NDArray[np.float64]:
        return value + sd * rng.standard_normal(number)

    state = SystemState(spread(0.15, 0.02), spread(1.2e5, 6e3), spread(18, 2))
    cushions = [
        Cushion(spread(0.018, 5e-4), spread(0.9e5, 1e4), 20.0, spread(20, 2), spread(35, 3), acceptance_share=0.5)
        for _ in range(tanks)
    ]
    return state, cushions


def judgement(state: SystemState, cushions: list[Cushion]) -> None:
    pressure, charge = (np.asarray(v) + 101325 for v in (state.pressure_pa, cushions[0].precharge_pa))
    share = water_share(charge, pressure, cushions[0].gas_t_c)
    precharge_abs_pa(share, pressure, cushions[0].gas_t_c)
    hot_pressure_pa(state, cushions, 80.0)


def main() -> None:
    rng = np.random.default_rng(1)
    print(f"{'what':58} {'ms':>9}")
    whole = 0.0
    for tanks in (1, 2, 3):
        state, cushions = states(rng, DRAWS, tanks)
        taken = best_of(lambda state=state, cushions=cushions: judgement(state, cushions))  # type: ignore[misc]
        whole = taken if tanks == 1 else whole
        print(f"{f'{DRAWS} draws, {tanks} tank(s): share, pre-charge, hot pressure':58} {taken:9.2f}")
    state, cushions = states(rng, CURVE_DRAWS, 1)
    curve = pressure_curve(state, cushions, 80.0)
    print(
        f"{f'{CURVE_DRAWS} draws, curve of 41 temperatures':58} "
        f"{best_of(lambda: pressure_curve(state, cushions, 80.0)):9.2f}"
    )
    print(f"{'its relief outlook':58} {best_of(lambda: relief_outlook(curve, 3e5)):9.2f}")
    single_state, single = SystemState(0.15, 1.2e5, 18.0), [Cushion(0.018, 0.9e5, acceptance_share=0.5)]
    one = best_of(lambda: [hot_pressure_pa(single_state, single, 80.0) for _ in range(100)]) / 100
    print(f"{'one draw':58} {one:9.3f}")
    print(f"ratio of {DRAWS} single calls to one call with draws: {one * DRAWS / whole:.0f}")
    print(f"aim of 50 ms: {'held' if whole < 50 else 'missed'} ({50 / whole:.0f} times faster)")


if __name__ == "__main__":
    main()

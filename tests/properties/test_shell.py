"""Laws that every tank obeys, whatever its numbers."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.shell.fluid import WaterLayers
from taptest.shell.records import Losses, ShellSpec
from taptest.shell.response import build, pictures_of, reduce_harmonic, wet_modes
from tests.shell_pieces import cylinder, wet_lowest
from tests.truth.test_shell_values import STEEL_205

LINE = np.linspace(0.02, 0.2, 6)
HEADS = st.sampled_from(["ellipsoidal", "torispherical", "hemispherical", "flat"])
ENDS = st.sampled_from(["top", "bottom"])


def small(head: str, end: str, wall: float, pressure: float) -> ShellSpec:
    return ShellSpec("vertical", 0.2, 0.12, head, wall, pressure, water_end=end, end_fitting_kg=0.0)  # type: ignore[arg-type]


@settings(max_examples=12, deadline=None, derandomize=True)
@given(HEADS, ENDS, st.floats(0.001, 0.003), st.floats(0.0, 3e5), st.integers(0, 7))
def test_water_only_adds_mass(head: str, end: str, wall: float, pressure: float, n: int) -> None:
    """Higher levels add mass in every direction: each difference has no negative eigenvalue."""
    spec = small(head, end, wall, pressure)
    tank = build(spec, np.zeros(0), 3000.0)
    walls = [(WaterLayers(tank.column, 0, last),) if last else () for last in range(len(tank.column.layers) + 2)]
    added = reduce_harmonic(tank, n, pictures_of(tank, walls), np.array([0.1])).added
    for step in np.diff(added, axis=0):
        assert np.min(np.linalg.eigvalsh(step)) > -1e-9 * np.abs(added[-1]).max()
    assert not np.any(added[0])


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(4, 10))
def test_partial_fill_falls_from_dry_to_full(n: int) -> None:
    shell = cylinder(0.2, 0.4, 1e-3, STEEL_205, elements=40)
    edges = ("simply supported", "simply supported")
    found = wet_lowest(shell, n, edges, np.linspace(0.0, 1.0, 21))  # type: ignore[arg-type]
    assert np.all(np.diff(found) <= 1e-9)
    assert abs(found[1] / found[0] - 1) < 1e-3
    assert abs(found[-1] / found[-2] - 1) < 1e-2


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(4, 9), st.floats(0.2e5, 4e5))
def test_ratio_of_wet_to_dry_knows_no_pressure(n: int, pressure: float) -> None:
    """Absolute frequency does: never compare two pressures without it (value: a third more at 3 bar for n = 5)."""
    shares = np.array([0.0, 1.0])
    free, tight = (
        wet_lowest(cylinder(0.2, 0.3, 1.5e-3, STEEL_205, p, elements=30), n, ("guided", "simply supported"), shares)
        for p in (0.0, pressure)
    )
    assert abs((tight[1] / tight[0]) / (free[1] / free[0]) - 1) < 3e-3
    assert tight[0] > free[0]


@settings(max_examples=8, deadline=None, derandomize=True)
@given(HEADS, ENDS, st.floats(0.0, 1.0), st.integers(0, 4))
def test_more_damping_never_lengthens_a_ring(head: str, end: str, share: float, which: int) -> None:
    base = Losses(0.003, 0.003, 0.05, 0.01, 0.5)
    spec = replace(
        small(head, end, 0.0015, 1e5), seam_depth_m=0.1, rubber_kg_m2=2.0, rubber_from_m=0.0, rubber_to_m=0.2
    )
    names = ("structural", "water", "rubber", "ring", "air_radiation")
    more = replace(base, **{names[which]: 1.3 * getattr(base, names[which])})
    level = share * 0.25
    before, after = (wet_modes(replace(spec, losses=loss), level, LINE, 2500.0) for loss in (base, more))
    for n in range(int(before.harmonic.max()) + 1):
        a, b = (m.pole_1_s[m.harmonic == n] for m in (before, after))
        assert len(a) == len(b)
        # the sum over a harmonic's modes bounds every exchange between modes that overlap
        assert -b.real.sum() >= -a.real.sum() * (1 - 1e-6)
    assert np.all(before.pole_1_s.real < 0)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(HEADS, st.floats(1.2, 2.5), st.floats(0.2, 0.8))
def test_frequencies_go_with_one_over_the_length(head: str, scale: float, share: float) -> None:
    """All lengths scaled, pressure and materials kept: every frequency falls by the scale (n = 0 knows the
    connection's size)."""
    spec = small(head, "bottom", 0.0015, 1.5e5)
    large = replace(spec, diameter_m=0.2 * scale, straight_m=0.12 * scale, wall_m=0.0015 * scale)
    level = share * 0.2
    a = wet_modes(spec, level, LINE, 2500.0)
    b = wet_modes(large, level * scale, LINE * scale, 2500.0 / scale)
    for n in range(2, int(a.harmonic.max()) + 1):
        one, other = a.pole_1_s[a.harmonic == n].imag, b.pole_1_s[b.harmonic == n].imag * scale
        both = min(len(one), len(other))
        np.testing.assert_allclose(one[:both], other[:both], rtol=2e-3)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(HEADS, st.floats(0.0, 0.25), st.floats(0.05, 0.2), st.floats(0.05, 0.2))
def test_a_tap_here_heard_there_is_a_tap_there_heard_here(head: str, level: float, here: float, there: float) -> None:
    """Reciprocity for a receiver on the wall; and no point gives out energy."""
    spec = small(head, "top", 0.0015, 1e5)
    one = wet_modes(spec, level, np.array([here, there]), 3500.0)
    two = wet_modes(spec, level, np.array([there, here]), 3500.0)
    omega = 2 * np.pi * np.linspace(100, 3400, 50)[:, None]

    def mobility(pole: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.asarray((1j * omega * a * b / (-(pole**2) - omega**2)).sum(axis=1))

    np.testing.assert_allclose(
        mobility(one.pole_1_s, one.shape[:, 0], one.shape[:, 1]),
        mobility(two.pole_1_s, two.shape[:, 0], two.shape[:, 1]),
    )
    point = mobility(one.pole_1_s, one.shape[:, 0], one.shape[:, 0])
    assert np.all(point.real > -1e-3 * np.abs(point).max())

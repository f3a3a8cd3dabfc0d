"""The level sweep: order, shapes, the measured traits' own definition, variants, and how the work is shared out."""

from dataclasses import replace

import numpy as np
import pytest

from taptest.errors import PhysicsError
from taptest.shell import sweep as sweep_module
from taptest.shell.records import Change, FloatArray, LevelSweep, Losses, RingPictures, ShellSpec
from taptest.shell.response import Resolution
from taptest.shell.sweep import MAX_HZ, band_energies, level_sweep, level_sweeps, usual_levels
from taptest.sound.traits import BAND_HZ, band_energy

SPEC = ShellSpec("vertical", 0.2, 0.05, "ellipsoidal", 0.002, 1e5, water_end="top")
HEIGHT = 0.05 + 0.1 + 0.002
LINE = np.array([0.03, 0.06, 0.09, 0.12])
LEVELS = np.array([0.12, 0.05])


@pytest.fixture(scope="module")
def told() -> list[float]:
    return []


@pytest.fixture(scope="module")
def swept(told: list[float]) -> tuple[LevelSweep, ...]:
    changes = (Change(), Change(wall_factor=0.85), Change(losses=Losses(0.02, 0.02, 0.1, 0.02, 1.0)))
    return level_sweeps(SPEC, LINE, changes, LEVELS, told.append)


def test_order_is_all_air_then_away_from_the_water_end_then_all_water(
    swept: tuple[LevelSweep, ...], told: list[float]
) -> None:
    sweep = swept[0]
    np.testing.assert_array_equal(sweep.level_depth_m, [np.nan, 0.05, 0.12, np.nan])
    assert sweep.level_db.shape == (4, 4, BAND_HZ.size)
    assert np.all(np.isfinite(sweep.level_db))
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_levels_are_those_that_the_traits_measure() -> None:
    """Modes far apart, two in each band, made to sound at 48 kHz with every phase and measured as a tap is.

    What remains is what the sudden onsets of neighbours spill into a band.
    """
    rng = np.random.default_rng(7)
    hertz = np.concatenate([BAND_HZ * 0.96, BAND_HZ * 1.05])
    pole = np.asarray(-rng.uniform(0.01, 0.03, 30) * hertz + 2j * np.pi * hertz, dtype=np.complex128)
    line = np.asarray(rng.uniform(0.5, 2.0, (30, 2)), dtype=np.complex128)
    power = rng.uniform(0.5, 2.0, 30)
    level = 10 * np.log10(band_energies(pole, line, power, frequency_sd=0.0))
    time = np.arange(round(0.06 * 48000)) / 48000.0
    for point in range(2):
        energy = np.zeros(15)
        for _ in range(120):
            weight = np.sqrt(power) * line[:, point] * np.exp(2j * np.pi * rng.random(30))
            sound = (weight[:, None] * np.exp(pole[:, None] * time)).real.sum(axis=0)
            energy += band_energy(sound, 48000.0) / 120
        np.testing.assert_allclose(level[point], 10 * np.log10(energy), atol=0.7)


def test_water_and_losses_change_what_they_should(swept: tuple[LevelSweep, ...]) -> None:
    """Loss takes energy out of every ring; a thinner wall is another tank."""
    nominal, thinner, dull = swept
    assert np.mean(dull.level_db - nominal.level_db) < -1.0
    assert np.abs(thinner.level_db - nominal.level_db).mean() > 0.5
    shape = nominal.level_db - nominal.level_db.mean(axis=1, keepdims=True)
    assert np.abs(shape[0] - shape[-1]).mean() > 0.5


def test_results_do_not_depend_on_the_number_of_workers() -> None:
    one, two = (level_sweeps(SPEC, LINE, (Change(),), LEVELS[:1], workers=w)[0] for w in (1, 2))
    np.testing.assert_array_equal(one.level_db, two.level_db)


def test_the_sweeps_short_cuts_hardly_change_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Coarse mesh, and losses to first order where weak, against a fine mesh with every problem solved as it stands."""
    changes = (Change(), Change(wall_factor=0.6))
    quick = level_sweeps(SPEC, LINE, changes, LEVELS[:1])
    monkeypatch.setattr(sweep_module, "COARSE", Resolution(9.0, 2.2, 1.35))
    monkeypatch.setattr(sweep_module, "WEAK", 0.0)
    for a, b in zip(quick, level_sweeps(SPEC, LINE, changes, LEVELS[:1]), strict=True):
        off = a.level_db - b.level_db
        off -= off.mean(axis=1, keepdims=True)
        assert np.sqrt((off**2).mean(axis=(0, 1))).max() < 0.3


def test_a_thin_wall_is_nearly_a_tank_with_that_wall() -> None:
    """Also in the upper bands, whose modes lie far above the nominal wall's; against a tank built so."""
    thin = level_sweeps(SPEC, LINE, (Change(), Change(wall_factor=0.6)), LEVELS[:1])[1].level_db
    anew = level_sweep(replace(SPEC, wall_m=0.6 * SPEC.wall_m), LINE, LEVELS[:1]).level_db
    off = thin - anew
    assert np.abs(off.mean(axis=1)).max() < 1.5, "the mean spectrum counts, too"
    off -= off.mean(axis=1, keepdims=True)
    assert np.sqrt((off**2).mean(axis=(0, 1))).max() < 1.0


def test_one_more_ring_is_roughly_a_tank_with_that_ring() -> None:
    """On the modes without it a heavy ring comes out too stiff; what remains is less than half of what it does."""
    spec = replace(SPEC, more_ring_depth_m=0.075)
    with pytest.raises(PhysicsError, match="no depth for it"):
        level_sweeps(SPEC, LINE, (Change(more_ring_moment_m4=1e-9),), LEVELS[:1])
    own = replace(SPEC, seam_depth_m=0.075, ring_mass_kg_m=1.2, ring_stiffness=3.35e-9)
    changes = (Change(), Change(more_ring_kg_m=1.2, more_ring_moment_m4=3.35e-9))
    bare, ringed = (each.level_db for each in level_sweeps(spec, LINE, changes, LEVELS[:1]))
    anew = level_sweep(own, LINE, LEVELS[:1]).level_db
    missed, moved = (np.std((each - anew) - (each - anew).mean(axis=1, keepdims=True)) for each in (ringed, bare))
    assert missed < 0.5 * moved
    assert moved > 0.5


def test_water_at_the_bottom_is_the_same_shell_turned_over() -> None:
    turned = ShellSpec("vertical", 0.2, 0.05, "ellipsoidal", 0.002, 1e5, water_end="bottom")
    low = level_sweep(turned, HEIGHT - LINE, HEIGHT - LEVELS[:1])
    high = level_sweep(SPEC, LINE, LEVELS[:1])
    # the usual places of the microphone are not symmetric, so levels agree as shapes do, not to the last decibel
    a, b = (s.level_db - s.level_db.mean(axis=1, keepdims=True) for s in (low, high))
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.8
    np.testing.assert_allclose(low.level_depth_m[1:-1], HEIGHT - high.level_depth_m[1:-1])


def test_usual_levels_are_many_and_inside() -> None:
    for height in (0.2, 0.36, 1.2, 3.0):
        levels = usual_levels(height)
        assert 24 <= len(levels) <= 48
        assert 0 < levels[0] < levels[-1] < height
        np.testing.assert_allclose(np.diff(levels), height / len(levels))


def test_range_covers_the_highest_band() -> None:
    assert MAX_HZ > 6300 * 2 ** (1 / 6)


def test_levels_find_their_line_on_the_coarse_mesh_of_a_short_thick_tank() -> None:
    """A level a hair from the head's joint is moved to it, by more than two thousandths of so low a tank."""
    flat = ShellSpec("vertical", 0.15, 0.1, "flat", 0.004, 1e5)
    assert np.all(np.isfinite(level_sweep(flat, np.array([0.02, 0.08])).level_db))


def test_rings_stand_beside_the_levels_and_grow_into_one() -> None:
    """A thick ring without a cap sounds nearly as deep water to the seam; a thin one hardly differs from a dry tank."""
    spec = replace(SPEC, rubber_kg_m2=0.0)
    seam = 0.076
    rings = RingPictures(seam, np.array([0.055, 0.003]), np.array([0.0005, 0.05]), np.array([0.10, 0.149]))
    [sweep] = level_sweeps(spec, LINE, (Change(),), np.array([seam]), rings=rings)
    dry, to_seam, full = sweep.level_db
    thin, thick = sweep.cap_db
    low_foot, no_foot = sweep.foot_db

    def apart(one: FloatArray, other: FloatArray) -> float:
        return float(np.std((one - other) - (one - other).mean(axis=0)))

    assert apart(thin, dry) < 0.35 * apart(to_seam, dry)
    assert apart(thick, to_seam) < 0.35 * apart(to_seam, dry)
    assert apart(no_foot, to_seam) < 0.35 * apart(low_foot, to_seam)
    assert apart(low_foot, full) > 0.5
    np.testing.assert_array_equal(sweep.cap_depth_m, rings.cap_m)


def test_a_line_without_positions_is_refused() -> None:
    with pytest.raises(PhysicsError, match="two positions"):
        level_sweep(SPEC, np.array([0.1]))

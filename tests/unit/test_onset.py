"""One mark at many pressures: where its sound begins to change.

Spectra are made up: resonances that stand still below the onset and sink above it as an added mass makes them sink,
f = f0 / sqrt(1 + m), the mass growing with the share of water 1 - onset / pressure (Boyle, absolute pressures).
"""

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from taptest.errors import LineError
from taptest.finding.judge import judge
from taptest.finding.onset_likelihood import OnsetSaid, onset_said
from taptest.finding.records import Judgement, Round
from taptest.finding.settle import Settle
from taptest.line.onset import OnsetEvidence, find_onset, notes_of, onset_mark_m
from taptest.quantities import METRIC, STANDARD_ATMOSPHERE_PA
from taptest.simulate.onset_round import play_onset
from taptest.simulate.scene import draw_scene
from taptest.simulate.visits import draw_session
from taptest.sound.recording import recording_of
from taptest.sound.records import TapTraits
from taptest.sound.spectra import SPECTRUM_HZ
from taptest.sound.taps import detect_taps
from taptest.sound.traits import traits_of
from taptest.statements import Statement
from taptest.tank.contact import seam_reach_m
from taptest.words.tell import tell
from tests.made_cases import heard, made_case, made_tank, ring_heard

DOWN = np.arange(1.4e5, 0.49e5, -0.05e5)


def spectrum(water_share: float, rng: np.random.Generator) -> TapTraits:
    """One tap on a shell with so much water, struck anywhere near its mark."""
    notes = 300.0 * 1.31 ** np.arange(10) / np.sqrt(1 + 6 * water_share)
    energy = np.full(SPECTRUM_HZ.size, 1e-4)
    for note in notes:
        loud = 10 ** (rng.normal(0.0, 3.0) / 10)
        energy += loud / (1 + ((SPECTRUM_HZ / note - 1) / 0.012) ** 2)
    level_db = 10 * np.log10(energy) + rng.normal(0.0, 3.0) + 0.3 * rng.standard_normal(energy.size)
    none = np.zeros(15)
    return TapTraits(none, none, level_db)


def heard_at(onset_pa: float, shown_pa: np.ndarray = DOWN, *, taps: int = 2, seed: int = 4) -> OnsetEvidence:
    rng = np.random.default_rng(seed)
    pressures = np.repeat(shown_pa, taps)
    shares = np.maximum(0.0, 1 - (onset_pa + STANDARD_ATMOSPHERE_PA) / (pressures + STANDARD_ATMOSPHERE_PA))
    return find_onset(list(pressures), [spectrum(float(share), rng) for share in shares], STANDARD_ATMOSPHERE_PA)


@pytest.mark.parametrize("onset_pa", [0.92e5, 1.1e5, 1.27e5])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_pressure_is_found_at_which_the_notes_begin_to_sink(onset_pa: float, seed: int) -> None:
    found = heard_at(onset_pa, seed=seed)
    low, middle, high = found.interval90_pa
    assert found.p_within > 0.8
    assert middle == pytest.approx(onset_pa, abs=0.05e5)
    assert low - 0.01e5 <= onset_pa <= high + 0.01e5
    assert high - low < 0.2e5


def test_the_order_of_the_readings_does_not_matter() -> None:
    rng = np.random.default_rng(8)
    shares = np.maximum(0.0, 1 - 2.1e5 / (DOWN + STANDARD_ATMOSPHERE_PA))
    taps = [spectrum(float(share), rng) for share in shares]
    down = find_onset(list(DOWN), taps, STANDARD_ATMOSPHERE_PA)
    up = find_onset(list(DOWN[::-1]), taps[::-1], STANDARD_ATMOSPHERE_PA)
    assert down.likelihood == pytest.approx(up.likelihood)


def test_where_nothing_changes_no_onset_is_told() -> None:
    found = heard_at(2.5e5)
    assert found.p_no_change > 0.7
    assert onset_said(found).key is OnsetSaid.NO_CHANGE


def test_where_the_notes_move_all_along_the_charge_is_lower() -> None:
    found = heard_at(0.2e5)
    assert found.p_within < 0.4
    assert found.p_below > 3 * found.p_no_change


def test_a_jump_alone_is_no_onset() -> None:
    """Water that leaves the seam all at once, with little movement on either side, tells no charge."""
    rng = np.random.default_rng(3)
    pressures = np.repeat(DOWN, 2)
    found = find_onset(
        list(pressures), [spectrum(0.3 if p > 1.1e5 else 0.15, rng) for p in pressures], STANDARD_ATMOSPHERE_PA
    )
    assert found.p_below > found.p_within


def test_how_hard_the_blow_is_and_how_it_is_coloured_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    tap = spectrum(0.1, rng)
    slope = 3.0 * np.log2(SPECTRUM_HZ / 1000)
    louder = replace(tap, spectrum_db=tap.spectrum_db + 12.0 + slope)
    # at the ends of the range a slope is not quite smooth to the filter
    assert notes_of([louder])[0][12:-12] == pytest.approx(notes_of([tap])[0][12:-12], abs=0.7)


@pytest.mark.parametrize("pressures", [[1.0e5, 1.1e5, 1.2e5], [1.0e5, 1.01e5, 1.02e5, 1.03e5, 1.05e5], []])
def test_too_few_readings_are_refused(pressures: list[float]) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(LineError, match="are needed to hear where its sound begins to change"):
        find_onset(pressures, [spectrum(0.0, rng) for _ in pressures], STANDARD_ATMOSPHERE_PA)


def test_the_mark_lies_where_the_first_water_goes() -> None:
    hanging, standing = made_tank("diaphragm", "top"), made_tank("diaphragm", "bottom")
    seam = hanging.seam_depth_m or hanging.shape.height_m / 2
    assert 0.02 < seam - onset_mark_m(hanging) < 0.05
    assert onset_mark_m(standing) > 0.85 * standing.shape.height_m


@pytest.mark.parametrize("kind", ["bladder", "plain"])
def test_a_tank_without_a_clamped_membrane_has_no_such_mark(kind: str) -> None:
    with pytest.raises(LineError, match="enter a measured drain instead"):
        onset_mark_m(made_tank(kind, "bottom"))  # type: ignore[arg-type]


# ---------------------------------------------------------------- in the finding


def judged(onset_pa: float | None, *, stated_pa: float = 1.0e5, ring_m: float | None = None) -> Judgement:
    tank = made_tank("diaphragm", "top")
    case = made_case(
        tank, pressure_pa=1.4e5, state="cold", water_temperature_c=20.0, tank_temperature_c=20.0,
        precharge_pa=stated_pa, charged_at_c=20.0,
    )  # fmt: skip
    rounds = []
    if onset_pa is not None:
        rounds.append(Round(replace(case.readings, pressure_pa=None), (), onset=heard_at(onset_pa)))
    line = heard(tank, "not found") if ring_m is None else ring_heard(tank, ring_m)
    return judge(case, line, rounds=rounds)


def test_the_onset_is_the_charge_where_the_line_finds_little_water() -> None:
    found = judged(1.1e5, ring_m=0.16 * seam_reach_m(made_tank("diaphragm", "top")))  # about 14 % of water
    assert found.precharge is not None
    assert found.precharge.bound is None
    charge = found.precharge.pressure_pa
    # the same gauge read both; its own error, 0.06 bar, stays
    assert charge.median == pytest.approx(1.1e5, abs=0.08e5)
    assert charge.high - charge.low < 0.35e5


def test_an_onset_names_what_the_line_leaves_open() -> None:
    assert judged(None).code == "cannot tell"
    assert judged(1.0e5).code == "as expected"
    lost = judged(0.65e5, stated_pa=1.3e5)
    assert lost.code == "low on air"
    assert lost.probabilities["as expected"] < 0.05


def test_an_onset_that_was_heard_is_not_asked_for_again() -> None:
    case = made_case(made_tank("diaphragm", "bottom"), pressure_pa=1.4e5, precharge_pa=1.17e5)
    rounds = [Round(replace(case.readings, pressure_pa=None), (), onset=heard_at(1.05e5))]
    found = judge(case, heard(case.tank, "not found"), rounds=rounds)
    asked = {said.key for step in found.next_checks if isinstance(step, Statement) for said in nested(step)}
    assert not asked & {Settle.LOWER_TO_ONSET, Settle.RAISE_TO_ONSET}


def nested(said: Statement) -> list[Statement]:
    """A statement and those in its values."""
    return [said, *(inner for value in said.values.values() if isinstance(value, Statement) for inner in nested(value))]


@pytest.mark.parametrize("water_end", ["top", "bottom"])
def test_a_membrane_that_takes_another_form_may_sound_like_an_onset(water_end: Literal["top", "bottom"]) -> None:
    """A tank with water in it may change its sound where that passes the seam: a lower charge stays possible."""
    case = made_case(made_tank("diaphragm", water_end), pressure_pa=1.4e5, precharge_pa=None)
    evidence = heard_at(1.1e5)
    rounds = [Round(replace(case.readings, pressure_pa=None), (), onset=evidence)]
    found = judge(case, heard(case.tank, "not found"), rounds=rounds).precharge
    assert found is not None
    low, middle, high = found.pressure_pa.low, found.pressure_pa.median, found.pressure_pa.high
    assert low < evidence.interval90_pa[0] - 0.2e5
    assert middle == pytest.approx(1.1e5, abs=0.1e5)
    assert high < 1.3e5


def test_an_onset_clears_no_tank_whose_line_is_full_of_water() -> None:
    """Where the line finds a hanging tank three quarters full, the charge is not what was heard at the seam."""
    case = made_case(made_tank("diaphragm", "top"), pressure_pa=1.4e5, precharge_pa=1.1e5)
    rounds = [Round(replace(case.readings, pressure_pa=None), (), onset=heard_at(1.1e5))]
    line = heard(case.tank, "found", 0.8 * case.tank.shape.height_m)
    assert judge(case, line, rounds=rounds).code != "as expected"


def test_an_onset_is_told_with_its_reason() -> None:
    keys = [each.key for each in judged(1.1e5).reasons if not isinstance(each, str)]
    assert OnsetSaid.WITHIN in keys
    said = tell(onset_said(heard_at(1.1e5)), METRIC)
    assert said.startswith("The mark's sound begins to change between 1.0")


# ---------------------------------------------------------------- on simulated sound


@pytest.mark.long
@pytest.mark.parametrize("seed", [pytest.param(21054, marks=pytest.mark.slow), 21160])
def test_the_onset_of_a_simulated_tank_is_its_charge(seed: int) -> None:
    """The simulated tank's gas law and shell, not the estimator's, say at which pressure its sound changes."""
    scene = draw_scene(seed, "easy", fault="healthy")  # tanks of 4 l, a standing and a hanging one
    session = draw_session(scene)
    played = play_onset(scene, session)
    assert played is not None
    taps: list[TapTraits] = []
    shown: list[float] = []
    for pressure, point in zip(played.shown_pa, played.points, strict=True):
        recording = recording_of(point.samples, round(session.rate_hz))
        heard_here = [
            each for each in traits_of(recording, detect_taps([point.samples], session.rate_hz)) if each is not None
        ]
        taps += heard_here
        shown += [pressure] * len(heard_here)
    found = find_onset(shown, taps, STANDARD_ATMOSPHERE_PA)
    low, _, high = found.interval90_pa
    off = played.shown_pa[0] - played.cold.truth.pressure_pa
    assert low - 0.03e5 <= played.true_pa + off <= high + 0.03e5

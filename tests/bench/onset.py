"""How well one mark at many pressures tells the charge: `python -m tests.bench.onset --tanks 25 [--second]`.

Diaphragm tanks of the product's simulator, or those of the second model that were found cold. Each is let down, or
raised where it is dry, in steps of 0.05 bar with two taps each; the gauge has its error, and its zero is taken off
again, since both pressures are read on it. Taps are cut at their true onsets. About half a minute a tank.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count, islice

import numpy as np
from numpy.typing import NDArray

from taptest.finding.onset_likelihood import SURE
from taptest.line.onset import find_onset, onset_mark_m
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.simulate.onset_round import play_onset
from taptest.simulate.scene import draw_scene
from taptest.simulate.visits import draw_session
from taptest.sound.records import TapTraits
from taptest.sound.traits import tap_traits
from taptest.tank.kinds import Tank
from tests.bench.second_model import hearing
from tests.bench.second_model.draws import Case, draw, with_story
from tests.bench.second_model.folder import Site
from tests.bench.second_model.ringing import ring
from tests.bench.second_model.stories import ATMOSPHERE, RELIEF, at_pressure, held_bar
from tests.bench.second_model.switches import stream

LEAD_S, KEPT_S = 0.005, 0.4
STEP, STEPS, LOWEST = 0.05, 12, 0.2
"""bar, at most so many, and no lower; of the second model."""


@dataclass(frozen=True)
class Told:
    """One tank: what was read and heard, and the truth as its gauge shows it."""

    name: str
    shown_pa: list[float]
    traits: list[TapTraits]
    true_pa: float
    moves: bool
    """Whether the membrane is whole and the tank is not shut off."""


def of_simulator(first: int) -> Iterator[Told]:
    """Yield tanks of the product's simulator."""
    for seed in count(first):
        scene = draw_scene(seed, "field")
        if not scene.tank.clamped or "moving-microphone" in scene.switches:
            continue
        session = draw_session(scene)
        played = play_onset(scene, session)
        if played is None:
            continue
        shown, traits = [], []
        for pressure, point in zip(played.shown_pa, played.points, strict=True):
            for onset, twice in zip(point.onsets_s, point.double_hits, strict=True):
                if not twice:
                    shown.append(pressure)
                    traits.append(cut(point.samples, onset, session.rate_hz))
        truth = played.cold.truth
        off = played.shown_pa[0] - truth.pressure_pa
        moves = truth.fault not in ("torn membrane", "no water")
        yield Told(f"{seed} {truth.fault}", shown, traits, played.true_pa + off, moves)


def of_second_model(first: int) -> Iterator[Told]:
    """Yield tanks of the second model."""
    for number in count(first):
        case = draw(377, number)
        if case.kind == "diaphragm" and not case.story.hot:
            told = _second(case, number)
            if told is not None:
                yield told


def cut(samples: NDArray[np.floating], onset_s: float, rate_hz: float) -> TapTraits:
    """Return the traits of one tap."""
    begin = round((onset_s - LEAD_S) * rate_hz)
    return tap_traits(samples[max(begin, 0) : begin + round(KEPT_S * rate_hz)], rate_hz, lead_s=LEAD_S)


def _second(case: Case, number: int) -> Told | None:
    tank = Tank(case.kind, case.water_end, case.vessel.shape, case.litres / 1000, seam_depth_m=case.seam)
    mark, rng, start = onset_mark_m(tank), stream(377, number, "onset"), case.story.pressure
    way = 1 if case.story.share < 0.002 else -1
    pressures = [start + way * STEP * step for step in range(STEPS)]
    pressures = [pressure for pressure in pressures if LOWEST <= pressure <= RELIEF - 0.5]
    if len(pressures) < 4:
        return None
    site, clear_db, off = Site.drawn(case, rng), float(rng.uniform(20.0, 40.0)), 0.05 * rng.standard_normal()
    shown: list[float] = []
    traits: list[TapTraits] = []
    for pressure in pressures:
        now = with_story(case, at_pressure(case.story, pressure), 377, number)
        ringing = ring(now.vessel)
        sounds = site.rung(ringing, [mark, mark], rng)
        site.enter(rng)
        level = float(np.sqrt((sounds[:, : int(0.06 * hearing.RATE)] ** 2).mean())) * 10 ** (-clear_db / 20)
        reading = 1e5 * (pressure + off + 0.008 * rng.standard_normal())
        for sound in sounds:
            begin = int(0.05 * hearing.RATE)
            assert site.answer is not None
            heard = hearing.heard(sound[None], [begin], begin + hearing.RATE // 2, site.answer, site.bass_hz)
            heard = heard + level * hearing.noise(heard.size, site.slope, rng)
            shown.append(reading)
            traits.append(cut(heard, begin / hearing.RATE, hearing.RATE))
    story = case.story
    moves = not story.torn and story.fault != "cut off"
    return Told(f"{number} {story.fault}", shown, traits, 1e5 * (held_bar(story) - ATMOSPHERE + off), moves)


def main() -> None:
    """Tell each tank, then the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.onset", description=__doc__)
    parser.add_argument("--tanks", type=int, default=25)
    parser.add_argument("--first", type=int, help="first seed (20001), or number of the second model (1)")
    parser.add_argument("--second", action="store_true", help="the second model's tanks")
    asked = parser.parse_args()
    made = of_second_model(asked.first or 1) if asked.second else of_simulator(asked.first or 20_001)
    inside, errors, covered, wrong, silent = 0, [], [], 0, 0
    for told in islice(made, asked.tanks):
        found = find_onset(told.shown_pa, told.traits, STANDARD_ATMOSPHERE_PA)
        low, middle, high = found.interval90_pa
        there = told.moves and found.lowest_pa < told.true_pa < found.highest_pa
        inside += there
        print(
            f"{told.name}: read {found.lowest_pa / 1e5:.2f} to {found.highest_pa / 1e5:.2f}, true "
            f"{told.true_pa / 1e5:.2f}, within {found.p_within:.2f} below {found.p_below:.2f} "
            f"no change {found.p_no_change:.2f}, {low / 1e5:.2f} {middle / 1e5:.2f} {high / 1e5:.2f}",
            flush=True,
        )
        if found.p_within < SURE:
            silent += there
        elif there:
            errors.append(abs(middle - told.true_pa) / 1e5)
            covered.append(low <= told.true_pa <= high)
        else:
            wrong += 1
    print(f"\nonset within the readings: {inside} of {asked.tanks}; told {len(errors)}, not told {silent}")
    if errors:
        ends = f"median {np.median(errors):.3f}, p95 {np.quantile(errors, 0.95):.3f} bar"
        print(f"error of those told: {ends}; coverage of the 90 % interval {np.mean(covered):.2f}")
    print(f"told though it is not there: {wrong} of {asked.tanks - inside}")


if __name__ == "__main__":
    main()

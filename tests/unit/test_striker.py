"""Foreign hits among the taps of one striker: made taps, talk, keys and a clock, all with known truth."""

import numpy as np
import pytest

from taptest.sound.striker import (
    AFTER_S,
    LEAD_S,
    MOST_DOUBT_DB,
    Hits,
    KnownBlows,
    blow_features,
    loudness_db,
    same_striker,
    until_next,
)
from tests.made_taps import ring
from tests.samples import every

RATE = 48_000


def stretch(wave: np.ndarray, level: float, rng: np.random.Generator) -> np.ndarray:
    """(N,) one hit as `blow_features` takes it, over faint noise."""
    sound = 1e-4 * rng.normal(size=round((LEAD_S + AFTER_S) * RATE))
    start = round(LEAD_S * RATE)
    part = wave[: sound.size - start]
    sound[start : start + part.size] += level * part
    return sound


def voiced(rng: np.random.Generator) -> np.ndarray:
    """(N,) a syllable: a train of pulses through two formants, which begins at once and goes on."""
    time_s = np.arange(RATE // 3) / RATE
    pitch, first, second = rng.uniform(90, 220), rng.uniform(400, 900), rng.uniform(1000, 2400)
    wave = sum(
        np.sin(2 * np.pi * pitch * k * time_s + k)
        / (1 + (min(abs(pitch * k - first), abs(pitch * k - second)) / 150) ** 2)
        for k in range(1, 30)
    )
    return np.asarray(wave * np.minimum(time_s / rng.uniform(0.002, 0.03), 1.0))


def visit(kind: str, seed: int, foreign: int = 3) -> tuple[Hits, np.ndarray]:
    """Fifteen points of three taps, half of them with other damping (water), and so many foreign hits each, softer."""
    rng = np.random.default_rng(seed)
    dry, wet = ring(RATE, rng, loss=0.006), ring(RATE, rng, loss=0.02)
    key = ring(RATE, rng, loss=0.05, low_hz=1500, high_hz=9000)
    sounds, onsets_s, recording, true = [], [], [], []
    for point in range(15):
        events = [(0.6 + 0.6 * k + rng.uniform(-0.06, 0.06), True) for k in range(3)]
        events += [] if kind == "none" else [(rng.uniform(0.1, 2.6), False) for _ in range(foreign)]
        for onset_s, mine in sorted(events):
            shell = dry if point < 8 else wet
            other = voiced(rng) if kind == "talk" else key * rng.uniform(0.5, 2.0)
            wave = (shell if mine else other) + 0.05 * ring(RATE, rng)[: len(shell if mine else other)].mean()
            level = 0.3 * rng.uniform(0.7, 1.4) if mine else 0.1
            sounds.append(stretch(wave, level, rng))
            onsets_s.append(onset_s)
            recording.append(point)
            true.append(mine)
    features, sd_db = blow_features(np.array(sounds), RATE)
    return Hits(features, sd_db, np.array(onsets_s), np.array(recording)), np.array(true)


@pytest.mark.parametrize("seed", every(3, range(3)))
@pytest.mark.parametrize("kind", ["none", "talk", "keys"])
def test_foreign_hits_are_refused_and_taps_on_both_sides_of_the_water_are_kept(kind: str, seed: int) -> None:
    hits, true = visit(kind, seed)
    found = same_striker(hits).striker
    assert found[true].mean() >= 0.97
    assert found[~true].sum() <= 1


def test_taps_among_many_hits_are_known_by_their_number_at_each_mark() -> None:
    """A fifth of all hits, most with another one near by chance, and some of the others as loud."""
    hits, true = visit("keys", 1, foreign=11)
    loud_keys = np.flatnonzero(~true)[::2]
    hits.features[loud_keys, 0] += 12.0
    found = same_striker(hits).striker
    assert found[true].mean() >= 0.9
    assert found[~true].sum() <= 3


def test_a_soft_hit_is_not_as_loud_as_the_tap_that_follows_it_at_once() -> None:
    rng = np.random.default_rng(6)
    key, tap = ring(RATE, rng, loss=0.05, low_hz=1500, high_hz=9000), ring(RATE, rng, loss=0.006)
    alone, together = (stretch(key, 0.03, np.random.default_rng(7)) for _ in range(2))
    start = round((LEAD_S + 0.02) * RATE)
    together[start:] += 0.3 * tap[: together.size - start]
    features, sd_db = blow_features(np.array([alone, together]), RATE)
    assert np.diff(loudness_db(features))[0] > 10.0
    own, doubt = until_next(features, sd_db, np.array([np.inf, 0.02]))
    assert 0.0 < np.diff(loudness_db(own))[0] < 6.0  # as if it went on as it had begun
    np.testing.assert_array_equal(own[0], features[0])
    assert (doubt[1, -3:] == MOST_DOUBT_DB).all()


def test_a_clock_is_too_regular_and_a_hand_is_not() -> None:
    rng = np.random.default_rng(4)
    tick = ring(RATE, rng, loss=0.03, low_hz=2000, high_hz=9000)
    features, sd_db = blow_features(np.array([stretch(tick, 0.1, rng) for _ in range(20)]), RATE)
    one = np.zeros(20, int)
    clock = np.arange(20) + rng.normal(0, 0.0005, 20)
    assert same_striker(Hits(features, sd_db, clock, one)).regular.all()
    hand = np.arange(20) + rng.normal(0, 0.03, 20)
    assert not same_striker(Hits(features, sd_db, hand, one)).regular.any()


def test_taps_to_a_beat_are_used_where_they_are_the_taps_that_were_asked_for() -> None:
    """Somebody who taps to a beat, or a machine: five recordings of four taps each, 0.7 s apart to the millisecond."""
    rng = np.random.default_rng(5)
    tap = ring(RATE, rng, loss=0.03)
    features, sd_db = blow_features(np.array([stretch(tap, 0.1, rng) for _ in range(20)]), RATE)
    recording = np.repeat(np.arange(5), 4)
    even = np.tile(0.9 + 0.7 * np.arange(4), 5)
    assert same_striker(Hits(features, sd_db, even, recording)).regular.all(), "nothing known of room and number"
    assert same_striker(Hits(features, sd_db, even, recording), 20).striker.all()
    assert same_striker(Hits(features, sd_db, even, recording, (4.0,) * 5)).striker.all()
    assert same_striker(Hits(features, sd_db, even, recording), 60).regular.all(), "a clock keeps to no number"
    clips = np.tile(0.3 + 0.9 * np.arange(4), 5)
    assert same_striker(Hits(features, sd_db, clips, recording, (3.6,) * 5)).regular.all(), "a clock fills it"


@pytest.mark.parametrize("seed", every(3, range(3)))
def test_talk_alone_has_no_striker(seed: int) -> None:
    rng = np.random.default_rng(seed)
    features, sd_db = blow_features(np.array([stretch(voiced(rng), 0.1, rng) for _ in range(20)]), RATE)
    onsets_s = np.sort(rng.uniform(0, 40, 20))
    assert not same_striker(Hits(features, sd_db, onsets_s, np.zeros(20, int))).striker.any()


def test_a_few_hits_alone_all_pass() -> None:
    rng = np.random.default_rng(1)
    features, sd_db = blow_features(np.array([stretch(ring(RATE, rng), 0.3, rng) for _ in range(2)]), RATE)
    assert same_striker(Hits(features, sd_db, np.array([0.5, 1.7]), np.zeros(2, int))).striker.all()


def test_a_round_under_way_refuses_talk_and_takes_the_other_side_of_the_water() -> None:
    rng = np.random.default_rng(3)
    dry, wet = ring(RATE, rng, loss=0.006), ring(RATE, rng, loss=0.02)
    known = KnownBlows()
    for _ in range(5):
        features, sd_db = blow_features(stretch(dry, 0.3, rng)[None], RATE)
        assert known.foreign(0.0, features[0], sd_db[0]) is None
        known.learn(features[0], sd_db[0])
    features, sd_db = blow_features(stretch(wet, 0.3, rng)[None], RATE)
    assert known.foreign(1.0, features[0], sd_db[0]) is None
    said = []
    for k in range(10):
        features, sd_db = blow_features(stretch(voiced(rng), 0.1, rng)[None], RATE)
        said.append(known.foreign(2.0 + k**1.5, features[0], sd_db[0]))
    assert said.count("talk") >= 8

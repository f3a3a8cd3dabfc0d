"""End to end over a real sound path: simulated walks are played into the microphone while `taptest record` runs.

What must come out is what comes out of the same sound imported directly.
"""

import math
import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit
from taptest.visit.result import as_json
from tests.live_round import OPTIONS, TANK, LiveRound, plain_taps, tap_along
from tests.simulated_round import PlayedVisit, simulated_visits
from tests.tapping import Hand
from tests.virtual_microphone import RATE_HZ, Player, serving

FloatArray = NDArray[np.float64]


def _round_of_three(folder: Path) -> LiveRound | None:
    """Tap three marks while `taptest record` runs; None where the machine was too busy to keep up with the sound."""
    folder.mkdir()
    (folder / "tank.toml").write_text(TANK)
    with serving(folder / "server") as server:
        player = Player(server, Hand().quiet(3.0).sound())
        live = LiveRound(
            server, folder / "visit", ["--tank", str(folder / "tank.toml"), "--marks", "60,120,180", *OPTIONS]
        )
        try:
            tapped = tap_along(live, player, plain_taps)
            if live.entries("sound lost") or len(live.entries("next")) > 3:
                return None
            assert tapped == 3
            assert live.process.wait(30) == 0, live.output.read_text()
        finally:
            player.close()
            live.close()
    return live


@pytest.mark.long
def test_three_marks_over_a_real_sound_path(tmp_path: Path) -> None:
    rounds = (_round_of_three(tmp_path / str(attempt)) for attempt in range(3))
    live = next((each for each in rounds if each is not None), None)
    assert live is not None, "the sound dropped out, or a mark was asked for again, in three rounds"
    document = read_visit(live.folder).document
    assert [point.position_mm for point in document.points] == [60, 120, 180]
    assert len(live.entries("point")) == 3
    accepted = [entry for entry in live.entries("tap") if entry["accepted"]]
    assert len(accepted) == 9
    # The virtual microphone hands samples on as they are: the peaks are those that were played, within 0.2 dB.
    played = [plain_taps(position) for position in (60, 120, 180)]
    assert [max(tap["peak_db"] for tap in accepted[3 * i : 3 * i + 3]) for i in range(3)] == pytest.approx(
        [20 * math.log10(abs(sound).max()) for sound in played], abs=0.2
    )


@pytest.mark.slow
def test_a_whole_round_with_practice_tones_reference_and_finer_marks(tmp_path: Path) -> None:
    """The tones come back into the microphone: this one hears all that the loudspeaker plays."""
    (tmp_path / "tank.toml").write_text(TANK)

    def taps(position_mm: float) -> FloatArray:
        pitch = 0.6 if position_mm < 130 else 1.0
        return Hand(seed=int(position_mm)).quiet(0.5).taps(3, pitch=pitch, then_s=1.2).sound()

    with serving(tmp_path / "server") as server:
        player = Player(server, Hand().quiet(3.0).sound())
        options = ["--tank", str(tmp_path / "tank.toml"), "--plain", "--every", "50 mm", "--finer", "2"]
        live = LiveRound(server, tmp_path / "visit", options)
        try:
            assert live.wait_for(lambda: live.entries("stage")[-1:] != [] and live.entries("noise") != [], 20)
            for _ in range(5):
                time.sleep(0.5)
                player.play(taps(200))
                if live.wait_for(lambda: live.entries("next") != [], 8):
                    break
            played = tap_along(live, player, taps)
            assert live.process.wait(40) == 0, live.output.read_text()
        finally:
            player.close()
            live.close()
    stops = [entry["stop"] for entry in live.entries("point")]
    assert stops[0] == stops[5] == stops[-1] == "reference"
    assert stops.count("point") == 7
    assert played == len(stops) == 10 + stops.count("finer")
    assert len(live.entries("tone")) >= 3 * len(stops)
    assert live.entries("ignored")
    assert len([entry for entry in live.entries("tap") if entry["accepted"]]) == 3 * len(stops)
    document = read_visit(tmp_path / "visit").document
    assert len(document.points) == 7 + stops.count("finer")
    assert len(document.reference) == 3


def record_live(visit: PlayedVisit, folder: Path) -> Path:
    """Record a simulated visit through a server of its own."""
    assert visit.rate_hz == RATE_HZ
    tank = visit.write_tank(folder / "tank.toml")
    with serving(folder / "server") as server:
        player = Player(server, visit.noise)
        time.sleep(0.5)
        live = LiveRound(server, folder / "visit", ["--tank", str(tank), "--marks", visit.marks, *OPTIONS])
        try:
            assert tap_along(live, player, visit.sound.__getitem__) == len(visit.sound), live.output.read_text()
            assert live.process.wait(40) == 0, live.output.read_text()
        finally:
            player.close()
            live.close()
    return folder / "visit"


def judged(folder: Path) -> dict[str, Any]:
    return as_json(judge_visit(read_visit(folder)))


@pytest.mark.slow
def test_three_visits_recorded_live_are_judged_as_imported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TAPTEST_CACHE", os.environ.get("TAPTEST_CACHE", str(tmp_path / "cache")))
    visits = simulated_visits(tmp_path / "simulated", seed=3, count=3)
    folders = [tmp_path / visit.folder.name for visit in visits]
    for folder in folders:
        folder.mkdir()
    with ThreadPoolExecutor(3) as pool:
        recorded = list(pool.map(record_live, visits, folders))
    for visit, live in zip(visits, recorded, strict=True):
        imported, heard = judged(visit.folder), judged(live)
        assert heard["finding"]["code"] == imported["finding"]["code"]
        assert heard["boundary"]["state"] == imported["boundary"]["state"]
        if imported["boundary"]["position_mm"] is not None:
            assert heard["boundary"]["position_mm"] == pytest.approx(imported["boundary"]["position_mm"], abs=2.0)

"""The browser's microphone in headless Chromium, whose microphone plays a file: what comes out is what was played.

A simulated walk recorded through the page must be judged as the same sound imported directly.
"""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from playwright.sync_api import Page, expect

from taptest.capture import tape
from taptest.capture.excerpt import joined
from taptest.capture.journal import read_log
from taptest.capture.round import Plan
from taptest.capture.session import open_session
from taptest.desk.browser_sound import BROWSER
from taptest.desk.visits import ident_of
from taptest.visit import analyse
from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit, save_document
from taptest.visit.result import as_json
from tests.desk_in_browser import DESKTOP, Served, chromium, fake_microphone, need_chromium, served, tab
from tests.made_desk import Arrays, make_shelf
from tests.simulated_round import PlayedVisit, simulated_visits
from tests.sources import ArraySource
from tests.tapping import RATE_HZ, Hand
from tests.virtual_microphone import Player, serving

FloatArray = NDArray[np.float64]
OPTIONS = ("Practice taps first", "Estimate while tapping", "Tap a reference mark", "Tones")


def bare_visit(root: Path) -> Path:
    """A visit on a shelf whose points are yet to be recorded."""
    folder = make_shelf(root)
    save_document(folder, read_visit(folder).document.model_copy(update={"points": (), "reference": ()}))
    for path in (folder / "sound").iterdir():
        path.unlink()
    return folder


@contextmanager
def listening(root: Path, sound: FloatArray) -> Iterator[tuple[Served, Page, list[str]]]:
    """The desk, and a browser whose microphone plays a sound once, from the moment at which it is opened."""
    need_chromium()
    file = root.parent / "played.wav"
    soundfile.write(file, sound, RATE_HZ, subtype="PCM_16")
    with (
        served(root, Arrays(None)) as desk,
        chromium(fake_microphone(file)) as browser,
        tab(browser, DESKTOP) as (page, complaints),
    ):
        desk.enter(page)
        page.wait_for_load_state("networkidle")
        yield desk, page, complaints


def begin(page: Page, where: str, *, tones: bool = False, **typed: str) -> None:
    """Begin a round with the browser's microphone and little beside the marks; `typed` goes into the fields."""
    page.goto(f"{where}/round")
    begun = page.get_by_role("button", name="Go on").is_visible()
    for field, text in typed.items():
        page.locator(f"#{field}").fill(text)
    for label in OPTIONS[-1 if begun else 0 : -1 if tones else None]:
        page.get_by_label(label).uncheck()  # a round that was begun keeps all of them but the tones
    page.get_by_label("Microphone").select_option(BROWSER)
    page.get_by_role("button", name="Go on" if begun else "Begin").click()


@pytest.mark.long
def test_taps_through_the_browser_are_heard_as_they_were_played(tmp_path: Path) -> None:
    folder = bare_visit(tmp_path / "visits")
    sound = Hand(seed=5).quiet(4.4).taps(2, then_s=0.6).quiet(1.0).sound()
    with listening(tmp_path / "visits", sound) as (desk, page, complaints):
        where = f"{desk.base}/visit/{ident_of('cellar')}"
        begin(page, where, first="50 mm", last="100 mm", every="50 mm", taps="1")
        said = page.locator("[data-micword]")
        expect(said).to_contain_text("automatic gain off", timeout=10_000)
        other = page.context.new_page()
        other.goto(f"{where}/round")
        expect(other.locator("[data-micword]")).to_contain_text("Another tab or window listens")
        expect(other.locator("[data-micstart]")).to_be_hidden()
        expect(page.get_by_role("link", name="To the finding")).to_be_visible(timeout=20_000)
        assert complaints == []
    log = read_log(folder)
    (granted,) = [entry for entry in log if entry["what"] == "browser"]
    assert (granted["rate_hz"], granted["echo_cancellation"]) == (48000, False)
    assert [point.position_mm for point in read_visit(folder).document.points] == [50, 100]
    taps = [entry for entry in log if entry["what"] == "tap" and entry["accepted"]]
    heard = tape.read(folder / "sound" / "round-01.wav", 0, 10**7)
    # Chromium plays the file at 44.1 kHz, as its stand-in for a sound card, and gives it out at 48 kHz again: below
    # 10 kHz nothing of a tap may be changed by that.
    assert len(taps) == 2
    start = round(4.4 * RATE_HZ) - 200
    played = sound[start : start + round(0.3 * RATE_HZ)]
    assert difference_db(played, heard, round(taps[0]["onset_s"] * RATE_HZ) - 200) < -60


def difference_db(played: FloatArray, heard: FloatArray, near: int) -> float:
    """Level of what differs below 10 kHz between a stretch (N,) and what was heard of it, best aligned."""
    reach = 2400
    around = heard[max(near - reach, 0) : near + len(played) + reach]
    lag = int(np.argmax(np.correlate(around, played, "valid")))
    there = around[lag : lag + len(played)]
    one, two = np.fft.rfft(played), np.fft.rfft(there)
    hz = np.fft.rfftfreq(len(played), 1 / RATE_HZ)
    band = (hz > 100) & (hz < 10_000)
    # A fraction of a sample in time is no change of the sound: the phase's slope is taken out.
    shifts = np.linspace(-1.0, 1.0, 201)
    rests = [np.abs(one - two * np.exp(2j * np.pi * hz * shift / RATE_HZ))[band] for shift in shifts]
    least = min(float(np.sum(rest**2)) for rest in rests)
    return float(10 * np.log10(least / np.sum(np.abs(one[band]) ** 2)))


@pytest.mark.slow
def test_after_a_reload_the_page_listens_again_and_the_round_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    folder = bare_visit(tmp_path / "visits")
    sound = Hand(seed=5).quiet(5.5).taps(4, then_s=0.8).quiet(2.0).sound()
    with listening(tmp_path / "visits", sound) as (desk, page, complaints):
        begin(page, f"{desk.base}/visit/{ident_of('cellar')}", first="50 mm", last="150 mm", every="50 mm", taps="2")
        expect(page.locator("[data-number]")).to_have_text("2 of 3", timeout=20_000)
        page.reload()  # the file begins anew with the microphone
        expect(page.get_by_role("link", name="To the finding")).to_be_visible(timeout=30_000)
        assert complaints == []
    assert [point.position_mm for point in read_visit(folder).document.points] == [50, 100, 150]
    log = read_log(folder)
    assert [entry["file"] for entry in log if entry["what"] == "recording"] == [
        "sound/round-01.wav",
        "sound/round-02.wav",
    ]
    assert any("closed or reloaded" in entry["sentence"] for entry in log if entry["what"] == "lost")


@pytest.mark.slow
def test_a_connection_that_is_lost_for_a_moment_loses_no_sound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    folder = bare_visit(tmp_path / "visits")
    sound = Hand(seed=5).quiet(5.0).taps(6, then_s=0.8).quiet(3.0).sound()
    with listening(tmp_path / "visits", sound) as (desk, page, _):
        begin(page, f"{desk.base}/visit/{ident_of('cellar')}", first="50 mm", last="150 mm", every="50 mm", taps="2")
        expect(page.locator("[data-number]")).to_have_text("2 of 3", timeout=20_000)
        page.context.set_offline(True)
        page.wait_for_timeout(1500)
        page.context.set_offline(False)
        expect(page.get_by_role("link", name="To the finding")).to_be_visible(timeout=30_000)
    log = read_log(folder)
    assert [entry["what"] for entry in log if entry["what"] in ("recording", "sound lost", "restart")] == ["recording"]
    onsets = [entry["onset_s"] for entry in log if entry["what"] == "tap" and entry["accepted"]]
    # The steps in the file are 0.8 s: what was kept while there was no connection has come in whole and in order.
    assert np.diff(onsets) == pytest.approx([0.8] * 5, abs=1e-3)


@pytest.mark.slow
def test_a_round_over_a_real_sound_path_is_not_misled_by_the_page_s_tones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The microphone of the virtual sound server hears all that the browser plays; Chromium takes no monitor as one."""
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    folder = bare_visit(tmp_path / "visits")
    marks = (50, 100, 150)
    played = [Hand(seed=mark).quiet(0.35).taps(3, then_s=1.2).sound() for mark in marks]
    with serving(tmp_path / "server") as server:
        assert server.control("load-module", "module-remap-source", "source_name=ear", "master=tank.monitor") == 0
        assert server.control("set-default-source", "ear") == 0
        player = Player(server, Hand().quiet(3.0).sound())
        arguments = ("--use-fake-ui-for-media-stream",)
        with (
            served(tmp_path / "visits", Arrays(None)) as desk,
            chromium(arguments, server.environment) as browser,
            tab(browser, DESKTOP) as (page, complaints),
        ):
            desk.enter(page)
            page.wait_for_load_state("networkidle")
            begin(
                page, f"{desk.base}/visit/{ident_of('cellar')}", tones=True, first="50 mm", last="150 mm", every="50 mm"
            )
            for number, sound in enumerate(played, start=1):
                expect(page.locator("[data-number]")).to_have_text(f"{number} of 3", timeout=20_000)
                page.wait_for_timeout(700)
                player.play(sound)
            expect(page.get_by_role("link", name="To the finding")).to_be_visible(timeout=20_000)
            assert complaints == []
        player.close()
    log = read_log(folder)
    taps = [entry for entry in log if entry["what"] == "tap"]
    assert [(tap["accepted"], tap["position_mm"]) for tap in taps] == [(True, mark) for mark in marks for _ in range(3)]
    assert len([entry for entry in log if entry["what"] == "tone"]) == 9
    # The virtual microphone hands samples on as they are; the browser converts them twice: within 0.5 dB.
    assert [max(tap["peak_db"] for tap in taps[3 * i : 3 * i + 3]) for i in range(3)] == pytest.approx(
        [20 * np.log10(np.abs(sound).max()) for sound in played], abs=0.5
    )


def walk(visit: PlayedVisit) -> FloatArray:
    """The sound of all points of a visit, one after the other, with the room's noise before and between them."""
    fade = round(0.02 * RATE_HZ)
    quiet = np.resize(visit.noise, 7 * RATE_HZ)
    whole = quiet
    for sound in visit.sound.values():
        whole = joined(joined(whole, sound, fade), quiet[: round(0.6 * RATE_HZ)], fade)
    return joined(whole, quiet[: 3 * RATE_HZ], fade)


def judged(folder: Path) -> dict[str, Any]:
    return as_json(judge_visit(read_visit(folder)))


@pytest.mark.slow
def test_a_simulated_walk_through_the_browser_is_judged_as_imported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TAPTEST_CACHE", os.environ.get("TAPTEST_CACHE", str(tmp_path / "cache")))
    (visit,) = simulated_visits(tmp_path / "simulated", seed=3, count=1)
    marks = list(visit.sound)
    folder = tmp_path / "visits" / "walk"
    folder.mkdir(parents=True)
    (folder / "sound").mkdir()
    bare = {**visit.document, "points": [], "reference": []}
    (folder / "visit.json").write_text(json.dumps(bare), encoding="utf-8")
    # The walk's marks keep away from the seam: the round is laid out with them first, and taken up on its page.
    plan = Plan(tuple(mark / 1000 for mark in marks), finer_limit=0, practice_taps=0)
    open_session(folder, plan, lambda: ArraySource(np.zeros(0))).journal.close()
    with listening(tmp_path / "visits", walk(visit)) as (desk, page, complaints):
        begin(page, f"{desk.base}/visit/{ident_of('walk')}")
        end = page.get_by_role("link", name="To the finding")
        expect(end).to_be_visible(timeout=1000 * (30 + len(walk(visit)) / RATE_HZ))
        assert complaints == []
    assert [point.position_mm for point in read_visit(folder).document.points] == marks
    imported, heard = judged(visit.folder), judged(folder)
    assert heard["finding"]["code"] == imported["finding"]["code"]
    assert heard["boundary"]["state"] == imported["boundary"]["state"] == "found"
    assert heard["boundary"]["position_mm"] == pytest.approx(imported["boundary"]["position_mm"], abs=3.0)

"""Sound from a browser: numbered blocks become a source without doubles, gaps are counted, one page feeds a round."""

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import numpy as np
import pytest
from numpy.typing import NDArray

from taptest.capture import tape
from taptest.capture.device import Source
from taptest.capture.journal import read_log
from taptest.capture.tones import tone
from taptest.desk import browser_sound as heard
from taptest.desk import guard
from taptest.desk.browser_sound import BROWSER, BrowserMicrophone, Feed, Granted, PageTones, StreamOverError
from taptest.errors import DeviceError
from taptest.visit import analyse
from taptest.visit.files import read_visit
from tests.made_desk import BASE, Arrays, Pages, pages
from tests.tapping import RATE_HZ, Hand
from tests.unit.test_desk_pages import TYPED
from tests.unit.test_desk_round import WISH, ended, new, tapping, until

BLOCK = 2304
GIVEN = Granted("Built-in", 48000.0)
TOLD = {
    "label": "Built-in",
    "rate": "48000",
    "device-rate": "44100",
    "channels": "1",
    "echo": "false",
    "noise": "false",
    "gain": "false",
}
FROM_PAGE = WISH | {"microphone": BROWSER}


class Clock:
    """A clock that is set by hand."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture(autouse=True)
def _no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heard, "OPEN_WAIT_S", 0.02)


def sound_of(count: int, seed: int = 1) -> NDArray[np.float32]:
    return np.random.default_rng(seed).uniform(-0.5, 0.5, count).astype("<f4")


def read_all(source: Source) -> NDArray[np.float64]:
    blocks = []
    while (block := source.read(0.0)) is not None:
        blocks.append(block)
    return np.concatenate(blocks) if blocks else np.zeros(0)


def read_one(source: Source) -> NDArray[np.float64]:
    block = source.read(0.0)
    assert block is not None
    return block


def fed() -> tuple[Feed, str, BrowserMicrophone, Clock]:
    clock = Clock()
    feed = Feed(clock)
    key = feed.attach(GIVEN)
    return feed, key, feed.open(), clock


def test_blocks_come_out_as_they_went_in() -> None:
    feed, key, source, _ = fed()
    sound = sound_of(5000)
    assert feed.put(key, 0, sound[:3000].tobytes()) == 3000
    assert feed.put(key, 3000, sound[3000:].tobytes()) == 5000
    assert np.array_equal(read_all(source), sound.astype(np.float64))
    assert (source.lost, source.rate_hz, source.name) == (0, 48000.0, "this browser's microphone, Built-in")


def test_a_block_that_is_sent_again_is_heard_once() -> None:
    feed, key, source, _ = fed()
    sound = sound_of(3000)
    feed.put(key, 0, sound[:1000].tobytes())
    assert feed.put(key, 0, sound[:1000].tobytes()) == 1000
    assert feed.put(key, 500, sound[500:3000].tobytes()) == 3000
    assert np.array_equal(read_all(source), sound.astype(np.float64))
    assert source.lost == 0


def test_what_is_missing_is_counted_and_told() -> None:
    feed, key, source, _ = fed()
    changes = []
    feed.changed = lambda: changes.append(feed.told()["lost_s"])
    sound = sound_of(1000)
    feed.put(key, 0, sound.tobytes())
    assert feed.put(key, 1000 + 4800, sound.tobytes()) == 6800
    assert (source.lost, source.lost_samples) == (1, 4800)
    assert changes == [0.1]
    assert len(read_all(source)) == 2000
    with pytest.raises(DeviceError, match="does not follow"):
        feed.put(key, 10**12, sound.tobytes())
    assert source.lost == 1


def test_a_program_that_is_slow_for_a_minute_loses_counted_sound_and_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heard, "BACKLOG_PIECES", 3)
    feed, key, source, _ = fed()
    for number in range(5):
        feed.put(key, number * BLOCK, sound_of(BLOCK).tobytes())
    assert (source.lost, source.lost_samples) == (2, 2 * BLOCK)
    assert len(read_all(source)) == 3 * BLOCK


@pytest.mark.parametrize(
    ("content", "why"),
    [(b"abc", "whole samples"), (b"\0" * (guard.MOST_BLOCK_BYTES + 4), "at most")]
    + [(np.array([0.1, bad], "<f4").tobytes(), "not numbers") for bad in (np.nan, np.inf, -np.inf)],
)
def test_what_is_no_sound_is_refused(content: bytes, why: str) -> None:
    feed, key, source, _ = fed()
    with pytest.raises(DeviceError, match=why):
        feed.put(key, 0, content)
    assert source.read(0.0) is None


def test_what_comes_late_and_at_once_reaches_the_round_in_short_pieces() -> None:
    feed, key, source, _ = fed()
    feed.put(key, 0, sound_of(48000).tobytes())
    pieces = [len(read_one(source)) for _ in range(21)]
    assert pieces == [BLOCK] * 20 + [48000 - 20 * BLOCK]


def test_what_overshoots_full_scale_is_held_there() -> None:
    feed, key, source, _ = fed()
    feed.put(key, 0, np.array([1.5, -3.0, 0.25], "<f4").tobytes())
    assert read_all(source).tolist() == [1.0, -1.0, 0.25]


def test_only_one_page_feeds_until_it_goes_or_falls_silent() -> None:
    feed, key, source, clock = fed()
    with pytest.raises(DeviceError, match="Another tab"):
        feed.attach(GIVEN)
    with pytest.raises(StreamOverError, match="Another tab"):
        feed.put("f" * 16, 0, sound_of(10).tobytes())
    feed.leave(key, "left")
    second = feed.attach(GIVEN)
    with pytest.raises(StreamOverError):
        feed.put(key, 0, sound_of(10).tobytes())
    with pytest.raises(DeviceError, match="reloaded"):
        source.read(0.0)
    clock.now = heard.SILENT_FOR_S + 0.1
    third = feed.attach(GIVEN)
    assert len({key, second, third}) == 3
    feed.finish()
    assert feed.put(third, 0, sound_of(10).tobytes()) is None
    with pytest.raises(DeviceError, match="over"):
        feed.attach(GIVEN)


def test_a_page_that_goes_is_noticed_after_what_it_sent_and_one_that_comes_is_opened() -> None:
    feed, key, source, clock = fed()
    feed.put(key, 0, sound_of(100).tobytes())
    feed.leave(key, "unplugged")
    assert len(read_one(source)) == 100
    with pytest.raises(DeviceError, match="unplugged"):
        source.read(0.0)
    with pytest.raises(DeviceError, match="unplugged"):
        feed.open()
    feed.attach(GIVEN)
    second = feed.open()
    with pytest.raises(DeviceError):
        feed.open()
    assert second.read(0.0) is None
    clock.now = heard.SILENT_FOR_S + 0.1
    with pytest.raises(DeviceError, match="sent nothing for 4 s"):
        second.read(0.0)
    assert feed.told()["fed"] is False


def test_a_page_that_comes_within_a_moment_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heard, "OPEN_WAIT_S", 20.0)
    feed = Feed()
    threading.Timer(0.05, feed.attach, (GIVEN,)).start()
    assert feed.open().granted == GIVEN


@pytest.mark.parametrize("rate", ["", "8000", "16000", "384000", "nan", "1e5", "-48000", "48000" * 9, "４８０００"])
def test_a_rate_that_is_of_no_use_is_refused_in_a_sentence(rate: str) -> None:
    with pytest.raises(DeviceError, match="22050 and at most 192000"):
        heard.granted_from(TOLD | {"rate": rate})


def test_what_the_browser_really_granted_is_said() -> None:
    good = heard.granted_from(TOLD)
    assert good.sentence == (
        "The browser gave 48000 samples a second, converted by the browser from 44100; "
        "echo cancellation off, noise suppression off, automatic gain off."
    )
    assert good.warning == ""
    on = heard.granted_from({"rate": "48000.0", "echo": "all", "gain": "true", "label": "  A\0B\n "})
    assert on.name == "this browser's microphone, AB"
    assert "echo cancellation on, noise suppression not told, automatic gain on" in on.sentence
    assert "keeps echo cancellation and automatic gain on" in on.warning
    assert json.loads(json.dumps(on.note()))["noise_suppression"] is None


def test_tones_are_handed_to_the_page_and_their_whole_length_is_told() -> None:
    told: list[dict[str, Any]] = []
    feed = Feed()
    tones = PageTones(feed)
    tones.tell = told.append
    assert tones.play("again") == 0.0, "no page listens yet"
    feed.attach(GIVEN)
    length_s = tones.play("point")
    assert length_s == pytest.approx(heard.TRAVEL_S + len(tone("point", RATE_HZ)) / RATE_HZ, abs=1e-3)
    tones.on = False
    assert tones.play("tap") == 0.0
    assert [each["number"] for each in told] == [1]


# Through the pages


class Page:
    """What the script of a page does, without a browser: attach, send blocks, go."""

    def __init__(self, client: Pages, where: str) -> None:
        self.client, self.where, self.first = client, where, 0
        self.answer = client.send_form(f"{where}/round/microphone", data=TOLD)
        self.stream = self.answer.json().get("stream", "")

    def send(self, samples: NDArray[np.float64], first: int | None = None) -> httpx2.Response:
        number = self.first if first is None else first
        self.first = number + len(samples)
        return self.client.post(
            f"{self.where}/round/heard?stream={self.stream}&first={number}",
            headers={"origin": BASE, "content-type": "application/octet-stream"},
            content=samples.astype("<f4").tobytes(),
        )

    def play(self, sound: NDArray[np.float64]) -> None:
        """Send a sound and a second of quiet after it, as a microphone goes on."""
        whole = np.concatenate((sound, Hand(seed=8).quiet(1.0).sound()))
        for start in range(0, len(whole), 10 * BLOCK):
            assert self.send(whole[start : start + 10 * BLOCK]).status_code == 200

    def leave(self) -> None:
        answer = self.client.send_form(
            f"{self.where}/round/microphone/leave", data={"stream": self.stream, "why": "left"}
        )
        assert answer.status_code == 200


@pytest.fixture
def client(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Pages]:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    monkeypatch.setattr("taptest.capture.session.RETRY_S", 0.05)
    monkeypatch.setattr("taptest.capture.session.POLL_S", 0.01)
    (tmp_path / "visits").mkdir()
    with pages(tmp_path / "visits", Arrays(None)) as client:
        yield client


def folder_of(client: Pages) -> Path:
    return client.desk.visits.root / "2025-03-14-mill-lane-4-cellar"


def test_a_round_from_a_browser_where_the_computer_shows_no_microphone(client: Pages) -> None:
    where = new(client)
    form = client.get(f"{where}/round").text
    assert f'<option value="{BROWSER}"' in form
    assert "disabled" not in form
    begun = client.send_form(f"{where}/round", data=FROM_PAGE)
    assert begun.headers["location"] == f"{where}/round?listen=yes"
    page = client.get(f"{where}/round")
    assert "microphone=(self)" in page.headers["permissions-policy"]
    assert "microphone.js" in page.text
    ears = Page(client, where)
    sound = tapping(15)
    ears.play(sound)
    now = ended(client).snapshot()
    assert (now["state"], now["points"]) == ("done", 3)
    assert now["browser"]["fed"] is False
    log = read_log(folder_of(client))
    (noted,) = [entry for entry in log if entry["what"] == "browser"]
    assert (noted["rate_hz"], noted["device_rate_hz"], noted["automatic_gain"]) == (48000, 44100, False)
    (recording,) = [entry for entry in log if entry["what"] == "recording"]
    assert recording["device"] == "this browser's microphone, Built-in"
    kept = tape.read(folder_of(client) / "sound" / "round-01.wav", 0, len(sound))
    assert np.abs(kept - sound[: len(kept)]).max() < 2**-22, "24 bits of what was sent"
    assert [point.position_mm for point in read_visit(folder_of(client)).document.points] == [50, 100, 150]


def test_after_a_reload_the_round_goes_on_at_the_right_point(client: Pages) -> None:
    where = new(client)
    client.send_form(f"{where}/round", data=FROM_PAGE)
    (live,) = client.desk.rounds._rounds.values()
    first = Page(client, where)
    first.play(tapping(7))
    until(live, number="3 of 5", count=1)
    assert live.snapshot()["browser"]["fed"] is True
    refused = Page(client, where).answer
    assert (refused.status_code, "Another tab" in refused.json()["sentence"]) == (409, True)
    first.leave()
    assert first.send(tapping(1)[:BLOCK]).status_code == 410
    again = Page(client, where)
    again.play(tapping(12))  # the reference again, the two points that are left, the reference
    now = ended(client).snapshot()
    assert (now["state"], now["points"]) == ("done", 3)
    files = [entry["file"] for entry in read_log(folder_of(client)) if entry["what"] == "recording"]
    assert files == ["sound/round-01.wav", "sound/round-02.wav"]


def test_lost_sound_starts_the_unfinished_point_over_and_is_said(client: Pages) -> None:
    where = new(client)
    client.send_form(f"{where}/round", data=FROM_PAGE)
    (live,) = client.desk.rounds._rounds.values()
    page = Page(client, where)
    page.play(tapping(2))
    until(live, count=2)
    page.first += 2400
    page.play(Hand(seed=9).quiet(0.2).sound())
    now = until(live, count=0)
    assert now["browser"]["lost_s"] == 0.05
    assert any("Audio dropped out" in sentence for sentence in now["said"])
    assert [entry["times"] for entry in read_log(folder_of(client)) if entry["what"] == "sound lost"] == [1]


def test_a_round_waits_for_its_page_and_can_be_stopped_meanwhile(client: Pages) -> None:
    where = new(client)
    client.send_form(f"{where}/round", data=FROM_PAGE)
    (live,) = client.desk.rounds._rounds.values()
    before = live.snapshot()["said"][:1]
    assert until(live, said=[*before, heard.NOT_HERE])["state"] == "running"
    client.send_form(f"{where}/round/key", data={"key": "stop"})
    assert ended(client).snapshot()["state"] == "stopped"
    late = Page(client, where).answer
    assert (late.status_code, late.json()["sentence"]) == (422, heard.ROUND_OVER)


def test_a_browser_that_keeps_automatic_gain_on_is_warned_of(client: Pages) -> None:
    where = new(client)
    client.send_form(f"{where}/round", data=FROM_PAGE)
    (live,) = client.desk.rounds._rounds.values()
    client.send_form(f"{where}/round/microphone", data=TOLD | {"gain": "true"})
    until(live, stage="noise")
    told = live.snapshot()["browser"]
    assert "automatic gain on" in told["granted"]
    assert "changes loudness" in told["warning"]
    warned = [entry["sentence"] for entry in read_log(folder_of(client)) if entry["what"] == "warning"]
    assert warned == [told["warning"]]


def test_sound_for_a_round_that_takes_none_is_refused(client: Pages, tmp_path: Path) -> None:
    where = new(client)
    heard_at = f"{where}/round/heard?stream=x&first=0"
    assert client.post(heard_at, headers={"origin": BASE}, content=b"").status_code == 404
    (tmp_path / "other").mkdir()
    quiet = threading.Event()
    with pages(tmp_path / "other", Arrays(lambda: Silent(quiet))) as other:
        there = str(other.send_form("/new", data=TYPED).headers["location"]).partition("?")[0]
        other.send_form(f"{there}/round", data=WISH)
        assert "microphone=()" in other.get(f"{there}/round").headers["permissions-policy"]
        answer = other.send_form(f"{there}/round/microphone", data=TOLD)
        assert (answer.status_code, "takes no other sound" in answer.json()["sentence"]) == (422, True)
        quiet.set()


class Silent:
    """A device that gives quiet until it is told to go."""

    name, rate_hz, latency_s, lost = "array", 48000.0, 0.0, 0

    def __init__(self, gone: threading.Event) -> None:
        self._gone = gone

    def read(self, timeout_s: float) -> NDArray[np.float64] | None:
        self._gone.wait(0.01)
        return np.random.default_rng(1).normal(0.0, 0.0005, 480)

    def close(self) -> None:
        pass


def test_a_block_passes_the_same_guard_as_every_request(client: Pages) -> None:
    where = new(client)
    client.send_form(f"{where}/round", data=FROM_PAGE)
    page = Page(client, where)
    at = f"{where}/round/heard?stream={page.stream}&first=0"
    block = sound_of(BLOCK).tobytes()
    assert client.post(at, content=block).status_code == 403
    assert client.post(at, content=block, headers={"origin": "http://evil.example"}).status_code == 403
    assert client.post(at, content=block, headers={"origin": BASE, "host": "evil.example:8123"}).status_code == 403
    large = client.post(at, content=b"\0" * (guard.MOST_BLOCK_BYTES + 4), headers={"origin": BASE})
    assert (large.status_code, "0.8 MB" in large.text) == (413, True)
    assert client.get(at).status_code == 405
    assert client.post(at, content=block[:-1], headers={"origin": BASE}).status_code == 422
    assert client.post(at.replace("first=0", "first=-1"), content=block, headers={"origin": BASE}).status_code == 422
    client.cookies.clear()
    assert client.post(at, content=block, headers={"origin": BASE}).status_code == 403

"""The round in a terminal: what is drawn, what is said, and what keys do, without sound or device."""

import io
import os
import queue
import signal
import sys
import threading
import time
import types
from pathlib import Path

import pytest

from taptest.capture import terminal
from taptest.capture.letters import ROWS, block_letters
from taptest.capture.remarks import StageText, StageWord, Told
from taptest.capture.round import (
    Advice,
    KeptTap,
    Level,
    LevelSet,
    Next,
    PracticeTap,
    StageBegan,
    Stop,
    TapAccepted,
    TapRefused,
)
from taptest.capture.session import Estimated, Listening, SessionEvent, SoundLost, SourceLost
from taptest.capture.terminal import (
    KEYS,
    STAGE_WORDS,
    UNKNOWN,
    Lines,
    Screen,
    TonesOut,
    can_draw,
    key_help,
    keys,
    letters_of,
    level_bar,
    noise_text,
    play_round,
    sentence_of,
    windows_key,
)
from taptest.capture.tones import NOTES, tone
from taptest.quantities import METRIC, US
from taptest.words.tell import text_of

STOP = Stop("point", 0.150)
TAP = KeptTap(0, 5.0, -13.0, 40.0)
ROUND: list[SessionEvent] = [
    StageBegan("noise"),
    Level(-62.0, -55.0),
    PracticeTap(13.0, True, ""),
    LevelSet(13.0, ""),
    Next(STOP, 4, 12),
    TapAccepted(STOP, 1, 3, TAP, 0.1),
    TapRefused(STOP, 6.0, "The striker bounced.", 0.1),
    TapAccepted(STOP, 2, 3, TAP, 0.1),
    Estimated(Advice(4, "So far the sound changes near 160 mm.")),
]


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_the_next_position_is_drawn_in_letters_to_be_read_from_two_metres() -> None:
    rows = block_letters("150", 76)
    assert len(rows) == ROWS
    # Three letters of five dots with a gap, each dot three columns wide: 51 of 76 columns.
    assert max(map(len, rows)) == 51
    assert set("".join(rows)) <= {"\N{FULL BLOCK}", " "}
    assert block_letters("150", 76, blocks=False)[0].replace(" ", "") == "#" * len(rows[0].replace(" ", ""))
    assert max(map(len, block_letters("150", 20))) <= 20


def test_the_screen_shows_position_taps_level_estimate_and_keys() -> None:
    out = Terminal()
    screen = Screen(METRIC, out, lambda: os.terminal_size((80, 30)))
    for event in ROUND:
        screen.show(event)
    rows = screen.rows(80)
    text = "\n".join(rows)
    assert "150 mm below the top: next mark" in text
    assert "4 of 12   \N{BULLET} \N{BULLET} \N{WHITE BULLET}   again: x" in text
    assert "So far the sound changes near 160 mm." in text
    assert "The striker bounced." in text
    assert key_help() in text
    assert max(map(len, rows)) <= 80
    assert len(rows) <= 24
    screen.close()
    assert out.getvalue().endswith("\x1b[?25h\x1b[?1049l")


LONG = (
    "The quiet after each tap is quieter than before it: automatic gain or noise suppression is at work and falsifies "
    "the sound. Switch it off in the system's sound settings (see docs/on-site.md)."
)


@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (60, 24), (132, 43), (80, 20)])
def test_the_newest_sentence_is_whole_on_every_screen(columns: int, lines: int) -> None:
    screen = Screen(METRIC, Terminal(), lambda: os.terminal_size((columns, lines)))
    for event in [Listening("USB microphone", 48000, "a.wav"), *ROUND, TapRefused(STOP, 7.0, LONG, 0.1)]:
        screen.show(event)
    rows = screen.rows(columns, lines)
    shown = rows[: lines - 1]
    assert LONG in " ".join(row.strip() for row in shown)
    assert max(map(len, rows)) <= columns
    if lines >= 24 and columns >= 80:
        assert len(rows) <= lines - 1
        assert key_help() in "\n".join(shown)


def test_a_lost_microphone_leaves_no_mark_to_tap_on_the_screen() -> None:
    screen = Screen(METRIC, Terminal(), lambda: os.terminal_size((80, 24)))
    for event in [*ROUND, SourceLost("The microphone has gone.")]:
        screen.show(event)
    text = "\n".join(screen.rows(80))
    assert "150 mm" not in text
    assert text_of(StageText.NOT_HEARD, "en_US")[:30] in text


def test_the_noise_floor_is_told_in_words_that_say_what_to_do() -> None:
    assert [noise_text(noise_db) for noise_db in (-66, -50, -35)] == [Told.ROOM_QUIET, Told.ROOM_NOISY, Told.ROOM_LOUD]


@pytest.mark.parametrize(
    ("sent", "letters"),
    [
        (b" ", [" "]),
        (b"ss", ["s", "s"]),
        (b"\x1b[3~", [UNKNOWN]),  # Delete
        (b"\x1bOS", [UNKNOWN]),  # F4: an S that must not skip
        (b"\x1bOQ", [UNKNOWN]),  # F2: a Q that must not stop
        ("ä".encode(), [UNKNOWN]),
        (b"", []),
    ],
)
def test_keys_without_a_letter_do_nothing(sent: bytes, letters: list[str]) -> None:
    assert letters_of(sent) == letters


@pytest.mark.parametrize(
    ("codes", "letters"), [(" ", [" "]), ("q", ["q"]), ("\xe0S", [UNKNOWN]), ("\x00D", [UNKNOWN]), ("\x03", ["\x03"])]
)
def test_windows_keys_come_as_one_or_two_codes(codes: str, letters: list[str]) -> None:
    waiting = iter(codes)
    assert windows_key(lambda: next(waiting)) == letters
    assert list(waiting) == []


def test_on_windows_keys_are_read_from_its_console(monkeypatch: pytest.MonkeyPatch) -> None:
    codes: queue.SimpleQueue[str] = queue.SimpleQueue()
    console = types.ModuleType("msvcrt")
    console.getwch = codes.get  # type: ignore[attr-defined]
    console.kbhit = lambda: not codes.empty()  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "msvcrt", console)
    monkeypatch.setattr(terminal, "WINDOWS", True)
    heard: list[str] = []
    with keys(heard.append, Terminal()):
        for code in "s\xe0Sq":
            codes.put(code)
        until = time.monotonic() + 5
        while len(heard) < 3 and time.monotonic() < until:
            time.sleep(0.01)
    assert heard == ["s", UNKNOWN, "q"]


def test_inches_are_shown_to_those_who_use_them() -> None:
    screen = Screen(US, Terminal(), lambda: os.terminal_size((80, 30)))
    screen.show(Next(STOP, 1, 2))
    rows = screen.rows(80)
    assert "5 7/8 in below the top" in "\n".join(rows)
    assert [row.strip() for row in rows[1:8]] == [row.strip() for row in block_letters("5 7/8", 76)]


def test_a_terminal_without_block_letters_gets_hashes() -> None:
    class Old(Terminal):
        encoding = "ascii"

    screen = Screen(METRIC, Old(), lambda: os.terminal_size((80, 30)))
    for event in ROUND:
        screen.show(event)
    "\n".join(screen.rows(80)).encode("ascii")


def test_how_often_sound_was_lost_is_said_in_words() -> None:
    assert "dropped out (once so far)" in sentence_of(SoundLost(1), METRIC)
    assert "dropped out (3 times so far)" in sentence_of(SoundLost(3), METRIC)


def test_lines_say_the_same_without_any_control_character() -> None:
    out = io.StringIO()
    lines = Lines(METRIC, out)
    for event in ROUND:
        lines.show(event)
    lines.close()
    said = out.getvalue().splitlines()
    assert "4 of 12: next mark, 150 mm below the top." in said
    assert "Tap 1 of 3 counts." in said
    assert "The striker bounced." in said
    assert "\x1b" not in out.getvalue()


@pytest.mark.parametrize(("term", "drawn"), [("xterm-256color", True), ("dumb", False), (None, False)])
def test_a_dumb_terminal_is_not_drawn_on(term: str | None, drawn: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if os.name == "nt":
        pytest.skip("Windows has no TERM.")
    monkeypatch.delenv("TERM", raising=False)
    if term is not None:
        monkeypatch.setenv("TERM", term)
    assert can_draw(Terminal()) is drawn
    assert not can_draw(io.StringIO())


def test_the_level_bar_has_its_target_and_tells_overload() -> None:
    bar = level_bar(-30.0, -13.5)
    assert bar.index("=") < bar.index("-") < bar.rindex("|")
    assert bar.endswith("-14 dB")
    assert level_bar(-3.0, 0.0).endswith("OVERLOAD")
    assert level_bar(-200.0, -200.0).count("=") == 0


def test_a_single_key_works_at_once_in_a_real_terminal() -> None:
    pty = pytest.importorskip("pty", reason="Windows has no such terminals.")
    master, slave = pty.openpty()
    heard: list[str] = []
    with os.fdopen(slave, "r") as terminal, keys(heard.append, terminal):
        os.write(master, b" ")
        until = time.monotonic() + 5
        while not heard and time.monotonic() < until:
            time.sleep(0.01)
    os.close(master)
    assert heard == [" "]


def test_what_is_typed_after_the_round_is_left_for_the_question() -> None:
    pty = pytest.importorskip("pty", reason="Windows has no such terminals.")
    master, slave = pty.openpty()
    heard: list[str] = []
    with os.fdopen(slave, "r") as terminal:
        with keys(heard.append, terminal):
            pass
        os.write(master, b"1.5 bar\n")
        assert terminal.readline() == "1.5 bar\n"
    os.close(master)
    assert heard == []


def test_without_a_terminal_lines_are_keys_and_an_empty_one_is_the_big_key(tmp_path: Path) -> None:
    path = tmp_path / "keys.txt"
    path.write_text("\ns\nquit\n")
    heard: list[str] = []
    with path.open() as stream, keys(heard.append, stream):
        until = time.monotonic() + 5
        while len(heard) < 3 and time.monotonic() < until:
            time.sleep(0.01)
    assert heard == [" ", "s", "q"]


class Speaker:
    rate_hz = 48000
    played = 0
    trouble = ""

    def play(self, sound: object) -> float:
        self.played += 1
        return 0.2


class Script:
    """A session of which only the keys matter."""

    def __init__(self) -> None:
        self.pressed: list[str] = []

    def press(self, key: str) -> None:
        self.pressed.append(key)

    def run(self):  # type: ignore[no-untyped-def]
        for _ in range(50):
            time.sleep(0.01)
            yield Level(-60.0, -50.0)
            if "stop" in self.pressed:
                return


def test_keys_reach_the_session_and_tones_can_be_switched(tmp_path: Path) -> None:
    path = tmp_path / "keys.txt"
    path.write_text("\nt\nx\ns\nq\n")
    session, speaker, out = Script(), Speaker(), io.StringIO()
    tones = TonesOut(speaker)  # type: ignore[arg-type]
    assert tones.play("tap") == 0.2
    with path.open() as stream:
        play_round(session, Lines(METRIC, out), tones, stream)  # type: ignore[arg-type]
    assert session.pressed == ["redo", "skip", "stop"]
    assert "Tones are off." in out.getvalue()
    assert f"No such key. Keys: {key_help()}" in out.getvalue()
    assert tones.play("tap") == 0.0
    assert speaker.played == 1


def test_ctrl_c_stops_the_round_in_order(tmp_path: Path) -> None:
    (tmp_path / "keys.txt").touch()
    session, before = Script(), signal.default_int_handler
    kept = signal.signal(signal.SIGINT, before)  # a test that runs in the background is told to ignore it
    threading.Timer(0.1, lambda: signal.raise_signal(signal.SIGINT)).start()
    try:
        with (tmp_path / "keys.txt").open() as stream:
            play_round(session, Lines(METRIC, io.StringIO()), None, stream)  # type: ignore[arg-type]
        assert session.pressed == ["stop"]
        assert signal.getsignal(signal.SIGINT) is before
    finally:
        signal.signal(signal.SIGINT, kept)


def test_without_a_loudspeaker_it_is_said_once(tmp_path: Path) -> None:
    (tmp_path / "keys.txt").touch()
    speaker, out = Speaker(), io.StringIO()
    speaker.trouble = "Could not open the loudspeaker: no device. The round goes on without tones."
    with (tmp_path / "keys.txt").open() as stream:
        play_round(Script(), Lines(METRIC, out), TonesOut(speaker), stream)  # type: ignore[arg-type]
    assert out.getvalue().count("without tones") == 1


def test_tones_begin_and_end_softly_and_differ() -> None:
    lengths = set()
    for name in NOTES:
        sound = tone(name, 48000)
        assert abs(sound[0]) < 1e-3
        assert abs(sound[-1]) < 0.01
        assert 0.2 < abs(sound).max() <= 0.3
        lengths.add(len(sound))
    assert len(lengths) == len(NOTES)


def test_the_page_for_the_site_names_every_key_and_every_big_word() -> None:
    page = (Path(__file__).parents[2] / "docs" / "on-site.md").read_text(encoding="utf-8")
    for key, _ in STAGE_WORDS.values():
        assert text_of(key, "en_US") in page or key is StageWord.STOP
    assert "space bar" in page
    for _, letter, _ in KEYS[1:]:
        assert f"`{letter}`" in page

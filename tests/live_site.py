"""A site for the tests of faults: a private sound server, a noise on it, and `taptest record` with two marks tapped."""

import contextlib
import subprocess
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from taptest.capture.journal import recordings
from taptest.visit.files import read_visit
from tests.live_round import OPTIONS, TANK, LiveRound, plain_taps, tap_along
from tests.tapping import Hand
from tests.virtual_microphone import Player, Server, serving

MARKS = "60,120,180,240"


class Site:
    """A server, a noise on it, and a round begun in a folder."""

    def __init__(self, server: Server, folder: Path) -> None:
        self.server, self.folder = server, folder
        (folder / "tank.toml").write_text(TANK)
        self.player = Player(server, Hand().quiet(3.0).sound())
        self.live = self.begin()

    @property
    def options(self) -> list[str]:
        """The words after the visit's folder."""
        return ["--tank", str(self.folder / "tank.toml"), "--marks", MARKS, *OPTIONS]

    def begin(self) -> LiveRound:
        """Start `taptest record`, anew or again."""
        if hasattr(self, "live"):
            self.live.close()
        self.live = LiveRound(self.server, self.folder / "visit", self.options)
        return self.live

    def noise_again(self) -> None:
        """Make a new player, after the server lost the old one."""
        self.player.close()
        self.player = Player(self.server, Hand().quiet(3.0).sound())

    def goes_on(self, seconds: float = 40) -> bool:
        """Whether the third mark is asked for again, after an interruption."""
        return self.live.wait_for(partial(self.live.has_more, "next", 3), seconds)

    def told(self, what: str, words: str, seconds: float = 30) -> bool:
        """Whether the journal gets an entry of a kind with these words."""

        def there() -> bool:
            return any(words in entry.get("sentence", entry.get("why", "")) for entry in self.live.entries(what))

        return self.live.wait_for(there, seconds)

    def module(self, name: str) -> str:
        """The number of a module that the server has loaded."""
        listed = subprocess.run(
            ["pactl", "list", "short", "modules"],
            env=self.server.environment,
            capture_output=True,
            text=True,
            check=True,
        )
        return next(line.split()[0] for line in listed.stdout.splitlines() if name in line)

    def finish(self) -> None:
        """Tap the rest and expect a whole visit."""
        known = len(self.live.entries("stage"))
        assert self.live.wait_for(lambda: self.live.has_more("stage", known - 1), 5)
        tap_along(self.live, self.player, plain_taps)
        assert self.live.process.wait(30) == 0, self.live.output.read_text()
        document = read_visit(self.folder / "visit").document
        assert [point.position_mm for point in document.points] == [60, 120, 180, 240]


@contextlib.contextmanager
def site_with_two_marks_tapped(folder: Path) -> Iterator[Site]:
    """A site whose round waits at its third mark."""
    with serving(folder / "server") as server:
        made = Site(server, folder)
        try:
            assert tap_along(made.live, made.player, plain_taps, stop_after=2) == 2
            assert made.live.wait_for(partial(made.live.has_more, "next", 2), 10), made.live.output.read_text()
            yield made
        finally:
            made.player.close()
            made.live.close()


def sound_seconds(folder: Path) -> float:
    """Seconds of sound that a visit's raw recordings hold."""
    return sum(recording.samples / recording.rate_hz for recording in recordings(folder))

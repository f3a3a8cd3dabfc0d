"""Connections within bounds: how many, how long one may say nothing, and how much is written down of what goes wrong.

Anybody who can reach the port can open connections without a word. One that has not sent a whole request is ended
after `SILENT_S`; where there are more than `MOST_CONNECTIONS`, the one that has waited longest makes room, so that a
new request is always read. What is being answered is never ended for another one's sake.
"""

import asyncio
import logging
import time
from collections.abc import Callable

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 100
"""A program may hold 256 files on some systems. A browser opens six connections, however many tabs it has."""
ACCEPTED_AT_ONCE = 16
"""Connections taken from the system before the next is looked at: so many, four times over, may be there unseen."""
SILENT_S = 15.0
"""From its opening to the end of the first request's headers."""
IDLE_S = 30.0
"""From an answer to the end of the next request's headers."""
LINES, LINES_S = 20, 60.0
"""So much of one kind is written down, in so many seconds."""


class Connection(H11Protocol):
    """One connection, ended where it lets others wait."""

    since = 0.0
    """When it began to wait for a request, in seconds of the loop's clock."""
    _timer: asyncio.TimerHandle | None = None

    @property
    def waiting(self) -> bool:
        """Whether no request of it is being answered."""
        return self.cycle is None or self.cycle.response_complete

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request, and make room for it."""
        super().connection_made(transport)
        self._wait(SILENT_S)
        if len(self.connections) > MOST_CONNECTIONS:
            self._longest_waiting().end()

    def on_response_complete(self) -> None:
        """Begin to wait for the next request."""
        self._wait(IDLE_S)
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing more."""
        super().connection_lost(exc)
        if self._timer is not None:
            self._timer.cancel()

    def end(self) -> None:
        """End the connection at once."""
        self.connections.discard(self)
        self.transport.abort()

    def _longest_waiting(self) -> "Connection":
        """Return the connection that makes room: itself, where all others are being answered."""
        others = (each for each in self.connections if isinstance(each, Connection) and each is not self)
        # One that has sent a whole request before goes last.
        return min(
            (each for each in others if each.waiting),
            key=lambda each: (each.cycle is not None, each.since),
            default=self,
        )

    def _wait(self, seconds: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self.since = self.loop.time()
        self._timer = self.loop.call_later(seconds, self._late, seconds)

    def _late(self, seconds: float) -> None:
        if self.waiting:
            self.end()
        else:
            self._timer = self.loop.call_later(seconds, self._late, seconds)


class FewLines(logging.Filter):
    """Lets so many lines of one kind through in a while, and says with the last that more are left out."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._seen: dict[str, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Say whether a line is written down."""
        now, kind = self._clock(), f"{record.name}{str(record.msg)[:60]}"
        since, count = self._seen.get(kind, (now, 0))
        since, count = (now, 0) if now - since >= LINES_S else (since, count)
        self._seen[kind] = (since, count + 1)
        while len(self._seen) > LINES:
            del self._seen[next(iter(self._seen))]
        if count == LINES - 1:
            record.msg = f"{record.msg}\nFurther messages like this are hidden for a minute."
        return count < LINES


def write_little(names: tuple[str, ...] = ("uvicorn.error", "asyncio")) -> None:
    """Bound what the server and what lies below it write down."""
    for name in names:
        logger = logging.getLogger(name)
        if not any(isinstance(each, FewLines) for each in logger.filters):
            logger.addFilter(FewLines())

"""Who may come in: a ticket in the opened address that works once, and a session of its own for each device.

An address stays in the browser's history, so its ticket is used up by the first browser that opens it, and old within
half an hour. The browser then holds the session's secret in a cookie. Browsers send a cookie to every port of a host
(RFC 6265, 8.5) but not to every path: all pages lie below a path that is made up at each start, so that a program of
somebody else that serves pages at another port of this computer is never given it.
"""

import hashlib
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

PATH_BYTES, TICKET_BYTES, SESSION_BYTES = 12, 18, 32
TICKET_S = 1800.0
MOST_TICKETS = 20
"""Unused ones; the oldest gives way to a new one."""
SYSTEMS = ("Android", "iPhone", "iPad", "Windows", "Macintosh", "CrOS", "Linux")
"""Words by which browsers tell their system, the particular before the general."""


@dataclass(slots=True)
class Device:
    """A browser that was let in."""

    number: int
    name: str
    """System and address, as far as the browser tells."""
    here: bool
    """Whether its ticket was for this computer; only such a device lets others in or shuts them out."""
    since: float
    """Seconds of the clock."""
    admitted: bool = True


class Access:
    """Tickets and sessions of one running desk. May be used from several threads."""

    def __init__(self, path: str | None = None, clock: Callable[[], float] = time.time) -> None:
        """Begin without devices; the pages lie below `path`, one that nobody can guess if left out."""
        self.path = f"/{secrets.token_urlsafe(PATH_BYTES)}" if path is None else path
        self._clock = clock
        self._lock = threading.Lock()
        self._tickets: dict[bytes, tuple[float, bool]] = {}
        self._sessions: dict[bytes, Device] = {}
        self._count = 0
        self.used = threading.Event()
        """Set when a device has come in."""

    def address(self, base: str, *, here: bool) -> str:
        """Return a fresh address below `base` that opens the pages once; `here` where it is for this computer."""
        ticket = secrets.token_urlsafe(TICKET_BYTES)
        with self._lock:
            self._tickets[_digest(ticket)] = (self._clock(), here)
            while len(self._tickets) > MOST_TICKETS:
                del self._tickets[next(iter(self._tickets))]
        return f"{base}{self.path}/?ticket={ticket}"

    def admit(self, ticket: str, agent: str, where: str) -> str | None:
        """Use up a ticket; returns the secret of a new session, None where the ticket is none any more."""
        with self._lock:
            made, here = self._tickets.pop(_digest(ticket), (None, False))
            if made is None or self._clock() - made > TICKET_S:
                return None
            self._count += 1
            session = secrets.token_urlsafe(SESSION_BYTES)
            self._sessions[_digest(session)] = Device(self._count, _name(agent, where), here, self._clock())
        self.used.set()
        return session

    def device(self, sessions: Iterable[str]) -> Device | None:
        """Return the device that knows one of some secrets."""
        return next((found for each in sessions if (found := self._sessions.get(_digest(each)))), None)

    def devices(self) -> tuple[Device, ...]:
        """Return the devices that are in, the first that came first."""
        return tuple(self._sessions.values())

    def shut_out(self, number: int) -> bool:
        """End a device's session and what it still listens to; returns whether there was one."""
        with self._lock:
            for key, device in self._sessions.items():
                if device.number == number:
                    device.admitted = False
                    del self._sessions[key]
                    return True
        return False


def _digest(secret: str) -> bytes:
    """Look secrets up by this: how long that takes tells nothing of them."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


def _name(agent: str, where: str) -> str:
    system = next((each for each in SYSTEMS if each in agent), "a browser")
    return f"{'Mac' if system == 'Macintosh' else system} at {where}"

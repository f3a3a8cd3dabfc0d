"""What stands before every page: who may ask, from where, how much they may send, and what a page may do.

The pages are for one person at this computer. Other programs' pages in the same browser can send requests to it too,
so each request must carry the right Host (against names that are made to point here), an Origin of our own where it
changes something, no sign that it comes from another site, and the cookie that only an opened address gives (see
`access`). Every
answer carries a content policy under which nothing but our own files is loaded and no script stands in a page.

It is plain ASGI (version 3.0 of the specification), so that nothing else of the pages runs before it.
"""

import asyncio
import time
from collections.abc import Iterable
from typing import Any
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from taptest.desk.access import Access, Device

OWN_NAMES = ("127.0.0.1", "localhost")
"""How this computer is called from itself."""
SAFE_METHODS = ("GET", "HEAD")
MOST_FORM_BYTES = 1_000_000
MOST_BLOCK_BYTES = 800_000
"""Of sound from a browser: a second at 192 kHz in 32-bit samples; a page that has to catch up sends a second a time."""
MOST_UPLOAD_BYTES = 600_000_000
"""An hour of sound at 48 kHz takes 350 MB."""
UPLOADS = ("/new", "/unpack", "/sound", "/photographs", "/settings/company")
"""Ends of the paths that take files."""
HEARD = "/round/heard"
"""End of the path that takes what a browser's microphone hears, block by block."""
KEPT_S = 14 * 86_400
BODY_S, SLOWEST_BYTES_PER_S = 30.0, 10_000.0
"""What a request brings may take so long, and longer by what came already at such a pace: a telephone at the edge of
its network sends ten times as fast."""

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "media-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
"""For a picture opened by itself: its styles may count, and nothing in it may run."""
PERMISSIONS = "camera=(), geolocation=(), microphone=({microphone}), payment=(), usb=()"
LISTENING = {"permissions-policy": PERMISSIONS.format(microphone="self")}
"""For the one page that may ask for the browser's microphone."""
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": PERMISSIONS.format(microphone=""),
    "cache-control": "no-store",
}
"""On every answer that does not say otherwise itself. A stricter referrer policy would make browsers hide the Origin
of our own forms."""

NOT_OPENED = (
    "This page belongs to a taptest that is running on this computer. It opens by an address that works once, in one "
    "browser. For a fresh one press Enter in the window in which taptest desk runs, or open Settings where the pages "
    "are open already."
)
TOO_SLOW = "The upload stopped or was too slow. Nothing was saved. Send it again."
NOT_YET = "Pages are not preloaded. Open the address directly."
NOT_FROM_HERE = "This request came from another site and was refused. Open the page directly."

OPENED = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>taptest</title>
<link rel="icon" href="{icon}">
<meta http-equiv="refresh" content="0; url={target}">
</head>
<body><p><a href="{target}">To the visits</a></p></body>
</html>
"""
"""Leads on to the pages: what an address with a ticket answers, and what the browser is opened with. A redirection
would not do: the page that led here may be another site's, and browsers keep a strict cookie from all that such a step
leads to."""
DEVICE = "taptest.device"
"""Key of the request's scope under which its device stands."""


class Guard:
    """ASGI application around the pages that lets through only what may come through."""

    def __init__(self, app: ASGIApp, access: Access, hosts: Iterable[str], port: int) -> None:
        """Serve under the names `hosts` at `port` only, and below the path of `access`."""
        self.inner: Any = app
        self.access = access
        self._hosts = frozenset(f"{host}:{port}" for host in hosts)
        self._cookie = f"taptest_{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse the request, open the door, or hand it on."""
        if scope["type"] == "lifespan":
            await self.inner(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = _headers(scope)
        device = self.access.device(self._sessions(headers.get("cookie", "")))
        ticket = self._ticket(scope)
        if ticket is not None and headers.get("host") in self._hosts:
            await self._open(ticket, device, scope, headers, send)
            return
        if not self._from_here(scope["method"], headers):
            await _answer(send, 403, NOT_FROM_HERE)
            return
        if device is None or not scope["path"].startswith(f"{self.access.path}/"):
            await _answer(send, 403, NOT_OPENED)
            return
        most = _most_bytes(scope["path"])
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > most:
            await _answer(send, 413, _too_much(most))
            return
        scope = {**scope, "root_path": self.access.path, DEVICE: device}
        await self.inner(scope, _counted(receive, most), _with_headers(send))

    def _ticket(self, scope: Scope) -> str | None:
        """Return the ticket in the address of a request, None where it carries none."""
        if scope["method"] != "GET" or scope["path"] != f"{self.access.path}/":
            return None
        given = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=20)
        return given["ticket"][0] if "ticket" in given else None

    async def _open(
        self, ticket: str, device: Device | None, scope: Scope, headers: dict[str, str], send: Send
    ) -> None:
        """Let a device in with a ticket. Any page may have led here, such as the file that opens the browser."""
        if headers.get("sec-fetch-mode", "navigate") != "navigate":
            await _answer(send, 403, NOT_FROM_HERE)
            return
        if "sec-purpose" in headers or "purpose" in headers or "x-moz" in headers:
            await _answer(send, 503, NOT_YET)
            return
        where = (scope.get("client") or ("",))[0]
        session = self.access.admit(ticket, headers.get("user-agent", ""), where)
        if session is None and device is None:
            await _answer(send, 403, NOT_OPENED)
            return
        more = {"content-type": "text/html; charset=utf-8"}
        if session is not None:
            more["set-cookie"] = (
                f"{self._cookie}={session}; Path={self.access.path}/; HttpOnly; SameSite=Strict; Max-Age={KEPT_S}"
            )
        path = self.access.path
        await _answer(send, 200, OPENED.format(target=f"{path}/", icon=f"{path}/static/icon.svg"), more)

    def _from_here(self, method: str, headers: dict[str, str]) -> bool:
        """Whether a request is addressed to us by name, and by a page of ours where it changes something."""
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self._hosts:
            return False
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return False
        if origin is None:
            return method in SAFE_METHODS or headers.get("sec-fetch-site") == "same-origin"
        return origin == f"http://{host}"

    def _sessions(self, cookies: str) -> list[str]:
        """Return what stands in cookies of our name.

        There may be several: programs at other ports can set some, too, in whatever form, and must lock nobody out.
        """
        pairs = (each.strip().partition("=") for each in cookies.split(";"))
        return [value for name, _, value in pairs if name == self._cookie]


def _headers(scope: Scope) -> dict[str, str]:
    """Return the request's headers; of one that is given twice, something that fits nothing, but all of its cookies."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, text = name.decode("latin-1").lower(), value.decode("latin-1")
        if key in found and key == "cookie":
            text = f"{found[key]}; {text}"
        twice = key in found and key in ("host", "origin", "content-length", "sec-fetch-site")
        found[key] = "given twice" if twice else text
    return found


def _most_bytes(path: str) -> int:
    """Return how much a request to a path may bring."""
    if path.endswith(HEARD):
        return MOST_BLOCK_BYTES
    return MOST_UPLOAD_BYTES if path.endswith(UPLOADS) else MOST_FORM_BYTES


def _too_much(most: int) -> str:
    return f"More than {most / 1_000_000:g} MB were sent, which is more than is taken here. Send less at a time."


def _counted(receive: Receive, most: int) -> Receive:
    """Count what really arrives: a length that was announced need not be true, or there is none.

    What does not arrive is not waited for without end.
    """
    came, whole, began = 0, False, time.monotonic()

    async def counted() -> Message:
        nonlocal came, whole
        if whole:
            return await receive()
        due_s = began + BODY_S + came / SLOWEST_BYTES_PER_S - time.monotonic()
        try:
            message = await asyncio.wait_for(receive(), max(due_s, 0.001))
        except TimeoutError as error:
            raise HTTPException(408, TOO_SLOW, {"connection": "close"}) from error
        whole = not message.get("more_body", False)
        came += len(message.get("body", b""))
        if came > most:
            raise HTTPException(413, _too_much(most))
        return message

    return counted


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = {name.lower() for name, _ in message.get("headers", [])}
            more = [(name.encode(), text.encode()) for name, text in HEADERS.items() if name.encode() not in own]
            message = {**message, "headers": [*message.get("headers", []), *more]}
        await send(message)

    return sent


async def _answer(send: Send, status: int, text: str, more: dict[str, Any] | None = None) -> None:
    """Answer with plain text."""
    headers = {**HEADERS, "content-type": "text/plain; charset=utf-8", **(more or {})}
    raw = [(name.encode(), value.encode("latin-1")) for name, value in headers.items()]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": text.encode()})

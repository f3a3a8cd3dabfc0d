"""What stands before every page: who may ask, from where, how much they may send, and what a page may do.

The pages are for one person at this computer. Other programs' pages in the same browser can send requests to it too,
so each request must carry the right Host (against names that are made to point here), an Origin of our own where it
changes something, no sign that it comes from another site, and the cookie that only the opened address gives. Every
answer carries a content policy under which nothing but our own files is loaded and no script stands in a page.

It is plain ASGI (version 3.0 of the specification), so that nothing else of the pages runs before it.
"""

import hmac
import secrets
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

OWN_NAMES = ("127.0.0.1", "localhost")
"""How this computer is called from itself."""
TOKEN_BYTES = 32
SAFE_METHODS = ("GET", "HEAD")
MOST_FORM_BYTES = 1_000_000
MOST_BLOCK_BYTES = 800_000
"""Of sound from a browser: a second at 192 kHz in 32-bit samples; a page that has to catch up sends a second a time."""
MOST_UPLOAD_BYTES = 600_000_000
"""An hour of sound at 48 kHz takes 350 MB."""
UPLOADS = ("/new", "/unpack", "/sound")
"""Ends of the paths that take files."""
HEARD = "/round/heard"
"""End of the path that takes what a browser's microphone hears, block by block."""
KEPT_S = 14 * 86_400

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
    "This page belongs to a taptest that is running on this computer, and opens only by the address that it printed "
    "when it started. Open that address, or start taptest desk again."
)
NOT_FROM_HERE = "This request comes from another page or under another name, and is refused. Open the page itself."


def new_token() -> str:
    """Return a fresh secret for the opened address."""
    return secrets.token_urlsafe(TOKEN_BYTES)


class Guard:
    """ASGI application around the pages that lets through only what may come through."""

    def __init__(self, app: ASGIApp, token: str, hosts: Iterable[str], port: int) -> None:
        """Serve under the names `hosts` at `port` only."""
        self.inner: Any = app
        self._token = token
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
        if not self._from_here(scope["method"], headers):
            await _answer(send, 403, NOT_FROM_HERE)
            return
        given = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=20) if scope["path"] == "/" else {}
        if scope["method"] == "GET" and self._is_token(given.get("token", [""])[0]):
            await _answer(send, 303, "", {"location": "/", "set-cookie": self._set_cookie()})
            return
        if not self._is_token(self._token_of(headers.get("cookie", ""))):
            await _answer(send, 403, NOT_OPENED)
            return
        most = _most_bytes(scope["path"])
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > most:
            await _answer(send, 413, _too_much(most))
            return
        await self.inner(scope, _counted(receive, most), _with_headers(send))

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

    def _is_token(self, text: str) -> bool:
        return hmac.compare_digest(text.encode("utf-8", "replace"), self._token.encode())

    def _token_of(self, cookie: str) -> str:
        try:
            found = SimpleCookie(cookie).get(self._cookie)
        except CookieError:
            return ""
        return "" if found is None else found.value

    def _set_cookie(self) -> str:
        return f"{self._cookie}={self._token}; Path=/; HttpOnly; SameSite=Strict; Max-Age={KEPT_S}"


def _headers(scope: Scope) -> dict[str, str]:
    """Return the request's headers; of one that is given twice, something that fits nothing."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key = name.decode("latin-1").lower()
        twice = key in found and key in ("host", "origin", "cookie", "content-length", "sec-fetch-site")
        found[key] = "given twice" if twice else value.decode("latin-1")
    return found


def _most_bytes(path: str) -> int:
    """Return how much a request to a path may bring."""
    if path.endswith(HEARD):
        return MOST_BLOCK_BYTES
    return MOST_UPLOAD_BYTES if path.endswith(UPLOADS) else MOST_FORM_BYTES


def _too_much(most: int) -> str:
    return f"More than {most / 1_000_000:g} MB were sent, which is more than is taken here. Send less at a time."


def _counted(receive: Receive, most: int) -> Receive:
    """Count what really arrives: a length that was announced need not be true, or there is none."""
    came = 0

    async def counted() -> Message:
        nonlocal came
        message = await receive()
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

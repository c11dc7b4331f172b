"""Who may talk to the page: only a browser on this computer that was given the one-time address.

Owns the check of every request before the application sees it: Host, Origin, where the browser says the request comes
from, and the cookie that the one-time token is swapped for. It is a plain ASGI application around another, so that
pages, files, websockets and their polling stand-in go through the same door.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

__all__ = ["Access", "Guard"]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

TOKEN = "token"
_COOKIE_AGE_S = 24 * 3600
"""A browser that was killed comes back with it; it is worth nothing once this server has ended."""
_NAMES = ("127.0.0.1", "localhost")
_FOREIGN = (b"cross-site", b"same-site")
"""Of Sec-Fetch-Site: another port of this computer is same-site, and no more welcome than another site."""

# Nothing from elsewhere, whatever a page may ask for; eval and inline pieces are what the framework is made of.
_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", _POLICY.encode("ascii")),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
)


class Access:
    """The secrets of one server: one-time tokens, and the cookie they are swapped for."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.cookie_name = f"twonode_page_{port}"
        self._cookie = secrets.token_urlsafe(32)
        self._tokens: set[str] = set()
        self._lock = threading.Lock()

    def new_address(self) -> str:
        """A page address that works once; those given out before and not used end with it."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._tokens = {token}
        return f"http://127.0.0.1:{self.port}/?{TOKEN}={token}"

    def take(self, token: str) -> bool:
        """Whether this is a token that was not used before; from now on it is."""
        with self._lock:
            found = [each for each in self._tokens if secrets.compare_digest(each.encode(), token.encode())]
            self._tokens.difference_update(found)
        return bool(found)

    def knows(self, cookie: str) -> bool:
        """Whether a cookie is the one given out."""
        return secrets.compare_digest(cookie.encode(), self._cookie.encode())

    @property
    def set_cookie(self) -> str:
        """The header that gives the cookie to a browser."""
        return (
            f"{self.cookie_name}={self._cookie}; Path=/; Max-Age={_COOKIE_AGE_S}; HttpOnly; SameSite=Strict"
        )

    @property
    def hosts(self) -> tuple[bytes, ...]:
        """What the Host header may say."""
        return tuple(f"{name}:{self.port}".encode("ascii") for name in _NAMES)

    @property
    def origins(self) -> tuple[str, ...]:
        """What the Origin header may say."""
        return tuple(f"http://{name}:{self.port}" for name in _NAMES)


class Guard:
    """The door around the application. Everything that does not belong here gets a plain 403."""

    def __init__(self, application: Application, access: Access) -> None:
        self._application = application
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or websocket."""
        if scope["type"] == "lifespan":
            await self._application(scope, receive, send)
            return
        headers = scope["headers"]
        foreign = self._foreign(scope, headers)
        if foreign is not None:
            await _refuse(scope, send, foreign)
            return
        known = self._known(headers)
        token = _token_of(scope)
        if token is not None:
            if known or self._access.take(token):
                await self._welcome(send)
            else:
                await _refuse(scope, send, "This address was used already, or was replaced by a newer one.")
            return
        if not known:
            await _refuse(scope, send, "This browser was not given the page's one-time address.")
            return
        # The framework would believe a proxy's word; there is none.
        inner = dict(scope, headers=[h for h in headers if not h[0].startswith(b"x-forwarded-")])
        await self._application(inner, receive, _with_headers(send))

    def _foreign(self, scope: Scope, headers: list[tuple[bytes, bytes]]) -> str | None:
        """Why a request comes from elsewhere; None where it does not."""
        if _all(headers, b"host") not in [[host] for host in self._access.hosts]:
            return "The Host header names another computer or port."
        origins = [each.decode("latin-1") for each in _all(headers, b"origin")]
        if any(origin not in self._access.origins for origin in origins) or len(origins) > 1:
            return "The request comes from another page (Origin)."
        # Browsers name the origin of every websocket and of everything that is sent.
        if not origins and (scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")):
            return "The request does not say which page it comes from (Origin)."
        if any(each in _FOREIGN for each in _all(headers, b"sec-fetch-site")):
            return "The request comes from another site."
        return None

    def _known(self, headers: list[tuple[bytes, bytes]]) -> bool:
        for header in _all(headers, b"cookie"):
            try:
                found = SimpleCookie(header.decode("latin-1")).get(self._access.cookie_name)
            except CookieError:
                continue
            if found is not None and self._access.knows(found.value):
                return True
        return False

    async def _welcome(self, send: Send) -> None:
        """Swap the token for the cookie, and leave the token behind."""
        headers = [
            (b"location", b"/"),
            (b"set-cookie", self._access.set_cookie.encode("ascii")),
            (b"cache-control", b"no-store"),
            (b"content-length", b"0"),
            *_HEADERS,
        ]
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})


def _all(headers: list[tuple[bytes, bytes]], name: bytes) -> list[bytes]:
    return [value for key, value in headers if key.lower() == name]


def _token_of(scope: Scope) -> str | None:
    """The token in the address of a page that is asked for."""
    if scope["type"] != "http" or scope["method"] != "GET" or scope["path"] != "/":
        return None
    found = parse_qs(scope.get("query_string", b"").decode("latin-1")).get(TOKEN)
    return found[0] if found else None


async def _refuse(scope: Scope, send: Send, why: str) -> None:
    words = (
        f"Refused. {why}\n"
        "The page is for one person at this computer, so that nobody else can switch the generator on.\n"
        "Press Enter in the window where `twonode page` runs for a fresh address, or start it again.\n"
    ).encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(words)).encode("ascii")),
        (b"cache-control", b"no-store"),
        (b"x-content-type-options", b"nosniff"),
    ]
    kind = "http.response"
    if scope["type"] == "websocket":
        if "websocket.http.response" not in scope.get("extensions", {}):
            await send({"type": "websocket.close", "code": 1008, "reason": "refused"})
            return
        kind = "websocket.http.response"
    await send({"type": f"{kind}.start", "status": 403, "headers": headers})
    await send({"type": f"{kind}.body", "body": words})


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = dict(message, headers=[*message.get("headers", ()), *_HEADERS])
        await send(message)

    return sent

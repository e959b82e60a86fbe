"""Who may ask the page's server anything: this browser, from this page, once it came with the address that was told.

The address has a token that is good once. It becomes a cookie that no script reads and no other site's page sends.
Every request must name this server as its host, which a foreign name that was bound to this machine cannot, and where
it says from which page it comes, it must be one of this server's.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY_BYTES = 2_000_000
START = "/start/"
_NO_TOKEN = (
    "This page belongs to the browser that it was opened in. Close this one, or end `retrofit open` with Ctrl-C and "
    "start it again: the address that it tells is good for one browser."
)
HEADERS = (
    (
        "content-security-policy",
        "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
)


class Guard:
    """The server's only door. `port` is where it listens; `token` stands in the address that opens the page, once."""

    def __init__(self, app: App, port: int) -> None:
        self.app = app
        self.token = secrets.token_urlsafe(24)
        self._session = secrets.token_urlsafe(24)
        self._used = False
        self._hosts = (f"127.0.0.1:{port}", f"localhost:{port}")
        self._cookie = f"retrofit-{port}"  # cookies do not know ports: two servers must not share one

    @property
    def start_address(self) -> str:
        return f"http://{self._hosts[0]}{START}{self.token}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":  # no web sockets, no start and stop of an application
            return
        send = _with_headers(send)
        headers = _headers(scope)
        refused = self._refused(headers, scope["method"])
        if refused:
            await _answer(send, *refused)
        elif scope["path"].startswith(START):
            await self._begin(scope["path"].removeprefix(START), headers, send)
        elif not self._has_cookie(headers):
            await _answer(send, 403, _NO_TOKEN)
        else:
            await self._let_in(scope, receive, send, headers)

    def _refused(self, headers: dict[str, str], method: str) -> tuple[int, str] | None:
        """Return why a request is turned away whoever asks, or None."""
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self._hosts:
            return 421, "This server answers under its own address only."
        if origin is not None and origin != f"http://{host}":
            return 403, "Another page may not ask this server anything."
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "Another page may not ask this server anything."
        if method not in ("GET", "HEAD", "POST"):
            return 405, "Only GET and POST are answered."
        if method == "POST" and origin is None:
            return 403, "A change needs to say which page it comes from."
        return None

    def _has_cookie(self, headers: dict[str, str]) -> bool:
        for pair in headers.get("cookie", "").split(";"):
            name, _, value = pair.strip().partition("=")
            if name == self._cookie and secrets.compare_digest(value.encode(), self._session.encode()):
                return True
        return False

    async def _begin(self, token: str, headers: dict[str, str], send: Send) -> None:
        """Turn the token into the cookie; the browser that has that already is led to the page again."""
        known = self._has_cookie(headers)
        if not known and (self._used or not secrets.compare_digest(token.encode(), self.token.encode())):
            await _answer(send, 403, _NO_TOKEN)
            return
        self._used = True
        cookie = f"{self._cookie}={self._session}; Path=/; HttpOnly; SameSite=Strict"
        led = [(b"location", b"/"), (b"set-cookie", cookie.encode())]
        await send({"type": "http.response.start", "status": 303, "headers": led})
        await send({"type": "http.response.body", "body": b""})

    async def _let_in(self, scope: Scope, receive: Receive, send: Send, headers: dict[str, str]) -> None:
        """Hand a request on with its body read, unless that is larger than anything that belongs here."""
        if scope["method"] != "POST":
            await self.app(scope, receive, send)
            return
        body = await _body(receive, headers)
        if body is None:
            await _answer(send, 413, f"Larger than {MOST_BODY_BYTES // 1_000_000} MB: no file of that size fits here.")
            return
        given = False

        async def replay() -> Message:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        await self.app(scope, replay, send)


async def _body(receive: Receive, headers: dict[str, str]) -> bytes | None:
    """Return the body of a request, None as soon as it is too large."""
    told = headers.get("content-length", "0")
    if not told.isdigit() or int(told) > MOST_BODY_BYTES:
        return None
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > MOST_BODY_BYTES or message["type"] == "http.disconnect":
            return None
        if not message.get("more_body", False):
            return bytes(body)


def _headers(scope: Scope) -> dict[str, str]:
    """Return the headers by name; one that is sent twice counts as both, which none that is looked for may be."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, text = name.decode("latin-1").lower(), value.decode("latin-1")
        joint = "; " if key == "cookie" else ", "
        found[key] = f"{found[key]}{joint}{text}" if key in found else text
    return found


def _with_headers(send: Send) -> Send:
    """Return a sender that adds what every answer says: nothing from elsewhere, no frames, nothing kept."""
    always = [(name.encode(), value.encode()) for name, value in HEADERS]

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", ()), *always]
        await send(message)

    return sending


async def _answer(send: Send, status: int, words: str) -> None:
    body = words.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})

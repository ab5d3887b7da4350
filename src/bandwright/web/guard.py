"""What stands between the network and the pages: headers, same-origin writes, and the one-time code of `serve --lan`.

Plain ASGI layers, so that a stream of events passes through them untouched.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

__all__ = ["CODE_COOKIE", "CSP", "CodeGate", "Headers", "SameOrigin"]

_Scope = MutableMapping[str, Any]
_Message = MutableMapping[str, Any]
_Receive = Callable[[], Awaitable[_Message]]
_Send = Callable[[_Message], Awaitable[None]]
_App = Callable[[_Scope, _Receive, _Send], Awaitable[None]]

# style: charts carry a few stroke widths of their own. img data: nothing; frames: none.
CSP = "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
CODE_COOKIE = "bandwright_code"
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


def _header(scope: _Scope, name: bytes) -> str:
    return next((value.decode("latin-1") for key, value in scope["headers"] if key == name), "")


async def _answer(send: _Send, status: int, body: str, *, headers: tuple[tuple[bytes, bytes], ...] = ()) -> None:
    kind = (b"content-type", b"text/html; charset=utf-8")
    await send({"type": "http.response.start", "status": status, "headers": [kind, *headers]})
    await send({"type": "http.response.body", "body": body.encode()})


class Headers:
    """Adds the headers that keep a page to itself, and keeps answers out of shared caches."""

    def __init__(self, app: _App) -> None:
        self._app = app

    async def __call__(self, scope: _Scope, receive: _Receive, send: _Send) -> None:
        """Pass on, adding headers."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: _Message) -> None:
            if message["type"] == "http.response.start":
                present = {key.lower() for key, _ in message["headers"]}
                extra = [
                    (b"content-security-policy", CSP.encode()),
                    (b"x-content-type-options", b"nosniff"),
                    (b"referrer-policy", b"same-origin"),
                    (b"cross-origin-opener-policy", b"same-origin"),
                    *([] if b"cache-control" in present else [(b"cache-control", b"no-store")]),
                ]
                message["headers"] = [*message["headers"], *extra]
            await send(message)

        await self._app(scope, receive, with_headers)


class SameOrigin:
    """Refuses a write that another site's page has sent: `Sec-Fetch-Site` where the browser says it, else `Origin`."""

    def __init__(self, app: _App) -> None:
        self._app = app

    async def __call__(self, scope: _Scope, receive: _Receive, send: _Send) -> None:
        """Pass on, or refuse."""
        if scope["type"] == "http" and scope["method"] not in _SAFE and not self._is_ours(scope):
            await _answer(send, 403, "<!doctype html><title>Not done</title><p>This came from a page of another site, so nothing was done. Open the page on this computer and try again.")
            return
        await self._app(scope, receive, send)

    @staticmethod
    def _is_ours(scope: _Scope) -> bool:
        site = _header(scope, b"sec-fetch-site")
        if site:
            return site in {"same-origin", "none"}
        origin = _header(scope, b"origin")
        return not origin or urlsplit(origin).netloc == _header(scope, b"host")


class CodeGate:
    """Lets nobody in from the network without the code that the terminal showed; answers nothing but the form for it.

    code: what `serve --lan` printed. form: the HTML of the form, made once, with {problem} in it. A right code is kept in a cookie of
    this browser for as long as the server runs. Ten wrong codes close the door until the server is started again.
    """

    MOST_WRONG = 10

    def __init__(self, app: _App, *, code: str, form: Callable[[str], str]) -> None:
        self._app, self._code, self._form = app, code, form
        self._wrong = 0

    async def __call__(self, scope: _Scope, receive: _Receive, send: _Send) -> None:
        """Pass on, or ask for the code."""
        if scope["type"] != "http" or self._has_cookie(scope):
            await self._app(scope, receive, send)
            return
        given = await self._given(scope, receive)
        if given is None:
            await _answer(send, 401, self._form(""))
        elif self._wrong >= self.MOST_WRONG:
            await _answer(send, 429, self._form("Too many wrong codes. Start `bandwright serve --lan` again for a new one."))
        elif hmac.compare_digest(given.encode(), self._code.encode()):
            cookie = f"{CODE_COOKIE}={self._code}; Path=/; HttpOnly; SameSite=Strict"
            await _answer(send, 303, "", headers=((b"location", b"/"), (b"set-cookie", cookie.encode())))
        else:
            self._wrong += 1
            await _answer(send, 401, self._form("That is not the code that the terminal shows. Type its digits, without spaces."))

    def _has_cookie(self, scope: _Scope) -> bool:
        try:
            jar = SimpleCookie(_header(scope, b"cookie"))
        except CookieError:
            return False
        return CODE_COOKIE in jar and hmac.compare_digest(jar[CODE_COOKIE].value.encode(), self._code.encode())

    async def _given(self, scope: _Scope, receive: _Receive) -> str | None:
        if scope["method"] == "POST" and scope["path"] == "/code":
            body = b""
            while len(body) < 4096:
                message = await receive()
                body += message.get("body", b"")
                if not message.get("more_body"):
                    break
            return "".join(parse_qs(body.decode("utf-8", "replace")).get("code", [""])).replace(" ", "")
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        return query["code"][0] if scope["method"] == "GET" and "code" in query else None

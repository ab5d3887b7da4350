"""One request for one document over HTTP: no redirect is followed, no proxy of the environment used, no secret kept in what is recorded."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from pydantic import Field, model_validator

from bandwright.errors import GatewayRefused, GatewayUnreachable, SecretError
from bandwright.gateways.declared import Declared
from bandwright.privacy import Private
from bandwright.words.radio import Exchange

__all__ = ["Request", "Secrets", "ask_web", "with_secrets"]

Secrets = Callable[[str], Private[str]]

_SECRET = re.compile(r"secret:([A-Za-z0-9_-]+)")
_TELLING = re.compile(r"(?i)authorization|cookie|token|session|api-?key|password|csrf")
_MOST_BYTES = 1_000_000


class Request(Declared):
    """A request as declared. Slots in braces are filled from closed sets; 'secret:NAME' from the file of secrets."""

    url: str = Field(pattern=r"^https?://[^{}/?#]+(?:[/?#].*)?$", description="address; the host takes no slot")
    method: str = Field(default="GET", pattern=r"^(GET|POST|PUT|PATCH)$", description="GET, POST, PUT or PATCH")
    headers: dict[str, str] = Field(default_factory=dict, description="headers; a value may hold 'secret:NAME'")
    body: str | None = Field(default=None, description="body; it may hold 'secret:NAME'")
    verify: bool = Field(default=True, description="whether the certificate of an https address is checked")

    @model_validator(mode="after")
    def _no_secret_in_sight(self) -> Request:
        for name, value in self.headers.items():
            if _TELLING.search(name) and not _SECRET.search(value):
                raise ValueError(f"the header {name} holds a secret: write 'secret:NAME' and keep it outside this file")
        if self.body and re.search(r"(?i)pass(?:word|wd)?\W{1,4}(?!secret:)\w", self.body):
            raise ValueError("the body holds a password: write 'secret:NAME' and keep it outside this file")
        return self


async def ask_web(request: Request, *, timeout_s: float, secrets: Secrets | None, url: str | None = None, body: str | None = None) -> Exchange:
    """Send one request and return the exchange. url, body: the request's own with its slots filled.

    Raises GatewayUnreachable without an answer, GatewayRefused for an answer that is an error or a redirect, or where a secret cannot be had.
    """
    import httpx2

    url = request.url if url is None else url
    body = request.body if body is None else body
    used: list[str] = []
    headers = {name: with_secrets(value, secrets, used) for name, value in request.headers.items()}
    content = None if body is None else with_secrets(body, secrets, used).encode()
    shown = f"{request.method} {url}" + (f"\n{body}" if body else "")
    try:
        async with (
            httpx2.AsyncClient(timeout=timeout_s, follow_redirects=False, trust_env=False, verify=request.verify) as client,
            client.stream(request.method, with_secrets(url, secrets, used), headers=headers, content=content) as answer,
        ):
            data = await _read(answer)
            status: int = answer.status_code
    except (httpx2.TimeoutException, TimeoutError) as error:
        raise GatewayUnreachable(f"no answer from {url} within {timeout_s:g} s", todo="Check that the gateway is on and reachable from here.") from error
    except (httpx2.HTTPError, httpx2.InvalidURL, OSError, UnicodeError) as error:
        raise GatewayUnreachable(f"{url} cannot be asked", given=_hidden(str(error), used) or type(error).__name__) from None
    text = _hidden(data.decode("utf-8", "replace"), used)
    if status >= 300:
        todo = "The session may have ended: log in anew and renew the secret." if status in (301, 302, 303, 307, 401, 403) else None
        raise GatewayRefused(f"{url} answered with status {status}", given=" ".join(text.split())[:120] or None, todo=todo)
    return Exchange(sent=shown, received=text)


def with_secrets(text: str, secrets: Secrets | None, used: list[str]) -> str:
    """Return a text with each 'secret:NAME' opened; what was opened is added to `used`, to be hidden from records. Raises GatewayRefused."""

    def opened(match: re.Match[str]) -> str:
        if secrets is None:
            raise GatewayRefused(f"secret {match.group(1)!r} cannot be opened here", todo="No file of secrets is known.")
        try:
            value = secrets(match.group(1)).reveal(reason="to send it to the gateway that it belongs to")
        except SecretError as error:
            raise GatewayRefused(str(error), todo="Nothing was sent.") from None
        used.append(value)
        return value

    return _SECRET.sub(opened, text)


def _hidden(text: str, used: list[str]) -> str:
    for value in used:
        if len(value) >= 4:
            text = text.replace(value, "•" * len(value))
    return text


async def _read(answer: Any) -> bytes:
    data = b""
    async for chunk in answer.aiter_bytes():
        data += chunk
        if len(data) > _MOST_BYTES:
            raise GatewayRefused("the document is larger than 1 MB", todo="Declare the address of a smaller one.")
    return data

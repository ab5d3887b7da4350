"""Where sites push. Every answer is about the site whose key signed the request; no route takes a site's number.

Who is not believed is told nothing but that. Sizes are held before a body is read whole; each credential has a rate of its own, so that
one site that runs wild does not hold up another.
"""

from __future__ import annotations

import asyncio
import time
from collections import OrderedDict

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response

from bandwright.errors import StoreError, UserFault
from bandwright.jobs.fleet import Fleet

__all__ = ["BATCHES", "LIMIT_BYTES", "NEXT", "Rate", "create_hub"]

BATCHES = "/v1/batches"
NEXT = "/v1/next"
LIMIT_BYTES = 4_000_000


class Rate:
    """So many requests a minute for each name, with a burst. monotonic: seconds, passed in by tests."""

    def __init__(self, *, per_minute: float = 120.0, burst: int = 120) -> None:
        self._per_s, self._burst = per_minute / 60.0, float(burst)
        self._left: OrderedDict[object, tuple[float, float]] = OrderedDict()

    def wait_s(self, name: object, now_s: float) -> float:
        """Count a request, and return 0; or how long to wait, without counting it."""
        left, at = self._left.pop(name, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at) * self._per_s)
        allowed = left >= 1.0
        self._left[name] = (left - 1.0 if allowed else left, now_s)
        while len(self._left) > 200_000:
            self._left.popitem(last=False)
        return 0.0 if allowed else (1.0 - left) / self._per_s


def _refuse(status: int, reason: str, **headers: str) -> JSONResponse:
    return JSONResponse({"reason": reason}, status_code=status, headers=headers)


async def _body(request: Request) -> bytes | None:
    """Return the body, or None as soon as it is longer than a batch may be."""
    parts, length = [], 0
    async for part in request.stream():
        length += len(part)
        if length > LIMIT_BYTES:
            return None
        parts.append(part)
    return b"".join(parts)


def create_hub(fleet: Fleet, *, rate: Rate | None = None) -> FastAPI:
    """Return the application that sites push to."""
    app = FastAPI(title="Bandwright hub", docs_url=None, redoc_url=None, openapi_url=None)
    rates = rate or Rate()

    @app.post(BATCHES)
    async def push(request: Request) -> Response:
        body = await _body(request)
        if body is None:
            return _refuse(413, f"a batch has at most {LIMIT_BYTES} bytes")
        site = await asyncio.to_thread(fleet.site_of, request.headers.get("authorization", ""), method="POST", path=BATCHES, body=body)
        if site is None:
            return _refuse(401, "no credential in force signed this request as it arrived")
        wait = rates.wait_s(site, time.monotonic())
        if wait > 0:
            return _refuse(429, "too many batches in a minute", **{"Retry-After": str(int(wait) + 1)})
        try:
            answer = await asyncio.to_thread(fleet.take, site, body)
        except UserFault as error:
            return _refuse(int(getattr(error, "status", 422)), str(error))
        except StoreError:
            return _refuse(503, "the hub's database cannot be used just now; nothing of this batch was kept", **{"Retry-After": "10"})
        said = {"answer": answer.kind, "next_sequence": answer.next_sequence, "kept": answer.kept, "had": answer.had, "reason": answer.reason, "refused": [list(r) for r in answer.refused]}
        return JSONResponse(said, status_code=200 if answer.kind != "refused" else 422 if answer.refused else 409)

    @app.get(NEXT)
    async def following(request: Request) -> Response:
        site = await asyncio.to_thread(fleet.site_of, request.headers.get("authorization", ""), method="GET", path=NEXT)
        return _refuse(401, "no credential in force signed this request as it arrived") if site is None else JSONResponse({"next_sequence": await asyncio.to_thread(fleet.next_sequence, site)})

    return app

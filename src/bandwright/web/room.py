"""The Room page: a phone in any room against this computer alone. The page's script times; what it timed is kept and told by the jobs.

Its endpoints serve nothing but octets, so they are bounded: one run at a time, begun by a write of the same origin, with a key that
nobody can guess, a budget of octets a direction, few transfers at a time, and an end by the clock.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import time
import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from bandwright.errors import BandwrightError, UserFault
from bandwright.telling.accounts.room import room_document, rooms_table
from bandwright.telling.sentences import error_told
from bandwright.web.shared import Pages
from bandwright.words.room import RoomAnswer, RoomMeasured, RoomPhase

__all__ = ["MOST_BEATS", "MOST_OCTETS", "MOST_PIECE", "MOST_REPORT", "add_room"]

MOST_OCTETS = 60_000_000  # a run, a direction
MOST_PIECE = 2_097_152  # octets of one upload
MOST_REPORT = 131_072  # octets of what the script reports
MOST_BEATS = 600
_MOST_STREAMS = 4
_STREAM_S = 5.0
_RUN_S = 60.0  # a run that has not reported by then is over
_PAUSE_S = 3.0  # between the beginnings of two runs
_BLOCK = 65_536
_MARKED_S = 0.2

_Ms = Annotated[float, Field(ge=0, lt=60_000, allow_inf_nan=False)]
_Octets = Annotated[float, Field(ge=0, le=MOST_OCTETS, allow_inf_nan=False)]
_Times = Annotated[tuple[_Ms, ...], Field(max_length=MOST_BEATS)]
_Points = Annotated[tuple[tuple[_Ms, _Octets], ...], Field(max_length=600)]
_Key = Annotated[str, Query(max_length=64)]


class _Begin(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    room: Annotated[str, Field(min_length=1, max_length=60, pattern=r"\S")]


class _Report(BaseModel):
    model_config = ConfigDict(extra="forbid")
    run: Annotated[str, Field(max_length=64)]
    idle_ms: _Times = ()
    down_ms: _Times = ()
    up_ms: _Times = ()
    down: _Points = ()
    up: _Points = ()
    clock_step_ms: Annotated[float, Field(gt=0, lt=10_000, allow_inf_nan=False)] | None = None
    ended: RoomPhase = ""


@dataclass(slots=True, kw_only=True)
class _Run:
    """The run that is going on. left_*: octets it may still move. reporting: what it timed is being kept."""

    key: str
    room: str
    at: datetime
    began_s: float
    left_down: int = MOST_OCTETS
    left_up: int = MOST_OCTETS
    beats: int = 0
    streams: int = 0
    reporting: bool = False
    marks: dict[str, tuple[float, float]] = field(default_factory=dict)
    busy: float | None = None

    def mark(self, way: str) -> None:
        """Note how much of a core this process has taken since the load of that way began."""
        wall, cpu = time.monotonic(), time.process_time()
        wall0, cpu0 = self.marks.setdefault(way, (wall, cpu))
        if wall - wall0 >= _MARKED_S:
            self.busy = max(self.busy or 0.0, (cpu - cpu0) / (wall - wall0))


class _Runs:
    """At most one run. Only the event loop touches it, so it needs no lock."""

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self._clock_s = clock_s
        self._run: _Run | None = None
        self._last_s: float | None = None

    def begin(self, room: str, at: datetime) -> _Run:
        now = self._clock_s()
        if self._run is not None and now - self._run.began_s < _RUN_S:
            raise _Refused(409, "Another phone is measuring right now. Wait a minute, then try again.")
        if self._last_s is not None and now - self._last_s < _PAUSE_S:
            raise _Refused(429, "The last run has only just begun. Wait a few seconds, then try again.")
        self._last_s = now
        self._run = _Run(key=secrets.token_urlsafe(16), room=room, at=at, began_s=now)
        return self._run

    def find(self, key: str) -> _Run:
        run = self._run
        if run is None or run.reporting or self._clock_s() - run.began_s >= _RUN_S or not secrets.compare_digest(run.key.encode(), key.encode("utf-8", "replace")):
            raise _Refused(404, "That run is over. Load the page again and begin anew.")
        return run

    def end(self, run: _Run) -> None:
        if self._run is run:
            self._run = None


class _Refused(Exception):
    def __init__(self, status: int, why: str) -> None:
        super().__init__(why)
        self.status, self.why = status, why


def add_room(app: FastAPI, pages: Pages, *, clock_s: Callable[[], float] = time.monotonic) -> None:
    """Add the Room page and what its script asks. clock_s: seconds that never step back."""
    runs = _Runs(clock_s)

    @app.exception_handler(_Refused)
    async def refused(_request: Request, error: _Refused) -> Response:
        return JSONResponse({"why": error.why}, status_code=error.status)

    _transfers(app, runs)
    _shown(app, pages)  # after those, since it takes any other name for a key

    @app.post("/room/begin")
    async def begin(request: Request) -> Response:
        try:
            asked = _Begin.model_validate_json(await _body(request, 1_000))
        except ValidationError as error:
            raise _Refused(422, "Give the room a name of 1 to 60 characters first.") from error
        if await asyncio.to_thread(pages.jobs.declared) is None:
            raise _Refused(409, "Nothing is declared yet. Answer the five questions of First use first.")
        run = runs.begin(asked.room.strip(), pages.now())
        return JSONResponse({"run": run.key, "most_octets": MOST_OCTETS, "most_piece": MOST_PIECE})

    @app.post("/room/report")
    async def report(request: Request) -> Response:
        try:
            sent = _Report.model_validate_json(await _body(request, MOST_REPORT))
        except ValidationError as error:
            raise _Refused(422, "What the page reported cannot be used. Load it again and begin anew.") from error
        run = runs.find(sent.run)
        measured = RoomMeasured(
            key=str(uuid.uuid4()), at=run.at, room=run.room, idle_ms=sent.idle_ms, down_ms=sent.down_ms, up_ms=sent.up_ms, down=sent.down, up=sent.up,
            clock_step_ms=sent.clock_step_ms, here=_is_here(request), ended=sent.ended, near_end_busy_ratio=run.busy,
        )  # fmt: skip
        run.reporting = True
        try:
            await asyncio.to_thread(pages.jobs.keep_room, measured)
        except BandwrightError as error:
            run.reporting = False  # the page may report again
            told = error_told(error)
            raise _Refused(422 if isinstance(error, UserFault) else 503, f"{told.happened} {told.todo}") from error
        runs.end(run)
        return JSONResponse({"to": f"/room/{measured.key}"})


def _shown(app: FastAPI, pages: Pages) -> None:
    @app.get("/room")
    def show(request: Request) -> Response:
        if pages.jobs.declared() is None:
            return RedirectResponse("/first", status_code=303)
        kept = pages.jobs.rooms()
        before = pages.blocks((rooms_table(kept[:50], timezone=pages.timezone()),)) if kept else ""
        return pages.render(request, "room.html", title="Room", names=_names(kept), before=before, here=_is_here(request))

    @app.get("/room/{key}")
    def one(request: Request, key: str) -> Response:
        kept = pages.jobs.rooms() if pages.jobs.declared() is not None else ()
        found = next((a for a in kept if a.measured.key == key), None)
        if found is None:
            raise HTTPException(404)
        return pages.document(request, room_document(found, timezone=pages.timezone()), template="room.html", names=_names(kept), before="", here=_is_here(request))


def _transfers(app: FastAPI, runs: _Runs) -> None:
    @app.get("/room/beat", include_in_schema=False)
    async def beat(run: _Key = "") -> Response:
        found = runs.find(run)
        found.beats += 1
        if found.beats > MOST_BEATS:
            raise _Refused(429, "This run has asked often enough.")
        return Response(status_code=204)

    @app.get("/room/octets", include_in_schema=False)
    async def send(run: _Key = "") -> Response:
        found = runs.find(run)
        if found.streams >= _MOST_STREAMS:
            raise _Refused(429, "This run has enough transfers.")
        return StreamingResponse(octets_of(found), media_type="application/octet-stream")

    async def octets_of(run: _Run) -> AsyncIterator[bytes]:
        run.streams += 1
        loop = asyncio.get_running_loop()
        until = loop.time() + _STREAM_S
        try:
            while run.left_down > 0 and loop.time() < until:
                block = os.urandom(min(_BLOCK, run.left_down))
                run.left_down -= len(block)
                run.mark("down")
                yield block
                await asyncio.sleep(0)  # a fast phone must not hold up its own round trips
        finally:
            run.streams -= 1

    @app.post("/room/octets", include_in_schema=False)
    async def take(request: Request, run: _Key = "") -> Response:
        found = runs.find(run)
        taken = 0
        found.mark("up")
        with suppress(ClientDisconnect):  # the script ends its last piece when the time is over
            async for part in request.stream():
                taken += len(part)
                found.left_up -= len(part)
                if taken > MOST_PIECE or found.left_up < 0:
                    raise _Refused(413, "That is more than one run may send.")
        return Response(status_code=204)


async def _body(request: Request, most: int) -> bytes:
    """Return what was sent, reading no more than it may be."""
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > most:
            raise _Refused(413, "That is more than this page ever sends.")
    return bytes(body)


def _is_here(request: Request) -> bool:
    """Whether the browser runs on this computer: it came from the address that it reached, or by the loopback."""
    client = request.client.host if request.client else ""
    server = request.scope.get("server") or ("", 0)
    return client in {"127.0.0.1", "::1"} or (bool(client) and client == server[0])


def _names(kept: tuple[RoomAnswer, ...]) -> list[str]:
    return list(dict.fromkeys(a.measured.room for a in kept))[:30]

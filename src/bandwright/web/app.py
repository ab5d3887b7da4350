"""The application: routes, guards and error pages around the pages. `create_app(jobs)` is all that a caller needs.

Handlers are plain functions where they only read, so that FastAPI runs them in threads and a chart never holds up a stream. What is
costly is kept by what it depends on (campaign and its last event), and made once however many ask.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from importlib import resources
from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI, Form, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware

from bandwright.errors import BandwrightError
from bandwright.telling.accounts.reading import reading_document
from bandwright.web.aiming import add_aim
from bandwright.web.first import add_first_use
from bandwright.web.guard import CodeGate, Headers, SameOrigin
from bandwright.web.kept import add_kept
from bandwright.web.pages import PageJobs
from bandwright.web.place import add_place
from bandwright.web.room import add_room
from bandwright.web.running import add_campaign
from bandwright.web.settings import add_settings
from bandwright.web.shared import Pages

if TYPE_CHECKING:
    from bandwright.jobs.look import LookAnswer

__all__ = ["LOCAL_HOSTS", "create_app"]

LOCAL_HOSTS = ("127.0.0.1", "localhost", "[::1]")
_MOST_TEXT = 1_000_000  # characters of a pasted text


def create_app(jobs: PageJobs, *, hosts: Sequence[str] = LOCAL_HOSTS, code: str | None = None) -> FastAPI:
    """Return the application. hosts: names it answers to, against DNS rebinding. code: asked of every browser where it is served to a network."""
    pages = Pages(jobs)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        await asyncio.to_thread(feed.stop)
        await asyncio.to_thread(aiming.stop)

    app = FastAPI(title="Bandwright", docs_url=None, redoc_url=None, default_response_class=HTMLResponse, lifespan=lifespan)
    add_kept(app, pages)
    add_settings(app, pages)
    _reading(app, pages)
    feed = add_campaign(app, pages)
    add_first_use(app, pages)
    add_place(app, pages)
    add_room(app, pages)
    aiming = add_aim(app, pages)
    app.state.pages, app.state.feed = pages, feed
    _screen(app)
    _errors(app, pages)
    _static(app)
    if code is not None:
        app.add_middleware(CodeGate, code=code, form=lambda problem: pages.html("code.html", title="Code", nav=(), problem=problem))
    app.add_middleware(SameOrigin)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts))
    app.add_middleware(Headers)
    return app


def _reading(app: FastAPI, pages: Pages) -> None:
    def gateways() -> list[str]:
        declared = pages.jobs.declared()
        return [g.key for g in declared.gateways if g.kind != "pasted"] if declared else []

    def explained(request: Request, answer: LookAnswer, typed: str = "") -> Response:
        document = reading_document(answer.capture, answer.readings, main=answer.main, findings=answer.findings, forecasts=answer.forecasts, timezone=pages.timezone())
        return pages.document(request, document, template="reading.html", gateways=gateways(), typed={"text": typed})

    @app.get("/reading")
    def show(request: Request) -> Response:
        return pages.render(request, "reading.html", title="Reading", gateways=gateways())

    @app.post("/reading")
    def explain(request: Request, text: Annotated[str, Form(max_length=_MOST_TEXT)] = "") -> Response:
        if not text.strip():
            errors = {"text": "There is no text here yet. Paste what the gateway answered, or what its own page shows."}
            return pages.render(request, "reading.html", status=422, title="Reading", gateways=gateways(), errors=errors, typed={"text": text})
        return explained(request, pages.jobs.explain(text, at=pages.now()), text)

    @app.post("/reading/take")
    async def take(request: Request, gateway: Annotated[str, Form(max_length=200)]) -> Response:
        answer = await pages.jobs.look(gateway)
        return await asyncio.to_thread(explained, request, answer)


def _screen(app: FastAPI) -> None:
    @app.post("/screen")
    def choose(screen: Annotated[str, Form(pattern="^(device|light|sun|dark)$")], back: Annotated[str, Form(max_length=300)] = "/") -> Response:
        target = back if back.startswith("/") and not back.startswith(("//", "/\\")) and back.isprintable() else "/"
        answer = RedirectResponse(target, status_code=303)
        answer.set_cookie("screen", screen, max_age=31_536_000, httponly=True, samesite="strict")
        return answer


def _errors(app: FastAPI, pages: Pages) -> None:
    @app.exception_handler(BandwrightError)
    async def ours(request: Request, error: BandwrightError) -> Response:
        return pages.failed(request, error)

    @app.exception_handler(HTTPException)
    async def http(request: Request, error: HTTPException) -> Response:
        happened, todo = ("There is no such page here.", "Go to Today, or choose a page above.") if error.status_code == 404 else ("This page cannot be used in that way.", "Go to Today, or choose a page above.")
        return pages.render(request, "error.html", status=error.status_code, title="Not done", happened=happened, means="Nothing was changed.", todo=todo)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        fields = ", ".join(dict.fromkeys(str(e["loc"][-1]) for e in error.errors()))
        return pages.render(request, "error.html", status=422, title="Not done", happened=f"What was sent cannot be used: {fields}.", means="Nothing was changed.", todo="Go back, change it, and send it again.")

    @app.exception_handler(Exception)
    async def unexpected(request: Request, _error: Exception) -> Response:
        return pages.render(request, "error.html", status=500, title="Not done", happened="This program met something it does not know how to handle.", means="Nothing measured is lost: every finished test is on disk.", todo="Load the page again. If it stays, the lines in the terminal help whoever mends it.")


def _static(app: FastAPI) -> None:
    app.mount("/static", StaticFiles(directory=str(resources.files("bandwright.web") / "static")), name="static")

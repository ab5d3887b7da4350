"""The application: routes, guards and error pages around the pages. `create_app(jobs)` is all that a caller needs.

Handlers are plain functions where they only read, so that FastAPI runs them in threads and a chart never holds up a stream. What is
costly is kept by what it depends on (campaign and its last event), and made once however many ask.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any

from fastapi import FastAPI, Form, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware

import bandwright.telling
from bandwright.errors import BandwrightError, DiskFull, OtherEndFault, UserFault
from bandwright.telling.accounts.reading import reading_document
from bandwright.telling.accounts.verdict import verdict_document
from bandwright.telling.document import Document
from bandwright.telling.markup import document_html
from bandwright.telling.sentences import error_told
from bandwright.web.guard import CodeGate, Headers, SameOrigin
from bandwright.web.pages import NAV, PageJobs

__all__ = ["LOCAL_HOSTS", "Pages", "create_app"]

LOCAL_HOSTS = ("127.0.0.1", "localhost", "[::1]", "testserver")
_SCREENS = ("device", "light", "sun", "dark")
_MOST_TEXT = 1_000_000  # characters of a pasted text


class Pages:
    """What every page shares: the jobs, the templates, and answers that were costly to make."""

    def __init__(self, jobs: PageJobs) -> None:
        self.jobs = jobs
        self._env = Environment(loader=PackageLoader("bandwright.web"), autoescape=select_autoescape(), undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
        self._kept: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self._lock = threading.Lock()

    def render(self, request: Request | None, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
        """Return a page."""
        screen = request.cookies.get("screen", "device") if request else "device"
        path = request.url.path if request else "/"
        context = {"screen": screen if screen in _SCREENS else "device", "path": path, "nav": NAV, "title": "Bandwright", "errors": {}, "typed": {}, "body": None, **values}
        return HTMLResponse(self._env.get_template(template).render(context), status_code=status)

    def document(self, request: Request, document: Document, *, template: str = "document.html", **values: Any) -> HTMLResponse:
        """Return a page made of a document."""
        return self.render(request, template, title=document.title, body=document_html(document), **values)

    def kept(self, key: tuple[Any, ...], make: Callable[[], Any]) -> Any:
        """Return what was made for this key, making it once; the oldest of many keys are let go."""
        with self._lock:
            if key not in self._kept:
                self._kept[key] = make()
                while len(self._kept) > 24:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]

    def failed(self, request: Request | None, error: BandwrightError) -> HTMLResponse:
        """Return the page of an error: what happened, what it means, what to do."""
        told = error_told(error)
        status = 507 if isinstance(error, DiskFull) else 409 if isinstance(error, UserFault) else 503 if isinstance(error, OtherEndFault) else 500
        return self.render(request, "error.html", status=status, title="Not done", happened=told.happened, means=told.means, todo=told.todo)


def create_app(jobs: PageJobs, *, hosts: Sequence[str] = LOCAL_HOSTS, code: str | None = None) -> FastAPI:
    """Return the application. hosts: names it answers to, against DNS rebinding. code: asked of every browser where it is served to a network."""
    pages = Pages(jobs)
    app = FastAPI(title="Bandwright", docs_url=None, redoc_url=None, default_response_class=HTMLResponse)
    app.state.pages = pages
    _reading(app, pages)
    _verdict(app, pages)
    _screen(app)
    _errors(app, pages)
    _static(app)
    if code is not None:
        app.add_middleware(CodeGate, code=code, form=lambda problem: bytes(pages.render(None, "code.html", title="Code", nav=(), problem=problem).body).decode())
    app.add_middleware(SameOrigin)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts))
    app.add_middleware(Headers)
    return app


def _reading(app: FastAPI, pages: Pages) -> None:
    def gateways() -> list[str]:
        declared = pages.jobs.declared()
        return [g.key for g in declared.gateways if g.kind != "pasted"] if declared else []

    @app.get("/reading")
    def show(request: Request) -> Response:
        return pages.render(request, "reading.html", title="Reading", gateways=gateways())

    @app.post("/reading")
    def explain(request: Request, text: Annotated[str, Form(max_length=_MOST_TEXT)] = "") -> Response:
        if not text.strip():
            errors = {"text": "There is no text here yet. Paste what the gateway answered, or what its own page shows."}
            return pages.render(request, "reading.html", status=422, title="Reading", gateways=gateways(), errors=errors, typed={"text": text})
        answer = pages.jobs.explain(text, at=pages.jobs.now())
        declared = pages.jobs.declared()
        document = reading_document(
            answer.capture, answer.readings, main=answer.main, findings=answer.findings, forecasts=answer.forecasts, timezone=declared.site.timezone if declared else "UTC"
        )
        return pages.document(request, document, template="reading.html", gateways=gateways(), typed={"text": text})

    @app.post("/reading/take")
    async def take(request: Request, gateway: Annotated[str, Form(max_length=200)]) -> Response:
        answer = await pages.jobs.look(gateway)
        declared = pages.jobs.declared()
        document = reading_document(
            answer.capture, answer.readings, main=answer.main, findings=answer.findings, forecasts=answer.forecasts, timezone=declared.site.timezone if declared else "UTC"
        )
        return pages.document(request, document, template="reading.html", gateways=gateways())


def _verdict(app: FastAPI, pages: Pages) -> None:
    @app.get("/verdict")
    def show(request: Request) -> Response:
        stand = pages.jobs.stand()
        if stand.campaign is None:
            return pages.render(request, "empty.html", title="Verdict", headline="No campaign has been run yet, so there is no verdict.", todo="A campaign compares setups in turn, over hours and days, and says which one serves your needs best.", act="/campaign", act_label="Plan a campaign")

        def make() -> Document | None:
            answer = pages.jobs.judge()
            return None if answer is None else verdict_document(answer.verdict, design=answer.design, events=answer.events, declared=answer.declared)

        document = pages.kept(("verdict", stand.campaign, stand.last_event), make)
        return pages.document(request, document, template="verdict.html")


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
    style = (Path(bandwright.telling.__file__).parent / "style.css").read_bytes()

    @app.get("/static/style.css", include_in_schema=False)
    def sheet() -> Response:
        return Response(style, media_type="text/css", headers={"cache-control": "max-age=3600"})

    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")

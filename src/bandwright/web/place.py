"""The Place page: which way, how clear, how high, and what is missing. Made anew at each call, since the clock and the files count."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.responses import RedirectResponse, Response

from bandwright.telling.accounts.place import place_document
from bandwright.web.shared import Pages

__all__ = ["add_place"]


def add_place(app: FastAPI, pages: Pages) -> None:
    """Add the Place page."""

    @app.get("/place")
    def show(request: Request) -> Response:
        if pages.jobs.declared() is None:
            return RedirectResponse("/first", status_code=303)
        return pages.document(request, place_document(pages.jobs.place()))

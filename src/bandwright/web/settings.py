"""The Settings page: every row of the table of settings with its field; what is sent is written into `site.toml`, all of it or nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response

from bandwright.telling.accounts.settings import settings_headline, settings_kept, settings_told
from bandwright.telling.markup import said_html
from bandwright.web.shared import Pages
from bandwright.words.settings import SETTINGS

__all__ = ["add_settings"]

_MOST_TEXT = 300


def add_settings(app: FastAPI, pages: Pages) -> None:
    """Add the Settings page and what it sends."""

    def page(request: Request, *, typed: Mapping[str, str] | None = None, problems: Mapping[str, str] | None = None, kept: str | None = None) -> Response:
        declared = pages.jobs.declared()
        held = declared.settings if declared else {}
        return pages.render(
            request,
            "settings.html",
            status=422 if problems else 200,
            title="Settings",
            headline=said_html(settings_headline(held)),
            groups=settings_told(held, typed=typed, problems=problems),
            errors=problems or {},
            kept="" if kept is None else settings_kept(kept.split(" ")),
            declared=declared is not None,
        )

    @app.get("/settings")
    def show(request: Request, kept: Annotated[str | None, Query(max_length=1000)] = None) -> Response:
        return page(request, kept=kept)

    @app.post("/settings")
    async def change(request: Request) -> Response:
        sent = await request.form(max_fields=100)
        rows = {row.key for row in SETTINGS}
        typed = {key: value[:_MOST_TEXT] for key, value in sent.items() if key in rows and isinstance(value, str)}
        answer = await asyncio.to_thread(pages.jobs.change_settings, typed)
        if answer.problems:
            return await asyncio.to_thread(page, request, typed=typed, problems=answer.problems)
        return RedirectResponse(f"/settings?kept={'+'.join(answer.changed)}", status_code=303)

"""The Campaign page: before, running and live, and over. The job runs in the shared feed; the page shows where it stands."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response, StreamingResponse

from bandwright.telling.accounts.campaign import campaign_document, card_blocks, plan_document, progress_line
from bandwright.telling.document import Document
from bandwright.telling.markup import head_html, parts_html, said_html
from bandwright.telling.names import Names
from bandwright.telling.numbers import clock, gigabytes
from bandwright.telling.sentences import error_told
from bandwright.web.feeds import CampaignFeed, FeedState
from bandwright.web.shared import Pages
from bandwright.words.declared import Declared

__all__ = ["add_campaign"]

_MOST_TEXT = 1_000_000
_DRAWN_ANEW_S = 300  # the mark of now is at most that old


def add_campaign(app: FastAPI, pages: Pages) -> CampaignFeed:
    """Add the Campaign page and its feed. Returns the feed, to be stopped with the server."""
    feed = CampaignFeed(pages.jobs, lambda state: _region(pages, state), draw=lambda state: _redrawn(pages, state), draws=_shows_more)

    @app.get("/campaign")
    def show(request: Request) -> Response:
        declared = pages.jobs.declared()
        if declared is None:
            return RedirectResponse("/first", status_code=303)
        state = feed.state
        made = _stands(pages, declared, state)
        if made is None:
            return RedirectResponse("/", status_code=303)
        document, act = made
        return pages.document(request, document, template="campaign.html", live=_region(pages, state) if state.running or state.error or state.recent else "", act=act, running=state.running)

    @app.post("/campaign/start")
    def start() -> Response:
        feed.start()
        return RedirectResponse("/campaign", status_code=303)

    @app.post("/campaign/stop")
    def stop() -> Response:
        feed.stop()
        return RedirectResponse("/campaign", status_code=303)

    @app.post("/campaign/answer")
    def answer(said: Annotated[str, Form(max_length=20)] = "done", text: Annotated[str, Form(max_length=_MOST_TEXT)] = "") -> Response:
        feed.answer(text if said == "paste" else said)
        return RedirectResponse("/campaign", status_code=303)

    @app.get("/campaign/feed", include_in_schema=False)
    async def stream(request: Request) -> Response:
        last = request.headers.get("last-event-id", "")
        return StreamingResponse(feed.listen(int(last) if last.isdecimal() else -1), media_type="text/event-stream", headers={"cache-control": "no-store", "x-accel-buffering": "no"})

    return feed


def _stands(pages: Pages, declared: Declared, state: FeedState) -> tuple[Document, str] | None:
    """Return the campaign laid out as it stands, and the words of the button that starts it or goes on; None where it has just gone."""
    stand = pages.jobs.stand()
    if stand.campaign is None:
        able = len(declared.setups) > 1 and bool(declared.needs) and not state.running
        return plan_document(declared), f"Start the campaign, at most {gigabytes(1000 * declared.campaign.allowance.data_gb)}" if able else ""
    now = pages.now()

    def make() -> Document | None:
        answer = pages.judged()
        if answer is None:
            return None
        return campaign_document(declared=answer.declared, design=answer.design, course=answer.course, events=answer.events, verdict=answer.verdict, now=now, running=state.running)

    document = pages.kept(("campaign", stand.campaign, stand.last_event, stand.declared, state.running, int(now.timestamp() // _DRAWN_ANEW_S)), make)
    judged = pages.judged()
    finished = judged is not None and judged.course.finished
    return None if document is None else (document, "" if state.running or finished else "Go on with the campaign")


def _shows_more(state: FeedState) -> bool:
    """Whether more than the live region has changed: a test, a visit or a round is there, or the run began or ended."""
    return not state.running or state.latest is None or state.latest.kind in {"tested", "mounted", "round", "answer"}


def _redrawn(pages: Pages, state: FeedState) -> str:
    """Return the rest of the page as it stands now, to take the place of what is shown."""
    declared = pages.jobs.declared()
    made = None if declared is None else _stands(pages, declared, state)
    if made is None:
        return ""
    document, act = made
    return pages.html("campaign_swap.html", head=head_html(document), body=parts_html(document), act=act, running=state.running)


def _plain_names(pages: Pages) -> Names:
    """Return names as the last finished verdict marked them, without judging anew at every event of a running campaign."""
    stand = pages.jobs.stand()
    return pages.kept(("running names", stand.campaign or ""), pages.names)


def _region(pages: Pages, state: FeedState) -> str:
    """Return the live region of the page: what is being asked now, what a person must do, and the last results."""
    names = pages.names() if not state.running else _plain_names(pages)
    lines = [(clock(e.at, names.timezone), said_html(progress_line(e, names))) for e in state.recent if e.kind in {"tested", "mounted", "round", "note"}]
    return pages.html(
        "live.html",
        running=state.running,
        now=said_html(progress_line(state.latest, names)) if state.latest else "",
        spoken=str(progress_line(state.latest, names)) if state.latest and state.spoken else "",
        recent=list(reversed(lines)),
        card=pages.blocks(card_blocks(state.question, names)) if state.question else "",
        paste=state.question is not None and state.question.kind == "paste",
        told=error_told(state.error) if state.error else None,
    )

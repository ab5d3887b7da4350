"""The Aim page, for a phone held in one hand on a ladder: cautions first, then one figure, what to do next, and two large buttons.

The search runs in a feed of its own and is a fold over kept captures, so leaving, losing the link or undoing costs nothing that was read.
Nothing here needs a secure context: no compass, no position and no lock of the browser's; plain posts work where streams do not.
"""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response, StreamingResponse

from bandwright.telling.accounts.aim import aim_plan, aim_told, sun_document
from bandwright.telling.cautions import cautions_by_key
from bandwright.telling.document import Block, Caution, Fold
from bandwright.telling.markup import said_html
from bandwright.telling.sentences import error_told
from bandwright.web.feeds import Feed, State
from bandwright.web.pages import Nav
from bandwright.web.shared import Pages

if TYPE_CHECKING:
    from bandwright.jobs.aim import AimProgress, AimState
    from bandwright.ports import Person

__all__ = ["AimFeed", "add_aim"]

_KEYS = ("ladder", "roof", "mast", "power line", "lightning", "rf distance", "wind")
_LEAVE = (Nav("/place", "Place"), Nav("/", "Leave aiming"))


class AimFeed:
    """The search that is being made: which rig over which arc, its stream, and where it stands."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages
        self.rig = ""
        self.from_deg, self.arc_deg = 0.0, 360.0
        self.cautioned_at = ""
        self.feed: Feed[AimProgress] = Feed(self, self.region)
        self._stand: AimState | None = None
        self._lock = threading.Lock()

    def run(self, person: Person) -> AsyncIterator[AimProgress]:
        """Run the search. This is the feed's job."""
        return self._pages.jobs.aim(person, self.rig, from_deg=self.from_deg, arc_deg=self.arc_deg)

    def begin(self, rig: str, from_deg: float, arc_deg: float) -> None:
        """Begin the search of a rig, or go on with it. Raises UsageError, RangeError where it cannot be turned."""
        if self.feed.state.running and rig != self.rig:
            self.feed.stop()
        self._pages.jobs.aim_state(rig, from_deg=from_deg, arc_deg=arc_deg)
        self.rig, self.from_deg, self.arc_deg, self._stand = rig, from_deg, arc_deg, None
        self.feed.start()

    def mark(self) -> None:
        """Say that the panel stands at the heading; go on where the search was interrupted."""
        if not self.feed.answer("done") and not self.feed.state.running:
            self.feed.start()

    def undo(self) -> None:
        """Take back what is being held, or the last heading."""
        state = self.feed.state
        if self.feed.answer("undo"):
            return
        holding = state.running and state.latest is not None and state.latest.kind == "hold"
        if state.running:
            self.feed.stop()
        if not holding or (state.latest is not None and state.latest.taken > 0):
            self._pages.jobs.undo_heading(self.rig)
        self._stand = None
        self.feed.start()

    def stand(self, *, fresh: bool = False) -> AimState:
        """Return where the search stands: read again after each heading, not each second."""
        with self._lock:
            if fresh or self._stand is None:
                self._stand = self._pages.jobs.aim_state(self.rig, from_deg=self.from_deg, arc_deg=self.arc_deg)
            return self._stand

    def region(self, state: State[AimProgress]) -> str:
        """Return the live part of the page as the stream sends it, with the plan and what is spoken where they changed."""
        return self.live(state, streamed=True)

    def live(self, state: State[AimProgress], *, streamed: bool = False) -> str:
        """Return the live part of the page."""
        latest = state.latest
        holding = state.running and state.question is None and latest is not None and latest.kind == "hold"
        stand = self.stand(fresh=not holding)
        hold = latest if holding else None
        heard = hold if hold is not None and hold.value_db is not None else stand.last
        told = aim_told(heard, stand.step, quantity=stand.quantity, compass_deg=stand.compass_deg, hold=hold, fits=stand.fits, timezone=self._pages.timezone(), declination_deg=stand.declination.declination_deg if stand.declination else None)
        return self._pages.html(
            "aim_live.html",
            aim=told,
            label=said_html(told.label),
            orders=[said_html(o) for o in told.orders],
            told=None if state.error is None else error_told(state.error),
            plan=self.plan() if streamed and not holding else "",
            spoken=told.spoken if streamed and state.spoken else "",
        )

    def plan(self) -> str:
        """Return the plan of marked headings."""
        stand = self.stand()
        blocks: tuple[Block, ...] = aim_plan(stand.marks, stand.fits, stand.curve, stand.step, quantity=stand.quantity)
        return self._pages.blocks(blocks)


def add_aim(app: FastAPI, pages: Pages) -> Feed[AimProgress]:
    """Add the Aim page and its feed. Returns the feed, to be stopped with the server."""
    aiming = AimFeed(pages)
    caution = Caution(title="First the cautions", items=cautions_by_key(_KEYS))

    @app.get("/aim")
    def show(request: Request) -> Response:
        if pages.jobs.declared() is None:
            return RedirectResponse("/first", status_code=303)
        if not aiming.rig:
            rigs = [(r.key, r.label or r.key, r.antenna.beamwidth_deg) for r in pages.jobs.rigs_to_aim()]
            return pages.render(request, "aim_first.html", title="Aim", rigs=rigs, cautions=pages.blocks((caution,)))
        state = aiming.feed.state
        stand = aiming.stand(fresh=not state.running)
        return pages.render(
            request,
            "aim.html",
            title="Aim",
            nav=_LEAVE,
            live=aiming.live(state),
            plan=aiming.plan(),
            running=state.running,
            finished=stand.step.kind == "finish",
            marked=bool(stand.marks),
            cautions=pages.blocks((Fold(title=f"Cautions, read at {aiming.cautioned_at}", blocks=(caution,)),)),
        )

    @app.post("/aim/start")
    def start(rig: Annotated[str, Form(max_length=60)], from_deg: Annotated[float, Form(ge=0, lt=360)] = 0.0, arc_deg: Annotated[float, Form(gt=0, le=360)] = 360.0) -> Response:
        aiming.begin(rig, from_deg, arc_deg)
        aiming.cautioned_at = f"{pages.now().astimezone(ZoneInfo(pages.timezone())):%H:%M}"
        return RedirectResponse("/aim", status_code=303)

    @app.post("/aim/mark")
    def mark() -> Response:
        if aiming.rig:
            aiming.mark()
        return RedirectResponse("/aim", status_code=303)

    @app.post("/aim/undo")
    def undo() -> Response:
        if aiming.rig:
            aiming.undo()
        return RedirectResponse("/aim", status_code=303)

    @app.post("/aim/stop")
    def stop() -> Response:
        aiming.feed.stop()
        aiming.rig = ""
        return RedirectResponse("/aim", status_code=303)

    @app.get("/aim/feed", include_in_schema=False)
    async def stream(request: Request) -> Response:
        last = request.headers.get("last-event-id", "")
        return StreamingResponse(aiming.feed.listen(int(last) if last.isdecimal() else -1), media_type="text/event-stream", headers={"cache-control": "no-store", "x-accel-buffering": "no"})

    @app.get("/aim/sun")
    def sun(request: Request) -> Response:
        if pages.jobs.declared() is None:
            return RedirectResponse("/first", status_code=303)
        stand = aiming.stand() if aiming.rig else None
        headings = [] if stand is None else [h for h in (stand.step.heading_deg, stand.fits[0].heading.value % 360.0 if stand.fits and stand.fits[0].heading else None) if h is not None]
        return pages.document(request, sun_document(pages.jobs.sun(), timezone=pages.timezone(), headings=headings, compass=stand.declination if stand else None))

    return aiming.feed

"""What every page shares: the jobs, the templates, and answers that were costly to make."""

from __future__ import annotations

import base64
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from datetime import datetime
from importlib import resources
from typing import TYPE_CHECKING, Any, TypeVar

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from bandwright.errors import BandwrightError, DiskFull, OtherEndFault, UserFault
from bandwright.telling.document import Block, Document
from bandwright.telling.markup import block_html, head_html, parts_html
from bandwright.telling.names import Names, names_of
from bandwright.telling.paper import packed_style
from bandwright.telling.sentences import error_told
from bandwright.web.pages import NAV, PageJobs

if TYPE_CHECKING:
    from bandwright.jobs.judge import JudgeAnswer

__all__ = ["SCREENS", "Pages"]

SCREENS = ("device", "light", "sun", "dark")
_MOST_KEPT = 24
_T = TypeVar("_T")


class _Place:
    """One kept answer, with the lock under which it is made."""

    __slots__ = ("lock", "made", "value")

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.made = False
        self.value: Any = None


def _icon() -> str:
    """Return the mark of a page's tab as an address that holds it, so that it needs no request."""
    svg = (resources.files("bandwright.web") / "static" / "mark.svg").read_bytes()
    return "data:image/svg+xml;base64," + base64.b64encode(svg.strip()).decode()


class Pages:
    """The jobs, the templates, and what is kept by what it depends on."""

    def __init__(self, jobs: PageJobs) -> None:
        self.jobs = jobs
        self._env = Environment(loader=PackageLoader("bandwright.web"), autoescape=select_autoescape(), undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
        self._style, self._icon = packed_style(), _icon()
        self._kept: OrderedDict[tuple[Hashable, ...], _Place] = OrderedDict()
        self._lock = threading.Lock()

    def html(self, template: str, **values: Any) -> str:
        """Return a template filled in: a whole page, or a piece of one."""
        return self._env.get_template(template).render({"style": self._style, "icon": self._icon, "screen": "device", "path": "/", "nav": NAV, "title": "Bandwright", "errors": {}, "typed": {}, "head": "", "body": None, **values})

    def render(self, request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
        """Return a page."""
        screen = request.cookies.get("screen", "device")
        return HTMLResponse(self.html(template, screen=screen if screen in SCREENS else "device", path=request.url.path, **values), status_code=status)

    def document(self, request: Request, document: Document, *, template: str = "document.html", status: int = 200, **values: Any) -> HTMLResponse:
        """Return a page made of a document."""
        return self.render(request, template, status=status, title=document.title, head=head_html(document), body=parts_html(document), **values)

    @staticmethod
    def blocks(blocks: tuple[Block, ...]) -> str:
        """Return blocks as HTML, to stand in a template."""
        return "".join(block_html(b) for b in blocks)

    def kept(self, key: tuple[Hashable, ...], make: Callable[[], _T]) -> _T:
        """Return what was made for this key, making it once however many ask; of many keys the oldest are let go."""
        with self._lock:
            place = self._kept.setdefault(key, _Place())
            self._kept.move_to_end(key)
            while len(self._kept) > _MOST_KEPT:
                self._kept.popitem(last=False)
        with place.lock:
            if not place.made:
                place.value, place.made = make(), True
            found: _T = place.value
            return found

    def judged(self) -> JudgeAnswer | None:
        """Return the latest campaign and its verdict, made once for each new event; None where there is none."""
        stand = self.jobs.stand()
        return None if stand.campaign is None else self.kept(("judged", stand.campaign, stand.last_event, stand.declared), self.jobs.judge)

    def names(self) -> Names:
        """Return the one name and mark of each setup, as every page shows them."""
        declared, answer = self.jobs.declared(), self.judged()
        return names_of(declared, setups=answer.design.setups if answer else (), needs=answer.design.needs if answer else (), verdict=answer.verdict if answer else None)

    def failed(self, request: Request, error: BandwrightError) -> HTMLResponse:
        """Return the page of an error: what happened, what it means, what to do."""
        told = error_told(error)
        status = 507 if isinstance(error, DiskFull) else 409 if isinstance(error, UserFault) else 503 if isinstance(error, OtherEndFault) else 500
        return self.render(request, "error.html", status=status, title="Not done", happened=told.happened, means=told.means, todo=told.todo)

    def timezone(self) -> str:
        """Return the site's time zone, or UTC where nothing is declared."""
        declared = self.jobs.declared()
        return declared.site.timezone if declared else "UTC"

    def now(self) -> datetime:
        """Return the time, UTC."""
        return self.jobs.now()

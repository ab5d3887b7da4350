"""A running campaign, shared by all who look: run once, told once for each event, fanned out to every open page.

What takes longer than a sentence, a chart and its table, is drawn anew after it in a thread of its own, the newest state only, and fanned
out the same way; so a sentence never waits for a picture.

The campaign runs in a thread with an event loop of its own, so that its arithmetic never holds up a page. What it asks of a person is
shown on the page as a card and waits there for an answer. Stopping keeps every finished test; the same button goes on later.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace
from typing import Any, Generic, Protocol, TypeVar

from bandwright.errors import BandwrightError
from bandwright.ports import Person, Question
from bandwright.words.progress import CampaignProgress

__all__ = ["CampaignFeed", "Feed", "FeedState", "Runs", "State", "event_text"]

_SPOKEN_EVERY_S = 30.0
_HEARTBEAT_S = 15.0


E = TypeVar("E")
E_co = TypeVar("E_co", covariant=True)


class Runs(Protocol[E_co]):
    """A long job: a stream of events that may ask a person."""

    def run(self, person: Person) -> AsyncIterator[E_co]:
        """Run from where it stands; closing the stream keeps everything finished."""
        ...


@dataclass(frozen=True, kw_only=True)
class State(Generic[E]):
    """What a page shows of a running job. recent: newest last."""

    running: bool = False
    latest: E | None = None
    recent: tuple[E, ...] = ()
    question: Question | None = None
    error: BandwrightError | None = None
    number: int = 0
    spoken: bool = False  # this one is also read out


class Feed(Generic[E]):
    """Runs at most one job of a kind. tell: from a state to the HTML of its region, called once for each event.

    draw: from a state to the HTML of what else has changed, or "", called in a thread of its own for the newest state at which `draws` says so.
    """

    def __init__(self, jobs: Runs[E], tell: Callable[[State[E]], str], *, draw: Callable[[State[E]], str] | None = None, draws: Callable[[State[E]], bool] = lambda _: True) -> None:
        self._jobs, self._tell, self._draw, self._draws = jobs, tell, draw, draws
        self._lock = threading.Lock()
        self._to_draw: State[E] | None = None
        self._drawer: threading.Thread | None = None
        self._drawn = ""
        self._state: State[E] = State()
        self._recent: deque[E] = deque(maxlen=8)
        self._text = ""
        self._listeners: dict[asyncio.Queue[tuple[str, int, str]], asyncio.AbstractEventLoop] = {}
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._answer: asyncio.Future[str] | None = None
        self._last_spoken_s = -_SPOKEN_EVERY_S

    @property
    def state(self) -> State[E]:
        """Where the job stands now."""
        return self._state

    def start(self) -> None:
        """Start, or go on; nothing happens where one is running."""
        with self._lock:
            if self._thread is not None and self._thread.is_alive():
                return
            self._recent.clear()
            self._drawn = ""
            self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), name="campaign", daemon=True)
            self._state = State(running=True, number=self._state.number + 1, spoken=True)
            self._text = self._tell(self._state)
            self._thread.start()

    def stop(self, *, wait_s: float = 20.0) -> None:
        """Stop after what is being done now; every finished test is kept."""
        loop, task, thread = self._loop, self._task, self._thread
        if thread is None or not thread.is_alive():
            return
        if loop is not None and task is not None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(task.cancel)
        thread.join(wait_s)

    async def ask(self, question: Question) -> str:
        """Ask whoever has the page open, and wait. This is the `Person` port."""
        self._answer = asyncio.get_running_loop().create_future()
        self._publish(question=question)
        try:
            return await self._answer
        finally:
            self._answer = None
            self._publish(question=None)

    def answer(self, text: str) -> bool:
        """Give the answer to what is being asked. Returns whether anything was."""
        loop, waiting = self._loop, self._answer
        if loop is None or waiting is None:
            return False

        def settle() -> None:
            if not waiting.done():
                waiting.set_result(text)

        loop.call_soon_threadsafe(settle)
        return True

    async def listen(self, last_number: int = -1) -> AsyncIterator[str]:
        """Yield server-sent events: first the state now where it is not known yet, then one for each change; comments keep the line open."""
        queue: asyncio.Queue[tuple[str, int, str]] = asyncio.Queue()
        with self._lock:
            self._listeners[queue] = asyncio.get_running_loop()
            number, now, drawn = self._state.number, self._text, self._drawn
        try:
            for text in (now, drawn) if number != last_number else ():
                if text:
                    yield event_text(number, text)
            while True:
                try:
                    kind, number, text = await asyncio.wait_for(queue.get(), _HEARTBEAT_S)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                newest = {kind: (number, text)}
                while not queue.empty():  # a slow page needs only the newest of what is told, and of what is drawn
                    kind, number, text = queue.get_nowait()
                    newest[kind] = (number, text)
                for number, text in newest.values():
                    yield event_text(number, text)
        finally:
            with self._lock:
                self._listeners.pop(queue, None)

    async def _run(self) -> None:
        self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
        error: BandwrightError | None = None
        stream = self._jobs.run(self)
        try:
            async for event in stream:
                self._recent.append(event)
                self._publish(latest=event)
        except BandwrightError as caught:
            error = caught
        except asyncio.CancelledError:
            pass
        finally:
            close = getattr(stream, "aclose", None)
            if close is not None:
                with contextlib.suppress(BandwrightError):
                    await close()
            self._publish(running=False, error=error, question=None)

    def _publish(self, **changes: Any) -> None:
        """Tell the new state once, and send it to all who listen. Called in the campaign's own thread only."""
        due = time.monotonic() - self._last_spoken_s >= _SPOKEN_EVERY_S or "question" in changes or "running" in changes
        if due:
            self._last_spoken_s = time.monotonic()
        state = replace(self._state, recent=tuple(self._recent), number=self._state.number + 1, spoken=due, **changes)
        text = self._tell(state)
        with self._lock:
            self._state, self._text = state, text
            self._send("told", state.number, text)
        if self._draw is not None and self._draws(state):
            self._have_drawn(state)

    def _send(self, kind: str, number: int, text: str) -> None:
        for queue, loop in self._listeners.items():
            with contextlib.suppress(RuntimeError):  # that page's loop is closed
                loop.call_soon_threadsafe(queue.put_nowait, (kind, number, text))

    def _have_drawn(self, state: State[E]) -> None:
        """Leave the state to the drawer; one that still draws an older state takes this one next."""
        with self._lock:
            self._to_draw = state
            if self._drawer is None:
                self._drawer = threading.Thread(target=self._draw_newest, name="drawer", daemon=True)
                self._drawer.start()

    def _draw_newest(self) -> None:
        while True:
            with self._lock:
                state, self._to_draw = self._to_draw, None
                if state is None:
                    self._drawer = None
                    return
            try:
                text = self._draw(state) if self._draw is not None else ""
            except BandwrightError:
                continue  # the records say it again at the next event, and the page itself when it is loaded
            if text:
                with self._lock:
                    self._drawn = text
                    self._send("drawn", state.number, text)


FeedState = State[CampaignProgress]
CampaignFeed = Feed[CampaignProgress]


def event_text(number: int, text: str) -> str:
    """Return one server-sent event: its number, so that a page that comes back says what it has, and its text line by line."""
    return f"id: {number}\n" + "".join(f"data: {line}\n" for line in text.splitlines()) + "\n"

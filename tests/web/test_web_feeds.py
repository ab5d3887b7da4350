"""A running campaign: told once, fanned out, stopped without loss, and a person's answer brought back."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.errors import GatewayUnreachable
from bandwright.web.app import create_app
from bandwright.web.feeds import CampaignFeed, event_text


async def until(condition: Callable[[], bool]) -> None:
    """Give way to the campaign's own thread until it has come so far."""
    async with asyncio.timeout(10):
        for _ in iter(condition, True):
            await asyncio.sleep(0)


def feed_of(jobs: Any, told: list[Any] | None = None) -> CampaignFeed:
    def tell(state: Any) -> str:
        if told is not None:
            told.append(state)
        return f"{'running' if state.running else 'stopped'} {state.latest.kind if state.latest else '-'} {'asked' if state.question else ''}"

    return CampaignFeed(jobs, tell)


def test_an_event_is_written_line_by_line_with_its_number() -> None:
    assert event_text(7, "<p>a</p>\n<p>b</p>") == "id: 7\ndata: <p>a</p>\ndata: <p>b</p>\n\n"


async def test_ten_viewers_get_every_new_state_and_each_is_told_once(jobs: Callable[..., Any]) -> None:
    told: list[Any] = []
    gate = threading.Semaphore(0)
    feed = feed_of(jobs(asks=False, steps=gate), told)
    await asyncio.to_thread(feed.start)
    streams = [feed.listen() for _ in range(10)]
    firsts = [await anext(s) for s in streams]
    assert all("running" in f for f in firsts)
    before = len(told)
    gate.release()
    await until(lambda: feed.state.latest is not None and feed.state.latest.kind == "tested")
    for s in streams:
        async with asyncio.timeout(10):
            while "tested" not in await anext(s):  # one that lags may get the newest only
                pass
    assert len(told) - before == 2  # measuring and tested, told once each for all ten
    gate.release(2)
    await until(lambda: not feed.state.running)
    for s in streams:
        await s.aclose()
    assert feed.state.latest is not None
    assert feed.state.latest.kind == "answer"


async def test_a_page_that_comes_back_is_not_told_what_it_has(jobs: Callable[..., Any]) -> None:
    feed = feed_of(jobs(asks=False))
    await asyncio.to_thread(feed.start)
    await until(lambda: not feed.state.running)
    stream = feed.listen(feed.state.number - 1)
    assert f"id: {feed.state.number}\n" in await anext(stream)
    await stream.aclose()
    again = feed.listen(feed.state.number)
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(anext(again), 0.05)


async def test_what_is_drawn_follows_what_is_told_and_only_the_newest_is_drawn(jobs: Callable[..., Any]) -> None:
    drawing, allowed = threading.Event(), threading.Semaphore(0)
    drawn: list[Any] = []

    def draw(state: Any) -> str:
        drawing.set()
        allowed.acquire(timeout=10)
        drawn.append(state)
        return f"picture at {state.number}"

    gate = threading.Semaphore(0)
    feed = CampaignFeed(jobs(asks=False, steps=gate), lambda state: f"told {state.number}", draw=draw, draws=lambda s: not s.running or s.latest.kind == "tested")
    await asyncio.to_thread(feed.start)
    stream = feed.listen()
    assert "told" in await anext(stream)
    gate.release(1)
    await asyncio.to_thread(drawing.wait, 10)
    gate.release(2)
    await until(lambda: not feed.state.running)  # what is told never waits for the picture
    allowed.release(10)
    async with asyncio.timeout(10):
        while f"picture at {feed.state.number}" not in await anext(stream):
            pass
    await stream.aclose()
    assert len(drawn) == 2, "the first, and then the newest; what came between is not drawn"
    later = feed.listen()
    assert "told" in await anext(later)
    assert f"picture at {feed.state.number}" in await anext(later), "whoever comes later has the picture too"
    await later.aclose()


async def test_a_picture_that_cannot_be_drawn_leaves_the_campaign_alone(jobs: Callable[..., Any]) -> None:
    def draw(_state: Any) -> str:
        raise GatewayUnreachable("no answer")

    feed = CampaignFeed(jobs(asks=False), lambda state: f"told {state.number}", draw=draw)
    await asyncio.to_thread(feed.start)
    await until(lambda: not feed.state.running)
    assert feed.state.error is None
    assert feed.state.latest is not None
    assert feed.state.latest.kind == "answer"


async def test_what_is_asked_waits_for_its_answer(jobs: Callable[..., Any]) -> None:
    feed = feed_of(jobs())
    assert feed.answer("done") is False  # nothing was asked
    await asyncio.to_thread(feed.start)
    await until(lambda: feed.state.question is not None)
    assert feed.state.question is not None
    assert feed.state.question.rig == "gable"
    assert feed.answer("done") is True
    await until(lambda: not feed.state.running)
    assert any("answered done" in e.text for e in feed.state.recent)


async def test_stopping_while_something_is_asked_ends_the_run(jobs: Callable[..., Any]) -> None:
    feed = feed_of(jobs())
    await asyncio.to_thread(feed.start)
    await until(lambda: feed.state.question is not None)
    await asyncio.to_thread(feed.stop)
    assert feed.state.running is False
    assert feed.state.question is None
    await asyncio.to_thread(feed.start)  # and goes on
    await until(lambda: feed.state.question is not None)
    await asyncio.to_thread(feed.stop)


async def test_an_error_is_kept_for_the_page(jobs: Callable[..., Any]) -> None:
    feed = feed_of(jobs(raises=GatewayUnreachable("own gateway does not answer")))
    await asyncio.to_thread(feed.start)
    await until(lambda: not feed.state.running)
    assert isinstance(feed.state.error, GatewayUnreachable)


async def test_starting_twice_runs_one(jobs: Callable[..., Any]) -> None:
    made = jobs()
    feed = feed_of(made)
    await asyncio.to_thread(feed.start)
    await until(lambda: feed.state.question is not None)
    number = feed.state.number
    await asyncio.to_thread(feed.start)
    assert feed.state.number == number
    await asyncio.to_thread(feed.stop)


def test_the_campaign_page_before_running_and_stopped(jobs: Callable[..., Any]) -> None:
    made = jobs(stage="running")
    app = create_app(made)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        html = client.get("/campaign").text
        assert "too early to choose" in html
        assert "Go on with the campaign" in html
        assert "htmx" not in html
        html = client.post("/campaign/start").text
        deadline = 2000
        while app.state.feed.state.question is None and deadline:
            threading.Event().wait(0.005)
            deadline -= 1
        html = client.get("/campaign").text
        card = html[html.index('class="card"') :]
        assert card.index("First the cautions") < card.index("Heading 212° true")
        assert 'hx-sse:connect="/campaign/feed"' in html
        assert "Stop, keep what is finished" in html
        html = client.post("/campaign/stop").text
        assert "Go on with the campaign" in html


def test_an_error_of_the_run_is_told_on_the_page(jobs: Callable[..., Any]) -> None:
    made = jobs(stage="running")
    app = create_app(made)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        client.get("/campaign")
        made.raises = GatewayUnreachable("own gateway does not answer", todo="Plug it in.")
        app.state.feed.start()
        app.state.feed._thread.join(10)
        made.raises = None
        html = client.get("/campaign").text
        assert "Own gateway does not answer." in html
        assert "Plug it in." in html

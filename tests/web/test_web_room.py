"""The Room page: its endpoints are bounded and open to code holders only, what the phone timed is kept, and a real browser runs it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from bandwright.errors import BandwrightError, StoreError
from bandwright.web.app import create_app
from bandwright.web.room import MOST_BEATS, MOST_OCTETS, MOST_PIECE, MOST_REPORT, add_room
from bandwright.web.shared import Pages

CODE = "48151623"
IDLE = [40.0, *[3.0 + 0.1 * (k % 7) for k in range(20)]]


def load(mbps: float) -> list[list[float]]:
    return [[25.0 * k, 125.0 * mbps * 25 * k] for k in range(121)]


class Steps:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def steps() -> Steps:
    return Steps()


@pytest.fixture
def phone(jobs: Callable[..., Any], steps: Steps) -> Iterator[TestClient]:
    app = FastAPI()
    add_room(app, Pages(jobs()), clock_s=steps)
    with TestClient(app, follow_redirects=False, base_url="http://127.0.0.1") as client:
        yield client


def begin(phone: TestClient, room: str = "kitchen") -> str:
    answer = phone.post("/room/begin", json={"room": room})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    return str(answer.json()["run"])


def test_a_run_is_kept_and_told(phone: TestClient, steps: Steps) -> None:
    assert "Measured so far" not in phone.get("/room").text
    run = begin(phone, " Back <room> ")
    assert phone.get("/room/beat", params={"run": run}).status_code == 204
    sent = {"run": run, "idle_ms": IDLE, "down_ms": [9.0] * 20, "up_ms": [8.0] * 20, "down": load(120), "up": load(90), "clock_step_ms": 0.1}
    to = phone.post("/room/report", json=sent).json()["to"]
    page = phone.get(to).text
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page)).replace("\u00a0", " ")
    assert "Back &lt;room&gt;: what the room carries is measured" in text
    assert "120 Mbit/s" in text
    assert page.index("what the room carries") < page.index("<table")
    steps.now += 5
    listed = phone.get("/room").text
    assert f'href="{to}"' in listed
    assert '<option value="Back &lt;room&gt;">' in listed
    assert phone.post("/room/report", json=sent).status_code == 404, "a run reports once"


def test_what_a_phone_timed_before_it_was_lost_is_kept(phone: TestClient) -> None:
    to = phone.post("/room/report", json={"run": begin(phone), "idle_ms": IDLE, "ended": "down"}).json()["to"]
    assert "the phone lost this computer" in phone.get(to).text


def test_one_run_at_a_time_and_not_in_quick_succession(phone: TestClient, steps: Steps) -> None:
    run = begin(phone)
    steps.now += 10
    refused = phone.post("/room/begin", json={"room": "attic"})
    assert refused.status_code == 409
    assert "Another phone" in refused.json()["why"]
    assert phone.post("/room/report", json={"run": run}).status_code == 200
    first = begin(phone, "attic")
    assert phone.post("/room/report", json={"run": first}).status_code == 200
    assert phone.post("/room/begin", json={"room": "attic"}).status_code == 429
    steps.now += 3
    begin(phone, "attic")


def test_a_run_that_never_reports_ends_by_the_clock(phone: TestClient, steps: Steps) -> None:
    run = begin(phone)
    steps.now += 59.9
    assert phone.get("/room/beat", params={"run": run}).status_code == 204
    steps.now += 0.2
    for answer in (phone.get("/room/beat", params={"run": run}), phone.get("/room/octets", params={"run": run}), phone.post("/room/octets", params={"run": run}, content=b"x"), phone.post("/room/report", json={"run": run})):
        assert answer.status_code == 404
    assert begin(phone) != run


@pytest.mark.parametrize("run", ["", "x", "é" * 20])
def test_without_a_run_no_octet_is_served(phone: TestClient, run: str) -> None:
    begin(phone)
    for answer in (phone.get("/room/octets", params={"run": run}), phone.get("/room/beat", params={"run": run}), phone.post("/room/octets", params={"run": run}, content=b"x")):
        assert answer.status_code == 404
        assert len(answer.content) < 200


def test_a_run_sends_its_octets_and_no_more(phone: TestClient) -> None:
    run = begin(phone)
    answer = phone.get("/room/octets", params={"run": run})
    assert 0 < len(answer.content) <= MOST_OCTETS
    sent = len(answer.content)
    for _ in range(40):
        sent += (more := len(phone.get("/room/octets", params={"run": run}).content))
        if not more:
            break
    assert sent == MOST_OCTETS
    assert len(set(answer.content[:4096])) > 200, "random octets: nothing on the way can squeeze them"


def test_a_run_takes_its_octets_and_no_more(phone: TestClient) -> None:
    run = begin(phone)
    assert phone.post("/room/octets", params={"run": run}, content=bytes(MOST_PIECE + 1)).status_code == 413
    taken, answer = MOST_PIECE + 1, 204
    while answer == 204:
        answer = phone.post("/room/octets", params={"run": run}, content=bytes(MOST_PIECE)).status_code
        taken += MOST_PIECE
    assert answer == 413
    assert MOST_OCTETS < taken <= MOST_OCTETS + MOST_PIECE


def test_a_run_is_asked_so_often_and_no_more(phone: TestClient) -> None:
    run = begin(phone)
    found = [phone.get("/room/beat", params={"run": run}).status_code for _ in range(MOST_BEATS + 1)]
    assert found == [204] * MOST_BEATS + [429]


@pytest.mark.parametrize(
    "wrong",
    [{"idle_ms": [1.0] * (MOST_BEATS + 1)}, {"idle_ms": [-1]}, {"idle_ms": ["x"]}, {"down": [[0, MOST_OCTETS + 1]]}, {"down": [[5, 0], [5, 1]]}, {"up": [[0, 5], [1, 4]]}, {"ended": "never"}, {"clock_step_ms": 0}, {"more": 1}],
)
def test_a_report_that_cannot_be_is_refused_and_the_run_may_report_again(phone: TestClient, wrong: dict[str, Any]) -> None:
    run = begin(phone)
    answer = phone.post("/room/report", json={"run": run, **wrong})
    assert answer.status_code == 422
    assert answer.json()["why"]
    assert phone.post("/room/report", json={"run": run, "idle_ms": IDLE}).status_code == 200


@pytest.mark.parametrize("body", [b"", b"[", b"{}", b'{"run": NaN}', b"\xff", b" " * (MOST_REPORT + 1)])
def test_any_body_gets_an_answer(phone: TestClient, body: bytes) -> None:
    assert phone.post("/room/report", content=body).status_code == (413 if len(body) > MOST_REPORT else 422)
    assert phone.post("/room/begin", content=body).status_code in {413, 422}


@pytest.mark.parametrize("room", ["", "   ", "x" * 61, 5, None])
def test_a_room_without_a_name_begins_nothing(phone: TestClient, room: object) -> None:
    assert phone.post("/room/begin", json={"room": room}).status_code == 422
    begin(phone)


def test_a_full_disk_is_said_and_the_report_may_be_sent_again(jobs: Callable[..., Any], steps: Steps) -> None:
    made = jobs()
    keep, failing = made.keep_room, [True]

    def keep_room(measured: Any) -> Any:
        if failing:
            error: BandwrightError = StoreError("the records cannot be used")
            raise error
        return keep(measured)

    made.keep_room = keep_room
    app = FastAPI()
    add_room(app, Pages(made), clock_s=steps)
    with TestClient(app) as phone:
        sent = {"run": begin(phone), "idle_ms": IDLE}
        assert phone.post("/room/report", json=sent).status_code == 503
        failing.clear()
        assert phone.post("/room/report", json=sent).status_code == 200


def test_before_anything_is_declared_first_use_comes_first(jobs: Callable[..., Any], steps: Steps) -> None:
    with TestClient(create_app(jobs(stage="undeclared")), follow_redirects=False, base_url="http://127.0.0.1") as client:
        assert client.get("/room").headers["location"] == "/first"
        assert client.post("/room/begin", json={"room": "x"}).status_code == 409
        assert client.get("/room/nothing").status_code == 404


@pytest.mark.parametrize(("method", "path"), [("GET", "/room"), ("GET", "/room/octets"), ("GET", "/room/beat"), ("POST", "/room/begin"), ("POST", "/room/octets"), ("POST", "/room/report"), ("GET", "/static/room.js")])
def test_served_to_a_network_only_holders_of_the_code_come_in(jobs: Callable[..., Any], method: str, path: str) -> None:
    with TestClient(create_app(jobs(), code=CODE), follow_redirects=False, base_url="http://127.0.0.1") as stranger:
        answer = stranger.request(method, path, json={"room": "x"} if method == "POST" else None)
        assert answer.status_code == 401
        assert "Type the code" in answer.text


def test_a_holder_of_the_code_measures_and_another_sites_page_does_not(jobs: Callable[..., Any]) -> None:
    with TestClient(create_app(jobs(), code=CODE), follow_redirects=False, base_url="http://127.0.0.1") as holder:
        assert holder.post("/code", data={"code": CODE}).status_code == 303
        foreign = {"sec-fetch-site": "cross-site"}
        assert holder.post("/room/begin", json={"room": "x"}, headers=foreign).status_code == 403
        run = begin(holder)
        assert holder.post("/room/octets", params={"run": run}, content=b"x", headers=foreign).status_code == 403
        assert holder.post("/room/report", json={"run": run, "idle_ms": IDLE}).status_code == 200


def test_one_link_of_today_leads_there(client: TestClient) -> None:
    assert client.get("/").text.count('href="/room"') == 1


@pytest.mark.browser
@pytest.mark.timeout(120)
def test_a_real_browser_measures_and_shows_words_first(browser: Any, serve: Callable[..., Any], artefacts: Path) -> None:
    axe = (Path(pytest.importorskip("axe_playwright_python").__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    served = serve()
    context = browser.new_context(viewport={"width": 320, "height": 800})
    pg = context.new_page()
    bad: list[str] = []
    pg.on("request", lambda r: None if r.url.startswith((served.url, "data:")) else bad.append(r.url))
    pg.on("pageerror", lambda e: bad.append(str(e)))
    pg.on("console", lambda m: bad.append(m.text) if m.type == "error" else None)

    def look(name: str) -> None:
        assert pg.evaluate("document.documentElement.scrollWidth") == 320, name
        pg.evaluate(axe)
        bad.extend(f"{name}: {v['id']} {v['nodes'][0]['html'][:120]}" for v in pg.evaluate("axe.run()")["violations"])
        pg.screenshot(path=artefacts / f"room-{name}-320.jpg", full_page=True, type="jpeg", quality=85)

    pg.goto(served.url + "/")
    pg.click("text=Slow in one room?")
    look("asked")
    pg.evaluate("window.said = []; new MutationObserver(() => said.push(document.getElementById('now').textContent)).observe(document.getElementById('now'), {childList: true})")
    pg.evaluate("addEventListener('pagehide', () => sessionStorage.setItem('said', JSON.stringify(said)))")
    pg.fill("#room", "Back room")
    pg.keyboard.press("Enter")
    pg.wait_for_url(re.compile(r"/room/[0-9a-f-]{36}$"), timeout=60_000)
    said = pg.evaluate("JSON.parse(sessionStorage.getItem('said'))")
    assert [s.split()[0] for s in said] == ["Asking", "Asking", "Asking", "Asking", "Done."]
    assert not any(c.isdigit() for s in said for c in s), "no figure while it runs"
    assert "on the computer itself" in pg.text_content("h1")
    look("told")
    kept = served.jobs.rooms()[0].measured
    assert (kept.room, kept.here, kept.ended) == ("Back room", True, "")
    assert len(kept.idle_ms) == 21
    assert len(kept.down) >= 2
    assert len(kept.up) >= 2
    assert 0 < kept.down[-1][1] <= MOST_OCTETS
    assert 0 < kept.up[-1][1] <= MOST_OCTETS
    assert kept.clock_step_ms is not None
    assert kept.near_end_busy_ratio is None or kept.near_end_busy_ratio > 0
    context.close()
    assert bad == []

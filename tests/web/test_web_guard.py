"""What stands between the network and the pages."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.errors import UsageError
from bandwright.web.app import create_app
from bandwright.web.guard import CODE_COOKIE, CodeGate
from bandwright.web.serve import address_of, serve

CODE = "48151623"


@pytest.fixture
def guarded(jobs: Callable[..., Any]) -> TestClient:
    return TestClient(create_app(jobs(), code=CODE), follow_redirects=False, base_url="http://127.0.0.1")


@pytest.mark.parametrize("path", ["/", "/reading", "/static/live.js", "/openapi.json", "/nowhere"])
def test_every_answer_keeps_the_page_to_itself(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "unsafe-eval" not in policy
    assert "script-src" not in policy  # scripts fall under default-src: this host only, none inline
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_answers_with_figures_are_kept_in_no_cache(client: TestClient) -> None:
    assert client.get("/").headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/docs", "/redoc"])
def test_pages_that_would_load_from_outside_are_not_there(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.0.2.77"])
def test_another_name_for_this_host_is_refused(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 400


@pytest.mark.parametrize("headers", [{"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"origin": "http://evil.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:81"}])
def test_a_write_from_another_sites_page_is_refused(client: TestClient, headers: dict[str, str]) -> None:
    answer = client.post("/screen", data={"screen": "dark"}, headers=headers)
    assert answer.status_code == 403
    assert "nothing was done" in answer.text


@pytest.mark.parametrize("headers", [{"sec-fetch-site": "same-origin"}, {"origin": "http://127.0.0.1"}, {}])
def test_a_write_from_our_own_page_is_done(client: TestClient, headers: dict[str, str]) -> None:
    assert client.post("/screen", data={"screen": "dark"}, headers=headers).status_code == 303


@pytest.mark.parametrize("back", ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x", "/a\r\nset-cookie: x"])
def test_the_screen_setting_leads_back_here_and_nowhere_else(client: TestClient, back: str) -> None:
    assert client.post("/screen", data={"screen": "sun", "back": back}).headers["location"] == "/"


def test_the_screen_setting_is_kept(client: TestClient) -> None:
    client.post("/screen", data={"screen": "sun", "back": "/verdict"})
    assert 'data-screen="sun"' in client.get("/verdict").text
    client.cookies.clear()
    assert 'data-screen="device"' in client.get("/verdict", headers={"cookie": "screen=<script>"}).text


@pytest.mark.parametrize(("method", "path"), [("GET", "/"), ("GET", "/verdict"), ("GET", "/static/live.js"), ("GET", "/openapi.json"), ("GET", "/campaign/feed"), ("POST", "/campaign/start"), ("POST", "/reading"), ("GET", "/code")])
def test_without_the_code_nothing_but_its_form_is_answered(guarded: TestClient, method: str, path: str) -> None:
    answer = guarded.request(method, path)
    assert answer.status_code == 401
    assert "Type the code" in answer.text
    for word in ("Gable", "Window", "valley", "Mbit/s"):
        assert word not in answer.text


@pytest.mark.parametrize("how", ["form", "form with a space", "link"])
def test_the_right_code_opens_the_pages_for_this_browser(guarded: TestClient, how: str) -> None:
    typed = CODE if how == "form" else f"{CODE[:4]} {CODE[4:]}"
    answer = guarded.get(f"/?code={CODE}") if how == "link" else guarded.post("/code", data={"code": typed})
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert guarded.get("/").status_code == 200


def test_a_wrong_code_is_said_and_many_close_the_door(guarded: TestClient) -> None:
    for _ in range(CodeGate.MOST_WRONG):
        answer = guarded.post("/code", data={"code": "00000000"})
        assert answer.status_code == 401
        assert "not the code" in answer.text
    assert guarded.post("/code", data={"code": CODE}).status_code == 429


def test_a_forged_cookie_opens_nothing(guarded: TestClient) -> None:
    guarded.cookies.set(CODE_COOKIE, "00000000")
    assert guarded.get("/").status_code == 401


def test_an_oversized_code_is_not_read_to_its_end(guarded: TestClient) -> None:
    assert guarded.post("/code", content=b"code=" + b"9" * 100_000, headers={"content-type": "application/x-www-form-urlencoded"}).status_code == 401


def test_a_taken_port_is_said_with_another_to_try(jobs: Callable[..., Any]) -> None:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        s.listen()
        port = s.getsockname()[1]
        with pytest.raises(UsageError, match=f"port {port} is taken"):
            serve(Path(), port=port, jobs=jobs())


def test_only_a_network_address_has_a_code_and_each_is_fresh() -> None:
    assert address_of(port=8619, lan=False).code is None
    one, two = address_of(port=8619, lan=True), address_of(port=8619, lan=True)
    assert one.code != two.code
    assert len(one.code or "") == 8
    assert one.link.endswith(f"?code={one.code}")
    assert len(one.qr().splitlines()) > 10

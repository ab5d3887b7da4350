"""The Settings page: every row with its field; what is sent is written into site.toml, all of it or nothing, and what is wrong is said beside its field."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.errors import DiskFull
from bandwright.jobs.declare import new
from bandwright.web.app import create_app
from bandwright.web.house import HouseJobs
from bandwright.words.settings import SETTINGS

pytestmark = pytest.mark.timeout(60)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    new(tmp_path)
    return tmp_path


@pytest.fixture
def pages(folder: Path) -> Any:
    with TestClient(create_app(HouseJobs(folder)), base_url="http://127.0.0.1") as c:
        yield c


def test_every_row_of_the_table_has_a_field_with_its_meaning_and_cost(pages: TestClient) -> None:
    html = pages.get("/settings").text
    for row in SETTINGS:
        assert f'<label for="{row.key}">{row.meaning[:1].upper()}' in html
        assert f'name="{row.key}"' in html
        assert row.cost.removeprefix("none")[1:] in html
    assert "Every setting is at its default" in html


def test_what_is_sent_is_written_with_the_comments_kept_and_shown(pages: TestClient, folder: Path) -> None:
    before = (folder / "site.toml").read_text(encoding="utf-8")
    answer = pages.post("/settings", data={"rounds_per_day": "6", "warmup_s": "7,5", "measurement_size": "light", "page_port": "8619", "nonsense": "x"})
    assert answer.status_code == 200
    assert answer.url.path == "/settings"
    assert "3\u00a0settings written into site.toml: rounds_per_day, warmup_s and measurement_size." in answer.text
    assert "Three settings differ from their defaults" in answer.text
    assert "<option selected>light</option>" in answer.text
    after = (folder / "site.toml").read_text(encoding="utf-8")
    assert after.replace('rounds_per_day = 6\nwarmup_s = 7.5\nmeasurement_size = "light"\n', "") == before
    assert "as it was" in pages.post("/settings", data={"rounds_per_day": "6"}).text


def test_what_is_wrong_is_said_beside_its_field_and_keeps_what_was_typed(pages: TestClient, folder: Path) -> None:
    before = (folder / "site.toml").read_bytes()
    answer = pages.post("/settings", data={"rounds_per_day": "6", "warmup_s": "<soon>", "quiet_hours": "at night"})
    assert answer.status_code == 422
    assert (folder / "site.toml").read_bytes() == before
    assert '<p class="error" id="warmup_s-error" role="alert">This takes a number from 0 to 60' in answer.text
    assert 'value="&lt;soon&gt;"' in answer.text
    assert 'value="at night"' in answer.text
    assert 'id="rounds_per_day" name="rounds_per_day" value="6"' in answer.text, "what was right keeps its place too"
    assert "2 values cannot be used, so nothing was written" in answer.text
    assert "<title>Look at what is marked" in answer.text


def test_another_sites_page_cannot_change_a_setting(pages: TestClient, folder: Path) -> None:
    before = (folder / "site.toml").read_bytes()
    assert pages.post("/settings", data={"rounds_per_day": "6"}, headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert (folder / "site.toml").read_bytes() == before


def test_before_anything_is_declared_there_is_nothing_to_write_to(tmp_path: Path) -> None:
    with TestClient(create_app(HouseJobs(tmp_path)), base_url="http://127.0.0.1") as c:
        shown = c.get("/settings").text
        assert "Declare the place first" in shown
        assert "Write these settings" not in shown
        assert c.post("/settings", data={"rounds_per_day": "6"}).status_code == 409
    assert not (tmp_path / "site.toml").exists()


def test_a_full_disk_is_a_page_that_says_so(jobs: Callable[..., Any]) -> None:
    full = DiskFull("the disk is full while writing site.toml", todo="Free some space and send it again: the file is as it was")
    with TestClient(create_app(jobs(raises=full)), base_url="http://127.0.0.1") as c:
        answer = c.post("/settings", data={"rounds_per_day": "6"})
        assert answer.status_code == 507
        assert "the file is as it was" in answer.text

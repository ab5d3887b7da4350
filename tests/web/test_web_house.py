"""The pages on a real workspace folder and the house's own jobs: from an empty folder to a verdict."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.errors import GatewayError, UsageError
from bandwright.web.app import create_app
from bandwright.web.house import HouseJobs
from bandwright.web.pages import Stand
from bandwright.words.measurement import Method

ANSWERS = {"name": "Barn", "timezone": "Europe/London", "need": ["video call", "streaming"], "gateway_kind": "at-tcp", "where": "127.0.0.1:9", "act": "next"}
AT = 'AT+QENG="servingcell"\n+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2D003,77,1575,3,5,5,2B07,-91,-10,-61,16,10,-,33\n\nOK\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "place"


@pytest.fixture
def declared(folder: Path) -> HouseJobs:
    jobs = HouseJobs(folder)
    with TestClient(create_app(jobs), follow_redirects=False, base_url="http://127.0.0.1") as client:
        assert client.post("/first/write", data=ANSWERS).status_code == 303
    return jobs


def test_an_empty_folder_can_explain_a_paste_and_writes_nothing(folder: Path) -> None:
    jobs = HouseJobs(folder)
    assert jobs.declared() is None
    assert jobs.stand() == Stand()
    with TestClient(create_app(jobs), base_url="http://127.0.0.1") as client:
        assert "B3" in client.post("/reading", data={"text": AT}).text
        assert client.get("/first").status_code == 200
    assert not folder.exists()
    with pytest.raises(UsageError):
        jobs.house()


def test_first_use_writes_a_declaration_that_the_house_reads(declared: HouseJobs) -> None:
    found = declared.declared()
    assert found is not None
    assert found.site.name == "Barn"
    assert [n.kind for n in found.needs] == ["video call", "streaming"]
    assert len(found.setups) == 3
    assert found.campaign.in_use == found.setups[0].key
    assert dict(found.gateways[0].settings)["address"] == "127.0.0.1:9"


@pytest.mark.parametrize("skipped", [{}, {"gateway_kind": "pasted"}, {"gateway_kind": "at-serial", "where": "/dev/ttyUSB2"}])
def test_every_way_through_first_use_makes_a_declaration_that_can_be_read(folder: Path, skipped: dict[str, str]) -> None:
    with TestClient(create_app(HouseJobs(folder)), follow_redirects=False, base_url="http://127.0.0.1") as client:
        assert client.post("/first/write", data=skipped).status_code == 303
    assert HouseJobs(folder).declared() is not None


def test_a_second_declaration_is_refused_and_the_first_stays(declared: HouseJobs, folder: Path) -> None:
    before = (folder / "site.toml").read_text(encoding="utf-8")
    with pytest.raises(UsageError):
        declared.declare(before)
    assert (folder / "site.toml").read_text(encoding="utf-8") == before


def test_pages_of_a_fresh_place(declared: HouseJobs) -> None:
    with TestClient(create_app(declared), base_url="http://127.0.0.1") as client:
        for path, words in (("/", "No tests yet"), ("/setups", "3 setups on 1 rig"), ("/campaign", "Plan a campaign"), ("/history", "Nothing has been measured yet"), ("/verdict", "No campaign has been run"), ("/settings", "Every setting is at its default")):
            assert words in client.get(path).text, path


def test_a_declaration_that_cannot_be_read_is_a_page_that_names_the_place(declared: HouseJobs, folder: Path) -> None:
    with (folder / "site.toml").open("a", encoding="utf-8") as f:
        f.write("\n[settings]\nrounds_per_day = 400\n")
    with TestClient(create_app(declared), base_url="http://127.0.0.1") as client:
        answer = client.get("/")
        assert answer.status_code == 409
        assert "rounds_per_day" in answer.text
        assert "What to do now:" in answer.text
        assert client.get("/nowhere").status_code == 404


def test_a_changed_declaration_is_read_again(declared: HouseJobs, folder: Path) -> None:
    assert declared.declared() is not None
    path = folder / "site.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"Barn"', '"Stable"'), encoding="utf-8")
    import os

    os.utime(path, ns=(1, 1))
    found = declared.declared()
    assert found is not None
    assert found.site.name == "Stable"


def test_a_gateway_that_does_not_answer_is_a_page(declared: HouseJobs) -> None:
    with pytest.raises(UsageError):
        asyncio.run(declared.look("nothing"))
    with pytest.raises(GatewayError):
        asyncio.run(declared.look("gateway"))
    with TestClient(create_app(declared), base_url="http://127.0.0.1") as client:
        answer = client.post("/reading/take", data={"gateway": "gateway"})
        assert answer.status_code == 503
        assert "What to do now:" in answer.text


def test_figures_read_elsewhere_are_on_disk(declared: HouseJobs, folder: Path) -> None:
    with TestClient(create_app(declared), base_url="http://127.0.0.1") as client:
        page = client.post("/enter", data={"goodput_up_mbps": "7.5", "read_by": "A. B."})
        assert "7.5" in page.text
    assert HouseJobs(folder).history(limit=5).count == 1


def test_a_kept_campaign_is_judged_by_the_houses_own_method_and_shown(declared: HouseJobs, sample: Any) -> None:
    house = declared.house()
    found = declared.declared()
    assert found is not None
    keys = [s.key for s in found.setups][:2]
    design = replace(sample.DESIGN, setups=found.setups, needs=found.needs, in_use=keys[0], mounted="here", start=sample.START)
    house.records.add_design(design)
    before = declared.stand()
    campaign = sample.campaign(days=4.2)
    swap = {"window/5g": keys[0], "window/4g": keys[1], "gable/5g": keys[0], "gable/4g": keys[1], "window": "here", "gable": "here"}
    for m in campaign.measurements:
        house.records.add_measurement(replace(m, setup_asked=swap[m.setup_asked], setup_seen=None, captures=()))
    needs = [n.key for n in found.needs]
    for e in campaign.events:
        made = {name: swap[getattr(e, name)] for name in ("setup", "rig") if hasattr(e, name)}
        if hasattr(e, "order"):
            made["order"] = tuple(swap[k] for k in e.order)
        if hasattr(e, "met"):
            made |= {"met": ((needs[0], (e.score or 0) > 0),), "margins": (), "seen": None}
        house.records.add_event(design.key, replace(e, **made))
    after = declared.stand()
    assert before != after
    assert after.campaign == design.key
    assert after.measurements == len(campaign.measurements)
    with TestClient(create_app(declared), base_url="http://127.0.0.1") as client:
        verdict = client.get("/verdict").text
        assert "in 100" in verdict.replace("\u00a0", " ")
        assert "34\u00a0tests in 17\u00a0rounds" in verdict
        for path in ("/", "/setups", "/campaign", "/history", f"/history/{campaign.measurements[0].key}", "/report.html?kind=household"):
            assert client.get(path).status_code == 200, path


def test_a_campaign_that_cannot_begin_says_so_on_its_page(declared: HouseJobs) -> None:
    app = create_app(declared)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        client.post("/campaign/start")
        app.state.feed._thread.join(20)
        html = client.get("/campaign").text
        assert "No connection to 127.0.0.1:9" in html
        assert "What to do now:" in html


def test_a_new_capture_or_another_declaration_is_seen_at_once(declared: HouseJobs, sample: Any, folder: Path) -> None:
    with TestClient(create_app(declared), base_url="http://127.0.0.1") as client:
        assert "three carriers" not in client.get("/").text
        declared.house().records.add_capture(replace(sample.CAPTURE, key="new", text=AT))
        assert "Read." in client.get("/").text
        path = folder / "site.toml"
        path.write_text(path.read_text(encoding="utf-8").replace("5G alone", "5G without 4G"), encoding="utf-8")
        assert "5G without 4G" in client.get("/setups").text


def test_time_is_utc_before_anything_is_declared(folder: Path) -> None:
    now = HouseJobs(folder).now()
    assert now.tzinfo is UTC
    assert isinstance(now, datetime)


def test_a_single_test_is_told_by_the_needs_it_met_without_any_campaign(declared: HouseJobs, sample: Any) -> None:
    good = next(m for m in sample.campaign().measurements if m.outcome == "ok" and m.setup_asked == "gable/5g")
    told = declared.tested(good)
    assert told is not None
    assert all(met for _, met in told.met)  # 90 Mbit/s down, 12 up and 148 ms serve a video call and streaming
    assert told.met
    assert declared.tested(replace(good, method=Method.ENTERED)) is None

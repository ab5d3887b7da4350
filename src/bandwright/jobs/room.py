"""Slow in one room: a phone's run against this computer alone, kept as it came and held against the last measurement of the internet path."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from bandwright.advice.room import judge_room
from bandwright.errors import RangeError, UsageError
from bandwright.jobs.house import House
from bandwright.words.measurement import Measurement, Method, Outcome
from bandwright.words.room import RoomAnswer, RoomMeasured

__all__ = ["keep_room", "rooms"]

_LONGEST_NAME = 60


def keep_room(house: House, measured: RoomMeasured) -> RoomAnswer:
    """Keep a run, whole or broken off, and return what it says. Raises UsageError without a room's name, RangeError for a series that cannot be."""
    name = measured.room
    if not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
        raise UsageError("the room needs a name", given=name, allowed=f"1 to {_LONGEST_NAME} characters on one line", todo="Type what the household calls it, like kitchen")
    for what, round_trips in (("idle_ms", measured.idle_ms), ("down_ms", measured.down_ms), ("up_ms", measured.up_ms)):
        if any(not 0 <= ms < 60_000 for ms in round_trips):
            raise RangeError(f"{what} of a room", given=round_trips, allowed="0..60000 ms")
    for what, points in (("down", measured.down), ("up", measured.up)):
        _checked(what, points)
    house.records.add_watched(measured)
    return judge_room(measured, _line_for(measured, _lines(house)))


def rooms(house: House) -> tuple[RoomAnswer, ...]:
    """Return every kept run in a room, newest first."""
    lines = _lines(house)
    kept = [r for r in house.records.watched() if isinstance(r, RoomMeasured)]
    return tuple(judge_room(r, _line_for(r, lines)) for r in reversed(kept))


def _checked(what: str, points: Sequence[tuple[float, float]]) -> None:
    pairs = list(pairwise(points))
    if any(t < 0 or octets < 0 for t, octets in points) or any(t1 <= t0 or o1 < o0 for (t0, o0), (t1, o1) in pairs):
        raise RangeError(f"the series {what} of a room", given=points, allowed="times that rise and octets that never fall")


def _lines(house: House) -> list[Measurement]:
    """Return the measurements of the internet path that a room may be held against, oldest first: not those of a gateway carried about."""
    kept = house.records.measurements(limit=200)
    return [m for m in kept if m.outcome is Outcome.OK and m.method is not Method.ENTERED and m.number("goodput_down_mbps") is not None and m.fact("spot") is None]


def _line_for(measured: RoomMeasured, lines: Sequence[Measurement]) -> Measurement | None:
    """Return the last one before the run, else the first after it."""
    before = [m for m in lines if m.at <= measured.at]
    return before[-1] if before else lines[0] if lines else None

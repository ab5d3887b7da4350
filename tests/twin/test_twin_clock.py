from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta, timezone

import pytest

from bandwright.errors import UsageError
from bandwright.ports import Clock
from bandwright.twin.clock import SimulatedClock

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


async def test_sleeping_moves_time_by_what_was_slept():
    clock = SimulatedClock(START)
    assert isinstance(clock, Clock)
    await clock.sleep(86400 * 7)
    assert clock.now() == START + timedelta(days=7)
    assert clock.monotonic_s() == 86400 * 7


async def test_several_sleepers_wake_in_the_order_of_their_times():
    clock = SimulatedClock(START)
    woke: list[tuple[str, float]] = []

    async def sleeper(name: str, *naps: float) -> None:
        for nap in naps:
            await clock.sleep(nap)
            woke.append((name, clock.monotonic_s()))

    await asyncio.gather(sleeper("slow", 10.0, 10.0), sleeper("quick", 4.0, 4.0, 4.0), sleeper("odd", 7.0))
    assert woke == [("quick", 4.0), ("odd", 7.0), ("quick", 8.0), ("slow", 10.0), ("quick", 12.0), ("slow", 20.0)]


async def test_a_cancelled_sleeper_does_not_hold_up_the_others():
    clock = SimulatedClock(START)
    first = asyncio.create_task(clock.sleep(5.0))
    second = asyncio.create_task(clock.sleep(9.0))
    await asyncio.sleep(0)
    first.cancel()
    await asyncio.wait_for(second, 1.0)
    assert clock.monotonic_s() == 9.0


async def test_time_never_goes_back():
    clock = SimulatedClock(START)
    await clock.sleep(-3.0)
    assert clock.monotonic_s() == 0.0
    with pytest.raises(UsageError, match="0 or more"):
        clock.advance(-1.0)
    clock.advance(2.5)
    assert clock.now() == START + timedelta(seconds=2.5)


def test_a_start_in_another_zone_is_turned_into_utc_and_one_without_a_zone_is_refused():
    clock = SimulatedClock(datetime(2026, 3, 2, 9, tzinfo=timezone(timedelta(hours=1))))
    assert clock.now() == START
    assert clock.now().tzinfo is UTC
    with pytest.raises(UsageError, match="time zone"):
        SimulatedClock(START.replace(tzinfo=None))

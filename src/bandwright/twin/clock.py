"""A clock whose week passes in seconds: sleeping moves its time on at once."""

from __future__ import annotations

import asyncio
import heapq
import itertools
from datetime import UTC, datetime, timedelta

from bandwright.errors import UsageError

__all__ = ["SimulatedClock"]


class SimulatedClock:
    """Simulated time that begins at `start` (aware). It implements the Clock port.

    Where several tasks sleep at once they wake in the order of their times, and time moves to each one's end in turn.
    """

    def __init__(self, start: datetime) -> None:
        if start.tzinfo is None:
            raise UsageError("start of a simulated clock", given=start.isoformat(), allowed="a time with its time zone")
        self._start = start.astimezone(UTC)
        self._passed_s = 0.0
        self._sleepers: list[tuple[float, int, asyncio.Event]] = []
        self._order = itertools.count()

    def now(self) -> datetime:
        """Return the simulated time, UTC, aware."""
        return self._start + timedelta(seconds=self._passed_s)

    def monotonic_s(self) -> float:
        """Return simulated seconds since `start`."""
        return self._passed_s

    async def sleep(self, seconds: float) -> None:
        """Let simulated time pass; other tasks that are ready run first."""
        mine = (self._passed_s + max(0.0, seconds), next(self._order), asyncio.Event())
        heapq.heappush(self._sleepers, mine)
        try:
            await asyncio.sleep(0)
            while self._sleepers[0] is not mine:
                mine[2].clear()
                await mine[2].wait()
            self._passed_s = max(self._passed_s, mine[0])
        finally:
            self._sleepers.remove(mine)
            heapq.heapify(self._sleepers)
            if self._sleepers:
                self._sleepers[0][2].set()

    def advance(self, seconds: float) -> None:
        """Move time on without waiting for anyone. Raises UsageError for a negative number."""
        if seconds < 0:
            raise UsageError("seconds", given=seconds, allowed="0 or more")
        self._passed_s += seconds

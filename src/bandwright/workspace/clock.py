"""The clock of this computer, behind the same port as a simulated one."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime

__all__ = ["SystemClock"]


class SystemClock:
    """Wall time in UTC, monotonic seconds, real waiting."""

    def now(self) -> datetime:
        """Return the time, UTC, aware."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Return seconds that never go back."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(max(0.0, seconds))

"""Before any job asks a gateway anything, what a timed return left behind is put back: once for each opened workspace.

A record outlives this program and its guard where both were killed or the power went. Whichever job comes first carries it out, whatever it came for.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from bandwright.ports import Connected, Gateway, GatewayAbilities
from bandwright.words.radio import Capture, SettingsSeen
from bandwright.words.rig import Tuning

__all__ = ["Righting", "after_righting"]

_LOG = logging.getLogger("bandwright")


@dataclass(slots=True)
class Righting:
    """Puts back what was left behind, once; later calls return at once. What was done is logged as a warning, which a terminal shows."""

    recover: Callable[[], Awaitable[tuple[str, ...]]]
    _done: bool = False
    _one_at_a_time: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def __call__(self) -> None:
        """Put back what was left behind, where that was not done yet."""
        async with self._one_at_a_time:
            if not self._done:
                for sentence in await self.recover():
                    _LOG.warning("%s", sentence)
                self._done = True


def after_righting(gateway: Gateway, righting: Righting) -> Gateway:
    """Return the gateway, whose every question waits until what was left behind is put back."""
    return _ConnectedAfter(gateway, righting, gateway.connection) if isinstance(gateway, Connected) else _After(gateway, righting)


class _After:
    def __init__(self, inner: Gateway, righting: Righting) -> None:
        self.inner, self.kind, self._righting = inner, inner.kind, righting

    async def abilities(self) -> GatewayAbilities:
        await self._righting()
        return await self.inner.abilities()

    async def fetch(self, *, moment: str = "idle") -> Capture:
        await self._righting()
        return await self.inner.fetch(moment=moment)

    async def settings(self) -> SettingsSeen:
        await self._righting()
        return await self.inner.settings()

    async def apply(self, tuning: Tuning) -> Capture:
        await self._righting()
        return await self.inner.apply(tuning)

    async def restore(self, seen: SettingsSeen) -> Capture:
        await self._righting()
        return await self.inner.restore(seen)

    async def close(self) -> None:
        await self.inner.close()


class _ConnectedAfter(_After):
    def __init__(self, inner: Gateway, righting: Righting, connection: Callable[[], Awaitable[Capture]]) -> None:
        super().__init__(inner, righting)
        self._connection = connection

    async def connection(self) -> Capture:
        await self._righting()
        return await self._connection()

"""A modem that the daemon reads and a second port of it sets: for the many modems whose daemon driver can set neither modes nor bands.

Readings come from the daemon, which keeps its ports; settings are asked for, read back and put back by AT commands over another port of the
same modem that the daemon leaves alone, or over TCP.
"""

from __future__ import annotations

import asyncio

from bandwright.gateways.serial import AtGateway
from bandwright.ports import Gateway, GatewayAbilities
from bandwright.words.radio import Capture, SettingsSeen
from bandwright.words.rig import Tuning

__all__ = ["TwoPorts"]


class TwoPorts:
    """A gateway read through one port and set through another."""

    def __init__(self, reads: Gateway, sets: AtGateway) -> None:
        self.kind = reads.kind
        self._reads, self._sets = reads, sets

    async def abilities(self) -> GatewayAbilities:
        """Return what the port that sets can do."""
        return await self._sets.abilities()

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask the port that reads for the radio state."""
        return await self._reads.fetch(moment=moment)

    async def settings(self) -> SettingsSeen:
        """Read the tuning settings back through the port that sets."""
        return await self._sets.settings()

    async def apply(self, tuning: Tuning) -> Capture:
        """Ask for a tuning."""
        return await self._sets.apply(tuning)

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Put former settings back."""
        return await self._sets.restore(seen)

    async def connection(self) -> Capture:
        """Ask what a person must have set for a connection."""
        return await self._sets.connection()

    async def close(self) -> None:
        """Let go of both. Safe to call twice."""
        await asyncio.gather(self._reads.close(), self._sets.close())

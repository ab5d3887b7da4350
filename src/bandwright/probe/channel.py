"""A control connection as both ends use it: messages out, messages in, each wait with its own timeout."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

from bandwright.probe import wire

__all__ = ["Channel"]

_FAREWELL_S = 0.03


class Channel:
    """Messages over a TLS stream."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._frames = wire.FrameReader()
        self._inbox: list[dict[str, Any]] = []

    @property
    def certificate_der(self) -> bytes | None:
        """The other end's certificate, if it showed one."""
        tls = self._writer.get_extra_info("ssl_object")
        return tls.getpeercert(binary_form=True) if tls is not None else None

    @property
    def protocol(self) -> str | None:
        """What was agreed on to speak over TLS (RFC 7301); None is ours."""
        tls = self._writer.get_extra_info("ssl_object")
        return tls.selected_alpn_protocol() if tls is not None else None

    @property
    def streams(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """The bare streams, for another protocol."""
        return self._reader, self._writer

    async def send(self, message: dict[str, Any]) -> None:
        """Send a message. Raises OSError where the connection is gone."""
        self._writer.write(wire.encode(message))
        await self._writer.drain()

    async def receive(self, timeout_s: float | None) -> dict[str, Any]:
        """Return the next message. Raises TimeoutError, EOFError, OSError, or WireError on what version 1 does not know."""
        async with asyncio.timeout(timeout_s):
            while not self._inbox:
                data = await self._reader.read(65536)
                if not data:
                    raise EOFError
                self._inbox += self._frames.feed(data)
        return self._inbox.pop(0)

    async def close(self) -> None:
        """Close the connection; the other end's farewell is hardly waited for. Safe to call twice."""
        self._writer.close()
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(_FAREWELL_S):
                await self._writer.wait_closed()
        self._writer.transport.abort()

    def abort(self) -> None:
        """Drop the connection at once."""
        self._writer.transport.abort()

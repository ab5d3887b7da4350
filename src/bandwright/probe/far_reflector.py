"""The far end's control process and its reflector process: what is told, what is answered, and what news comes of UDP flows."""

from __future__ import annotations

import asyncio
import secrets
import socket
from collections.abc import Callable, Sequence
from typing import Any

from bandwright.probe.workers import Worker

__all__ = ["ReflectorLink"]

_ANSWER_S = 3.0


class ReflectorLink:
    """The control process's side. `start`, then `read` until WorkerDied; `tell` meanwhile."""

    def __init__(self) -> None:
        self._worker: Worker | None = None
        self._replies: dict[str, asyncio.Queue[dict[str, Any]]] = {}
        self._lock = asyncio.Lock()

    async def start(self, udp: Sequence[socket.socket]) -> None:
        """Start the process on bound UDP sockets, which stay the caller's to close. Raises OSError."""
        self._worker = await Worker.start(pass_fds=tuple(s.fileno() for s in udp))
        self._worker.give("reflector", sockets=[s.fileno() for s in udp], cookie_secret=secrets.token_hex(32))
        await self._worker.message()

    async def read(self, flow_opened: Callable[[dict[str, Any]], None]) -> None:
        """Take in what it says. Raises WorkerDied when it ends."""
        while self._worker is not None:
            message = await self._worker.message()
            if message["type"] == "flow":
                flow_opened(message)
            elif message["type"].startswith("done "):
                self._replies.setdefault(message["type"], asyncio.Queue()).put_nowait(message)

    async def tell(self, kind: str, **parameters: Any) -> dict[str, Any]:
        """Tell it something and return its answer. Raises TimeoutError."""
        if self._worker is None:
            return {}
        async with self._lock:
            queue = self._replies["done " + kind] = asyncio.Queue()  # what came too late for an earlier question is no answer to this one
            self._worker.send({"type": kind, **parameters})
            async with asyncio.timeout(_ANSWER_S):
                return await queue.get()

    async def close(self) -> None:
        """End the process."""
        if self._worker is not None:
            await self._worker.close()

"""A user-space relay between near end and far end that can misbehave: die, forget its connections, swallow what is large.

It listens on one loopback port, TCP and UDP, and passes all on to the far end's port. It needs no privilege.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import time
from typing import Any, Self

__all__ = ["Relay"]


class Relay:
    """Passes octets on until told otherwise.

    dead: nothing passes any more, silently. swallow_above: TCP load connections whose segments are larger carry nothing, and
    larger UDP packets vanish. mute_down_after_load: control messages towards the near end are swallowed once a load was seen.
    """

    def __init__(self, port: int) -> None:
        self._far = ("127.0.0.1", port)
        self.dead = False
        self.mute_control_down = False
        self.swallow_above: int | None = None
        self.port = 0
        self.udp_up_at: list[tuple[float, int]] = []
        self.loads_seen = 0
        self.loaded = asyncio.Event()  # a load is under way: its connections were opened before
        self._writers: list[tuple[bool, asyncio.StreamWriter]] = []
        self._udp: dict[Any, asyncio.DatagramTransport] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        relay = self

        class Front(asyncio.DatagramProtocol):
            def connection_made(self, transport: Any) -> None:
                relay._front = transport

            def datagram_received(self, data: bytes, addr: Any) -> None:
                relay._up(data, addr)

        await asyncio.get_running_loop().create_datagram_endpoint(Front, local_addr=("127.0.0.1", self.port))
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for _, writer in self._writers:
            writer.transport.abort()
        for transport in [*self._udp.values(), self._front]:
            transport.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # ---- TCP

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        first = await reader.read(65536)
        is_load = first[:1] == b"b"
        self.loads_seen += is_load
        segment = writer.get_extra_info("socket").getsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG)
        far_reader, far_writer = await asyncio.open_connection(*self._far)
        self._writers += [(is_load, writer), (is_load, far_writer)]
        far_writer.write(first)
        large = self.swallow_above is not None and is_load and segment > self.swallow_above
        for source, sink, down in ((reader, far_writer, False), (far_reader, writer, True)):
            task = asyncio.ensure_future(self._pass_on(source, sink, is_load=is_load, down=down, large=large))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass_on(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, is_load: bool, down: bool, large: bool) -> None:
        passed = 0
        try:
            while data := await source.read(262144):
                if self.dead or (large and passed + len(data) > 600):
                    await asyncio.Event().wait()  # for ever: the octets are held, and nobody is told
                if self.mute_control_down and down and not is_load:
                    continue
                sink.write(data)
                passed += len(data)
                if is_load and passed > 100_000:
                    self.loaded.set()
                await sink.drain()
        except OSError:
            pass
        sink.transport.get_extra_info("socket")
        with contextlib.suppress(OSError, AttributeError):
            sink.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        sink.close()

    def forget_tcp(self, *, loads_too: bool = False) -> None:
        """Reset the connections that stand, as an address translator that forgot them would."""
        for is_load, writer in self._writers:
            if loads_too or not is_load:
                with contextlib.suppress(OSError):
                    writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                writer.transport.abort()

    # ---- UDP

    def _up(self, data: bytes, addr: Any) -> None:
        self.udp_up_at.append((time.monotonic(), len(data)))
        if self.dead or (self.swallow_above is not None and len(data) > self.swallow_above):
            return
        transport = self._udp.get(addr)
        if transport is None:
            task = asyncio.ensure_future(self._open(addr, data))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        else:
            transport.sendto(data)

    async def _open(self, addr: Any, data: bytes) -> None:
        relay = self

        class Back(asyncio.DatagramProtocol):
            def datagram_received(self, data: bytes, _: Any) -> None:
                if not relay.dead:
                    relay._front.sendto(data, addr)

            def error_received(self, exc: Exception) -> None:
                pass

        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(Back, remote_addr=self._far)
        self._udp[addr] = transport
        transport.sendto(data)

    def rebind_udp(self) -> None:
        """Go on from new ports towards the far end."""
        for transport in self._udp.values():
            transport.close()
        self._udp.clear()

"""Lines to equipment: bytes out, bytes in, over TCP or a serial port, held by one process at a time.

A link knows nothing of commands. Its time is real time, because a socket lives in it; tests bring a link of their own
that lives in simulated time (`receive` and `now_s` are all that measures time in a session).
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from bandwright.errors import GatewayBusy, GatewayUnreachable
from bandwright.gateways.locks import PortLock

if TYPE_CHECKING:
    import serial

__all__ = ["BusPlace", "Link", "SerialLink", "TcpLink", "ports_by_place"]


class Link(Protocol):
    """A line to the equipment. Raises GatewayUnreachable when the line is gone, GatewayBusy when something else holds it."""

    name: str

    async def open(self) -> None:
        """Open the line and hold it alone."""
        ...

    async def send(self, data: bytes) -> None:
        """Send bytes."""
        ...

    async def receive(self, timeout_s: float) -> bytes:
        """Return what has come, at the latest after timeout_s; b"" is "nothing came"."""
        ...

    async def close(self) -> None:
        """Let go of the line. Safe to call twice."""
        ...

    def now_s(self) -> float:
        """Return the seconds of the time in which `receive` waits."""
        ...


@dataclass(frozen=True, slots=True)
class BusPlace:
    """Which device a port belongs to, and where on the bus it is plugged in: what stays when its name changes. Device identities are not asked for."""

    vendor: int | None
    product: int | None
    location: str


class TcpLink:
    """A line over TCP: equipment, or a program beside it, that passes AT commands through a socket."""

    def __init__(self, host: str, port: int, *, connect_s: float) -> None:
        self.name = f"{host}:{port}"
        self._host, self._port, self._connect_s = host, port, connect_s
        self._lock = PortLock(f"tcp:{self.name}")
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None

    async def open(self) -> None:
        """Open the line and hold it alone."""
        if self._writer is not None:
            return
        self._lock.take(self.name)
        try:
            self._reader, self._writer = await asyncio.wait_for(asyncio.open_connection(self._host, self._port), self._connect_s)
        except (OSError, TimeoutError) as error:
            self._lock.give()
            raise GatewayUnreachable(
                f"no connection to {self.name}", given=_reason(error), todo="Check that the gateway is on, and that address and port are right."
            ) from error

    async def send(self, data: bytes) -> None:
        """Send bytes."""
        if self._writer is None:
            raise GatewayUnreachable(f"the line to {self.name} is closed")
        try:
            self._writer.write(data)
            await self._writer.drain()
        except OSError as error:
            await self.close()
            raise GatewayUnreachable(f"the line to {self.name} broke", given=_reason(error)) from error

    async def receive(self, timeout_s: float) -> bytes:
        """Return what has come; empty is "nothing came"."""
        if self._reader is None:
            raise GatewayUnreachable(f"the line to {self.name} is closed")
        try:
            data = await asyncio.wait_for(self._reader.read(4096), timeout_s)
        except TimeoutError:
            return b""
        except OSError as error:
            await self.close()
            raise GatewayUnreachable(f"the line to {self.name} broke", given=_reason(error)) from error
        if not data:
            await self.close()
            raise GatewayUnreachable(f"{self.name} closed the line")
        return data

    async def close(self) -> None:
        """Let go of the line. Safe to call twice."""
        writer, self._reader, self._writer = self._writer, None, None
        if writer is not None:
            writer.close()
            with contextlib.suppress(OSError, TimeoutError):
                await asyncio.wait_for(writer.wait_closed(), 1.0)
        self._lock.give()

    def now_s(self) -> float:
        """Return seconds of real time."""
        return time.monotonic()


class SerialLink:
    """A line over a serial port or a pseudo-terminal, through pyserial.

    owner: answers who owns a port (the modem daemon), or None; such a port is not opened, because two readers of one port steal
    each other's answers. Reading is done in a thread, which works alike on Linux, macOS and Windows.
    A modem that restarts its USB side may come back under another name: once opened, the port is found again by its place on the bus.
    listed: the ports of this computer, name -> what the bus says of each.
    """

    def __init__(
        self, port: str, *, speed: int, owner: Callable[[str], str | None] | None = None, listed: Callable[[], dict[str, BusPlace]] | None = None
    ) -> None:
        self.name = port
        self._speed, self._owner, self._listed = speed, owner, ports_by_place if listed is None else listed
        self._lock: PortLock | None = None
        self._place: BusPlace | None = None
        self._port: serial.Serial | None = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._queue: asyncio.Queue[bytes | None] = asyncio.Queue()

    async def open(self) -> None:
        """Open the line and hold it alone."""
        if self._port is not None:
            return
        import serial

        where, device = await asyncio.to_thread(self._where)
        owner = await asyncio.to_thread(self._owner, where) if self._owner is not None else None
        if owner is not None:
            raise GatewayBusy(
                f"{self.name} belongs to {owner}",
                todo="Declare this gateway with kind 'modem-daemon', or have the daemon leave this port alone. It was not opened.",
            )
        lock = PortLock(f"serial:{device}")  # by whichever name it is called
        lock.take(self.name)
        try:
            self._port = await asyncio.to_thread(serial.Serial, where, self._speed, timeout=0.1, write_timeout=2.0, exclusive=True)
        except (OSError, ValueError, serial.SerialException) as error:
            lock.give()
            raise _port_error(self.name, error) from error
        self._lock = lock
        self._queue, self._stop = asyncio.Queue(), threading.Event()
        self._thread = threading.Thread(
            target=_pump, args=(self._port, asyncio.get_running_loop(), self._queue, self._stop), name=f"read {self.name}", daemon=True
        )
        self._thread.start()

    async def send(self, data: bytes) -> None:
        """Send bytes."""
        import serial

        if self._port is None:
            raise GatewayUnreachable(f"the port {self.name} is closed")
        try:
            await asyncio.to_thread(self._port.write, data)
        except (OSError, serial.SerialException) as error:
            await self.close()
            raise GatewayUnreachable(f"the port {self.name} is gone", given=_reason(error), todo="Check the cable and whether the device restarted.") from error

    async def receive(self, timeout_s: float) -> bytes:
        """Return what has come; empty is "nothing came"."""
        if self._port is None:
            raise GatewayUnreachable(f"the port {self.name} is closed")
        try:
            data = await asyncio.wait_for(self._queue.get(), timeout_s)
        except TimeoutError:
            return b""
        if data is None:
            await self.close()
            raise GatewayUnreachable(f"the port {self.name} is gone", todo="Check the cable and whether the device restarted.")
        return data

    async def close(self) -> None:
        """Let go of the line. Safe to call twice."""
        port, thread, self._port, self._thread = self._port, self._thread, None, None
        if port is not None:
            self._stop.set()
            with contextlib.suppress(OSError, AttributeError):
                port.cancel_read()
            if thread is not None:
                await asyncio.to_thread(thread.join, 1.0)
            with contextlib.suppress(OSError):
                port.close()
        if self._lock is not None:
            self._lock.give()
            self._lock = None

    def now_s(self) -> float:
        """Return seconds of real time."""
        return time.monotonic()

    def _where(self) -> tuple[str, str]:
        """Return the name under which the port is to be opened now, and its device: the declared one, or where the same device has come back."""
        listed = self._listed()
        declared = os.path.realpath(self.name)
        if self._place is None:
            self._place = listed.get(declared)
            return self.name, declared
        moved = None if listed.get(declared) == self._place else next((name for name, place in listed.items() if place == self._place), None)
        return (self.name, declared) if moved is None else (moved, moved)


def ports_by_place() -> dict[str, BusPlace]:
    """Return the serial ports of this computer and their places on the bus; ports without one are left out."""
    from serial.tools import list_ports

    return {os.path.realpath(port.device): BusPlace(port.vid, port.pid, port.location) for port in list_ports.comports() if port.location}


def _pump(port: serial.Serial, loop: asyncio.AbstractEventLoop, queue: asyncio.Queue[bytes | None], stop: threading.Event) -> None:
    """Carry what comes from the port into the queue; None at its end."""
    data: bytes | None
    while True:
        try:
            data = port.read(1)
            if data and (more := port.in_waiting):
                data += port.read(more)
        except Exception:  # noqa: BLE001  a port that vanishes raises OSError, SerialException or TypeError, depending on the platform
            data = None
        if stop.is_set():
            return
        if data != b"":
            try:
                loop.call_soon_threadsafe(queue.put_nowait, data)
            except RuntimeError:  # the loop is closed: nobody listens any more
                return
        if data is None:
            return


def _port_error(name: str, error: Exception) -> GatewayBusy | GatewayUnreachable:
    text = _reason(error).lower()
    if "lock" in text or "busy" in text or "resource temporarily unavailable" in text or "access is denied" in text:
        return GatewayBusy(f"{name} is held by another program", given=_reason(error), todo="Close the other program, then try again.")
    if "permission" in text:
        return GatewayUnreachable(
            f"{name} may not be opened by this user",
            given=_reason(error),
            todo="On Linux add yourself to the group that owns the port (often 'dialout') and log in again.",
        )
    return GatewayUnreachable(f"{name} cannot be opened", given=_reason(error), todo="Check the cable; `bandwright check` lists the ports of this computer.")


def _reason(error: BaseException) -> str:
    if isinstance(error, TimeoutError):
        return "no answer in time"
    return getattr(error, "strerror", None) or str(error) or type(error).__name__

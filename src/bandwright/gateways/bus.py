"""The modem daemon over D-Bus (kind `modem-daemon`): state, signal, cells; modes and bands where the daemon can set them."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dbus_fast.aio import MessageBus

__all__ = ["daemon_ports"]

SERVICE = "org.freedesktop.ModemManager1"
ROOT = "/org/freedesktop/ModemManager1"
_ANSWER_S = 2.0


async def daemon_ports(bus_address: str | None = None) -> dict[str, str]:
    """Return the ports that the modem daemon uses: name -> modem path. {} where no daemon runs. Raises OSError, EOFError or TimeoutError without a bus."""
    async with asyncio.timeout(_ANSWER_S):
        bus = await _connected(bus_address)
        try:
            modems = await _objects(bus)
        finally:
            bus.disconnect()
    found: dict[str, str] = {}
    for path, interfaces in modems.items():
        ports = interfaces.get(f"{SERVICE}.Modem", {}).get("Ports")
        for name, _kind in ports.value if ports is not None else ():
            found[name] = path
    return found


async def _connected(bus_address: str | None) -> MessageBus:
    from dbus_fast import BusType
    from dbus_fast.aio import MessageBus
    from dbus_fast.errors import DBusError, InvalidAddressError

    try:
        return await MessageBus(bus_address=bus_address, bus_type=BusType.SYSTEM).connect()
    except (DBusError, InvalidAddressError) as error:
        raise OSError(str(error)) from error


async def _objects(bus: MessageBus) -> dict[str, dict[str, dict[str, Any]]]:
    from dbus_fast import Message, MessageType

    reply = await bus.call(Message(destination=SERVICE, path=ROOT, interface="org.freedesktop.DBus.ObjectManager", member="GetManagedObjects"))
    if reply is None or reply.message_type is MessageType.ERROR:
        return {}
    objects: dict[str, dict[str, dict[str, Any]]] = reply.body[0]
    return objects

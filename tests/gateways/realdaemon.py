"""Run the operating system's own modem daemon on a bus of its own against the twin's modem, until standard input ends.

Prints one line when the daemon has a modem that is registered: the address of the bus, and that of the modem's second port over TCP. Usage: realdaemon.py FOLDER
"""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from dbus_fast import BusType, Message, MessageType
from dbus_fast.aio import MessageBus
from fakes import private_bus
from stage import Place, RealClock

SERVICE = "org.freedesktop.ModemManager1"
MODEM = "/org/freedesktop/ModemManager1/Modem/0"
OPTIONS = ("--test-session", "--test-enable", "--test-no-udev", "--test-no-suspend-resume", "--test-no-qrtr")


async def main(folder: Path) -> None:
    place = Place(RealClock(), apply_delay_s=0.0)
    socket = f"bandwright-test-{os.getpid()}"
    await place.modem.serve_unix(f"\0abstract:{socket}")
    host, port = await place.modem.serve_tcp()  # the modem's second port, for tunings
    bus_process, address = private_bus(folder)
    environment = {**os.environ, "DBUS_SESSION_BUS_ADDRESS": address}
    with (folder / "daemon.log").open("wb") as log:
        daemon = await asyncio.create_subprocess_exec("ModemManager", *OPTIONS, env=environment, stdout=log, stderr=log)
    bus = await MessageBus(bus_address=address, bus_type=BusType.SESSION).connect()
    try:
        await until(lambda: call(bus, f"/{SERVICE.replace('.', '/')}", f"{SERVICE}.Test", "SetProfile", "ssas", ["twin", "generic", [f"abstract:{socket}"]]))
        await until(lambda: call(bus, MODEM, f"{SERVICE}.Modem", "Enable", "b", [True]))
        await until(lambda: registered(bus))
        print(address, f"{host}:{port}", flush=True)
        await asyncio.to_thread(sys.stdin.read)
    finally:
        bus.disconnect()
        daemon.terminate()  # while the modem still answers: it sends closing commands
        await daemon.wait()
        await place.modem.close()
        bus_process.terminate()


async def call(bus: MessageBus, path: str, interface: str, member: str, signature: str = "", body: list | None = None) -> list | None:
    reply = await bus.call(Message(destination=SERVICE, path=path, interface=interface, member=member, signature=signature, body=body or []))
    return None if reply.message_type is MessageType.ERROR else (reply.body or [True])


async def registered(bus: MessageBus) -> bool:
    objects = await call(bus, f"/{SERVICE.replace('.', '/')}", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
    modems = [values[f"{SERVICE}.Modem"] for values in (objects or [{}])[0].values() if f"{SERVICE}.Modem" in values]
    return any(values["State"].value >= 8 for values in modems)


async def until(ready, *, within_s: float = 30.0) -> None:
    deadline = asyncio.get_running_loop().time() + within_s
    while not await ready():
        if asyncio.get_running_loop().time() > deadline:
            raise SystemExit("the modem daemon did not get ready")
        await asyncio.sleep(0.1)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))

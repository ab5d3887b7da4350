"""Who owns a port: the modem daemon, as it says itself over D-Bus. Linux only; elsewhere nobody is known to own a port."""

from __future__ import annotations

import asyncio
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

__all__ = ["daemon_holds", "daemon_owner"]


def daemon_holds(bus_address: str | None = None) -> dict[str, str] | None:
    """Return the ports that the modem daemon says it uses, name -> modem; {} where it does not run, None where there is no message bus.

    Blocks for up to two seconds; may be called with or without a running event loop.
    """
    if sys.platform != "linux":
        return None
    from bandwright.gateways.bus import daemon_ports

    try:
        with ThreadPoolExecutor(max_workers=1) as pool:  # a thread of its own, because this one may already run a loop
            return pool.submit(lambda: asyncio.run(daemon_ports(bus_address))).result()
    except (OSError, EOFError, TimeoutError):
        return None


def daemon_owner(port: str, *, bus_address: str | None = None) -> str | None:
    """Return a name for the modem daemon where it says that it uses this port, else None. Blocks like `daemon_holds`."""
    modem = (daemon_holds(bus_address) or {}).get(Path(port).resolve().name)
    return None if modem is None else f"the modem daemon ({modem})"

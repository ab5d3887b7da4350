"""Who owns a port: the modem daemon, as it says itself over D-Bus. Linux only; elsewhere nobody is known to own a port."""

from __future__ import annotations

import sys
from pathlib import Path

__all__ = ["daemon_owner"]


def daemon_owner(port: str, *, bus_address: str | None = None) -> str | None:
    """Return a name for the modem daemon where it says that it uses this port, else None. Blocks: call it in a thread."""
    if sys.platform != "linux":
        return None
    import asyncio

    from bandwright.gateways.bus import daemon_ports

    try:
        held = asyncio.run(daemon_ports(bus_address))
    except (OSError, EOFError, TimeoutError):
        return None
    name = Path(port).resolve().name
    modem = held.get(name)
    return None if modem is None else f"the modem daemon ({modem})"

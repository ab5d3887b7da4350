"""One cheap look at the path: does the name resolve, is there a way out, does the far end answer? About a kilobyte, a few seconds at most."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import socket
from collections.abc import Awaitable, Callable

__all__ = ["glance_at"]

_NAME_S, _CONNECT_S = 4.0, 5.0
_NO_WAY_OUT = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EADDRNOTAVAIL}


def glance_at(host: str, port: int, *, second: tuple[str, int] | None = None) -> Callable[[], Awaitable[str | None]]:
    """Return a look at a far end: None for service, or the phase that fails: "address", "names" or "far end".

    second: another server to try where the first does not answer: where that one does, the far end failed, not the service, so None.
    """

    async def glance() -> str | None:
        phase = await _one(host, port)
        if phase is None or second is None:
            return phase
        return None if await _one(*second) is None else phase

    return glance


async def _one(host: str, port: int) -> str | None:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        try:
            await asyncio.wait_for(asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM), _NAME_S)
        except (OSError, TimeoutError):
            return "names" if _has_way_out() else "address"
    try:
        _, writer = await asyncio.wait_for(asyncio.open_connection(host, port), _CONNECT_S)
    except TimeoutError:
        return "far end"
    except OSError as error:
        if error.errno == errno.ECONNREFUSED:
            return None  # the host answered: the path carries
        return "address" if error.errno in _NO_WAY_OUT and not _has_way_out() else "far end"
    writer.close()
    return None


def _has_way_out() -> bool:
    """Whether this computer has a route to the outside: an address of documentation is asked for, and nothing is sent."""
    for family, where in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        with socket.socket(family, socket.SOCK_DGRAM) as s:
            try:
                s.connect((where, 9))
            except OSError:
                continue
            return True
    return False

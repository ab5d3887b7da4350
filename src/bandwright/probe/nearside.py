"""What the near end can say of itself: the link it sits on, its own other traffic, its CPU, its addresses.

Each figure is None where this system does not tell it; absence is no evidence for anything.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import time
from dataclasses import dataclass
from pathlib import Path

from bandwright.words.measurement import Fact

__all__ = ["NearSide", "address_kind", "default_gateway", "interface_octets", "interface_of", "link_facts", "udp_receive_errors"]

_NET = Path("/sys/class/net")
_PROC_NET = Path("/proc/thread-self/net")  # of this thread: a test may live in a network namespace of its own
_SHARED = ipaddress.ip_network("100.64.0.0/10")  # RFC 6598


def interface_of(local_address: str) -> str | None:
    """Return the name of the interface that has that address, or None where the system does not tell."""
    if not _NET.is_dir():
        return None
    if ":" in local_address:
        return _interface_of_v6(local_address.partition("%")[0])
    import fcntl
    import struct

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for _, name in socket.if_nameindex():
            with contextlib.suppress(OSError):
                answer = fcntl.ioctl(sock.fileno(), 0x8915, struct.pack("256s", name.encode()[:15]))  # SIOCGIFADDR
                if socket.inet_ntoa(answer[20:24]) == local_address:
                    return name
    return None


def _interface_of_v6(address: str) -> str | None:
    wanted = ipaddress.ip_address(address).packed.hex()
    with contextlib.suppress(OSError):
        for line in (_PROC_NET / "if_inet6").read_text(encoding="ascii").splitlines():
            fields = line.split()
            if fields[0] == wanted:
                return fields[5]
    return None


def link_facts(interface: str | None) -> dict[str, Fact]:
    """Return link (ethernet, wifi, other), port_speed_mbps and duplex of an interface."""
    if interface is None or not (_NET / interface).is_dir():
        return {"link": None, "port_speed_mbps": None, "duplex": None}
    path = _NET / interface
    kind = "wifi" if (path / "wireless").exists() or (path / "phy80211").exists() else "ethernet" if (path / "device").exists() else "other"
    speed: int | None = None
    duplex: str | None = None
    with contextlib.suppress(OSError, ValueError):
        speed = int((path / "speed").read_text())
    with contextlib.suppress(OSError):
        duplex = (path / "duplex").read_text().strip()
    return {"link": kind, "port_speed_mbps": speed if speed and speed > 0 and kind != "other" else None, "duplex": duplex if kind == "ethernet" else None}


def interface_octets(interface: str | None) -> tuple[int, int] | None:
    """Return octets (received, sent) of an interface since it came up, from /proc/net/dev; None where unknown."""
    if interface is None:
        return None
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in (_PROC_NET / "dev").read_text(encoding="ascii").splitlines():
            name, colon, counts = line.partition(":")
            if colon and name.strip() == interface:
                fields = counts.split()
                return int(fields[0]), int(fields[8])
    return None


def udp_receive_errors() -> int | None:
    """Return how many UDP packets this computer dropped because a program was too slow (RcvbufErrors), or None."""
    with contextlib.suppress(OSError, ValueError):
        rows = [line.split() for line in (_PROC_NET / "snmp").read_text(encoding="ascii").splitlines() if line.startswith("Udp:")]
        return int(rows[1][rows[0].index("RcvbufErrors")])
    return None


def address_kind(local_address: str) -> str:
    """Return what kind of address the near end has: public, private, shared (RFC 6598), or local."""
    ip = ipaddress.ip_address(local_address.partition("%")[0])
    if ip.version == 4 and ip in _SHARED:
        return "shared"
    if ip.is_loopback or ip.is_link_local:
        return "local"
    return "private" if ip.is_private else "public"


def default_gateway(interface: str | None = None) -> str | None:
    """Return the IPv4 address of the next hop of the default route (of an interface), or None."""
    with contextlib.suppress(OSError, ValueError):
        for line in (_PROC_NET / "route").read_text(encoding="ascii").splitlines()[1:]:
            fields = line.split()
            if fields[1] == "00000000" and int(fields[3], 16) & 2 and interface in (None, fields[0]):
                return socket.inet_ntoa(bytes.fromhex(fields[2])[::-1])
    return None


@dataclass(frozen=True, slots=True)
class NearSide:
    """A look at the near end: its interface's counters and its UDP errors at one moment."""

    at_s: float
    octets: tuple[int, int] | None
    udp_errors: int | None

    @classmethod
    def look(cls, interface: str | None) -> NearSide:
        """Look now."""
        return cls(time.monotonic(), interface_octets(interface), udp_receive_errors())

    def other_traffic_mbps(self, later: NearSide, *, own_octets: float) -> float | None:
        """Return the rate of the near end's other traffic between two looks, both directions added; None where unknown."""
        if self.octets is None or later.octets is None or later.at_s <= self.at_s:
            return None
        moved = sum(later.octets) - sum(self.octets)
        return max(0.0, moved - own_octets) * 8 / (later.at_s - self.at_s) / 1e6

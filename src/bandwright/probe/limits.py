"""What the far end allows: the table of limits, how often an address may knock, and what a load may take.

All of it is plain arithmetic over a time that is passed in.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from dataclasses import dataclass

__all__ = ["Knocks", "Limits", "Refusal", "granted_octets", "network_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the far end's owner allows."""

    megabytes_per_day: float = 20_000.0
    megabytes_per_month: float = 400_000.0
    load_seconds: float = 30.0
    load_mbps: float = 10_000.0
    streams: int = 16
    probes_per_s: float = 1000.0
    knocks_per_s: float = 5.0  # new connections from one IPv4 /24 or IPv6 /56
    pending: int = 16  # connections that have not yet proved themselves
    unproved_s: float = 5.0  # how long one may try
    idle_s: float = 45.0  # how long a session without a word is kept
    queue_s: float = 30.0  # how long a test may wait for the one before it


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why the far end will not. code: for programs; reason: for people."""

    code: str
    reason: str


def granted_octets(asked: float, *, limits: Limits, day_octets: int, month_octets: int) -> float | Refusal:
    """Return how many octets a load may move: what was asked, or the refusal where the day's or the month's transfer is used up."""
    left_day = limits.megabytes_per_day * 1e6 - day_octets
    left_month = limits.megabytes_per_month * 1e6 - month_octets
    if left_month <= 0:
        return Refusal("month", "The far end's transfer for this month is used up.")
    if left_day <= 0:
        return Refusal("day", "The far end's transfer for today is used up.")
    return min(asked, left_day, left_month)


def network_of(address: str) -> str:
    """Return the /24 or /56 that an address belongs to. An address that cannot be read is a network of its own."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped:
        ip = ip.ipv4_mapped
    return str(ipaddress.ip_network(f"{ip}/{24 if ip.version == 4 else 56}", strict=False))


class Knocks:
    """Counts new connections by network: at most rate_per_s in the long run, and burst at once. Memory is bounded."""

    def __init__(self, *, rate_per_s: float, burst: float = 40.0, networks: int = 4096) -> None:
        self._rate, self._burst, self._networks = rate_per_s, burst, networks
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def admit(self, address: str, *, now_s: float) -> bool:
        """Return whether one more connection from this address's network may be answered."""
        network = network_of(address)
        level, at = self._buckets.pop(network, (self._burst, now_s))
        level = min(self._burst, level + (now_s - at) * self._rate)
        admitted = level >= 1.0
        self._buckets[network] = (level - admitted, now_s)
        while len(self._buckets) > self._networks:
            self._buckets.popitem(last=False)
        return admitted

"""STAMP packets (RFC 8762) with the session identifier of RFC 8972, both modes, as functions between octets and values.

Timestamps on the wire are NTP 64-bit, written from and read to nanoseconds since 1970. No socket here, and no clock.
"""

from __future__ import annotations

import hmac
import struct
from dataclasses import dataclass

__all__ = [
    "AUTHENTICATED_OCTETS",
    "ERROR_ESTIMATE",
    "PLAIN_OCTETS",
    "Reflection",
    "ReplayWindow",
    "error_estimate_s",
    "ns_from_ntp",
    "ntp_from_ns",
    "pack_reflection",
    "pack_sender",
    "parse_reflection",
    "parse_sender",
    "ssid_of",
]

PLAIN_OCTETS = 44
AUTHENTICATED_OCTETS = 112
_UNIX_TO_NTP_S = 2208988800  # RFC 5905, figure 4

# S=0 (the clocks of the two ends are not taken to agree), Z=0 (NTP), scale 23, multiplier 1: 2^-9 s, about 2 ms.
ERROR_ESTIMATE = 0x1701

_SENDER = struct.Struct("!IQHH28x")
_SENDER_AUTH = struct.Struct("!I12xQHH68x")
_REFLECTED = struct.Struct("!IQHHQIQH2xB3x")
_REFLECTED_AUTH = struct.Struct("!I12xQHH4xQ8xI12xQH6xB15x")


@dataclass(frozen=True, slots=True)
class Reflection:
    """What a reflector says. Times are NTP 64-bit: t1 sent, t2 received there, t3 sent back. sequence: the reflector's own."""

    sequence: int
    t3: int
    t2: int
    sender_sequence: int
    t1: int
    ssid: int
    ttl: int


def ntp_from_ns(ns: int) -> int:
    """Return the NTP 64-bit timestamp of nanoseconds since 1970, rounded to the nearest 2^-32 s. Source: RFC 5905, 6."""
    seconds, rest = divmod(ns, 1_000_000_000)
    return ((seconds + _UNIX_TO_NTP_S) << 32) + ((rest << 32) + 500_000_000) // 1_000_000_000 & 0xFFFFFFFFFFFFFFFF


def ns_from_ntp(ntp: int) -> int:
    """Return nanoseconds since 1970 of an NTP 64-bit timestamp of era 0 (until 2036)."""
    return ((ntp >> 32) - _UNIX_TO_NTP_S) * 1_000_000_000 + ((ntp & 0xFFFFFFFF) * 1_000_000_000 + (1 << 31) >> 32)


def error_estimate_s(field: int) -> float | None:
    """Return the error that an Error Estimate states, in s; None where its multiplier is 0, which RFC 4656, 4.1.2 forbids."""
    multiplier, scale = field & 0xFF, field >> 8 & 0x3F
    return multiplier * 2.0 ** (scale - 32) if multiplier else None


def pack_sender(*, sequence: int, t1: int, ssid: int, key: bytes | None) -> bytes:
    """Return a sender's packet: 112 octets with its HMAC where there is a key, else 44. t1: NTP. Source: RFC 8762, 4.2."""
    if key is None:
        return _SENDER.pack(sequence & 0xFFFFFFFF, t1, ERROR_ESTIMATE, ssid)
    base = _SENDER_AUTH.pack(sequence & 0xFFFFFFFF, t1, ERROR_ESTIMATE, ssid)
    return base + hmac.digest(key, base, "sha256")[:16]


def ssid_of(packet: bytes | memoryview) -> int | None:
    """Return the session identifier of an authenticated packet, before anything else of it is believed; None if too short."""
    return int.from_bytes(packet[26:28], "big") if len(packet) >= AUTHENTICATED_OCTETS else None


def parse_sender(packet: bytes, *, key: bytes | None) -> tuple[int, int, int, int] | None:
    """Return (sequence, t1, ssid, error estimate) of a sender's packet, or None where it is too short or its HMAC is wrong."""
    if key is None:
        return _order(_SENDER.unpack_from(packet)) if len(packet) >= PLAIN_OCTETS else None
    if len(packet) < AUTHENTICATED_OCTETS or not hmac.compare_digest(hmac.digest(key, packet[:96], "sha256")[:16], packet[96:112]):
        return None
    return _order(_SENDER_AUTH.unpack_from(packet))


def _order(fields: tuple[int, ...]) -> tuple[int, int, int, int]:
    sequence, t1, error, ssid = fields
    return sequence, t1, ssid, error


def pack_reflection(reflection: Reflection, *, key: bytes | None, sender_error: int = ERROR_ESTIMATE) -> bytes:
    """Return a reflector's packet, as long as the sender's base. Source: RFC 8762, 4.3."""
    r = reflection
    fields = (r.sequence & 0xFFFFFFFF, r.t3, ERROR_ESTIMATE, r.ssid, r.t2, r.sender_sequence, r.t1, sender_error, r.ttl)
    if key is None:
        return _REFLECTED.pack(*fields)
    base = _REFLECTED_AUTH.pack(*fields)
    return base + hmac.digest(key, base, "sha256")[:16]


def parse_reflection(packet: bytes, *, key: bytes | None) -> Reflection | None:
    """Return what a reflector says, or None where the packet is too short or its HMAC is wrong."""
    if key is None:
        if len(packet) < PLAIN_OCTETS:
            return None
        fields = _REFLECTED.unpack_from(packet)
    else:
        if len(packet) < AUTHENTICATED_OCTETS or not hmac.compare_digest(hmac.digest(key, packet[:96], "sha256")[:16], packet[96:112]):
            return None
        fields = _REFLECTED_AUTH.unpack_from(packet)
    sequence, t3, _, ssid, t2, sender_sequence, t1, _, ttl = fields
    return Reflection(sequence, t3, t2, sender_sequence, t1, ssid, ttl)


class ReplayWindow:
    """Which sequence numbers of a session may still be answered: none twice, none more than 64 behind the newest."""

    __slots__ = ("_highest", "_seen")

    def __init__(self) -> None:
        self._highest, self._seen = -1, 0

    def admit(self, sequence: int) -> bool:
        """Return whether this sequence number is new, and remember it."""
        ahead = sequence - self._highest
        if ahead > 0:
            self._seen = (self._seen << ahead | 1) & 0xFFFFFFFFFFFFFFFF if ahead < 64 else 1
            self._highest = sequence
            return True
        if ahead <= -64 or self._seen >> -ahead & 1:
            return False
        self._seen |= 1 << -ahead
        return True

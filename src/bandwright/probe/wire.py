"""Wire protocol version 1 between near end and far end: plain functions between octets and values, no socket in sight.

Control is TLS 1.3 over TCP; in it go frames of 4 octets length, most significant first, and a JSON object of at most 64 KiB
with a `type`. TCP load connections and all UDP go in clear to the same port number; each load connection or flow opens with
a one-use tag and a MAC. The whole protocol is written down in docs/wire.md.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = [
    "LOAD_HEADER_OCTETS",
    "MAX_FRAME_OCTETS",
    "OPENING_OCTETS",
    "UDP_OPENING_OCTETS",
    "VERSIONS",
    "Feedback",
    "FrameReader",
    "LoadHeader",
    "Message",
    "UdpOpening",
    "WireError",
    "auth_mac",
    "choose_version",
    "cookie_for",
    "derive",
    "encode",
    "fingerprint",
    "pack_cookie",
    "pack_feedback",
    "pack_load_header",
    "pack_opening",
    "pack_udp_opening",
    "parse_cookie",
    "parse_feedback",
    "parse_load_header",
    "parse_opening",
    "parse_udp_opening",
    "unpack_load",
]

VERSIONS = (1,)
MAX_FRAME_OCTETS = 65536
OPENING_OCTETS = 36
UDP_OPENING_OCTETS = 72
LOAD_HEADER_OCTETS = 20
Message = dict[str, Any]


class WireError(Exception):
    """The other end sent what version 1 does not know. Never leaves the room."""


def encode(message: Mapping[str, Any]) -> bytes:
    """Return a frame. Raises WireError where it would be longer than 64 KiB."""
    body = json.dumps(message, separators=(",", ":"), allow_nan=False).encode()
    if len(body) > MAX_FRAME_OCTETS:
        raise WireError(f"a frame of {len(body)} octets is longer than {MAX_FRAME_OCTETS}")
    return struct.pack("!I", len(body)) + body


class FrameReader:
    """Cuts a stream of octets into messages."""

    def __init__(self, max_octets: int = MAX_FRAME_OCTETS) -> None:
        self._buffer = bytearray()
        self._max_octets = max_octets

    def feed(self, data: bytes) -> list[Message]:
        """Return the messages completed by data. Raises WireError on a frame too long, no JSON object, or no type."""
        self._buffer += data
        out: list[Message] = []
        while len(self._buffer) >= 4:
            (length,) = struct.unpack_from("!I", self._buffer)
            if length > self._max_octets:
                raise WireError(f"a frame of {length} octets was announced; at most {self._max_octets} are allowed")
            if len(self._buffer) < 4 + length:
                break
            body = bytes(self._buffer[4 : 4 + length])
            del self._buffer[: 4 + length]
            out.append(_message(body))
        return out


def _message(body: bytes) -> Message:
    try:
        message = json.loads(body)
    except (ValueError, RecursionError):
        raise WireError("a frame holds no JSON") from None
    if not isinstance(message, dict) or not isinstance(message.get("type"), str):
        raise WireError("a frame holds no object with a type")
    return message


def choose_version(offered: object) -> int | None:
    """Return the highest version both ends know, or None."""
    if not isinstance(offered, list):
        return None
    common = [v for v in offered if isinstance(v, int) and not isinstance(v, bool) and v in VERSIONS]
    return max(common, default=None)


def auth_mac(key: bytes, *, nonce_far: bytes, nonce_near: bytes, near_id: str, certificate_sha256: bytes) -> bytes:
    """Return the near end's proof, bound to both nonces and to the certificate that TLS showed."""
    return hmac.digest(key, b"bw1 auth" + nonce_far + nonce_near + near_id.encode() + certificate_sha256, "sha256")


def derive(session_key: bytes, use: str) -> bytes:
    """Return the key of one use ("stamp", "load", "proof") of a session."""
    return hmac.digest(session_key, use.encode(), "sha256")


def _mac(key: bytes, data: bytes) -> bytes:
    return hmac.digest(key, data, "sha256")[:16]


def pack_opening(tag: bytes, key: bytes) -> bytes:
    """Return the 36 octets with which a TCP load connection opens. tag: 16 octets."""
    head = b"bw1t" + tag
    return head + _mac(key, head)


def parse_opening(data: bytes) -> tuple[bytes, bytes, bytes]:
    """Return (tag, signed octets, mac) of a TCP opening. Raises WireError."""
    if len(data) != OPENING_OCTETS or data[:4] != b"bw1t":
        raise WireError("no opening of a load connection")
    return data[4:20], data[:20], data[20:]


@dataclass(frozen=True, slots=True)
class UdpOpening:
    """How a UDP flow opens: first without a cookie (16 zero octets), then with the one that came back."""

    tag: bytes
    cookie: bytes

    @property
    def has_cookie(self) -> bool:
        """Whether this is the second opening."""
        return any(self.cookie)


def pack_udp_opening(opening: UdpOpening, key: bytes) -> bytes:
    """Return the 72 octets of a UDP opening: magic 4, tag 16, cookie 16, zeros 20 (so that the answer is shorter), MAC 16."""
    head = b"bw1u" + opening.tag + opening.cookie + bytes(20)
    return head + _mac(key, head)


def parse_udp_opening(data: bytes, keys: Mapping[bytes, bytes]) -> UdpOpening | None:
    """Return a UDP opening whose tag is expected and whose MAC is right, else None. keys: tag -> key."""
    if len(data) != UDP_OPENING_OCTETS or data[:4] != b"bw1u":
        return None
    key = keys.get(data[4:20])
    if key is None or not hmac.compare_digest(_mac(key, data[:56]), data[56:]):
        return None
    return UdpOpening(tag=data[4:20], cookie=data[20:36])


def cookie_for(secret: bytes, *, tag: bytes, peer: str) -> bytes:
    """Return the cookie that proves an address: 16 octets that only the far end can make. peer: "host port"."""
    return hmac.digest(secret, tag + peer.encode(), "sha256")[:16]


def pack_cookie(tag: bytes, cookie: bytes, key: bytes) -> bytes:
    """Return the far end's answer to a first opening: 52 octets, shorter than what asked for it. A zero cookie: accepted."""
    head = b"bw1c" + tag + cookie
    return head + _mac(key, head)


def parse_cookie(data: bytes, *, tag: bytes, key: bytes) -> bytes | None:
    """Return the cookie of an answer (16 zero octets: the flow is accepted), or None where it is not for us."""
    if len(data) != 52 or data[:20] != b"bw1c" + tag or not hmac.compare_digest(_mac(key, data[:36]), data[36:]):
        return None
    return data[20:36]


@dataclass(frozen=True, slots=True)
class LoadHeader:
    """The first 20 octets of a UDP load packet. send_ns: sender's clock. step: how often the rate was changed. flags: 1 train."""

    tag: int
    seq: int
    send_ns: int
    step: int
    flags: int


_LOAD = struct.Struct("!IIQHH")


def pack_load_header(header: LoadHeader) -> bytes:
    """Return the 20 octets of a load header."""
    return _LOAD.pack(header.tag, header.seq, header.send_ns, header.step, header.flags)


def unpack_load(data: bytes | memoryview) -> tuple[int, int, int, int, int]:
    """Return (tag, sequence, send time, step, flags) of a packet of at least 20 octets: `parse_load_header` for the hot loop."""
    return _LOAD.unpack_from(data)


def parse_load_header(data: bytes | memoryview) -> LoadHeader:
    """Return the load header of a packet of at least 20 octets. Raises WireError."""
    if len(data) < LOAD_HEADER_OCTETS:
        raise WireError("a load packet shorter than its header")
    return LoadHeader(*_LOAD.unpack_from(data))


@dataclass(frozen=True, slots=True, kw_only=True)
class Feedback:
    """What the receiver of a UDP load says each 50 ms. Counts are since the start; delays are of this interval.

    delay: receive minus send time, of two clocks that were never set together: only differences mean anything.
    last_ns: receive stamp of the last packet. highest_seq: -1 where nothing came yet.
    """

    seq: int
    packets: int
    octets: int
    highest_seq: int
    min_delay_ns: int
    max_delay_ns: int
    last_ns: int
    fresh: int  # packets in this interval


_FEEDBACK = struct.Struct("!4sIQQqqqQI")


def pack_feedback(feedback: Feedback, key: bytes) -> bytes:
    """Return a feedback packet with its MAC."""
    head = _FEEDBACK.pack(
        b"bw1f",
        feedback.seq,
        feedback.packets,
        feedback.octets,
        feedback.highest_seq,
        feedback.min_delay_ns,
        feedback.max_delay_ns,
        feedback.last_ns,
        feedback.fresh,
    )
    return head + _mac(key, head)


def parse_feedback(data: bytes, key: bytes) -> Feedback | None:
    """Return a feedback packet whose MAC is right, else None."""
    if len(data) != _FEEDBACK.size + 16 or data[:4] != b"bw1f" or not hmac.compare_digest(_mac(key, data[:-16]), data[-16:]):
        return None
    _, seq, packets, octets, highest, low, high, last, fresh = _FEEDBACK.unpack(data[:-16])
    return Feedback(seq=seq, packets=packets, octets=octets, highest_seq=highest, min_delay_ns=low, max_delay_ns=high, last_ns=last, fresh=fresh)


def fingerprint(certificate_der: bytes) -> bytes:
    """Return the SHA-256 of a certificate."""
    return hashlib.sha256(certificate_der).digest()

"""The small part of HTTP/2 that responsiveness needs, as functions between octets and values.

Frames (RFC 9113, 4 and 6), request headers as plain literals and the status of a response (RFC 7541). No dynamic table is kept:
the near end reads of a response's headers only its status, which comes first, and the far end's own server reads only headers
written as we write them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

__all__ = [
    "ACK",
    "DATA",
    "END_HEADERS",
    "END_STREAM",
    "GOAWAY",
    "HEADERS",
    "MAX_WINDOW",
    "PING",
    "PREFACE",
    "RST_STREAM",
    "SETTINGS",
    "WINDOW_UPDATE",
    "Frame",
    "FrameCutter",
    "Http2Error",
    "pack_frame",
    "path_of",
    "request_headers",
    "response_headers",
    "settings",
    "status_of",
    "window_update",
]

PREFACE = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"
DATA, HEADERS, RST_STREAM, SETTINGS, PING, GOAWAY, WINDOW_UPDATE = 0, 1, 3, 4, 6, 7, 8
END_STREAM, ACK, END_HEADERS = 0x1, 0x1, 0x4
MAX_WINDOW = 2**31 - 1
_LONGEST_FRAME = 16384  # what both sides may send before a larger one is agreed
_STATUS = {8: 200, 9: 204, 10: 206, 11: 304, 12: 400, 13: 404, 14: 500}  # RFC 7541, appendix A


class Http2Error(Exception):
    """The other end sent what this part of HTTP/2 does not know. Never leaves the room."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame. size: octets of its payload; payload is kept for all but DATA, whose content means nothing here unless asked for."""

    kind: int
    flags: int
    stream: int
    size: int
    payload: bytes


class FrameCutter:
    """Cuts a stream of octets into frames; the payload of DATA is kept only where keep_data is set."""

    def __init__(self, *, keep_data: bool = False, longest: int = 2**20) -> None:
        self._buffer = bytearray()
        self._skip = 0
        self._keep_data, self._longest = keep_data, longest
        self._head: tuple[int, int, int, int] | None = None

    def feed(self, data: bytes | memoryview) -> list[Frame]:
        """Return the frames completed by data. Raises Http2Error on a frame longer than a mebioctet."""
        self._buffer += data
        out: list[Frame] = []
        at = 0
        while len(self._buffer) - at >= 9:
            length = int.from_bytes(self._buffer[at : at + 3], "big")
            kind, flags, stream = struct.unpack_from("!BBI", self._buffer, at + 3)
            if length > self._longest:
                raise Http2Error(f"a frame of {length} octets")
            if len(self._buffer) - at < 9 + length:
                break
            wanted = kind != DATA or self._keep_data
            out.append(Frame(kind, flags, stream & MAX_WINDOW, length, bytes(self._buffer[at + 9 : at + 9 + length]) if wanted else b""))
            at += 9 + length
        del self._buffer[:at]
        return out


def pack_frame(kind: int, flags: int, stream: int, payload: bytes = b"") -> bytes:
    """Return a frame."""
    return len(payload).to_bytes(3, "big") + struct.pack("!BBI", kind, flags, stream) + payload


def settings(*, window: int | None = None, ack: bool = False) -> bytes:
    """Return a SETTINGS frame: no server push, and the window of each stream."""
    if ack:
        return pack_frame(SETTINGS, ACK, 0)
    values = struct.pack("!HI", 2, 0) + (struct.pack("!HI", 4, window) if window is not None else b"")
    return pack_frame(SETTINGS, 0, 0, values)


def window_update(stream: int, increment: int) -> bytes:
    """Return a WINDOW_UPDATE frame."""
    return pack_frame(WINDOW_UPDATE, 0, stream, struct.pack("!I", increment))


def _literal(index: int, value: bytes) -> bytes:
    """Return a header of the static table's name with a plain value, not to be indexed (RFC 7541, 6.2.2)."""
    head = bytes([index]) if index < 15 else bytes([15, index - 15])
    if len(value) > 126:
        raise Http2Error("a header value too long for this part of HTTP/2")
    return head + bytes([len(value)]) + value


def request_headers(*, stream: int, authority: str, path: str) -> bytes:
    """Return the HEADERS frame of a GET."""
    block = b"\x82\x87" + _literal(4, path.encode()) + _literal(1, authority.encode()) + _literal(16, b"identity")
    return pack_frame(HEADERS, END_HEADERS | END_STREAM, stream, block)


def response_headers(*, stream: int, status: int = 200, length: int | None = None, kind: str = "application/octet-stream") -> bytes:
    """Return the HEADERS frame of a response with status 200 or 404."""
    block = (b"\x88" if status == 200 else b"\x8d") + _literal(31, kind.encode()) + (_literal(28, str(length).encode()) if length is not None else b"")
    return pack_frame(HEADERS, END_HEADERS | (END_STREAM if status != 200 else 0), stream, block)


def status_of(frame: Frame) -> int | None:
    """Return the status of a response's HEADERS, or None where it is not one of the seven of the static table."""
    block = _block(frame)
    at = 0
    while at < len(block) and block[at] & 0xE0 == 0x20:  # a change of the dynamic table's size comes first (RFC 7541, 6.3 and 5.1)
        goes_on = block[at] & 0x1F == 0x1F
        at += 1
        while goes_on and at < len(block):
            goes_on = bool(block[at] & 0x80)
            at += 1
    return _STATUS.get(block[at] & 0x7F) if at < len(block) and block[at] & 0x80 else None


def path_of(frame: Frame) -> str | None:
    """Return the path of a request's HEADERS where it is written as `request_headers` writes it, else None."""
    block = _block(frame)
    if block[:2] != b"\x82\x87" or len(block) < 4 or block[2] != 4 or block[3] > 126:
        return None
    try:
        return block[4 : 4 + block[3]].decode("ascii")
    except UnicodeDecodeError:
        return None


def _block(frame: Frame) -> bytes:
    """Return the header block without padding and priority (RFC 9113, 6.2)."""
    block, padding = frame.payload, 0
    if frame.flags & 0x8 and block:
        padding, block = block[0], block[1:]
    if frame.flags & 0x20:
        block = block[5:]
    return block[: len(block) - padding] if padding else block

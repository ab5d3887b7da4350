"""A fuzzer of the far end's two ports: mutated real messages, cut, repeated and mixed; it reports every answer that should not be."""

from __future__ import annotations

import contextlib
import random
import socket
import ssl
import time
from dataclasses import dataclass, field

from bandwright.probe import stamp, wire

__all__ = ["Found", "fuzz"]


@dataclass
class Found:
    """What happened. tcp_answers: application octets that were no welcome to a well-formed hello."""

    udp_sent: int = 0
    udp_answers: int = 0
    tcp_talks: int = 0
    tcp_answers: list[bytes] = field(default_factory=list)


def fuzz(port: int, seconds: float, rng: random.Random) -> Found:
    """Send junk to UDP and TCP of a far end on loopback for so long."""
    found, end = Found(), time.monotonic() + seconds
    udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    udp.connect(("127.0.0.1", port))
    udp.setblocking(False)
    with udp:
        while time.monotonic() < end:
            for _ in range(50):
                with contextlib.suppress(OSError):
                    udp.send(_mutated(rng, rng.choice(_udp_seeds())))
                    found.udp_sent += 1
                with contextlib.suppress(OSError):
                    udp.recv(2048)
                    found.udp_answers += 1
            with contextlib.suppress(OSError):
                _talk(port, rng, found)
    return found


def _udp_seeds() -> list[bytes]:
    return [
        stamp.pack_sender(sequence=1, t1=1 << 62, ssid=1, key=b"k"),
        stamp.pack_sender(sequence=1, t1=0, ssid=65535, key=None),
        wire.pack_udp_opening(wire.UdpOpening(bytes(range(16)), bytes(16)), b"k"),
        wire.pack_cookie(bytes(16), bytes(16), b"k"),
        wire.pack_load_header(wire.LoadHeader(1, 2, 3, 4, 5)) + bytes(1180),
        b"",
    ]


def _messages() -> list[dict[str, object]]:
    nonce = "00" * 16
    return [
        {"type": "hello", "versions": [1], "near_id": "0123456789abcdef", "nonce": nonce},
        {"type": "hello", "versions": [1, 2], "near_id": "", "nonce": nonce},
        {"type": "hello", "versions": {"1": 1}, "near_id": 5, "nonce": None},
        {"type": "auth", "mac": "00" * 32, "resume": nonce},
        {"type": "load", "kind": "tcp", "direction": "down", "streams": 4, "seconds": 1e9, "max_octets": -1},
        {"type": "go", "load": 1},
    ]


def _mutated(rng: random.Random, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(rng.randrange(4)):
        kind = rng.randrange(4)
        at = rng.randrange(len(out) + 1)
        if kind == 0 and out:
            out[at % len(out)] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del out[at:]
        elif kind == 2:
            out[at:at] = rng.randbytes(rng.randrange(40))
        else:
            out += out[:at]
    return bytes(out[:60000])


def _talk(port: int, rng: random.Random, found: Found) -> None:
    found.tcp_talks += 1
    sock = socket.create_connection(("127.0.0.1", port), timeout=0.3)
    with sock:
        if rng.random() < 0.4:  # no TLS at all, or the beginning of a load connection
            seed = rng.choice([wire.pack_opening(bytes(range(16)), b"k"), b"GET / HTTP/1.1\r\n\r\n", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"])
            data = _mutated(rng, seed)
            sock.sendall(data)
            answer = sock.recv(4096)
            if answer and data[:1] != b"\x16":
                found.tcp_answers.append(answer)
            return
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        with context.wrap_socket(sock) as tls:
            for _ in range(rng.randrange(1, 4)):
                tls.sendall(_mutated(rng, wire.encode(rng.choice(_messages()))))
            tls.settimeout(0.05)
            answer = tls.recv(65536)
            if answer and not _is_welcome(answer):
                found.tcp_answers.append(answer)


def _is_welcome(answer: bytes) -> bool:
    try:
        messages = wire.FrameReader().feed(answer)
    except wire.WireError:
        return False
    return len(messages) == 1 and set(messages[0]) == {"type", "version", "versions", "nonce"}

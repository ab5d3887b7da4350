"""Name lookup through one network interface: each gateway's own way to the names, where two gateways stand side by side.

The system's resolver asks whichever server it likes over whichever interface it likes, so it says nothing of a gateway under test. Here the gateway
at the other end of the interface is asked first, then the system's own servers, all through that interface. Where nothing there serves names at
all (each refuses), the system is asked as usual. Plain queries over UDP, no TCP, no DNSSEC.
Source: RFC 1035, 4.1; RFC 3596, 2.2; RFC 6891, 6.1.1 (the larger answer).
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
import struct
from collections.abc import Callable, Sequence
from pathlib import Path

from bandwright.probe import nearside, sockets
from bandwright.probe.contact import Address, Resolve, resolve

__all__ = ["Asker", "answer_addresses", "query", "resolve_through"]

_ANSWER_S = 2.0
_PORT = 53
_A, _AAAA, _OPT, _IN = 1, 28, 41, 1
_FAMILIES = {_A: (socket.AF_INET, 4), _AAAA: (socket.AF_INET6, 16)}
_MOST_HOPS = 16

Asker = Callable[[str, bytes], bytes]


def resolve_through(interface: str, *, servers: Sequence[str] | None = None, ask: Asker | None = None) -> Resolve:
    """Return a lookup whose questions leave by an interface. Its calls block, and raise OSError where no server answers or none has the name.

    servers: addresses to ask in turn; None is the gateway behind the interface, then the system's servers that are not this computer.
    """

    def look_up(host: str, port: int) -> list[Address]:
        literal = _literal(host, port)
        if literal is not None:
            return [literal]
        asker = ask or (lambda server, data: _ask(server, data, interface))
        return _resolve(host, port, servers=_servers(interface) if servers is None else servers, ask=asker)

    return look_up


def query(host: str, kind: int, *, number: int) -> bytes:
    """Return a question for a host's A (1) or AAAA (28) records. Raises OSError for a name that cannot be asked for."""
    try:
        labels = [label.encode("idna") if not label.isascii() else label.encode("ascii") for label in host.rstrip(".").split(".")]
    except UnicodeError:
        raise OSError(f"{host!r} is no name that can be looked up") from None
    if not all(0 < len(label) < 64 for label in labels) or sum(len(label) + 1 for label in labels) > 254:
        raise OSError(f"{host!r} is no name that can be looked up")
    name = b"".join(bytes([len(label)]) + label for label in labels) + b"\0"
    extra = b"\0" + struct.pack(">HHIH", _OPT, 1232, 0, 0)
    return struct.pack(">HHHHHH", number, 0x0100, 1, 0, 0, 1) + name + struct.pack(">HH", kind, _IN) + extra


def answer_addresses(data: bytes, *, number: int, kind: int) -> list[str] | None:
    """Return the addresses in an answer; [] where the name has none of that kind, None where this is no answer to that question.

    Raises OSError where the server says that there is no such name, or that it cannot or will not say.
    """
    if len(data) < 12:
        return None
    got, flags, questions, answers = struct.unpack(">HHHH", data[:8])
    if got != number or not flags & 0x8000:
        return None
    code = flags & 0x000F
    if code:
        raise OSError({3: "there is no such name", 2: "the name server failed", 5: "the name server refuses"}.get(code, f"the name server answers with code {code}"))
    try:
        at = 12
        for _ in range(questions):
            at = _past_name(data, at) + 4
        found: list[str] = []
        for _ in range(answers):
            at = _past_name(data, at)
            of_kind, _class, _ttl, length = struct.unpack(">HHIH", data[at : at + 10])
            at += 10
            if of_kind == kind and length == _FAMILIES[kind][1] and at + length <= len(data):
                found.append(str(ipaddress.ip_address(data[at : at + length])))
            at += length
    except (struct.error, IndexError):
        return None
    return found


def _past_name(data: bytes, at: int) -> int:
    for _ in range(128):
        length = data[at]
        if length & 0xC0 == 0xC0:
            return at + 2
        at += 1 + length
        if not length:
            return at
    raise IndexError


def _resolve(host: str, port: int, *, servers: Sequence[str], ask: Asker) -> list[Address]:
    trouble: OSError | None = None
    for server in servers:
        try:
            found = [_address(text, port) for kind in (_AAAA, _A) for text in _one(host, kind, server, ask)]
        except ConnectionRefusedError:
            continue  # nothing serves names there
        except OSError as error:
            trouble = error
            if "no such name" in str(error):
                raise
            continue
        if found:
            return found
        trouble = OSError("the name has no address")
    if trouble is not None:
        raise trouble
    return resolve(host, port)


def _one(host: str, kind: int, server: str, ask: Asker) -> list[str]:
    number = secrets.randbelow(1 << 16)
    found = answer_addresses(ask(server, query(host, kind, number=number)), number=number, kind=kind)
    if found is None:
        raise OSError(f"{server} answered something else")
    return found


def _ask(server: str, data: bytes, interface: str) -> bytes:
    family = socket.AF_INET6 if ":" in server else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sock:
        sockets.bind_near(sock, interface=interface, source_address=None)
        sock.settimeout(_ANSWER_S)
        sock.connect((server, _PORT))  # only that server's answers come in, and a port that is shut is told
        sock.send(data)
        for _ in range(_MOST_HOPS):
            got = sock.recv(4096)
            if got[:2] == data[:2]:
                return got
    raise OSError(f"{server} answered something else")


def _servers(interface: str) -> list[str]:
    found = [gateway] if (gateway := nearside.default_gateway(interface)) else []
    try:
        text = Path("/etc/resolv.conf").read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        text = ""
    for line in text.splitlines():
        words = line.split()
        if len(words) >= 2 and words[0] == "nameserver":
            try:
                outside = not ipaddress.ip_address(words[1]).is_loopback
            except ValueError:
                continue
            if outside and words[1] not in found:
                found.append(words[1])
    return found


def _literal(host: str, port: int) -> Address | None:
    try:
        ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return None
    return next(iter(resolve(host, port)), None)


def _address(text: str, port: int) -> Address:
    return Address(int(socket.AF_INET6), (text, port, 0, 0)) if ":" in text else Address(int(socket.AF_INET), (text, port))

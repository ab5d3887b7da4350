"""The reflector: answers authenticated STAMP packets of known sessions, checks the openings of UDP loads, and is silent to all else.

It runs in a process of its own, so that nothing at the far end delays its answers, and stamps arrivals by the kernel's clock.
An answer goes to where the authenticated packet came from (a session survives a new address in front of the near end) and is
never longer than it.
"""

from __future__ import annotations

import contextlib
import hmac
import socket
import struct
import threading
import time
from dataclasses import dataclass, field
from typing import Any

from bandwright.probe import sockets, stamp, wire
from bandwright.probe.worker import Commands, Emit

__all__ = ["Reflector", "Session", "run"]

_IP_TTL, _IP_PKTINFO, _IP_RECVTTL = 2, 8, 12
_IPV6_RECVPKTINFO, _IPV6_PKTINFO, _IPV6_RECVHOPLIMIT, _IPV6_HOPLIMIT = 49, 50, 51, 52


@dataclass(slots=True)
class Session:
    """One near end's stream. left: how many packets may still be answered."""

    key: bytes
    left: int
    window: stamp.ReplayWindow = field(default_factory=stamp.ReplayWindow)
    answered: int = 0
    refused: int = 0


@dataclass(slots=True)
class Reflector:
    """What to answer, without a socket: `answer` is the whole rule."""

    cookie_secret: bytes
    sessions: dict[int, Session] = field(default_factory=dict)
    expected: dict[bytes, bytes] = field(default_factory=dict)  # one-use tag -> key

    def reflect(self, packet: bytes, *, t2_ns: int, ttl: int) -> bytes | None:
        """Return the answer to a STAMP packet, or None for silence."""
        ssid = stamp.ssid_of(packet)
        session = self.sessions.get(ssid) if ssid is not None else None
        if session is None:
            return None
        parsed = stamp.parse_sender(packet, key=session.key)
        if parsed is None:
            return None
        sequence, t1, ssid, sender_error = parsed
        if session.left <= 0 or not session.window.admit(sequence):
            session.refused += 1
            return None
        session.left -= 1
        t2 = stamp.ntp_from_ns(t2_ns)
        reflection = stamp.Reflection(session.answered, stamp.ntp_from_ns(time.time_ns()), t2, sequence, t1, ssid, ttl)
        session.answered += 1
        return stamp.pack_reflection(reflection, key=session.key, sender_error=sender_error)

    def open_flow(self, packet: bytes, *, peer: str) -> tuple[bytes | None, bytes | None]:
        """Return (answer, tag of a flow whose address is now proved) to a UDP opening; (None, None) is silence."""
        opening = wire.parse_udp_opening(packet, self.expected)
        if opening is None:
            return None, None
        cookie = wire.cookie_for(self.cookie_secret, tag=opening.tag, peer=peer)
        if not opening.has_cookie:
            return wire.pack_cookie(opening.tag, cookie, self.expected[opening.tag]), None
        if not hmac.compare_digest(cookie, opening.cookie):
            return None, None
        del self.expected[opening.tag]
        return None, opening.tag


def run(job: dict[str, Any], commands: Commands, emit: Emit) -> None:
    """Serve until the parent goes away. job: sockets (descriptors of bound UDP sockets), cookie_secret (hex).

    Commands: session {ssid, key, packets}, forget {ssid}, expect {tag, key}, unexpect {tag}. Each is acknowledged.
    """
    sockets.sharpen_timers()
    reflector = Reflector(cookie_secret=bytes.fromhex(job["cookie_secret"]))
    for fd in job["sockets"]:
        threading.Thread(target=_serve, args=(socket.socket(fileno=fd), reflector, emit), daemon=True).start()
    emit({"type": "up"})
    while True:
        command = commands.get()
        kind = command["type"]
        answer: dict[str, Any] = {"type": "done " + kind}
        if kind == "session":
            reflector.sessions[command["ssid"]] = Session(bytes.fromhex(command["key"]), command["packets"])
        elif kind == "forget":
            session = reflector.sessions.pop(command["ssid"], None)
            answer |= {"answered": session.answered, "refused": session.refused} if session else {}
        elif kind == "expect":
            reflector.expected[bytes.fromhex(command["tag"])] = bytes.fromhex(command["key"])
        elif kind == "unexpect":
            reflector.expected.pop(bytes.fromhex(command["tag"]), None)
        emit(answer)


def _serve(sock: socket.socket, reflector: Reflector, emit: Emit) -> None:
    stamps = sockets.ask_receive_stamps(sock)
    is_v6 = sock.family == socket.AF_INET6
    if sockets.IS_LINUX:
        level = socket.IPPROTO_IPV6 if is_v6 else socket.IPPROTO_IP
        for option in (_IPV6_RECVPKTINFO, _IPV6_RECVHOPLIMIT) if is_v6 else (_IP_PKTINFO, _IP_RECVTTL):
            sock.setsockopt(level, option, 1)
    sock.setblocking(True)
    while True:
        try:
            data, ancillary, _, peer = sock.recvmsg(2048, 256)
        except OSError:
            continue
        if len(data) >= stamp.AUTHENTICATED_OCTETS:  # what follows the base is padding, and is not sent back
            t2 = (sockets.receive_stamp_ns(ancillary) if stamps else None) or time.time_ns()
            ttl, control = _ttl_and_control(ancillary, is_v6=is_v6)
            answer = reflector.reflect(data, t2_ns=t2, ttl=ttl)
        elif len(data) == wire.UDP_OPENING_OCTETS:
            _, control = _ttl_and_control(ancillary, is_v6=is_v6)
            answer, tag = reflector.open_flow(data, peer=f"{peer[0]} {peer[1]}")
            if tag is not None:
                emit({"type": "flow", "tag": tag.hex(), "peer": list(peer), "local": _local(ancillary, is_v6=is_v6), "family": int(sock.family)})
        else:
            continue
        if answer is not None:
            with contextlib.suppress(OSError):
                sock.sendmsg([answer], control, 0, peer)


def _ttl_and_control(ancillary: list[tuple[int, int, bytes]], *, is_v6: bool) -> tuple[int, list[tuple[int, int, bytes]]]:
    """Return the packet's TTL, and what makes the answer leave from the address that was asked."""
    ttl, control = 255, []
    for level, kind, data in ancillary:
        if is_v6 and level == socket.IPPROTO_IPV6:
            if kind == _IPV6_HOPLIMIT:
                ttl = data[0]
            elif kind == _IPV6_PKTINFO:
                control = [(level, kind, data)]
        elif not is_v6 and level == socket.IPPROTO_IP:
            if kind == _IP_TTL:
                ttl = data[0]
            elif kind == _IP_PKTINFO:
                control = [(level, kind, struct.pack("=I", 0) + data[4:8] + bytes(4))]
    return ttl, control


def _local(ancillary: list[tuple[int, int, bytes]], *, is_v6: bool) -> str | None:
    for level, kind, data in ancillary:
        if is_v6 and level == socket.IPPROTO_IPV6 and kind == _IPV6_PKTINFO:
            return socket.inet_ntop(socket.AF_INET6, data[:16])
        if not is_v6 and level == socket.IPPROTO_IP and kind == _IP_PKTINFO:
            return socket.inet_ntop(socket.AF_INET, data[8:12])
    return None

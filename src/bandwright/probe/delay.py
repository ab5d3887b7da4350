"""The delay stream: STAMP packets sent at a steady pace in a process of their own, beside everything else that is measured.

Each packet carries its true send time, so that sending late does no harm; arrivals are stamped by the kernel where it can.
Forward and return delays are of two clocks that were never set together: only their variation means anything.
Source: RFC 8762 (STAMP), RFC 8972 (session identifier).
"""

from __future__ import annotations

import contextlib
import queue
import select
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from bandwright.probe import sockets, stamp
from bandwright.probe.worker import Commands, Emit

__all__ = ["Stream", "run"]

_SAY_EVERY_NS = 20_000_000
_MOST_PER_S = 1000.0


@dataclass(slots=True)
class Stream:
    """What is known of the packets of one stream. Rows: sequence, sent (monotonic ns), round trip, there, back (ns), reflector's sequence."""

    ssid: int
    key: bytes | None
    guard: sockets.ClockGuard = field(default_factory=sockets.ClockGuard)
    sent: list[int] = field(default_factory=list)  # monotonic ns by sequence
    rows: list[tuple[int, int, int, int, int, int]] = field(default_factory=list)
    stepped: list[int] = field(default_factory=list)  # sequences whose delay spans a step of the wall clock
    padded: dict[int, int] = field(default_factory=dict)  # sequence -> IP octets, of packets that ask for the path's MTU
    refused: int = 0
    _t1_ns: dict[int, int] = field(default_factory=dict)

    def next_packet(self, *, monotonic_ns: Callable[[], int] = time.monotonic_ns) -> bytes:
        """Return the next packet to send, stamped now."""
        self.look()
        sequence, now = len(self.sent), monotonic_ns()
        self.sent.append(now)
        self._t1_ns[sequence] = t1 = now + self.guard.offset_ns
        return stamp.pack_sender(sequence=sequence, t1=stamp.ntp_from_ns(t1), ssid=self.ssid, key=self.key)

    def look(self) -> None:
        """Look whether the wall clock was stepped; what is under way then has no delay, but is not lost either."""
        if self.guard.look():
            self.stepped.extend(self._t1_ns)
            self._t1_ns.clear()

    def take(self, packet: bytes, *, t4_ns: int) -> None:
        """Take an answer. Anything that does not answer a packet of ours, or answers it again, is counted and dropped."""
        self.look()
        reflection = stamp.parse_reflection(packet, key=self.key)
        if reflection is None or (self.key is not None and reflection.ssid != self.ssid):
            self.refused += 1
            return
        t1 = self._t1_ns.pop(reflection.sender_sequence, None)
        if t1 is None:
            self.refused += 1
            return
        t2, t3 = stamp.ns_from_ntp(reflection.t2), stamp.ns_from_ntp(reflection.t3)
        self.rows.append(
            (reflection.sender_sequence, self.sent[reflection.sender_sequence], (t4_ns - t1) - (t3 - t2), t2 - t1, t4_ns - t3, reflection.sequence)
        )


def run(job: dict[str, Any], commands: Commands, emit: Emit) -> None:
    """Send at the asked pace until told to stop, then wait linger_s for what is still under way.

    job: address, family, ssid, key (hex, or None for unauthenticated), pps, linger_s, max_seconds, interface, source_address.
    Commands: {"type": "rate", "pps": n}, {"type": "sizes", "octets": [..]} (send packets padded to so many IP octets, which may not
    be cut up on the way), {"type": "hold"} (send no more, go on taking in), {"type": "stop"}. Emits rows (every 20 ms), sizes (those that were answered) and done.
    """
    first = sockets.sharpen_timers()
    sock = socket.socket(job["family"], socket.SOCK_DGRAM)
    sockets.bind_near(sock, interface=job.get("interface"), source_address=job.get("source_address"))
    stamps = sockets.ask_receive_stamps(sock)
    sock.connect(tuple(job["address"]))
    sock.setblocking(False)
    stream = Stream(ssid=job["ssid"], key=bytes.fromhex(job["key"]) if job["key"] else None)
    emit({"type": "up", "kernel_stamps": stamps, "first_place": first})
    pps, said = float(job["pps"]), 0
    now = time.monotonic_ns()
    due, last_said, end = now, now, now + int(job["max_seconds"] * 1e9)
    refused_sends = 0
    while now < end:
        try:
            while True:
                command = commands.get_nowait()
                if command["type"] == "stop":
                    end = min(end, now + int(job["linger_s"] * 1e9))
                    pps = 0.0
                elif command["type"] == "hold":
                    pps = 0.0
                elif command["type"] == "sizes":
                    _send_sizes(sock, stream, command["octets"])
                elif command["type"] == "rate" and pps:
                    pps = min(_MOST_PER_S, max(1.0, float(command["pps"])))
                    due = min(due, now + int(1e9 / pps))
        except queue.Empty:
            pass
        if pps and now >= due:
            try:
                sock.send(stream.next_packet())
            except OSError:
                refused_sends += 1  # a port unreachable message, a full queue, an interface that went away: the packet counts as lost
            due += int(1e9 / pps)
            if due < now - 200_000_000:  # asleep for long: do not send what was missed in one burst
                due = now
        until = min(due if pps else end, last_said + _SAY_EVERY_NS)
        select.select([sock], [], [], max(0.0, (until - time.monotonic_ns()) * 1e-9))
        _read_all(sock, stream, stamps=stamps)
        now = time.monotonic_ns()
        if now - last_said >= _SAY_EVERY_NS:
            last_said = now
            if len(stream.rows) > said:
                emit({"type": "rows", "rows": stream.rows[said:]})
                said = len(stream.rows)
                if stream.padded:
                    emit({"type": "sizes", "octets": sorted({stream.padded[r[0]] for r in stream.rows if r[0] in stream.padded})})
    emit({"type": "rows", "rows": stream.rows[said:]})
    emit(
        {
            "type": "done",
            "sent": stream.sent,
            "stepped": [*stream.stepped, *stream.padded],
            "steps": stream.guard.steps,
            "refused": stream.refused,
            "refused_sends": refused_sends,
        }
    )


def _send_sizes(sock: socket.socket, stream: Stream, sizes: list[int]) -> None:
    """Send one packet of each size, not to be cut up on the way (RFC 8899, 4.1)."""
    is_v6 = sock.family == socket.AF_INET6
    headers = 48 if is_v6 else 28
    if sockets.IS_LINUX:
        level, option = (socket.IPPROTO_IPV6, sockets.IPV6_MTU_DISCOVER) if is_v6 else (socket.IPPROTO_IP, sockets.IP_MTU_DISCOVER)
        sock.setsockopt(level, option, sockets.IP_PMTUDISC_PROBE)
    for size in sizes:
        packet = stream.next_packet()
        stream.padded[len(stream.sent) - 1] = size
        with contextlib.suppress(OSError):  # larger than this computer's own link takes
            sock.send(packet + bytes(max(0, size - headers - len(packet))))


def _read_all(sock: socket.socket, stream: Stream, *, stamps: bool) -> None:
    while True:
        try:
            if stamps:
                data, ancillary, _, _ = sock.recvmsg(2048, 128)
                t4 = sockets.receive_stamp_ns(ancillary) or time.time_ns()
            else:
                data = sock.recv(2048)
                t4 = time.time_ns()
        except BlockingIOError:
            return
        except OSError:
            return  # a port unreachable message; the packets it speaks of count as lost
        stream.take(data, t4_ns=t4)

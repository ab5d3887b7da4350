"""The delay to the first hop, sampled in a process of its own beside idle and loaded phases.

Three ways, the first that answers: ICMP echo over a datagram socket (where ping_group_range allows), ICMP echo over a raw socket
(where privileged), or the time a TCP connection takes to be refused (or taken) by a port of the gateway, which needs no
privilege and which common systems do not rate-limit.
"""

from __future__ import annotations

import contextlib
import errno
import queue
import select
import socket
import struct
import time
from dataclasses import dataclass, field
from typing import Any, Protocol

from bandwright.probe import sockets
from bandwright.probe.worker import Commands, Emit

__all__ = ["run"]

_LOST_AFTER_NS = 2_000_000_000
_REFUSED = {0, errno.ECONNREFUSED, errno.ECONNRESET}


class _Method(Protocol):
    name: str

    def send(self, sequence: int) -> None: ...

    def answers(self, until_ns: int) -> list[tuple[int, int]]:
        """Wait until then, and return (sequence, arrival in monotonic ns)."""
        ...


@dataclass(slots=True)
class _Echo:
    """ICMP echo (RFC 792, RFC 4443)."""

    sock: socket.socket
    address: str
    raw: bool
    name: str = "icmp echo"
    ident: int = field(default_factory=lambda: time.monotonic_ns() & 0xFFFF)

    def send(self, sequence: int) -> None:
        is_v6 = self.sock.family == socket.AF_INET6
        head = struct.pack("!BBHHH", 128 if is_v6 else 8, 0, 0, self.ident, sequence & 0xFFFF)
        if not is_v6:
            total = sum(struct.unpack("!4H", head))
            total = (total & 0xFFFF) + (total >> 16)
            head = head[:2] + struct.pack("!H", ~(total + (total >> 16)) & 0xFFFF) + head[4:]
        self.sock.sendto(head, (self.address, 0))

    def answers(self, until_ns: int) -> list[tuple[int, int]]:
        out: list[tuple[int, int]] = []
        while (left := until_ns - time.monotonic_ns()) > 0:
            if not select.select([self.sock], [], [], left * 1e-9)[0]:
                break
            data = self.sock.recv(1024)
            now = time.monotonic_ns()
            if self.raw and self.sock.family == socket.AF_INET:
                data = data[(data[0] & 15) * 4 :]
            if len(data) >= 8 and data[0] in {0, 129} and (not self.raw or data[4:6] == struct.pack("!H", self.ident)):
                out.append((struct.unpack("!H", data[6:8])[0], now))
        return out


@dataclass(slots=True)
class _Refusal:
    """How long a connection takes to be refused, or taken."""

    family: int
    address: str
    port: int
    way_out: dict[str, Any]
    name: str = "tcp refusal"
    pending: dict[int, tuple[socket.socket, int]] = field(default_factory=dict)
    done: list[tuple[int, int]] = field(default_factory=list)

    def send(self, sequence: int) -> None:
        sock = socket.socket(self.family, socket.SOCK_STREAM)
        sockets.reset_on_close(sock)
        sockets.bind_near(sock, interface=self.way_out.get("interface"), source_address=self.way_out.get("source_address"))
        sock.setblocking(False)
        code = sock.connect_ex((self.address, self.port))
        if code in _REFUSED:
            self.done.append((sequence, time.monotonic_ns()))
            sock.close()
        elif code == errno.EINPROGRESS:
            self.pending[sock.fileno()] = (sock, sequence)
        else:
            sock.close()

    def answers(self, until_ns: int) -> list[tuple[int, int]]:
        while (left := until_ns - time.monotonic_ns()) > 0:
            _, ready, failed = select.select([], list(self.pending), list(self.pending), left * 1e-9)
            now = time.monotonic_ns()
            for fd in {*ready, *failed}:
                sock, sequence = self.pending.pop(fd)
                if sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) in _REFUSED:
                    self.done.append((sequence, now))
                sock.close()
        while len(self.pending) > 64:
            self.pending.pop(next(iter(self.pending)))[0].close()
        out, self.done = self.done, []
        return out


def run(job: dict[str, Any], commands: Commands, emit: Emit) -> None:
    """Sample until told to stop. job: address, family, port, pps, max_seconds, interface, source_address.

    Emits up {method} and done {rows: (sent ns, round trip ns, or -1 where no answer came in 2 s)}.
    """
    sockets.sharpen_timers()
    method = _first_that_answers(job)
    emit({"type": "up", "method": method.name if method else None})
    if method is None:
        emit({"type": "done", "rows": []})
        return
    sent: list[int] = []
    took: dict[int, int] = {}
    now = time.monotonic_ns()
    due, end, step = now, now + int(job["max_seconds"] * 1e9), int(1e9 / job["pps"])
    stopping = False
    while now < end:
        try:
            if commands.get_nowait()["type"] == "stop" and not stopping:
                stopping, end = True, min(end, now + 300_000_000)
        except queue.Empty:
            pass
        if now >= due and not stopping:
            sent.append(time.monotonic_ns())
            with contextlib.suppress(OSError):  # no way out at this moment: it counts as lost
                method.send(len(sent) - 1)
            due = max(due + step, now)
        for sequence, at in method.answers(min(due if not stopping else end, end, time.monotonic_ns() + 20_000_000)):
            full = sequence if isinstance(method, _Refusal) else _nearest(sequence, len(sent))
            if 0 <= full < len(sent) and full not in took and at - sent[full] < _LOST_AFTER_NS:
                took[full] = at - sent[full]
        now = time.monotonic_ns()
        if stopping and len(took) == len(sent):
            break
    emit({"type": "done", "rows": [(at, took.get(i, -1)) for i, at in enumerate(sent)]})


def _nearest(sequence: int, count: int) -> int:
    """Return the full sequence number of a 16-bit one: the newest below count."""
    return count - 1 - ((count - 1 - sequence) & 0xFFFF)


def _first_that_answers(job: dict[str, Any]) -> _Method | None:
    is_v6 = job["family"] == socket.AF_INET6
    protocol = socket.IPPROTO_ICMPV6 if is_v6 else socket.IPPROTO_ICMP
    for kind, raw in ((socket.SOCK_DGRAM, False), (socket.SOCK_RAW, True)):
        try:
            sock = socket.socket(job["family"], kind, protocol)
            sockets.bind_near(sock, interface=job.get("interface"), source_address=job.get("source_address"))
        except OSError:
            continue
        if _answers(echo := _Echo(sock, job["address"], raw)):
            return echo
        sock.close()
    refusal = _Refusal(job["family"], job["address"], job["port"], job)
    return refusal if _answers(refusal) else None


def _answers(method: _Method) -> bool:
    for attempt in range(2):
        try:
            method.send(0xFFF0 + attempt)
            if method.answers(time.monotonic_ns() + 150_000_000 * (attempt + 1)):
                return True
        except OSError:
            return False
    return False

"""The bottleneck's own process: a relay of TCP and UDP whose two directions are links with a virtual clock.

A link works out, when octets enter it, when a line of its rate would have finished sending them: finish = max(now, free) + bits / rate,
release = finish + delay. What would stand in the queue longer than the buffer is dropped (UDP) or not read from its
sender (TCP). One thread waits in select(), whose timeouts have microseconds where asyncio's have milliseconds. Octets are
counted as IP carries them: UDP with 28 of headers, TCP as segments of 1448 in packets of 1500, so that a TCP goodput of
rate * 1448 / 1500 is what a perfect test finds.

Where it departs from a radio: a TCP relay cannot lose packets, so loss is for UDP only; the TCP handshake and the round trips in
TCP_INFO are those of the loopback; a sender held back by the queue sees a small receive window. A change of rate is for
what enters afterwards.

Run by `twin.bottleneck` as `python -m bandwright.twin.relay`: settings as one line of JSON on standard input, further lines change
them, end of input ends it. Standard output has one line when it listens and one each second on what passed.
"""

from __future__ import annotations

import ctypes
import errno
import gc
import json
import os
import random
import select
import socket
import struct
import sys
import time
from collections import deque
from contextlib import suppress
from typing import Any

__all__ = ["Link", "main", "percentile_ms"]

_UDP_HEADERS = 28
_SEGMENT = 1448
_PER_OCTET = 1500 / _SEGMENT
_KERNEL_BUFFER = 32 * 1024  # small, or the kernel hides a queue of its own
_LEAST_KERNEL_BUFFER = 4 * 1024
_SO_TIMESTAMPNS = 35
_STAMP = struct.Struct("=qq")
_UDP_BUFFER = 2 * 1024 * 1024  # drained at once; for the moments when this process does not run
_PIECE_S = 0.0005
_MOST_PIECE = 64 * 1024
_HELD = 256 * 1024  # octets a slow receiver may leave with us before its sender is held back
_GATHER_S = 0.0002
_FORGET_S = 120.0
_LATE_STEP_S = 0.0001
_LATE_STEPS = 400
_UNREACHABLE = {errno.ECONNREFUSED, errno.EHOSTUNREACH, errno.ENETUNREACH}

_Datagram = tuple[socket.socket, Any]


class Link:
    """One direction. All times are seconds of one monotonic clock that the caller passes in."""

    __slots__ = ("_random", "buffer_s", "delay_s", "dropped", "entered", "free", "late", "left", "loss_ratio", "lost", "octets_per_s", "queue", "queue_most_s")

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self.octets_per_s = 0.0
        self.delay_s = 0.0
        self.buffer_s = 0.1
        self.loss_ratio = 0.0
        self.free = 0.0
        self.queue: deque[tuple[float, int, Any, Any]] = deque()  # release, octets, bytes, where to
        self.begin_count()

    def begin_count(self) -> None:
        """Begin to count anew: octets in and out, packets dropped and lost, longest queue, lateness in steps of 0.1 ms."""
        self.entered = self.left = self.dropped = self.lost = 0
        self.queue_most_s = 0.0
        self.late = [0] * _LATE_STEPS

    def room(self, now: float) -> bool:
        """Whether more may enter."""
        return self.octets_per_s > 0.0 and self.free - now < self.buffer_s

    def enter(self, now: float, octets: float, data: Any, to: Any, *, may_drop: bool) -> bool:
        """Let data enter. octets: as IP counts them. Return whether it will come out; only what `may_drop` may not."""
        waiting = self.free - now
        if may_drop:
            if self.octets_per_s <= 0.0 or waiting >= self.buffer_s:
                self.dropped += 1
                return False
            if self.loss_ratio and self._random.random() < self.loss_ratio:
                self.lost += 1
                return False
        begin = now if waiting < 0.0 else self.free
        self.free = begin + octets / self.octets_per_s if self.octets_per_s > 0.0 else begin
        self.queue_most_s = max(self.queue_most_s, self.free - now)
        release = self.free + self.delay_s
        if self.queue and self.queue[-1][0] > release:  # the delay was lowered: order stays
            release = self.queue[-1][0]
        self.entered += int(octets)
        self.queue.append((release, int(octets), data, to))
        return True

    def leave(self, now: float) -> list[tuple[float, int, Any, Any]]:
        """Return what is due, in order, and count it."""
        queue, out, late = self.queue, [], self.late
        while queue and queue[0][0] <= now:
            item = queue.popleft()
            step = int((now - item[0]) / _LATE_STEP_S)
            late[step if step < _LATE_STEPS else -1] += 1
            self.left += item[1]
            out.append(item)
        return out


def percentile_ms(late: list[int], share: float) -> float:
    """Return that percentile of lateness in ms, from counts in steps of 0.1 ms (upper edges); 0 where nothing was counted."""
    wanted, seen = share * sum(late), 0
    for step, count in enumerate(late):
        seen += count
        if count and seen >= wanted:
            return (step + 1) * _LATE_STEP_S * 1e3
    return 0.0


class _Half:
    """One direction of one TCP connection: from a socket through a link to the other socket."""

    __slots__ = ("ended", "held", "link", "out", "pair", "source", "to")

    def __init__(self, pair: _Pair, source: socket.socket, to: socket.socket, link: Link) -> None:
        self.pair, self.source, self.to, self.link = pair, source, to, link
        self.out: deque[memoryview] = deque()
        self.held = 0  # octets in `out`
        self.ended = False  # the source has said all


class _Pair:
    """One TCP connection: the client's socket and ours to the target."""

    __slots__ = ("client", "closed", "connected", "down", "finished", "target", "up")

    def __init__(self, client: socket.socket, target: socket.socket, up: Link, down: Link) -> None:
        self.client, self.target = client, target
        self.up = _Half(self, client, target, up)
        self.down = _Half(self, target, client, down)
        self.connected = self.closed = False
        self.finished = 0


class Relay:
    """The relay's sockets and its loop."""

    def __init__(self, settings: dict[str, Any]) -> None:
        self.up, self.down = Link(settings.get("seed", 0) * 2), Link(settings.get("seed", 0) * 2 + 1)
        self._target = (str(settings["target"][0]), int(settings["target"][1]))
        self._family = socket.AF_INET6 if ":" in self._target[0] else socket.AF_INET
        self._tcp, self._udp = _listen(str(settings["listen"][0]), int(settings["listen"][1]))
        self.port = int(self._tcp.getsockname()[1])
        self._pairs: set[_Pair] = set()
        self._halves: dict[socket.socket, _Half] = {}  # by the socket they read from
        self._order: deque[_Half] = deque()
        self._clients: dict[Any, socket.socket] = {}
        self._towards: dict[socket.socket, tuple[Any, float]] = {}  # our UDP socket -> client, last used
        self.change(settings)

    def change(self, settings: dict[str, Any]) -> None:
        """Take over new figures; what is not named stays."""
        for link, way in ((self.down, "down"), (self.up, "up")):
            if (rate_mbps := settings.get(f"{way}_mbps")) is not None:
                link.octets_per_s = max(0.0, float(rate_mbps)) * 1e6 / 8.0
            if (delay_ms := settings.get("delay_ms")) is not None:
                link.delay_s = max(0.0, float(delay_ms)) / 2e3
            if (buffer_ms := settings.get(f"buffer_{way}_ms", settings.get("buffer_ms"))) is not None:
                link.buffer_s = max(0.0, float(buffer_ms)) / 1e3
            if (loss := settings.get("loss_ratio")) is not None:
                link.loss_ratio = min(1.0, max(0.0, float(loss)))

    def run(self) -> None:
        """Serve until standard input ends."""
        commands = b""
        os.set_blocking(0, False)
        next_report = time.monotonic() + 1.0
        while True:
            now = time.monotonic()
            self._send_due(self.up, now)
            self._send_due(self.down, now)
            if now >= next_report:
                _say(self._report(now))
                self._forget(now)
                if not self.up.queue and not self.down.queue:
                    gc.collect()  # by hand, when nobody waits: by itself it would make packets late
                next_report = now + 1.0
            readers: list[Any] = [0, self._tcp, self._udp, *self._towards]
            wake = next_report
            for link in (self.up, self.down):
                if link.queue and link.queue[0][0] < wake:
                    wake = link.queue[0][0]
            for half in self._order:
                if half.pair.closed or half.ended or half.held > _HELD:
                    continue
                if half.link.room(now):
                    readers.append(half.source)
                else:
                    wake = min(wake, half.link.free - half.link.buffer_s if half.link.octets_per_s > 0.0 else next_report)
            writers = [p.target for p in self._pairs if not p.connected] + [h.to for h in self._order if h.out and h.pair.connected]
            readable, writable, _ = select.select(readers, writers, [], max(0.0, wake - time.monotonic()))
            busy = 0
            for ready in readable:
                if ready == 0:
                    chunk = _read_commands()
                    if chunk is None:
                        continue
                    if not chunk:
                        return
                    *lines, commands = (commands + chunk).split(b"\n")
                    for line in lines:
                        self.change(json.loads(line))
                elif ready is self._tcp:
                    self._accept()
                elif ready is self._udp:
                    busy += self._take_from_clients()
                elif ready in self._towards:
                    busy += self._take_from_target(ready)
            self._take_streams(set(readable))
            for ready in writable:
                self._writable(ready)
            if busy > 4:
                time.sleep(_GATHER_S)  # many packets a second: take some at a time

    def _take_from_clients(self) -> int:
        link, clients, udp = self.up, self._clients, self._udp
        taken = 0
        behind_s = time.time() - time.monotonic()
        for _ in range(64):
            try:
                data, ancillary, _, client = udp.recvmsg(65535, 64)
            except (BlockingIOError, ConnectionError):
                break
            taken += 1
            ours = clients.get(client) or self._new_client(client)
            link.enter(_arrival(ancillary, behind_s), len(data) + _UDP_HEADERS, data, (ours, None), may_drop=True)
        return taken

    def _new_client(self, client: Any) -> socket.socket:
        ours = socket.socket(self._family, socket.SOCK_DGRAM)
        ours.setblocking(False)
        _bounded(ours, _UDP_BUFFER)
        _stamped(ours)
        ours.connect(self._target)
        self._clients[client] = ours
        self._towards[ours] = (client, time.monotonic())
        return ours

    def _take_from_target(self, ours: socket.socket) -> int:
        client, _ = self._towards[ours]
        link, to = self.down, (self._udp, client)
        taken = 0
        behind_s = time.time() - time.monotonic()
        for _ in range(64):
            try:
                data, ancillary, _, _ = ours.recvmsg(65535, 64)
            except (BlockingIOError, ConnectionError):
                break
            taken += 1
            link.enter(_arrival(ancillary, behind_s), len(data) + _UDP_HEADERS, data, to, may_drop=True)
        if taken:
            self._towards[ours] = (client, time.monotonic())
        return taken

    def _send_due(self, link: Link, now: float) -> None:
        for _, _, data, to in link.leave(now):
            if type(to) is tuple:
                sock, client = to
                with suppress(OSError):  # a closed port or a full buffer: the packet is lost, as on any path
                    sock.send(data) if client is None else sock.sendto(data, client)
            elif not to.pair.closed:
                if data is None:
                    self._finish(to)
                else:
                    to.out.append(memoryview(data))
                    to.held += len(data)
                    self._flush(to)

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._tcp.accept()
            except OSError:
                return
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _kernel_buffer(self.up))
            target = socket.socket(self._family, socket.SOCK_STREAM)
            target.setblocking(False)
            target.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            target.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _KERNEL_BUFFER)
            target.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _kernel_buffer(self.down))
            with suppress(OSError):
                target.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, _SEGMENT)
            pair = _Pair(client, target, self.up, self.down)
            self._pairs.add(pair)
            for half in (pair.up, pair.down):
                self._halves[half.source] = half
                self._order.append(half)
            if target.connect_ex(self._target) not in {0, errno.EINPROGRESS}:
                self._reset(pair)

    def _take_streams(self, readable: set[Any]) -> None:
        """Read one piece of each stream that may, beginning with another one each time, so that they share the link."""
        for _ in range(len(self._order)):
            if not self._order:  # resets take the halves of their pair out
                break
            half = self._order[0]
            self._order.rotate(-1)
            now = time.monotonic()
            if half.source in readable and not half.pair.closed and not half.ended and half.link.room(now):
                piece = min(_MOST_PIECE, max(_SEGMENT, int(half.link.octets_per_s * _PIECE_S)))
                try:
                    data = half.source.recv(piece)
                except BlockingIOError:
                    continue
                except OSError:
                    self._reset(half.pair)
                    continue
                if data:
                    half.link.enter(now, len(data) * _PER_OCTET, data, half, may_drop=False)
                else:
                    half.ended = True
                    half.link.enter(now, 0, None, half, may_drop=False)
        while self._order and self._order[0].pair.closed:
            self._order.popleft()

    def _writable(self, sock: socket.socket) -> None:
        half = self._halves.get(sock)
        if half is None or half.pair.closed:
            return
        pair = half.pair
        if sock is pair.target and not pair.connected:
            if sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) != 0:
                self._reset(pair)
                return
            pair.connected = True
        self._flush(pair.up if sock is pair.target else pair.down)

    def _flush(self, half: _Half) -> None:
        if half is half.pair.up and not half.pair.connected:
            return
        while half.out:
            piece = half.out[0]
            if len(piece) == 0:
                half.out.popleft()
                self._shut(half)
                return
            try:
                sent = half.to.send(piece)
            except BlockingIOError:
                return
            except OSError:
                self._reset(half.pair)
                return
            half.held -= sent
            if sent == len(piece):
                half.out.popleft()
            else:
                half.out[0] = piece[sent:]

    def _finish(self, half: _Half) -> None:
        half.out.append(memoryview(b""))
        self._flush(half)

    def _shut(self, half: _Half) -> None:
        with suppress(OSError):
            half.to.shutdown(socket.SHUT_WR)
        half.pair.finished += 1
        if half.pair.finished == 2:
            self._close(half.pair)

    def _reset(self, pair: _Pair) -> None:
        for sock in (pair.client, pair.target):
            with suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        self._close(pair)

    def _close(self, pair: _Pair) -> None:
        pair.closed = True
        self._pairs.discard(pair)
        for half in (pair.up, pair.down):
            self._halves.pop(half.source, None)
            half.out.clear()
            half.source.close()
        self._order = deque(h for h in self._order if not h.pair.closed)

    def _forget(self, now: float) -> None:
        for ours, (client, used) in list(self._towards.items()):
            if now - used > _FORGET_S:
                del self._towards[ours], self._clients[client]
                ours.close()

    def _report(self, now: float) -> dict[str, Any]:
        report: dict[str, Any] = {"at": time.time(), "streams": len(self._pairs)}
        for way, link in (("down", self.down), ("up", self.up)):
            report[way] = {
                "mbps": link.octets_per_s * 8e-6, "in": link.entered, "out": link.left, "dropped": link.dropped, "lost": link.lost,
                "queue_ms": max(0.0, link.free - now) * 1e3, "queue_most_ms": link.queue_most_s * 1e3, "late": link.late,
            }  # fmt: skip
            link.begin_count()
        return report


def _listen(host: str, port: int) -> tuple[socket.socket, socket.socket]:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for attempt in range(20):
        tcp = socket.socket(family, socket.SOCK_STREAM)
        udp = socket.socket(family, socket.SOCK_DGRAM)
        try:
            tcp.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            _bounded(tcp, _KERNEL_BUFFER)
            with suppress(OSError):
                tcp.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, _SEGMENT)
            tcp.bind((host, port))
            udp.bind((host, tcp.getsockname()[1]))
        except OSError:
            tcp.close()
            udp.close()
            if port or attempt == 19:
                raise
            continue
        tcp.listen(64)
        tcp.setblocking(False)
        udp.setblocking(False)
        _bounded(udp, _UDP_BUFFER)
        _stamped(udp)
        return tcp, udp
    raise OSError(errno.EADDRINUSE, os.strerror(errno.EADDRINUSE))


def _kernel_buffer(link: Link) -> int:
    """Return how much the kernel may hold of what a stream sends into a link: some milliseconds of it."""
    return int(min(_KERNEL_BUFFER, max(_LEAST_KERNEL_BUFFER, 0.004 * link.octets_per_s)))


def _bounded(sock: socket.socket, octets: int) -> None:
    for option in (socket.SO_RCVBUF, socket.SO_SNDBUF):
        sock.setsockopt(socket.SOL_SOCKET, option, octets)
    if sock.type == socket.SOCK_DGRAM:
        with suppress(OSError):  # past the system's limit, where that is allowed
            sock.setsockopt(socket.SOL_SOCKET, 33, octets)  # SO_RCVBUFFORCE


def _stamped(sock: socket.socket) -> None:
    with suppress(OSError):  # other systems: when we read it counts as its arrival
        sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)


def _arrival(ancillary: list[tuple[int, int, bytes]], behind_s: float) -> float:
    """Return when a packet came, on the monotonic clock: by the kernel's stamp, so that a late reader does not change the link's rate."""
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPNS:
            seconds, nanoseconds = _STAMP.unpack(data)
            return float(seconds + nanoseconds * 1e-9 - behind_s)
    return time.monotonic()


def _read_commands() -> bytes | None:
    try:
        return os.read(0, 65536)
    except BlockingIOError:
        return None


def _say(message: dict[str, Any]) -> None:
    with suppress(OSError):  # nobody reads: the report is lost, the relay goes on
        os.write(1, json.dumps(message, separators=(",", ":")).encode() + b"\n")


def main() -> int:
    """Read the settings, listen, and relay until standard input ends."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None, use_errno=True).prctl(29, 1, 0, 0, 0)  # PR_SET_TIMERSLACK: 1 ns instead of 50 us
    with open(0, "rb", buffering=0, closefd=False) as unbuffered:  # later lines stay for the loop
        settings = json.loads(unbuffered.readline())
    if settings.get("realtime"):
        with suppress(OSError, AttributeError):  # needs a privilege; without it others may run first, and it is late by milliseconds at times
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    try:
        relay = Relay(settings)
    except OSError as error:
        _say({"error": error.strerror or str(error)})
        return 1
    os.set_blocking(1, False)
    gc.collect()
    gc.freeze()  # what is there now stays: collecting need not look at it
    gc.disable()
    _say({"port": relay.port})
    relay.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())

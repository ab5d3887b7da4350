"""UDP load, as either end: a paced sender that follows `search`, and a receiver that says each 50 ms what came.

Arrivals are stamped by the kernel, so that a late wake-up of the receiver changes no figure. The sender stops at its time, its
octets, when enough was seen, or when no feedback came for 300 ms.
"""

from __future__ import annotations

import contextlib
import queue
import select
import socket
import struct
import time
from dataclasses import asdict
from typing import Any

from bandwright.probe import nearside, sockets, wire
from bandwright.probe.search import Search, start_rate_mbps
from bandwright.probe.worker import Commands, Emit, begun

__all__ = ["FEEDBACK_NS", "WATCHDOG_NS", "Receiver", "run"]

FEEDBACK_NS = 50_000_000
WATCHDOG_NS = 300_000_000
_FIRST_FEEDBACK_NS = 1_000_000_000
_TICK_NS = 1_000_000
_MOST_IN_ONE_SEND = 40
_TRAIN = 10
_OVERSHOOT = 4  # times as much sent as delivered, and 2 MB: the search went wrong


def run(job: dict[str, Any], commands: Commands, emit: Emit) -> None:
    """Open the flow, wait for "go", send or receive, and say what was seen.

    job: side, sends, seconds, max_octets, max_mbps, start_mbps (expected or stated rate), enough_s (of full path), payload (octets), key, tag (hex), start_s;
    at the near end address, family, interface, source_address; at the far end port.
    """
    sockets.sharpen_timers()
    key, tag = bytes.fromhex(job["key"]), bytes.fromhex(job["tag"])
    sock = _open_near(job, key, tag) if job["side"] == "near" else _open_far(job, commands, key, tag)
    if sock is None:
        emit({"type": "connected", "streams": 0})
        return
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 * 2**20)
    emit({"type": "connected", "streams": 1, "local": sock.getsockname()[0], "peer": sock.getpeername()[0]})
    if (now := begun(job, commands)) is None:
        return
    done = _send(sock, now, key, tag, commands, emit) if job["sends"] else _receive(sock, now, key, tag, commands, emit)
    emit({"type": "done", "streams": 1, **done})


def _open_near(job: dict[str, Any], key: bytes, tag: bytes) -> socket.socket | None:
    """Prove our address to the far end: ask, send its cookie back, wait until it accepts."""
    sock = socket.socket(job["family"], socket.SOCK_DGRAM)
    sockets.bind_near(sock, interface=job.get("interface"), source_address=job.get("source_address"))
    sockets.ask_receive_stamps(sock)
    sock.connect(tuple(job["address"]))
    cookie, deadline = bytes(16), time.monotonic() + job["start_s"]
    while time.monotonic() < deadline:
        with contextlib.suppress(OSError):
            sock.send(wire.pack_udp_opening(wire.UdpOpening(tag, cookie), key))
        until = min(deadline, time.monotonic() + 0.25)
        while (left := until - time.monotonic()) > 0:
            if not select.select([sock], [], [], left)[0]:
                break
            try:
                answer = wire.parse_cookie(sock.recv(2048), tag=tag, key=key)
            except OSError:
                break
            if answer is not None:
                if not any(answer):
                    sock.setblocking(False)
                    return sock
                cookie = answer
                break
    sock.close()
    return None


def _open_far(job: dict[str, Any], commands: Commands, key: bytes, tag: bytes) -> socket.socket | None:
    """Take over the flow whose address was proved, on the far end's own port: a connected socket gets that flow's packets."""
    try:
        flow = commands.get(timeout=job["start_s"])
    except queue.Empty:
        return None
    if flow["type"] != "flow":
        return None
    sock = socket.socket(flow["family"], socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sockets.ask_receive_stamps(sock)
    peer = tuple(flow["peer"])
    sock.bind((flow["local"] or "", job["port"], *peer[2:]))
    sock.connect(peer)
    sock.setblocking(False)
    for _ in range(2):
        sock.send(wire.pack_cookie(tag, bytes(16), key))
    return sock


# ---- sending


def _send(sock: socket.socket, job: dict[str, Any], key: bytes, tag: bytes, commands: Commands, emit: Emit) -> dict[str, Any]:
    header = 28 if sock.family == socket.AF_INET else 48
    ip_octets = job["payload"] + header
    short_tag = int.from_bytes(tag[:4], "big")
    filler = bytes(job["payload"] - wire.LOAD_HEADER_OCTETS)
    pace = _Pace(sock, short_tag, filler)
    start = time.monotonic_ns()
    pace.send(_TRAIN)
    sent_octets, asked_octets = _TRAIN * ip_octets, float(_TRAIN * ip_octets)
    search: Search | None = None
    delivered = 0
    credit, last, last_feedback, last_said = 0.0, time.monotonic_ns(), start, start
    cpu0, why = time.process_time(), "time"
    while True:
        now = time.monotonic_ns()
        if now - start >= job["seconds"] * 1e9:
            break
        if (why_not := _stopped(commands)) is not None:
            why = why_not
            break
        if now - last_feedback > (WATCHDOG_NS if search is not None else _FIRST_FEEDBACK_NS):
            why = "no feedback"
            break
        if sent_octets >= job["max_octets"]:
            why = "octets"
            break
        if search is not None and sent_octets > _OVERSHOOT * delivered + 2_000_000:
            why = "overshoot"
            break
        for feedback in _feedbacks(sock, key):
            last_feedback, delivered = now, feedback.octets
            if search is None:
                train = _train_mbps(feedback, ip_octets)
                search = Search(
                    rate_mbps=min(job["max_mbps"], start_rate_mbps(train_mbps=train, stated_mbps=job["start_mbps"])),
                    max_mbps=job["max_mbps"],
                    enough_s=job["enough_s"],
                )
                last, credit = now, 0.0
            search.take(feedback, at_s=(now - start) * 1e-9)
        if search is not None:
            if search.is_done:
                why = "enough"
                break
            credit = min(credit + search.rate_mbps * (now - last) / 8e3, search.rate_mbps * 1250 + 2 * ip_octets)  # at most 10 ms in arrears
            asked_octets += search.rate_mbps * (now - last) / 8e3
            last = now
            while credit >= ip_octets:
                count = min(int(credit // ip_octets), _MOST_IN_ONE_SEND)
                sent = pace.send(count)
                sent_octets += sent * ip_octets
                credit -= count * ip_octets
        if now - last_said > 100_000_000:
            emit({"type": "sample", "at_ns": now, "octets": sent_octets})
            last_said = now
        wait = _TICK_NS if search is None else max(_TICK_NS, int((ip_octets - credit) * 8e3 / search.rate_mbps))
        select.select([sock], [], [], min(wait, FEEDBACK_NS) * 1e-9) if search is None else time.sleep(min(wait, 5_000_000) * 1e-9)
    wall = (time.monotonic_ns() - start) * 1e-9
    return {
        "start_ns": start,
        "seconds": wall,
        "ended": why,
        "trace": [[round(v, 6) if isinstance(v, float) else v for v in asdict(x).values()] for x in search.trace] if search else [],
        "by_loss": search.by_loss if search else False,
        "octets_sent": sent_octets,
        "pacing_shortfall": max(0.0, 1 - sent_octets / asked_octets),
        "packets_sent": pace.sequence,
        "cpu_share": (time.process_time() - cpu0) / wall,
        "samples": [],
    }


class _Pace:
    """Sends so many packets at once: in one call where the kernel cuts them apart (UDP_SEGMENT), else one by one."""

    def __init__(self, sock: socket.socket, tag: int, filler: bytes) -> None:
        self.sequence = 0
        self._sock, self._tag, self._filler = sock, tag, filler
        self._segment = wire.LOAD_HEADER_OCTETS + len(filler)
        self._at_once = sockets.IS_LINUX

    def send(self, count: int) -> int:
        """Return how many the kernel took."""
        parts = []
        now = time.time_ns()
        for i in range(count):
            parts += [wire.pack_load_header(wire.LoadHeader(self._tag, self.sequence + i & 0xFFFFFFFF, now, 0, 0)), self._filler]
        try:
            if count > 1 and self._at_once:
                self._sock.sendmsg(parts, [(socket.IPPROTO_UDP, sockets.UDP_SEGMENT, struct.pack("=H", self._segment))])
                taken = count
            else:
                taken = self._one_by_one(parts)
        except BlockingIOError:
            taken = 0
        except OSError as error:
            taken = 0
            if error.errno in {5, 22, 90, 95}:  # the device or the kernel cannot cut them apart
                self._at_once = False
        self.sequence += taken
        return taken

    def _one_by_one(self, parts: list[bytes]) -> int:
        """Return how many were sent before the kernel would take no more."""
        for i in range(0, len(parts), 2):
            try:
                self._sock.send(parts[i] + parts[i + 1])
            except BlockingIOError:
                return i // 2
        return len(parts) // 2


def _feedbacks(sock: socket.socket, key: bytes) -> list[wire.Feedback]:
    out: list[wire.Feedback] = []
    while True:
        try:
            feedback = wire.parse_feedback(sock.recv(2048), key)
        except OSError:
            return out
        if feedback is not None:
            out.append(feedback)


def _train_mbps(feedback: wire.Feedback, ip_octets: int) -> float | None:
    """Return what the spacing of the first packets suggests, from the delay it grew by."""
    spread = feedback.max_delay_ns - feedback.min_delay_ns
    return (feedback.packets - 1) * ip_octets * 8e3 / spread if feedback.packets >= 3 and spread > 0 else None


def _stopped(commands: Commands) -> str | None:
    with contextlib.suppress(queue.Empty):
        if commands.get_nowait()["type"] == "stop":
            return "stopped"
    return None


# ---- receiving


class Receiver:
    """Counts what arrives of one flow, without a socket."""

    def __init__(self, tag: int, *, header_octets: int) -> None:
        self.packets = self.octets = self.duplicates = self.foreign = 0
        self.highest = -1
        self.last_ns = 0
        self._tag, self._header = tag, header_octets
        self._low = self._high = 0
        self._fresh = self._said = 0

    def take(self, data: memoryview, *, stamp_ns: int) -> None:
        """Count a packet."""
        tag, sequence, send_ns, _, _ = wire.unpack_load(data)
        if tag != self._tag:
            self.foreign += 1
            return
        self.packets += 1
        self.octets += len(data) + self._header
        self.highest = max(self.highest, sequence)
        self.last_ns = max(self.last_ns, stamp_ns)
        delay = stamp_ns - send_ns
        if self._fresh == 0:
            self._low = self._high = delay
        elif delay < self._low:
            self._low = delay
        elif delay > self._high:
            self._high = delay
        self._fresh += 1

    def feedback(self) -> wire.Feedback:
        """Return what to say now, and begin the next interval."""
        self._said += 1
        out = wire.Feedback(
            seq=self._said,
            packets=self.packets,
            octets=self.octets,
            highest_seq=self.highest,
            min_delay_ns=self._low,
            max_delay_ns=self._high,
            last_ns=self.last_ns,
            fresh=self._fresh,
        )
        self._fresh = 0
        return out


def _receive(sock: socket.socket, job: dict[str, Any], key: bytes, tag: bytes, commands: Commands, emit: Emit) -> dict[str, Any]:
    receiver = Receiver(int.from_bytes(tag[:4], "big"), header_octets=28 if sock.family == socket.AF_INET else 48)
    buffer = bytearray(2048)
    view = memoryview(buffer)
    start = time.monotonic_ns()
    due, last_said, last_heard = start + FEEDBACK_NS, start, start
    errors0, cpu0, why = nearside.udp_receive_errors(), time.process_time(), "time"
    samples = [(start, 0)]
    while True:
        now = time.monotonic_ns()
        if now >= due:
            if receiver.packets:
                with contextlib.suppress(OSError):
                    sock.send(wire.pack_feedback(receiver.feedback(), key))
            samples.append((now, receiver.octets))
            due += FEEDBACK_NS
            if due < now:
                due = now + FEEDBACK_NS
            if (stop := _stopped(commands)) is not None:
                why = stop
                break
            if now - start > (job["seconds"] + 1.5) * 1e9:
                break
            if receiver.packets and now - last_heard > 1_000_000_000:
                why = "silence"
                break
            if now - last_said > 100_000_000:
                emit({"type": "sample", "at_ns": now, "octets": receiver.octets})
                last_said = now
        if not select.select([sock], [], [], max(0.0, (due - time.monotonic_ns()) * 1e-9))[0]:
            continue
        last_heard = time.monotonic_ns()
        for _ in range(500):
            try:
                length, ancillary, _, _ = sock.recvmsg_into([buffer], 64)
            except OSError:
                break
            if length >= wire.LOAD_HEADER_OCTETS:
                receiver.take(view[:length], stamp_ns=sockets.receive_stamp_ns(ancillary) or time.time_ns())
    wall = (time.monotonic_ns() - start) * 1e-9
    errors = nearside.udp_receive_errors()
    return {
        "start_ns": start,
        "seconds": wall,
        "ended": why,
        "samples": samples,
        "octets_received": receiver.octets,
        "packets_received": receiver.packets,
        "highest_sequence": receiver.highest,
        "receive_errors": errors - errors0 if errors is not None and errors0 is not None else None,
        "cpu_share": (time.process_time() - cpu0) / wall,
    }

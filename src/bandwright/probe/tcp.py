"""TCP load, as either end: several connections, each in a thread of its own, sampled from outside.

The rate comes from the sender's TCP_INFO: octets acknowledged, and those acknowledged selectively beyond a hole.
Octets read by the receiver come in order, so that a hole filled late looks like a stall and then a burst; they are kept as a
cross-check, and as the only figure where the system has no TCP_INFO. A load ends with a reset, so that what is queued in
either computer is not sent into the next phase.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import socket
import threading
import time
from typing import Any

from bandwright.probe import series, sockets
from bandwright.probe.worker import Commands, Emit, begun

__all__ = ["run"]

_CHUNK = 256 * 1024
_NOT_SENT = 128 * 1024
_SAMPLE_S = 0.02
_OTHERS_S = 0.5
_FASTEST_PACE = 2**31  # octets/s that SO_MAX_PACING_RATE takes as an int; beyond it no pace is set
_READY = b"R"
_FIRST_WINDOW = 10  # segments (RFC 6928)
_GRAINS = 4  # first windows that must have been delivered: a single segment is then less than a hundredth of the rate
_QUIET_NS, _LAST_NS = 300_000_000, 2_500_000_000


def run(job: dict[str, Any], commands: Commands, emit: Emit) -> None:
    """Open or take over the connections, wait for "go", load, and say what was seen.

    job: side near or far, sends (bool), streams, seconds, max_octets, max_mbps, cc, stall_s; at the near end address, openings,
    interface, source_address, max_segment, start_s; at the far end channel (descriptor through which connections come).
    enough_s: a sender ends when it has sent so many seconds' worth of the line's rate (0: never); wait_s: how long "go" is waited for,
    which may shorten seconds.
    Emits connected, sample (each 100 ms), done.
    """
    conns = _connect(job) if job["side"] == "near" else _take_over(job)
    if not conns:
        emit({"type": "connected", "streams": 0})
        return
    opened_with = _segments_in(conns, 0)  # the segments that opened the connections are no load
    cc = {sockets.try_congestion_control(c, job.get("cc") if job["sends"] else None) for c in conns}
    emit({"type": "connected", "streams": len(conns), "cc": "+".join(sorted(cc)), "local": conns[0].getsockname()[0], "peer": conns[0].getpeername()[0]})
    if (now := begun(job, commands)) is None:
        return
    done = _send(conns, now, commands, emit) if job["sends"] else _receive(conns, now, commands, emit, opened_with=opened_with)
    for conn in conns:
        sockets.reset_on_close(conn)
        conn.close()
    emit({"type": "done", "streams": len(conns), "cc": "+".join(sorted(cc)), **done})


def _connect(job: dict[str, Any]) -> list[socket.socket]:
    """Return the connections that were opened and acknowledged within start_s."""
    deadline = time.monotonic() + job["start_s"]
    pending: dict[int, tuple[socket.socket, bytes]] = {}
    poller = select.poll() if hasattr(select, "poll") else None
    conns: list[socket.socket] = []
    if poller is None:
        return _connect_one_by_one(job, deadline)
    for opening in job["openings"]:
        sock = _near_socket(job)
        with contextlib.suppress(BlockingIOError):
            sock.setblocking(False)
            sock.connect(tuple(job["address"]))
        pending[sock.fileno()] = (sock, bytes.fromhex(opening))
        poller.register(sock, select.POLLOUT)
    while pending and (left := deadline - time.monotonic()) > 0:
        for fd, _ in poller.poll(left * 1000):
            sock, opening = pending[fd]
            try:
                if opening:
                    sock.send(opening)  # raises what the connection failed with
                    pending[fd] = (sock, b"")
                    poller.modify(sock, select.POLLIN)
                    continue
                if sock.recv(1) != _READY:
                    raise ConnectionResetError
            except OSError:
                poller.unregister(fd)
                pending.pop(fd)[0].close()
                continue
            poller.unregister(fd)
            conns.append(pending.pop(fd)[0])
            deadline = min(deadline, time.monotonic() + _OTHERS_S)  # a lost handshake takes a second: go on with those that are up
    for sock, _ in pending.values():
        sockets.reset_on_close(sock)
        sock.close()
    return conns


def _connect_one_by_one(job: dict[str, Any], deadline: float) -> list[socket.socket]:
    conns = []
    for opening in job["openings"]:
        sock = _near_socket(job)
        try:
            sock.settimeout(max(0.01, deadline - time.monotonic()))
            sock.connect(tuple(job["address"]))
            sock.sendall(bytes.fromhex(opening))
            if sock.recv(1) == _READY:
                conns.append(sock)
                continue
        except OSError:
            pass
        sock.close()
    return conns


def _near_socket(job: dict[str, Any]) -> socket.socket:
    sock = socket.socket(job["family"], socket.SOCK_STREAM)
    sockets.bind_near(sock, interface=job.get("interface"), source_address=job.get("source_address"))
    if job.get("max_segment"):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, job["max_segment"])
    return sock


def _take_over(job: dict[str, Any]) -> list[socket.socket]:
    """Return the connections that the control process accepted and hands over, until there are as many as asked for, or it says go."""
    channel = socket.socket(fileno=job["channel"])
    conns: list[socket.socket] = []
    channel.settimeout(job["start_s"])
    with contextlib.suppress(OSError), channel:
        while len(conns) < job["streams"]:
            data, fds, _, _ = socket.recv_fds(channel, 1, 1)
            if not data:
                break
            for fd in fds:
                conn = socket.socket(fileno=fd)
                conn.setblocking(True)
                if job.get("max_segment"):
                    conn.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, job["max_segment"])
                conn.send(_READY)
                conns.append(conn)
    return conns


class _Shared:
    """What the threads of one load have in common."""

    def __init__(self, count: int) -> None:
        self.stop, self.used_up = threading.Event(), threading.Event()
        self.octets = [0] * count
        self.ended = [False] * count
        self.errors: list[str | None] = [None] * count


def _send(conns: list[socket.socket], job: dict[str, Any], commands: Commands, emit: Emit) -> dict[str, Any]:
    shared = _Shared(len(conns))
    # what the threads hand to the kernel is counted as it is handed over, so that no speed of the line can pass the budget by much
    chunk = int(min(_CHUNK, max(4096, job["max_octets"] / (16 * len(conns)))))
    block = memoryview(os.urandom(chunk))
    for conn in conns:
        conn.settimeout(0.02)
        if sockets.IS_LINUX:
            conn.setsockopt(socket.IPPROTO_TCP, sockets.TCP_NOTSENT_LOWAT, min(_NOT_SENT, 2 * chunk))
            octets_per_s = int((job.get("max_mbps") or 0) * 125_000 / len(conns))
            if 0 < octets_per_s < _FASTEST_PACE:
                with contextlib.suppress(OSError):
                    conn.setsockopt(socket.SOL_SOCKET, sockets.SO_MAX_PACING_RATE, max(1000, octets_per_s))

    def pump(index: int, conn: socket.socket) -> None:
        try:
            while not shared.stop.is_set():
                if sum(shared.octets) >= job["max_octets"]:
                    shared.used_up.set()
                    shared.stop.wait(0.02)
                    continue
                try:
                    shared.octets[index] += conn.send(block)
                except TimeoutError:
                    continue
        except OSError as error:
            shared.errors[index] = type(error).__name__
        shared.ended[index] = True

    threads = [threading.Thread(target=pump, args=(i, c), daemon=True) for i, c in enumerate(conns)]
    before = [sockets.read_tcp_info(c) for c in conns]
    cpu0, start = time.process_time(), time.monotonic_ns()
    for thread in threads:
        thread.start()
    samples, how_ended = _watch(conns, shared, job, commands, emit, start, before)
    shared.stop.set()
    wall = (time.monotonic_ns() - start) * 1e-9
    for thread in threads:
        thread.join(0.2)
    after = []
    for conn in conns:
        sockets.reset_on_close(conn)
        after.append(sockets.read_tcp_info(conn))  # at the last moment: what the kernel sends after this is in no count
        conn.close()
    return {
        "start_ns": start,
        "samples": samples,
        "ended": how_ended,
        "seconds": wall,
        "cpu_share": (time.process_time() - cpu0) / wall,
        **_summary(before, after),
    }


def _watch(
    conns: list[socket.socket],
    shared: _Shared,
    job: dict[str, Any],
    commands: Commands,
    emit: Emit,
    start: int,
    before: list[sockets.TcpInfo | None],
) -> tuple[list[tuple[int, int]], str]:
    """Sample a running sender until its time, its octets or its path end. Returns samples (ns, octets delivered) and why it ended."""
    samples = [(start, 0)]
    moved_at, last_said, sent_before = start, start, 0
    # on a slow line the first windows alone are seconds' worth, and most of them is lost: a load that has the time does not count them
    spared = sum(_FIRST_WINDOW * i.mss for i in before if i) if (job.get("enough_s") or 0) >= 1 else 0
    while True:
        time.sleep(_SAMPLE_S)
        now = time.monotonic_ns()
        infos = [sockets.read_tcp_info(c) for c in conns] if before[0] else []
        if infos:
            delivered = sum(b.delivered - a.delivered for a, b in zip(before, infos, strict=True) if a and b)
            sent = sum(i.octets_sent for i in infos if i)
        else:
            delivered = sent = sum(shared.octets)
        if delivered > samples[-1][1]:
            moved_at = now
        samples.append((now, delivered))
        if now - last_said > 100_000_000:
            emit({"type": "sample", "at_ns": now, "octets": delivered})
            last_said = now
        due = sent + (sent - sent_before)
        if (why := _over(job, commands, now - start, due, now - moved_at, shared)) is not None:
            return samples, why
        if job.get("enough_s") and delivered >= spared * _GRAINS and series.seconds_worth(samples, due - spared) >= job["enough_s"]:
            return samples, "enough"
        sent_before = sent


def _over(job: dict[str, Any], commands: Commands, elapsed_ns: int, octets: int, still_ns: int, shared: _Shared) -> str | None:
    if elapsed_ns >= job["seconds"] * 1e9:
        return "time"
    if octets >= job["max_octets"] or shared.used_up.is_set():
        return "octets"
    if still_ns >= job["stall_s"] * 1e9:
        return "stalled"
    if all(shared.ended):
        return "closed"
    with contextlib.suppress(queue.Empty):
        if commands.get_nowait()["type"] == "stop":
            return "stopped"
    return None


def _segments_in(conns: list[socket.socket], octets: int) -> int:
    """Return how many segments with data came (octets read, where the system does not tell)."""
    infos = [sockets.read_tcp_info(c) for c in conns] if sockets.has_tcp_info() else []
    return sum(i.segments_in for i in infos if i) or octets


def _summary(before: list[sockets.TcpInfo | None], after: list[sockets.TcpInfo | None]) -> dict[str, Any]:
    pairs = [(a, b) for a, b in zip(before, after, strict=True) if a and b]
    if not pairs:
        return {"tcp_info": False}
    busy = sum(b.busy_us for _, b in pairs) or 1
    return {
        "tcp_info": True,
        "mss": pairs[0][1].mss,
        "path_mtu": min(b.path_mtu for _, b in pairs),
        "octets_sent": sum(b.octets_sent - a.octets_sent for a, b in pairs),
        "segments": sum(b.segments_out - a.segments_out for a, b in pairs),
        "octets_delivered": sum(b.delivered - a.delivered for a, b in pairs),
        "unacked_segments": sum(b.unacked for _, b in pairs),
        "retransmitted_segments": sum(b.total_retransmitted - a.total_retransmitted for a, b in pairs),
        "rwnd_limited_share": sum(b.rwnd_limited_us for _, b in pairs) / busy,
        "sndbuf_limited_share": sum(b.sndbuf_limited_us for _, b in pairs) / busy,
        "rtt_ms": sum(b.rtt_us for _, b in pairs) / len(pairs) / 1000,
    }


def _receive(conns: list[socket.socket], job: dict[str, Any], commands: Commands, emit: Emit, *, opened_with: int) -> dict[str, Any]:
    shared = _Shared(len(conns))
    flags = socket.MSG_TRUNC if sockets.IS_LINUX else 0  # for TCP: count and drop, without copying

    def drain(index: int, conn: socket.socket) -> None:
        buffer = bytearray(_CHUNK)
        try:
            while not shared.stop.is_set():
                try:
                    count = conn.recv_into(buffer, _CHUNK, flags)
                except TimeoutError:
                    continue
                if count == 0:
                    break
                shared.octets[index] += count
        except OSError as error:
            shared.errors[index] = type(error).__name__
        shared.ended[index] = True

    for conn in conns:
        conn.settimeout(0.05)
    threads = [threading.Thread(target=drain, args=(i, c), daemon=True) for i, c in enumerate(conns)]
    cpu0, start = time.process_time(), time.monotonic_ns()
    for thread in threads:
        thread.start()
    samples = [(start, 0)]
    moved_at = last_said = start
    told_to_stop, came = 0, 0
    while True:
        time.sleep(_SAMPLE_S)
        now = time.monotonic_ns()
        octets = sum(shared.octets)
        if (segments := _segments_in(conns, octets)) > came:
            moved_at, came = now, segments
        samples.append((now, octets))
        if now - last_said > 100_000_000:
            emit({"type": "sample", "at_ns": now, "octets": octets})
            last_said = now
        # The sender ends a load; the receiver ends it only where it outlives what was agreed.
        patience = {**job, "seconds": job["seconds"] + 1.0, "max_octets": job["max_octets"] * 1.1 + 2e6}
        why = _over(patience, commands, now - start, octets, now - moved_at, shared)
        if why == "stopped":  # the word came by another way than the data: what is still under way is let in
            told_to_stop = told_to_stop or now
        elif why is not None:
            break
        if told_to_stop and (now - moved_at > _QUIET_NS or now - told_to_stop > _LAST_NS):
            why = "closed" if now - moved_at > _QUIET_NS else "stopped"
            break
    shared.stop.set()
    wall = (time.monotonic_ns() - start) * 1e-9
    for thread in threads:
        thread.join(0.2)
    return {
        "segments_in": _segments_in(conns, 0) - opened_with if sockets.has_tcp_info() else None,
        "start_ns": start,
        "samples": samples,
        "ended": why,
        "seconds": wall,
        "cpu_share": (time.process_time() - cpu0) / wall,
        "octets_received": sum(shared.octets),
    }

"""Responsiveness under working conditions, in round trips per minute, in a process of its own.

Endless downloads load the line, one more connection each interval; beside them, in equal numbers and evenly spread, go probes on new
connections (how long TCP, TLS and a request of one octet take) and probes on the loading connections (a request of one octet).
Source: draft-ietf-ippm-responsiveness-09, section 4. Departure: the interval is 1 s where nothing else is asked (the draft's 5 s cost
some 25 s of full load); the interval, the draft and the confidence are kept with the result.
"""

from __future__ import annotations

import contextlib
import hashlib
import queue
import select
import socket
import ssl
import threading
import time
from dataclasses import dataclass, field
from statistics import fmean, pstdev
from typing import Any

from bandwright.probe import http2, series, sockets
from bandwright.probe.worker import Commands, Emit

__all__ = ["DRAFT", "MAD", "MNP", "MPS", "PROBE_OCTETS", "PTC", "SDT", "TMP", "Interval", "confidence_of", "is_stable", "responsiveness_of", "run"]

DRAFT = "draft-ietf-ippm-responsiveness-09"
MAD, SDT, TMP, MNP, MPS, PTC = 4, 0.05, 0.95, 16, 100.0, 0.05
_LOOK_S = 0.01  # how often the octets are compared with what is allowed
PROBE_OCTETS = 6000  # a foreign and a self probe together, as the draft estimates them


@dataclass(slots=True)
class Interval:
    """What one interval saw. Times in ms; goodput in Mbit/s."""

    goodput: float = 0.0
    tcp: list[float] = field(default_factory=list)
    tls: list[float] = field(default_factory=list)
    http: list[float] = field(default_factory=list)
    loaded: list[float] = field(default_factory=list)


def is_stable(values: list[float]) -> bool:
    """Whether the last MAD values differ by less than SDT of the last one."""
    last = values[-MAD:]
    return len(last) == MAD and last[-1] > 0 and pstdev(last) < SDT * last[-1]


def responsiveness_of(intervals: list[Interval]) -> float | None:
    """Return round trips per minute over intervals, or None where a kind of probe never came back."""
    parts = [[x for i in intervals for x in getattr(i, name)] for name in ("tcp", "tls", "http", "loaded")]
    if not all(parts):
        return None
    tcp, tls, http, loaded = (series.trimmed_mean(p, TMP) for p in parts)
    return series.round_trips_per_minute(tcp_ms=tcp, tls_ms=tls, http_ms=http, loaded_ms=loaded)


def confidence_of(intervals: int, *, goodput_stable: bool, responsiveness_stable: bool) -> str:
    """Return the draft's word for how sure the result is."""
    if intervals < MAD:
        return "low"
    return "high" if goodput_stable and responsiveness_stable else "medium"


def run(job: dict[str, Any], commands: Commands, emit: Emit) -> None:
    """Load and probe until both are stable, or the time or the octets are over.

    job: address, family, host, certificate_sha256 (hex; None: the system's trust store), large, small (paths), interval_s, max_seconds,
    max_octets, interface, source_address. Emits interval and done.
    """
    load = _Load(job)
    intervals: list[Interval] = []
    averages: list[float] = []
    answers: list[float] = []
    began = time.monotonic()
    try:
        load.add()
        stable = False
        while time.monotonic() - began < job["max_seconds"] and load.octets < job["max_octets"] and not _stopped(commands):
            before, at = load.octets, time.monotonic()
            intervals.append(Interval())
            _probe_for(job, load, intervals[-1], seconds=job["interval_s"], capacity_mbps=averages[-1] if averages else 1.0)
            intervals[-1].goodput = (load.octets - before) * 8e-6 / (time.monotonic() - at)
            averages.append(fmean(i.goodput for i in intervals[-MAD:]))
            stable = stable or is_stable(averages)
            now = responsiveness_of(intervals[-MAD:])
            answers.append(now or 0.0)
            emit({"type": "interval", "goodput_mbps": averages[-1], "rpm": now, "connections": len(load.connections)})
            if stable and is_stable(answers):
                break
            if len(load.connections) < MNP:
                load.add()
    except (OSError, http2.Http2Error) as error:
        emit({"type": "fault", "text": f"{type(error).__name__}: {error}"})
        return
    finally:
        load.close()
    last = intervals[-MAD:]
    emit(
        {
            "type": "done",
            "rpm": responsiveness_of(last),
            "confidence": confidence_of(len(intervals), goodput_stable=is_stable(averages), responsiveness_stable=is_stable(answers)),
            "intervals": len(intervals),
            "connections": len(load.connections),
            "goodput_mbps": averages[-1] if averages else 0.0,
            "octets": load.octets,
            "probes": sum(len(i.tcp) for i in intervals),
            "means_ms": {n: series.trimmed_mean(v, TMP) for n in ("tcp", "tls", "http", "loaded") if (v := [x for i in last for x in getattr(i, n)])},
        }
    )


def _stopped(commands: Commands) -> bool:
    with contextlib.suppress(queue.Empty):
        return bool(commands.get_nowait()["type"] == "stop")
    return False


def _open(job: dict[str, Any]) -> tuple[ssl.SSLSocket, float, float]:
    """Return a connection that speaks HTTP/2, and how long TCP and one round trip of TLS took, in ms. Raises OSError."""
    sock = socket.socket(job["family"], socket.SOCK_STREAM)
    try:
        sockets.bind_near(sock, interface=job.get("interface"), source_address=job.get("source_address"))
        sock.settimeout(5)
        began = time.perf_counter()
        sock.connect(tuple(job["address"]))
        connected = time.perf_counter()
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        context = ssl.create_default_context() if job["certificate_sha256"] is None else ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        if job["certificate_sha256"] is not None:
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE  # known by its hash, compared below
        context.set_alpn_protocols(["h2"])
        tls = context.wrap_socket(sock, server_hostname=job["host"])
        shaken = time.perf_counter()
        _check(tls, job["certificate_sha256"])
    except BaseException:
        sock.close()
        raise
    return tls, (connected - began) * 1e3, (shaken - connected) * 1e3 / (1 if tls.version() == "TLSv1.3" else 2)


def _check(tls: ssl.SSLSocket, certificate_sha256: str | None) -> None:
    """Raise OSError where the other end is not the paired one, or speaks no HTTP/2."""
    if certificate_sha256 is not None and hashlib.sha256(tls.getpeercert(binary_form=True) or b"").hexdigest() != certificate_sha256:
        raise OSError("another certificate than the paired one")
    if tls.selected_alpn_protocol() != "h2":
        raise OSError("the server does not speak HTTP/2")


def _greeting() -> bytes:
    return http2.PREFACE + http2.settings(window=http2.MAX_WINDOW) + http2.window_update(0, http2.MAX_WINDOW - 65535)


class _Connection:
    """A loading connection: an endless download, and room for requests of one octet beside it."""

    def __init__(self, job: dict[str, Any]) -> None:
        self._job = job
        self._tls, _, _ = _open(job)
        self._tls.setblocking(False)
        self._lock = threading.Lock()
        self._out = bytearray(_greeting() + http2.request_headers(stream=1, authority=job["host"], path=job["large"]))
        self._wake = socket.socketpair()
        self._next_stream = 3
        self._asked: dict[int, tuple[float, Interval]] = {}
        self._unacknowledged = 0
        self.octets = 0
        self.alive = True
        threading.Thread(target=self._live, daemon=True).start()

    def ask(self, interval: Interval) -> None:
        """Send a request of one octet; its time goes into the interval."""
        with self._lock:
            stream, self._next_stream = self._next_stream, self._next_stream + 2
            self._asked[stream] = (time.perf_counter(), interval)
            self._out += http2.request_headers(stream=stream, authority=self._job["host"], path=self._job["small"])
        self._wake[1].send(b"x")

    def _live(self) -> None:
        cutter = http2.FrameCutter()
        try:
            while self.alive:
                self._flush()
                try:
                    data = self._tls.recv(262144)
                    if not data:
                        break
                except ssl.SSLWantReadError:
                    ready, _, _ = select.select([self._tls, self._wake[0]], [], [], 0.5)
                    if self._wake[0] in ready:
                        self._wake[0].recv(4096)
                    continue
                for frame in cutter.feed(data):
                    self._take(frame)
        except (OSError, http2.Http2Error):
            pass
        self.alive = False

    def _flush(self) -> None:
        with self._lock:
            while self._out:
                try:
                    del self._out[: self._tls.send(self._out)]
                except (ssl.SSLWantWriteError, ssl.SSLWantReadError):
                    return

    def _take(self, frame: http2.Frame) -> None:
        if frame.kind == http2.DATA:
            self.octets += frame.size
            self._unacknowledged += frame.size
            asked = self._asked.pop(frame.stream, None) if frame.flags & http2.END_STREAM else None
            if asked is not None:
                asked[1].loaded.append((time.perf_counter() - asked[0]) * 1e3)
            elif frame.stream == 1 and frame.flags & http2.END_STREAM:
                raise http2.Http2Error("the large download ended")
            if self._unacknowledged > 2**28:
                with self._lock:
                    self._out += http2.window_update(0, self._unacknowledged) + http2.window_update(1, self._unacknowledged)
                self._unacknowledged = 0
        elif frame.kind == http2.HEADERS and frame.stream == 1 and http2.status_of(frame) != 200:
            raise http2.Http2Error("the large download was refused")
        elif frame.kind == http2.SETTINGS and not frame.flags & 1:
            with self._lock:
                self._out += http2.settings(ack=True)
        elif frame.kind == http2.PING and not frame.flags & 1:
            with self._lock:
                self._out += http2.pack_frame(http2.PING, 1, 0, frame.payload)
        elif frame.kind == http2.GOAWAY:
            raise http2.Http2Error("the server went away")

    def close(self) -> None:
        """Drop it with a reset, so that nothing goes on loading the line."""
        self.alive = False
        sockets.reset_on_close(self._tls)
        with contextlib.suppress(OSError):
            self._tls.close()


class _Load:
    """The loading connections together."""

    def __init__(self, job: dict[str, Any]) -> None:
        self._job = job
        self.connections: list[_Connection] = []

    def add(self) -> None:
        """Add one more connection. Raises OSError."""
        self.connections.append(_Connection(self._job))

    @property
    def octets(self) -> int:
        """Octets downloaded so far."""
        return sum(c.octets for c in self.connections)

    def close(self) -> None:
        """End all."""
        for connection in self.connections:
            connection.close()


def _probe_for(job: dict[str, Any], load: _Load, interval: Interval, *, seconds: float, capacity_mbps: float) -> None:
    """Probe for one interval: evenly spread, in pairs, at most 100 a second and 5 % of the capacity. Raises Http2Error where all loads died."""
    pairs = max(4, int(min(MPS / 2, PTC * capacity_mbps * 1e6 / (PROBE_OCTETS * 8)) * seconds))
    end = time.monotonic() + seconds
    threads: list[threading.Thread] = []
    for n in range(pairs):
        alive = [c for c in load.connections if c.alive]
        if not alive:
            raise http2.Http2Error("no loading connection stayed up")
        alive[n % len(alive)].ask(interval)
        if sum(t.is_alive() for t in threads) < 32:
            threads.append(threading.Thread(target=_foreign, args=(job, interval), daemon=True))
            threads[-1].start()
        until = time.monotonic() + max(0.0, (end - time.monotonic()) / (pairs - n))
        while (left := until - time.monotonic()) > 0 and load.octets < job["max_octets"]:
            time.sleep(min(left, _LOOK_S))
        if load.octets >= job["max_octets"]:
            return


def _foreign(job: dict[str, Any], interval: Interval) -> None:
    """Time a new connection and a request of one octet on it. One that fails leaves no time."""
    try:
        tls, tcp_ms, tls_ms = _open(job)
        with tls:
            began = time.perf_counter()
            tls.sendall(_greeting() + http2.request_headers(stream=1, authority=job["host"], path=job["small"]))
            cutter = http2.FrameCutter()
            while True:
                data = tls.recv(16384)
                if not data:
                    return
                if any(f.kind == http2.DATA and f.stream == 1 and f.flags & http2.END_STREAM for f in cutter.feed(data)):
                    break
            interval.http.append((time.perf_counter() - began) * 1e3)
            interval.tcp.append(tcp_ms)
            interval.tls.append(tls_ms)
            sockets.reset_on_close(tls)
    except (OSError, http2.Http2Error):
        return

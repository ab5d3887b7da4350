"""What the probe asks of the kernel: receive stamps, TCP_INFO, binding to an interface, precise sleeping.

Only Linux has all of it. Elsewhere each function does what can be done and says what could not, so that the result can say it too.
The numbers of socket options that Python does not name are those of the kernel's headers (asm-generic/socket.h, linux/tcp.h, linux/udp.h).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import socket
import struct
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

__all__ = [
    "IPV6_MTU_DISCOVER",
    "IP_MTU_DISCOVER",
    "IP_PMTUDISC_PROBE",
    "IS_LINUX",
    "NEWEST_CLOCK_STEP_NS",
    "SMALL_SEGMENT",
    "SO_MAX_PACING_RATE",
    "SO_TIMESTAMPNS",
    "TCP_NOTSENT_LOWAT",
    "UDP_SEGMENT",
    "ClockGuard",
    "TcpInfo",
    "ask_receive_stamps",
    "bind_near",
    "has_tcp_info",
    "read_tcp_info",
    "receive_stamp_ns",
    "reset_on_close",
    "sharpen_timers",
    "try_congestion_control",
]

IS_LINUX = sys.platform.startswith("linux")
SO_TIMESTAMPNS = 35
SO_MAX_PACING_RATE = 47
TCP_NOTSENT_LOWAT = 25
UDP_SEGMENT = 103
SMALL_SEGMENT = 1208  # octets; 1280 of IPv6's least MTU (RFC 8200) less headers and options: passes wherever anything passes
IP_MTU_DISCOVER, IPV6_MTU_DISCOVER, IP_PMTUDISC_PROBE = 10, 23, 3
NEWEST_CLOCK_STEP_NS = 1_000_000  # more than this between two looks is a step, not slewing (500 ppm at most, adjtime)


@dataclass(frozen=True, slots=True)
class TcpInfo:
    """The part of struct tcp_info (linux/tcp.h) that tells how fast a sender was, what held it, and how many segments with data came and went."""

    mss: int
    lost: int
    retransmitting: int
    rtt_us: int
    total_retransmitted: int
    busy_us: int
    rwnd_limited_us: int
    sndbuf_limited_us: int
    segments_in: int
    segments_out: int
    acknowledged: int
    sacked: int
    octets_sent: int
    spurious: int
    path_mtu: int
    unacked: int

    @property
    def delivered(self) -> int:
        """Octets that reached the other end: acknowledged in order, and selectively beyond that."""
        return self.acknowledged + self.sacked * self.mss


def has_tcp_info() -> bool:
    """Whether this system's TCP_INFO tells what was delivered."""
    return IS_LINUX


def read_tcp_info(sock: socket.socket) -> TcpInfo | None:
    """Return what the kernel knows of a connection, or None where it does not tell enough (Linux 4.18 and later do)."""
    if not IS_LINUX:
        return None
    raw = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 256)
    if len(raw) < 220:
        return None
    u32 = struct.unpack_from("=24I", raw, 8)
    busy, rwnd, sndbuf = struct.unpack_from("=3Q", raw, 168)
    (acknowledged,) = struct.unpack_from("=Q", raw, 120)
    (octets_sent,) = struct.unpack_from("=Q", raw, 200)
    (spurious,) = struct.unpack_from("=I", raw, 216)
    segments_in, segments_out = struct.unpack_from("=2I", raw, 152)
    return TcpInfo(
        mss=u32[2],
        unacked=u32[4],
        lost=u32[6],
        retransmitting=u32[7],
        path_mtu=u32[13],
        rtt_us=u32[15],
        total_retransmitted=u32[23],
        busy_us=busy,
        rwnd_limited_us=rwnd,
        sndbuf_limited_us=sndbuf,
        segments_in=segments_in,
        segments_out=segments_out,
        acknowledged=acknowledged,
        sacked=u32[5],
        octets_sent=octets_sent,
        spurious=spurious,
    )


def try_congestion_control(sock: socket.socket, name: str | None) -> str:
    """Ask for a congestion control and return the one in force ("unknown" where the system does not say)."""
    option = getattr(socket, "TCP_CONGESTION", None)
    if option is None:
        return "unknown"
    if name:
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, option, name.encode())
    return sock.getsockopt(socket.IPPROTO_TCP, option, 16).rstrip(b"\0").decode()


def reset_on_close(sock: socket.socket) -> None:
    """Make close() send a reset, so that what is queued in this computer is dropped and not sent into the next phase."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii" if os.name == "posix" else "hh", 1, 0))


def bind_near(sock: socket.socket, *, interface: str | None, source_address: str | None) -> str:
    """Bind a socket to an interface, a source address, or both; return how: "interface", "source address" or "unbound".

    Binding to an interface needs SO_BINDTODEVICE (Linux; without privilege from kernel 5.7 on). Raises OSError where
    neither can be had as asked.
    """
    how = "unbound"
    if interface:
        option = getattr(socket, "SO_BINDTODEVICE", None)
        if option is None and not source_address:
            raise OSError(19, "this system cannot bind to an interface by name; declare its source address")
        if option is not None:
            try:
                sock.setsockopt(socket.SOL_SOCKET, option, interface.encode() + b"\0")
                how = "interface"
            except PermissionError:
                if not source_address:
                    raise
    if source_address and (":" in source_address) == (sock.family == socket.AF_INET6):
        sock.bind((source_address, 0))
        how = "interface" if how == "interface" else "source address"
    return how


def ask_receive_stamps(sock: socket.socket) -> bool:
    """Ask the kernel to stamp each packet as it arrives; return whether it will."""
    if not IS_LINUX:
        return False
    try:
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    except OSError:
        return False
    return True


def receive_stamp_ns(ancillary: list[tuple[int, int, bytes]]) -> int | None:
    """Return the kernel's receive stamp (nanoseconds since 1970) among a packet's ancillary data, or None."""
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
            seconds, ns = struct.unpack("=qq", data[:16])
            return int(seconds * 1_000_000_000 + ns)
    return None


def sharpen_timers() -> bool:
    """Ask for exact sleeping and, where allowed, first place among processes; return whether the latter was granted."""
    if not IS_LINUX:
        return False
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None, use_errno=True).prctl(29, 1, 0, 0, 0)  # PR_SET_TIMERSLACK, ns
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))
    except (OSError, AttributeError):
        return False
    return True


class ClockGuard:
    """Ties wall-clock stamps to the clock that never goes back, and sees steps of the wall clock.

    Kernel stamps are wall-clock time. `look()` samples wall minus monotonic; where two samples differ by more than 1 ms the
    wall clock was stepped, and delays taken across that moment mean nothing.
    """

    def __init__(self, *, realtime_ns: Callable[[], int] = time.time_ns, monotonic_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self._realtime_ns, self._monotonic_ns = realtime_ns, monotonic_ns
        self.steps = 0
        self.offset_ns = self._offset()

    def _offset(self) -> int:
        before = self._monotonic_ns()
        wall = self._realtime_ns()
        return wall - (before + self._monotonic_ns()) // 2

    def look(self) -> bool:
        """Sample the offset; return whether the wall clock was stepped since the last look."""
        offset = self._offset()
        if abs(offset - self.offset_ns) > NEWEST_CLOCK_STEP_NS:
            offset = self._offset()  # being put to sleep between the two clocks looks the same: look twice
        stepped = abs(offset - self.offset_ns) > NEWEST_CLOCK_STEP_NS
        self.steps += stepped
        self.offset_ns = offset
        return stepped

    def monotonic_from(self, wall_ns: int) -> int:
        """Return the monotonic time of a wall-clock stamp taken since the last step."""
        return wall_ns - self.offset_ns

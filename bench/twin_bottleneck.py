"""How true the twin's bottleneck is: rate, delay and lateness, with real bytes of UDP and TCP on the loopback.

For each rate a sender offers more than the link carries for some seconds and a receiver counts what arrives after the first half second.
Beside it, without load, 50 probes a second go to and fro and their round trips are compared with the delay that was asked for.
Lateness is the relay's own record: when octets left against the time its virtual clock gave them.

    python bench/twin_bottleneck.py [--seconds 4] [--rates 3,50,300] [--plain]
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import os
import select
import socket
import statistics
import struct
import time
from multiprocessing.connection import Connection

from bandwright.twin.bottleneck import Bottleneck, goodput_mbps
from bandwright.twin.relay import percentile_ms

PAYLOAD = 1200
SKIP_S = 0.5


def udp_receiver(pipe: Connection, seconds: float) -> None:
    """Take a flow, and say how many payload octets came in which time, by the kernel's stamps."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, 33, 8 << 20)  # SO_RCVBUFFORCE
    except OSError:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
    sock.setsockopt(socket.SOL_SOCKET, 35, 1)  # SO_TIMESTAMPNS
    sock.bind(("127.0.0.1", 0))
    sock.settimeout(seconds + 5)
    pipe.send(sock.getsockname()[1])
    first = last = None
    octets = 0
    sock.settimeout(5)
    buffer = bytearray(2048)
    while True:
        try:
            length, ancillary, _, _ = sock.recvmsg_into([buffer], 64)
        except TimeoutError:
            break
        sec, nsec = struct.unpack("qq", ancillary[0][2])
        stamp = sec + nsec * 1e-9
        if buffer[:4] == b"stop":
            break
        first = stamp if first is None else first
        if stamp - first >= SKIP_S:
            if last is None:
                begin = stamp
            else:
                octets += length
            last = stamp
        sock.settimeout(1.0)
    pipe.send((octets, last - begin))


def udp_sender(address: tuple[str, int], mbps: float, seconds: float) -> None:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.connect(address)
    sock.setsockopt(socket.IPPROTO_UDP, 103, PAYLOAD)  # UDP_SEGMENT: the kernel cuts it into packets
    data = bytes(16 * PAYLOAD)
    gap = (PAYLOAD + 28) * 8e-6 / mbps
    begin = time.monotonic()
    sent = 0
    while (now := time.monotonic()) < begin + seconds:
        due = int((now - begin) / gap)
        while sent < due:
            count = min(16, due - sent)
            sock.send(data[: count * PAYLOAD])
            sent += count
        time.sleep(max(gap, 0.0005))


def tcp_receiver(pipe: Connection, seconds: float) -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    pipe.send(listener.getsockname()[1])
    conns = [listener.accept()[0] for _ in range(4)]
    begin, octets, buffer = None, 0, bytearray(256 * 1024)
    started = last = time.monotonic()
    while time.monotonic() < started + seconds:
        for conn in select.select(conns, [], [], 1.0)[0]:
            length = conn.recv_into(buffer)
            now = time.monotonic()
            if now - started >= SKIP_S:
                if begin is None:
                    begin = now
                else:
                    octets += length
                last = now
    pipe.send((octets, last - (begin or started)))
    for conn in conns:
        conn.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        conn.close()


def tcp_sender(address: tuple[str, int], seconds: float) -> None:
    conns = [socket.create_connection(address) for _ in range(4)]
    for conn in conns:
        conn.setblocking(False)
    data = bytes(64 * 1024)
    end = time.monotonic() + seconds + 2
    while time.monotonic() < end:
        for conn in select.select([], conns, [], 0.5)[1]:
            try:
                conn.send(data)
            except BlockingIOError:
                continue
            except OSError:
                return


def echo(pipe: Connection) -> None:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1", 0))
    pipe.send(sock.getsockname()[1])
    while True:
        data, client = sock.recvfrom(2048)
        if data == b"stop":
            return
        sock.sendto(data, client)


def round_trips(address: tuple[str, int], count: int) -> list[float]:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.settimeout(2)
    sock.connect(address)
    out = []
    for i in range(count):
        begin = time.monotonic()
        sock.send(i.to_bytes(4, "big") + bytes(108))
        sock.recv(2048)
        out.append((time.monotonic() - begin) * 1e3)
        time.sleep(0.02)
    return out


async def flow(kind: str, mbps: float, seconds: float, *, realtime: bool) -> tuple[float, float, float, float, float]:
    """Return the measured IP rate, that of the relay's record, lateness p50 and p99 in ms, and the least that was offered in a second against the rate."""
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe()
    receiver = context.Process(target=udp_receiver if kind == "udp" else tcp_receiver, args=(theirs, seconds), daemon=True)
    receiver.start()
    port = await asyncio.to_thread(ours.recv)
    async with Bottleneck(target=("127.0.0.1", port), down_mbps=mbps, up_mbps=mbps, delay_ms=20, buffer_ms=100, realtime=realtime) as link:
        args = (link.address, 1.15 * mbps, seconds) if kind == "udp" else (link.address, seconds)
        sender = context.Process(target=udp_sender if kind == "udp" else tcp_sender, args=args, daemon=True)
        sender.start()
        octets, took_s = await asyncio.to_thread(ours.recv)
        await asyncio.sleep(1.1)  # the last second's record
        sender.kill()
        offered = [(t.up.entered_octets + t.up.dropped * (PAYLOAD + 28)) * 8e-6 / mbps for t in link.truth]
        whole = link.truth[1 : int(seconds) - 1]
        left = sum(t.up.left_octets for t in whole) * 8e-6 / (whole[-1].at - link.truth[0].at).total_seconds()
        counts = [sum(step) for step in zip(*(t.up.late_counts for t in link.truth), strict=True)]
    per_octet = (PAYLOAD + 28) / PAYLOAD if kind == "udp" else 1 / goodput_mbps(1.0)
    return octets * per_octet * 8e-6 / took_s, left, percentile_ms(counts, 0.5), percentile_ms(counts, 0.99), min(offered[1 : int(seconds) - 1])


async def idle(delay_ms: float, count: int) -> tuple[list[float], float]:
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe()
    process = context.Process(target=echo, args=(theirs,), daemon=True)
    process.start()
    port = await asyncio.to_thread(ours.recv)
    async with Bottleneck(target=("127.0.0.1", port), down_mbps=50, up_mbps=10, delay_ms=delay_ms) as link:
        rtts = await asyncio.to_thread(round_trips, link.address, count)
        sent = (112 + 28) * 8 / 50e6 * 1e3 + (112 + 28) * 8 / 10e6 * 1e3
    process.kill()
    return rtts, sent


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--rates", default="3,50,300")
    parser.add_argument("--plain", action="store_true", help="without real-time scheduling, as where the user has no privilege")
    arguments = parser.parse_args()
    print(f"load average {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
    print(f"{'flow':>5} {'asked Mbit/s':>13} {'measured':>9} {'error %':>8} {'by relay %':>10} {'late p50 ms':>12} {'late p99 ms':>12}  offered")
    for kind in ("udp", "tcp"):
        for mbps in map(float, arguments.rates.split(",")):
            got, left, p50, p99, offered = asyncio.run(flow(kind, mbps, arguments.seconds, realtime=not arguments.plain))
            short = " (the sender fell short)" if offered < 1.0 and kind == "udp" else ""
            print(f"{kind:>5} {mbps:13g} {got:9.2f} {100 * (got / mbps - 1):8.2f} {100 * (left / mbps - 1):10.2f} {p50:12.1f} {p99:12.1f}  {offered:.2f}{short}")
    for delay_ms in (0.0, 20.0, 60.0):
        rtts, sent_ms = asyncio.run(idle(delay_ms, 100))
        excess = sorted(r - delay_ms - sent_ms for r in rtts)
        print(f"round trip, {delay_ms:g} ms asked: over it by p50 {statistics.median(excess):.2f} ms, p99 {excess[98]:.2f} ms")


if __name__ == "__main__":
    main()

"""What near end, far end and reflector can carry on this machine, as ratios to iperf3 in the same run where it is installed.

Root: a veth pair between two namespaces, MTU 1500, offloads on. python bench/probe_ceilings.py
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import json
import os
import queue
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

from ends import OpenNearEnd, far_end

from bandwright.probe import sockets, stamp, udp
from bandwright.probe.limits import Limits
from bandwright.probe.reflector import Reflector, Session
from bandwright.words.measurement import MeasurementPlan, Size


class _Pair:
    """Two namespaces joined by a veth pair; `inside` moves this thread."""

    def __init__(self) -> None:
        self.names = {"near": f"bwc{os.getpid()}n", "far": f"bwc{os.getpid()}f"}

    def __enter__(self) -> Self:
        near, far = self.names["near"], self.names["far"]
        for command in (
            f"ip netns add {near}",
            f"ip netns add {far}",
            f"ip -n {near} link add v type veth peer name v netns {far}",
            f"ip -n {near} addr add 192.0.2.1/24 dev v",
            f"ip -n {far} addr add 192.0.2.2/24 dev v",
            f"ip -n {near} link set v up",
            f"ip -n {far} link set v up",
            f"ip -n {near} link set lo up",
            f"ip -n {far} link set lo up",
        ):
            subprocess.run(command.split(), check=True)
        return self

    def __exit__(self, *_: object) -> None:
        for name in self.names.values():
            subprocess.run(["ip", "netns", "del", name], check=False)

    @contextlib.contextmanager
    def inside(self, role: str) -> Iterator[None]:
        libc = ctypes.CDLL(None)
        with Path("/proc/thread-self/ns/net").open("rb") as home, Path("/run/netns", self.names[role]).open("rb") as there:
            libc.setns(there.fileno(), 0x40000000)
            try:
                yield
            finally:
                libc.setns(home.fileno(), 0x40000000)

    def iperf3(self, *more: str) -> dict[str, Any] | None:
        if shutil.which("iperf3") is None:
            return None
        server = subprocess.Popen(["ip", "netns", "exec", self.names["far"], "iperf3", "-s", "-1"], stdout=subprocess.DEVNULL)
        time.sleep(0.5)
        done = subprocess.run(
            ["ip", "netns", "exec", self.names["near"], "iperf3", "-c", "192.0.2.2", "-J", *more], capture_output=True, text=True, check=False
        )
        server.wait(10)
        return json.loads(done.stdout) if done.returncode == 0 else None


def tcp(pair: _Pair) -> None:
    """Goodput and CPU of a usual measurement without any bottleneck."""
    with far_end(host="192.0.2.2", bed=pair, limits=Limits(load_mbps=1e6, megabytes_per_day=1e9, megabytes_per_month=1e9)) as (_, secret), pair.inside("near"):
        near = OpenNearEnd(None, secret)
        m = asyncio.run(near.measure(MeasurementPlan(size=Size.USUAL)))
        down, up = m.number("goodput_down_mbps") or 0, m.number("goodput_up_mbps") or 0
        cpu = {load.direction: (load.near.get("cpu_share", 0), (load.far or {}).get("cpu_share", 0)) for load in near.conduct.seen.loads}
    print(
        f"TCP, 4 streams: down {down / 1000:.1f} Gbit/s (near {cpu['down'][0]:.2f}, far {cpu['down'][1]:.2f} of a core), up {up / 1000:.1f} (near {cpu['up'][0]:.2f}, far {cpu['up'][1]:.2f})"
    )
    per_core = down / 1000 / max(*cpu["down"], 0.01)
    reference = pair.iperf3("-P", "4", "-t", "2")
    if reference is None:
        print("iperf3 is not installed: no reference")
        return
    theirs = reference["end"]["sum_received"]["bits_per_second"] / 1e9
    share = max(reference["end"]["cpu_utilization_percent"][k] for k in ("host_total", "remote_total")) / 100
    print(
        f"iperf3, 4 streams: {theirs:.1f} Gbit/s, {theirs / share:.1f} per busy core; ours per busy core {per_core:.1f}: ratio {per_core / (theirs / share):.2f}; wall {down / 1000 / theirs:.2f}"
    )


def udp_receive(pair: _Pair) -> None:
    """How much the UDP receiver takes in: every header read, every packet stamped."""
    with pair.inside("far"):
        receiving = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        receiving.bind(("192.0.2.2", 0))
        receiving.setsockopt(socket.SOL_SOCKET, 33, 64 * 2**20)  # SO_RCVBUFFORCE
    with pair.inside("near"):
        sending = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sending.connect(receiving.getsockname())
    pace = udp._Pace(sending, 7, bytes(1180))
    commands: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    pid = os.fork()
    if pid == 0:
        end = time.monotonic() + 3
        while time.monotonic() < end:
            pace.send(40)
        os._exit(0)
    sockets.ask_receive_stamps(receiving)
    receiving.setblocking(False)
    receiving.connect(sending.getsockname())
    threading.Timer(2.0, lambda: commands.put({"type": "stop"})).start()
    said = udp._receive(receiving, {"seconds": 10}, b"k", (7).to_bytes(4, "big") + bytes(12), commands, lambda _: None)
    os.waitpid(pid, 0)
    rate = said["octets_received"] * 8 / said["seconds"] / 1e9
    print(
        f"UDP receive, stamped and counted: {rate:.2f} Gbit/s, {said['packets_received'] / said['seconds'] / 1000:.0f} thousand packets/s, {said['cpu_share']:.2f} of a core: {rate / said['cpu_share']:.2f} Gbit/s per busy core"
    )
    reference = pair.iperf3("-u", "-b", "0", "-l", "1200", "-t", "2")
    if reference is not None:
        total = reference["end"]["sum"]
        theirs = total["bits_per_second"] * (1 - total["lost_percent"] / 100) / 1e9
        share = reference["end"]["cpu_utilization_percent"]["remote_total"] / 100
        print(
            f"iperf3 UDP, 1200 octets: {theirs:.2f} Gbit/s received, {theirs / share:.2f} per busy receiving core: ratio {rate / said['cpu_share'] / (theirs / share):.2f}"
        )


def reflector() -> None:
    """Authenticated packets a second: parsing, checking, answering; and with the socket calls around it."""
    key, count = b"k" * 32, 100_000
    rule = Reflector(cookie_secret=b"s" * 32, sessions={1: Session(key, 10 * count)})
    packets = [stamp.pack_sender(sequence=n, t1=1 << 62, ssid=1, key=key) for n in range(count)]
    began, cpu = time.monotonic(), time.process_time()
    answered = sum(rule.reflect(p, t2_ns=1, ttl=64) is not None for p in packets)
    print(
        f"reflector, authenticated: {answered / (time.monotonic() - began) / 1000:.0f} thousand/s by rule alone ({answered / (time.process_time() - cpu) / 1000:.0f} per busy core)"
    )
    ends = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    rule.sessions[1] = Session(key, 10 * count)
    count = 30_000
    began, cpu = time.monotonic(), time.process_time()
    for p in packets[:count]:
        ends[0].send(p)
        data, _, _, _ = ends[1].recvmsg(2048, 256)
        ends[1].sendmsg([rule.reflect(data, t2_ns=1, ttl=64) or b""], [], 0)
        ends[0].recv(2048)
    print(f"  with four socket calls a packet: {count / (time.process_time() - cpu) / 1000:.0f} thousand/s per busy core")


def main() -> None:
    """Print all ceilings."""
    reflector()
    if os.geteuid() != 0:
        print("no root: TCP and UDP over veth are left out")
        return
    with _Pair() as pair:
        tcp(pair)
        udp_receive(pair)


if __name__ == "__main__":
    main()

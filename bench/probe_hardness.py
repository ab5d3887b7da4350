"""Whether strangers and long use change anything: junk and idle connections beside a measurement; memory over many measurements.

python bench/probe_hardness.py [measurements]   (1000 unless told otherwise; the first part needs root)
"""

from __future__ import annotations

import asyncio
import random
import socket
import sys
import threading
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

from bed import FAR_ADDRESS, Bed, Link, why_not
from ends import OpenNearEnd, far_end

from bandwright.probe.limits import Limits
from bandwright.words.measurement import MeasurementPlan, Size


def strangers() -> None:
    """Goodput at 50 Mbit/s alone, and beside 200 idle connections and 10,000 junk packets a second at the far end."""
    link = Link(rate_mbps=50, delay_ms=20, buffer_ms=100)
    with Bed.make(down=link, up=link) as bed, far_end(host=FAR_ADDRESS, bed=bed) as (thread, secret):
        stop = threading.Event()

        def junk() -> None:
            rng = random.Random(1)
            with bed.inside("far"), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp:
                udp.connect((FAR_ADDRESS, thread.port))
                idle = []
                for _ in range(200):
                    sock = socket.socket()
                    sock.setblocking(False)
                    sock.connect_ex((FAR_ADDRESS, thread.port))
                    idle.append(sock)
                packets = [rng.randbytes(n) for n in (72, 112, 112, 400)] * 25
                while not stop.is_set():
                    began = time.monotonic()
                    for packet in packets:
                        udp.send(packet)
                    stop.wait(max(0.0, 0.01 - (time.monotonic() - began)))
                for sock in idle:
                    sock.close()

        figures: dict[str, list[tuple[float, float, float]]] = {"alone": [], "beside": []}
        for name in ("alone", "beside") * 3:
            stop.clear()
            beside = threading.Thread(target=junk)
            if name == "beside":
                beside.start()
            with bed.inside("near"):
                m = asyncio.run(OpenNearEnd(None, secret).measure(MeasurementPlan()))
            stop.set()
            if name == "beside":
                beside.join()
            figures[name].append(tuple(m.number(q) or 0.0 for q in ("goodput_down_mbps", "goodput_up_mbps", "delay_idle_ms")))
    for i, quantity in enumerate(("goodput down, Mbit/s", "goodput up, Mbit/s", "idle delay, ms")):
        alone, beside_ = (median(f[i] for f in figures[n]) for n in ("alone", "beside"))
        print(f"{quantity}: alone {alone:.3f}, beside strangers {beside_:.3f} ({100 * (beside_ / alone - 1):+.2f} %)")


def _resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6


def memory(count: int) -> None:
    """Resident memory of a process that holds both ends, after so many short measurements on loopback."""
    seen: list[tuple[int, float]] = []
    with far_end(limits=Limits(load_mbps=50.0, knocks_per_s=1e6)) as (_, secret):
        near = OpenNearEnd(None, secret)
        plan = MeasurementPlan(size=Size.LIGHT, max_seconds=1.8, max_megabytes=2.0)

        async def run() -> None:
            for n in range(1, count + 1):
                m = await near.measure(plan)
                if m.outcome.value != "ok":
                    print(n, m.outcome, m.phase, m.reason)
                if n in {20, count // 2, count} or n % 200 == 0:
                    seen.append((n, _resident_mb()))
                    print(f"after {n} measurements: {seen[-1][1]:.1f} MB resident, {threading.active_count()} threads", flush=True)

        asyncio.run(run())
    print(f"growth from {seen[0][0]} to {seen[-1][0]}: {seen[-1][1] - seen[0][1]:+.1f} MB")


def main() -> None:
    """Run both parts."""
    if (why := why_not()) is None:
        strangers()
    else:
        print(why)
    memory(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)


if __name__ == "__main__":
    main()

"""The real near end and far end through the twin's bottleneck, on the loopback and without root: what they find against what the link was set to.

    python bench/twin_probe_path.py [--repeats 2]
"""

from __future__ import annotations

import argparse
import asyncio
import os
import tempfile
from pathlib import Path

from bandwright.probe.far import FarEnd, FarEndSettings, pairing_string
from bandwright.probe.keys import add_key
from bandwright.probe.near import NearEnd
from bandwright.twin.bottleneck import Bottleneck, ip_rate_mbps
from bandwright.words.measurement import MeasurementPlan, Size

LINKS = ((8.0, 2.0, 60.0), (50.0, 10.0, 30.0), (200.0, 20.0, 25.0), (300.0, 60.0, 15.0))  # goodput down and up, round trip
BUFFER_MS = 120.0


async def measure(repeats: int) -> None:
    state = Path(tempfile.mkdtemp())
    print(f"load average {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores; queue {BUFFER_MS:g} ms")
    print(f"{'asked':>18} {'outcome':>8} {'down %':>7} {'up %':>7} {'idle +ms':>9} {'loaded down +ms':>16} {'loaded up +ms':>14} {'late p99 ms':>12}")
    async with FarEnd(FarEndSettings(state=state, hosts=("127.0.0.1",), port=0)) as far:
        row = add_key(state, "near")
        for down, up, delay_ms in LINKS:
            for _ in range(repeats):
                settings = {"down_mbps": ip_rate_mbps(down), "up_mbps": ip_rate_mbps(up), "delay_ms": delay_ms, "buffer_ms": BUFFER_MS}
                async with Bottleneck(target=("127.0.0.1", far.port), **settings) as link:
                    address = "{}:{}".format(*link.address)
                    found = await NearEnd(address, pairing_string(state, address=address, row=row)).measure(MeasurementPlan(size=Size.USUAL))
                    late = max(max(t.down.lateness_p99_ms, t.up.lateness_p99_ms) for t in link.truth)
                got = {v.quantity: v.value if v.value is not None else float("nan") for v in found.values}
                full_ms = delay_ms + BUFFER_MS
                print(
                    f"{down:5g} {up:5g} {delay_ms:3g} ms {found.outcome:>8} {100 * (got['goodput_down_mbps'] / down - 1):7.1f} {100 * (got['goodput_up_mbps'] / up - 1):7.1f}"
                    f" {got['delay_idle_ms'] - delay_ms:9.2f} {got['delay_loaded_down_ms'] - full_ms:16.2f} {got['delay_loaded_up_ms'] - full_ms:14.2f} {late:12.1f}"
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=2)
    asyncio.run(measure(parser.parse_args().repeats))


if __name__ == "__main__":
    main()

"""How long a site is without its former settings after real kills: of the main process, and of main process and guard.

The reference is a bare restore over the same line in the same run. The modem is the twin's and takes settings at once, so what is
measured is ours: seeing that the process is gone, opening the line, putting back, reading back. Run: python bench/gateways_guard.py [TIMES]
"""

from __future__ import annotations

import asyncio
import os
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "gateways"))

from stage import RealClock
from test_gateways_guard import PIN, Site, children_of, until

from bandwright.gateways.guard import recover
from bandwright.gateways.kinds import open_gateway


async def once(how: str) -> float:
    site = Site(Path(tempfile.mkdtemp()))
    await site.start()
    try:
        if how == "bare restore":
            gateway = open_gateway(site.plan, clock=RealClock())
            former = await gateway.settings()
            await gateway.apply(PIN)
            await gateway.close()
            began = time.perf_counter()
            await gateway.restore(former)
            await gateway.close()
            return time.perf_counter() - began
        user = await site.user(seconds=600.0)
        guards = children_of(user.pid)
        began = time.perf_counter()
        os.kill(user.pid, signal.SIGKILL)
        if how == "main process killed":
            await until(lambda: site.cell is None, within_s=30)
            return time.perf_counter() - began
        for pid in guards:
            os.kill(pid, signal.SIGKILL)
        await user.wait()
        began = time.perf_counter()
        await recover(site.folder)
        assert site.cell is None
        return time.perf_counter() - began
    finally:
        await site.place.modem.close()


def main(times: int) -> None:
    reference = None
    print(f"{'what':44} {'median s':>8} {'worst s':>8} {'x bare':>7}")
    for how in ("bare restore", "main process killed", "both killed, next start"):
        took = [asyncio.run(once(how)) for _ in range(times)]
        median = statistics.median(took)
        reference = reference or median
        print(f"{how:44} {median:8.2f} {max(took):8.2f} {median / reference:7.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)

"""Resident memory of the watch over simulated days, with the detector in processes of its own; data used against the declared share.

    python bench/watch_memory.py [--days 60] [--poll 60] [--outlets]

Simulated time, but the real loop, records on disk, parser, and (every tenth time, to save time) a real detector process.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import os
import socket
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from bandwright.jobs.assembly_watch import open_watch
from bandwright.jobs.watch import _detect_elsewhere, watch
from bandwright.jobs.watch_fold import WatchAnswer
from bandwright.ports import GatewayAbilities, ProbeEvent
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.radio import Capture

SITE = """
[site]
name = "bench"
timezone = "UTC"
[[line]]
key = "l"
cap_gb_per_month = 100
[[gateway]]
key = "g"
kind = "at-tcp"
address = "127.0.0.1:1"
[[rig]]
key = "r"
line = "l"
gateway = "g"
[[tuning]]
key = "t"
[[need]]
key = "calls"
kind = "video call"
hours = "daily 07:00-23:00"
[settings]
"""
OUTLETS = 'alert_to = "sink"\nmqtt_to = "broker"\n'
PAGE = 'AT+QENG="servingcell"\n\n+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2B301,101,1300,3,5,5,21,{rsrp},-11,-65,12,12,40,-\n\nOK\n'


class Clock:
    def __init__(self):
        self.at = datetime(2026, 3, 1, tzinfo=UTC)

    def now(self):
        return self.at

    def monotonic_s(self):
        return self.at.timestamp()

    async def sleep(self, seconds):
        self.at += timedelta(seconds=seconds)


class Radio:
    kind = "at-tcp"

    def __init__(self, clock):
        self.clock, self.n = clock, 0

    async def abilities(self):
        return GatewayAbilities(can_tune=False)

    async def fetch(self, *, moment="idle"):
        self.n += 1
        return Capture(key=f"k{self.n}", at=self.clock.now(), kind="at-tcp", text=PAGE.format(rsrp=-95 + self.n % 3), moment=moment)

    async def close(self):
        pass


class Figures:
    def __init__(self, clock):
        self.clock, self.n = clock, 0

    def cost_megabytes(self, plan):
        return 7.2

    async def measure(self, plan, *, listener=None):
        for phase in ("idle", "downlink", "uplink"):
            await listener(ProbeEvent(kind="phase", phase=phase))
        self.n += 1
        f = math.exp(0.2 * math.sin(self.n * 7.3))
        values = tuple(Value(quantity=q, value=v) for q, v in (("goodput_down_mbps", 50 * f), ("goodput_up_mbps", 10 * f), ("delay_loaded_up_ms", 90 / f), ("loss_ratio", 0.0)))
        series = (("series_down_mbps", tuple(50 * f for _ in range(12))), ("series_up_mbps", tuple(10 * f for _ in range(12))))
        return Measurement(key=f"m{self.n}", at=self.clock.now(), method=Method.SIMULATED, values=values, series=series, megabytes=7.2, seconds=4.0)


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


async def run(folder: Path, days: int, poll_s: float, *, outlets: bool) -> None:
    import bandwright.cli.watching
    import bandwright.gateways.serial
    import bandwright.probe.near  # noqa: F401 -- what a real watch has loaded

    (folder / "site.toml").write_text(SITE + f"watch_poll_s = {poll_s}\n" + (OUTLETS + f"metrics_port = {free_port()}\n" if outlets else ""))
    secrets = folder / "secrets.toml"
    secrets.write_text('sink = "json://127.0.0.1:9/"\nbroker = "mqtt://127.0.0.1:9"\n')
    secrets.chmod(0o600)
    clock = Clock()
    house, close = open_watch(folder)
    radio, path = Radio(clock), Figures(clock)
    house.clock, house.gateway_maker, house.probe_maker = clock, lambda _: radio, lambda _: path
    looks = 0

    async def glance():
        return None

    house.glance = glance
    real = _detect_elsewhere(house, "r/t")
    seconds = []

    async def detect(now):
        nonlocal looks
        looks += 1
        if looks % 40:
            return WatchAnswer()
        began = time.perf_counter()
        answer = await real(now)
        seconds.append(time.perf_counter() - began)
        return answer

    print(f"resident at the start {resident_mb():.1f} MB")
    shown, month_mb = 0, {}
    async for event in watch(house, setup="r/t", until=clock.now() + timedelta(days=days), detect=detect):
        if event.measurement is not None:
            m = event.measurement.at
            month_mb[m.month] = month_mb.get(m.month, 0.0) + event.measurement.megabytes
        day = (event.at - datetime(2026, 3, 1, tzinfo=UTC)).days
        if day >= shown:
            print(f"day {day:3}: {resident_mb():6.1f} MB resident, {path.n} tests, {radio.n} readings", flush=True)
            shown = day + 10
    share_mb = 0.05 * 100 * 1000
    print("; ".join(f"month {m}: {mb:.0f} MB of tests, {100 * mb / share_mb:.0f} % of the declared share" for m, mb in month_mb.items()))
    print(f"detector process: {len(seconds)} runs, the last {seconds[-1]:.1f} s" if seconds else "detector process: not run")
    await close()


def main() -> None:
    args = argparse.ArgumentParser()
    args.add_argument("--days", type=int, default=60)
    args.add_argument("--poll", type=float, default=60.0)
    args.add_argument("--outlets", action="store_true", help="with alerts, metrics and a broker declared")
    a = args.parse_args()
    if sys.flags.optimize < 2:  # as `bandwright watch` starts itself
        os.execv(sys.executable, [sys.executable, "-OO", *sys.argv])
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(run(Path(folder), a.days, a.poll, outlets=a.outlets))


if __name__ == "__main__":
    main()

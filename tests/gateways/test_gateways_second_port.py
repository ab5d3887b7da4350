"""A campaign whose readings come from the operating system's own modem daemon, while tunings go to the modem's second port.

The daemon's generic modem refuses SetCurrentModes and SetCurrentBands, as many drivers do; those two calls are tested on the D-Bus fake.
The daemon lives in real time; the campaign's clock skips what is left of longer waits.
"""

from __future__ import annotations

import asyncio
import time
from datetime import datetime, timedelta

import pytest
from stage import START
from test_gateways_jobs import Loads
from twin_bench import SMALL_SITE

from bandwright.errors import GatewayRefused
from bandwright.gateways.connection import lacking
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.proof import shown
from bandwright.jobs.campaign import run
from bandwright.jobs.house import House
from bandwright.ports import ProbeEvent
from bandwright.readings.parse import parse
from bandwright.words.measurement import Phase
from bandwright.words.rig import GatewayPlan, Tuning
from bandwright.workspace.declared import read_declared
from bandwright.workspace.records import DiskRecords

LEAST_S = 0.02  # of real time for each wait, so that the daemon's side gets its turn


class SkippingClock:
    """Seconds of real time from a Monday morning on, with what is left of a wait skipped."""

    def __init__(self) -> None:
        self.skipped_s, self.began_s = 0.0, time.monotonic()

    def now(self) -> datetime:
        return START + timedelta(seconds=self.monotonic_s() - self.began_s)

    def monotonic_s(self) -> float:
        return time.monotonic() + self.skipped_s

    async def sleep(self, seconds: float) -> None:
        real_s = min(seconds, LEAST_S)
        await asyncio.sleep(real_s)
        self.skipped_s += seconds - real_s


def site_text(bus: str, address: str) -> str:
    text = SMALL_SITE.replace('kind = "at-tcp"\naddress = "192.0.2.1:5000"', f'kind = "modem-daemon"\nbus = "{bus}"\nsecond_port = "{address}"\nsignal_rate_s = 1')
    a, b = text.index("[[tuning]]"), text.index("[campaign]")
    tunings = '[[tuning]]\nkey = "automatic"\n\n[[tuning]]\nkey = "lte"\nmode = "lte"\n\n'
    return (text[:a] + tunings + text[b:]).replace("{days}", "0.3")


async def test_a_campaign_is_read_by_the_real_daemon_and_tuned_through_the_second_port(real_daemon, tmp_path) -> None:
    clock = SkippingClock()
    text = site_text(*real_daemon)
    (tmp_path / "site.toml").write_text(text)
    declared = read_declared(text)
    gateway = open_gateway(declared.gateway("own"), clock=clock)
    probe = Loads(clock)
    plain = probe.measure

    async def measure(plan, *, listener=None):
        if listener is not None:
            await listener(ProbeEvent(kind="phase", phase=Phase.DOWNLINK))
        return await plain(plan, listener=listener)

    probe.measure = measure
    house = House(folder=tmp_path, declared=declared, records=DiskRecords(tmp_path), clock=clock, gateway_maker=lambda _key: gateway, probe_maker=lambda _rig: probe, shown=shown, lacking=lacking)
    try:
        former = await gateway.settings()
        assert former.mode == "automatic"
        set_to: list[str] = []
        async for event in run(house):
            if event.kind == "measuring":
                set_to.append((await gateway.settings()).mode)
        tests = house.records.measurements()
        assert len(tests) >= 4
        assert set(set_to) == {"automatic", "lte"}
        assert all(m.setup_seen == m.setup_asked for m in tests), "each was seen in the daemon's own reading"
        kept = {c.key: c for c in house.records.captures()}
        read = [kept[key] for m in tests for _, key in m.captures]
        assert {c.kind for c in read} == {"modem-daemon"}
        assert all(c.text.startswith("{") for c in read), "what was read under load is the daemon's document, not AT text"
        levels = [carrier.number("rsrp") for c in read for reading in parse(c) for carrier in reading.serving()]
        assert levels
        assert all(level is not None and -141 <= level <= -44 for level in levels)
        assert dict((await gateway.settings()).raw) == dict(former.raw)
    finally:
        await house.close()


async def test_without_the_second_port_the_same_daemon_refuses_modes(real_daemon) -> None:
    gateway = open_gateway(GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", real_daemon[0]),)), clock=SkippingClock())
    try:
        with pytest.raises(GatewayRefused):
            await gateway.apply(Tuning(key="lte", mode="lte"))
    finally:
        await gateway.close()

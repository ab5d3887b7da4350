"""A small campaign on the simulated practice whose gateway is reached through a pseudo-terminal, with what each call took in real time."""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from pathlib import Path

from bandwright.gateways.kinds import open_gateway
from bandwright.jobs.assembly_twin import Twin
from bandwright.jobs.campaign import run
from bandwright.jobs.house import House
from bandwright.words.progress import CampaignProgress
from bandwright.words.rig import GatewayPlan

sys.path.insert(0, str(Path(__file__).parent.parent / "jobs"))
from twin_bench import SMALL_SITE, small


def site_over_a_pty(port: Path, *, days: float) -> str:
    """The small site of `twin_bench`, its gateway on a serial port."""
    over_tcp = 'kind = "at-tcp"\naddress = "192.0.2.1:5000"'
    assert over_tcp in SMALL_SITE
    return SMALL_SITE.replace(over_tcp, f'kind = "at-serial"\nport = "{port}"').replace("{days}", str(days))


class Timed:
    """A gateway that notes how long each call took in real time."""

    def __init__(self, inner) -> None:
        self.inner, self.kind = inner, inner.kind
        self.took: dict[str, list[float]] = defaultdict(list)

    def __getattr__(self, name: str):
        method = getattr(self.inner, name)

        async def call(*args, **kwargs):
            began = time.perf_counter()
            try:
                return await method(*args, **kwargs)
            finally:
                self.took[name].append(time.perf_counter() - began)

        return call


async def over_a_pty(folder: Path, *, days: float) -> tuple[Twin, House, Timed, list[CampaignProgress]]:
    """Run the campaign to its end; return the twin, the house, the gateway with its times, and what was told."""
    link = folder / "modem"
    twin, house = await small(folder, text=site_over_a_pty(link, days=days))
    await twin.world.modem.serve_pty(link)
    plan: GatewayPlan = house.declared.gateway("own")
    gateway = Timed(open_gateway(plan, clock=twin.world.clock))
    house.gateway_maker = lambda _key: gateway
    progress = [event async for event in run(house)]
    return twin, house, gateway, progress

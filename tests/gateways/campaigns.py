"""A small campaign on the simulated practice whose gateway is reached through a pseudo-terminal, with what each call took in real time."""

from __future__ import annotations

import time
from collections import defaultdict
from pathlib import Path

from bandwright.gateways.kinds import open_gateway
from bandwright.jobs.assembly_twin import Twin, open_twin
from bandwright.jobs.campaign import run
from bandwright.jobs.house import House
from bandwright.words.progress import CampaignProgress
from bandwright.words.rig import GatewayPlan

SITE = """
[site]
name = "Two tunings over a pseudo-terminal"
timezone = "Europe/London"

[[need]]
kind = "video call"
hours = "Mon-Fri 09:00-17:00"

[[line]]
key = "A"
plmn = "001-01"

[[gateway]]
key = "own"
kind = "at-serial"
port = "{port}"

[[rig]]
key = "sill-own"
line = "A"
gateway = "own"

[[tuning]]
key = "standalone"
mode = "nr-sa"

[[tuning]]
key = "anchor 20"
mode = "endc"
bands = ["B20", "n78"]

[campaign]
allowance_days = {days}
seed = 7
mounted = "sill-own"
"""


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
    twin = open_twin(folder, seed=11)
    twin.world.mount("sill-own")
    link = folder / "modem"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(SITE.format(port=link, days=days))
    house = await twin.start()
    await twin.world.modem.serve_pty(link)
    plan: GatewayPlan = house.declared.gateway("own")
    gateway = Timed(open_gateway(plan, clock=twin.world.clock))
    house.gateway_maker = lambda _key: gateway
    progress = [event async for event in run(house)]
    return twin, house, gateway, progress

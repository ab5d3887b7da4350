"""Real input: one round of two setups, measured by the real probe across namespaces. The whole campaign is bench/campaign_bed.py."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "testbed"))

import bed as bed_module
import bed_campaign
import ends

from bandwright.jobs.campaign import run


@pytest.mark.root
@pytest.mark.timeout(180)
def test_one_round_of_two_setups_finds_the_truth_of_the_path(tmp_path: Path) -> None:
    reason = bed_module.why_not()
    if reason:
        pytest.skip(reason)
    with bed_campaign.make_bed() as bed, ends.far_end(host=bed_module.FAR_ADDRESS, bed=bed) as (_far, pairing), bed.inside("near"):
        world = bed_campaign.BedWorld(bed, tmp_path, pairing)
        asyncio.run(_one_round(world))
    assert {seen.setup for seen in world.measured} == {"window/standalone", "window/4G only"}
    for seen in world.measured:
        truth = bed_campaign.LINKS[seen.setup]
        assert seen.found.outcome == "ok", seen.found.reason
        # the truth: the path's own log of octets and packets in the same windows; the delay it was set to, there and back
        for direction in ("down", "up"):
            assert seen.found.number(f"goodput_{direction}_mbps") == pytest.approx(seen.carried[f"goodput_{direction}_mbps"], rel=0.05)
            assert seen.found.number(f"loss_{direction}_ratio") == pytest.approx(seen.carried[f"loss_{direction}_ratio"], abs=0.01)
        assert seen.found.number("delay_idle_ms") == pytest.approx(2 * truth.one_way_ms, abs=2.0)


async def _one_round(world: bed_campaign.BedWorld) -> None:
    house = await world.start()
    stream = run(house)
    async for event in stream:
        if event.kind == "tested" and len({seen.setup for seen in world.measured}) == 2:
            break
    await stream.aclose()
    await house.close()
    await world.modem.close()

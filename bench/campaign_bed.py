"""The whole campaign on real input: two rigs and two tunings, real probe, namespaces; does the verdict name the truly better setup?

Prints the verdict and, for each setup, measured against true goodput, idle delay and loss. Needs root. About two to five minutes.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

import bed as bed_module
import bed_campaign
import ends

from bandwright.jobs.campaign import run


async def campaign(world: bed_campaign.BedWorld) -> None:
    house = await world.start()
    async for event in run(house):
        if event.kind in {"mounted", "answer"}:
            print(f"{event.at:%d %b %H:%M} {event.kind}: {event.text}", flush=True)
        if event.kind == "answer" and event.verdict is not None:
            v = event.verdict
            print(f"verdict: {v.kind} {v.lead}, certainty {v.certainty:.3f}, {v.tests} tests in {v.rounds} rounds, {v.visits} visits, {v.megabytes:.0f} MB")
    await house.close()
    await world.modem.close()


def main() -> int:
    reason = bed_module.why_not()
    if reason:
        print(f"not run: {reason}")
        return 0
    with tempfile.TemporaryDirectory() as folder, bed_campaign.make_bed() as bed, ends.far_end(host=bed_module.FAR_ADDRESS, bed=bed) as (_far, pairing), bed.inside("near"):
        world = bed_campaign.BedWorld(bed, Path(folder), pairing)
        asyncio.run(campaign(world))
    print(f"{'setup':<20}{'tests':>6}{'down err %':>12}{'up err %':>10}{'idle err ms':>13}{'loss err pp':>13}   (largest of all tests, against the path's own log)")
    for setup, truth in bed_campaign.LINKS.items():
        rows = [s for s in world.measured if s.setup == setup and s.found.outcome == "ok" and s.carried]
        if not rows:
            continue
        rate = {d: [100 * (s.found.number(f"goodput_{d}_mbps") / s.carried[f"goodput_{d}_mbps"] - 1) for s in rows] for d in ("down", "up")}
        idle = [s.found.number("delay_idle_ms") - 2 * truth.one_way_ms for s in rows]
        loss = [100 * ((s.found.number(f"loss_{d}_ratio") or 0.0) - s.carried[f"loss_{d}_ratio"]) for s in rows for d in ("down", "up")]
        worst = [max(x, key=abs) for x in (rate["down"], rate["up"], idle, loss)]
        print(f"{setup:<20}{len(rows):>6}{worst[0]:>12.2f}{worst[1]:>10.2f}{worst[2]:>13.2f}{worst[3]:>13.2f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

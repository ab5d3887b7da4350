"""The demonstration: the whole job on the simulated practice, as a stream of scenes that a face shows.

Nothing in it is canned: the paste is parsed, the campaign runs through the AT dialect, the parser and the analysis, the verdict is
computed from its records, and the live test sends real bytes through a bottleneck on this computer.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from bandwright.jobs.assembly_twin import LiveTwin, open_twin, twin_one_test_each, twin_page
from bandwright.jobs.campaign import run
from bandwright.jobs.judge import JudgeAnswer, judge
from bandwright.jobs.look import LookAnswer, explain
from bandwright.jobs.onetest import OneTestAnswer
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, MeasurementPlan, Size
from bandwright.words.progress import CampaignProgress

__all__ = ["Scene", "demonstrate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One scene. kind says which of the others is there.

    declared: the place; look: a pasted text explained; one_test: what one test each picks; progress: of the campaign; verdict; live:
    one test in real time.
    """

    kind: Literal["declared", "look", "one_test", "progress", "verdict", "live"]
    declared: Declared | None = None
    look: LookAnswer | None = None
    one_test: OneTestAnswer | None = None
    progress: CampaignProgress | None = None
    verdict: JudgeAnswer | None = None
    live: Measurement | None = None
    at: datetime | None = None


async def demonstrate(folder: Path, *, seed: int | None = None, redraws: int = 1000, live: bool = True) -> AsyncIterator[Scene]:
    """Walk through the whole job in a workspace of its own. redraws: of the place, to count how often one test each is wrong."""
    twin = open_twin(folder, seed=seed)
    house = await twin.start()
    try:
        yield Scene(kind="declared", declared=house.declared, at=house.clock.now())
        yield Scene(kind="look", declared=house.declared, look=explain(twin_page(seed), at=house.clock.now()))
        plan = house.declared.campaign
        yield Scene(kind="one_test", declared=house.declared, one_test=twin_one_test_each(house.declared.needs, n=redraws, seed=seed, indifference=plan.indifference))
        async for event in run(house):
            yield Scene(kind="progress", declared=house.declared, progress=event)
        yield Scene(kind="verdict", declared=house.declared, verdict=judge(house))
    finally:
        await house.close()
        await twin.close()
    if live:
        async with LiveTwin(folder / "live", seed=seed) as real:
            yield Scene(kind="live", declared=house.declared, live=await real.measure(MeasurementPlan(size=Size.LIGHT)))

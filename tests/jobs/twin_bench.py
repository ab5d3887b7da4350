"""A small campaign on the simulated practice, and a way to make it crash at a chosen write."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bandwright.jobs.assembly_twin import Twin, open_twin
from bandwright.jobs.campaign import run
from bandwright.jobs.house import House
from bandwright.words.campaign import CampaignEvent, RoundDrawn, Tested
from bandwright.words.progress import CampaignProgress

SMALL_SITE = """
[site]
name = "Practice, two setups"
timezone = "Europe/London"

[[need]]
kind = "video call"
hours = "Mon-Fri 09:00-17:00"
downlink_mbps = 8
uplink_mbps = 6

[[line]]
key = "A"
plmn = "001-01"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"

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


class Crash(BaseException):
    """Stands for the death of the process: nothing of ours runs after it."""


@dataclass
class Mortal:
    """Records that let the process die at the n-th write of an event or measurement, just before or just after it is on disk."""

    inner: Any
    die_at: int = -1
    after: bool = False
    writes: int = 0
    dead: bool = field(default=False)

    def __getattr__(self, name: str) -> Callable[..., Any]:
        method = getattr(self.inner, name)

        def call(*args: Any, **kwargs: Any) -> Any:
            if self.dead:
                raise Crash
            counted = name in {"add_event", "add_measurement"}
            if counted and self.writes == self.die_at and not self.after:
                self.dead = True
                raise Crash
            found = method(*args, **kwargs)
            if counted:
                self.writes += 1
                if self.writes - 1 == self.die_at and self.after:
                    self.dead = True
                    raise Crash
            return found

        return call


async def small(folder: Path, *, days: float = 2, mounted: str = "sill-own", text: str = SMALL_SITE, seed: int = 11) -> tuple[Twin, House]:
    """Return a twin with two setups and its opened house."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "site.toml").exists():
        (folder / "site.toml").write_text(text.replace("{days}", str(days)))
    twin = open_twin(folder, seed=seed)
    twin.world.mount(mounted)
    return twin, await twin.start()


async def to_the_end(house: House) -> list[CampaignProgress]:
    """Run the campaign and return all its progress."""
    return [event async for event in run(house)]


def tests_of(events: list[CampaignEvent] | tuple[CampaignEvent, ...]) -> list[Tested]:
    """Return the tests among events."""
    return [e for e in events if isinstance(e, Tested)]


def assert_sound(house: House, campaign: str) -> None:
    """Every kept measurement is counted once, no test is counted that was not kept, and no setup is tested twice in a round but for repeats."""
    events = house.records.events(campaign)
    tests = tests_of(list(events))
    kept = {m.key for m in house.records.measurements() if dict(m.facts).get("campaign") == campaign}
    assert sorted(t.test for t in tests) == sorted(kept)
    assert len({t.test for t in tests}) == len(tests)
    rounds = {e.round: e for e in events if isinstance(e, RoundDrawn)}
    assert len(rounds) == sum(isinstance(e, RoundDrawn) for e in events), "a round was drawn twice"
    for number, drawn in rounds.items():
        usable = [t.setup for t in tests if t.round == number and t.outcome != "void" and not t.ramping]
        assert len(usable) <= len(drawn.order)
        assert sorted(usable) == sorted(drawn.order[: len(usable)]), f"round {number} was not tested in its order"

"""A campaign run against a simulated world, on simulated time: what planning, rehearsing and benchmarks share.

The world answers one test at a time; this module plays the part of clock, person and gateway, and records what a real campaign
would record. It decides nothing: every step is the course's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal, Protocol

from bandwright.trials.course import course
from bandwright.words.campaign import CampaignEvent, Design, RigMounted, RoundDrawn, Step, Tested

__all__ = ["Sample", "World", "run"]

APPLY_S: Final = 20.0  # to apply a tuning and see it shown
MAX_STEPS: Final = 5000
ROOM_TESTS: Final = 20  # tests' worth of data left, below which the fold is asked after every test


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """What one test gave. score: -1..1, None where it is void."""

    score: float | None
    outcome: Literal["ok", "failed", "void"] = "ok"
    met: tuple[tuple[str, bool], ...] = ()
    margins: tuple[tuple[str, float], ...] = ()
    seen: str | None = None
    moved: bool = False
    ramping: bool = False
    megabytes: float = 80.0


class World(Protocol):
    """A simulated site. Called in order of time."""

    def test(self, *, setup: str, visit: int, at: datetime, warmup_s: float) -> Sample:
        """Test a setup in a visit. warmup_s: load that went before it."""
        ...


def run(design: Design, world: World, *, already: tuple[CampaignEvent, ...] = (), stop_after: int = MAX_STEPS) -> tuple[CampaignEvent, ...]:
    """Return the records of a whole campaign, or of as many steps as `stop_after` allows. already: what was recorded before.

    The fold is asked before each round and whenever a test was not plain; a plain test leaves the rest of its round as it was drawn.
    """
    records: list[CampaignEvent] = list(already)
    now = max([design.start, *(r.at for r in records)])
    loaded = next((r.setup for r in reversed(records) if isinstance(r, Tested)), None)  # a reading shows it after a restart
    steps = 0
    while steps < stop_after:
        stands = course(design, records)
        step = stands.next
        if step.kind == "finish":
            break
        now = max(now, step.not_before or now)
        if step.kind != "test":
            records.append(_noted(step, now))
            now = max(now, records[-1].at)
            steps += 1
        if step.kind in {"test", "round"} and steps < stop_after:
            room = 1000.0 * (design.allowance.data_gb - stands.used_gb)
            for setup, warmup_s in zip(step.order, step.warmups_s, strict=True):
                at = now + timedelta(seconds=warmup_s + (APPLY_S if setup != loaded else 0.0))
                test = _tested(replace(step, setup=setup, warmup_s=warmup_s), world, at, f"{design.key}-{design.seed}-{len(records)}", design.seconds_per_test)
                records.append(test)
                loaded, now = setup, at + timedelta(seconds=design.seconds_per_test)
                room -= test.megabytes
                steps += 1
                plain = test.score is not None and not test.ramping and not design.by_hand
                if not plain or room < ROOM_TESTS * design.megabytes_per_test or steps >= stop_after:
                    break
    return tuple(records)


def _tested(step: Step, world: World, at: datetime, key: str, seconds: float) -> Tested:
    setup = step.setup or ""
    sample = world.test(setup=setup, visit=step.visit or 1, at=at, warmup_s=step.warmup_s)
    return Tested(
        at=at,
        test=key,
        round=step.round or 0,
        setup=setup,
        visit=step.visit or 1,
        score=sample.score,
        outcome=sample.outcome,
        met=sample.met,
        margins=sample.margins,
        seen=sample.seen,
        moved=sample.moved,
        ramping=sample.ramping,
        megabytes=sample.megabytes,
        seconds=seconds,
    )


def _noted(step: Step, now: datetime) -> RoundDrawn | RigMounted:
    if step.kind == "mount":
        return RigMounted(at=now + timedelta(minutes=step.minutes), rig=step.rig or "", visit=step.visit or 1, person_minutes=step.minutes)
    return RoundDrawn(at=now, round=step.round or 0, rig=step.rig or "", visit=step.visit or 1, order=step.order, bracket=step.bracket)

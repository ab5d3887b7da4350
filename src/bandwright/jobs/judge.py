"""The verdict that a campaign supports, and what one test of each setup would have said."""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.jobs.campaign import design_of
from bandwright.jobs.deciding import course_of, verdict_of
from bandwright.jobs.house import House
from bandwright.words.answers import Verdict
from bandwright.words.campaign import CampaignEvent, Course, Design, Tested
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement

__all__ = ["FirstTest", "JudgeAnswer", "first_tests", "judge"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstTest:
    """The first usable test of a setup: what a person who tries each setting once would go by."""

    setup: str
    score: float
    down_mbps: float | None
    up_mbps: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgeAnswer:
    """A campaign, where it stands, and its verdict."""

    declared: Declared
    design: Design
    course: Course
    events: tuple[CampaignEvent, ...]
    verdict: Verdict
    first_tests: tuple[FirstTest, ...]
    measurements: tuple[Measurement, ...] = ()


def judge(house: House, *, campaign: str | None = None, seed: int | None = None, with_measurements: bool = False) -> JudgeAnswer:
    """Return a campaign's verdict; None is the latest campaign, and the design's own seed. Raises UsageError where there is none."""
    design = design_of(house, campaign)
    events = tuple(house.records.events(design.key))
    measurements = tuple(house.records.measurements(since=design.start)) if with_measurements else ()
    return JudgeAnswer(
        declared=house.declared,
        design=design,
        course=course_of(design, events),
        events=events,
        verdict=verdict_of(house.declared, design, events, seed=seed),
        first_tests=first_tests(house, events),
        measurements=measurements,
    )


def first_tests(house: House, events: tuple[CampaignEvent, ...]) -> tuple[FirstTest, ...]:
    """Return the first usable test of each setup, in the order of testing."""
    out: dict[str, FirstTest] = {}
    for event in events:
        if isinstance(event, Tested) and event.score is not None and not event.ramping and event.setup not in out:
            kept = house.records.measurement(event.test)
            down = kept.number("goodput_down_mbps") if kept else None
            up = kept.number("goodput_up_mbps") if kept else None
            out[event.setup] = FirstTest(setup=event.setup, score=event.score, down_mbps=down, up_mbps=up)
    return tuple(out.values())

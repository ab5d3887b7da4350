"""Where a site stands: what is in use, how well it serves, what is next."""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.jobs.campaign import latest_design
from bandwright.jobs.deciding import course_of, verdict_of
from bandwright.jobs.house import House
from bandwright.jobs.look import LookAnswer, explain_capture
from bandwright.words.answers import NeedShare, Verdict
from bandwright.words.campaign import Course, Design
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement

__all__ = ["TodayAnswer", "today"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayAnswer:
    """The state of a site. in_use: key of the setup in use, or the verdict's lead; shares: how often it met each need."""

    declared: Declared
    design: Design | None
    course: Course | None
    verdict: Verdict | None
    in_use: str | None
    shares: tuple[NeedShare, ...]
    last_measurement: Measurement | None
    last_reading: LookAnswer | None
    next_thing: str


def today(house: House) -> TodayAnswer:
    """Return where the site stands."""
    design = latest_design(house)
    events = tuple(house.records.events(design.key)) if design is not None else ()
    now = course_of(design, events) if design is not None else None
    tested = now is not None and now.tests > 0
    found = verdict_of(house.declared, design, events) if design is not None and tested else None
    in_use = house.declared.campaign.in_use or (found.lead if found is not None else None)
    answer = next((s for s in found.setups if s.setup == in_use), None) if found is not None else None
    measurements = house.records.measurements(limit=1)
    captures = [c for c in house.records.captures(limit=8) if c.moment != "former" and c.text.strip()]
    return TodayAnswer(
        declared=house.declared,
        design=design,
        course=now,
        verdict=found,
        in_use=in_use,
        shares=answer.needs if answer is not None else (),
        last_measurement=measurements[-1] if measurements else None,
        last_reading=explain_capture(captures[-1]) if captures else None,
        next_thing=_next(house, now, found),
    )


def _next(house: House, now: Course | None, found: Verdict | None) -> str:
    if now is None:
        return "Start a campaign: bandwright run" if len(house.declared.setups) > 1 else "Declare a second setup in site.toml, so that there is something to compare"
    if found is not None and now.finished and found.lead is not None:
        return f"Use {found.lead}"
    return "Go on with the campaign: bandwright run"

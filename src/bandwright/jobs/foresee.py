"""Before a campaign: what it would take, by rehearsing it on this site's prior."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass

from bandwright.jobs.campaign import latest_design, make_design
from bandwright.jobs.deciding import course_of
from bandwright.jobs.house import House
from bandwright.trials.design import plan
from bandwright.trials.threads import one_thread
from bandwright.words.answers import Plan
from bandwright.words.campaign import Design
from bandwright.words.declared import Declared

__all__ = ["ForeseeAnswer", "foresee"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeseeAnswer:
    """A design and what it would come to, with a cheaper and a longer one beside it."""

    declared: Declared
    design: Design
    plan: Plan


def foresee(house: House, *, campaigns: int = 60, executor: Executor | None = None) -> ForeseeAnswer:
    """Return what the next campaign would take: of the one that is not finished, or of a new one. campaigns: how many are rehearsed.

    executor: runs rehearsals side by side; None runs them here. The answer is the same.

    Raises UsageError where there is nothing to compare.
    """
    latest = latest_design(house)
    going_on = latest is not None and not course_of(latest, house.records.events(latest.key)).finished
    design = latest if going_on and latest is not None else make_design(house)
    with one_thread():
        found = plan(design, campaigns=campaigns, executor=executor)
    return ForeseeAnswer(declared=house.declared, design=design, plan=found)

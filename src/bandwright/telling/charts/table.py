"""The table of charts: a new chart is one module and one row. Docs and the contract suite read it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from bandwright.telling.charts import by_hour, clearance, days, differences, headings, height, plan, predicted, shares, spectrum, timeline
from bandwright.telling.document import Drawing, Table

__all__ = ["CHARTS", "Chart", "chart"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart. plain: from an answer to plain data; draw: from plain data to a drawing; table and finding: the same in words."""

    key: str
    shows: str
    plain: Callable[..., Any]
    draw: Callable[[Any], Drawing]
    finding: Callable[[Any], str]
    table: Callable[[Any], Table]


CHARTS: tuple[Chart, ...] = (
    Chart(key="share", shows="the share of tests that met a need, on a rule from 0 to 100", plain=shares.share_band, draw=shares.draw, finding=shares.finding, table=shares.table),
    Chart(key="differences", shows="the lead against each other setup, round by round and in all", plain=differences.differences, draw=differences.draw, finding=differences.finding, table=differences.table),
    Chart(key="by hour", shows="the share of tests that met each need, by hour of the day", plain=by_hour.by_hour, draw=by_hour.draw, finding=by_hour.finding, table=by_hour.table),
    Chart(key="timeline", shows="a campaign's tests in time, with rounds and visits", plain=timeline.timeline, draw=timeline.draw, finding=timeline.finding, table=timeline.table),
    Chart(key="spectrum", shows="carriers on the frequency axis, with area as rate", plain=spectrum.spectrum, draw=spectrum.draw, finding=spectrum.finding, table=spectrum.table),
    Chart(key="predicted", shows="rates foreseen from a reading against rates measured", plain=predicted.foreseen, draw=predicted.draw, finding=predicted.finding, table=predicted.table),
    Chart(key="headings", shows="headings marked on the way round, with the fit", plain=headings.headings, draw=headings.draw, finding=headings.finding, table=headings.table),
    Chart(key="clearance", shows="clearance along the path in first Fresnel radii, and the ground", plain=clearance.clearance, draw=clearance.draw, finding=clearance.finding, table=clearance.table),
    Chart(key="plan", shows="ways to masts over shaded ground, or the area where a mast can be", plain=plan.plan, draw=plan.draw, finding=plan.finding, table=plan.table),
    Chart(key="height", shows="what each metre of height brings, with its range", plain=height.heights, draw=height.draw, finding=height.finding, table=height.table),
    Chart(key="days", shows="the watch by day, with changes marked", plain=days.days, draw=days.draw, finding=days.finding, table=days.table),
)


def chart(key: str) -> Chart:
    """Return the chart of that key. Raises KeyError."""
    return {row.key: row for row in CHARTS}[key]

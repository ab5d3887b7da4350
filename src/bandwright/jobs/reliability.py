"""What the watch saw of the connection's reliability: its outages, and how often it was there, over all and in the hours of each need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from bandwright.errors import UsageError
from bandwright.jobs.house import House
from bandwright.needs.availability import Availability, HourAvailability, Observed, Outage, availability, availability_by_hour
from bandwright.words.answers import Alert
from bandwright.words.declared import Declared
from bandwright.words.watch import AlertRaised, ObservedKept, OutageKept, WatchRecord

__all__ = ["ReliabilityAnswer", "reliability"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliabilityAnswer:
    """The reliability of a connection as watched. whole: all hours; by_need: in the hours of each need, in their order.

    look_s: how often the service was looked at; outages shorter than two looks cannot be seen. told: alerts of that time, in order.
    """

    declared: Declared
    began: datetime
    ended: datetime
    outages: tuple[Outage, ...]
    whole: Availability
    by_need: tuple[Availability, ...]
    by_hour: tuple[HourAvailability, ...]
    look_s: float
    told: tuple[Alert, ...] = ()


def reliability(house: House, *, since: datetime | None = None) -> ReliabilityAnswer:
    """Return what was watched since a time; None is from the beginning. Raises UsageError where nothing was."""
    records = house.records.watched(since=since)
    outages, observed = _of_records(records)
    if not observed:
        raise UsageError("nothing was watched yet", todo="Run `bandwright watch`, or start it as a service, and ask again in some days")
    zone = house.zone
    by_need = []
    for need in house.declared.needs:
        try:
            by_need.append(availability(outages, observed, hours=need.hours, zone=zone, label=need.label or need.key))
        except UsageError:
            continue  # its hours have not come yet
    return ReliabilityAnswer(
        declared=house.declared, began=min(o.start for o in observed), ended=max(o.end for o in observed), outages=outages, whole=availability(outages, observed, hours=None, zone=zone, label="all hours"),
        by_need=tuple(by_need), by_hour=availability_by_hour(outages, observed, zone=zone), look_s=float(house.declared.settings["watch_look_s"]),
        told=tuple(sorted((r.alert for r in records if isinstance(r, AlertRaised)), key=lambda a: a.at)),
    )  # fmt: skip


def _of_records(records: Sequence[WatchRecord]) -> tuple[tuple[Outage, ...], tuple[Observed, ...]]:
    kept = sorted((r for r in records if isinstance(r, OutageKept)), key=lambda r: r.at)
    outages = tuple(
        Outage(start=r.at, end=r.end, phase=r.phase, start_give_or_take_s=r.start_give_or_take_s, end_give_or_take_s=r.end_give_or_take_s, polls=r.polls, open_start=r.open_start, open_end=r.open_end)
        for r in kept
    )
    stretches: list[Observed] = []
    for r in sorted((r for r in records if isinstance(r, ObservedKept)), key=lambda r: r.at):
        if stretches and r.at <= stretches[-1].end:  # kept by the hour; two watches at once count once
            stretches[-1] = Observed(stretches[-1].start, max(stretches[-1].end, r.end))
        else:
            stretches.append(Observed(r.at, r.end))
    return outages, tuple(stretches)

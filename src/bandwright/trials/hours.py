"""When rounds are run: the hours that matter as weights, and stratified random times drawn from them, day by day."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from bandwright.words.campaign import Design
from bandwright.words.site import Hours, Need

__all__ = ["SPACING_MIN", "hour_weights", "next_in_hours", "next_slot", "round_order", "slots_of_day"]

SPACING_MIN: Final = 30.0  # rounds closer than this repeat one another
ALWAYS: Final = tuple((d, 0, 1440) for d in range(7))


@lru_cache(maxsize=64)
def hour_weights(needs: tuple[Need, ...]) -> tuple[float, ...]:
    """Return the weight of each local hour of the day, adding up to 1: time declared, times the weight of its need."""
    total = [0.0] * 24
    for need in needs:
        minutes = sum(b - a for _, a, b in need.hours.spans)
        for hour, share in enumerate(need.hours.weights_by_hour()):
            total[hour] += need.weight * minutes * share
    mass = sum(total)
    return tuple(x / mass for x in total) if mass > 0 else (1.0 / 24,) * 24


def next_slot(design: Design, *, earliest_min: float, rounds_per_day: int) -> float:
    """Return the first drawn time for a round at or after a minute, in minutes after the start; that minute itself where none is drawn within two weeks."""
    zone = ZoneInfo(design.timezone)
    day = (design.start + timedelta(minutes=earliest_min)).astimezone(zone).date()
    for offset in range(15):
        for slot in slots_of_day(design.needs, design.timezone, design.seed, rounds_per_day, day + timedelta(days=offset)):
            minute = (slot - design.start).total_seconds() / 60.0
            if minute >= earliest_min:
                return minute
    return earliest_min


@lru_cache(maxsize=4096)
def slots_of_day(needs: tuple[Need, ...], timezone: str, seed: int, rounds: int, day: date) -> tuple[datetime, ...]:
    """Return the times (UTC) of a day's rounds: one in each equal share of the day's weight, at random, half an hour apart or more."""
    weekday = day.weekday()
    pieces = _pieces(needs, weekday)
    mass = sum((b - a) * w for a, b, w in pieces)
    if mass <= 0:
        return ()
    uniform = np.random.default_rng([seed, day.toordinal(), 11]).random(rounds)
    midnight = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone))
    out: list[datetime] = []
    for i in range(rounds):
        minute = _quantile(pieces, mass * (i + float(uniform[i])) / rounds)
        slot = (midnight + timedelta(minutes=minute)).astimezone(UTC)
        if not out or (slot - out[-1]).total_seconds() >= 60.0 * SPACING_MIN:
            out.append(slot)
    return tuple(out)


def _pieces(needs: Sequence[Need], weekday: int) -> list[tuple[int, int, float]]:
    """Return the day's weight as pieces (from minute, to minute, weight per minute)."""
    spans = [(a, b, need.weight) for need in needs for d, a, b in need.hours.spans if d == weekday]
    if not needs:
        spans = [(0, 1440, 1.0)]
    edges = sorted({edge for a, b, _ in spans for edge in (a, b)})
    return [(a, b, sum(w for c, d, w in spans if c <= a and b <= d)) for a, b in pairwise(edges)]


def _quantile(pieces: list[tuple[int, int, float]], mass: float) -> float:
    for a, b, weight in pieces:
        if weight > 0:
            if mass <= (b - a) * weight:
                return a + mass / weight
            mass -= (b - a) * weight
    return float(pieces[-1][1])


def next_in_hours(hours: Hours | None, timezone: str, at: datetime) -> datetime:
    """Return the first time at or after `at` that lies in the hours; `at` itself where there are none."""
    if hours is None or not hours.spans:
        return at
    local = at.astimezone(ZoneInfo(timezone))
    if hours.includes(local.weekday(), local.hour * 60 + local.minute):
        return at
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    for offset in range(8):
        day = midnight + timedelta(days=offset)
        for weekday, a, _ in hours.spans:
            begin = day + timedelta(minutes=a)
            if weekday == day.weekday() and begin >= local:
                return begin.astimezone(UTC)
    return at


def round_order(setups: Sequence[str], *, lead: str | None, seed: int, number: int, twice: bool = False) -> tuple[str, ...]:
    """Return a round's order, drawn from the seed before it begins.

    Each once, in random order; four or more, with a leader: the leader opens and closes. twice: one or two setups as A A or A B B A,
    where a round is dear (a person is there); where rounds are cheap, two far apart say more than one of double length.
    """
    rng = np.random.default_rng([seed, number, 7])
    mixed = [setups[int(i)] for i in rng.permutation(len(setups))]
    if twice and len(mixed) <= 2:
        return (*mixed, *reversed(mixed))
    if len(mixed) >= 4 and lead in mixed:
        inner = [s for s in mixed if s != lead]
        return (lead, *inner, lead) if lead is not None else tuple(mixed)
    return tuple(mixed)

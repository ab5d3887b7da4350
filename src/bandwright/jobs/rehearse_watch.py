"""Rehearse the watch on simulated months: false alarms where nothing changed, hours to each alarm where something did, the cause named.

The truth is known, and plainer ways stand beside: control charts that take tests for independent. `rehearse_watch` is one place; a
study is many seeds of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from bandwright.advice.cause import ChangeFacts, HourRow, named_cause, reading_shifts
from bandwright.trials.change import LIMIT, ChangeWatch, Found, WatchedHour, WatchedTest
from bandwright.trials.change_charts import cusum_alarms, ewma_alarms
from bandwright.twin.months import HourSeen, Months, TestSeen, months

__all__ = ["Charted", "WatchRehearsal", "charts", "rehearse_watch", "watched_hour", "watched_test"]

_TRIAL_DAYS, _TRIAL_TESTS_A_DAY = 7.0, 5
_FIRST_HOUR, _LAST_HOUR = 6.0, 24.0
_LOSSY = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Charted:
    """Alarms of a control chart that takes tests for independent, in hours after the watch began, re-armed after each."""

    name: str
    alarms_h: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchRehearsal:
    """One place and what the watch said of it. Times in hours after the watch began; change_h: when it changed, None if it did not."""

    kind: str
    change: str
    size: float
    seed: int
    change_h: float | None
    alarms: tuple[Found, ...]
    alarms_h: tuple[float, ...]  # of news only
    notices: int
    tests: int
    delay_h: float | None  # to the first news after the change
    cause: str | None
    cause_chance: float
    true_cause: str
    charted: tuple[Charted, ...]


def watched_test(seen: TestSeen, start: datetime, *, learning: bool) -> WatchedTest | None:
    """Return a simulated test as the detector takes it, or None for one in an outage."""
    if seen.outage:
        return None
    ok = not seen.stalled
    return WatchedTest(
        at_h=(seen.at - start).total_seconds() / 3600.0, hour=seen.at.hour + seen.at.minute / 60.0, weekend=seen.at.weekday() >= 5,
        ln_down=math.log(max(seen.down_mbps, 1e-3)) if ok else None, ln_up=math.log(max(seen.up_mbps, 1e-3)) if ok else None,
        ln_delay=math.log(seen.loaded_delay_ms) if ok else None, lossy=seen.loss_ratio > _LOSSY or not ok, stalled=seen.stalled, cell=seen.cell, learning=learning,
    )  # fmt: skip


def watched_hour(seen: HourSeen, start: datetime, *, under_load: Sequence[TestSeen] = ()) -> WatchedHour:
    """Return a simulated hour as the detector takes it. under_load: the tests in it, whose readings show the added carriers."""
    values = {"rsrp": seen.rsrp_dbm, "sinr": seen.sinr_db, "rsrq": seen.rsrq_db, "ln_first_hop": math.log(seen.first_hop_ms)}
    widths = [t.bandwidth_mhz for t in under_load if t.bandwidth_mhz]
    shares = [t.nr_share for t in under_load if t.nr_share is not None]
    if widths:
        values["ln_bandwidth"] = math.log(sum(widths) / len(widths))
    if shares:
        values["nr_share"] = sum(shares) / len(shares)
    return WatchedHour(at_h=(seen.at - start).total_seconds() / 3600.0 + 1.0, hour=seen.at.hour + 0.5, weekend=seen.at.weekday() >= 5, values=values, cell=seen.cell)


def rehearse_watch(
    kind: str, seed: int, *, change: str = "none", size: float = 0.0, tests_a_day: int = 6, days: int = 90, limit: float = LIMIT, readings: int = 4, change_day: float = 30.0,
    stop_after_h: float = 24.0,
) -> WatchRehearsal:  # fmt: skip
    """Return what the watch says of one simulated place. change_day: after the watch began.

    With a change the rehearsal ends `stop_after_h` after the first alarm that follows it, when the cause is named.
    """
    rng = np.random.default_rng([seed, 7919])
    place = months(kind, seed, change=change, size=size, change_day=_TRIAL_DAYS + change_day + float(rng.random()))
    watch = ChangeWatch(limit=limit)
    changed = change != "none"
    began_h = _TRIAL_DAYS * 24.0
    change_h = (place.change_at - place.start).total_seconds() / 3600.0 - began_h if changed else None
    rows: list[HourRow] = []
    seen_tests: list[tuple[float, float, float]] = []
    found: list[Found] = []
    stop_h = math.inf
    told = False
    for day in range(int(_TRIAL_DAYS) + days):
        learning = day < _TRIAL_DAYS
        steps = _day(place, day, _TRIAL_TESTS_A_DAY if learning else tests_a_day, rng)
        loaded: dict[int, list[TestSeen]] = {}
        for at, is_test in steps:
            at_h = (at - place.start).total_seconds() / 3600.0
            if place.event is not None and changed and not told and at >= place.event[0]:
                watch.event(place.event[1], at_h)
                told = True
            if is_test:
                seen = place.test(at)
                row = watched_test(seen, place.start, learning=learning)
                if row is None:
                    continue
                loaded.setdefault(at.hour, []).append(seen)
                found += watch.test(row)
                if row.ln_down is not None and row.ln_up is not None:
                    seen_tests.append((row.at_h - began_h, row.ln_down, row.ln_up))
            elif readings:
                hour = place.hour(at, readings=readings)
                if hour is None:
                    continue
                watched = watched_hour(hour, place.start, under_load=loaded.get(at.hour, ()))
                rows.append(HourRow(at_h=watched.at_h, values=watched.values, cell=watched.cell))
                watch.hour(watched)
        if change_h is not None and math.isinf(stop_h):
            first = next((f for f in found if f.at_h - began_h > change_h), None)
            stop_h = first.at_h + stop_after_h if first is not None else math.inf
        if 24.0 * (day + 1) >= stop_h:
            break
    news = tuple(f.at_h - began_h for f in found if f.news)
    first = next((f for f in found if change_h is not None and f.at_h - began_h > change_h), None)
    answer = named_cause(facts_of(first, watch, rows, seen_tests, began_h)) if first is not None else None
    return WatchRehearsal(
        kind=kind, change=change, size=size, seed=seed, change_h=change_h, alarms=tuple(found), alarms_h=news, notices=len(watch.notices), tests=len(seen_tests),
        delay_h=first.at_h - began_h - change_h if first is not None and change_h is not None else None, cause=answer.key if answer is not None else None,
        cause_chance=answer.chance if answer is not None else 0.0, true_cause=place.row.cause, charted=charts(seen_tests),
    )  # fmt: skip


def facts_of(found: Found, watch: ChangeWatch, rows: Sequence[HourRow], tests: Sequence[tuple[float, float, float]], began_h: float) -> ChangeFacts:
    """Return what is known of a change at the end of a rehearsal."""
    since_h = found.dated_by.since_h if found.dated_by is not None else found.shift.since_h
    now_h = rows[-1].at_h if rows else found.at_h
    shifts, new_cell, ramp = reading_shifts(rows, since_h=since_h, now_h=now_h)
    both = [(t + began_h, (d + u) / 2.0) for t, d, u in tests]
    before = [y for t, y in both if since_h - 336.0 <= t < since_h]
    after = [y for t, y in both if t >= since_h]
    size = float(np.mean(after) - np.mean(before)) if before and after else found.shift.size
    near = {n.kind for n in watch.notices if found.shift.since_low_h - 6.0 <= n.since_h <= found.shift.since_high_h + 6.0}
    limited = 1.0 - found.shift.shapes[0]
    return ChangeFacts(size=size, shifts=shifts, limited=limited, new_cell=new_cell, events=tuple(k for k in ("cap", "firmware") if k in near), ramp=ramp)


def _day(place: Months, day: int, tests: int, rng: np.random.Generator) -> list[tuple[datetime, bool]]:
    """Return the day's steps in order of time: the ends of its hours, and tests at stratified random times of the hours that matter."""
    begin = place.start + timedelta(days=day)
    span = _LAST_HOUR - _FIRST_HOUR
    times = [(begin + timedelta(hours=_FIRST_HOUR + span * (i + float(rng.random())) / tests), True) for i in range(tests)]
    hours = [(begin + timedelta(hours=h), False) for h in range(24)]
    return sorted(times + hours, key=lambda s: s[0] + timedelta(hours=0 if s[1] else 1))


def charts(tests: Sequence[tuple[float, float, float]]) -> tuple[Charted, ...]:
    """Return what control charts would say that take tests for independent: level and sd from the trial, two-sided, on (down + up)/2.

    CUSUM k .5, h 5; EWMA lambda .25, L 2.998: each with an average run of about 500 tests between false alarms of white noise.
    """
    trial = np.array([(d + u) / 2.0 for t, d, u in tests if t < 0.0])
    if trial.size < 5:
        return ()
    mean, sd = float(trial.mean()), max(float(trial.std(ddof=1)), 0.02)
    watched = [(t, ((d + u) / 2.0 - mean) / sd) for t, d, u in tests if t >= 0.0]
    z = [v for _, v in watched]
    return (
        Charted(name="CUSUM k .5 h 5", alarms_h=tuple(watched[i][0] for i in cusum_alarms(z, k=0.5, h=5.0))),
        Charted(name="EWMA .25 L 2.998", alarms_h=tuple(watched[i][0] for i in ewma_alarms(z, weight=0.25, width=2.998))),
    )

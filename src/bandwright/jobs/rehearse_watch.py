"""Rehearse the watch on simulated months: false alarms where nothing changed, hours to each alarm where something did, the cause named.

The truth is known, and plainer ways stand beside: control charts that take tests for independent. `rehearse_watch` is one place; a
study is many seeds of it.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from bandwright.advice.cause import ChangeFacts, HourRow, named_cause, reading_shifts
from bandwright.trials.change import LIMIT, ChangeWatch, Found, WatchedHour, WatchedTest
from bandwright.trials.change_charts import cusum_alarms, ewma_alarms
from bandwright.twin.months import HourSeen, Months, TestSeen, months

__all__ = ["Charted", "WatchRehearsal", "charts", "rehearse_changes", "rehearse_watch", "watched_hour", "watched_test"]

_TRIAL_DAYS, _TRIAL_TESTS_A_DAY = 7.0, 5
_GONE_DAYS = 10.0
_BEGAN_H = _TRIAL_DAYS * 24.0
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
        ln_delay=math.log(seen.loaded_delay_ms) if ok else None, lossy=seen.loss_ratio > _LOSSY or not ok, stalled=seen.stalled, cell=seen.cell,
        ln_width=math.log(seen.bandwidth_mhz) if seen.bandwidth_mhz else None, learning=learning,
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


@dataclass(slots=True)
class _Walk:
    """A rehearsal under way: the place, the watch, and what both have said so far. A copy of it goes on by itself."""

    place: Months
    watch: ChangeWatch
    rng: np.random.Generator
    rows: list[HourRow] = field(default_factory=list)
    tests: list[tuple[float, float, float]] = field(default_factory=list)  # hours after the watch began, ln down, ln up
    found: list[Found] = field(default_factory=list)
    told: bool = False

    def at(self, place: Months) -> _Walk:
        """Return a copy that goes on at another place, the same one but for what changes in it."""
        return _Walk(place, copy.deepcopy(self.watch), copy.deepcopy(self.rng), list(self.rows), list(self.tests), list(self.found))

    def day(self, day: int, *, tests_a_day: int, readings: int) -> None:
        """Walk through a day."""
        place, learning = self.place, day < _TRIAL_DAYS
        loaded: dict[int, list[TestSeen]] = {}
        for at, is_test in _day(place, day, _TRIAL_TESTS_A_DAY if learning else tests_a_day, self.rng):
            at_h = (at - place.start).total_seconds() / 3600.0
            if place.event is not None and not self.told and at >= place.event[0]:
                self.watch.event(place.event[1], at_h)
                self.told = True
            if is_test:
                seen = place.test(at)
                row = watched_test(seen, place.start, learning=learning)
                if row is None:
                    continue
                loaded.setdefault(at.hour, []).append(seen)
                self.found += self.watch.test(row)
                if row.ln_down is not None and row.ln_up is not None:
                    self.tests.append((row.at_h - _BEGAN_H, row.ln_down, row.ln_up))
            elif readings:
                hour = place.hour(at, readings=readings)
                if hour is None:
                    continue
                watched = watched_hour(hour, place.start, under_load=loaded.get(at.hour, ()))
                self.rows.append(HourRow(at_h=watched.at_h, values=watched.values, cell=watched.cell))
                self.watch.hour(watched)

    def after(self, change_h: float | None) -> Found | None:
        """Return the first word after a change."""
        return None if change_h is None else next((f for f in self.found if f.at_h - _BEGAN_H > change_h), None)

    def ended(self, kind: str, seed: int, change: str, size: float, change_h: float | None) -> WatchRehearsal:
        """Return what came of it."""
        first = self.after(change_h)
        answer = named_cause(facts_of(first, self.watch, self.rows, self.tests, _BEGAN_H)) if first is not None else None
        return WatchRehearsal(
            kind=kind, change=change, size=size, seed=seed, change_h=change_h, alarms=tuple(self.found), alarms_h=tuple(f.at_h - _BEGAN_H for f in self.found if f.news),
            notices=len(self.watch.notices), tests=len(self.tests), delay_h=first.at_h - _BEGAN_H - change_h if first is not None and change_h is not None else None,
            cause=answer.key if answer is not None else None, cause_chance=answer.chance if answer is not None else 0.0, true_cause=self.place.row.cause, charted=charts(self.tests),
        )  # fmt: skip


def rehearse_watch(
    kind: str, seed: int, *, change: str = "none", size: float = 0.0, tests_a_day: int = 6, days: int = 90, limit: float = LIMIT, readings: int = 4, change_day: float = 30.0,
    stop_after_h: float = 24.0,
) -> WatchRehearsal:  # fmt: skip
    """Return what the watch says of one simulated place; see `rehearse_changes`."""
    return rehearse_changes(
        kind, seed, changes=((change, size),), tests_a_day=tests_a_day, days=days, limit=limit, readings=readings, change_day=change_day, stop_after_h=stop_after_h
    )[0]  # fmt: skip


def rehearse_changes(
    kind: str, seed: int, *, changes: Sequence[tuple[str, float]], tests_a_day: int = 6, days: int = 90, limit: float = LIMIT, readings: int = 4, change_day: float = 30.0,
    stop_after_h: float = 24.0,
) -> tuple[WatchRehearsal, ...]:  # fmt: skip
    """Return what the watch says of one simulated place under each of several changes. change_day: after the watch began.

    changes: (a row of the twin's table, size in ln); "none" is the place as it is. What comes before the change is walked once. With a
    change the rehearsal ends `stop_after_h` after the first word that follows it, when the cause is named; with one that passes, ten days
    after it has passed.
    """
    rng = np.random.default_rng([seed, 7919])
    day_of_change = _TRIAL_DAYS + change_day + float(rng.random())
    last = int(_TRIAL_DAYS) + days
    walk = _Walk(months(kind, seed), ChangeWatch(limit=limit), rng)
    split = min(int(day_of_change), last)
    for day in range(split):
        walk.day(day, tests_a_day=tests_a_day, readings=readings)
    out: list[WatchRehearsal] = []
    for change, size in changes:
        branch = walk.at(months(kind, seed, change=change, size=size, change_day=day_of_change))
        change_h = None if change == "none" else (branch.place.change_at - branch.place.start).total_seconds() / 3600.0 - _BEGAN_H
        for day in range(split, last):
            branch.day(day, tests_a_day=tests_a_day, readings=readings)
            first, lasts = branch.after(change_h), branch.place.row.lasts_days
            if first is not None and 24.0 * (day + 1) >= first.at_h + stop_after_h and (lasts is None or day > day_of_change + lasts + _GONE_DAYS):
                break
        out.append(branch.ended(kind, seed, change, size, change_h))
    return tuple(out)


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
